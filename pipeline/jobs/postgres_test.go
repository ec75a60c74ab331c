package jobs

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/pressly/goose/v3"

	"tapeline/pipeline/pgtest"
)

func TestPostgres(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Store, error) {
		url := pgtest.URL(t)
		return func() (*Store, error) { return OpenPostgres(context.Background(), url) }
	})
}

// One machine takes clips in at a time, and again after the connection was lost.
func TestTakerLock(t *testing.T) {
	url := pgtest.URL(t)
	var all []*Store
	for range 2 {
		s, err := OpenPostgres(t.Context(), url)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		all = append(all, s)
	}
	a, b := all[0], all[1]
	held, release, err := a.TakerLock(t.Context())
	if err != nil || !held() {
		t.Fatal(err)
	}
	if _, _, err := b.TakerLock(t.Context()); !errors.Is(err, ErrBusy) {
		t.Errorf("two take: %v", err)
	}
	cut := func() {
		t.Helper()
		if _, err := b.db.Exec(`SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'`); err != nil {
			t.Fatal(err)
		}
		time.Sleep(1100 * time.Millisecond) // that it is asked anew
	}
	cut()
	if !held() {
		t.Error("it was not taken again")
	}
	cut()
	_, others, err := b.TakerLock(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if held() {
		t.Error("it is held twice")
	}
	others()
	time.Sleep(1100 * time.Millisecond)
	if !held() {
		t.Error("it was not taken again when it was free")
	}
	release()
	if held() {
		t.Error("it is held after it was given back")
	}
	if s := store(t, house(t)); s.Shared() || !a.Shared() {
		t.Error("who shares what?")
	}
}

// The tables go down step by step to nothing and up again to the same, in both
// databases.
func TestDownAndUp(t *testing.T) {
	for name, open := range map[string]func(t *testing.T) (*Store, error){
		"sqlite": func(t *testing.T) (*Store, error) {
			return OpenSQLite(t.Context(), filepath.Join(t.TempDir(), StoreFile))
		},
		"postgres": func(t *testing.T) (*Store, error) { return OpenPostgres(t.Context(), pgtest.URL(t)) },
	} {
		t.Run(name, func(t *testing.T) {
			s, err := open(t)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			tables := `SELECT name || coalesce(sql, '') FROM sqlite_master WHERE name NOT LIKE 'goose%' AND name NOT LIKE 'sqlite%' AND name NOT LIKE 'river%' AND coalesce(sql, '') NOT LIKE '%river%' ORDER BY 1`
			dialect := goose.DialectSQLite3
			if s.Shared() {
				dialect = goose.DialectPostgres
				tables = `SELECT concat_ws(' ', table_name, ordinal_position - (SELECT count(*) FROM pg_attribute a WHERE a.attrelid = table_name::regclass AND attisdropped AND attnum < ordinal_position), column_name, data_type, is_nullable, column_default, collation_name)
					FROM information_schema.columns WHERE table_schema = current_schema() AND table_name NOT LIKE 'goose%' AND table_name NOT LIKE 'river%' AND table_name <> 'writes'
					UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = current_schema() AND tablename NOT LIKE 'goose%' AND tablename NOT LIKE 'river%' AND tablename <> 'writes' ORDER BY 1`
			}
			list := func() (out []string) {
				t.Helper()
				rows, err := s.db.Query(tables)
				if err != nil {
					t.Fatal(err)
				}
				defer rows.Close()
				for rows.Next() {
					var line string
					if err := rows.Scan(&line); err != nil {
						t.Fatal(err)
					}
					out = append(out, line)
				}
				return out
			}
			up := list()
			p, err := s.provider(dialect)
			if err != nil {
				t.Fatal(err)
			}
			c := Clip{Hash: "h", Player: "b07", Day: "2026-05-03", State: Failed, Lies: "/in", Stem: "a", Ext: ".mov", Came: "/in/a.mov", Detail: "stays"}
			if err := s.write(t.Context(), func(tx *sql.Tx) error { return s.put(t.Context(), tx, &c) }); err != nil {
				t.Fatal(err)
			}
			do := func(query string) {
				t.Helper()
				if _, err := s.db.ExecContext(t.Context(), query); err != nil {
					t.Fatal(err)
				}
			}
			// What would be lost isn't: the step that would fails.
			for _, x := range []struct {
				set, unset string
				to         int64
			}{
				{`UPDATE clips SET stored = 'lessons/x'`, `UPDATE clips SET stored = ''`, 3},
				{`UPDATE clips SET stocked = 5`, `UPDATE clips SET stocked = 0`, 3},
				{`UPDATE clips SET parent = 'r'`, `UPDATE clips SET parent = ''`, 2},
				{`UPDATE clips SET tries = 1`, `UPDATE clips SET tries = 0`, 0},
			} {
				do(x.set)
				if _, err := p.DownTo(t.Context(), x.to); err == nil {
					t.Fatalf("down to %d after %s", x.to, x.set)
				}
				if _, err := p.Up(t.Context()); err != nil {
					t.Fatal(err)
				}
				if n := count(t, s, Failed); n != 1 {
					t.Fatalf("%d clips are left", n)
				}
				do(x.unset)
			}
			if _, err := p.DownTo(t.Context(), 1); err != nil {
				t.Fatal(err)
			}
			if _, err := p.Up(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got, ok, err := s.Clip(t.Context(), "h"); !ok || err != nil || got.Detail != "stays" || got.Kind != KindClip {
				t.Errorf("%+v, %v", got, err)
			}
			do(`DELETE FROM clips`)
			if _, err := p.DownTo(t.Context(), 0); err != nil {
				t.Fatal(err)
			}
			if left := list(); len(left) > 0 {
				t.Errorf("left behind: %q", left)
			}
			if err := s.migrate(t.Context(), dialect); err != nil {
				t.Fatal(err)
			}
			if again := list(); !slices.Equal(again, up) || len(up) < 8 {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(again, "\n"), strings.Join(up, "\n"))
			}
		})
	}
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
