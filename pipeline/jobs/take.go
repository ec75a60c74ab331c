package jobs

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tapeline/pipeline/inbox"
)

// Take accepts one arrival: a clip that can be placed waits from then on.
func (e *Engine) Take(ctx context.Context, a inbox.Arrival) error {
	e.taking.Lock()
	defer e.taking.Unlock()
	if e.stops() || !e.held() {
		return errBlocked
	}
	take := e.take
	if a.Alone {
		take = e.alone
	}
	err := take(ctx, a)
	if err == nil {
		err = e.joined(ctx, a)
	}
	if err != nil && ctx.Err() == nil && !errors.Is(err, inbox.ErrLater) {
		e.o.Log.Error("not_taken", "clip", a.Hash[:8], "err", scrub(err))
	}
	return err
}

// errBlocked leaves an arrival in the inbox.
var errBlocked = errors.New("no clip can be taken now")

// stops tells whether no clip may be taken or read now.
func (e *Engine) stops() bool {
	if e.full() {
		e.blocks(NoSpace, "")
		return true
	}
	if e.o.Ready != nil {
		if err := e.o.Ready(); err != nil {
			e.blocks(NoRoster, err.Error())
			return true
		}
	}
	if b := e.blocked(); b == NoSpace && !e.cramped() || b == NoRoster {
		e.blocks("", "")
	}
	return false
}

func (e *Engine) take(ctx context.Context, a inbox.Arrival) error {
	base := filepath.Base(a.Rel)
	ext := filepath.Ext(base)
	if ext == base { // ".mov" is hidden and never comes here
		ext = ""
	}
	c := Clip{Hash: a.Hash, Lies: filepath.Dir(a.Path()), Stem: strings.TrimSuffix(base, ext), Ext: ext, Sidecar: a.Sidecar, Voice: a.Voice,
		Came: a.Path(), Size: a.Size, Modified: a.ModTime}

	old, known, err := e.store.Clip(ctx, a.Hash)
	if err != nil {
		return err
	}
	if known {
		c.Copies, c.Kind, c.Parent, c.From, c.Length = old.Copies, old.Kind, old.Parent, old.From, old.Length
		switch old.State {
		case Waiting, Running, Publishing, Done:
			if old.Original() == c.Original() { // it was cut off before it was moved
				return e.picked(ctx, &old, a)
			}
			return e.another(ctx, &old, &c)
		case Failed, Unplaced:
			if old.Original() != c.Original() && exists(old.Original()) {
				// Tried again with what lies in the inbox now.
				if err := e.another(ctx, &c, &old); err != nil {
					return err
				}
				_ = os.Remove(why(&old))
			}
		}
	}
	if err := e.place(ctx, &c, a); err != nil {
		return err
	}
	if known && old.State == Held && c.State == Held && old.Original() == c.Original() && old.Reason == c.Reason {
		return nil
	}
	if c.shown != nil && c.Kind == KindClip {
		if err := e.contradicts(ctx, &c); err != nil {
			return err
		}
	}
	if err := e.store.write(ctx, func(tx *sql.Tx) error {
		if c.shown != nil {
			if err := e.store.show(ctx, tx, c.Hash, c.shown); err != nil {
				return err
			}
		}
		return e.store.put(ctx, tx, &c)
	}); err != nil {
		return err
	}
	hook("accepted")
	if c.State == Waiting {
		e.o.Log.Info("clip_waiting", "clip", c.Short(), "player", c.Player, "by", c.How)
	} else {
		defer e.came(&c, string(c.State))
	}
	if c.shown != nil {
		e.owed[filepath.Dir(a.Path())] = true
	}
	return e.picked(ctx, &c, a)
}

// picked picks an arrival, and looks again at what its card may place.
func (e *Engine) picked(ctx context.Context, c *Clip, a inbox.Arrival) error {
	if err := e.pick(ctx, c); err != nil {
		return err
	}
	if in := filepath.Dir(a.Path()); e.owed[in] {
		return e.revisit(ctx, in)
	}
	return nil
}

// pick brings an accepted original where it belongs, and a waiting one into the
// queue. One that its owner renamed or took away meanwhile comes again under
// its new name, if it does.
func (e *Engine) pick(ctx context.Context, c *Clip) error {
	moved, err := func() (bool, error) {
		e.moving.Lock()
		defer e.moving.Unlock()
		now, ok, err := e.store.Clip(ctx, c.Hash)
		if err != nil || !ok || now.State != c.State || now.Lies != c.Lies {
			return false, err // somebody has it already
		}
		*c = now
		err = e.settleLocked(ctx, c)
		if errors.Is(err, errGone) || errors.Is(err, fs.ErrNotExist) {
			e.o.Log.Info("clip_gone", "clip", c.Short())
			return false, e.store.forget(ctx, c)
		}
		return err == nil, err
	}()
	if err != nil || !moved || c.State != Waiting {
		return err
	}
	return e.store.write(ctx, func(tx *sql.Tx) error { return e.store.enqueue(ctx, tx, e.jobs, c) })
}

// another puts a further copy of the same bytes aside.
func (e *Engine) another(ctx context.Context, first, copy *Clip) error {
	day := e.o.Now().In(e.o.Zone).Format(time.DateOnly)
	dir := e.dir(ArchiveDir, "duplicates")
	if err := private(dir); err != nil {
		return err
	}
	stem := ""
	for first.Copies++; ; first.Copies++ {
		stem = day + "-" + first.Short() + "-" + strconv.Itoa(first.Copies)
		taken := false
		for _, ext := range copy.endings() {
			if _, err := os.Lstat(filepath.Join(dir, stem+ext)); err == nil {
				taken = true
			}
		}
		if !taken {
			break
		}
	}
	// What travels with it goes first: without its clip it would be left behind.
	ends := copy.endings()
	for i := range ends {
		ext := ends[len(ends)-1-i]
		err := move(ctx, e.o.Inbox, copy.Lies, copy.Stem+ext, filepath.Join(dir, stem+ext))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	hook("duplicate")
	first.Copies--
	if err := e.store.copied(ctx, first); err != nil && !errors.Is(err, errStale) {
		return err
	}
	c := *first
	c.Reason, c.Detail = Duplicate, string(first.State)
	e.came(&c, Duplicate)
	return nil
}

// place says whose an arrival is and what becomes of it.
func (e *Engine) place(ctx context.Context, c *Clip, a inbox.Arrival) error {
	today := day(e.o.Now().In(e.o.Zone))
	c.Day = today.Format(time.DateOnly)
	if !inbox.IsClip(a.Rel) {
		c.State, c.Reason, c.Detail = Failed, inbox.NotAClip, strings.ToLower(c.Ext)
		return nil
	}
	var note inbox.Note
	if a.Sidecar {
		var err error
		if note, err = e.o.Note(filepath.Join(c.Lies, c.Stem+".yaml")); err != nil {
			c.State, c.Reason, c.Detail = Unplaced, inbox.BadSidecar, err.Error()
			return nil
		}
	}
	p := inbox.Find(a.Rel, note, "", e.o.Roster, today)
	if c.Parent == "" && (p.Reason == "" || p.Reason == inbox.NoPlayer) { // who may not be filmed isn't looked at
		long, err := e.isLong(ctx, c.Original())
		if err != nil {
			return err
		}
		c.Kind, c.Length = KindClip, long.Milliseconds()
		switch {
		case long > 0:
			c.Kind = KindRecording
		case len(note.Players) > 0:
			c.State, c.Reason, c.Detail = Unplaced, inbox.BadSidecar, "players: is for recordings of more than a minute"
			return nil
		}
	}
	if p.Reason == inbox.NoPlayer && c.Kind != KindRecording && e.o.Spans != nil {
		var err error
		p, err = e.byCard(ctx, c, a, note, today)
		var s *Slip
		switch {
		case errors.As(err, &s) && !s.Again && !s.Blocked: // what was found out in looking
			c.State, c.Reason, c.Detail = Unplaced, s.Reason, s.Detail
			if s.Reason == Unread || s.Reason == TakesDown {
				c.State = Failed
			}
			return nil
		case err != nil:
			return err
		}
	}
	c.Player, c.How, c.Day, c.Dated, c.Reason, c.Detail = p.Player, p.How, p.Day, p.Dated, p.Reason, p.Detail
	switch p.Reason {
	case "":
		c.State = Waiting
	case inbox.NoConsent:
		c.State = Held
	default:
		c.State = Unplaced
	}
	if c.Kind == KindRecording {
		return e.placeRecording(ctx, c, p, note)
	}
	return nil
}

// day is a calendar day as a roster writes it.
func day(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}
