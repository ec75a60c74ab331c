package jobs

import (
	"context"
	"database/sql"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"tapeline/pipeline"
)

// What was done before there was a depot lies in the office's folders alone. The
// office brings it into the depot, one clip at a time, the newest first, beside
// what comes fresh, and goes on where it was cut off: what is stored stands in
// the clip's row, what has the same bytes already isn't sent again. Nothing is
// removed here, as nothing is of what comes fresh.

// Absent in Clip.Stocked: nobody has the original any more.
const Absent = -2

// carrying is what the office knows of that.
type carrying struct {
	ask     chan chan struct{} // a round is wanted, and its end told
	fresh   atomic.Bool        // something that came waits to be stored
	refused map[string]bool    // by hash; could not be stored, for a reason of its own
	told    bool               // that there is something to bring
}

// carryTime is for how long a run that ends goes on bringing it when all else is
// done.
const carryTime = 10 * time.Minute

// carries brings it until ctx ends.
func (e *Engine) carries(ctx context.Context) {
	pause := 10 * e.o.pollQueue
	for {
		var told chan struct{}
		select {
		case <-ctx.Done():
			return
		case told = <-e.carry.ask:
		case <-time.After(pause):
		}
		pause = 10 * e.o.pollQueue
		if e.held() {
			if err := e.carryAll(ctx); err != nil && ctx.Err() == nil {
				pause = e.o.Pause
				e.wrong("carrying_failed", err)
			}
		}
		if told != nil {
			close(told)
		}
	}
}

// carried waits for a round's end, but not for ever.
func (e *Engine) carried(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, carryTime)
	defer cancel()
	told := make(chan struct{})
	select {
	case e.carry.ask <- told:
		select {
		case <-told:
		case <-ctx.Done():
		}
	case <-ctx.Done():
	}
}

// carryAll is a round. Its error is one of the depot or the store.
func (e *Engine) carryAll(ctx context.Context) error {
	all, err := e.store.before(ctx)
	if err != nil {
		return err
	}
	n := 0
	for i := range all {
		c := &all[i]
		if e.carry.refused[c.Hash] {
			continue
		}
		for e.carry.fresh.Load() && ctx.Err() == nil {
			time.Sleep(e.o.pollQueue)
		}
		if ctx.Err() != nil || !e.held() {
			return nil
		}
		if !e.carry.told {
			e.o.Log.Info("carrying", "clips", len(all))
			e.carry.told = true
		}
		err := e.carryOne(ctx, c)
		var f *pipeline.Error
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, errStale): // it is made anew, or forgotten
		case isTemporary(err), errors.As(err, &f):
			return err
		case err != nil:
			e.carry.refused[c.Hash] = true
			e.o.Log.Error("not_carried", "clip", c.Short(), "player", c.Player, "err", scrub(err))
		default:
			n++
			e.reached()
		}
	}
	if n > 0 {
		e.o.Log.Info("carried", "clips", n, "not", len(e.carry.refused))
		e.carry.told = false
	}
	return nil
}

func (e *Engine) carryOne(ctx context.Context, c *Clip) error {
	now, ok, err := e.store.Clip(ctx, c.Hash)
	if err != nil {
		return err
	}
	if !ok || now.State != Done || now.Stocked != 0 {
		return errStale
	}
	*c = now
	at, err := e.storeOld(ctx, c)
	if err != nil {
		return err
	}
	hook("lesson carried")
	if exists(c.Original()) {
		err = e.storeOriginal(ctx, c)
	} else {
		e.o.Log.Warn("no_original", "clip", c.Short(), "player", c.Player)
		at = time.Unix(0, Absent)
	}
	if err != nil {
		return err
	}
	hook("carried")
	if err := e.store.carried(ctx, c, at); !errors.Is(err, errStale) {
		return err
	}
	if _, ok, err := e.store.Clip(ctx, c.Hash); err != nil || ok {
		return errors.Join(errStale, err)
	}
	// It was kept long enough meanwhile, or forgotten.
	for _, key := range []string{"clips/" + c.Hash, c.Stored} {
		if key == "" {
			continue
		}
		if err := e.o.Depot.Purge(ctx, key); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return errStale
}

// storeOld stores the lesson of a clip that the depot hasn't, if it is here, and
// names its key in c. at is the time from which notes are newer than it.
func (e *Engine) storeOld(ctx context.Context, c *Clip) (at time.Time, err error) {
	at = time.Now()
	if c.Kind == KindRecording || c.Final == "" || c.Stored != "" {
		return at, nil
	}
	if whole(c.Final, c.Hash) != nil {
		return at, nil
	}
	key := filepath.ToSlash(e.store.rel(c.Final))
	if !strings.HasPrefix(key, LessonsDir+"/") || strings.Count(key, "/") != 2 {
		return at, errors.New("its lesson lies in no folder of this program's")
	}
	key += "/" + strconv.FormatInt(c.Fence, 10)
	// Only what makes a lesson: beside it lies what was made of it.
	dir := e.dir(stagingDir, c.Hash[:16]+"-before")
	defer os.RemoveAll(dir)
	if err := errors.Join(os.RemoveAll(dir), private(dir)); err != nil {
		return at, err
	}
	for _, n := range pipeline.Outputs {
		if err := link(filepath.Join(c.Final, n), filepath.Join(dir, n)); err != nil {
			return at, err
		}
	}
	if err := e.o.Depot.PutFolder(ctx, key, dir); err != nil {
		return at, err
	}
	// So that it isn't fetched to where it is, see mirrored.
	if err := os.WriteFile(filepath.Join(c.Final, keyFile), []byte(key), 0o600); err != nil {
		return at, err
	}
	made, err := os.Stat(filepath.Join(c.Final, pipeline.TrackFile))
	if err != nil {
		return at, err
	}
	notes, err := os.Stat(filepath.Join(c.Lies, c.Stem+HistoryEnding))
	if err == nil && notes.ModTime().After(made.ModTime()) {
		at = time.Unix(0, 1) // it is outdated, and must be so at the next office, too
	}
	c.Stored = key
	return at, nil
}

// link gives a file one more name, or a copy where the disk has no such.
func link(from, to string) error {
	if os.Link(from, to) == nil {
		return nil
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// before are the clips that were done before there was a depot, and whose files
// are here.
func (s *Store) before(ctx context.Context) ([]Clip, error) {
	return s.list(ctx, `WHERE state = 'done' AND stocked = 0 AND home = fence AND NOT (parent <> '' AND reason = $1) ORDER BY day DESC, added DESC, hash`, NoSwingHere)
}

// carried notes that the depot has what was done before it was there.
func (s *Store) carried(ctx context.Context, c *Clip, at time.Time) error {
	return s.update(ctx, `UPDATE clips SET stocked = $3, stored = $4 WHERE hash = $1 AND fence = $2 AND state = 'done' AND stocked = 0`, c.Hash, c.Fence, at.UnixNano(), c.Stored)
}

// Unstored counts the clips at rest whose files lie at the office alone.
func (s *Store) Unstored(ctx context.Context) (n int, err error) {
	err = s.read(ctx, func() error {
		if err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM clips WHERE state IN ('done', 'failed', 'unplaced') AND stocked = 0 AND reason NOT IN ($1, $2, $3, $4)`,
			NoSwingHere, TakenBack, Alone, Late).Scan(&n); err != nil {
			return storeFault(s.where, "can't be read", err)
		}
		return nil
	})
	return n, err
}

// relates has store and ledger say of what lies below the office's work folder
// where it lies there: what was there before there was a depot has whole paths.
func (e *Engine) relates(ctx context.Context) error {
	if err := e.store.relates(ctx); err != nil || e.o.Relate == nil {
		return err
	}
	return e.o.Relate(ctx)
}

// relates is the store's. An original that was missing is looked for once more.
func (s *Store) relates(ctx context.Context) error {
	type place struct{ hash, lies, staging, final string }
	var all []place
	err := s.read(ctx, func() error {
		all = nil
		rows, err := s.db.QueryContext(ctx, `SELECT hash, lies, staging, final FROM clips`)
		if err != nil {
			return storeFault(s.where, "can't be read", err)
		}
		defer rows.Close()
		for rows.Next() {
			var p place
			if err := rows.Scan(&p.hash, &p.lies, &p.staging, &p.final); err != nil {
				return storeFault(s.where, "can't be read", err)
			}
			changed := false
			for _, at := range []*string{&p.lies, &p.staging, &p.final} {
				if path, err := unquoted(*at); err == nil && s.rel(path) != path {
					*at, changed = quoted(s.rel(path)), true
				}
			}
			if changed {
				all = append(all, p)
			}
		}
		return rows.Err()
	})
	if err != nil {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		for _, p := range all {
			if _, err := tx.ExecContext(ctx, `UPDATE clips SET lies = $2, staging = $3, final = $4 WHERE hash = $1`, p.hash, p.lies, p.staging, p.final); err != nil {
				return storeFault(s.where, "can't be written", err)
			}
		}
		if _, err := tx.ExecContext(ctx, `UPDATE clips SET stocked = 0 WHERE stocked = $1`, Absent); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return nil
	})
}
