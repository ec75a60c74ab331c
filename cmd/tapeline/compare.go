package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"tapeline/detect/coach"
	"tapeline/overlay/progress"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/publish"
	"tapeline/pipeline/schema"
	"tapeline/pipeline/words"
)

var compareCommand = command{
	name:  "compare",
	about: "lay two swings of one player side by side",
	usage: `usage: tapeline compare A B [flags]

Lays two swings of one player side by side, A the earlier: a table of their
measures, each with the difference and whether it is larger than the doubt of
both, and the picture
  OUT/compare.png
with stills at one scale, and the tapes and eye traces of both on one axis of
time from contact. A and B are lesson folders, or a report.json or track.json.
The traces want the track.json, the stills the clips: they are looked for beside
the lesson, in the folders above it and in the working folder, and must be the
very clips that were read. What is missing is left out and said.

  --swing-a N, --swing-b N
                  another swing of A or B than the one its report shows
  --clip-a FILE, --clip-b FILE
                  where the clips are
  --name NAME  --date-a DATE  --date-b DATE
                  the player's first name and the days for the picture, where
                  the ledger doesn't know them
  --out DIR       where the picture goes (default where the lessons go)
  --force         replace a picture that is there
  --json          one JSON object on standard output, nothing drawn; lengths
                  are in centimetres
  --ledger FILE   the ledger, which knows the days (default ledger.db where the
                  lessons go, else that of "tapeline watch" in the work folder;
                  it need not be there)
  --lang L  --units U  --config FILE    as in "tapeline help read"
`,
}

func init() { compareCommand.run = compare }

// compared is one of the two.
type compared struct {
	Clip   string        `json:"clip"`
	Player string        `json:"player,omitempty"` // as the ledger says
	Day    string        `json:"day,omitempty"`
	View   pipeline.View `json:"view"`
	Bats   pipeline.Side `json:"bats"`
	Swing  int           `json:"swing"`

	name  string // the player's first name, as the ledger says
	given string // as the user named it
	dir   string
	rep   pipeline.Report
	track *pipeline.Track // nil: there is none
}

var letters = [2]string{"A", "B"}

func compare(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("compare", flag.ContinueOnError)
	var sp speech
	var out, book, conf string
	var clips, days [2]string
	var name string
	var swings [2]int
	var force, asJSON bool
	sp.add(f)
	f.StringVar(&out, "out", "", "")
	f.StringVar(&book, "ledger", "", "")
	f.StringVar(&conf, "config", "", "")
	f.BoolVar(&force, "force", false, "")
	f.BoolVar(&asJSON, "json", false, "")
	for i, end := range []string{"-a", "-b"} {
		f.StringVar(&clips[i], "clip"+end, "", "")
		f.IntVar(&swings[i], "swing"+end, 0, "")
		f.StringVar(&days[i], "date"+end, "", "")
	}
	f.StringVar(&name, "name", "", "")
	names, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(names) != 2 {
		return usage("compare: two lessons, not %d", len(names))
	}
	for i := range days {
		if err := (aside{name: name, date: days[i]}).check(); err != nil {
			return err
		}
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	text, err := sp.over(c)
	if err != nil {
		return err
	}
	rules, err := coach.RulesFile(c.Rules)
	if err != nil {
		return err
	}
	picture := filepath.Join(cmp.Or(out, c.Out), "compare.png")
	if _, err := os.Lstat(picture); err == nil && !force && !asJSON { // before the long work
		return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "compare", Path: picture, What: "exists already", Hint: "--force replaces it, --out DIR writes elsewhere"}
	}
	var two [2]compared
	for i := range two {
		if two[i], err = openCompared(names[i], swings[i], rules); err != nil {
			return err
		}
	}
	if two[0].Clip == two[1].Clip && two[0].Swing == two[1].Swing {
		return usage("compare: %q and %q are the same swing; --swing-a and --swing-b choose others", names[0], names[1])
	}
	at, err := bookHere("compare", book, c)
	if err != nil {
		return err
	}
	if err := fromLedger(ctx, at, &two); err != nil {
		return err
	}
	for i := range two {
		two[i].Day, two[i].name = cmp.Or(days[i], two[i].Day), cmp.Or(name, two[i].name)
	}
	sameView := two[0].View == two[1].View
	changes, left := pipeline.Since(two[0].Day, two[0].rep.Chosen(), two[1].rep.Chosen(), sameView)
	if asJSON {
		return compareJSON(s.out, two, sameView, changes, left)
	}

	// The picture goes from hand to hand: in it a lesson is A or B, as a folder's
	// name may hold more than a first name.
	var notes, drawn []string
	note := func(key string, a ...any) {
		s := fmt.Sprintf(text.Progress[key], a...)
		notes, drawn = append(notes, s), append(drawn, s)
	}
	noteOf := func(key, why string, i int) {
		for _, n := range []struct {
			to   *[]string
			name string
		}{{&notes, two[i].given}, {&drawn, letters[i]}} {
			*n.to = append(*n.to, fmt.Sprintf(text.Progress[key], fmt.Sprintf(text.Progress[why], n.name)))
		}
	}
	if two[0].Clip == two[1].Clip {
		note("same_clip")
	}
	if !sameView {
		note("views_differ")
	}
	if two[0].Bats != two[1].Bats {
		note("bats_differ")
	}
	page := progress.Pair{Lang: text, Rows: compareRows(text, changes, &two[1].rep)}
	var reps [2]*pipeline.Report
	for i := range two {
		reps[i] = &two[i].rep
		page.Sides[i] = progress.Side{Label: two[i].drawn(text), Report: reps[i]}
		page.Who = cmp.Or(page.Who, two[i].name)
	}
	for i := range two {
		switch sw := reps[i].Chosen(); {
		case len(sw.Path) == 0:
			noteOf("no_traces", "no_track", i)
		case sw.Event(pipeline.Contact) == nil || sw.Event(pipeline.Contact).T == nil:
			noteOf("no_traces", "no_contact", i)
		}
	}
	if page.Traced() {
		key := "one_tape"
		if page.OnGround() {
			key = "levels"
		}
		note(key)
	} else if reps[0].Chosen().Geometry.Unit != reps[1].Chosen().Geometry.Unit {
		note("no_traces", text.Progress["other_unit"])
	}
	stills, missing, err := stillsOfBoth(ctx, two, clips)
	if err != nil {
		return err
	}
	if missing >= 0 {
		noteOf("no_stills", "no_clip", missing)
	} else {
		tiles, err := sheet.Pair(reps, stills, text, progress.TileWide, pipeline.Stance, pipeline.Plant, pipeline.Contact, pipeline.Finish)
		if err != nil {
			return err
		}
		page.Sides[0].Tiles, page.Sides[1].Tiles = tiles[0], tiles[1]
		if reps[0].Chosen().Geometry.Unit != reps[1].Chosen().Geometry.Unit {
			note("scale_differ")
		}
	}
	page.Notes = drawn

	for i := range two {
		fmt.Fprintf(s.out, "%s: %s\n", letters[i], two[i].label(text))
	}
	fmt.Fprintln(s.out)
	t := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "%s\tA\tB\t%s\n", text.Progress["measure"], text.Progress["difference"])
	for i := range changes {
		ch, b := &changes[i], reps[1].Band(&changes[i].After)
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", text.MeasureName(&ch.After), text.Against(&ch.Before, b), text.Against(&ch.After, b), deltaText(text, deltaOf(ch, b), false))
	}
	for i := range left {
		l := &left[i]
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", text.MeasureName(&l.After), text.Value(&l.Before), text.Value(&l.After),
			text.Progress[map[pipeline.Apart]string{pipeline.OtherView: "apart", pipeline.OtherUnit: "other_unit", pipeline.NotTold: "not_told"}[l.Why]])
	}
	t.Flush()
	fmt.Fprintln(s.out)
	for _, n := range notes {
		fmt.Fprintln(s.out, n)
	}
	b, err := page.PNG()
	if err != nil {
		return err
	}
	if err := publish.File(picture, b, force); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "\n%s\n", picture)
	return nil
}

// openCompared opens a lesson by its folder or one of its two files. What was
// measured comes from the report where there is one, the way of the eyes from
// judging the track again.
func openCompared(path string, swing int, rules []coach.Rule) (c compared, err error) {
	fail := func(what string) (compared, error) {
		return c, &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: "compare", Path: path, What: what, Hint: "give a lesson's folder, its report.json or its track.json"}
	}
	c.given, c.dir = path, path
	report, track := filepath.Join(path, pipeline.ReportFile), filepath.Join(path, pipeline.TrackFile)
	switch st, err := os.Stat(path); {
	case errors.Is(err, os.ErrNotExist):
		return fail("no such lesson")
	case err != nil:
		return fail("can't be opened")
	case !st.IsDir():
		c.dir = filepath.Dir(path)
		report, track = path, filepath.Join(c.dir, pipeline.TrackFile)
		if kind, err := kindOf(path); err != nil {
			return fail(err.Error())
		} else if kind == "track" {
			report, track = "", path
		}
	}
	there := func(p string) bool {
		if p == "" {
			return false
		}
		_, err := os.Stat(p)
		return err == nil
	}
	if !there(report) && !there(track) {
		return fail("no lesson: it holds neither report.json nor track.json")
	}
	var judgedRep pipeline.Report
	if there(track) {
		t, err := openTrack(track)
		if err != nil {
			return c, err
		}
		if judgedRep, err = judging(rules)(t, t.Given); err != nil {
			return c, err
		}
		c.track, c.rep = &t, judgedRep
	}
	if there(report) {
		rep, err := openReport(report)
		if err != nil {
			return c, err
		}
		if c.track != nil && rep.Clip.ID != c.track.Clip.ID {
			return fail("report.json and track.json are of different clips")
		}
		for i := range rep.Swings {
			for _, s := range judgedRep.Swings {
				if s.Index == rep.Swings[i].Index && s.Geometry.Unit == rep.Swings[i].Geometry.Unit {
					rep.Swings[i].Path = s.Path
				}
			}
		}
		c.rep = rep
	}
	if swing != 0 {
		if !slices.ContainsFunc(c.rep.Swings, func(s pipeline.Swing) bool { return s.Index == swing }) {
			return c, usage("compare: %q has %d swings, not one of number %d", path, len(c.rep.Swings), swing)
		}
		for i := range c.rep.Swings {
			c.rep.Swings[i].Chosen = c.rep.Swings[i].Index == swing
		}
	}
	sw := c.rep.Chosen()
	if sw == nil {
		return fail("it shows no swing")
	}
	c.Clip, c.View, c.Bats, c.Swing = c.rep.Clip.ID, c.rep.Batter.View, c.rep.Batter.Bats, sw.Index
	return c, nil
}

// kindOf tells a track from a report by what it holds.
func kindOf(path string) (string, error) {
	b, err := limited(path)
	if err != nil {
		return "", err
	}
	var head struct {
		Windows *json.RawMessage `json:"windows"`
		Swings  *json.RawMessage `json:"swings"`
	}
	if err := json.Unmarshal(b, &head); err != nil || head.Windows == nil && head.Swings == nil {
		return "", errors.New("neither a report nor a track")
	}
	if head.Swings != nil {
		return "report", nil
	}
	return "track", nil
}

func limited(path string) ([]byte, error) {
	st, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, errors.New("can't be opened")
	case !st.Mode().IsRegular():
		return nil, errors.New("not a file")
	case st.Size() > trackLimit:
		return nil, errors.New("too large for a lesson's file")
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, errors.New("can't be read")
	}
	return b, nil
}

func openReport(path string) (rep pipeline.Report, err error) {
	fail := func(err error) (pipeline.Report, error) {
		return rep, &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: "compare", Path: path, What: "not a report: " + err.Error(), Hint: "give the report.json that tapeline wrote", Err: err}
	}
	b, err := limited(path)
	if err != nil {
		return fail(err)
	}
	if err := json.Unmarshal(b, &rep); err != nil {
		return fail(err)
	}
	if rep.Schema != pipeline.ReportSchema {
		return fail(fmt.Errorf("of version %d; this tapeline reads version %d", rep.Schema, pipeline.ReportSchema))
	}
	if err := schema.Report(b); err != nil {
		return fail(err)
	}
	return rep, nil
}

// fromLedger adds the days, and refuses two players: no child is laid beside
// another.
func fromLedger(ctx context.Context, b book, two *[2]compared) error {
	if !b.there(ctx) {
		return nil
	}
	l, err := b.open(ctx)
	if err != nil {
		return err
	}
	defer l.Close()
	all, err := l.Lessons(ctx, "")
	if err != nil {
		return err
	}
	for i := range two {
		for _, x := range all {
			if x.Clip == two[i].Clip {
				two[i].Player, two[i].Day = x.Player, x.Day
			}
		}
		p, _, err := l.Player(ctx, two[i].Player)
		if err != nil {
			return err
		}
		two[i].name = p.Name
	}
	if a, b := two[0].Player, two[1].Player; a != "" && b != "" && a != b {
		return usage("compare: by the ledger A is a swing of player %s and B of player %s; only swings of one player are compared", a, b)
	}
	return nil
}

// label is the day where it is known, else the folder's name, and the swing
// where a clip has several.
func (c *compared) label(l words.Lang) string {
	s := filepath.Base(c.given)
	if strings.HasSuffix(s, ".json") {
		if abs, err := filepath.Abs(c.dir); err == nil {
			s = filepath.Base(abs)
		}
	}
	switch drawn := c.drawn(l); {
	case c.Day != "":
		return drawn
	case drawn != "":
		return s + ", " + drawn
	}
	return s
}

// drawn is the same without the folder's name.
func (c *compared) drawn(l words.Lang) string {
	var parts []string
	if c.Day != "" {
		parts = append(parts, l.Date(c.Day))
	}
	if n := len(c.rep.Swings); n > 1 {
		parts = append(parts, fmt.Sprintf(l.Table["swing"], c.Swing, n))
	}
	return strings.Join(parts, ", ")
}

// compareRows are the headline measures for the picture; rep is the later
// one's.
func compareRows(l words.Lang, changes []pipeline.Change, rep *pipeline.Report) (out []progress.Row) {
	for i := range changes {
		if ch := &changes[i]; isHeadline(&ch.After) {
			b := rep.Band(&ch.After)
			out = append(out, progress.Row{Name: l.MeasureName(&ch.After), Values: l.Against(&ch.Before, b) + " → " + l.Against(&ch.After, b),
				Verdict: briefly(l, deltaOf(ch, b)), Larger: ch.Larger})
		}
	}
	return out
}

// briefly is a change for the narrow picture: which way it went is said of what
// is larger than the doubt only.
func briefly(l words.Lang, d *delta) string {
	if d.Course == pipeline.NoCourse || d.Course == pipeline.Changed {
		plain := *d
		plain.Course = pipeline.NoCourse
		return deltaText(l, &plain, false)
	}
	return signed(l, d.Difference, d.unit, l.Decimals(d.unit, *d.Doubt)) + ", " + l.Progress[string(d.Course)]
}

// stillsOfBoth decodes the stills of both; missing is the lesson whose clip is
// not at hand, −1 for none.
func stillsOfBoth(ctx context.Context, two [2]compared, named [2]string) (stills [2][]sheet.Still, missing int, err error) {
	var clips [2]pipeline.Clip
	for i := range two {
		c, ok, err := findClip(ctx, &two[i], named[i])
		if err != nil {
			return stills, -1, err
		}
		if !ok {
			return stills, i, nil
		}
		clips[i] = c
	}
	for i := range two {
		if stills[i], err = stillsOf(ctx, clips[i], &two[i].rep); err != nil {
			return stills, -1, err
		}
	}
	return stills, -1, nil
}

// findClip looks for the clip that was read: it is known by its bytes.
func findClip(ctx context.Context, c *compared, named string) (found pipeline.Clip, ok bool, err error) {
	if named != "" {
		found, err := clip.Probe(ctx, named)
		if err != nil {
			return found, false, err
		}
		if found.ID != c.Clip {
			return found, false, usage("compare: %q is not the clip of %q", named, c.given)
		}
		found.Path = named
		return found, true, nil
	}
	dir, err := filepath.Abs(c.dir)
	if err != nil {
		return found, false, nil
	}
	for _, d := range []string{dir, filepath.Dir(dir), filepath.Dir(filepath.Dir(dir)), "."} {
		path := filepath.Join(d, filepath.Base(c.rep.Clip.Name))
		if st, err := os.Stat(path); err != nil || !st.Mode().IsRegular() {
			continue
		}
		if found, err := clip.Probe(ctx, path); err == nil && found.ID == c.Clip {
			found.Path = path
			return found, true, nil
		}
	}
	return found, false, ctx.Err()
}

func compareJSON(w io.Writer, two [2]compared, sameView bool, changes []pipeline.Change, left []pipeline.Left) error {
	type difference struct {
		pipeline.Change
		Difference float64  `json:"difference"` // B − A
		Doubt      *float64 `json:"doubt"`      // its 95 % half width
		// Which way it went, seen from B's band; empty: none, or no sure change.
		Course pipeline.Course `json:"course,omitempty"`
	}
	all := []difference{}
	for i := range changes {
		d := deltaOf(&changes[i], two[1].rep.Band(&changes[i].After))
		all = append(all, difference{changes[i], d.Difference, d.Doubt, d.Course})
	}
	if left == nil {
		left = []pipeline.Left{}
	}
	return writeJSON(w, struct {
		Schema      int             `json:"schema"`
		A           compared        `json:"a"`
		B           compared        `json:"b"`
		SameView    bool            `json:"same_view"`
		Differences []difference    `json:"differences"`
		Left        []pipeline.Left `json:"not_compared"`
	}{1, two[0], two[1], sameView, all, left})
}
