package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/publish"
)

var exportCommand = command{
	name:  "export",
	about: "write the ledger for a spreadsheet",
	usage: exportUsage(),
}

func init() { exportCommand.run = export }

// column of the CSV. Words: people wrote it, so a spreadsheet must not take it
// for a formula.
type column struct {
	name, about string
	words       bool
}

// columns in the order they are written.
var columns = []column{
	{"record", "what the row is: measure, phase, finding, or height (a player's, as given)", false},
	{"player", "the player's code", false},
	{"name", "first name, where one was given", true},
	{"level", "youth, middle, high_school or college; empty: not given", false},
	{"sport", "baseball or softball; empty: not given", false},
	{"day", "day of filming, 2026-05-03", false},
	{"day_assumed", "true where the day of reading stands for it, else false", false},
	{"clip", "SHA-256 of the clip: one lesson", false},
	{"view", "what the camera faces or where it stands: chest, back, pitcher, catcher", false},
	{"bats", "R or L", false},
	{"height_cm", "standing height used, centimetres; of a height: the height", false},
	{"swing", "number of the swing in the clip, from 1", false},
	{"shown", "true for the swing the lesson shows, else false", false},
	{"key", "of a measure: its key as in report.json; of a phase: its name; of a finding: its rule", false},
	{"from", "of a travel: the phase it begins at", false},
	{"at", "the phase it is told at", false},
	{"unit", "of value, lo, hi, band_min and band_max: cm, pct_height (percent of standing height), deg (degrees), ratio, s (seconds)", false},
	{"value", "the measure, in unit; of a phase: seconds in the clip; empty: can't be told", false},
	{"lo", "lower end of its 95 % bounds, in unit", false},
	{"hi", "upper end of its 95 % bounds, in unit", false},
	{"warnings", "codes of why it can't be told or is doubtful, a space between them; of a phase: how it was found", false},
	{"band_min", "least that counts as inside the band, in unit; empty: no such limit", false},
	{"band_max", "most that counts as inside the band, in unit; empty: no such limit", false},
	{"stands", "where the measure stands: inside, outside, between (its bounds hold the limit), untold; empty: no band", false},
	{"kind", "of a finding: strength, priority, secondary or cant_tell", false},
	{"text", "of a finding: the coach's own words", true},
	{"folder", "the lesson's folder", true},
	{"recorded", "when the lesson was first recorded, UTC", false},
}

func exportUsage() string {
	var b strings.Builder
	b.WriteString(`usage: tapeline export [flags]

Writes everything in the ledger: as CSV one row a measure, phase, finding or height of
every swing of every lesson (long format), or as JSON one object with players
and lessons. The file holds data of children: it is written for its owner's
eyes only.

  --csv           comma-separated values by RFC 4180, UTF-8 (the default)
  --json          JSON
  --out FILE      where to write (default standard output)
  --force         replace a file that is there
  --player ID     only this player
  --ledger FILE   the ledger (default ledger.db where the lessons go, else that
                  of "tapeline watch" in the work folder)
  --config FILE   configuration (default tapeline.yaml, if it is there)

Columns of the CSV; numbers have a decimal point, what does not apply is empty:
`)
	for _, c := range columns {
		about := c.about
		for i, line := range folded(about, 63) {
			name := c.name
			if i > 0 {
				name = ""
			}
			fmt.Fprintf(&b, "%s\n", strings.TrimRight(fmt.Sprintf("  %-12s  %s", name, line), " "))
		}
	}
	b.WriteString(`
Words that people wrote and that a spreadsheet would take for a formula, because
they begin with = + - @ or a control character, have an apostrophe before them.
`)
	return b.String()
}

func folded(s string, most int) (lines []string) {
	for _, w := range strings.Fields(s) {
		if n := len(lines); n > 0 && len(lines[n-1])+1+len(w) <= most {
			lines[n-1] += " " + w
			continue
		}
		lines = append(lines, w)
	}
	return lines
}

func export(ctx context.Context, s streams, args []string) (err error) {
	f := flag.NewFlagSet("export", flag.ContinueOnError)
	var asCSV, asJSON, force bool
	var out, player, book, conf string
	f.BoolVar(&asCSV, "csv", false, "")
	f.BoolVar(&asJSON, "json", false, "")
	f.BoolVar(&force, "force", false, "")
	f.StringVar(&out, "out", "", "")
	f.StringVar(&player, "player", "", "")
	f.StringVar(&book, "ledger", "", "")
	f.StringVar(&conf, "config", "", "")
	rest, err := parse(f, args)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usage("export: takes no name, and there is %q; --player chooses a player", rest[0])
	case asCSV && asJSON:
		return usage("export: --csv or --json, not both")
	case player != "" && !pipeline.PlayerForm.MatchString(player):
		return usage("--player: %q is no player's code; small letters, digits, - and _, like b07", player)
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	at, err := bookHere("export", book, c)
	if err != nil {
		return err
	}
	players, lessons, err := everything(ctx, at, player)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if asJSON {
		err = exportJSON(&b, players, lessons)
	} else {
		err = exportCSV(&b, players, lessons)
	}
	if err != nil {
		return err
	}
	if out == "" || out == "-" {
		_, err := s.out.Write(b.Bytes())
		return err
	}
	return publish.Private(out, b.Bytes(), force)
}

// everything of the ledger, or of one player.
func everything(ctx context.Context, b book, player string) (players []ledger.Player, lessons []ledger.Lesson, err error) {
	if player != "" {
		p, lessons, err := playerBook(ctx, b, player)
		return []ledger.Player{p}, lessons, err
	}
	l, err := b.open(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	if players, err = l.Players(ctx); err != nil {
		return nil, nil, err
	}
	lessons, err = l.Lessons(ctx, "")
	return players, lessons, err
}

func exportCSV(w io.Writer, players []ledger.Player, lessons []ledger.Lesson) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180, 2.1
	var head []string
	for _, c := range columns {
		head = append(head, c.name)
	}
	if err := out.Write(head); err != nil {
		return err
	}
	row := func(cells map[string]string) error {
		var line []string
		for _, c := range columns {
			v := cells[c.name]
			if c.words {
				v = harmless(v)
			}
			line = append(line, v)
		}
		return out.Write(line)
	}
	for _, p := range players {
		person := map[string]string{"player": p.ID, "name": p.Name, "level": string(p.Level), "sport": string(p.Sport)}
		for _, h := range p.Heights {
			if err := row(with(person, "record", "height", "day", h.Day, "height_cm", number(&h.CM))); err != nil {
				return err
			}
		}
		for i := range lessons {
			l := &lessons[i]
			if l.Player != p.ID {
				continue
			}
			lesson := with(person, "day", l.Day, "day_assumed", strconv.FormatBool(l.DayAssumed), "clip", l.Clip, "view", string(l.View), "bats", string(l.Bats),
				"height_cm", number(l.HeightCM), "folder", l.Folder, "recorded", l.Created.Format(time.RFC3339))
			for _, s := range l.Swings {
				swing := with(lesson, "swing", strconv.Itoa(s.Index), "shown", strconv.FormatBool(s.Chosen))
				for _, e := range s.Events {
					if err := row(with(swing, "record", "phase", "key", string(e.Kind), "unit", "s", "value", number(e.T), "lo", number(e.Lo), "hi", number(e.Hi), "warnings", e.Reason)); err != nil {
						return err
					}
				}
				for j := range s.Measures {
					m := &s.Measures[j]
					cells := with(swing, "record", "measure", "key", m.Key, "from", string(m.From), "at", string(m.At), "unit", m.Unit,
						"value", number(m.Value), "lo", number(m.Lo), "hi", number(m.Hi), "warnings", strings.Join(m.Warnings, " "))
					if b := l.Band(m); b != nil {
						cells["band_min"], cells["band_max"], cells["stands"] = number(b.Min), number(b.Max), string(b.Stands(m))
					}
					if err := row(cells); err != nil {
						return err
					}
				}
				for _, f := range s.Findings {
					if err := row(with(swing, "record", "finding", "key", f.Rule, "kind", f.Kind, "text", f.Text)); err != nil {
						return err
					}
				}
			}
		}
	}
	out.Flush()
	return out.Error()
}

// with is a copy of cells with more of them: name, value, name, value.
func with(cells map[string]string, more ...string) map[string]string {
	out := map[string]string{}
	for k, v := range cells {
		out[k] = v
	}
	for i := 0; i < len(more); i += 2 {
		out[more[i]] = more[i+1]
	}
	return out
}

func number(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

// harmless puts an apostrophe before what a spreadsheet would take for a
// formula.
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n", rune(s[0])) {
		return "'" + s
	}
	return s
}

func exportJSON(w io.Writer, players []ledger.Player, lessons []ledger.Lesson) error {
	type swing struct {
		Index    int                `json:"index"`
		Shown    bool               `json:"shown"`
		Events   []pipeline.Event   `json:"events"`
		Measures []pipeline.Measure `json:"measures"`
		Findings []pipeline.Finding `json:"findings"`
	}
	type lesson struct {
		ledger.Lesson
		Swings []swing `json:"swings"`
	}
	all := []lesson{}
	for _, l := range lessons {
		x := lesson{Lesson: l, Swings: []swing{}}
		for _, s := range l.Swings {
			x.Swings = append(x.Swings, swing{s.Index, s.Chosen, append([]pipeline.Event{}, s.Events...), append([]pipeline.Measure{}, s.Measures...), append([]pipeline.Finding{}, s.Findings...)})
		}
		all = append(all, x)
	}
	if players == nil {
		players = []ledger.Player{}
	}
	return writeJSON(w, struct {
		Schema  int             `json:"schema"`
		Players []ledger.Player `json:"players"`
		Lessons []lesson        `json:"lessons"`
	}{1, players, all})
}
