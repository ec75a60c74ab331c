package jobs

import (
	"context"
	"database/sql"
	"errors"
	"time"
)

// upkeep is what no clip's own job does: it says that the disk is full or has
// room again, though nothing comes, ends what was published in part, and gives
// back what nobody works on.
func (e *Engine) upkeep(ctx context.Context) {
	e.finish(ctx)
	if e.stops() {
		e.lame = true
		return
	}
	now := time.Now()
	if !e.lame && now.Sub(e.looked) < 5*time.Minute {
		return
	}
	if err := e.mend(ctx); err == nil {
		e.lame, e.looked = false, now
	} else if ctx.Err() == nil {
		e.o.Log.Error("queue_failed", "err", err)
	}
}

// mend gives back what nobody works on, and every waiting clip its job.
func (e *Engine) mend(ctx context.Context) error {
	return errors.Join(e.orphans(ctx), e.store.ensure(ctx, e.jobs))
}

// orphans gives back clips whose try ended while the store could not be
// written, on a full disk: their rows say that they are being read.
func (e *Engine) orphans(ctx context.Context) error {
	running, err := e.store.Clips(ctx, Running)
	if err != nil {
		return err
	}
	e.mu.Lock()
	idle := len(e.busy) == 0
	var lost []Clip
	for _, c := range running {
		if !e.busy[c.Hash] {
			lost = append(lost, c)
		}
	}
	e.mu.Unlock()
	for i := range lost {
		if err := e.store.release(ctx, &lost[i], "", "", true); err != nil && !errors.Is(err, errStale) {
			return err
		}
	}
	if !idle {
		return nil
	}
	return e.store.write(ctx, func(tx *sql.Tx) error { return e.store.free(ctx, tx) })
}

// works notes that a clip is being worked on here, until over is called.
func (e *Engine) works(hash string) (over func()) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.busy[hash] = true
	return func() {
		e.mu.Lock()
		defer e.mu.Unlock()
		delete(e.busy, hash)
	}
}
