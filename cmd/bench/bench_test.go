package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

func TestFigures(t *testing.T) {
	f := figureOf([]pair{{read: cost{wall: 3}}, {read: cost{wall: 1}}, {read: cost{wall: 2}}, {read: cost{wall: 10}}}, func(p pair) float64 { return p.read.wall })
	if got := fmt.Sprintf("%.1f", f); got != "2.5 (1.0–10.0)" {
		t.Error(got)
	}
}

func TestStages(t *testing.T) {
	tr := pipeline.NewTrace()
	for range 3 {
		tr.Begin("network", "heavy").End()
	}
	path := filepath.Join(t.TempDir(), "trace.json")
	w, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := tr.Write(w); err != nil {
		t.Fatal(err)
	}
	w.Close()
	got, err := stagesOf(path)
	if err != nil || len(got) != 1 || got["heavy"].times != 3 || got["heavy"].seconds <= 0 {
		t.Errorf("%v %v", got, err)
	}
}

// Costs are those of the program with all its children.
func TestTimed(t *testing.T) {
	if _, err := exec.LookPath("bash"); err != nil {
		t.Skip("no bash")
	}
	c, err := timed(true, "bash", "-c", "bash -c 'for ((i=0;i<100000;i++)); do :; done; sleep .4'; true")
	if err != nil || c.wall < .4 || c.cpu <= .02 || c.cpu > c.wall+1 || c.peak < .3 || c.peak > 200 {
		t.Errorf("%+v %v", c, err)
	}
	if _, err := timed(false, "bash", "-c", "echo what went wrong >&2; exit 3"); err == nil {
		t.Error("a failure is no time")
	}
}
