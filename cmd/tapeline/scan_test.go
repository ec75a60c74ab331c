package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/config"
	"tapeline/detect/card"
	"tapeline/detect/long"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/jobs"
)

// Whatever cards a recording shows: no piece goes over a card, pieces lie in
// order, each has a burst, and no burst is lost but where what is left of its
// candidate between two cards is too short for a swing.
func TestPieces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r long.Recording
		at := 0.
		for range rapid.IntRange(0, 5).Draw(t, "candidates") {
			from := at + rapid.Float64Range(0, 5).Draw(t, "gap")
			at = from + rapid.Float64Range(2, 12).Draw(t, "length")
			c := long.Candidate{From: from, To: at}
			for range rapid.IntRange(1, 3).Draw(t, "bursts") {
				c.Bursts = append(c.Bursts, from+rapid.Float64Range(0, .999).Draw(t, "burst")*(at-from))
			}
			r.Candidates = append(r.Candidates, c)
		}
		var seen []card.Sighting
		for range rapid.IntRange(0, 9).Draw(t, "cards") {
			seen = append(seen, card.Sighting{T: rapid.Float64Range(0, 60).Draw(t, "shown"), ID: rapid.SampledFrom([]string{"b07", "c3"}).Draw(t, "id")})
		}
		r.Players = card.Spans(seen, 90)
		last := 0.
		doubt := rapid.Float64Range(0, .5).Draw(t, "doubt")
		all := pieces(r, doubt)
		for _, p := range all {
			if p.From < last || p.To-p.From < least || p.At < p.From || p.At > p.To {
				t.Errorf("%+v after %g", p, last)
			}
			last = p.To
			for _, s := range r.Players {
				if s.From > p.From && s.From < p.To {
					t.Errorf("%+v goes over the card at %g", p, s.From)
				}
			}
		}
		for _, p := range all {
			if !slices.ContainsFunc(r.Candidates, func(c long.Candidate) bool {
				return p.From >= c.From && p.To <= c.To && slices.ContainsFunc(c.Bursts, func(b float64) bool { return b >= p.From-doubt && b < p.To+doubt })
			}) {
				t.Errorf("%+v has no burst", p)
			}
		}
		for _, c := range r.Candidates {
			for _, b := range c.Bursts {
				from, to := c.From, c.To // what is left of it around the burst
				for _, s := range r.Players {
					if s.From <= b {
						from = max(from, s.From)
					} else {
						to = min(to, s.From)
					}
				}
				in := slices.ContainsFunc(all, func(p jobs.Cut) bool { return p.From == from && p.To == to })
				if in != (to-from >= least) {
					t.Errorf("burst at %g of %+v, between cards %g–%g: in a piece %v", b, c, from, to, in)
				}
			}
		}
	})
}

// What the notes beside a recording say of one player goes with its cuts only
// where there is one.
func TestCutNotes(t *testing.T) {
	side := config.Sidecar{View: "chest", Distance: "5m", Height: "150cm", Player: "b07", Times: map[string]float64{"contact": 700}, Swing: 3}
	for _, c := range []struct {
		name    string
		cards   []jobs.Span
		players []config.SidecarPart
		height  bool
	}{
		{"one player", nil, nil, true},
		{"cards", []jobs.Span{{Player: "b07"}}, nil, false},
		{"times", nil, []config.SidecarPart{{ID: "b07"}}, false},
	} {
		side.Players = c.players
		n, err := config.ParseSidecar(cutNotes(side, jobs.Plan{Cards: c.cards}))
		if err != nil || n.View != "chest" || n.Distance != "5m" || (n.Height != "") != c.height || n.Player != "" || n.Times != nil || n.Swing != 0 {
			t.Errorf("%s: %+v %v", c.name, n, err)
		}
	}
	if b := cutNotes(config.Sidecar{Player: "b07"}, jobs.Plan{}); len(b) > 0 {
		t.Errorf("%q", b)
	}
}

// The scan is given no secret, and what is behind "--" is the recording whatever
// it is called.
func TestScanChild(t *testing.T) {
	t.Setenv("MAIL_PASSWORD", "secret")
	y := &yard{c: config.Config{Decoder: "software"}}
	env, err := y.environment()
	if err != nil {
		t.Fatal(err)
	}
	c := scanChild(env, jobs.Reading{Clip: jobs.Clip{Lies: "/in", Stem: "-rf", Ext: ".mov"}, Out: "/out"})
	if n := len(c.Args); c.Args[n-2] != "--" || c.Args[n-1] != "/in/-rf.mov" || c.Dir != "/out" {
		t.Errorf("%q in %s", c.Args, c.Dir)
	}
	if strings.Contains(strings.Join(c.Env, "\n"), "secret") {
		t.Errorf("%q", c.Env)
	}
	if !slices.Contains(c.Env, "TAPELINE_DECODER=software") {
		t.Errorf("%q", c.Env)
	}
}

// One cut that can't be made fails all, with its own fault and not with that of
// the one beside it, which is stopped.
func TestCutOutFails(t *testing.T) {
	if testing.Short() {
		t.Skip("cuts a film")
	}
	ctx := context.Background()
	c, err := clip.Probe(ctx, "../../samples/open_faults.mp4")
	if err != nil {
		t.Fatal(err)
	}
	nothing := jobs.Cut{From: c.Duration + 5, To: c.Duration + 6}
	for _, bad := range []int{0, 1, 2} {
		plan := jobs.Plan{Cuts: []jobs.Cut{{From: 0, To: 1}, {From: 1, To: 2}, {From: 2, To: 3}}}
		plan.Cuts[bad] = nothing
		dir := t.TempDir()
		err := cutOut(ctx, c, dir, &plan, nil, nil)
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultInternal || !strings.Contains(e.What, "nothing from") {
			t.Errorf("cut %d: %v", bad, err)
		}
		if _, err := os.Stat(filepath.Join(dir, jobs.PlanFile)); err == nil {
			t.Error("there is a plan")
		}
	}
	plan := jobs.Plan{Cuts: []jobs.Cut{{From: 0, To: 1}, {From: 1, To: 2}}}
	stopped, stop := context.WithCancel(ctx)
	stop()
	if err := cutOut(stopped, c, t.TempDir(), &plan, nil, nil); err == nil {
		t.Error("nobody stopped it")
	}
}
