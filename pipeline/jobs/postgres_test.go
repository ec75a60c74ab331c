package jobs

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/internal/pgtest"
)

func TestPostgres(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Store, error) {
		url := pgtest.URL(t)
		return func() (*Store, error) { return OpenPostgres(context.Background(), url) }
	})
}

// The server is restarted, crashes and is cut off while clips are claimed and
// given back: each step happens once, and nobody sees more of it than a pause.
func TestServerGoes(t *testing.T) {
	s := pgtest.New(t, false)
	url := s.URL(t)
	p := pgtest.NewProxy(t, s.Addr)
	through := p.Through(t, url)
	const workers = 3
	var wg sync.WaitGroup
	stop := make(chan struct{})
	claims := [workers]int64{}
	for w := range workers {
		st, err := OpenPostgres(t.Context(), through)
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		c := Clip{Hash: strings.Repeat(fmt.Sprint(w), 64), Player: "b07", Day: "2026-05-03", State: Waiting, Lies: "/in", Stem: "a", Ext: ".mov", Came: "/in/a.mov"}
		if err := st.write(t.Context(), func(tx *sql.Tx) error { return st.put(t.Context(), tx, &c) }); err != nil {
			t.Fatal(err)
		}
		wg.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				got, err := st.claim(t.Context(), c.Hash, "")
				if err != nil {
					t.Errorf("claim %d: %v", claims[w]+1, err)
					return
				}
				if claims[w]++; got.Fence != claims[w] {
					t.Errorf("fence %d after %d claims", got.Fence, claims[w])
				}
				if err := st.progress(t.Context(), &got, "pose", 1, 2); err != nil {
					t.Errorf("progress: %v", err)
				}
				if _, _, err := st.Clip(t.Context(), c.Hash); err != nil {
					t.Errorf("reading: %v", err)
				}
				if err := st.release(t.Context(), &got, "r", "", true); err != nil {
					t.Errorf("release: %v", err)
					return
				}
			}
		})
	}
	// so many times all have gone on since
	on := func(n int64) {
		t.Helper()
		st, err := OpenPostgres(t.Context(), url)
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		was := map[string]int64{}
		for i := 0; ; i++ {
			all, err := st.Clips(t.Context(), "")
			if err != nil {
				t.Fatal(err)
			}
			far := 0
			for _, c := range all {
				if _, ok := was[c.Hash]; !ok {
					was[c.Hash] = c.Fence
				}
				if c.Fence >= was[c.Hash]+n {
					far++
				}
			}
			if far == workers || i > 1500 || t.Failed() {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	on(3)
	for range 2 {
		s.Restart(t)
		on(3)
		s.Stop(t, true)
		s.Start(t)
		on(3)
		p.Cut()
		time.Sleep(700 * time.Millisecond)
		p.Mend()
		on(3)
	}
	close(stop)
	wg.Wait()
	st, err := OpenPostgres(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	all, err := st.Clips(t.Context(), Waiting)
	if err != nil || len(all) != workers {
		t.Fatalf("%+v, %v", all, err)
	}
	for i, c := range all {
		if c.Fence != claims[i] || c.Tries != 0 || claims[i] < 21 {
			t.Errorf("fence %d, %d tries after %d claims", c.Fence, c.Tries, claims[i])
		}
	}
}
