package main

import (
	"math/rand"

	"tapeline/detect/swing"
	"tapeline/detect/swing/sim"
	"tapeline/pipeline"
)

// simulate judges n simulated swings with the errors of seeing that were
// measured, told nothing but the batter's height. The same n and seed give the
// same swings; clean ones have no fault.
func simulate(n int, seed int64, clean bool) []judgedSwing {
	var out []judgedSwing
	for i := range n {
		rng := rand.New(rand.NewSource(seed*1_000_003 + int64(i)))
		q := sim.Random(rng)
		if clean {
			q = sim.Clean(q, rng)
		}
		t := sim.Swing(q)
		out = append(out, judge(t, sim.Track(t, sim.Measured(), rng)))
	}
	return out
}

func judge(t *sim.Truth, tr pipeline.Track) judgedSwing {
	q := t.Params
	w := judgedSwing{bats: q.Bats, stature: q.Stature, view: q.View, swung: t.Swung(), fps: q.FPS, truths: map[kind]float64{}, events: t.Phases}
	for k, v := range t.Measures {
		w.truths[kind{k.Key, k.From, k.At}] = v
	}
	w.sound = q.Ball != sim.Dry && len(tr.Onsets) > 0
	if rep, err := swing.Judge(tr, pipeline.Given{HeightCM: 100 * q.Stature}); err == nil {
		w.rep = &rep
	}
	return w
}
