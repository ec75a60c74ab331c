package jobs

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapeline/pipeline/inbox"
)

// Whatever comes to a folder and goes, whether a clip waits for another is what
// looking at every file of the folder says.
func TestEarlier(t *testing.T) {
	s := store(t, house(t))
	hour := time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	rapid.Check(t, func(r *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "")
		if err != nil {
			r.Fatal(err)
		}
		says := func(name string) (at time.Time) { // one in five says nothing, the others a second of three
			var n int
			fmt.Sscan(name, &n)
			if n%5 != 0 {
				at = hour.Add(time.Duration(n*7%3) * time.Second)
			}
			return at
		}
		e := New(s, Options{Recorded: func(_ context.Context, p string) (time.Time, error) { return says(filepath.Base(p)), nil }})
		there := map[string]bool{}
		for range rapid.IntRange(1, 120).Draw(r, "steps") {
			name := fmt.Sprint(rapid.IntRange(0, 5).Draw(r, "clip"), ".mov")
			path := filepath.Join(dir, name)
			switch rapid.SampledFrom([]string{"comes", "goes", "asks", "comes", "goes", "asks", "asks", "old"}).Draw(r, "what") {
			case "comes":
				if err := os.WriteFile(path, nil, 0o666); err != nil {
					r.Fatal(err)
				}
				there[name] = true
			case "goes":
				_ = os.Remove(path)
				delete(there, name)
			case "old":
				if l := e.lines[dir]; l != nil {
					l.read = l.read.Add(-lineFor)
				}
			case "asks":
				this, want := filmed{says(name), name}, false
				for other := range there {
					want = want || other != name && filmed{says(other), other}.before(this)
				}
				if got, err := e.earlier(t.Context(), dir, this); err != nil || got != want {
					r.Fatalf("%s with %v: %v, %v; want %v", name, there, got, err, want)
				}
			}
		}
	})
}

// Who is held is not waited for, nor what is no clip.
func TestEarlierLeavesOut(t *testing.T) {
	work := house(t)
	for _, n := range []string{"1.mov", "2.txt", ".3.mov", "~4.mov"} {
		drop(t, work, "inbox/"+n, n)
	}
	if err := os.Mkdir(filepath.Join(work, "inbox/5.mov"), 0o777); err != nil {
		t.Fatal(err)
	}
	s := store(t, work)
	e := New(s, Options{})
	dir := filepath.Join(work, InboxDir)
	if wait, err := e.earlier(t.Context(), dir, filmed{name: "9.mov"}); err != nil || !wait {
		t.Errorf("%v, %v", wait, err)
	}
	c := Clip{Hash: "1", Lies: dir, Stem: "1", Ext: ".mov", State: Held, Reason: inbox.NoConsent}
	tx, err := s.db.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.put(t.Context(), tx, &c); err != nil {
		t.Fatal(err)
	}
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
	if wait, err := e.earlier(t.Context(), dir, filmed{name: "9.mov"}); err != nil || wait {
		t.Errorf("%v, %v", wait, err)
	}
}
