package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/depot/s3test"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// A work folder that had no store of files gets one: status says what isn't there
// yet, the next run brings it, the ledger has every machine find its lessons, and
// forget leaves nothing of the player on either side, in no version.
func TestStoreOfFilesComesLater(t *testing.T) {
	fakeChildren(t)
	s := s3test.New(t, true)
	conf := lostBarn(t, "", smtptest.New(t).Port())
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	keepClearsCarried(t, y)
	f, err := os.OpenFile(conf, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("clips: " + s.URL + "\n"); err != nil || f.Close() != nil {
		t.Fatal(err)
	}
	status := func() string {
		t.Helper()
		var out bytes.Buffer
		if code := run([]string{"status", "--config", conf}, nil, &out, &out); code != 0 {
			t.Fatalf("%d: %s", code, out.String())
		}
		return out.String()
	}
	if all := status(); !strings.Contains(all, "not yet in the store of files: 5.") {
		t.Errorf("status:\n%s", all)
	}
	yardOnce(t, conf)
	if all := status(); strings.Contains(all, "store of files") {
		t.Errorf("status:\n%s", all)
	}
	left := func() (out []string) {
		for k, v := range s.Everything(t) {
			for _, w := range []string{lostCode, lostName, lostPixels} {
				if strings.Contains(k, w) || strings.Contains(v, w) {
					out = append(out, k+": "+w)
				}
			}
		}
		return out
	}
	if n := len(left()); n < 20 {
		t.Fatalf("there is little to forget: %d places", n)
	}
	l, err := ledger.Open(t.Context(), filepath.Join(y.work, jobs.LessonsDir, ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	heads, err := l.Heads(t.Context())
	if err = errors.Join(err, l.Close()); err != nil || len(heads) < 3 {
		t.Fatal(len(heads), err)
	}
	for _, h := range heads {
		if filepath.IsAbs(h.Folder) || !strings.HasPrefix(h.Folder, jobs.LessonsDir+"/") {
			t.Errorf("the ledger says %q", h.Folder)
		}
	}
	var out bytes.Buffer
	if code := run([]string{"forget", lostCode, "--yes", "--config", conf}, strings.NewReader(""), &out, &out); code != 0 {
		t.Fatalf("%d: %s", code, out.String())
	}
	for _, f := range append(left(), found(t, y.work)...) {
		t.Errorf("left: %s", f)
	}
}

// What was kept long enough goes from the files, too, that were carried over and
// left; what the database has of a later day stays, and what is none of ours.
func keepClearsCarried(t *testing.T, of *yard) {
	t.Helper()
	y := &yard{c: of.c, work: t.TempDir()}
	y.c.Store = "postgres://db.example.org/tapeline"
	store, book, err := y.before()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{store, book} {
		rel, _ := filepath.Rel(y.work, f)
		if err := errors.Join(os.MkdirAll(filepath.Dir(f), 0o700), os.WriteFile(f, []byte(read2(t, filepath.Join(of.work, rel))), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	st, err := jobs.OpenSQLite(t.Context(), store)
	if err != nil {
		t.Fatal(err)
	}
	clips, err := st.Clips(t.Context(), jobs.Done)
	if err = errors.Join(err, st.Close()); err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(clips, func(c jobs.Clip) bool { return c.Player == "c12" })
	if i < 0 || !exists(clips[i].Original()) {
		t.Fatalf("%+v", clips)
	}
	day := time.Now().AddDate(0, 0, 2).Format(time.DateOnly)
	young := func(hash string) bool { return hash == clips[i].Hash }
	if err := y.retireBefore(t.Context(), day, day, young); err != nil {
		t.Fatal(err)
	}
	for p, holds := range map[string]func(context.Context, string) (int, error){store: jobs.Holds, book: ledger.Holds} {
		for _, f := range []string{p, p + "-wal"} {
			b, _ := os.ReadFile(f)
			for _, w := range []string{lostName, lostCode + "/"} {
				if bytes.Contains(b, []byte(w)) {
					t.Errorf("%s has %s", f, w)
				}
			}
		}
		if n, err := holds(t.Context(), p); n != 1 || err != nil {
			t.Errorf("%s: %d rows of the later day, %v", p, n, err)
		}
	}
	if !exists(clips[i].Original()) {
		t.Error("a film is gone")
	}
	if err := errors.Join(os.WriteFile(store, []byte("another's"), 0o600), os.WriteFile(book, []byte("another's"), 0o600)); err != nil {
		t.Fatal(err)
	}
	if err := y.retireBefore(t.Context(), day, day, young); err != nil {
		t.Errorf("what is none of ours: %v", err)
	}
}
