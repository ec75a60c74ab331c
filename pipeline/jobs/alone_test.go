package jobs

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Notes and voice notes without their clip are told of and stay; two that say
// the same are two. When the clip comes they go with it.
func TestNotesWaitForTheirClip(t *testing.T) {
	t.Parallel()
	work := house(t)
	note := drop(t, work, "inbox/p001/a.yaml", "p001")
	drop(t, work, "inbox/p001/b.yaml", "p001")
	voice := drop(t, work, "inbox/a.wav", "said of nobody")
	for range 2 {
		sum := once(t, work, nil)
		if sum.Left+sum.Waiting != 0 || sum.Count(string(Held)) != len(sum.Outcomes) {
			t.Errorf("%+v", sum)
		}
		if w := where(t, work, note); !slices.Equal(w, []string{"inbox/p001/a.yaml", "inbox/p001/b.yaml"}) {
			t.Errorf("%v", w)
		}
		s := store(t, work)
		held, err := s.Clips(t.Context(), Held)
		if err != nil || len(held) != 3 || held[0].Reason != Alone {
			t.Errorf("%+v, %v", held, err)
		}
		s.Close()
	}
	clip := drop(t, work, "inbox/p001/a.mov", "the clip")
	if sum := once(t, work, nil); sum.Count(string(Done)) != 1 {
		t.Errorf("%+v", sum)
	}
	wantLessons(t, work, map[string]string{clip: "p001"})
	if w := where(t, work, note); len(w) != 2 || filepath.Dir(w[0]) != "archive/p001" || w[1] != "inbox/p001/b.yaml" {
		t.Errorf("%v", w)
	}
	// One taken away again is forgotten, the others wait on.
	if err := os.Remove(filepath.Join(work, "inbox/p001/b.yaml")); err != nil {
		t.Fatal(err)
	}
	once(t, work, nil)
	held, err := store(t, work).Clips(t.Context(), Held)
	if err != nil || len(held) != 1 || held[0].Original() != filepath.Join(work, "inbox/a.wav") {
		t.Errorf("%+v, %v", held, err)
	}
	if w := where(t, work, voice); len(w) != 1 {
		t.Errorf("%v", w)
	}
}

// A daemon tells of them when the clip had time to come.
func TestNotesWaitForTheCap(t *testing.T) {
	t.Parallel()
	work := house(t)
	drop(t, work, "inbox/p001/a.yaml", "p001")
	s := store(t, work)
	o := options(work)
	o.Cap = 1500 * time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan error, 1)
	begun := time.Now()
	go func() { over <- New(s, o).Run(ctx) }()
	defer func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()
	for range 400 {
		n, err := s.Counts(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if n[Held] == 1 {
			if since := time.Since(begun); since < o.Cap {
				t.Errorf("told after %v", since)
			}
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Error("never told")
}

// What comes after its clip was taken is put aside with the reason; a clip of
// the same name of another day has nothing to do with it.
func TestLateNotes(t *testing.T) {
	t.Parallel()
	work := house(t)
	clip := drop(t, work, "inbox/p001/a.mov", "the clip")
	bad := drop(t, work, "inbox/p001/c.MOV", "unreadable clip")
	once(t, work, nil)
	note := drop(t, work, "inbox/p001/a.yaml", "p001")
	voice := drop(t, work, "inbox/p001/a.wav", "said too late")
	other := drop(t, work, "inbox/p001/c.yaml", "p001\n")
	near := drop(t, work, "inbox/p001/a.b.yaml", "of another clip")
	sum := once(t, work, nil)
	if sum.Count(string(Unplaced)) != 3 || sum.Count(string(Held)) != 1 || len(sum.Outcomes) != 4 {
		t.Errorf("%+v", sum)
	}
	for h, glob := range map[string]string{note: "unplaced/a-*.yaml", voice: "unplaced/a-*.wav", other: "unplaced/c-*.yaml", near: "inbox/p001/a.b.yaml"} {
		w := where(t, work, h)
		if len(w) != 1 {
			t.Fatalf("%s: %v", glob, w)
		}
		if ok, _ := filepath.Match(glob, w[0]); !ok {
			t.Errorf("%s: %v", glob, w)
		}
		if b, err := os.ReadFile(filepath.Join(work, strings.TrimSuffix(w[0], filepath.Ext(w[0]))+".why.txt")); h != near && (err != nil || !strings.HasPrefix(string(b), Late)) {
			t.Errorf("%q, %v", b, err)
		}
	}
	wantLessons(t, work, map[string]string{clip: "p001"})
	// A clip that failed is tried again with them.
	s := store(t, work)
	c, _, err := s.Clip(t.Context(), bad)
	if err != nil {
		t.Fatal(err)
	}
	for from, to := range map[string]string{where(t, work, other)[0]: "inbox/p001/d.yaml", strings.TrimPrefix(c.Original(), work+"/"): "inbox/p001/d.MOV"} {
		if err := os.Rename(filepath.Join(work, from), filepath.Join(work, to)); err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	if sum := once(t, work, nil); sum.Count(string(Failed)) != 1 {
		t.Errorf("%+v", sum)
	}
	if w := where(t, work, other); len(w) != 1 || filepath.Dir(w[0]) != FailedDir {
		t.Errorf("%v", w)
	}
	// Two days later the same name is another clip's.
	far := drop(t, work, "inbox/p001/a.yaml", "the day after tomorrow")
	once(t, work, func(o *Options) { o.Now = func() time.Time { return time.Now().Add(48 * time.Hour) } })
	if w := where(t, work, far); !slices.Equal(w, []string{"inbox/p001/a.yaml"}) {
		t.Errorf("%v", w)
	}
}

// Died on the way, it is put aside once.
func TestDiesAtALateNote(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for _, stage := range []string{"accepted", "moved.yaml"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			drop(t, work, "inbox/p001/a.mov", "the clip "+stage)
			once(t, work, nil)
			note := drop(t, work, "inbox/p001/a.yaml", "late")
			if err := start(t, work, "RUN=once", "DIE="+stage).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := start(t, work, "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			if w := where(t, work, note); len(w) != 1 || filepath.Dir(w[0]) != UnplacedDir {
				t.Errorf("%v", w)
			}
			if m, _ := filepath.Glob(filepath.Join(work, "unplaced/a-*.why.txt")); len(m) != 1 {
				t.Errorf("%v", m)
			}
		})
	}
}
