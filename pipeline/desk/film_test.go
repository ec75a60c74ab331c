package desk

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Every frame that is asked for is the one of its number, a stretch is decoded
// once for all who wait, and no more is kept than allowed.
func TestFilm(t *testing.T) {
	var runs, most, now atomic.Int32
	decode := func(ctx context.Context, id string, from, to int, each func(int, []byte) error) error {
		runs.Add(1)
		if n := now.Add(1); n > most.Load() {
			most.Store(n)
		}
		defer now.Add(-1)
		for n := from; n <= to; n++ {
			time.Sleep(50 * time.Microsecond)
			if err := each(n, fmt.Appendf(nil, "%s/%09d", id, n)); err != nil {
				return err
			}
		}
		return nil
	}
	f := newFilm(t.Context(), decode, 10*200) // 200 stills of 11 bytes and less
	var wait sync.WaitGroup
	for i := range 8 {
		wait.Go(func() {
			for n := i; n < 300; n += 7 {
				b, err := f.at(t.Context(), "a", n, 300)
				if err != nil || string(b) != fmt.Sprintf("a/%09d", n) {
					t.Errorf("frame %d: %q %v", n, b, err)
				}
			}
		})
	}
	wait.Wait()
	if most.Load() > runsAtOnce {
		t.Errorf("%d decoders at once", most.Load())
	}
	f.mu.Lock()
	if f.size > f.limit || len(f.have) != f.order.Len() {
		t.Errorf("%d bytes of %d kept, %d stills in %d places", f.size, f.limit, len(f.have), f.order.Len())
	}
	f.mu.Unlock()
	for _, n := range []int{-1, 300, 1000} {
		if _, err := f.at(t.Context(), "a", n, 300); err == nil {
			t.Errorf("frame %d of 300 was given", n)
		}
	}

	// Whoever waits with another joins the stretch that is decoded.
	runs.Store(0)
	g := newFilm(t.Context(), decode, filmMemory)
	for i := range 16 {
		wait.Go(func() {
			if _, err := g.at(t.Context(), "b", 20+i, 64); err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	if runs.Load() != 1 {
		t.Errorf("one stretch was decoded %d times", runs.Load())
	}
}

// What can't be decoded is said to every one who waits, and tried again later.
func TestFilmBreaks(t *testing.T) {
	broken := errors.New("damaged")
	bad := true
	f := newFilm(t.Context(), func(_ context.Context, _ string, from, to int, each func(int, []byte) error) error {
		if bad {
			_ = each(from, []byte("x"))
			return broken
		}
		for n := from; n <= to; n++ {
			_ = each(n, []byte("y"))
		}
		return nil
	}, filmMemory)
	if b, err := f.at(t.Context(), "a", 0, 10); err != nil || string(b) != "x" {
		t.Errorf("before the damage: %q %v", b, err)
	}
	if _, err := f.at(t.Context(), "a", 5, 10); !errors.Is(err, broken) {
		t.Errorf("behind it: %v", err)
	}
	bad = false
	if b, err := f.at(t.Context(), "a", 5, 10); err != nil || string(b) != "y" {
		t.Errorf("mended: %q %v", b, err)
	}
	gone, stop := context.WithCancel(t.Context())
	stop()
	slow := newFilm(t.Context(), func(ctx context.Context, _ string, _, _ int, _ func(int, []byte) error) error {
		<-ctx.Done()
		return ctx.Err()
	}, filmMemory)
	if _, err := slow.at(gone, "a", 1, 10); !errors.Is(err, context.Canceled) {
		t.Errorf("who has gone waits: %v", err)
	}
}
