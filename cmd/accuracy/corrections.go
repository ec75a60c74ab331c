package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"tapeline/detect/coach"
	"tapeline/detect/swing"
	"tapeline/pipeline"
)

// measureCorrections judges the tracks of a folder that "tapeline corrections"
// wrote, and prints how far this program's phases and points lie from where
// coaches put them. A coach sees a picture as well as anybody, and is no exact
// truth: a moment is sharp to half a picture, a point to about a centimetre
// (common practice, no source).
func measureCorrections(w io.Writer, dir string, rules []coach.Rule) error {
	tracks, err := filepath.Glob(filepath.Join(dir, "*", pipeline.TrackFile))
	if err != nil {
		return err
	}
	if len(tracks) == 0 {
		return fmt.Errorf("%s: no corrected lessons; \"tapeline corrections --out\" writes them", dir)
	}
	fmt.Fprintf(w, "| lesson | what | picture | off | held |\n|---|---|---|---|---|\n")
	by := map[string][]pipeline.Moved{}
	for _, path := range tracks {
		var hand pipeline.Coach
		b, err := os.ReadFile(path)
		c, err2 := os.ReadFile(filepath.Join(filepath.Dir(path), "corrected.json"))
		if err := errors.Join(err, err2); err != nil {
			return err
		}
		t, err := pipeline.ParseTrack(b)
		if err == nil {
			err = json.Unmarshal(c, &hand)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		name := filepath.Base(filepath.Dir(path))
		rep, err := swing.Judge(t, t.Given)
		if err != nil {
			fmt.Fprintf(w, "| %s | %v | | | |\n", name, err)
			continue
		}
		coach.Advise(&rep, t.Given, rules)
		for _, m := range pipeline.Moves(t.Clip, &rep, &hand) {
			what := cmp.Or(string(m.Event), m.Part)
			by[what] = append(by[what], m)
			fmt.Fprintf(w, "| %s | %s | %d | %s | %s |\n", name, what, m.Frame, off(m), map[bool]string{true: "yes"}[m.Held])
		}
	}
	fmt.Fprintf(w, "\n| what | corrections | mean | half within | most | held |\n|---|---|---|---|---|---|\n")
	kinds := make([]string, 0, len(by))
	for _, k := range pipeline.EventKinds {
		kinds = append(kinds, string(k))
	}
	for _, what := range append(kinds, pipeline.Parts...) {
		var all []float64
		held, sum := 0, 0.0
		for _, m := range by[what] {
			if m.Found {
				all = append(all, math.Abs(amount(m)))
				sum += amount(m)
			}
			if m.Held {
				held++
			}
		}
		if len(by[what]) == 0 {
			continue
		}
		slices.Sort(all)
		if len(all) == 0 {
			fmt.Fprintf(w, "| %s | %d | not found | | | |\n", what, len(by[what]))
			continue
		}
		unit := "cm"
		if by[what][0].Event != "" {
			unit = "s"
		}
		fmt.Fprintf(w, "| %s | %d | %.3f %s | %.3f %s | %.3f %s | %d of %d |\n", what, len(by[what]), sum/float64(len(all)), unit, all[(len(all)-1)/2], unit, all[len(all)-1], unit, held, len(all))
	}
	return nil
}

// amount is how far off a correction was: seconds later, or centimetres.
func amount(m pipeline.Moved) float64 {
	if m.Event != "" {
		return m.Seconds
	}
	return m.CM
}

func off(m pipeline.Moved) string {
	switch {
	case !m.Found:
		return "not found"
	case m.Event != "":
		return fmt.Sprintf("%+.3f s", m.Seconds)
	case m.CM > 0:
		return fmt.Sprintf("%.1f cm", m.CM)
	}
	return fmt.Sprintf("%.1f px", m.Apart())
}
