package jobs

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// A lesson is made anew in its own place, or in another player's; the program
// may die at each stage of it.
func TestRedraw(t *testing.T) {
	for _, stage := range []string{"", "claimed", "taken", "read", "intended", "renamed", "recorded", "done", "archived"} {
		if stage != "" && testing.Short() {
			continue // processes that are killed, nothing for the race detector
		}
		for _, player := range []string{"p001", "p002"} {
			t.Run(stage+" "+player, func(t *testing.T) {
				t.Parallel()
				work := house(t)
				hash := drop(t, work, "inbox/p001/swing.mov", "one")
				if s := once(t, work, nil); s.Count(string(Done)) != 1 {
					t.Fatalf("%+v", s)
				}
				st := store(t, work)
				ctx := context.Background()
				c, _, err := st.Clip(ctx, hash)
				if err != nil {
					t.Fatal(err)
				}
				stem := filepath.Join(c.Lies, c.Stem)
				for path, text := range map[string]string{filepath.Join(c.Final, "old"): "the lesson before", stem + ".yaml": player, stem + HistoryEnding: "who"} {
					if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
						t.Fatal(err)
					}
				}
				if err := errors.Join(st.Beside(ctx, hash, true, ""), st.Redraw(ctx, hash, player)); err != nil {
					t.Fatal(err)
				}
				if err := st.Redraw(ctx, hash, player); !errors.Is(err, ErrNotDone) {
					t.Errorf("twice: %v", err)
				}
				if c, _, _ := st.Clip(ctx, hash); c.State != Waiting || whole(c.Final, hash) != nil || !exists(c.Original()) {
					t.Errorf("while it waits: %+v", c)
				}
				st.Close()
				if stage != "" {
					if err := start(t, work, "RUN=once", "DIE="+stage).Wait(); !killed(err) {
						t.Fatalf("it did not die: %v", err)
					}
				}
				if err := start(t, work, "RUN=once").Wait(); err != nil {
					t.Fatal(err)
				}
				wantLessons(t, work, map[string]string{hash: player})
				if c, _, err = store(t, work).Clip(ctx, hash); err != nil || c.State != Done || c.Final != filepath.Join(work, LessonsDir, player, filepath.Base(c.Final)) {
					t.Fatalf("%+v, %v", c, err)
				}
				for _, left := range []string{"old", placeFile} {
					if m, _ := filepath.Glob(filepath.Join(work, "*", "*", "*", left)); len(m) > 0 {
						t.Errorf("left over: %v", m)
					}
				}
				for _, end := range []string{".yaml", HistoryEnding} {
					if !exists(filepath.Join(work, ArchiveDir, player, c.Stem+end)) {
						t.Errorf("%s did not travel with its clip", end)
					}
				}
			})
		}
	}
}

// Where it can't be made anew the lesson stays as it was, and says why.
func TestNotRedrawn(t *testing.T) {
	work := house(t)
	hash := drop(t, work, "inbox/p001/swing.mov", "one")
	once(t, work, nil)
	st := store(t, work)
	ctx := context.Background()
	if err := st.Redraw(ctx, hash, "p001"); err != nil {
		t.Fatal(err)
	}
	once(t, work, func(o *Options) {
		o.Read = func(context.Context, Reading) error { return &Slip{Reason: NoSwing} }
	})
	c, _, err := st.Clip(ctx, hash)
	if err != nil || c.State != Done || c.Reason != NoSwing || whole(c.Final, hash) != nil || !exists(c.Original()) {
		t.Errorf("%+v, %v", c, err)
	}
	wantLessons(t, work, map[string]string{hash: "p001"})
	// What has no lesson has none to make anew.
	if err := st.Redraw(ctx, "0000", "p001"); !errors.Is(err, ErrNotDone) {
		t.Error(err)
	}
}
