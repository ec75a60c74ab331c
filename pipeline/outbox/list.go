package outbox

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
)

// States of a lesson as they are told; the others are those of its last
// release.
const (
	Waits   = "waits" // for the coach's word, or for what Why says
	HeldNow = "held"
)

// States of lessons in the order in which they are told.
var States = []string{Waits, HeldNow, ledger.Released, ledger.Unsure, ledger.Refused, ledger.Sent}

// Item is a lesson and where it stands on its way.
type Item struct {
	Lesson  ledger.Lesson
	State   string
	Why     *Why            // nil for what is sent
	To      []string        // addresses it would go to now, or went to
	Release *ledger.Release // the last one to this player, or nil
}

// Next is when a released lesson is tried next, zero: as soon as may be.
func (it *Item) Next() (next time.Time) {
	if it.Release == nil {
		return next
	}
	for _, x := range it.Release.Letters {
		if x.State == ledger.Pending && x.NextTry.After(next) {
			next = x.NextTry
		}
	}
	return next
}

// Items are all lessons by the day they were filmed, with where they stand.
func (o *Outbox) Items(ctx context.Context) ([]Item, error) {
	lessons, err := o.o.Ledger.Heads(ctx)
	if err != nil {
		return nil, err
	}
	all, err := o.o.Ledger.Releases(ctx, "")
	if err != nil {
		return nil, err
	}
	holds, err := o.o.Ledger.Holds(ctx)
	if err != nil {
		return nil, err
	}
	roster, bad := o.o.Roster()
	var out []Item
	for _, l := range lessons {
		it := Item{Lesson: l, State: Waits, Release: newest(all, &l)}
		f, why := Family{}, &Why{NoRoster, ""}
		if bad == nil {
			var ok bool
			f, ok = roster(l.Player)
			f.Guardians = distinct(f.Guardians)
			if why = permitted(&l, f, ok, o.today()); why == nil {
				why = strangers(&l, before(&l, it.Release), f)
			}
		}
		it.To = f.Guardians
		last := it.Release
		switch {
		case !holds[l.Clip].IsZero():
			it.State, it.Why = HeldNow, &Why{Held, ""}
		case last != nil && stands(last) != ledger.Stopped:
			it.State = stands(last)
			if last.Reason != "" {
				it.Why = &Why{last.Reason, last.Detail}
			}
			if it.State == ledger.Sent || it.State == ledger.Refused || it.State == ledger.Unsure {
				it.To = nil
				for _, x := range last.Letters {
					it.To = append(it.To, x.Address)
				}
			}
		case why != nil:
			it.Why = why
		default:
			it.Why = o.light(&l, last)
		}
		out = append(out, it)
	}
	slices.SortStableFunc(out, func(a, b Item) int { return strings.Compare(a.Lesson.Day, b.Lesson.Day) })
	return out, nil
}

// light says why a lesson that may leave waits, without reading films.
func (o *Outbox) light(l *ledger.Lesson, last *ledger.Release) *Why {
	if last != nil {
		return &Why{last.Reason, last.Detail} // that stopped it
	}
	if _, err := os.Stat(filepath.Join(l.Folder, pipeline.ReportFile)); err != nil {
		return &Why{NoLesson, l.Folder}
	}
	if o.o.Outdated != nil && o.o.Outdated(l) {
		return &Why{NotRedrawn, ""}
	}
	var lv pipeline.Leaving
	if b, err := os.ReadFile(filepath.Join(l.Folder, pipeline.LeavingDir, pipeline.LeavingFile)); err == nil && json.Unmarshal(b, &lv) == nil {
		if why := free(lv); why != nil {
			return why
		}
	}
	if o.o.Auto {
		var r Ready
		b, err := os.ReadFile(filepath.Join(l.Folder, pipeline.ReportFile))
		if err == nil && json.Unmarshal(b, &r.Report) == nil {
			r.Lesson = *l
			if why := o.byRule(&r); why != nil {
				return why
			}
		}
		return &Why{NotPacked, ""}
	}
	return &Why{ForCoach, ""}
}

// Waiting are the lessons that are not sent, and why.
func (o *Outbox) Waiting(ctx context.Context) ([]Item, error) {
	all, err := o.Items(ctx)
	return slices.DeleteFunc(all, func(it Item) bool { return it.State == ledger.Sent }), err
}

// Counts tells how many lessons stand where.
func (o *Outbox) Counts(ctx context.Context) (map[string]int, error) {
	all, err := o.Items(ctx)
	out := map[string]int{}
	for _, it := range all {
		out[it.State]++
	}
	return out, err
}

// Find gives the lessons that a name stands for: a lesson's folder, the first
// digits of its clip's hash (four at least), or a player's code. none is true
// where there is no such thing, many where several lessons fit digits, or both
// a lesson and a player.
func Find(lessons []ledger.Lesson, name string) (out []ledger.Lesson, none, many bool) {
	abs := func(p string) string {
		if a, err := filepath.Abs(p); err == nil {
			p = a
		}
		if r, err := filepath.EvalSymlinks(p); err == nil {
			p = r
		}
		return p
	}
	if st, err := os.Stat(name); err == nil && st.IsDir() {
		for _, l := range lessons {
			if abs(l.Folder) == abs(name) {
				return []ledger.Lesson{l}, false, false
			}
		}
	}
	byClip := ledger.Is(lessons, name)
	for _, l := range lessons {
		if l.Player == name {
			out = append(out, l)
		}
	}
	switch {
	case len(byClip) > 1 || len(byClip) > 0 && len(out) > 0:
		return nil, false, true
	case len(byClip) == 1:
		return byClip, false, false
	}
	return out, len(out) == 0, false
}
