package main

import (
	"cmp"
	"errors"
	"os"
	"path/filepath"
	"strings"

	"tapeline/config"
	"tapeline/detect/coach"
	"tapeline/pipeline"
)

// voiceForms are the endings a voice note beside a clip may have.
var voiceForms = []string{".m4a", ".wav", ".mp3"}

// beside lays over each other what is known of one clip: the configuration,
// the sidecar that lies beside it, the flags. The sidecar may drop the findings
// of the rules that there are.
func beside(clip string, known pipeline.Given, flags *givenFlags, by aside, rules []coach.Rule) (pipeline.Given, aside, error) {
	path := config.SidecarPath(clip)
	side, err := readSidecar(path)
	if err != nil {
		return known, by, err
	}
	if by.date == "" && tooLate(side.Date) {
		return known, by, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "sidecar", Path: path, What: "date: " + side.Date + " is yet to come", Hint: "mend it or give --date"}
	}
	known, err = noted(side, known, path)
	if err != nil {
		return known, by, err
	}
	if err := droppable(known.Coach, rules, path); err != nil {
		return known, by, err
	}
	by = aside{
		player: cmp.Or(by.player, side.Player), name: cmp.Or(by.name, side.Name), date: cmp.Or(by.date, side.Date),
		capture: cmp.Or(by.capture, side.Capture), voice: cmp.Or(by.voice, voiceBeside(clip)),
	}
	known, err = flags.over(known)
	return known, by, err
}

// droppable refuses a sidecar that drops findings of a rule that there isn't.
func droppable(hand *pipeline.Coach, rules []coach.Rule, path string) error {
	if err := coach.Droppable(hand, rules); err != nil {
		return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "sidecar", Path: path, What: err.Error()}
	}
	return nil
}

func readSidecar(path string) (config.Sidecar, error) {
	s, err := config.ReadSidecar(path)
	if err != nil {
		return s, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "sidecar", Path: path, What: err.Error(), Hint: "mend it or move it away"}
	}
	return s, nil
}

// sidecarOver lays a sidecar over what a saved track was judged by. What the
// coach put right is replaced as a whole: what is no longer there is undone.
// Batter and marker were followed when the clip was read.
func sidecarOver(path string, known pipeline.Given) (pipeline.Given, error) {
	if _, err := os.Stat(path); err != nil {
		return known, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "sidecar", Path: path, What: "can't be read", Hint: "check the name"}
	}
	side, err := readSidecar(path)
	if err != nil {
		return known, err
	}
	side.Batter, side.Marker = "", ""
	known.Coach = nil
	return noted(side, known, path)
}

// noted lays what a sidecar says over what was known before.
func noted(side config.Sidecar, known pipeline.Given, path string) (pipeline.Given, error) {
	words := givenFlags{height: side.Height, bats: side.Bats, view: side.View, distance: side.Distance,
		batter: side.Batter, marker: side.Marker, scale: side.Scale, swing: side.Swing}
	known, err := words.over(known)
	if err != nil {
		var e *pipeline.Error
		if errors.As(err, &e) {
			c := *e
			c.Path, c.What = path, strings.TrimPrefix(c.What, "--") // the keys are the flags' names
			err = &c
		}
		return known, err
	}
	if side.Level != "" {
		known.Level = pipeline.Level(side.Level)
	}
	if side.Sport != "" {
		known.Sport = pipeline.Sport(side.Sport)
	}
	if c := side.Coach(); c != nil {
		known.Coach = c
	}
	return known, nil
}

// voiceBeside is the voice note that lies beside a clip and bears its name.
func voiceBeside(clip string) string {
	stem := strings.TrimSuffix(clip, filepath.Ext(clip))
	for _, form := range voiceForms {
		if st, err := os.Stat(stem + form); err == nil && st.Mode().IsRegular() {
			return stem + form
		}
	}
	return ""
}
