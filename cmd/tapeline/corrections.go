package main

import (
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
)

var correctionsCommand = command{
	name:  "corrections",
	about: "tell how often and how far a coach moved what was read",
	usage: `usage: tapeline corrections [flags]

Lays what was corrected at the desk, or in the notes beside an original, beside
what was read: for every phase and every point how often it was moved and how
far. That is the error of the program in the field.

  --out DIR       write them for "scripts/accuracy --corrections DIR": for each
                  lesson a folder with its track.json, corrected.json, and the
                  reports before and after, and all moves in moved.csv. There are
                  no pictures, names, notes or words in them, but the way a
                  player moves: keep them as private as the lessons.
  --json          one JSON object on standard output instead of the table
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { correctionsCommand.run = corrections }

// The files of one corrected lesson.
const (
	correctedFile = "corrected.json"
	beforeFile    = "before.json"
	afterFile     = "after.json"
	movedFile     = "moved.csv"
)

// moves are those of one lesson.
type moves struct {
	Clip  string           `json:"clip"` // first digits of its hash
	Moved []pipeline.Moved `json:"moved"`
}

func corrections(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("corrections", flag.ContinueOnError)
	var conf, out string
	var asJSON bool
	var sp speech
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	f.StringVar(&out, "out", "", "")
	f.BoolVar(&asJSON, "json", false, "")
	names, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("corrections: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	shelf, err := openShelf(ctx, y, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer shelf.Close()
	clips, err := shelf.st.Clips(ctx, jobs.Done)
	if err != nil {
		return err
	}
	if out != "" {
		if err := os.MkdirAll(out, 0o700); err != nil {
			return notWritten(out, err)
		}
	}
	all := []moves{}
	for i := range clips {
		if err := ctx.Err(); err != nil {
			return err
		}
		m, err := shelf.corrected(&clips[i], out)
		if err != nil {
			complain(s.err, err)
			continue
		}
		if len(m.Moved) > 0 {
			all = append(all, m)
		}
	}
	if out != "" {
		if err := writeMoves(filepath.Join(out, movedFile), all); err != nil {
			return err
		}
	}
	if asJSON {
		return writeJSON(s.out, struct {
			Lessons []moves `json:"lessons"`
		}{all})
	}
	y.tellMoves(s.out, all)
	return nil
}

func notWritten(path string, err error) error {
	return &pipeline.Error{Fault: pipeline.FaultOutput, Path: path, What: "can't be written", Err: err}
}

// corrected lays a clip's corrections beside what is read without them, and
// writes both below out.
func (d *deskShelf) corrected(c *jobs.Clip, out string) (m moves, err error) {
	m.Clip = c.Short()
	if c.Final == "" || c.Kind == jobs.KindRecording {
		return m, nil
	}
	side, err := readSidecar(paperOf(c).Notes)
	if err != nil {
		return m, err
	}
	hand := side.Coach()
	if hand == nil || len(hand.Times)+len(hand.Points) == 0 {
		return m, nil
	}
	t, err := d.track(c)
	if err != nil {
		return m, err
	}
	own := *t
	own.Clip.Name = c.Short() + ".mp4" // a name may tell who it is
	judged := func(side config.Sidecar) (pipeline.Report, error) {
		given, err := d.given(c, t, side)
		if err != nil {
			return pipeline.Report{}, err
		}
		own.Given = given
		return judging(d.rules)(own, given)
	}
	side.Notes, side.Findings = nil, config.Sidecar{}.Findings // the coach's words
	after, err := judged(side)
	if err != nil {
		return m, err
	}
	hand = side.Coach()
	side.Times, side.Points = nil, nil
	before, err := judged(side)
	if err != nil {
		return m, err
	}
	m.Moved = pipeline.Moves(own.Clip, &before, hand)
	if out == "" {
		return m, nil
	}
	dir := filepath.Join(out, c.Short())
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return m, notWritten(dir, err)
	}
	track, e1 := pipeline.MarshalTrack(own)
	corrected, e2 := json.MarshalIndent(hand, "", "  ")
	b, e3 := pipeline.MarshalReport(before)
	a, e4 := pipeline.MarshalReport(after)
	if err := errors.Join(e1, e2, e3, e4); err != nil {
		return m, err
	}
	for name, text := range map[string][]byte{pipeline.TrackFile: track, correctedFile: append(corrected, '\n'), beforeFile: b, afterFile: a} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			return m, notWritten(filepath.Join(dir, name), err)
		}
	}
	return m, nil
}

// writeMoves writes one line a move.
func writeMoves(path string, all []moves) (err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return notWritten(path, err)
	}
	defer func() {
		if e := f.Close(); err == nil && e != nil {
			err = notWritten(path, e)
		}
	}()
	w := csv.NewWriter(f)
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }
	_ = w.Write([]string{"clip", "what", "frame", "found", "seconds", "held", "right_px", "down_px", "cm"})
	for _, l := range all {
		for _, m := range l.Moved {
			_ = w.Write([]string{l.Clip, cmp.Or(string(m.Event), m.Part), strconv.Itoa(m.Frame), strconv.FormatBool(m.Found), num(m.Seconds), strconv.FormatBool(m.Held), num(m.Right), num(m.Down), num(m.CM)})
		}
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return notWritten(path, err)
	}
	return nil
}

// tellMoves prints how often and how far each phase and point was moved.
func (y *yard) tellMoves(w io.Writer, all []moves) {
	t := y.text.Desk
	if len(all) == 0 {
		fmt.Fprintln(w, t["c_none"])
		return
	}
	fmt.Fprintf(w, t["c_lessons"]+"\n\n", len(all))
	by := map[string][]pipeline.Moved{}
	for _, l := range all {
		for _, m := range l.Moved {
			k := cmp.Or(string(m.Event), m.Part)
			by[k] = append(by[k], m)
		}
	}
	rows := [][]string{{t["c_what"], t["c_often"], t["c_mean"], t["c_spread"], t["c_most"], t["c_held"]}}
	line := func(name string, of []pipeline.Moved, amount func(m pipeline.Moved) float64, unit string, decimals int) {
		if len(of) == 0 {
			return
		}
		var found []float64
		held, mean := 0, 0.0
		for _, m := range of {
			if m.Found {
				found = append(found, amount(m))
				mean += amount(m)
			}
			if m.Held {
				held++
			}
		}
		r := []string{name, strconv.Itoa(len(of)), "", "", "", ""}
		if n := len(found); n > 0 {
			far := make([]float64, n)
			for i, v := range found {
				far[i] = math.Abs(v)
			}
			slices.Sort(far)
			r[2], r[3], r[4] = y.text.Short(mean/float64(n), unit, decimals), y.text.Short(far[(n-1)/2], unit, decimals), y.text.Short(far[n-1], unit, decimals)
		}
		if unit == "s" {
			r[5] = fmt.Sprintf("%d/%d", held, len(found))
		}
		rows = append(rows, r)
	}
	for _, k := range pipeline.EventKinds {
		line(y.text.Events[k], by[string(k)], func(m pipeline.Moved) float64 { return m.Seconds }, "s", 3)
	}
	for _, p := range pipeline.Parts {
		line(t["part_"+p], by[p], func(m pipeline.Moved) float64 { return m.CM }, "cm", 1)
	}
	table(w, rows)
	fmt.Fprintln(w, "\n"+t["c_note"])
}
