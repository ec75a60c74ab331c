package main

import (
	"bytes"
	"encoding/json"
	"math/rand"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tapeline/detect/coach"
	"tapeline/detect/swing"
	"tapeline/detect/swing/sim"
	"tapeline/pipeline"
)

// Contact that was moved three pictures later is off by three pictures.
func TestCorrections(t *testing.T) {
	q := sim.Usual()
	track := sim.Track(sim.Swing(q), sim.Perfect(), rand.New(rand.NewSource(1)))
	track.Given = pipeline.Given{HeightCM: 100 * q.Stature}
	rep, err := swing.Judge(track, track.Given)
	if err != nil {
		t.Fatal(err)
	}
	e := rep.Chosen().Event(pipeline.Contact)
	at := track.Clip.PTS[*e.Frame+3]
	dir := t.TempDir()
	lesson := filepath.Join(dir, "0123abcd")
	if err := os.Mkdir(lesson, 0o700); err != nil {
		t.Fatal(err)
	}
	text, err := pipeline.MarshalTrack(track)
	if err != nil {
		t.Fatal(err)
	}
	hand, err := json.Marshal(pipeline.Coach{Times: []pipeline.Timed{{Event: pipeline.Contact, T: at}}})
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{pipeline.TrackFile: text, "corrected.json": hand} {
		if err := os.WriteFile(filepath.Join(lesson, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	rules, err := coach.Rules(nil)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := measureCorrections(&out, dir, rules); err != nil {
		t.Fatal(err)
	}
	want := pipeline.Moves(track.Clip, &rep, &pipeline.Coach{Times: []pipeline.Timed{{Event: pipeline.Contact, T: at}}})[0]
	if !strings.Contains(out.String(), "| 0123abcd | contact | ") || !strings.Contains(out.String(), "| "+off(want)+" |") || !strings.Contains(out.String(), "| contact | 1 | ") {
		t.Errorf("%s; want %s", out.String(), off(want))
	}
	if err := measureCorrections(&out, t.TempDir(), rules); err == nil {
		t.Error("an empty folder was measured")
	}
}
