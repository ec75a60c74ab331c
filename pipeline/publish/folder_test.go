package publish

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

func TestFolderIsMadeAnewOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	final := filepath.Join(dir, "leaving")
	write := func(names ...string) func(string) error {
		return func(tmp string) error {
			for _, n := range names {
				if err := os.WriteFile(filepath.Join(tmp, n), []byte(n), 0o666); err != nil {
					return err
				}
			}
			return nil
		}
	}
	look := func(want ...string) {
		t.Helper()
		entries, err := os.ReadDir(final)
		if err != nil || len(entries) != len(want) {
			t.Fatalf("%v, %v; want %v", entries, err, want)
		}
		for i, e := range entries {
			if e.Name() != want[i] {
				t.Errorf("%s; want %s", e.Name(), want[i])
			}
		}
		if all, _ := os.ReadDir(dir); len(all) != 1 {
			t.Errorf("left behind: %v", all)
		}
	}
	if err := Folder(final, write("a", "b")); err != nil {
		t.Fatal(err)
	}
	look("a", "b")
	if st, err := os.Stat(final); err != nil || st.Mode().Perm() != 0o777&^umask() {
		t.Errorf("%v, %v", st.Mode(), err)
	}
	if err := Folder(final, write("b", "c")); err != nil { // nothing of before stays
		t.Fatal(err)
	}
	look("b", "c")
	no := errors.New("no")
	if err := Folder(final, func(tmp string) error { return errors.Join(write("x")(tmp), no) }); !errors.Is(err, no) {
		t.Errorf("%v", err)
	}
	look("b", "c")
	file := filepath.Join(final, "b")
	var e *pipeline.Error
	if err := Folder(file, write("x")); !errors.As(err, &e) || e.Fault != pipeline.FaultOutput {
		t.Errorf("a file in the way: %v", err)
	}
	look("b", "c")
}
