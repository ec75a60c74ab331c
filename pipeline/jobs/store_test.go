package jobs

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
)

func TestSQLite(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Store, error) {
		path := filepath.Join(t.TempDir(), StoreFile)
		return func() (*Store, error) { return OpenSQLite(context.Background(), path) }
	})
}

// contract is what every store must do. fresh gives a function that opens one
// and the same empty store, each time on connections of its own.
func contract(t *testing.T, fresh func(t *testing.T) func() (*Store, error)) {
	ctx := context.Background()
	two := func(t *testing.T) (a, b *Store) {
		t.Helper()
		open := fresh(t)
		for _, s := range []**Store{&a, &b} {
			var err error
			if *s, err = open(); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { (*s).Close() })
		}
		return a, b
	}
	clip := func(hash string) Clip {
		return Clip{Hash: strings.Repeat(hash, 64/len(hash)), Player: "b07", How: "folder", Day: "2026-05-03", Dated: true, State: Waiting, Lies: "/in/\xff\n", Stem: "-a\"b", Ext: ".MOV",
			Sidecar: true, Voice: ".wav", Came: "/in/\xff\n/-a\"b.MOV", Size: 1 << 40, Modified: time.Unix(1777800000, 123456789), Copies: 2, Reason: "r", Detail: "ü", Kind: KindRecording, Length: 90500}
	}
	put := func(t *testing.T, s *Store, c Clip) {
		t.Helper()
		q, err := s.inserter()
		if err != nil {
			t.Fatal(err)
		}
		if err := s.write(ctx, func(tx *sql.Tx) error { return errors.Join(s.put(ctx, tx, &c), s.enqueue(ctx, tx, q, &c)) }); err != nil {
			t.Fatal(err)
		}
	}
	jobs := func(t *testing.T, s *Store) (n int) {
		t.Helper()
		if err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM river_job`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}

	t.Run("what goes in comes out", func(t *testing.T) {
		a, b := two(t)
		put(t, a, clip("ab"))
		got, ok, err := b.Clip(ctx, clip("ab").Hash)
		if err != nil || !ok || got.Added.IsZero() || !got.Modified.Equal(clip("ab").Modified) {
			t.Fatalf("%+v, %v, %v", got, ok, err)
		}
		got.Added, got.Changed, got.Modified = time.Time{}, time.Time{}, clip("ab").Modified
		if got != clip("ab") {
			t.Errorf("%+v; want %+v", got, clip("ab"))
		}
		if _, ok, err := b.Clip(ctx, "none"); ok || err != nil {
			t.Error(ok, err)
		}
	})

	t.Run("one job a clip", func(t *testing.T) {
		a, b := two(t)
		for range 3 {
			put(t, a, clip("ab"))
			put(t, b, clip("ab"))
		}
		put(t, a, clip("cd"))
		if n := jobs(t, a); n != 2 {
			t.Errorf("%d jobs", n)
		}
		if all, err := b.Clips(ctx, ""); len(all) != 2 || err != nil {
			t.Errorf("%d clips, %v", len(all), err)
		}
	})

	t.Run("one of many gets a clip", func(t *testing.T) {
		a, b := two(t)
		put(t, a, clip("ab"))
		var wg sync.WaitGroup
		var mu sync.Mutex
		got := 0
		for i := range 20 {
			s := a
			if i%2 == 1 {
				s = b
			}
			wg.Go(func() {
				_, err := s.claim(ctx, clip("ab").Hash, "")
				mu.Lock()
				defer mu.Unlock()
				if err == nil {
					got++
				} else if !errors.Is(err, errStale) {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		if got != 1 {
			t.Errorf("%d got it", got)
		}
	})

	t.Run("the fence", func(t *testing.T) {
		a, b := two(t)
		put(t, a, clip("ab"))
		slow, err := a.claim(ctx, clip("ab").Hash, "")
		if err != nil {
			t.Fatal(err)
		}
		if err := b.release(ctx, &slow, "", "", true); err != nil {
			t.Fatal(err)
		}
		quick, err := b.claim(ctx, slow.Hash, "")
		if err != nil || quick.Fence <= slow.Fence || quick.Tries != 1 {
			t.Fatalf("%+v, %v", quick, err)
		}
		stale := func(what string, err error) {
			t.Helper()
			if !errors.Is(err, errStale) {
				t.Errorf("%s by who lost the clip: %v", what, err)
			}
		}
		stale("progress", a.progress(ctx, &slow, "pose", 1, 2))
		stale("intent", a.intend(ctx, &slow))
		stale("failure", a.fail(ctx, &slow))
		stale("release", a.release(ctx, &slow, "", "", false))
		quick.Staging, quick.Final = "/s", "/f"
		if err := b.intend(ctx, &quick); err != nil {
			t.Fatal(err)
		}
		stale("a second intent", b.intend(ctx, &quick))
		_, err = a.claim(ctx, slow.Hash, "")
		stale("a claim of what is being published", err)
		left := quick
		if err := a.seize(ctx, &left, ""); err != nil {
			t.Fatal(err)
		}
		stale("the end", b.published(ctx, &quick))
		stale("a second seizure", b.seize(ctx, &quick, ""))
		if err := a.published(ctx, &left); err != nil {
			t.Fatal(err)
		}
		if c, _, err := b.Clip(ctx, left.Hash); err != nil || c.State != Done || c.Final != "/f" || c.Staging != "" {
			t.Errorf("%+v, %v", c, err)
		}
		_, err = a.claim(ctx, slow.Hash, "")
		stale("a claim of what is done", err)
	})

	t.Run("failed and again", func(t *testing.T) {
		a, b := two(t)
		for _, h := range []string{"ab", "cd"} {
			put(t, a, clip(h))
			c, err := a.claim(ctx, clip(h).Hash, "")
			if err != nil {
				t.Fatal(err)
			}
			c.Reason, c.Detail = Crashed, "why"
			if err := a.fail(ctx, &c); err != nil {
				t.Fatal(err)
			}
		}
		if n, err := b.Counts(ctx); n[Failed] != 2 || len(n) != 1 || err != nil {
			t.Errorf("%v, %v", n, err)
		}
		for _, name := range []string{"", "a", "ef01", strings.Repeat("a", 70)} {
			if _, err := b.Retry(ctx, []string{name}, false); err == nil {
				t.Errorf("%q fits", name)
			}
		}
		if n, err := b.Retry(ctx, []string{"abab"}, false); n != 1 || err != nil {
			t.Errorf("%d, %v", n, err)
		}
		c, _, err := a.Clip(ctx, clip("ab").Hash)
		if err != nil || c.State != Waiting || c.Tries != 0 || c.Reason != "" {
			t.Errorf("%+v, %v", c, err)
		}
	})

	t.Run("a night begins once", func(t *testing.T) {
		a, b := two(t)
		for i, s := range []*Store{a, b, a, b} {
			if began, err := s.night(ctx, "2026-03-08"); began != (i == 0) || err != nil {
				t.Errorf("%d: %v, %v", i, began, err)
			}
		}
	})

	t.Run("a newer store is left alone", func(t *testing.T) {
		open := fresh(t)
		s, err := open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.db.ExecContext(ctx, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, true)`); err != nil {
			t.Fatal(err)
		}
		s.Close()
		_, err = open()
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultLedger || !strings.Contains(e.What, "version 99") {
			t.Errorf("%v", err)
		}
	})
}
