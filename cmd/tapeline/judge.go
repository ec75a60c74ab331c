package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"tapeline/detect/coach"
	"tapeline/pipeline"
	"tapeline/pipeline/publish"
	"tapeline/pipeline/schema"
)

var judgeCommand = command{
	name:  "judge",
	about: "make the report again from a saved track, without the clip",
	usage: `usage: tapeline judge TRACK [flags]

Judges what was seen before: TRACK is a track.json, or the folder it lies in.
Without further flags the report is, byte for byte, the one that was written
beside it. Without --out it goes to standard output.

  --out DIR    write DIR/report.json and print the table
  --force      replace a report that is there
  --sidecar F  judge by what the sidecar F says now (see "tapeline help read")
  --player ID  --name NAME  --date DATE  --ledger FILE
               bring the player's lesson in the ledger up to date; with --out
  --lang L  --units U  --config FILE    how the table is written

Other than when the clip was read (see "tapeline help read"):
  --height H  --bats R|L  --view V  --swing N  --distance D  --scale S
  --level L  --sport S
`,
}

func init() { judgeCommand.run = judge }

// trackLimit is the largest track.json that is read, bytes: an hour of it.
const trackLimit = 1 << 30

func judge(ctx context.Context, io streams, args []string) error {
	f := flag.NewFlagSet("judge", flag.ContinueOnError)
	var g givenFlags
	var sp speech
	var out, conf, side, book string
	var by aside
	var force bool
	g.add(f)
	sp.add(f)
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&out, "out", "", "")
	f.BoolVar(&force, "force", false, "")
	f.StringVar(&side, "sidecar", "", "")
	f.StringVar(&by.player, "player", "", "")
	f.StringVar(&by.name, "name", "", "")
	f.StringVar(&by.date, "date", "", "")
	f.StringVar(&book, "ledger", "", "")
	tracks, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(tracks) != 1 {
		return usage("judge: one track, not %d", len(tracks))
	}
	for _, f := range [][2]string{{"batter", g.batter}, {"marker", g.marker}} {
		if f[1] != "" {
			return usage("judge: --%s has no effect on a saved track; read the clip again with it", f[0])
		}
	}
	if err := by.check(); err != nil {
		return err
	}
	if by.player != "" && (out == "" || out == "-" || out == "stdout") {
		return usage("judge: --player remembers what is written: give --out too")
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	at, err := bookOf(book, c, c.Out)
	if err != nil {
		return err
	}
	if by.player != "" {
		if err := at.ready(ctx); err != nil {
			return err
		}
	}
	text, err := sp.over(c)
	if err != nil {
		return err
	}
	rules, err := coach.RulesFile(c.Rules)
	if err != nil {
		return err
	}
	if _, err := g.over(pipeline.Given{}); err != nil { // before the long reading
		return err
	}
	track, err := openTrack(tracks[0])
	if err != nil {
		return err
	}
	known := track.Given
	if side != "" {
		if known, err = sidecarOver(side, known); err != nil {
			return err
		}
		if err := droppable(known.Coach, rules, side); err != nil {
			return err
		}
	}
	given, err := g.over(known)
	if err != nil {
		return err
	}
	track.Given = given
	rep, err := judging(rules)(track, given)
	if err != nil {
		var e *pipeline.Error
		if errors.As(err, &e) && e.Path == "" {
			c := *e
			c.Path = tracks[0]
			err = &c
		}
		return err
	}
	b, err := pipeline.MarshalReport(rep)
	if err != nil {
		return err
	}
	if out == "" || out == "-" || out == "stdout" {
		_, err := io.out.Write(b)
		return err
	}
	path := filepath.Join(out, pipeline.ReportFile)
	if err := publish.File(path, b, force); err != nil {
		return err
	}
	printTable(io.out, text, rep)
	fmt.Fprintf(io.out, "\n%s\n", path)
	if by.player == "" {
		return nil
	}
	kept, err := remember(ctx, at, by, out, rep)
	kept.print(io.out, text)
	return err
}

func openTrack(path string) (pipeline.Track, error) {
	fail := func(what string, err error) error {
		return &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: "judge", Path: path, What: what,
			Hint: "give the track.json that tapeline read wrote", Err: err}
	}
	at := path
	st, err := os.Stat(at)
	if err == nil && st.IsDir() {
		at = filepath.Join(path, pipeline.TrackFile)
		st, err = os.Stat(at)
	}
	switch {
	case errors.Is(err, os.ErrNotExist):
		return pipeline.Track{}, fail("no such file", err)
	case err != nil:
		return pipeline.Track{}, fail("can't be opened", err)
	case !st.Mode().IsRegular():
		return pipeline.Track{}, fail("not a file", nil)
	case st.Size() > trackLimit:
		return pipeline.Track{}, fail("too large for a track", nil)
	}
	b, err := os.ReadFile(at)
	if err != nil {
		return pipeline.Track{}, fail("can't be read", err)
	}
	t, err := pipeline.ParseTrack(b)
	if err != nil {
		return t, fail(err.Error(), err)
	}
	if err := schema.Track(b); err != nil {
		return t, fail("not a track: "+err.Error(), err)
	}
	return t, nil
}
