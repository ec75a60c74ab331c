package main

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/config"
	"tapeline/detect/card"
	"tapeline/detect/long"
	"tapeline/pipeline/jobs"
)

// Whatever cards a recording shows: no piece goes over a card, pieces lie in
// their candidates in order, and what is left out is too short for a swing.
func TestPieces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r long.Recording
		at := 0.
		for range rapid.IntRange(0, 5).Draw(t, "candidates") {
			from := at + rapid.Float64Range(0, 5).Draw(t, "gap")
			at = from + rapid.Float64Range(2, 12).Draw(t, "length")
			r.Candidates = append(r.Candidates, long.Candidate{From: from, To: at, At: rapid.Float64Range(from, at).Draw(t, "at")})
		}
		var seen []card.Sighting
		for range rapid.IntRange(0, 9).Draw(t, "cards") {
			seen = append(seen, card.Sighting{T: rapid.Float64Range(0, 60).Draw(t, "shown"), ID: rapid.SampledFrom([]string{"b07", "c3"}).Draw(t, "id")})
		}
		r.Players = card.Spans(seen, 90)
		last := 0.
		left := map[int]float64{}
		for i, c := range r.Candidates {
			left[i] = c.To - c.From
		}
		for _, p := range pieces(r) {
			if p.From < last || p.To-p.From < least || p.At < p.From || p.At >= p.To && p.At != r.Candidates[len(r.Candidates)-1].To {
				t.Errorf("%+v after %g", p, last)
			}
			last = p.To
			for _, s := range r.Players {
				if s.From > p.From && s.From < p.To {
					t.Errorf("%+v goes over the card at %g", p, s.From)
				}
			}
			for i, c := range r.Candidates {
				if p.From >= c.From && p.To <= c.To {
					left[i] -= p.To - p.From
				}
			}
		}
		for i, c := range r.Candidates {
			changes := 1
			for _, s := range r.Players {
				if s.From > c.From && s.From < c.To {
					changes++
				}
			}
			if left[i] > least*float64(changes) || changes == 1 && left[i] > 1e-9 {
				t.Errorf("%g of %+v are left out", left[i], c)
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
