package outbox

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"slices"
	"time"

	"tapeline/pipeline/ledger"
)

// freshFor is how old a lesson may be that the rule releases: what lay there
// when the rule was switched on waits for the coach.
const freshFor = 48 * time.Hour

// Word is what is said with a release.
type Word struct {
	By   string // ledger.ByCoach or ByRule
	Note string // the coach's words to this family
	// Again: also what was sent already, or may have been.
	Again bool
	// NewAddress: an address did not stand in the roster when the lesson was
	// made, and the coach knows whose it is.
	NewAddress bool
	// Named: this very lesson was named, not a list or a player that it is of;
	// whose swing it shows was looked at.
	Named bool
}

// Release lets a lesson leave that Ready looked at; it is sent by the next
// Send. What is there must still be what was looked at. Reasons against it are
// a *Why.
func (o *Outbox) Release(ctx context.Context, r Ready, w Word) (ledger.Release, error) {
	var rel ledger.Release
	l, ok, err := o.o.Ledger.Head(ctx, r.Lesson.Clip)
	if err != nil {
		return rel, err
	}
	if !ok || l.Player != r.Lesson.Player || l.Name != r.Lesson.Name {
		return rel, &Why{Moved, r.Lesson.Player}
	}
	f, why := o.may(&l)
	if why != nil {
		return rel, why
	}
	family := []string{}
	for _, a := range f.Guardians {
		family = append(family, ledger.Fingerprint(l.Clip, a))
	}
	now, why := packed(ctx, &l)
	switch {
	case why != nil:
		return rel, why
	case now.Content != r.Content:
		return rel, &Why{Changed, ""}
	}
	if why := free(now.Leaving); why != nil {
		return rel, why
	}
	if w.By == ledger.ByRule {
		if why := o.byRule(&now); why != nil {
			return rel, why
		}
	}
	if why := OtherSided(&now.Report); why != nil && !(w.Named && w.By == ledger.ByCoach) {
		return rel, why
	}
	all, err := o.o.Ledger.Releases(ctx, l.Player)
	if err != nil {
		return rel, err
	}
	last := newest(all, &l)
	if why := strangers(&l, before(&l, last), f); why != nil && !(w.NewAddress && w.By == ledger.ByCoach) {
		return rel, why
	}
	if last != nil {
		switch is := stands(last); {
		case last.State == ledger.Released:
			return rel, &Why{IsReleased, ""}
		case w.By == ledger.ByRule:
			return rel, &Why{IsOver, last.State}
		case last.State == ledger.Sent && !w.Again:
			return rel, &Why{IsSent, ""}
		case is == ledger.Unsure && !w.Again:
			return rel, &Why{IsUnsure, ""}
		case is == ledger.Unsure && last.Content == r.Content:
			if _, err := o.o.Ledger.Reopen(ctx, last.ID, r.Content, family, o.o.Now()); err != nil {
				return rel, err
			}
			rel = *last
			rel.State = ledger.Released
			return rel, nil
		}
	}
	id := make([]byte, 16)
	if _, err := rand.Read(id); err != nil {
		return rel, err
	}
	rel = ledger.Release{ID: hex.EncodeToString(id), Lesson: l.Clip, Player: l.Player, Name: l.Name, Family: family, Note: w.Note, Content: r.Content, By: w.By, At: o.o.Now(), State: ledger.Released}
	switch err := o.o.Ledger.Release(ctx, rel); {
	case errors.Is(err, ledger.ErrReleased):
		return rel, &Why{IsReleased, ""}
	case errors.Is(err, ledger.ErrHeld):
		return rel, &Why{Held, ""}
	case errors.Is(err, ledger.ErrStale):
		return rel, &Why{Moved, l.Player}
	case err != nil:
		return rel, err
	}
	o.o.Log.Info("released", "clip", l.Clip[:min(8, len(l.Clip))], "player", l.Player, "by", w.By)
	return rel, nil
}

// stands is the state of a release; one that was stopped while a letter was on
// its way is unsure where that letter is.
func stands(r *ledger.Release) string {
	if r.State == ledger.Stopped && slices.ContainsFunc(r.Letters, func(x ledger.Letter) bool { return x.State == ledger.Unsure }) {
		return ledger.Unsure
	}
	return r.State
}

// before is the family that a lesson was made for or, where that was not known,
// last released to.
func before(l *ledger.Lesson, last *ledger.Release) []string {
	if len(l.Family) == 0 && last != nil {
		return last.Family
	}
	return l.Family
}

// Strangers is a Why where an address of the family was not in the roster when
// the lesson was made: it needs Word.NewAddress.
func (o *Outbox) Strangers(ctx context.Context, l ledger.Lesson, f Family) (*Why, error) {
	all, err := o.o.Ledger.Releases(ctx, l.Player)
	if err != nil {
		return nil, err
	}
	return strangers(&l, before(&l, newest(all, &l)), f), nil
}

// newest is the last release of a lesson to the player it has.
func newest(all []ledger.Release, l *ledger.Lesson) (last *ledger.Release) {
	for i := range all {
		if r := &all[i]; r.Lesson == l.Clip && r.Player == l.Player {
			last = r
		}
	}
	return last
}

// Hold keeps lessons from leaving until they are released; a letter whose first
// byte is gone can't be held back.
func (o *Outbox) Hold(ctx context.Context, lessons []ledger.Lesson) error {
	for _, l := range lessons {
		if err := o.o.Ledger.Hold(ctx, l.Clip, o.o.Now()); err != nil {
			return err
		}
		o.o.Log.Info("held_back", "clip", l.Clip[:min(8, len(l.Clip))], "player", l.Player)
	}
	return nil
}

// byRule tells why the rule doesn't release what may leave.
func (o *Outbox) byRule(r *Ready) *Why {
	switch {
	case !o.o.Auto:
		return &Why{ForCoach, ""}
	case o.o.Now().Sub(r.Lesson.Created) > freshFor:
		return &Why{TooOld, ""}
	case len(r.Lesson.Family) == 0: // whose it was is known by the name alone
		return &Why{Strangers, ""}
	}
	return Certain(&r.Report)
}

// Prepare packs what lessons of the last days need to leave and, where the rule
// may, releases those that are certain. It gives how many were released.
func (o *Outbox) Prepare(ctx context.Context) (released int, err error) {
	items, err := o.Waiting(ctx)
	if err != nil {
		return 0, err
	}
	for _, it := range items {
		if err := ctx.Err(); err != nil {
			return released, err
		}
		l := it.Lesson
		if it.State != Waits || it.Release != nil || o.o.Now().Sub(l.Created) > freshFor {
			continue
		}
		if _, why := o.may(&l); why != nil || !o.fit(l.Clip) {
			continue
		}
		r, err := o.Ready(ctx, l, "", nil)
		var why *Why
		switch {
		case errors.As(err, &why):
			continue
		case err != nil:
			o.unfitFor(l.Clip, time.Hour)
			o.o.Log.Warn("not_packed", "clip", l.Clip[:min(8, len(l.Clip))], "player", l.Player)
			continue
		case o.byRule(&r) != nil:
			continue
		}
		switch _, err := o.Release(ctx, r, Word{By: ledger.ByRule}); {
		case err == nil:
			released++
		case errors.As(err, &why):
		default:
			return released, err
		}
	}
	return released, nil
}

// fit tells whether packing a lesson may be tried.
func (o *Outbox) fit(clip string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return !o.o.Now().Before(o.unfit[clip])
}

func (o *Outbox) unfitFor(clip string, d time.Duration) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.unfit[clip] = o.o.Now().Add(d)
}
