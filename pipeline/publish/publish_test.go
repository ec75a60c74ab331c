package publish

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
)

var names = []string{"a.json", "b.mp4"}

func put(t *testing.T, p, s string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p, []byte(s), 0o666); err != nil {
		t.Fatal(err)
	}
}

func get(t *testing.T, p string) string {
	t.Helper()
	b, err := os.ReadFile(p)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// list gives everything under dir.
func list(t *testing.T, dir string) (out []string) {
	t.Helper()
	filepath.WalkDir(dir, func(p string, _ os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if rel, _ := filepath.Rel(dir, p); rel != "." {
			out = append(out, rel)
		}
		return nil
	})
	return out
}

func wantList(t *testing.T, dir string, want ...string) {
	t.Helper()
	slices.Sort(want)
	if got := list(t, dir); !slices.Equal(got, want) {
		t.Errorf("in the folder: %v; want %v", got, want)
	}
}

func wantFault(t *testing.T, err error, what string) {
	t.Helper()
	var e *pipeline.Error
	if !errors.As(err, &e) || e.Fault != pipeline.FaultOutput || !strings.Contains(e.Error(), what) {
		t.Errorf("error %v; want an output fault with %q", err, what)
	}
}

func begin(t *testing.T, dir string, force bool) *Draft {
	t.Helper()
	d, err := Begin(filepath.Join(dir, "out", "deep"), "swing", filepath.Join(dir, "in.mp4"), names, force)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Discard)
	for _, n := range names {
		put(t, filepath.Join(d.Dir(), n), "new "+n)
	}
	return d
}

func TestPublishFresh(t *testing.T) {
	dir := t.TempDir()
	d := begin(t, dir, false)
	if _, err := os.Stat(d.Final()); err == nil {
		t.Error("the final folder is there before publishing")
	}
	if err := d.Publish(); err != nil {
		t.Fatal(err)
	}
	d.Discard()
	wantList(t, dir, "out", "out/deep", "out/deep/swing", "out/deep/swing/a.json", "out/deep/swing/b.mp4")
	if got := get(t, filepath.Join(d.Final(), "a.json")); got != "new a.json" {
		t.Errorf("got %q", got)
	}
	st, _ := os.Stat(d.Final())
	if st.Mode().Perm() != 0o777&^umask() {
		t.Errorf("mode %v", st.Mode())
	}
}

func TestDiscardLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	begin(t, dir, false).Discard()
	wantList(t, dir)
}

func TestDiscardKeepsOthers(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "out", "mine"), "x")
	begin(t, dir, false).Discard()
	wantList(t, dir, "out", "out/mine")
}

func TestExistingIsRefused(t *testing.T) {
	dir := t.TempDir()
	begin(t, dir, false).Publish()
	_, err := Begin(filepath.Join(dir, "out", "deep"), "swing", "", names, false)
	wantFault(t, err, "exists already")
	if n := len(list(t, dir)); n != 5 {
		t.Errorf("the refusal left something: %v", list(t, dir))
	}
}

// Force replaces ours and keeps everything else, folders and links too.
func TestForceKeepsOthers(t *testing.T) {
	for _, swapped := range []string{"exchange", "swap"} {
		t.Run(swapped, func(t *testing.T) {
			dir := t.TempDir()
			final := filepath.Join(dir, "out", "deep", "swing")
			put(t, filepath.Join(final, "a.json"), "old")
			put(t, filepath.Join(final, "notes.txt"), "mine")
			put(t, filepath.Join(final, "sub", "more.txt"), "mine too")
			os.Symlink("notes.txt", filepath.Join(final, "link"))
			os.Chmod(final, 0o750)
			d := begin(t, dir, true)
			if swapped == "swap" {
				// the three renames of a disk without exchange
				if err := swap(d.Dir(), d.Final()); err != nil {
					t.Fatal(err)
				}
				if err := swap(d.Dir(), d.Final()); err != nil {
					t.Fatal(err)
				}
			}
			if err := d.Publish(); err != nil {
				t.Fatal(err)
			}
			d.Discard()
			wantList(t, final, "a.json", "b.mp4", "notes.txt", "sub", "sub/more.txt", "link")
			wantList(t, filepath.Dir(final), "swing", "swing/a.json", "swing/b.mp4", "swing/notes.txt", "swing/sub", "swing/sub/more.txt", "swing/link")
			if get(t, filepath.Join(final, "a.json")) != "new a.json" || get(t, filepath.Join(final, "notes.txt")) != "mine" {
				t.Error("wrong contents")
			}
			if st, _ := os.Stat(final); st.Mode().Perm() != 0o750 {
				t.Errorf("mode %v", st.Mode())
			}
		})
	}
}

// Without force, a folder that holds none of ours is published into.
func TestOthersOnly(t *testing.T) {
	dir := t.TempDir()
	final := filepath.Join(dir, "out", "deep", "swing")
	put(t, filepath.Join(final, "notes.txt"), "mine")
	if err := begin(t, dir, false).Publish(); err != nil {
		t.Fatal(err)
	}
	wantList(t, final, "a.json", "b.mp4", "notes.txt")
}

func TestInputIsNeverOverwritten(t *testing.T) {
	dir := t.TempDir()
	in := filepath.Join(dir, "swing", "b.mp4")
	put(t, in, "clip")
	for _, path := range []string{in, filepath.Join(dir, "hard.mp4"), filepath.Join(dir, "soft.mp4")} {
		switch filepath.Base(path) {
		case "hard.mp4":
			os.Link(in, path)
		case "soft.mp4":
			os.Symlink(in, path)
		}
		_, err := Begin(dir, "swing", path, names, true)
		wantFault(t, err, "is the input clip")
	}
	// A clip without an extension has the folder's own name.
	put(t, filepath.Join(dir, "bare"), "clip")
	_, err := Begin(dir, "bare", filepath.Join(dir, "bare"), names, true)
	wantFault(t, err, "in the way")
	if get(t, in) != "clip" {
		t.Error("the clip was changed")
	}
}

func TestFolderBehindALink(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "real", "a.json"), "old")
	os.MkdirAll(filepath.Join(dir, "out", "deep"), 0o777)
	os.Symlink(filepath.Join(dir, "real"), filepath.Join(dir, "out", "deep", "swing"))
	if err := begin(t, dir, true).Publish(); err != nil {
		t.Fatal(err)
	}
	if st, _ := os.Lstat(filepath.Join(dir, "out", "deep", "swing")); st.Mode()&os.ModeSymlink == 0 {
		t.Error("the link was replaced")
	}
	if get(t, filepath.Join(dir, "real", "a.json")) != "new a.json" {
		t.Error("not published behind the link")
	}
}

func TestMissingOrEmptyFileIsNotPublished(t *testing.T) {
	for _, spoil := range []func(p string){
		func(p string) { os.Remove(p) },
		func(p string) { os.Truncate(p, 0) },
		func(p string) { os.WriteFile(p+".part", []byte("x"), 0o666) },
	} {
		dir := t.TempDir()
		d := begin(t, dir, false)
		spoil(filepath.Join(d.Dir(), "b.mp4"))
		if err := d.Publish(); err == nil {
			t.Error("published")
		}
		d.Discard()
		wantList(t, dir)
	}
}

func TestCantWrite(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "file"), "x")
	_, err := Begin(filepath.Join(dir, "file"), "swing", "", names, false)
	wantFault(t, err, "can't be")
	_, err = Begin(filepath.Join(dir, "file", "deep"), "swing", "", names, false)
	wantFault(t, err, "can't be")
	_, err = Begin("/proc/none", "swing", "", names, false)
	wantFault(t, err, "can't be")
	wantList(t, dir, "file")
}

func TestFile(t *testing.T) {
	dir := t.TempDir()
	p := filepath.Join(dir, "new", "r.json")
	if err := File(p, []byte("1"), false); err != nil {
		t.Fatal(err)
	}
	wantFault(t, File(p, []byte("2"), false), "exists already")
	if get(t, p) != "1" {
		t.Error("overwritten")
	}
	if err := File(p, []byte("2"), true); err != nil || get(t, p) != "2" {
		t.Errorf("not replaced: %v", err)
	}
	wantFault(t, File(filepath.Join(p, "x"), []byte("1"), false), "can't be")
	wantList(t, dir, "new", "new/r.json")
}
