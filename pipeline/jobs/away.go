package jobs

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"tapeline/pipeline"
)

// What a worker does with one clip where there is a depot: nothing of it lies on
// this machine before, nothing is left on it after. See doc.go.

// Reasons that a depot gives.
const (
	NoDepot   = "no_depot"   // it can't be reached
	ShutDepot = "shut_depot" // it can, but nothing can be stored there
	BadDepot  = "bad_depot"  // what it has isn't what was stored
	NoWorker  = "no_worker"  // no machine reads
)

// ErrStale is what Options.Record gives where the ledger has what a later
// worker made, or where Still says no: somebody else has the clip by now, or
// nobody.
var ErrStale = errStale

// Still tells whether a clip is published by its claim still.
type Still = func(context.Context) (bool, error)

// depotTime is how long what must be ended may take with the depot.
const depotTime = 2 * time.Minute

// originalKey is where the depot has what has an ending of a clip's.
func originalKey(hash, ending string) string { return "clips/" + hash + "/clip" + ending }

// depotSlip sorts an error of the depot by what may help.
func (e *Engine) depotSlip(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return &Slip{Reason: Stopped, Again: true}
	case fullHere(err):
		return &Slip{Reason: NoSpace, Blocked: true}
	case isTemporary(err):
		e.unreached(err)
		return &Slip{Reason: cmp.Or(e.far.reason(), NoDepot), Blocked: true}
	}
	return &Slip{Reason: BadDepot, Detail: scrub(err).Error(), Again: true}
}

// makeAway is a try: fetch, read, store, publish.
func (e *Engine) makeAway(ctx, db context.Context, c *Clip) error {
	base := e.staging(c)
	in, out := filepath.Join(base, "in"), filepath.Join(base, "out")
	defer os.RemoveAll(base)
	if err := errors.Join(os.RemoveAll(base), private(in), private(out)); err != nil {
		return &Slip{Reason: NoSpace, Detail: scrub(err).Error(), Blocked: true}
	}
	here, err := e.fetch(ctx, c, in)
	if errors.Is(err, fs.ErrNotExist) { // the office stores it once more, or forgets it
		e.o.Log.Warn("not_in_depot", "clip", c.Short(), "player", c.Player)
		if err := e.store.release(db, c, "", "", true); err != nil {
			return err
		}
		return errors.Join(errStale, e.store.lost(db, c, 0))
	} else if err != nil {
		var s *Slip
		if errors.As(err, &s) {
			s.spoilt = s.Reason == BadDepot
		}
		return err
	}
	e.reached()
	hook("fetched")
	if err := e.asked(c); err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	err = e.reads(ctx, Reading{Clip: here, Out: out}, func(s string, part, whole int) {
		short, end := context.WithTimeout(db, 5*time.Second) // a reading doesn't wait for a store that is away
		defer end()
		if err := e.store.progress(short, c, s, part, whole); errors.Is(err, errStale) {
			cancel(errStale)
		}
	})
	if errors.Is(context.Cause(ctx), errStale) {
		return errStale
	}
	if err != nil {
		return err
	}
	if c.Kind == KindRecording {
		err = e.divideAway(ctx, db, c, here, filepath.Join(out, CutsDir))
	} else {
		err = e.storeAway(ctx, db, c, out)
	}
	if err == nil && e.blocked() != "" {
		e.blocks("", "")
	}
	return err
}

// fetch brings an original and what travels with it into a folder, and gives
// the clip as it lies there; what lies here unchanged is used where it lies.
// fs.ErrNotExist where the depot hasn't it.
func (e *Engine) fetch(ctx context.Context, c *Clip, dir string) (here Clip, err error) {
	here = *c
	if here.Final = ""; c.anew() && c.Stored != "" {
		was := filepath.Join(filepath.Dir(dir), "was")
		if err := private(was); err != nil {
			return here, &Slip{Reason: NoSpace, Detail: scrub(err).Error(), Blocked: true}
		}
		switch err := e.o.Depot.Get(ctx, c.Stored+"/"+pipeline.TrackFile, filepath.Join(was, pipeline.TrackFile)); {
		case err == nil:
			here.Final = was
		case isTemporary(err) || fullHere(err) || ctx.Err() != nil:
			return here, e.depotSlip(ctx, err)
		case !errors.Is(err, fs.ErrNotExist): // without it everything is seen anew
			e.o.Log.Warn("damaged_in_depot", "clip", c.Short(), "err", err)
		}
	}
	if st, err := os.Lstat(c.Original()); err == nil && st.Mode().IsRegular() && st.Size() == c.Size && st.ModTime().Equal(c.Modified) {
		return here, nil
	}
	here.Lies, here.Stem = dir, "clip"
	ends := []string{c.Ext}
	if c.Sidecar {
		ends = append(ends, ".yaml")
	}
	if c.Voice != "" {
		ends = append(ends, c.Voice)
	}
	for i, ext := range ends {
		err := e.o.Depot.Get(ctx, originalKey(c.Hash, ext), filepath.Join(dir, here.Stem+ext))
		switch {
		case errors.Is(err, fs.ErrNotExist) && i == 0:
			return here, fs.ErrNotExist
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return here, e.depotSlip(ctx, err)
		}
	}
	if sum, err := hash(ctx, here.Original()); err != nil {
		return here, e.depotSlip(ctx, err)
	} else if sum != c.Hash {
		return here, &Slip{Reason: BadDepot, Again: true}
	}
	return here, nil
}

// storeAway brings a lesson into the depot and publishes it.
func (e *Engine) storeAway(ctx, db context.Context, c *Clip, out string) error {
	dir, err := made(out, c.Hash)
	if err != nil {
		return &Slip{Reason: NotWhole, Detail: err.Error(), Again: true}
	}
	final, err := e.finalAway(ctx, c)
	if err != nil {
		return err
	}
	next := *c
	next.Staging, next.Final = "", final
	next.Stored = filepath.ToSlash(filepath.Join(LessonsDir, c.Player, filepath.Base(final), strconv.FormatInt(c.Fence, 10)))
	if err := e.o.Depot.PutFolder(ctx, next.Stored, dir); err != nil {
		e.discard(&next)
		return e.depotSlip(ctx, err)
	}
	hook("stored")
	if err := e.store.intend(db, &next); err != nil {
		e.discard(&next)
		return err
	}
	was := c.Stored
	*c = next
	c.State = Publishing
	hook("intended")
	if err := e.publishAway(db, c, dir); err != nil {
		return err
	}
	if was != "" && was != c.Stored {
		e.drop(was)
	}
	return nil
}

// finalAway is the folder of a clip's lesson below the work folder: never that
// of another clip.
func (e *Engine) finalAway(ctx context.Context, c *Clip) (string, error) {
	for _, n := range []int{8, 16} {
		dir := e.store.abs(filepath.Join(LessonsDir, c.Player, c.Day+"-"+c.Hash[:n]))
		if taken, err := e.store.others(ctx, c, dir); err != nil {
			return "", err
		} else if !taken {
			return dir, nil
		}
	}
	return e.store.abs(filepath.Join(LessonsDir, c.Player, c.Day+"-"+c.Hash)), nil
}

// discard removes a lesson that was stored in vain, and nothing else: what the
// row names is somebody's by now. Where the row can't be read it is left for
// the sweep.
func (e *Engine) discard(c *Clip) {
	ctx, cancel := context.WithTimeout(context.Background(), depotTime)
	defer cancel()
	now, ok, err := e.store.Clip(ctx, c.Hash)
	switch {
	case err != nil || ok && now.Stored == c.Stored:
	case !ok: // it was forgotten meanwhile: no version stays
		if err := e.o.Depot.Purge(ctx, c.Stored); err != nil {
			e.o.Log.Warn("not_removed", "clip", c.Short(), "err", err)
		}
	default:
		e.drop(c.Stored)
	}
}

func (e *Engine) drop(key string) {
	ctx, cancel := context.WithTimeout(context.Background(), depotTime)
	defer cancel()
	if err := e.o.Depot.Remove(ctx, key); err != nil {
		e.o.Log.Debug("not_removed", "err", err) // the sweep does it
	}
}

// publishAway makes a lesson that is intended known; dir has its report. An
// error leaves the clip publishing.
func (e *Engine) publishAway(ctx context.Context, c *Clip, dir string) error {
	hook("recording")
	err := e.o.Record(ctx, *c, dir, func(ctx context.Context) (bool, error) { return e.store.publishes(ctx, c) })
	if err == nil {
		hook("recorded")
		err = e.store.published(ctx, c)
	}
	if errors.Is(err, errStale) {
		e.discard(c)
		return err
	} else if err != nil {
		return e.sticks(c, err)
	}
	c.State = Done
	hook("done")
	c.Reason, c.Detail = "", ""
	e.mu.Lock()
	delete(e.stuck, c.Hash)
	e.mu.Unlock()
	e.over(ctx, c, string(Done))
	return nil
}

// publishLeft ends what a worker that is gone, or this one, intended: from what
// the depot has. What isn't whole there is read anew.
func (e *Engine) publishLeft(ctx context.Context, c *Clip) error {
	e.mu.Lock()
	me := e.id
	e.mu.Unlock()
	if c.Worker != me {
		e.mu.Lock()
		delete(e.stuck, c.Hash)
		e.mu.Unlock()
		return errStale
	}
	ctx, cancel := context.WithTimeout(ctx, depotTime)
	defer cancel()
	dir := e.dir(stagingDir, c.Hash[:16]+"-left")
	defer os.RemoveAll(dir)
	if err := errors.Join(os.RemoveAll(dir), private(dir)); err != nil {
		return err
	}
	err := fs.ErrNotExist
	if c.Stored != "" {
		if err = e.o.Depot.Whole(ctx, c.Stored); err == nil {
			err = e.o.Depot.Get(ctx, c.Stored+"/"+pipeline.ReportFile, filepath.Join(dir, pipeline.ReportFile))
		}
	}
	switch {
	case fullHere(err):
		e.crams()
		return err // the next time
	case errors.Is(err, fs.ErrNotExist), err != nil && !isTemporary(err) && ctx.Err() == nil: // not whole, or damaged
		e.mu.Lock()
		delete(e.stuck, c.Hash)
		e.mu.Unlock()
		if err := e.store.release(ctx, c, "", "", true); err != nil {
			return err
		}
		e.tend()
		return errStale
	case err != nil:
		e.unreached(err)
		return err // the next time
	}
	e.reached()
	e.o.Log.Info("clip_finished", "clip", c.Short(), "player", c.Player)
	return e.publishAway(ctx, c, dir)
}

// divideAway makes clips of a recording's cuts: they are put into the depot,
// then one transaction makes them clips. The office fetches those that need
// somebody.
func (e *Engine) divideAway(ctx, db context.Context, c *Clip, here Clip, dir string) error {
	plan, err := planned(dir)
	if err != nil {
		return &Slip{Reason: NotWhole, Detail: err.Error(), Again: true}
	}
	here.Final = dir
	cuts, err := e.cutsOf(ctx, &here, plan)
	if err != nil {
		return err
	}
	for i := range cuts {
		n := &cuts[i]
		for _, ext := range n.endings() {
			path := filepath.Join(n.Lies, n.Stem+ext)
			if !exists(path) {
				continue
			}
			if err := e.o.Depot.Put(ctx, originalKey(n.Hash, ext), path); err != nil {
				return e.depotSlip(ctx, err)
			}
		}
		n.Lies, n.Stocked, n.away = e.store.abs(filepath.Join(takenDir, c.Hash+"-"+CutsDir)), 1, true
	}
	hook("stored")
	if err := e.store.divided(db, e.jobs, c, cuts, e.shownIn(&here, plan)); err != nil {
		if errors.Is(err, errStale) {
			e.discardCuts(c, cuts)
		}
		return err
	}
	c.State = Done
	hook("divided")
	e.over(db, c, Scanned)
	return nil
}

// discardCuts removes cuts of a recording that was forgotten meanwhile; where it
// was not, whoever has it now makes the same ones.
func (e *Engine) discardCuts(c *Clip, cuts []Clip) {
	ctx, cancel := context.WithTimeout(context.Background(), depotTime)
	defer cancel()
	if _, ok, err := e.store.Clip(ctx, c.Hash); err != nil || ok {
		return
	}
	for i := range cuts {
		if _, known, err := e.store.Clip(ctx, cuts[i].Hash); err != nil || known {
			continue
		}
		if err := e.o.Depot.Purge(ctx, "clips/"+cuts[i].Hash); err != nil {
			e.o.Log.Warn("not_removed", "clip", cuts[i].Short(), "err", err)
		}
	}
}

// fetchHome brings an original that was made elsewhere, or lost here, to where
// its row says it lies. Nothing is written over.
func (e *Engine) fetchHome(ctx context.Context, c *Clip) error {
	dir, stem := e.home(c)
	if c.Stocked <= 0 || exists(c.Original()) || exists(filepath.Join(dir, stem+c.Ext)) {
		return nil
	}
	if err := private(c.Lies); err != nil {
		return err
	}
	keys, err := e.o.Depot.Keys(ctx, "clips/"+c.Hash+"/")
	if err != nil {
		return err
	}
	for i, ext := range c.endings() {
		path := filepath.Join(c.Lies, c.Stem+ext)
		if exists(path) || i > 0 && !slices.Contains(keys, originalKey(c.Hash, ext)) {
			continue
		}
		if err := e.o.Depot.Get(ctx, originalKey(c.Hash, ext), path); err != nil {
			return err
		}
		at := c.Modified
		if i > 0 { // as old as the lesson it was made by, see mirror
			if at = time.Unix(0, c.Stocked); c.Stocked == 1 {
				continue
			}
		}
		if err := os.Chtimes(path, at, at); err != nil {
			return err
		}
	}
	return nil
}
