package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"tapeline/overlay/progress"
	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/publish"
	"tapeline/pipeline/words"
)

var progressCommand = command{
	name:  "progress",
	about: "show a player's measures from lesson to lesson",
	usage: `usage: tapeline progress PLAYER [flags]

Prints the main measures of a player over all lessons in the ledger, each with
its 95 % bounds, where it stands against its band, whether the change since the
lesson before is larger than the doubt of both, and then whether it is closer to
fine or further from it; and draws them to
  OUT/progress-PLAYER.png and .svg
which are replaced when they are there. Lessons are remembered by
"tapeline read CLIP --player ID". Only what was filmed from the same side is
laid side by side.

With --day it sums up one session in place of that: over all swings of all
clips of the day the middle and the spread of each measure, and whether the
swings differ by more than the doubt of reading them.

  --day DATE      one session: 2026-05-03
  --json          one JSON object on standard output, nothing drawn; lengths
                  are in centimetres
  --out DIR       where the drawings go (default where the lessons go)
  --ledger FILE   the ledger (default ledger.db where the lessons go, else that
                  of "tapeline watch" in the work folder)
  --lang L  --units U  --config FILE    as in "tapeline help read"
`,
}

func init() { progressCommand.run = progressOf }

// headline measures in the order they are shown.
var headline = []struct {
	key      string
	from, at pipeline.EventKind
}{
	{"eye_drop", pipeline.Stance, pipeline.Contact},
	{"head_drop", pipeline.Stance, pipeline.Contact},
	{"eye_forward", pipeline.Stance, pipeline.Plant},
	{"eye_forward", pipeline.Plant, pipeline.Contact},
	{"front_foot_open", "", pipeline.Plant},
	{"front_foot_open", "", pipeline.Contact},
	{"head_over_back_ratio", "", pipeline.Contact},
	{"hands_start", "", pipeline.Stance},
	{"head_after", "", pipeline.Contact},
	{"finish_hold", "", pipeline.Finish},
}

func isHeadline(m *pipeline.Measure) bool {
	for _, h := range headline {
		if m.Key == h.key && m.From == h.from && m.At == h.at {
			return true
		}
	}
	return false
}

// line is one headline measure over the lessons of one view and side, in one
// unit.
type line struct {
	Key    string             `json:"key"`
	From   pipeline.EventKind `json:"from,omitempty"`
	At     pipeline.EventKind `json:"at,omitempty"`
	Unit   string             `json:"unit"`
	Band   *pipeline.Band     `json:"band"` // of the newest lesson
	Points []point            `json:"points"`
}

// point is the shown swing of one lesson; Change is from the last point that
// tells a value.
type point struct {
	Day     string         `json:"day"`
	Assumed bool           `json:"day_assumed"`
	Clip    string         `json:"clip"`
	Value   *float64       `json:"value"`
	Lo      *float64       `json:"lo"`
	Hi      *float64       `json:"hi"`
	Stands  pipeline.Stand `json:"stands,omitempty"` // against the newest band; empty without one
	Change  *delta         `json:"change"`

	m *pipeline.Measure
}

type delta struct {
	Since      string   `json:"since"`
	Difference float64  `json:"difference"`
	Doubt      *float64 `json:"doubt"` // 95 % half width of the difference
	Larger     bool     `json:"larger"`
	// Course is which way it went, seen from the band; empty: no band, or no
	// sure change.
	Course pipeline.Course `json:"course,omitempty"`

	unit string
}

// section is what was seen from one side.
type section struct {
	View  pipeline.View `json:"view"`
	Bats  pipeline.Side `json:"bats"`
	Lines []line        `json:"measures"`
}

// player's book of the ledger; found or one line why not.
func playerBook(ctx context.Context, b book, id string) (p ledger.Player, lessons []ledger.Lesson, err error) {
	l, err := b.open(ctx)
	if err != nil {
		return p, nil, err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	p, ok, err := l.Player(ctx, id)
	if err != nil {
		return p, nil, err
	}
	if lessons, err = l.Lessons(ctx, id); err != nil {
		return p, nil, err
	}
	if !ok || len(lessons) == 0 {
		all, err := l.Players(ctx)
		if err != nil {
			return p, nil, err
		}
		hint := "read a clip with --player " + id
		var ids []string
		for _, q := range all {
			if q.ID != id {
				ids = append(ids, q.ID)
			}
		}
		if n := len(ids); n > 0 {
			hint = "there are " + strings.Join(ids[:min(n, 12)], ", ")
			if n > 12 {
				hint += " and others"
			}
		}
		return p, nil, &pipeline.Error{Fault: pipeline.FaultUsage, What: fmt.Sprintf("no lesson of player %s in the ledger %q", id, b), Hint: hint}
	}
	return p, lessons, nil
}

func progressOf(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("progress", flag.ContinueOnError)
	var sp speech
	var day, out, book, conf string
	var asJSON bool
	sp.add(f)
	f.StringVar(&day, "day", "", "")
	f.StringVar(&out, "out", "", "")
	f.StringVar(&book, "ledger", "", "")
	f.StringVar(&conf, "config", "", "")
	f.BoolVar(&asJSON, "json", false, "")
	ids, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(ids) != 1 {
		return usage("progress: one player, not %d", len(ids))
	}
	if !pipeline.PlayerForm.MatchString(ids[0]) {
		return usage("progress: %q is no player's code; small letters, digits, - and _, like b07", ids[0])
	}
	if _, err := time.Parse(time.DateOnly, day); day != "" && err != nil {
		return usage("--day: %q is not a day; write it like 2026-05-03", day)
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	text, err := sp.over(c)
	if err != nil {
		return err
	}
	if out == "" {
		out = c.Out
	}
	at, err := bookHere("progress", book, c)
	if err != nil {
		return err
	}
	p, lessons, err := playerBook(ctx, at, ids[0])
	if err != nil {
		return err
	}
	if day != "" {
		return session(s.out, text, p, lessons, day, asJSON)
	}
	sections := progressLines(lessons)
	if asJSON {
		return writeJSON(s.out, struct {
			Schema   int           `json:"schema"`
			Player   ledger.Player `json:"player"`
			Lessons  int           `json:"lessons"`
			Sections []section     `json:"sections"`
		}{1, p, len(lessons), sections})
	}
	printProgress(s.out, text, p, lessons, sections)
	sheet := progressSheet(text, p, lessons, sections)
	for _, form := range []struct {
		end  string
		make func() ([]byte, error)
	}{{".png", sheet.PNG}, {".svg", sheet.SVG}} {
		b, err := form.make()
		if err != nil {
			return err
		}
		path := filepath.Join(out, "progress-"+p.ID+form.end)
		if err := publish.File(path, b, true); err != nil {
			return err
		}
		fmt.Fprintln(s.out, path)
	}
	return nil
}

func writeJSON(w io.Writer, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

// progressLines follows every headline measure through the lessons.
func progressLines(lessons []ledger.Lesson) (out []section) {
	for _, g := range ledger.Groups(lessons) {
		sec := section{View: g.View, Bats: g.Bats, Lines: []line{}}
		for _, h := range headline {
			for _, unit := range unitsOf(g.Lessons, h.key, h.from, h.at) {
				l := line{Key: h.key, From: h.from, At: h.at, Unit: unit}
				var before *pipeline.Measure
				var changes []pipeline.Change // of the points that have one
				var since string
				told := false
				for i := range g.Lessons {
					les := &g.Lessons[i]
					sw := les.Shown()
					if sw == nil {
						continue
					}
					m := sw.Measure(h.key, h.from, h.at)
					if m == nil || m.Unit != unit {
						continue
					}
					if b := les.Band(m); b != nil {
						l.Band = b
					}
					p := point{Day: les.Day, Assumed: les.DayAssumed, Clip: les.Clip, Value: m.Value, Lo: m.Lo, Hi: m.Hi, m: m}
					if ch, ok := pipeline.Compare(before, m); ok {
						ch.Day = since
						p.Change = deltaOf(&ch, nil)
						changes = append(changes, ch)
					}
					if m.Value != nil {
						before, since, told = m, les.Day, true
					}
					l.Points = append(l.Points, p)
				}
				if !told {
					continue
				}
				for i := range l.Points {
					pt := &l.Points[i]
					if l.Band != nil {
						pt.Stands = l.Band.Stands(pt.m)
					}
					if pt.Change != nil { // the newest band holds for all
						pt.Change, changes = deltaOf(&changes[0], l.Band), changes[1:]
					}
				}
				sec.Lines = append(sec.Lines, l)
			}
		}
		out = append(out, sec)
	}
	return out
}

func deltaOf(ch *pipeline.Change, b *pipeline.Band) *delta {
	d := &delta{Since: ch.Day, Difference: ch.Difference(), Larger: ch.Larger, Course: b.Course(ch), unit: ch.After.Unit}
	if half, ok := ch.Doubt(); ok {
		d.Doubt = &half
	}
	return d
}

// unitsOf are the units a measure comes in, in order: a height that was not
// given every time changes them.
func unitsOf(lessons []ledger.Lesson, key string, from, at pipeline.EventKind) (out []string) {
	for i := range lessons {
		if sw := lessons[i].Shown(); sw != nil {
			if m := sw.Measure(key, from, at); m != nil && !slices.Contains(out, m.Unit) {
				out = append(out, m.Unit)
			}
		}
	}
	return out
}

func printProgress(w io.Writer, l words.Lang, p ledger.Player, lessons []ledger.Lesson, sections []section) {
	fmt.Fprintf(w, "%s: %s\n", playerName(p), lessonSpan(l, lessons))
	assumed := false
	for _, sec := range sections {
		fmt.Fprintf(w, "\n%s, %s\n", l.Views[sec.View], l.Bats[sec.Bats])
		if len(sec.Lines) == 0 {
			fmt.Fprintln(w, l.Progress["nothing"])
		}
		for i := range sec.Lines {
			ln := &sec.Lines[i]
			fmt.Fprintf(w, "\n%s", l.MeasureName(ln.Points[0].m))
			if ln.Band != nil {
				fmt.Fprintf(w, " (%s)", bandText(l, ln.Band))
			}
			fmt.Fprintln(w)
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
			for _, pt := range ln.Points {
				day := l.Date(pt.Day)
				if pt.Assumed {
					day += " *"
					assumed = true
				}
				cells := []string{"", day, value(l, pt.m, ln.Band), "", deltaText(l, pt.Change, true)}
				if pt.Stands != "" {
					cells[3] = l.Verdict(pt.m, ln.Band)
				}
				for len(cells) > 0 && cells[len(cells)-1] == "" {
					cells = cells[:len(cells)-1]
				}
				fmt.Fprintln(t, strings.Join(cells, "\t"))
			}
			t.Flush()
		}
	}
	fmt.Fprintln(w)
	if assumed {
		fmt.Fprintf(w, "%s\n\n", l.Progress["assumed"])
	}
}

func playerName(p ledger.Player) string {
	if p.Name != "" {
		return p.ID + ", " + p.Name
	}
	return p.ID
}

func lessonSpan(l words.Lang, lessons []ledger.Lesson) string {
	first, last := lessons[0].Day, lessons[len(lessons)-1].Day
	if len(lessons) == 1 {
		return fmt.Sprintf(l.Progress["one_lesson"], l.Date(first))
	}
	return fmt.Sprintf(l.Progress["lessons"], len(lessons), l.Date(first), l.Date(last))
}

// bandText says a band: "band: at most 5 cm".
func bandText(l words.Lang, b *pipeline.Band) string {
	amount := func(v float64) string { return l.Limit(v, b.Unit) }
	switch {
	case b.Min != nil && b.Max != nil:
		return fmt.Sprintf(l.Progress["from_to"], fmt.Sprintf(l.Cards["range"], amount(*b.Min), amount(*b.Max)))
	case b.Max != nil:
		return fmt.Sprintf(l.Progress["at_most"], amount(*b.Max))
	case b.Min != nil:
		return fmt.Sprintf(l.Progress["at_least"], amount(*b.Min))
	}
	return l.Progress["no_band"]
}

// deltaText says a change: "−2.9 cm, larger than the doubt: closer to fine";
// exact: with the decimals of a table, else with those its doubt deserves.
func deltaText(l words.Lang, d *delta, exact bool) string {
	if d == nil {
		return ""
	}
	doubt, verdict := 0.0, "no_doubt"
	if d.Doubt != nil {
		doubt, verdict = *d.Doubt, "within"
		if d.Larger {
			verdict = "larger"
		}
	}
	if exact {
		doubt = 0
	}
	text := signed(l, d.Difference, d.unit, l.Decimals(d.unit, doubt)) + ", " + l.Progress[verdict]
	if d.Course != pipeline.NoCourse {
		text += ": " + l.Progress[string(d.Course)]
	}
	return text
}

func signed(l words.Lang, v float64, unit string, decimals int) string {
	s := l.Short(v, unit, decimals)
	if v > 0 && !strings.HasPrefix(l.Bare(v, unit, decimals), "−") && strings.Trim(l.Bare(v, unit, decimals), "0.,") != "" {
		s = "+" + s
	}
	return s
}

// printChanges prints what changed between two swings, held against the bands
// of the later one's report.
func printChanges(w io.Writer, l words.Lang, changes []pipeline.Change, rep *pipeline.Report) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for i := range changes {
		ch, b := &changes[i], rep.Band(&changes[i].After)
		fmt.Fprintf(t, "  %s\t%s → %s\t%s\n", l.MeasureName(&ch.After), l.Against(&ch.Before, b), l.Against(&ch.After, b), deltaText(l, deltaOf(ch, b), false))
	}
	t.Flush()
}

// progressSheet is what is drawn.
func progressSheet(l words.Lang, p ledger.Player, lessons []ledger.Lesson, sections []section) progress.Sheet {
	s := progress.Sheet{Lang: l, Title: l.Progress["title"], About: lessonSpan(l, lessons)}
	if p.Name != "" {
		s.Title += ": " + p.Name
	}
	for _, sec := range sections {
		part := progress.Section{Title: l.Views[sec.View] + ", " + l.Bats[sec.Bats]}
		for i := range sec.Lines {
			ln := &sec.Lines[i]
			ch := progress.Chart{Name: l.MeasureName(ln.Points[0].m), Unit: ln.Unit, Band: ln.Band}
			if ln.Band != nil {
				ch.About = bandText(l, ln.Band)
			}
			for _, pt := range ln.Points {
				ch.Points = append(ch.Points, progress.Point{Day: pt.Day, Assumed: pt.Assumed, Measure: pt.m, Stands: pt.Stands})
			}
			if last := ln.Points[len(ln.Points)-1].Change; last != nil && last.Course != pipeline.NoCourse {
				ch.About += "; " + fmt.Sprintf(l.Progress["last_change"], l.Progress[string(last.Course)])
			}
			part.Charts = append(part.Charts, ch)
		}
		if len(part.Charts) > 0 {
			s.Sections = append(s.Sections, part)
		}
	}
	return s
}

// session sums up one day.
func session(w io.Writer, l words.Lang, p ledger.Player, lessons []ledger.Lesson, day string, asJSON bool) error {
	type part struct {
		View     pipeline.View   `json:"view"`
		Bats     pipeline.Side   `json:"bats"`
		Swings   int             `json:"swings"`
		Measures []ledger.Spread `json:"measures"`
	}
	parts := []part{}
	total := 0
	for _, g := range ledger.Groups(lessons) {
		spreads, n := g.Session(day)
		if n == 0 {
			continue
		}
		total += n
		parts = append(parts, part{g.View, g.Bats, n, spreads})
	}
	if total == 0 {
		var days []string
		for _, x := range lessons {
			if len(days) == 0 || days[len(days)-1] != x.Day {
				days = append(days, x.Day)
			}
		}
		return &pipeline.Error{Fault: pipeline.FaultUsage, What: fmt.Sprintf("no swing of player %s on %s in the ledger", p.ID, day),
			Hint: "there are lessons of " + strings.Join(days[max(0, len(days)-8):], ", ")}
	}
	if asJSON {
		return writeJSON(w, struct {
			Schema   int           `json:"schema"`
			Player   ledger.Player `json:"player"`
			Day      string        `json:"day"`
			Sections []part        `json:"sections"`
		}{1, p, day, parts})
	}
	fmt.Fprintf(w, "%s: %s\n", playerName(p), fmt.Sprintf(l.Progress["session"], l.Date(day), count(l, total)))
	spread := false
	for _, part := range parts {
		fmt.Fprintf(w, "\n%s, %s, %s\n", l.Views[part.View], l.Bats[part.Bats], count(l, part.Swings))
		if part.Swings == 1 {
			fmt.Fprintln(w, l.Progress["only_one"])
			continue
		}
		spread = true
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, strings.Join([]string{"", l.Progress["measure"], l.Progress["count"], l.Progress["median"], l.Progress["range"], l.Progress["spread"], l.Progress["doubt"], l.Progress["verdict"]}, "\t"))
		for _, sp := range part.Measures {
			m := sp.Readings[0]
			d := l.Decimals(sp.Unit, 0)
			spread, verdict := "–", "too_few"
			if sp.SD != nil {
				spread = l.Bare(*sp.SD, sp.Unit, d)
			}
			if sp.Varies != nil {
				verdict = map[bool]string{true: "varies", false: "steady"}[*sp.Varies]
			}
			text := l.Progress[verdict]
			if sp.Band != nil {
				text += "; " + fmt.Sprintf(l.Progress["in_band"], *sp.InBand, *sp.OutBand)
			}
			fmt.Fprintf(t, "\t%s\t%d\t%s\t%s\t%s\t%s\t%s\n", l.MeasureName(&m), sp.Swings, l.Short(sp.Median, sp.Unit, d),
				fmt.Sprintf(l.Cards["range"], l.Bare(sp.Least, sp.Unit, d), l.Bare(sp.Most, sp.Unit, d)), spread, l.Bare(sp.DoubtSD, sp.Unit, d), text)
		}
		t.Flush()
	}
	if spread {
		fmt.Fprintf(w, "\n%s\n", l.Progress["spread_say"])
	}
	return nil
}

func count(l words.Lang, n int) string {
	if n == 1 {
		return l.Progress["one_swing"]
	}
	return fmt.Sprintf(l.Progress["swings"], n)
}
