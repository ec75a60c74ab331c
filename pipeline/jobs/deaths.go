package jobs

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
)

// What is looked at when the program itself breaks down, by a fault in native
// code say, may be why. For each clip is counted how many times in a row that
// happened; after as many as it has tries it is left alone. Who is killed or
// loses its power did not break down: Go's runtime leaves its last words in a
// file only when the program dies of itself.

// TakesDown: the program broke down each time the clip was looked at.
const TakesDown = "takes_down"

// crashFile holds those last words.
const crashFile = ".crash"

// brokeDown tells whether the program broke down when it last ran in a folder.
func brokeDown(dir string) bool {
	st, err := os.Lstat(filepath.Join(dir, crashFile))
	return err == nil && st.Size() > 0
}

// expectTheWorst has the last words written; calm is for an orderly end.
func (e *Engine) expectTheWorst() (calm func()) {
	f, err := os.OpenFile(e.dir(crashFile), os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return func() {}
	}
	defer f.Close() // the runtime has its own
	if err := debug.SetCrashOutput(f, debug.CrashOptions{}); err != nil {
		e.o.Log.Debug("crash_output", "err", scrub(err))
	}
	return func() {
		_ = debug.SetCrashOutput(nil, debug.CrashOptions{})
		_ = os.Remove(e.dir(crashFile))
	}
}

// calmly makes an error of a panic: it costs a try.
func calmly(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &Slip{Reason: Mistake, Detail: fmt.Sprint(p), Again: true}
		}
	}()
	return f()
}

// guarded does what may end the program: an error that is a *Slip where it has
// too often.
func (e *Engine) guarded(ctx context.Context, hash string, f func() error) error {
	db := context.WithoutCancel(ctx)
	n, err := e.store.look(db, hash)
	if err != nil {
		return err
	}
	if n < e.o.Tries {
		hook("looking")
		err = calmly(f)
	} else { // dropped anew it is looked at anew
		err = &Slip{Reason: TakesDown, Detail: strconv.Itoa(n)}
	}
	if e := e.store.lives(db, hash); e != nil {
		return e
	}
	return err
}

// tooDeadly notes that the program broke down over a running clip, and ends one
// over which it has too often; else it may go on.
func (e *Engine) tooDeadly(ctx context.Context, c *Clip) (bool, error) {
	n, err := e.store.dies(ctx, c.Hash)
	if err != nil || n < e.o.Tries {
		return false, err
	}
	c.State, c.Reason, c.Detail = Failed, TakesDown, strconv.Itoa(n)
	if err := e.store.fail(ctx, c); err != nil {
		return false, err
	}
	e.over(ctx, c, string(Failed))
	return true, e.store.lives(ctx, c.Hash)
}

func (s *Store) deaths(ctx context.Context, query, hash string) (n int, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, query, hash); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return tx.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) FROM deaths WHERE clip = $1`, hash).Scan(&n)
	})
	return n, err
}

// look notes that a clip is being looked at, and gives how often the program
// broke down over it.
func (s *Store) look(ctx context.Context, hash string) (int, error) {
	return s.deaths(ctx, `INSERT INTO deaths (clip, n, looking) VALUES ($1, 0, 1) ON CONFLICT (clip) DO UPDATE SET looking = 1`, hash)
}

// dies counts once more.
func (s *Store) dies(ctx context.Context, hash string) (int, error) {
	return s.deaths(ctx, `INSERT INTO deaths (clip, n, looking) VALUES ($1, 1, 0) ON CONFLICT (clip) DO UPDATE SET n = deaths.n + 1`, hash)
}

// lives forgets.
func (s *Store) lives(ctx context.Context, hash string) error {
	var n int // hardly ever there
	if err := s.read(ctx, func() error {
		return s.db.QueryRowContext(ctx, `SELECT count(*) FROM deaths WHERE clip = $1`, hash).Scan(&n)
	}); err != nil || n == 0 {
		return err
	}
	_, err := s.deaths(ctx, `DELETE FROM deaths WHERE clip = $1`, hash)
	return err
}

// looked ends what was being looked at when the program ended; broke tells that
// it broke down.
func (s *Store) looked(ctx context.Context, broke bool) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE deaths SET n = n + $1, looking = 0 WHERE looking = 1`, flag(broke))
		if err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return nil
	})
}
