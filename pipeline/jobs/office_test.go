package jobs

import (
	"os"
	"path/filepath"
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
