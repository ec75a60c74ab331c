package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

// check refuses a day, a player's code or a first name that isn't one.
func (by aside) check() error {
	if _, err := time.Parse(time.DateOnly, by.date); by.date != "" && err != nil {
		return usage("--date: %q is not a day; write it like 2026-05-03", by.date)
	}
	if tooLate(by.date) {
		return usage("--date: %s is yet to come", by.date)
	}
	if !pipeline.IsName(by.name) {
		return usage("--name: %q is no first name", by.name)
	}
	if by.player != "" && !pipeline.PlayerForm.MatchString(by.player) {
		return usage("--player: %q is no player's code; small letters, digits, - and _, like b07", by.player)
	}
	return nil
}

// now is a variable for tests.
var now = time.Now

// tooLate is true of a day after tomorrow: clocks and zones may be a day apart.
func tooLate(day string) bool { return day > now().AddDate(0, 0, 1).Format(time.DateOnly) }

// keep is what the ledger keeps of a lesson.
type keep struct {
	Player     string `json:"player"`
	Day        string `json:"day"`
	DayAssumed bool   `json:"day_assumed"`
	Updated    bool   `json:"updated"`            // the clip was there before
	From       string `json:"from,omitempty"`     // the player it was under before
	DayWas     string `json:"day_was,omitempty"`  // the day it had before
	NameWas    string `json:"name_was,omitempty"` // the player's first name before
	Lessons    int    `json:"lessons"`            // of the player, with this one

	since since
}

// remember records a lesson that is published. An error says so: the lesson
// stays.
func remember(ctx context.Context, b book, by aside, dir string, rep pipeline.Report) (*keep, error) {
	k, err := func() (k *keep, err error) {
		l, err := b.create(ctx)
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, l.Close()) }()
		if b.under != "" { // else it would be told from the work folder, where it isn't
			if dir, err = filepath.Abs(dir); err != nil {
				return nil, err
			}
		}
		r, err := l.Record(ctx, ledger.Entry{Player: by.player, Name: by.name, Day: by.date, Folder: dir, Report: rep, At: now()})
		if err != nil {
			return nil, err
		}
		all, err := l.Lessons(ctx, by.player)
		if err != nil {
			return nil, err
		}
		return &keep{Player: by.player, Day: r.Lesson.Day, DayAssumed: r.Lesson.DayAssumed, Updated: r.Updated, From: r.From, DayWas: r.Was, NameWas: r.Name,
			Lessons: len(all), since: sinceLast(all, r.Lesson.Day, &rep)}, nil
	}()
	var e *pipeline.Error
	if errors.As(err, &e) {
		c := *e
		c.What = "the lesson is made but not in the ledger: " + c.What
		return nil, &c
	}
	return k, err
}

// since is what changed since a player's last lesson.
type since struct {
	last    *ledger.Lesson // nil: there is none
	other   bool           // it was filmed from another side
	changes []pipeline.Change
	rep     *pipeline.Report // the later one
}

// sinceLast lays the shown swing of a lesson filmed on day beside that of the
// player's last earlier one.
func sinceLast(lessons []ledger.Lesson, day string, rep *pipeline.Report) (s since) {
	sw := rep.Chosen()
	s.rep = rep
	// A clip read again, perhaps under another day, is no earlier lesson.
	lessons = slices.DeleteFunc(slices.Clone(lessons), func(l ledger.Lesson) bool { return l.Clip == rep.Clip.ID })
	if s.last = ledger.Last(lessons, day, rep.Batter.View, rep.Batter.Bats); s.last == nil || sw == nil {
		return s
	}
	s.other = s.last.View != rep.Batter.View
	all, _ := pipeline.Since(s.last.Day, s.last.Shown(), sw, !s.other)
	for i := range all { // what is followed from lesson to lesson, and what surely changed
		if isHeadline(&all[i].After) || all[i].Larger {
			s.changes = append(s.changes, all[i])
		}
	}
	return s
}

// changed is what changed since the player's last lesson, as it will be told
// on the page of a lesson that isn't recorded yet. Nothing where no player is
// named or the ledger can't be read: the recording will complain.
func changed(ctx context.Context, b book, by aside, rep *pipeline.Report) []pipeline.Change {
	if by.player == "" {
		return nil
	}
	l, err := b.open(ctx)
	if err != nil {
		return nil
	}
	defer l.Close()
	all, err := l.Lessons(ctx, by.player)
	if err != nil {
		return nil
	}
	day := by.date
	for i := range all {
		if day == "" && all[i].Clip == rep.Clip.ID {
			day = all[i].Day
		}
	}
	changes := sinceLast(all, cmp.Or(day, now().Format(time.DateOnly)), rep).changes
	return slices.DeleteFunc(changes, func(c pipeline.Change) bool { return !isHeadline(&c.After) }) // a page is short
}

// print says what the ledger keeps, and what changed.
func (k *keep) print(w io.Writer, l words.Lang) {
	if k == nil {
		return
	}
	say := func(key string, a ...any) { fmt.Fprintf(w, l.Progress[key]+"\n", a...) }
	fmt.Fprintln(w)
	if k.Updated {
		say("recorded_again", k.Player, l.Date(k.Day), k.Lessons)
	} else {
		say("recorded", k.Player, l.Date(k.Day), k.Lessons)
	}
	if k.From != "" {
		say("moved", k.From)
	}
	if k.DayWas != "" {
		say("day_was", l.Date(k.DayWas))
	}
	if k.NameWas != "" {
		say("name_was", k.NameWas)
	}
	if k.DayAssumed {
		say("day_assumed")
	}
	switch s := k.since; {
	case s.last == nil:
		say("no_earlier")
	case len(s.changes) == 0:
		say("nothing_compared", l.Date(s.last.Day))
	default:
		say("since", l.Date(s.last.Day))
		if s.other {
			say("other_view")
		}
		printChanges(w, l, s.changes, s.rep)
	}
}
