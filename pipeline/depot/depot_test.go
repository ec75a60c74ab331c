package depot

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"

	"tapeline/pipeline/depot/s3test"
)

// at opens a store for a test; AWS_… in the environment as it is.
func at(t *testing.T, url string) *Depot {
	t.Helper()
	d, err := Open(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	d.pause = time.Millisecond
	t.Cleanup(func() { d.Close() })
	return d
}

func file(t *testing.T, content string) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

// noise is incompressible and always the same.
func noise(n int) string {
	b := make([]byte, n)
	r := rand.NewChaCha8([32]byte{1})
	_, _ = r.Read(b)
	return string(b)
}

// tree is what lies below a folder, by name.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(p)
		rel, _ := filepath.Rel(dir, p)
		out[rel] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// stores are the two kinds, and a bucket of which a part is ours.
func stores(t *testing.T, f func(t *testing.T, d *Depot)) {
	t.Run("folder", func(t *testing.T) { f(t, at(t, "file://"+t.TempDir())) })
	t.Run("bucket", func(t *testing.T) { f(t, at(t, s3test.New(t, false).URL)) })
	t.Run("versions", func(t *testing.T) { f(t, at(t, s3test.New(t, true).URL+"&prefix=hitting/barn")) })
	// A real server, by hand: TAPELINE_S3=s3://…
	if u := os.Getenv("TAPELINE_S3"); u != "" {
		t.Run("real", func(t *testing.T) {
			d := at(t, u)
			f(t, d)
			keys, err := d.Traces(context.Background(), "")
			for _, k := range keys {
				err = errors.Join(err, d.Purge(context.Background(), k))
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
}

// What is stored comes back, the same from either kind of store.
func TestContract(t *testing.T) {
	ctx := context.Background()
	big := noise(6 << 20)
	stores(t, func(t *testing.T, d *Depot) {
		d.partSize = 5 << 20 // S3's smallest
		put := func(key, content string) {
			t.Helper()
			if err := d.Put(ctx, key, file(t, content)); err != nil {
				t.Fatalf("%s: %v", key, err)
			}
		}
		get := func(key, want string) {
			t.Helper()
			p := filepath.Join(t.TempDir(), "got")
			if err := d.Get(ctx, key, p); err != nil {
				t.Fatalf("%s: %v", key, err)
			}
			if b, err := os.ReadFile(p); err != nil || string(b) != want {
				t.Errorf("%s: %d bytes, %v", key, len(b), err)
			}
			if got := tree(t, filepath.Dir(p)); len(got) != 1 {
				t.Errorf("%d files", len(got))
			}
		}
		put("clips/aa/clip.mov", "film")
		put("clips/aa/clip.mov", "film")
		put("clips/aa/clip.yaml", "player: ada")
		put("clips/aa/clip.yaml", "player: ben") // put right at the desk
		put("clips/aa1/clip.mov", "")
		put("clips/bb/clip é+ &.mov", big)
		get("clips/aa/clip.mov", "film")
		get("clips/aa/clip.yaml", "player: ben")
		get("clips/aa1/clip.mov", "")
		get("clips/bb/clip é+ &.mov", big)

		there := file(t, "mine")
		err := d.Get(ctx, "clips/aa/clip.mov", there)
		if b, _ := os.ReadFile(there); !errors.Is(err, fs.ErrExist) || string(b) != "mine" || temporary(err) {
			t.Errorf("over what was there: %v, %q", err, b)
		}
		// What can't be read here is trouble with that file, not with the store.
		if err := d.Put(ctx, "clips/aa/clip.m4a", t.TempDir()); err == nil || temporary(err) {
			t.Errorf("a folder: %v", err)
		}
		if err := d.Get(ctx, "clips/aa/none.mov", there+"2"); !errors.Is(err, fs.ErrNotExist) || temporary(err) {
			t.Errorf("what isn't there: %v", err)
		}
		if err := d.Put(ctx, "clips/cc/clip.mov", filepath.Join(t.TempDir(), "gone")); !errors.Is(err, fs.ErrNotExist) {
			t.Error(err)
		}
		link := filepath.Join(t.TempDir(), "link")
		if err := os.Symlink(there, link); err != nil {
			t.Fatal(err)
		}
		if err := d.Put(ctx, "clips/cc/clip.mov", link); err == nil {
			t.Error("a link was stored")
		}

		dir := t.TempDir()
		for n, s := range map[string]string{"lesson.mp4": "moving", "report.json": "{}", "leaving/lesson.html": "<p>", "empty": ""} {
			p := filepath.Join(dir, n)
			if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, []byte(s), 0o600)); err != nil {
				t.Fatal(err)
			}
		}
		final := "lessons/ada/2026-05-03-0123abcd/7"
		if err := d.Whole(ctx, final); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("whole before: %v", err)
		}
		if err := d.PutFolder(ctx, final, dir); err != nil {
			t.Fatal(err)
		}
		if err := d.Whole(ctx, final); err != nil {
			t.Error(err)
		}
		got := filepath.Join(t.TempDir(), "lesson")
		if err := d.GetFolder(ctx, final, got); err != nil {
			t.Fatal(err)
		}
		if a, b := tree(t, dir), tree(t, got); len(a) != len(b) || a["leaving/lesson.html"] != b["leaving/lesson.html"] || a["lesson.mp4"] != b["lesson.mp4"] {
			t.Errorf("%q; want %q", b, a)
		}
		if err := d.GetFolder(ctx, final, got); !errors.Is(err, fs.ErrExist) {
			t.Errorf("over a folder: %v", err)
		}
		want := []string{"clips/aa/clip.mov", "clips/aa/clip.yaml", "clips/aa1/clip.mov", "clips/bb/clip é+ &.mov",
			final + "/empty", final + "/leaving/lesson.html", final + "/lesson.mp4", final + "/list.json", final + "/report.json"}
		if keys, err := d.Keys(ctx, ""); err != nil || !slices.Equal(keys, want) {
			t.Errorf("%q, %v", keys, err)
		}
		if keys, err := d.Keys(ctx, "clips/aa"); err != nil || !slices.Equal(keys, want[:3]) {
			t.Errorf("%q, %v", keys, err)
		}
		if keys, err := d.Keys(ctx, "nobody/"); err != nil || len(keys) != 0 {
			t.Errorf("%q, %v", keys, err)
		}

		// A file of the list is not there: neither is the folder.
		if err := d.Remove(ctx, final+"/lesson.mp4"); err != nil {
			t.Fatal(err)
		}
		if err := d.GetFolder(ctx, final, got+"2"); err == nil || errors.Is(err, fs.ErrNotExist) || temporary(err) || len(tree(t, filepath.Dir(got))) != 4 {
			t.Errorf("a folder with a hole: %v", err)
		}
		for _, f := range []func(context.Context, string) error{d.Remove, d.Remove, d.Purge, d.Purge} {
			if err := f(ctx, final); err != nil {
				t.Fatal(err)
			}
			if err := d.Whole(ctx, final); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("whole behind: %v", err)
			}
		}
		// Purged by its key, not by what begins like it.
		if err := d.Purge(ctx, "clips/aa"); err != nil {
			t.Fatal(err)
		}
		if keys, err := d.Traces(ctx, "clips/aa"); err != nil || !slices.Equal(keys, []string{"clips/aa1/clip.mov"}) {
			t.Errorf("%q, %v", keys, err)
		}
		for _, k := range []string{"clips/aa1", "clips/bb"} {
			if err := d.Purge(ctx, k); err != nil {
				t.Fatal(err)
			}
		}
		if keys, err := d.Traces(ctx, ""); err != nil || len(keys) != 0 {
			t.Errorf("%q, %v", keys, err)
		}
		if d.root != "" {
			if got := tree(t, d.root); len(got) != 1 {
				t.Errorf("left: %q", got)
			}
		}
	})
}

func temporary(err error) bool {
	var e interface{ Temporary() bool }
	return errors.As(err, &e) && e.Temporary()
}

// Keys that could lead elsewhere are refused by both.
func TestKeys(t *testing.T) {
	d := at(t, "file://"+t.TempDir())
	for _, k := range []string{"", "/", "/a", "a/", "a//b", "../a", "a/../b", "a/..", ".", "a/./b", "a\x00", "a\nb", `a\b`, "a\xff", "a__0x2f__b", ".fetch-1/a", strings.Repeat("a", 300), strings.Repeat("a/", 600) + "a"} {
		for name, err := range map[string]error{"put": d.Put(t.Context(), k, file(t, "x")), "get": d.Get(t.Context(), k, filepath.Join(t.TempDir(), "x")), "remove": d.Remove(t.Context(), k), "purge": d.Purge(t.Context(), k),
			"folder": d.PutFolder(t.Context(), k, t.TempDir()), "fetch": d.GetFolder(t.Context(), k, filepath.Join(t.TempDir(), "x"))} {
			var e *Error
			if !errors.As(err, &e) || e.kind != badKey || e.Temporary() {
				t.Errorf("%s %q: %v", name, k, err)
			}
		}
	}
}

// A part that arrives otherwise than it was sent is sent again; what stays
// damaged is never stored, nor handed out.
func TestDamaged(t *testing.T) {
	ctx := context.Background()
	s := s3test.New(t, false)
	d := at(t, s.URL)
	d.partSize = 5 << 20
	content := noise(11 << 20)
	src := file(t, content)
	harm := func(times int) func(http.ResponseWriter, *http.Request) bool {
		return func(_ http.ResponseWriter, r *http.Request) bool {
			if r.Method == http.MethodPut && r.URL.Query().Get("partNumber") == "2" && times > 0 {
				times--
				b, _ := io.ReadAll(r.Body)
				b[12345] ^= 1
				r.Body = io.NopCloser(bytes.NewReader(b))
			}
			return false
		}
	}
	s.Before(harm(1))
	if err := d.Put(ctx, "clips/aa/clip.mov", src); err != nil {
		t.Fatal(err)
	}
	if err := d.Get(ctx, "clips/aa/clip.mov", filepath.Join(t.TempDir(), "x")); err != nil {
		t.Fatal(err)
	}
	s.Before(harm(1 << 30))
	d.tries = 1
	err := d.Put(ctx, "clips/bb/clip.mov", src)
	if err == nil || !temporary(err) || !strings.Contains(err.Error(), "BadDigest") {
		t.Errorf("%v", err)
	}
	s.Before(nil)
	nothing(t, d, "clips/bb")

	// In the store itself.
	d.tries = 4
	b, sum := []byte(content), ""
	if o, err := d.open(ctx, "clips/aa/clip.mov", 0, ""); err == nil {
		sum = o.sum
		o.Close()
	}
	b[7<<20] ^= 0x40
	_, err = d.s3.PutObject(ctx, &s3.PutObjectInput{Bucket: &d.name, Key: aws.String("clips/aa/clip.mov"), Body: bytes.NewReader(b), Metadata: map[string]string{sumKey: sum}})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	err = d.Get(ctx, "clips/aa/clip.mov", filepath.Join(dir, "x"))
	var e *Error
	if !errors.As(err, &e) || !e.Damaged() || e.Temporary() || errors.Is(err, fs.ErrNotExist) || len(tree(t, dir)) != 0 {
		t.Errorf("%v, %d files", err, len(tree(t, dir)))
	}
	// Put anew by who has it.
	if err := d.Put(ctx, "clips/cc/clip.mov", src); err != nil {
		t.Fatal(err)
	}

	// In the folder.
	f := at(t, "file://"+t.TempDir())
	if err := f.Put(ctx, "clips/aa/clip.mov", src); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(f.root, "clips/aa/clip.mov"), b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err = f.Get(ctx, "clips/aa/clip.mov", filepath.Join(dir, "x")); !errors.As(err, &e) || !e.Damaged() || len(tree(t, dir)) != 0 {
		t.Errorf("%v", err)
	}
	if err := errors.Join(f.Put(ctx, "clips/aa/clip.mov", src), f.Get(ctx, "clips/aa/clip.mov", filepath.Join(dir, "x"))); err != nil {
		t.Error(err)
	}
}

// nothing is left below a key, neither objects nor parts of one.
func nothing(t *testing.T, d *Depot, key string) {
	t.Helper()
	if keys, err := d.Traces(context.Background(), key); err != nil || len(keys) != 0 {
		t.Errorf("%q, %v", keys, err)
	}
	out, err := d.s3.ListMultipartUploads(context.Background(), &s3.ListMultipartUploadsInput{Bucket: &d.name})
	if err != nil || len(out.Uploads) != 0 {
		t.Errorf("%d uploads begun, %v", len(out.Uploads), err)
	}
}

// Connections that are cut: what comes is whole or nothing.
func TestCut(t *testing.T) {
	ctx := context.Background()
	s := s3test.New(t, true)
	d := at(t, s.URL)
	d.partSize = 5 << 20
	content := noise(11<<20 + 17)
	src := file(t, content)

	// While parts go there, half through one; then for good.
	n := 0
	cut := func(times int) func(w http.ResponseWriter, r *http.Request) bool {
		return func(w http.ResponseWriter, r *http.Request) bool {
			if r.Method != http.MethodPut || n >= times {
				return false
			}
			n++
			_, _ = io.CopyN(io.Discard, r.Body, 1<<20)
			s3test.Cut(w)
			return true
		}
	}
	s.Before(cut(2))
	if err := d.Put(ctx, "clips/aa/clip.mov", src); err != nil {
		t.Fatal(err)
	}
	n = 0
	s.Before(cut(1 << 30))
	d.tries = 1
	if err := d.Put(ctx, "clips/bb/clip.mov", src); !temporary(err) {
		t.Errorf("%v", err)
	}
	s.Before(nil)
	nothing(t, d, "clips/bb")

	// Told to stop in the middle.
	ctx2, stop := context.WithCancel(ctx)
	s.Before(func(w http.ResponseWriter, r *http.Request) bool {
		if r.URL.Query().Get("partNumber") == "2" {
			stop()
		}
		return false
	})
	if err := d.Put(ctx2, "clips/bb/clip.mov", src); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	s.Before(nil)
	nothing(t, d, "clips/bb")

	// While it comes: it goes on where it was cut, and only there.
	d.tries = 4
	var froms []string
	s.Before(func(w http.ResponseWriter, r *http.Request) bool {
		if r.Method != http.MethodGet {
			return false
		}
		froms = append(froms, r.Header.Get("Range"))
		if len(froms) > 2 {
			return false
		}
		w.Header().Set("Content-Length", "11534353")
		if len(froms) == 2 {
			s3test.Cut(w)
			return true
		}
		o, err := s.Memory.GetObject(s3test.Bucket, "clips/aa/clip.mov", nil)
		if err != nil {
			t.Error(err)
			return true
		}
		for k, v := range o.Metadata {
			w.Header().Set(k, v)
		}
		w.Header().Set("ETag", etag(t, d))
		_, _ = io.CopyN(w, o.Contents, 3<<20)
		w.(http.Flusher).Flush()
		s3test.Cut(w)
		return true
	})
	p := filepath.Join(t.TempDir(), "x")
	if err := d.Get(ctx, "clips/aa/clip.mov", p); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(p); string(b) != content {
		t.Error("other bytes")
	}
	if len(froms) < 3 || froms[0] != "" || !strings.HasPrefix(froms[len(froms)-1], "bytes=") {
		t.Errorf("%q", froms)
	}

	// For good.
	s.Before(func(w http.ResponseWriter, r *http.Request) bool { s3test.Cut(w); return true })
	d.tries = 2
	dir := t.TempDir()
	if err := d.Get(ctx, "clips/aa/clip.mov", filepath.Join(dir, "x")); !temporary(err) || errors.Is(err, fs.ErrNotExist) || len(tree(t, dir)) != 0 {
		t.Errorf("%v", err)
	}
}

func etag(t *testing.T, d *Depot) string {
	all, err := d.s3.ListObjectsV2(context.Background(), &s3.ListObjectsV2Input{Bucket: &d.name})
	if err != nil || len(all.Contents) == 0 {
		return ""
	}
	return aws.ToString(all.Contents[0].ETag)
}

// A shared folder that isn't mounted is trouble, not a store without clips.
func TestUnmounted(t *testing.T) {
	ctx := t.Context()
	d := at(t, "file://"+t.TempDir())
	if err := d.Put(ctx, "clips/aa/clip.mov", file(t, "film")); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(d.root); err != nil {
		t.Fatal(err)
	}
	for _, there := range []string{"gone", "empty"} {
		for _, d := range []*Depot{d, {where: d.where, root: d.root, bucket: d.bucket, tries: 1, pause: 1}} { // and one that begins then
			for name, err := range map[string]error{"get": d.Get(ctx, "clips/aa/clip.mov", filepath.Join(t.TempDir(), "x")), "whole": d.Whole(ctx, "lessons/a/b/1"),
				"purge": d.Purge(ctx, "clips/aa"), "remove": d.Remove(ctx, "clips/aa")} {
				if !temporary(err) || errors.Is(err, fs.ErrNotExist) {
					t.Errorf("%s, %s: %v", there, name, err)
				}
			}
		}
		if err := d.Put(ctx, "clips/bb/clip.mov", file(t, "film")); !temporary(err) {
			t.Errorf("%s: stored, %v", there, err)
		}
		if err := os.MkdirAll(d.root, 0o777); err != nil {
			t.Fatal(err)
		}
	}
}

// What somebody who died had begun to store is cleared away after a day.
func TestTidy(t *testing.T) {
	ctx := t.Context()
	d := at(t, "file://"+t.TempDir())
	if err := d.Put(ctx, "lessons/ada/2026-05-03-0123abcd/1/lesson.mp4", file(t, "film")); err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{"lessons/ada/2026-05-03-0123abcd/1/sheet.png.18a.tmp", "inbox/ada/x.mov.tmp"} {
		p := filepath.Join(d.root, n)
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, []byte("half"), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	b := at(t, s3test.New(t, true).URL+"&prefix=barn")
	if _, err := b.s3.CreateMultipartUpload(ctx, &s3.CreateMultipartUploadInput{Bucket: &b.name, Key: aws.String("barn/clips/aa/clip.mov")}); err != nil {
		t.Fatal(err)
	}
	uploads := func() int {
		out, err := b.s3.ListMultipartUploads(ctx, &s3.ListMultipartUploadsInput{Bucket: &b.name})
		if err != nil {
			t.Fatal(err)
		}
		return len(out.Uploads)
	}
	for _, c := range []struct {
		before time.Time
		keys   string
		parts  int
	}{
		{time.Now().Add(-time.Minute), "inbox/ada/x.mov.tmp lessons/ada/2026-05-03-0123abcd/1/lesson.mp4 lessons/ada/2026-05-03-0123abcd/1/sheet.png.18a.tmp", 1},
		{time.Now().Add(time.Minute), "inbox/ada/x.mov.tmp lessons/ada/2026-05-03-0123abcd/1/lesson.mp4", 0},
	} {
		if err := errors.Join(d.tidy(ctx, c.before), b.tidy(ctx, c.before)); err != nil {
			t.Fatal(err)
		}
		if keys, err := d.Keys(ctx, ""); err != nil || strings.Join(keys, " ") != c.keys || uploads() != c.parts {
			t.Errorf("%q, %d uploads, %v", keys, uploads(), err)
		}
	}
}

// What isn't there is told at once, and what a bucket's own checksum tells to be
// damaged isn't taken for trouble on the way.
func TestToldAtOnce(t *testing.T) {
	stores(t, func(t *testing.T, d *Depot) {
		ctx := t.Context()
		if err := d.Put(ctx, "clips/aa/clip.mov", file(t, "film")); err != nil {
			t.Fatal(err)
		}
		d.pause = time.Hour
		ctx, stop := context.WithTimeout(ctx, 10*time.Second)
		defer stop()
		to := filepath.Join(t.TempDir(), "x")
		for what, err := range map[string]error{
			"file": d.Get(ctx, "clips/bb/clip.mov", to), "folder": d.GetFolder(ctx, "lessons/x", to), "list": d.Whole(ctx, "lessons/x"),
		} {
			if !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("%s: %v", what, err)
			}
		}
	})
	s := s3test.New(t, false)
	d := at(t, s.URL)
	if err := d.Put(t.Context(), "clips/aa/clip.mov", file(t, "film")); err != nil {
		t.Fatal(err)
	}
	s.Spoil(t, "clips/aa/clip.mov")
	var e *Error
	if err := d.Get(t.Context(), "clips/aa/clip.mov", filepath.Join(t.TempDir(), "x")); !errors.As(err, &e) || !e.Damaged() || e.Temporary() {
		t.Errorf("%v", err)
	}
}

// Without keys one line says so, whatever the SDK has tried, and it writes nothing.
func TestNoKeys(t *testing.T) {
	for _, k := range []string{"AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_PROFILE"} {
		t.Setenv(k, "")
	}
	t.Setenv("HOME", t.TempDir())
	none := httptest.NewServer(http.NotFoundHandler()) // of which the SDK says much
	defer none.Close()
	t.Setenv("AWS_EC2_METADATA_SERVICE_ENDPOINT", none.URL)
	said, err := os.Create(filepath.Join(t.TempDir(), "said"))
	if err != nil {
		t.Fatal(err)
	}
	defer said.Close()
	stderr := os.Stderr
	defer func() { os.Stderr = stderr }()
	os.Stderr = said
	d, err := Open(t.Context(), "s3://clips?region=us-east-1&endpoint=http://127.0.0.1:1")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	_, err = d.Check(t.Context())
	if err == nil || !strings.HasSuffix(err.Error(), errNoKeys.Error()) || strings.Contains(err.Error(), "\n") {
		t.Errorf("%v", err)
	}
	if b, err := os.ReadFile(said.Name()); err != nil || len(b) > 0 {
		t.Errorf("%s, %v", b, err)
	}
}
