package jobs

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
)

// recover ends or undoes what a program that died left half-way.
func (e *Engine) recover(ctx context.Context) error {
	if err := e.store.reclaim(ctx); err != nil {
		return err
	}
	broke := brokeDown(e.o.Work)
	if broke {
		e.o.Log.Error("broke_down", "when", "last time")
	}
	if err := e.store.looked(ctx, broke); err != nil {
		return err
	}
	all, err := e.store.Clips(ctx, "")
	if err != nil {
		return err
	}
	keep := map[string]bool{}
	for i := range all {
		c := &all[i]
		switch c.State {
		case Publishing:
			if err := e.store.seize(ctx, c, ""); err != nil {
				return err
			}
			if c.whole(c.Final) == nil || c.whole(c.Staging) == nil {
				e.o.Log.Info("clip_finished", "clip", c.Short(), "player", c.Player)
				if err := e.publish(ctx, c); err != nil { // the disk is full, say: another start
					keep[filepath.Dir(c.Staging)] = true
				}
				continue
			}
			if err := e.store.release(ctx, c, "", "", true); err != nil {
				return err
			}
		case Running:
			if broke {
				if ended, err := e.tooDeadly(ctx, c); err != nil {
					return err
				} else if ended {
					continue
				}
			}
			if err := e.store.release(ctx, c, "", "", true); err != nil {
				return err
			}
		case Done, Failed, Unplaced:
			if c.State == Done && c.Kind == KindRecording {
				e.tidy(ctx, c)
			}
			if err := e.settle(ctx, c); err != nil && !errors.Is(err, errGone) {
				e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
			}
		}
	}
	e.sweep(keep)
	if err := errors.Join(e.prune(ctx), e.consented(ctx), e.revisit(ctx, "")); err != nil {
		return err
	}
	return e.store.ensure(ctx, e.jobs)
}

// prune forgets clips that their owner took out of the folder in which they
// lay for him.
func (e *Engine) prune(ctx context.Context) error {
	if err := e.store.dropCards(ctx, e.o.Now().Add(-cardsStay)); err != nil {
		return err
	}
	e.moving.Lock()
	defer e.moving.Unlock()
	for _, state := range []State{Failed, Unplaced, Held} {
		clips, err := e.store.Clips(ctx, state)
		if err != nil {
			return err
		}
		for i := range clips {
			c := &clips[i]
			if exists(c.Original()) {
				continue
			}
			if e.o.Depot != nil {
				if home, err := e.store.isHome(ctx, c); err != nil {
					return err
				} else if !home {
					continue // it was not fetched yet
				}
			}
			if dir, stem := e.home(c); exists(filepath.Join(dir, stem+c.Ext)) {
				continue // a move was cut off
			}
			if c.Reason == TakenBack {
				continue
			}
			e.o.Log.Info("taken_back", "clip", c.Short(), "player", c.Player)
			if c.Parent != "" { // it may come again, and is a cut then too
				gone := *c
				gone.State, gone.Reason, gone.Detail = Unplaced, TakenBack, ""
				if err := e.store.write(ctx, func(tx *sql.Tx) error { return e.store.put(ctx, tx, &gone) }); err != nil {
					return err
				}
				_ = os.Remove(why(c))
				continue
			}
			if e.o.Depot != nil { // of what has no row nobody would know
				if err := e.o.Depot.Purge(ctx, "clips/"+c.Hash); err != nil {
					e.o.Log.Warn("not_removed", "clip", c.Short(), "err", err)
					return nil // the next time
				}
			}
			if err := e.store.forget(ctx, c); err != nil && !errors.Is(err, errStale) {
				return err
			}
			if e.o.Depot != nil && c.Stocked <= 0 { // it may just have been stored
				_ = e.inVain(c, nil)
			}
			_ = os.Remove(why(c))
		}
	}
	return nil
}

// sweep removes what claims that are over left behind, and copies that were
// cut off.
func (e *Engine) sweep(keep map[string]bool) {
	entries, _ := os.ReadDir(e.dir(stagingDir))
	for _, d := range entries {
		if p := e.dir(stagingDir, d.Name()); !keep[p] {
			_ = os.RemoveAll(p)
		}
	}
	taken, _ := matching(e.dir(takenDir), "*")
	for _, p := range taken {
		_ = os.Remove(p) // only if it is empty
	}
	archived, _ := matching(e.dir(ArchiveDir), "*")
	for _, d := range slices.Concat(taken, archived, []string{e.dir(UnplacedDir), e.dir(FailedDir)}) {
		for _, half := range []string{draft, fetching} {
			cut, _ := matching(d, half+"*")
			for _, p := range cut {
				_ = os.Remove(p)
			}
		}
	}
}
