package jobs

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
	"tapeline/pipeline/internal/postgres"
)

// work reads one clip and publishes its lesson.
func (e *Engine) work(ctx context.Context, id string, job *rivertype.JobRow, hash string) error {
	db := context.WithoutCancel(ctx) // what is begun in the store is ended
	over := sync.OnceFunc(e.works(hash))
	defer over()
	if e.stops() || e.far.later(time.Now()) {
		if e.o.Depot != nil {
			over()
			return e.rests(ctx, job, hash)
		}
		return river.JobSnooze(e.o.Pause)
	}
	if e.o.Depot != nil {
		if one, all := e.leaves(db, id, hash); all {
			over()
			return e.rests(ctx, job, hash)
		} else if one {
			return river.JobSnooze(min(5*time.Second, e.o.Pause))
		}
	}
	c, err := e.store.claim(db, hash, id)
	if errors.Is(err, errStale) {
		return nil // it is done, or somebody else has it
	}
	if err != nil {
		return err
	}
	anew := c.anew()
	hook("claimed")
	make := e.make
	if e.o.Depot != nil {
		make = e.makeAway
	}
	err = calmly(func() error { return make(ctx, db, &c) })
	_ = e.store.lives(db, hash) // at worst one is counted too much
	if err == nil {
		e.unbroken()
		return nil
	}
	var s *Slip
	if !errors.As(err, &s) {
		if e.store.Shared() && postgres.Lost(err) { // longer than one waits for it: no fault of the clip's
			_ = e.store.release(db, &c, "", "", true)
			return river.JobSnooze(0)
		}
		s = &Slip{Reason: Mistake, Detail: err.Error(), Again: true}
		if e.full() { // the store could not be written
			s = &Slip{Reason: NoSpace, Blocked: true}
		}
	}
	switch {
	case errors.Is(err, errStale):
		return nil
	case s.Reason == Stopped && ctx.Err() != nil:
		_ = e.store.release(db, &c, "", "", true)
		return river.JobSnooze(0)
	case s.Reason == Changed:
		_ = e.store.release(db, &c, "", "", true)
		return river.JobSnooze(e.o.Settle)
	case s.Blocked:
		e.blocks(s.Reason, s.Detail)
		if err := e.store.release(db, &c, s.Reason, s.Detail, true); err != nil {
			return err
		}
		if e.o.Depot != nil {
			over()
			return e.rests(ctx, job, hash)
		}
		return river.JobSnooze(e.o.Pause)
	}
	switch {
	case slices.Contains([]string{Unread, NoBatter, NoSwing, BadNotes}, s.Reason):
		e.unbroken() // it was looked at to its end
	case e.o.Depot != nil && brokeOff(s.Reason):
		if e.doubts.broke(hash, e.o.Pause) {
			e.o.Log.Warn("worker_doubtful", "reason", BreaksOff, "last", s.Reason)
		}
	}
	switch {
	case s.Again && c.Tries < e.o.Tries:
		if err := e.store.release(db, &c, s.Reason, s.Detail, false); err != nil {
			return err
		}
		if s.spoilt {
			if err := e.store.lost(db, &c, Spoilt); err != nil && !errors.Is(err, errStale) {
				return err
			}
		}
		e.o.Log.Warn("clip_again", "clip", c.Short(), "player", c.Player, "reason", s.Reason, "try", c.Tries)
		return s
	}
	if (s.Reason == NoBatter || s.Reason == NoSwing) && !anew {
		if c.Parent != "" {
			return e.noSwing(db, &c)
		}
		if card, err := e.store.shows(db, c.Hash); err != nil {
			return err
		} else if card {
			return e.onlyCard(db, &c)
		}
	}
	if anew {
		return e.keepOld(db, &c, s)
	}
	c.State, c.Reason, c.Detail = Failed, s.Reason, s.Detail
	if err := e.store.fail(db, &c); err != nil {
		return err
	}
	hook("failed")
	e.over(db, &c, string(Failed))
	return river.JobCancel(s)
}

// onlyCard ends a clip that was filmed to show a card.
func (e *Engine) onlyCard(ctx context.Context, c *Clip) error {
	c.State, c.Reason, c.Detail = Done, OnlyCard, c.Player
	if err := e.store.quiet(ctx, c); err != nil {
		return err
	}
	hook("carded")
	e.over(ctx, c, Card)
	return nil
}

// make is a try: read, check, publish, archive.
func (e *Engine) make(ctx, db context.Context, c *Clip) error {
	if err := e.settle(ctx, c); errors.Is(err, errGone) || errors.Is(err, fs.ErrNotExist) {
		e.o.Log.Warn("clip_gone", "clip", c.Short(), "player", c.Player)
		_ = e.store.forget(db, c)
		return errStale
	} else if err != nil {
		return &Slip{Reason: NotMoved, Detail: scrub(err).Error(), Again: true}
	}
	hook("taken")
	if other, err := e.changed(ctx, c); err != nil {
		return err
	} else if other {
		return errStale
	}
	if err := e.asked(c); err != nil {
		return err
	}

	out := e.staging(c)
	if err := errors.Join(os.RemoveAll(out), private(out)); err != nil {
		return &Slip{Reason: NoSpace, Detail: scrub(err).Error(), Blocked: true}
	}
	defer func() {
		if c.State != Publishing {
			_ = os.RemoveAll(out)
		}
	}()
	if err := e.reads(ctx, Reading{Clip: *c, Out: out}, func(s string, part, whole int) { _ = e.store.progress(db, c, s, part, whole) }); err != nil {
		return err
	}
	var err error
	if e.blocked() != "" {
		e.blocks("", "")
	}
	if c.Kind == KindRecording {
		c.Staging, c.Final = filepath.Join(out, CutsDir), e.cutsDir(c)
		err = c.whole(c.Staging)
	} else {
		was := c.Final
		c.Staging, err = made(out, c.Hash)
		c.Final = e.final(c)
		if err == nil {
			err = mark(c, was)
		}
	}
	if err != nil {
		return &Slip{Reason: NotWhole, Detail: err.Error(), Again: true}
	}
	if err := e.store.intend(db, c); err != nil {
		return err
	}
	c.State = Publishing
	hook("intended")
	return e.publish(db, c)
}

// asked asks once more: consent may have been withdrawn while a clip waited.
func (e *Engine) asked(c *Clip) error {
	filmed, err := time.Parse(time.DateOnly, c.Day)
	if (c.Kind != KindRecording || c.Player != "") && (err != nil || !e.o.Roster.Film(c.Player, filmed) || !e.o.Roster.Film(c.Player, day(e.o.Now().In(e.o.Zone)))) {
		return &Slip{Reason: inbox.NoConsent, Detail: c.Player}
	}
	e.o.Log.Info("clip_running", "clip", c.Short(), "player", c.Player, "try", c.Tries)
	return nil
}

// reads reads a clip, or scans a recording; tell is told of its progress, not
// too often.
func (e *Engine) reads(ctx context.Context, r Reading, tell pipeline.Progress) error {
	var told time.Time
	step := ""
	do := e.o.Read
	if r.Limits = e.o.Limits; r.Clip.Kind == KindRecording {
		do, r.Limits = e.o.Scan, e.o.limits(r.Clip.Length)
	}
	r.Tell = func(s string, part, whole int) {
		if now := time.Now(); s != step || now.Sub(told) > time.Second {
			step, told = s, now
			tell(s, part, whole)
		}
	}
	if err := do(ctx, r); err != nil {
		if e.full() { // whatever the reading made of it
			return &Slip{Reason: NoSpace, Blocked: true}
		}
		return err
	}
	hook("read")
	return nil
}

// over ends what was made of a clip: its original goes where it belongs. Where
// there is a depot the office does that, and tells of it, see bring.
func (e *Engine) over(ctx context.Context, c *Clip, state string) {
	if e.o.Depot != nil {
		e.o.Log.Info("clip_over", "clip", c.Short(), "player", c.Player, "state", state, "reason", c.Reason)
		return
	}
	if err := e.settle(ctx, c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	e.came(c, state)
}

// whole is nil where a folder holds everything that is made of a clip, or of a
// recording.
func (c *Clip) whole(dir string) error {
	if c.Kind == KindRecording {
		_, err := planned(dir)
		return err
	}
	return whole(dir, c.Hash)
}

// publish makes a lesson, or a recording's cuts, that are intended appear. Everything in it can be done
// again. An error leaves the clip publishing, for finish.
func (e *Engine) publish(ctx context.Context, c *Clip) error {
	stuck := func(err error) error { return e.sticks(c, err) }
	if !inPlace(c) {
		if err := os.MkdirAll(filepath.Dir(c.Final), 0o777); err != nil {
			return stuck(err)
		}
		if c.Kind == KindRecording { // no cut has a row yet: what lies there was left half-way
			if err := os.RemoveAll(c.Final); err != nil {
				return stuck(err)
			}
		}
		if err := put(c); err != nil {
			return stuck(err)
		}
		if err := syncDir(filepath.Dir(c.Final)); err != nil {
			return stuck(err)
		}
	}
	hook("renamed")
	if c.Kind == KindRecording {
		staging := c.Staging
		if err := e.divide(ctx, c); err != nil {
			return stuck(err)
		}
		e.unstuck(c, staging)
		return nil
	}
	if err := e.o.Record(ctx, *c, c.Final, nil); err != nil {
		return stuck(err)
	}
	hook("recorded")
	settled(c)
	if err := e.store.published(ctx, c); err != nil {
		return stuck(err)
	}
	c.State = Done
	hook("done")
	if err := e.settle(ctx, c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	hook("archived")
	e.unstuck(c, c.Staging)
	c.Reason, c.Detail = "", ""
	e.came(c, string(Done))
	return nil
}

// sticks notes that a clip was published only in part.
func (e *Engine) sticks(c *Clip, err error) error {
	if e.o.Depot != nil && e.store.Shared() && postgres.Lost(err) { // told as an outage
		e.o.Log.Debug("not_published", "clip", c.Short(), "player", c.Player, "err", scrub(err))
	} else {
		e.o.Log.Error("not_published", "clip", c.Short(), "player", c.Player, "err", scrub(err))
	}
	e.mu.Lock()
	e.stuck[c.Hash] = true
	e.mu.Unlock()
	e.blocks(NoRecord, "")
	return errStale
}

// unstuck tidies up behind what has been published.
func (e *Engine) unstuck(c *Clip, staging string) {
	e.mu.Lock()
	delete(e.stuck, c.Hash)
	e.mu.Unlock()
	if staging != "" {
		_ = os.RemoveAll(filepath.Dir(staging))
	}
}

// finish tries again to publish what could not be.
func (e *Engine) finish(ctx context.Context) {
	e.mu.Lock()
	hashes := slices.Collect(maps.Keys(e.stuck))
	e.mu.Unlock()
	for _, h := range hashes {
		c, ok, err := e.store.Clip(ctx, h)
		if err != nil {
			continue
		}
		if !ok || c.State != Publishing { // somebody else has ended it
			e.mu.Lock()
			delete(e.stuck, h)
			e.mu.Unlock()
			continue
		}
		publish := e.publish
		if e.o.Depot != nil {
			publish = e.publishLeft
		}
		if publish(ctx, &c) == nil && (e.blocked() == NoRecord || e.blocked() == NoDepot) {
			e.blocks("", "")
		}
	}
}

// staging is the folder of one claim.
func (e *Engine) staging(c *Clip) string {
	return e.dir(stagingDir, c.Hash[:16]+"-"+strconv.Itoa(int(c.Fence)))
}

// final is the folder of a clip's lesson: never that of another clip.
func (e *Engine) final(c *Clip) string {
	for _, n := range []int{8, 16} {
		dir := e.dir(LessonsDir, c.Player, c.Day+"-"+c.Hash[:n])
		if _, err := os.Lstat(dir); err != nil || whole(dir, c.Hash) == nil {
			return dir
		}
	}
	return e.dir(LessonsDir, c.Player, c.Day+"-"+c.Hash)
}

// changed finds a clip that its writer wrote to after it was taken. While that
// goes on it waits; then it is the clip that it has become.
func (e *Engine) changed(ctx context.Context, c *Clip) (bool, error) {
	st, err := os.Lstat(c.Original())
	if err != nil {
		return false, &Slip{Reason: NotMoved, Detail: scrub(err).Error(), Again: true}
	}
	if st.Size() == c.Size && st.ModTime().Equal(c.Modified) {
		return false, nil
	}
	if time.Since(st.ModTime()) < e.o.Settle {
		return false, &Slip{Reason: Changed, Again: true}
	}
	sum, err := hash(ctx, c.Original())
	if err != nil || sum == c.Hash {
		return false, err
	}
	e.taking.Lock()
	defer e.taking.Unlock()
	e.o.Log.Warn("clip_changed", "clip", c.Short(), "player", c.Player, "now", sum[:8])
	now := *c
	now.Hash, now.Size, now.Modified, now.State, now.Tries, now.Fence = sum, st.Size(), st.ModTime(), Waiting, 0, 0
	if long, err := e.isLong(ctx, c.Original()); err != nil {
		return false, err
	} else if now.Kind, now.Length = KindClip, long.Milliseconds(); long > 0 {
		now.Kind = KindRecording
	}
	first, known, err := e.store.Clip(ctx, sum)
	if err != nil {
		return false, err
	}
	if known { // what it has become is here already
		err = e.another(ctx, &first, &now)
	} else {
		err = e.store.write(ctx, func(tx *sql.Tx) error {
			return errors.Join(e.store.put(ctx, tx, &now), e.store.enqueue(ctx, tx, e.jobs, &now))
		})
	}
	if err != nil {
		return false, err
	}
	return true, e.store.forget(ctx, c)
}

// made is the one folder in out that holds a whole lesson of the clip.
func made(out, hash string) (string, error) {
	entries, err := os.ReadDir(out)
	if err != nil {
		return "", err
	}
	if len(entries) != 1 || !entries[0].IsDir() {
		return "", errors.New("there is no lesson")
	}
	dir := filepath.Join(out, entries[0].Name())
	return dir, whole(dir, hash)
}

// whole is nil where a folder holds every file of the clip's lesson.
func whole(dir, hash string) error {
	for _, n := range pipeline.Outputs {
		st, err := os.Lstat(filepath.Join(dir, n))
		if err != nil || !st.Mode().IsRegular() || st.Size() == 0 {
			return errors.New(n + " is missing")
		}
	}
	b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
	if err != nil {
		return err
	}
	var rep struct {
		Clip struct{ ID string }
	}
	if err := json.Unmarshal(b, &rep); err != nil {
		return err
	}
	if rep.Clip.ID != hash {
		return errors.New("it is the lesson of another clip")
	}
	return nil
}
