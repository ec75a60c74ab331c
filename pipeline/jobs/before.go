package jobs

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
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
	bare    sync.Map           // by hash; told that its lesson isn't here
}

// carryTime is for how long a run that ends goes on bringing it when all else is
// done.
const carryTime = 10 * time.Minute

// carries brings it until ctx ends. Where there is nothing more to bring it is
// looked for ever more seldom: what an office of before comes back with may be
// some.
func (e *Engine) carries(ctx context.Context) {
	least := 10 * e.o.pollQueue
	pause := least
	for {
		var told chan struct{}
		select {
		case <-ctx.Done():
			return
		case told = <-e.carry.ask:
		case <-time.After(pause):
		}
		if !e.held() {
			pause = least
		} else if some, err := e.carryAll(ctx); err != nil && ctx.Err() == nil {
			if pause = e.o.Pause; fullHere(err) {
				e.crams()
			} else {
				e.wrong("carrying_failed", err)
			}
		} else if pause = min(2*pause, max(least, time.Hour)); some {
			pause = least
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

// carryAll is a round; some tells that there was something to bring. Its error is
// one of the depot or the store.
func (e *Engine) carryAll(ctx context.Context) (some bool, err error) {
	if e.far.later(time.Now()) || e.full() {
		return true, nil // the next time
	}
	all, err := e.store.before(ctx)
	if err != nil {
		return false, err
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
		if some = true; ctx.Err() != nil || !e.held() {
			return some, nil
		}
		if !e.carry.told {
			e.o.Log.Info("carrying", "clips", len(all))
			e.carry.told = true
		}
		stored, err := e.carryOne(ctx, c)
		var f *pipeline.Error
		switch {
		case ctx.Err() != nil:
			return some, nil
		case errors.Is(err, errStale): // it is made anew, or forgotten
		case isTemporary(err), fullHere(err), errors.As(err, &f):
			return some, err
		case errors.Is(err, errNotWhole):
			e.carry.refused[c.Hash] = true
			e.o.Log.Warn("lesson_not_carried", "clip", c.Short(), "player", c.Player, "err", scrub(err))
		case err != nil:
			e.carry.refused[c.Hash] = true
			e.o.Log.Error("not_carried", "clip", c.Short(), "player", c.Player, "err", scrub(err))
		case stored:
			n++
		}
	}
	if n > 0 {
		e.o.Log.Info("carried", "clips", n, "not", len(e.carry.refused))
		e.carry.told = false
	}
	return some, nil
}

// carryOne gives stored where the depot was given anything.
func (e *Engine) carryOne(ctx context.Context, c *Clip) (stored bool, err error) {
	now, ok, err := e.store.Clip(ctx, c.Hash)
	if err != nil {
		return false, err
	}
	if !ok || now.State != Done || now.Stocked != 0 {
		return false, errStale
	}
	*c = now
	defer func() {
		if err != nil {
			err = e.inVain(c, err)
		}
	}()
	at, err := e.storeOld(ctx, c)
	if err != nil {
		return false, err
	}
	hook("lesson carried")
	stored = c.Stored != now.Stored
	if exists(c.Original()) {
		err, stored = e.storeOriginal(ctx, c), true
	} else {
		e.o.Log.Warn("no_original", "clip", c.Short(), "player", c.Player)
		at = time.Unix(0, Absent)
	}
	if err != nil {
		return stored, err
	}
	hook("carried")
	return stored, e.store.carried(ctx, c, at)
}

// inVain is called with what went wrong where something of a clip that lies here
// was stored already. Where the clip has no row by now, as it was forgotten or
// kept long enough, no version of that stays: nobody would know of it. One whose
// row isn't what it was is errStale, too.
func (e *Engine) inVain(c *Clip, err error) error {
	// What stored it has waited for the database already.
	short, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	now, ok, unread := e.store.Clip(short, c.Hash)
	switch {
	case unread != nil:
		return err
	case ok && now.State == c.State && now.Fence == c.Fence && now.Lies == c.Lies:
		return err
	case ok:
		return errors.Join(errStale, err)
	}
	ctx, stop := context.WithTimeout(context.Background(), depotTime)
	defer stop()
	for _, key := range []string{"clips/" + c.Hash, c.Stored} {
		if key == "" {
			continue
		}
		if err := e.o.Depot.Purge(ctx, key); err != nil && !errors.Is(err, fs.ErrNotExist) {
			e.o.Log.Warn("not_removed", "clip", c.Short(), "err", err)
		}
	}
	return errStale
}

// errNotWhole: what lies in a lesson's folder can't be stored as a lesson.
var errNotWhole = errors.New("its lesson is damaged")

// storeOld stores the lesson of a clip that the depot hasn't, if it is here, and
// names its key in c. at is the time from which notes are newer than it. Of one
// that isn't whole nothing is stored: errNotWhole.
func (e *Engine) storeOld(ctx context.Context, c *Clip) (at time.Time, err error) {
	at = time.Now()
	if c.Kind == KindRecording || c.Final == "" || c.Stored != "" {
		return at, nil
	}
	if _, err := os.Lstat(c.Final); errors.Is(err, fs.ErrNotExist) {
		if _, told := e.carry.bare.LoadOrStore(c.Hash, true); !told { // it is tried again and again in an outage
			e.o.Log.Warn("no_lesson", "clip", c.Short(), "player", c.Player)
		}
		return at, nil
	}
	if err := whole(c.Final, c.Hash); err != nil {
		return at, fmt.Errorf("%w: %w", errNotWhole, scrub(err))
	}
	key := filepath.ToSlash(e.store.rel(c.Final))
	if !strings.HasPrefix(key, LessonsDir+"/") || strings.Count(key, "/") != 2 {
		return at, errors.New("its lesson lies in no folder of this program's")
	}
	key += "/" + strconv.FormatInt(c.Fence, 10)
	// Only what makes a lesson: beside it lies what was made of it.
	// In a folder of its own: the clip may be put right meanwhile, and come here
	// from stock as well.
	dir, err := os.MkdirTemp(e.dir(stagingDir), c.Hash[:16]+"-before-*")
	if err != nil {
		return at, err
	}
	defer os.RemoveAll(dir)
	for _, n := range pipeline.Outputs {
		if err := link(filepath.Join(c.Final, n), filepath.Join(dir, n)); err != nil {
			return at, err
		}
	}
	if err := e.o.Depot.PutFolder(ctx, key, dir); err != nil {
		return at, err
	}
	if err := whole(dir, c.Hash); err != nil { // it was removed meanwhile, see wipe
		return at, fmt.Errorf("%w: %w", errNotWhole, scrub(err))
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

// Unstored counts the clips at rest whose files the depot hasn't; elsewhere are
// those of them that lie at an office of before.
func (s *Store) Unstored(ctx context.Context) (n, elsewhere int, err error) {
	err = s.read(ctx, func() error {
		if err := s.db.QueryRowContext(ctx, `SELECT count(*), coalesce(sum(CASE WHEN home = $5 THEN 1 ELSE 0 END), 0) FROM clips
			WHERE state IN ('done', 'failed', 'unplaced') AND stocked = 0 AND NOT (parent <> '' AND reason = $1) AND reason NOT IN ($2, $3, $4)`,
			NoSwingHere, TakenBack, Alone, Late, moved).Scan(&n, &elsewhere); err != nil {
			return storeFault(s.where, "can't be read", err)
		}
		return nil
	})
	return n, elsewhere, err
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
	type place struct{ hash, lies, staging, final, wasLies, wasStaging, wasFinal string }
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
			p.wasLies, p.wasStaging, p.wasFinal = p.lies, p.staging, p.final
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
			if _, err := tx.ExecContext(ctx, `UPDATE clips SET lies = $2, staging = $3, final = $4 WHERE hash = $1 AND lies = $5 AND staging = $6 AND final = $7`,
				p.hash, p.lies, p.staging, p.final, p.wasLies, p.wasStaging, p.wasFinal); err != nil {
				return storeFault(s.where, "can't be written", err)
			}
		}
		if _, err := tx.ExecContext(ctx, `UPDATE clips SET stocked = 0 WHERE stocked = $1`, Absent); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return nil
	})
}
