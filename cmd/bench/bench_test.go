package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
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

// Landmarks are compared where both have some.
func TestApart(t *testing.T) {
	two := [][2]float64{{.1, .2}, {.5, .5}}
	a := []looked{{Points: two}, {}, {Points: two}}
	b := []looked{{Points: [][2]float64{{.1, .2}, {.53, .54}}}, {Points: two}, {Points: two}}
	if mean, most, n := apart(a, b, 100, 100); math.Abs(mean-1.25) > 1e-9 || math.Abs(most-5) > 1e-9 || n != 2 {
		t.Error(mean, most, n)
	}
}

func TestStageNames(t *testing.T) {
	of := func(name string, s float64) pair { return pair{stages: map[string]stage{name: {s, 1}}} }
	clips := []timedClip{{pairs: []pair{of("a", 1), of("b", 3)}}, {pairs: []pair{of("c", 2)}}}
	if got := strings.Join(stageNames(clips), ""); got != "bca" {
		t.Error(got)
	}
	var w strings.Builder
	printStages(&w, clips)
	if !strings.Contains(w.String(), "| stage |  |  |\n|---|---|---|\n| b | 1.5 (0) | |\n| c | | 2.0 (1) |\n") {
		t.Error(w.String())
	}
}

// What is asked for is one of what there is.
func TestNamed(t *testing.T) {
	for _, args := range [][]string{{"-only", "lesson,no such"}, {"-pairs", "0"}, {"clip.mp4"}} {
		if err := run(append(args, "-cache", t.TempDir()), io.Discard); err == nil {
			t.Errorf("%v is taken", args)
		}
	}
}
