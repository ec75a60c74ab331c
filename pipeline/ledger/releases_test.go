package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
)

// leaving is the part of the contract that is about releases and letters.
func leaving(t *testing.T, fresh func(t *testing.T) *Ledger, store func(t *testing.T) func() (*Ledger, error)) {
	ctx := context.Background()
	record := func(t *testing.T, l *Ledger, clip, player, name string, guardians ...string) Lesson {
		t.Helper()
		r, err := l.Record(ctx, Entry{Player: player, Name: name, Guardians: guardians, Day: "2026-05-02", Folder: "f", Report: report(clip, pipeline.ViewChest, 1), At: noon})
		if err != nil {
			t.Fatal(err)
		}
		return r.Lesson
	}
	ok := func(t *testing.T, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	given := func(id, lesson string) Release {
		return Release{ID: id, Lesson: lesson, Player: "b07", Name: "Ada", Family: []string{"f1", "f2"}, Note: "See you\nTuesday", Content: "c", By: ByCoach, At: noon, State: Released}
	}
	first := func(t *testing.T, l *Ledger) Release {
		t.Helper()
		all, err := l.Releases(ctx, "")
		if err != nil || len(all) == 0 {
			t.Fatalf("%+v, %v", all, err)
		}
		return all[0]
	}

	t.Run("a lesson keeps name and family of its making", func(t *testing.T) {
		l := fresh(t)
		want := record(t, l, "c1", "b07", "Ada", "A@example.org")
		if want.Name != "Ada" || !slices.Equal(want.Family, []string{Fingerprint("c1", "a@example.org")}) || want.Family[0] == Fingerprint("c2", "a@example.org") {
			t.Errorf("%+v", want)
		}
		record(t, l, "c2", "b07", "Cleo", "x@example.org") // the code is another child's now
		again := record(t, l, "c1", "b07", "")
		if again.Name != "Ada" || !slices.Equal(again.Family, want.Family) {
			t.Errorf("read again without a name: %+v", again)
		}
		record(t, l, "c3", "b07", "Ada", "a@example.org", "b@example.org")
		if kept := record(t, l, "c3", "b07", "Ada", "b@example.org", "x@example.org"); !slices.Equal(kept.Family, []string{Fingerprint("c3", "b@example.org")}) {
			t.Errorf("made anew with another address: %+v", kept)
		}
		anew := record(t, l, "c3", "b07", "Cleo", "y@example.org")
		if len(anew.Family) != 1 || anew.Family[0] == Fingerprint("c3", "y@example.org") || anew.Family[0] == Fingerprint("c3", "b@example.org") {
			t.Errorf("made anew under a code that is another child's: %+v", anew)
		}
		moved := record(t, l, "c1", "c12", "Ben")
		if moved.Name != "Ben" || len(moved.Family) != 0 {
			t.Errorf("moved: %+v", moved)
		}
		got, found, err := l.Head(ctx, "c1")
		if err != nil || !found || got.Name != "Ben" || got.Player != "c12" {
			t.Errorf("%+v, %v, %v", got, found, err)
		}
		if _, found, err := l.Head(ctx, "zz"); found || err != nil {
			t.Errorf("%v, %v", found, err)
		}
		heads, err := l.Heads(ctx)
		if err != nil || len(heads) != 3 || len(heads[0].Swings) != 0 {
			t.Errorf("%+v, %v", heads, err)
		}
	})

	t.Run("one release at a time, of the lesson that it is", func(t *testing.T) {
		l := fresh(t)
		record(t, l, "c1", "b07", "Ada")
		ok(t, l.Hold(ctx, "c1", noon))
		ok(t, l.Release(ctx, given("r1", "c1")))
		got := first(t, l)
		want := given("r1", "c1")
		want.Changed = noon
		if !reflect.DeepEqual(got, want) {
			t.Errorf("got %+v\nwant %+v", got, want)
		}
		if h, err := l.Holds(ctx); len(h) != 0 || err != nil {
			t.Errorf("held still: %v, %v", h, err)
		}
		if err := l.Release(ctx, given("r2", "c1")); !errors.Is(err, ErrReleased) {
			t.Errorf("twice: %v", err)
		}
		for _, r := range []Release{given("r3", "c9"), {ID: "r4", Lesson: "c1", Player: "c12", Name: "Ada", By: ByRule, At: noon}, {ID: "r5", Lesson: "c1", Player: "b07", Name: "Cleo", By: ByRule, At: noon}} {
			if err := l.Release(ctx, r); err == nil {
				t.Errorf("%+v was taken", r)
			}
		}
		if all, _ := l.Releases(ctx, "c12"); len(all) != 0 {
			t.Errorf("%+v", all)
		}
		record(t, l, "c1", "b07", "Ada") // read again: what was released stays known
		if first(t, l).ID != "r1" {
			t.Error("the release went away")
		}
	})

	t.Run("before, going, after", func(t *testing.T) {
		l := fresh(t)
		record(t, l, "c1", "b07", "Ada")
		ok(t, l.Release(ctx, given("r1", "c1")))
		fence, err := l.Claim(ctx, "r1", noon)
		ok(t, err)
		to := []string{"a@example.org", "b@example.org"}
		ok(t, l.Begin(ctx, "r1", fence, Letter{MessageID: "r1@x", Hash: "h", Size: 7, Begun: noon}, to))
		if err := l.Begin(ctx, "r1", fence, Letter{Begun: noon}, to[:1]); !errors.Is(err, ErrStale) {
			t.Errorf("begun twice: %v", err)
		}
		if err := l.Go(ctx, "r1", fence+1, to, noon); !errors.Is(err, ErrStale) {
			t.Errorf("with another fence: %v", err)
		}
		ok(t, l.Go(ctx, "r1", fence, to, noon))
		if err := l.Go(ctx, "r1", fence, to, noon); !errors.Is(err, ErrStale) {
			t.Errorf("gone twice: %v", err)
		}
		if n, oldest, err := l.Handed(ctx, noon.Add(-time.Hour)); n != 2 || !oldest.Equal(noon) || err != nil {
			t.Errorf("%d, %v, %v", n, oldest, err)
		}
		if n, _, err := l.Handed(ctx, noon); n != 0 || err != nil {
			t.Errorf("%d, %v", n, err)
		}
		ok(t, l.Answer(ctx, "r1", []Letter{
			{Address: to[0], State: Taken, Phase: Answered, Ended: noon, Code: 250, Answer: "Ok"},
			{Address: to[1], State: Pending, Phase: Answered, Ended: noon, Code: 451, Answer: "later", Tries: 1, NextTry: noon.Add(time.Minute)},
		}))
		got := first(t, l)
		want := []Letter{
			{Address: to[0], State: Taken, Phase: Answered, MessageID: "r1@x", Hash: "h", Size: 7, Begun: noon, Gone: noon, Ended: noon, Code: 250, Answer: "Ok"},
			{Address: to[1], State: Pending, Phase: Answered, MessageID: "r1@x", Hash: "h", Size: 7, Begun: noon, Gone: noon, Ended: noon, Code: 451, Answer: "later", Tries: 1, NextTry: noon.Add(time.Minute)},
		}
		if !reflect.DeepEqual(got.Letters, want) || !got.Tried.Equal(noon) {
			t.Errorf("got %+v\nwant %+v", got.Letters, want)
		}
		if err := l.Begin(ctx, "r1", fence, Letter{Begun: noon}, to[:1]); !errors.Is(err, ErrStale) {
			t.Errorf("what was taken was begun again: %v", err)
		}
		ok(t, l.Note(ctx, "r1", "not_now", "d"))
		ok(t, l.End(ctx, "r1", fence, Refused, "too_late", "x", noon))
		if err := l.End(ctx, "r1", fence, Sent, "", "", noon); !errors.Is(err, ErrStale) {
			t.Errorf("ended twice: %v", err)
		}
		if _, err := l.Claim(ctx, "r1", noon); !errors.Is(err, ErrStale) {
			t.Errorf("claimed when it was over: %v", err)
		}
		if got := first(t, l); got.State != Refused || got.Reason != "too_late" || got.Detail != "x" {
			t.Errorf("%+v", got)
		}
		ok(t, l.Release(ctx, given("r2", "c1"))) // another may follow
	})

	t.Run("who died is cleared up behind", func(t *testing.T) {
		for _, next := range []time.Time{{}, noon.Add(time.Hour)} {
			l := fresh(t)
			record(t, l, "c1", "b07", "Ada")
			ok(t, l.Release(ctx, given("r1", "c1")))
			fence, err := l.Claim(ctx, "r1", noon)
			ok(t, err)
			ok(t, l.Begin(ctx, "r1", fence, Letter{Begun: noon}, []string{"a@example.org", "b@example.org"}))
			ok(t, l.Go(ctx, "r1", fence, []string{"a@example.org"}, noon))
			n, err := l.Recover(ctx, noon, next)
			if n != 1 || err != nil {
				t.Fatalf("%d, %v", n, err)
			}
			got := first(t, l).Letters
			state := Unsure
			if !next.IsZero() {
				state = Pending
			}
			if got[0].State != state || got[0].Phase != Answered || !got[0].NextTry.Equal(next) || got[1].State != Pending || got[1].Phase != "" {
				t.Errorf("%+v", got)
			}
			// Its fence is the dead one's no more.
			if err := l.Begin(ctx, "r1", fence, Letter{Begun: noon}, []string{"b@example.org"}); !errors.Is(err, ErrStale) {
				t.Errorf("%v", err)
			}
			if n, err := l.Recover(ctx, noon, next); n != 0 || err != nil {
				t.Errorf("again: %d, %v", n, err)
			}
		}
	})

	t.Run("hold takes back what has not gone, and keeps what is unsure", func(t *testing.T) {
		l := fresh(t)
		record(t, l, "c1", "b07", "Ada")
		ok(t, l.Release(ctx, given("r1", "c1")))
		fence, err := l.Claim(ctx, "r1", noon)
		ok(t, err)
		ok(t, l.Begin(ctx, "r1", fence, Letter{Begun: noon}, []string{"a@example.org"}))
		ok(t, l.Hold(ctx, "c1", noon))
		ok(t, l.Hold(ctx, "c1", noon.Add(time.Hour)))
		if err := l.Go(ctx, "r1", fence, []string{"a@example.org"}, noon); !errors.Is(err, ErrStale) {
			t.Errorf("went all the same: %v", err)
		}
		if h, _ := l.Holds(ctx); !h["c1"].Equal(noon) || first(t, l).State != Stopped {
			t.Errorf("%v, %+v", h, first(t, l))
		}
		ok(t, l.Answer(ctx, "r1", []Letter{{Address: "a@example.org", State: Unsure, Phase: Answered, Ended: noon}}))
		n, err := l.Reopen(ctx, "r1", "c2", []string{"f3"}, noon)
		if n != 1 || err != nil || first(t, l).State != Released || first(t, l).Letters[0].State != Pending || first(t, l).Content != "c2" || first(t, l).Family[0] != "f3" {
			t.Errorf("%d, %v, %+v", n, err, first(t, l))
		}
		if _, err := l.Reopen(ctx, "r1", "c2", nil, noon); !errors.Is(err, ErrStale) {
			t.Errorf("reopened what is open: %v", err)
		}
		fence, err = l.Claim(ctx, "r1", noon)
		ok(t, err)
		ok(t, l.Begin(ctx, "r1", fence, Letter{Begun: noon}, []string{"a@example.org"}))
		ok(t, l.Go(ctx, "r1", fence, []string{"a@example.org"}, noon))
		ok(t, l.Answer(ctx, "r1", []Letter{{Address: "a@example.org", State: Unsure, Phase: Answered, Ended: noon}}))
		ok(t, l.Hold(ctx, "c1", noon))
		if first(t, l).State != Unsure {
			t.Errorf("%+v", first(t, l))
		}
	})

	t.Run("forgotten", func(t *testing.T) {
		l := fresh(t)
		record(t, l, "c1", "b07", "Ada")
		record(t, l, "c2", "b07", "Ada")
		record(t, l, "c3", "c12", "Ben")
		ok(t, l.Release(ctx, given("r1", "c1")))
		fence, err := l.Claim(ctx, "r1", noon)
		ok(t, err)
		ok(t, l.Begin(ctx, "r1", fence, Letter{Begun: noon}, []string{"a@example.org"}))
		record(t, l, "c1", "c12", "Ben") // moved: the letters were this one's all the same
		ok(t, l.Hold(ctx, "c2", noon))
		g, err := l.Forget(ctx, "b07", "2026-06-01", 4)
		if err != nil || len(g.Lessons) != 1 || g.Letters != 1 || !g.Player {
			t.Errorf("%+v, %v", g, err)
		}
		heads, _ := l.Heads(ctx)
		releases, _ := l.Releases(ctx, "")
		holds, _ := l.Holds(ctx)
		players, _ := l.Players(ctx)
		stones, _ := l.Tombstones(ctx)
		if len(heads) != 2 || len(releases) != 0 || len(holds) != 0 || len(players) != 1 || !reflect.DeepEqual(stones, []Tombstone{{"2026-06-01", "forgotten", 1, 1, 4}}) {
			t.Errorf("%d lessons, %+v, %+v, %+v, %+v", len(heads), releases, holds, players, stones)
		}
		if g, err := l.Forget(ctx, "b07", "2026-06-01", 0); err != nil || g.Player || len(g.Lessons) != 0 {
			t.Errorf("%+v, %v", g, err)
		}
		if _, err := l.Forget(ctx, "", "2026-06-01", 0); err == nil {
			t.Error("everybody was forgotten")
		}
		g, err = l.Drop(ctx, []string{"c1"}, "2026-06-01", 1)
		if heads, _ := l.Heads(ctx); err != nil || len(heads) != 1 || len(g.Lessons) != 1 {
			t.Errorf("%+v, %v, %+v", g, err, heads)
		}
		if _, err = l.Drop(ctx, []string{"c3"}, "2026-06-01", 1); err != nil {
			t.Fatal(err)
		}
		if players, _ := l.Players(ctx); len(players) != 0 {
			t.Errorf("%+v", players)
		}
		if stones, _ := l.Tombstones(ctx); len(stones) != 3 {
			t.Errorf("%+v", stones)
		}
	})

	t.Run("of many that claim one goes", func(t *testing.T) {
		open := store(t)
		l, err := open()
		ok(t, err)
		defer l.Close()
		record(t, l, "c1", "b07", "Ada")
		ok(t, l.Release(ctx, given("r1", "c1")))
		var wg sync.WaitGroup
		var mu sync.Mutex
		went := 0
		for range 4 {
			wg.Go(func() {
				l, err := open()
				if err != nil {
					t.Error(err)
					return
				}
				defer l.Close()
				for range 5 {
					fence, err := l.Claim(ctx, "r1", noon)
					if err == nil {
						err = l.Begin(ctx, "r1", fence, Letter{Begun: noon}, []string{"a@example.org"})
					}
					if err == nil {
						err = l.Go(ctx, "r1", fence, []string{"a@example.org"}, noon)
					}
					if err == nil {
						mu.Lock()
						went++
						mu.Unlock()
					} else if !errors.Is(err, ErrStale) {
						t.Error(err)
					}
				}
			})
		}
		wg.Wait()
		if went > 1 {
			t.Errorf("%d went", went)
		}
	})
}

// Not a byte of what was forgotten stays in the file.
func TestCompact(t *testing.T) {
	path := filepath.Join(t.TempDir(), File)
	l, err := Create(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i := range 20 {
		for _, p := range []string{"zq7lost", "c12"} {
			if _, err := l.Record(t.Context(), Entry{Player: p, Name: "Name-of-" + p, Folder: "folder-of-" + p, Report: report(fmt.Sprint(p, i), pipeline.ViewChest, 1), At: noon}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if _, err := l.Forget(t.Context(), "zq7lost", "2026-06-01", 0); err != nil {
		t.Fatal(err)
	}
	if err := l.Compact(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, end := range []string{"", "-wal", "-shm"} {
		if b, _ := os.ReadFile(path + end); bytes.Contains(b, []byte("zq7lost")) {
			t.Errorf("found in %s%s", File, end)
		}
	}
	if all, err := l.Heads(t.Context()); err != nil || len(all) != 20 {
		t.Errorf("%d, %v", len(all), err)
	}
}
