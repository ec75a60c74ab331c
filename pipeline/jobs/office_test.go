package jobs

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// An office that begins in another work folder has everything brought there:
// what isn't there yet was not taken away.
func TestOfficeMoves(t *testing.T) {
	f := newFleet(t, "")
	good := drop(t, f.office, "inbox/p001/a.mov", "good one")
	bad := drop(t, f.office, "inbox/p002/b.mov", "unreadable one")
	lost := drop(t, f.office, "inbox/c.mov", "nobody's")
	w := f.worker()
	next := house(t)
	for _, office := range []string{f.office, next} {
		if err := f.start(office, "once", "JOBS=0").Wait(); err != nil {
			t.Fatal(err)
		}
		for h, want := range map[string]string{good: "archive/p001/*.mov", bad: "failed/b-*.mov", lost: "unplaced/c-*.mov"} {
			at := where(t, office, h)
			if len(at) != 1 {
				t.Errorf("%s: %s lies at %v", office, h[:8], at)
			} else if ok, _ := filepath.Match(want, at[0]); !ok {
				t.Errorf("%s: %s lies at %v; want %s", office, h[:8], at, want)
			}
		}
		if lessons, _ := filepath.Glob(filepath.Join(office, LessonsDir, "p001", "*-"+good[:8])); len(lessons) != 1 || whole(lessons[0], good) != nil {
			t.Errorf("%s: lessons %v", office, lessons)
		}
	}
	f.end(w)

	// What its owner takes away there goes, all of it, and nothing else; and what
	// an office that died was fetching.
	half := filepath.Join(next, UnplacedDir, fetching+"1")
	if err := os.WriteFile(half, []byte("half a film"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(next, where(t, next, bad)[0])); err != nil {
		t.Fatal(err)
	}
	if err := f.start(next, "once", "JOBS=0").Wait(); err != nil {
		t.Fatal(err)
	}
	if exists(half) {
		t.Error("half a film is left")
	}
	d := f.open()
	defer d.Close()
	for h, want := range map[string]bool{good: true, bad: false, lost: true} {
		keys, err := d.Keys(t.Context(), "clips/"+h)
		f.with(func(s *Store) {
			if _, known, err := s.Clip(t.Context(), h); known != want || err != nil {
				t.Errorf("%s: known %v, %v", h[:8], known, err)
			}
		})
		if len(keys) > 0 != want || err != nil {
			t.Errorf("%s: in the depot %v, %v", h[:8], keys, err)
		}
	}
}

// Two offices in turn, each in its folder: what the other one did in between was
// taken away by nobody, and is brought; it is not told of twice. What the depot
// hasn't stays known until the office that has it is back.
func TestOfficesInTurn(t *testing.T) {
	f := newFleet(t, "")
	bad := drop(t, f.office, "inbox/p001/b.mov", "unreadable one")
	next := house(t)
	w := f.worker()
	once := func(office string) string {
		t.Helper()
		c := f.start(office, "once", "JOBS=0")
		if err := f.wait(c); err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(c.Stderr)
	}
	once(f.office)
	if log := once(next); strings.Contains(log, "clip_failed") {
		t.Error("it was told of at the second office, too")
	}
	lost := drop(t, next, "inbox/c.mov", "nobody's")
	once(next)
	// As if the second one had died before it could store them.
	waits := drop(t, next, takenDir+"/x/p003.mov", "not read yet")
	f.with(func(s *Store) {
		if err := s.update(t.Context(), `UPDATE clips SET stocked = 0 WHERE hash = $1`, lost); err != nil {
			t.Fatal(err)
		}
		c := Clip{Hash: waits, Player: "p003", Day: "2026-05-03", State: Waiting, Lies: filepath.Join(f.office, takenDir, "x"), Stem: "p003", Ext: ".mov", Came: "/x"}
		if err := s.write(t.Context(), func(tx *sql.Tx) error { return s.put(t.Context(), tx, &c) }); err != nil {
			t.Fatal(err)
		}
	})
	d := f.open()
	defer d.Close()
	if err := d.Remove(t.Context(), "clips/"+lost); err != nil {
		t.Fatal(err)
	}
	once(f.office)
	once(f.office)
	for _, h := range []string{bad, lost, waits} {
		f.with(func(s *Store) {
			if _, known, err := s.Clip(t.Context(), h); !known || err != nil {
				t.Errorf("%s is forgotten: %v", h[:8], err)
			}
		})
	}
	once(next)
	f.end(w)
	for h, want := range map[string]string{bad: "failed/b-*.mov", lost: "unplaced/c-*.mov", waits: "archive/p003/*.mov"} {
		at := where(t, next, h)
		if len(at) != 1 {
			t.Errorf("%s lies at %v", h[:8], at)
		} else if ok, _ := filepath.Match(want, at[0]); !ok {
			t.Errorf("%s lies at %v; want %s", h[:8], at, want)
		}
		if keys, err := d.Keys(t.Context(), "clips/"+h); len(keys) == 0 || err != nil {
			t.Errorf("%s is not in the depot: %v", h[:8], err)
		}
	}
}

// What one machine made before there was a store of files is told of no more, at
// no office; what comes then is, once.
func TestFromOneMachine(t *testing.T) {
	m := together(t)
	for _, moved := range []bool{false, true} {
		m.run(fmt.Sprint(moved), func(t *testing.T) {
			f := newFleet(t, "")
			for name, text := range map[string]string{"p001/a.mov": "good one", "p002/b.mov": "unreadable one", "c.mov": "nobody's"} {
				drop(t, f.office, "inbox/"+name, text)
			}
			if sum := once(t, f.office, nil); sum.Count(string(Done)) != 1 || sum.Count(string(Failed)) != 1 || sum.Count(string(Unplaced)) != 1 {
				t.Fatalf("%+v", sum)
			}
			office := f.office
			if moved {
				office = house(t)
			}
			log := ""
			for i := range 2 {
				drop(t, office, fmt.Sprintf("inbox/p003/%d.mov", i), fmt.Sprint("another one ", i))
				c := f.start(office, "once", "JOBS=1")
				if err := f.wait(c); err != nil {
					t.Fatal(err)
				}
				log += fmt.Sprint(c.Stderr)
			}
			for event, n := range map[string]int{"clip_done": 2, "clip_failed": 0, "clip_unplaced": 0, "taken_back": 0} {
				if got := strings.Count(log, "msg="+event+" "); got != n {
					t.Errorf("%s: %d times, want %d:\n%s", event, got, n, log)
				}
			}
			if got := f.count(Failed) + f.count(Unplaced); got != 2 {
				t.Errorf("%d of the clips of before are known", got)
			}
		})
	}
	m.all.Wait()
}

// A worker that can't say in its folder who it is leaves no row.
func TestNotEnlisted(t *testing.T) {
	work := house(t)
	s := store(t, work)
	if err := os.Mkdir(filepath.Join(work, idFile), 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := New(s, options(work)).enlist(t.Context()); err == nil {
		t.Error("it was enlisted")
	}
	if all, err := s.Workers(t.Context()); len(all) > 0 || err != nil {
		t.Errorf("%v, %v", all, err)
	}
}

// A lesson is made anew though the archive has lost its original: the depot has
// it.
func TestRedrawnFromDepot(t *testing.T) {
	f := newFleet(t, "")
	h := drop(t, f.office, "inbox/p001/a.mov", "good one")
	w := f.worker()
	for range 2 {
		if err := f.wait(f.start(f.office, "once", "JOBS=0")); err != nil {
			t.Fatal(err)
		}
		f.want(map[string]string{h: "p001"})
		f.with(func(s *Store) {
			c, _, err := s.Clip(t.Context(), h)
			if err == nil {
				err = errors.Join(os.Remove(c.Original()), s.Redraw(t.Context(), h, "p001"))
			}
			if err != nil {
				t.Fatal(err)
			}
		})
	}
	f.end(w)
}
