package jobs

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"
)

func killed(err error) bool {
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		return false
	}
	st, ok := exit.Sys().(syscall.WaitStatus)
	return ok && st.Signaled() && st.Signal() == syscall.SIGKILL
}

// The program dies at each named stage; the next start ends what it began.
func TestDiesAtEveryStage(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for _, stage := range []string{"accepted", "moved.mov", "moved.yaml", "moved.wav", "claimed", "taken", "read", "intended", "renamed", "recorded", "done", "archived"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			hashes := map[string]string{
				drop(t, work, "inbox/p001/swing.mov", "one "+stage): "p001",
			}
			note := drop(t, work, "inbox/p001/swing.yaml", "p001")
			voice := drop(t, work, "inbox/p001/swing.wav", "said "+stage)
			hashes[drop(t, work, "inbox/p002_a.mov", "two "+stage)] = "p002"
			n := 0
			if stage == "moved.mov" {
				n = 2 // once when it is taken; here on the way to the archive
			}
			if err := start(t, work, "RUN=once", "DIE="+stage, "N="+strconv.Itoa(n)).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := start(t, work, "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			wantLessons(t, work, hashes)
			for _, h := range []string{note, voice} {
				if w := where(t, work, h); len(w) != 1 || filepath.Dir(w[0]) != "archive/p001" {
					t.Errorf("what travels with the clip lies at %v", w)
				}
			}
		})
	}
}

// The same for a clip that fails, one that can't be placed and one that is
// there already.
func TestDiesAsideTheWay(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for _, stage := range []string{"accepted", "moved.mov", "failed", "duplicate"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			good := drop(t, work, "inbox/p001/a.mov", "good "+stage)
			drop(t, work, "inbox/p001/b.mov", "good "+stage)
			bad := drop(t, work, "inbox/p001/c.mov", "unreadable "+stage)
			lost := drop(t, work, "inbox/d.mov", "nobody's "+stage)
			if err := start(t, work, "RUN=once", "DIE="+stage).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := start(t, work, "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			for h, want := range map[string][]string{good: {"archive/duplicates/*", "archive/p001/*"}, bad: {"failed/c-*.mov"}, lost: {"unplaced/d-*.mov"}} {
				w := where(t, work, h)
				ok := len(w) == len(want)
				for i := range w {
					if ok {
						ok, _ = filepath.Match(want[i], w[i])
					}
				}
				if !ok {
					t.Errorf("%s lies at %v; want %v", h[:8], w, want)
				}
			}
			for _, glob := range []string{"failed/c-*.why.txt", "unplaced/d-*.why.txt"} {
				if m, _ := filepath.Glob(filepath.Join(work, glob)); len(m) != 1 {
					t.Errorf("%s: %v", glob, m)
				}
			}
			if m, _ := filepath.Glob(filepath.Join(work, LessonsDir, "*", "*")); len(m) != 1 {
				t.Errorf("lessons: %v", m)
			}
		})
	}
}

// The same for the clip of a card: what follows it is still its player's.
func TestDiesAtACard(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for _, stage := range []string{"accepted", "moved.mov", "claimed", "carded"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			card := drop(t, work, "inbox/phone/2.mov", "nobody 0m p004")
			swing := drop(t, work, "inbox/phone/1.mov", "swing 10m #"+stage)
			if err := start(t, work, "CARDS=1", "RUN=once", "DIE="+stage).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := start(t, work, "CARDS=1", "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			wantLessons(t, work, map[string]string{swing: "p004"})
			for _, h := range []string{card, swing} {
				if w := where(t, work, h); len(w) != 1 || filepath.Dir(w[0]) != "archive/p004" {
					t.Errorf("%s lies at %v", h[:8], w)
				}
			}
		})
	}
}

// counted are the clips in each state.
func counted(t *testing.T, work string) map[State]int {
	t.Helper()
	s, err := OpenSQLite(context.Background(), filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.Counts(context.Background())
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	return n
}

// busy waits until something is under way: a busy machine begins late, a quick
// one has nothing left to do soon.
func busy(t *testing.T, work string) {
	t.Helper()
	s, err := OpenSQLite(context.Background(), filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for range 6000 { // only reads: writers would be kept waiting
		n, err := s.Counts(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if n[Running]+n[Publishing] > 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Log("nothing was begun in a minute")
}

// Kills at any moment: KILLS of them (20, or as many as the environment says).
func TestRandomKills(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed tell no races")
	}
	kills := 20
	if s := os.Getenv("KILLS"); s != "" {
		kills, _ = strconv.Atoi(s)
	}
	work := house(t)
	hashes := map[string]string{}
	under, longest := 0, 0
	for i := range kills {
		for j := range 2 + rand.IntN(4) {
			player := fmt.Sprintf("p%03d", rand.IntN(50)*10)
			hashes[drop(t, work, fmt.Sprintf("inbox/%s/%d-%d.mov", player, i, j), fmt.Sprint("clip ", i, j))] = player
		}
		cmd := start(t, work, "SLOW=60")
		if i%2 == 0 {
			busy(t, work)
			time.Sleep(time.Duration(rand.IntN(100)) * time.Millisecond)
		} else {
			time.Sleep(time.Duration(rand.IntN(600)) * time.Millisecond)
		}
		_ = cmd.Process.Kill()
		if err := cmd.Wait(); !killed(err) {
			t.Fatalf("it ended by itself: %v: %s", err, cmd.Stderr)
		}
		n := counted(t, work)
		if n[Running]+n[Publishing] > 0 {
			under++
		}
		longest = max(longest, n[Waiting])
	}
	if err := start(t, work, "RUN=once").Wait(); err != nil {
		t.Fatal(err)
	}
	wantLessons(t, work, hashes)
	t.Logf("%d kills, %d of them with a clip under way, %d clips, at most %d waiting", kills, under, len(hashes), longest)
	if under < kills/5 {
		t.Error("few kills met a clip under way")
	}
}
