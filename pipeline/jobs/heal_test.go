package jobs

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/depot/s3test"
	"tapeline/pipeline/ledger"
)

// What a bucket has of an original was damaged, with its size and what is said of
// it as before: who meets it tells, and the office stores it anew from its own.
func TestDamagedOriginal(t *testing.T) {
	f := newFleet(t, "")
	server := s3test.New(t, true)
	f.depot = server.URL
	h := drop(t, f.office, "inbox/p001/a.mov", "the one clip")
	office := f.start(f.office, "once", append(awsEnv(), "JOBS=0")...)
	until(t, "it is stored", func() (yes bool) {
		f.with(func(s *Store) {
			c, _, err := s.Clip(context.Background(), h)
			yes = err == nil && c.Stocked > 0
		})
		return yes
	})
	key := originalKey(h, ".mov")
	server.Spoil(t, key)
	w := f.worker(awsEnv()...)
	if err := f.wait(office); err != nil {
		t.Fatal(err)
	}
	healed := func() {
		t.Helper()
		f.want(map[string]string{h: "p001"})
		d := f.open()
		defer d.Close()
		if err := d.Get(t.Context(), key, filepath.Join(t.TempDir(), "clip")); err != nil {
			t.Error(err)
		}
	}
	healed()

	// Of one that failed by it retry has the office store it anew, whoever meets
	// it first.
	server.Spoil(t, key)
	f.with(func(s *Store) {
		if err := s.update(t.Context(), `UPDATE clips SET state = 'failed', reason = $2, final = '', stored = '' WHERE hash = $1`, h, BadDepot); err != nil {
			t.Fatal(err)
		}
		if n, err := s.Retry(t.Context(), nil, true); n != 1 || err != nil {
			t.Fatal(n, err)
		}
		if c, _, err := s.Clip(t.Context(), h); err != nil || c.Stocked != Spoilt {
			t.Errorf("%+v, %v", c, err)
		}
	})
	if err := f.wait(f.start(f.office, "once", append(awsEnv(), "JOBS=0")...)); err != nil {
		t.Fatal(err)
	}
	f.end(w)
	healed()
}

// A lesson that was damaged in the depot before it was brought is read anew, and
// status says why its clip waits; so is one that the office has lost.
func TestDamagedLesson(t *testing.T) {
	f := newFleet(t, "")
	h := drop(t, f.office, "inbox/p001/a.mov", "the one clip")
	office := f.start(f.office, "once", "JOBS=0", "DIE=fetched lesson", "N=0")
	w := f.worker()
	if err := f.wait(office); !killed(err) {
		t.Fatal(err)
	}
	f.end(w)
	var was Clip
	spoil := func() {
		t.Helper()
		f.with(func(s *Store) {
			var err error
			if was, _, err = s.Clip(t.Context(), h); err != nil || was.State != Done {
				t.Fatalf("%+v, %v", was, err)
			}
		})
		path := filepath.Join(strings.TrimPrefix(f.depot, "file://"), was.Stored, pipeline.TrackFile)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		b[0] ^= 1
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	anew := func() {
		t.Helper()
		office := f.start(f.office, "once", "JOBS=0")
		until(t, "it waits and says why", func() bool {
			var c Clip
			f.with(func(s *Store) {
				var err error
				if c, _, err = s.Clip(t.Context(), h); err != nil {
					t.Fatal(err)
				}
			})
			return c.State == Waiting && c.Reason == BadDepot && c.Stored == ""
		})
		w := f.worker()
		if err := f.wait(office); err != nil {
			t.Fatal(err)
		}
		f.end(w)
		f.want(map[string]string{h: "p001"})
	}
	spoil()
	anew()
	spoil()
	if err := os.RemoveAll(was.Final); err != nil {
		t.Fatal(err)
	}
	anew()
	if rows := f.rows(); slices.ContainsFunc(rows, func(r string) bool { return !strings.Contains(r, " done ") }) {
		t.Error(rows)
	}
}

// A worker dies when the ledger has its lesson and nobody else knows: whoever goes
// on publishes it once, from what is stored, or, where that is damaged, from a
// new reading, and the ledger has the rows of one.
func TestRecordedNotPublished(t *testing.T) {
	m := together(t)
	for _, damaged := range []bool{false, true} {
		m.run(fmt.Sprint(damaged), func(t *testing.T) {
			f := newFleet(t, "")
			h := drop(t, f.office, "inbox/p001/a.mov", fmt.Sprint("recorded ", damaged))
			book := func() (lessons, rows int) {
				t.Helper()
				db, err := sql.Open("sqlite", filepath.Join(f.office, ledger.File))
				if err != nil {
					t.Fatal(err)
				}
				defer db.Close()
				if err := db.QueryRow(`SELECT (SELECT count(*) FROM lessons), (SELECT count(*) FROM swings) + (SELECT count(*) FROM measures) + (SELECT count(*) FROM bands) + (SELECT count(*) FROM players)`).Scan(&lessons, &rows); err != nil {
					t.Fatal(err)
				}
				return lessons, rows
			}
			office := f.start(f.office, "once", "JOBS=0")
			if err := f.worker("DIE=recorded").Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			lessons, rows := book()
			if lessons != 1 || f.count(Publishing) != 1 {
				t.Fatalf("%d lessons in the ledger, %d are published", lessons, f.count(Publishing))
			}
			var stored string
			f.with(func(s *Store) {
				c, _, err := s.Clip(t.Context(), h)
				if stored = c.Stored; err != nil || stored == "" {
					t.Fatalf("%+v, %v", c, err)
				}
			})
			d := f.open()
			defer d.Close()
			if damaged {
				if err := d.Remove(t.Context(), stored+"/"+pipeline.ReportFile); err != nil {
					t.Fatal(err)
				}
			}
			other := f.worker()
			if err := f.wait(office); err != nil {
				t.Fatal(err)
			}
			f.end(other)
			f.want(map[string]string{h: "p001"})
			if l, r := book(); l != 1 || r != rows {
				t.Errorf("the ledger had %d rows of a lesson and has %d of %d", rows, r, l)
			}
			f.with(func(s *Store) {
				if c, _, err := s.Clip(t.Context(), h); err != nil || (c.Stored == stored) == damaged {
					t.Errorf("stored %s, was %s: %v", c.Stored, stored, err)
				}
			})
		})
	}
	m.all.Wait()
}

// A worker stands still just before it puts a lesson into the ledger; meanwhile
// its player is forgotten. Awake, it leaves nothing of it behind.
func TestForgottenWhileRecorded(t *testing.T) {
	f := newFleet(t, "")
	drop(t, f.office, "inbox/p001/a.mov", "the one clip")
	office := f.start(f.office, "watch", "JOBS=0")
	w := f.worker("DIE=recording", "HOW=ask")
	until(t, "it is about to", func() bool { return exists(filepath.Join(workOf(w), "at")) })
	f.with(func(s *Store) {
		if _, err := s.Forget(t.Context(), "p001", Removal{Work: f.office}); err != nil {
			t.Fatal(err)
		}
		if n := count(t, s, Publishing); n != 0 {
			t.Fatalf("%d rows are left", n)
		}
	})
	d := f.open()
	defer d.Close()
	stored := func() []string {
		keys, err := d.Keys(t.Context(), LessonsDir+"/")
		if err != nil {
			t.Fatal(err)
		}
		return keys
	}
	if len(stored()) == 0 {
		t.Fatal("no lesson was stored")
	}
	if err := os.WriteFile(filepath.Join(workOf(w), "go"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	until(t, "its lesson goes", func() bool { return len(stored()) == 0 })
	f.end(w)
	f.end(office)
	l, err := ledger.Open(t.Context(), filepath.Join(f.office, ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	players, err := l.Players(t.Context())
	heads, err2 := l.Heads(t.Context())
	if len(players)+len(heads) > 0 || err != nil || err2 != nil {
		t.Errorf("in the ledger: %v, %v; %v, %v", players, heads, err, err2)
	}
}

// What the same clips come to is the same, byte for byte, by a folder and by a
// bucket: lessons, originals and what travels with them, at the office and in the
// depot, with its lists. The numbers of claims apart.
func TestSameByBoth(t *testing.T) {
	var got []map[string]string
	days := map[string]bool{}
	for _, address := range []string{"file://" + t.TempDir(), s3test.New(t, true).URL} {
		f := newFleet(t, "")
		f.depot = address
		good := drop(t, f.office, "inbox/p001/a.mov", "good one")
		drop(t, f.office, "inbox/p001/a.yaml", "p001")
		drop(t, f.office, "inbox/p001/a.wav", "what was said")
		big := drop(t, f.office, "inbox/p002/b.mov", strings.Repeat("a longer film ", 1<<15))
		drop(t, f.office, "inbox/p003/c.mov", "unreadable one")
		drop(t, f.office, "inbox/d.mov", "nobody's")
		w := f.worker(awsEnv()...)
		if err := f.wait(f.start(f.office, "once", append(awsEnv(), "JOBS=0")...)); err != nil {
			t.Fatal(err)
		}
		f.end(w)
		f.want(map[string]string{good: "p001", big: "p002"})
		d := f.open()
		defer d.Close()
		all := map[string]string{}
		keep := func(name, path string) {
			t.Helper()
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			sum := sha256.Sum256(b)
			all[name] = hex.EncodeToString(sum[:])
		}
		keys, err := d.Keys(t.Context(), "")
		if err != nil {
			t.Fatal(err)
		}
		lists := 0
		for _, k := range keys {
			at := filepath.Join(t.TempDir(), "x")
			if err := d.Get(t.Context(), k, at); err != nil {
				t.Errorf("%s: %v", k, err)
				continue
			}
			if parts := strings.Split(k, "/"); parts[0] == LessonsDir {
				days[parts[2][:len(time.DateOnly)]] = true
				parts[3] = "fence"
				k = strings.Join(parts, "/")
			}
			if filepath.Base(k) == depot.ListFile {
				lists++
			}
			keep("depot "+k, at)
		}
		for _, dir := range []string{LessonsDir, ArchiveDir, FailedDir, UnplacedDir} {
			err := filepath.WalkDir(filepath.Join(f.office, dir), func(p string, e fs.DirEntry, err error) error {
				if err == nil && e.Type().IsRegular() && e.Name() != keyFile {
					rel, _ := filepath.Rel(f.office, p)
					keep("office "+rel, p)
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		if lists != 2 || len(all) < 2*(2*len(pipeline.Outputs)+6) {
			t.Errorf("%d lists, %d files: %v", lists, len(all), slices.Sorted(maps.Keys(all)))
		}
		got = append(got, all)
	}
	if len(days) > 1 {
		t.Skip("midnight came between")
	}
	for name, sum := range got[0] {
		if got[1][name] != sum {
			t.Errorf("%s: %q by a folder, %q by a bucket", name, sum, got[1][name])
		}
	}
	if len(got[0]) != len(got[1]) {
		t.Errorf("%d files by a folder, %d by a bucket", len(got[0]), len(got[1]))
	}
}

// wait is for one that must end soon.
func (f *fleet) wait(c *exec.Cmd) error {
	defer time.AfterFunc(20*time.Second, func() { _ = c.Process.Kill() }).Stop()
	return c.Wait()
}
