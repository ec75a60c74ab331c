package jobs

import (
	"context"
	"database/sql"
	"strconv"
)

// What is looked at when the program dies may be why it did. So for each clip is
// counted how many times in a row that happened; after as many as it has tries
// it is left alone. A power cut looks alike, and costs none of the tries.

// TakesDown: the program died each time the clip was looked at.
const TakesDown = "takes_down"

// guarded does what may end the program: an error that is a *Slip where it has
// too often.
func (e *Engine) guarded(ctx context.Context, hash string, f func() error) error {
	db := context.WithoutCancel(ctx)
	n, err := e.store.dies(db, hash)
	if err != nil {
		return err
	}
	if n > e.o.Tries {
		if err := e.store.lives(db, hash); err != nil { // dropped anew it is looked at anew
			return err
		}
		return &Slip{Reason: TakesDown, Detail: strconv.Itoa(n - 1)}
	}
	hook("looking")
	err = f()
	if e := e.store.lives(db, hash); e != nil {
		return e
	}
	return err
}

// tooDeadly notes that the program died over a running clip, and ends one at
// which it has too often; else it may go on.
func (e *Engine) tooDeadly(ctx context.Context, c *Clip) (bool, error) {
	n, err := e.store.dies(ctx, c.Hash)
	if err != nil || n < e.o.Tries {
		return false, err
	}
	c.State, c.Reason, c.Detail = Failed, TakesDown, strconv.Itoa(n)
	if err := e.store.fail(ctx, c); err != nil {
		return false, err
	}
	if err := e.settle(ctx, c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	e.came(c, string(Failed))
	return true, e.store.lives(ctx, c.Hash)
}

// dies counts one more death over a clip.
func (s *Store) dies(ctx context.Context, hash string) (n int, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO deaths (clip, n) VALUES ($1, 1) ON CONFLICT (clip) DO UPDATE SET n = deaths.n + 1`, hash); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return tx.QueryRowContext(ctx, `SELECT n FROM deaths WHERE clip = $1`, hash).Scan(&n)
	})
	return n, err
}

// lives forgets them.
func (s *Store) lives(ctx context.Context, hash string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM deaths WHERE clip = $1`, hash); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return nil
	})
}
