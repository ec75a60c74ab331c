package jobs

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"log/slog"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/depot/s3test"
	"tapeline/pipeline/ledger"
)

// What one machine made before there was a depot comes into it: also where the
// office dies in between, each file once, and without what comes fresh waiting
// for it. Another office then has all of it, and the first one's disk may go.
func TestBroughtFromBefore(t *testing.T) {
	f := newFleet(t, "")
	drop(t, f.office, "inbox/p001/plain.mov", "a film")
	one := drop(t, f.office, "inbox/p001/noted.mov", "with notes") // outdated
	same := drop(t, f.office, "inbox/p001/same.mov", "with notes that made it")
	lost := drop(t, f.office, "inbox/p002/lost.mov", "its film was cleared away")
	drop(t, f.office, "inbox/p001/noted.yaml", "p001")
	drop(t, f.office, "inbox/p001/noted.wav", "what was said")
	bad := drop(t, f.office, "inbox/p002/bad.mov", "unreadable one")
	nobody := drop(t, f.office, "inbox/nobody.mov", "nobody's")
	lesson := drop(t, f.office, "inbox/p003/lesson.mov", "lesson 60\ncut 10 16 13\n")
	once(t, f.office, nil)
	row := func(h string) (c Clip) {
		t.Helper()
		f.with(func(s *Store) {
			var ok bool
			var err error
			if c, ok, err = s.Clip(t.Context(), h); !ok || err != nil {
				t.Fatal(h, ok, err)
			}
		})
		return c
	}
	made := func() (out []string) {
		t.Helper()
		f.with(func(s *Store) {
			all, err := s.Clips(t.Context(), Done)
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range all {
				if c.Kind == KindClip {
					out = append(out, c.Hash)
				}
			}
		})
		return out
	}
	if c := row(lesson); c.State != Done || c.Kind != KindRecording || len(made()) != 5 {
		t.Fatalf("%+v; %d clips are done", c, len(made()))
	}
	put := func(path, text string, at time.Time) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	for h, at := range map[string]time.Time{one: time.Now().Add(time.Minute), same: time.Now().Add(-time.Hour)} {
		c := row(h)
		put(filepath.Join(c.Lies, c.Stem+HistoryEnding), "who changed what", at)
	}
	gone := row(lost)
	if err := os.Remove(gone.Original()); err != nil {
		t.Fatal(err)
	}
	put(filepath.Join(row(one).Final, "preview.eml"), "what was made of the lesson", time.Now())

	server := s3test.New(t, true)
	f.depot = server.URL
	var mu sync.Mutex
	puts := map[string]int{}
	server.Before(func(_ http.ResponseWriter, r *http.Request) bool {
		if r.Method == http.MethodPut {
			mu.Lock()
			puts[r.URL.Path]++
			mu.Unlock()
		}
		return false
	})
	unstored := func() (n int) {
		f.with(func(s *Store) {
			var err error
			if n, _, err = s.Unstored(t.Context()); err != nil {
				t.Fatal(err)
			}
		})
		return n
	}
	all := unstored()
	for _, die := range []string{"lesson carried", "carried"} {
		if err := f.wait(f.start(f.office, "once", append(awsEnv(), "JOBS=0", "DIE="+die, "N=1")...)); !killed(err) {
			t.Fatalf("%s: %v", die, err)
		}
	}
	if n := unstored(); n == 0 || n >= all {
		t.Errorf("%d clips to go, %d at first", n, all)
	}
	// While one of before is on its way a fresh one is stored.
	office := f.start(f.office, "watch", append(awsEnv(), "JOBS=0", "DIE=lesson carried", "HOW=ask")...)
	until(t, "one is on its way", func() bool { return exists(filepath.Join(f.office, "at")) })
	fresh := drop(t, f.office, "inbox/p004/fresh.mov", "fresh one")
	until(t, "the fresh one is stored", func() (yes bool) {
		f.with(func(s *Store) {
			c, ok, err := s.Clip(t.Context(), fresh)
			yes = ok && err == nil && c.Stocked > 0
		})
		return yes
	})
	if unstored() == 0 {
		t.Error("nothing was on its way any more")
	}
	put(filepath.Join(f.office, "go"), "", time.Now())
	until(t, "all is stored", func() bool { return unstored() == 0 })
	w := f.worker(awsEnv()...)
	until(t, "the fresh one is done and home", func() (yes bool) {
		c := row(fresh)
		f.with(func(s *Store) {
			var err error
			if yes, err = s.isHome(t.Context(), &c); err != nil {
				t.Fatal(err)
			}
		})
		return yes && c.State == Done
	})
	f.end(office)

	d := f.open()
	defer d.Close()
	for _, h := range made() {
		c := row(h)
		if d.Whole(t.Context(), c.Stored) != nil || keyOf(c.Final) != c.Stored {
			t.Errorf("%s: %q, here %q", h[:8], c.Stored, keyOf(c.Final))
		}
	}
	for key, n := range puts {
		if n > 1 {
			t.Errorf("%s was sent %d times", key, n)
		}
	}
	keys, err := d.Keys(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{originalKey(one, ".mov"), originalKey(one, ".yaml"), originalKey(one, ".wav"), originalKey(one, HistoryEnding), originalKey(bad, ".mov"), originalKey(nobody, ".mov"), originalKey(lesson, ".mov")} {
		if !slices.Contains(keys, want) {
			t.Errorf("%s is not in the depot", want)
		}
	}
	if slices.ContainsFunc(keys, func(k string) bool { return strings.Contains(k, "preview") || strings.HasPrefix(k, "clips/"+lost) }) {
		t.Errorf("%q", keys)
	}

	// The office's disk is lost.
	next := house(t)
	had := map[string]map[string]string{f.office: contents(t, f.office)}
	if err := f.wait(f.start(next, "once", append(awsEnv(), "JOBS=0")...)); err != nil {
		t.Fatal(err)
	}
	f.end(w)
	had[next] = contents(t, next)
	delete(had[f.office], strings.TrimPrefix(row(one).Final, f.office+"/")+"/preview.eml")
	if !maps.Equal(had[f.office], had[next]) {
		t.Errorf("the first office has %q\nthe next one %q", slices.Sorted(maps.Keys(had[f.office])), slices.Sorted(maps.Keys(had[next])))
	}
	if n := unstored(); n != 0 {
		t.Errorf("%d clips to go", n)
	}
	l, err := ledger.Open(t.Context(), filepath.Join(f.office, ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	l.Under(next)
	heads, err := l.Heads(t.Context())
	if err != nil || len(heads) != 6 {
		t.Fatalf("%d lessons, %v", len(heads), err)
	}
	f.office = next // as the store's paths are meant there
	for _, h := range heads {
		c := row(h.Clip)
		if whole(c.Final, h.Clip) != nil || h.Folder != c.Final && h.Clip != fresh { // which the test's worker records
			t.Errorf("%s, %s: %v", h.Folder, c.Final, whole(c.Final, h.Clip))
		}
		made, err := os.Stat(filepath.Join(c.Final, pipeline.TrackFile))
		notes, err2 := os.Stat(filepath.Join(c.Lies, c.Stem+HistoryEnding))
		if want := h.Clip == one; err != nil || (err2 == nil) != (want || h.Clip == same) || err2 == nil && notes.ModTime().After(made.ModTime()) != want {
			t.Errorf("%s: outdated should be %v: %v %v", h.Clip[:8], want, err, err2)
		}
	}
}

// falls is a depot in which something happens to a clip behind its film's being
// stored, and to which what travels with a clip can't be brought.
type falls struct {
	Depot
	stored func()
}

func (d *falls) Put(ctx context.Context, key, path string) error {
	if strings.HasSuffix(key, ".yaml") {
		return &fs.PathError{Op: "open", Path: path, Err: fs.ErrNotExist}
	}
	err := d.Depot.Put(ctx, key, path)
	d.stored()
	return err
}

// Of a clip that is forgotten while it is stored nothing stays there, and a lesson
// that is damaged doesn't count as stored.
func TestStoredInVain(t *testing.T) {
	work, ctx := house(t), t.Context()
	damaged := drop(t, work, "inbox/p001/a.mov", "a film")
	kept := drop(t, work, "inbox/p002/b.mov", "another film")
	drop(t, work, "inbox/p002/b.yaml", "p002")
	nobody := drop(t, work, "inbox/c.mov", "nobody's")
	once(t, work, nil)
	s := store(t, work)
	s.Share(work)
	root := t.TempDir()
	d, err := depot.Open(ctx, "file://"+root)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	row := func(h string) *Clip {
		t.Helper()
		c, ok, err := s.Clip(ctx, h)
		if !ok || err != nil {
			t.Fatal(h, ok, err)
		}
		return &c
	}
	if err := os.Remove(filepath.Join(row(damaged).Final, pipeline.TrackFile)); err != nil {
		t.Fatal(err)
	}
	goes := ""
	o := options(work)
	var said bytes.Buffer
	o.Log = slog.New(slog.NewTextHandler(&said, nil))
	o.Depot = &falls{d, func() {
		if err := s.write(ctx, func(tx *sql.Tx) error {
			return dropRows(func(q string, a ...any) error { _, err := tx.ExecContext(ctx, q, a...); return err }, goes)
		}); err != nil {
			t.Error(err)
		}
	}}
	e := New(s, o)
	if err := errors.Join(e.movesIn(ctx), e.relates(ctx)); err != nil {
		t.Fatal(err)
	}

	goes = nobody
	if err := e.stockOne(ctx, row(nobody)); !errors.Is(err, errStale) {
		t.Error(err)
	}
	goes = kept
	if some, err := e.carryAll(ctx); !some || err != nil {
		t.Error(some, err)
	}
	if keys, err := d.Keys(ctx, ""); len(keys) > 0 || err != nil {
		t.Errorf("stored: %q, %v", keys, err)
	}
	if n, _, err := s.Unstored(ctx); n != 1 || err != nil || row(damaged).Stocked != 0 || strings.Count(said.String(), "msg=lesson_not_carried") != 1 || strings.Contains(said.String(), "msg=not_carried") {
		t.Errorf("%d are not stored, %v:\n%s", n, err, &said)
	}
	if some, err := e.carryAll(ctx); some || err != nil { // not again and again
		t.Error(some, err)
	}
	if err := os.RemoveAll(row(damaged).Final); err != nil {
		t.Fatal(err)
	}
	for range 2 { // as in an outage
		if _, err := e.storeOld(ctx, row(damaged)); err != nil {
			t.Error(err)
		}
	}
	if n := strings.Count(said.String(), "msg=no_lesson"); n != 1 {
		t.Errorf("no_lesson is said %d times", n)
	}
}

// contents are the files of a work folder's originals and lessons.
func contents(t *testing.T, work string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, dir := range []string{LessonsDir, ArchiveDir, FailedDir, UnplacedDir} {
		err := filepath.WalkDir(filepath.Join(work, dir), func(p string, e os.DirEntry, err error) error {
			if err != nil || !e.Type().IsRegular() {
				return err
			}
			b, err := os.ReadFile(p)
			rel, _ := filepath.Rel(work, p)
			out[rel] = string(b)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}
