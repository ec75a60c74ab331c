package swing

import (
	"math"
	"math/rand"
	"testing"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// barrelled puts into a track where the bat moves beside the body: of twenty
// places along it, in each frame and the one before, those that the batter's
// trunk and arms do not cover.
func barrelled(tr *sim.Truth, k p.Track) p.Track {
	each(&k, func(s *p.Seen) {
		if s.Index == 0 {
			return
		}
		var m p.Point
		n := 0.
		now := &tr.Frames[s.Index]
		for _, f := range []*sim.Frame{&tr.Frames[s.Index-1], now} {
			h := math.Abs(f.Px[p.LeftEar].Y - f.Px[p.LeftAnkle].Y)
			for i := range 20 {
				u := (float64(i) + .5) / 20
				var w [3]float64
				for c := range w {
					w[c] = (1-u)*f.Knob[c] + u*f.Tip[c]
				}
				q, _ := f.Camera.Project(w)
				hidden := false
				for _, b := range [][2]int{{p.LeftShoulder, p.LeftHip}, {p.RightShoulder, p.RightHip}, {p.LeftShoulder, p.RightHip},
					{p.LeftShoulder, p.LeftElbow}, {p.LeftElbow, p.LeftWrist}, {p.RightShoulder, p.RightElbow}, {p.RightElbow, p.RightWrist}} {
					a, b := f.Px[b[0]], f.Px[b[1]]
					d := p.Point{X: b.X - a.X, Y: b.Y - a.Y}
					t := math.Min(1, math.Max(0, ((q.X-a.X)*d.X+(q.Y-a.Y)*d.Y)/(d.X*d.X+d.Y*d.Y)))
					hidden = hidden || math.Hypot(q.X-a.X-t*d.X, q.Y-a.Y-t*d.Y) < .06*h
				}
				if !hidden {
					m.X, m.Y, n = m.X+q.X, m.Y+q.Y, n+1
				}
			}
		}
		if n > 0 {
			s.BatAt = &p.Point{X: m.X / n, Y: m.Y / n}
		}
	})
	return k
}

// From the side the bat that passes the hands tells contact without ball and
// sound, and better than energy and hands do.
func TestContactFromTheBatThatPasses(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	for _, view := range []p.View{p.ViewChest, p.ViewBack} {
		n, told, inside := 0, 0, 0
		var sum, blunt, bias float64
		for range 16 {
			q := random(view, []float64{30, 60, 120}[rng.Intn(3)], rng)
			tr := sim.Swing(q)
			k := silent(sim.Track(tr, sim.Measured(), rng))
			given := p.Given{HeightCM: 100 * q.Stature, Bats: q.Bats, View: view}
			without, err := Judge(k, given)
			if err != nil {
				continue
			}
			with, err := Judge(barrelled(tr, k), given)
			if err != nil {
				t.Fatal(err)
			}
			n++
			truth := tr.Phases[p.Contact]
			a, b := without.Chosen().Event(p.Contact), with.Chosen().Event(p.Contact)
			if *b.Hi-*b.Lo > .075 {
				continue
			}
			told++
			if *b.Lo <= truth && truth <= *b.Hi {
				inside++
			}
			blunt += math.Abs(*a.T - truth)
			sum += math.Abs(*b.T - truth)
			bias += *b.T - truth
		}
		t.Logf("%s: told in %d of %d, inside %d, mean error %.1f ms instead of %.1f, bias %.1f", view, told, n, inside, 1000*sum/float64(told), 1000*blunt/float64(told), 1000*bias/float64(told))
		if 10*told < 7*n || 100*inside < 85*told || sum > 20e-3*float64(told) {
			t.Errorf("%s: told in %d of %d, inside %d, mean error %.1f ms", view, told, n, inside, 1000*sum/float64(told))
		}
	}
}

// Motion that stays on one side of the hands tells nothing.
func TestBatThatDoesNotPass(t *testing.T) {
	k := silent(usual())
	want := contactOf(t, k)
	each(&k, func(s *p.Seen) {
		if s.Pose != nil {
			q := s.Pose.Mean(p.LeftWrist, p.RightWrist)
			q.X += .1 * s.Pose.Height()
			s.BatAt = &q
		}
	})
	if e := contactOf(t, k); *e.T != *want.T {
		t.Errorf("%.3f, without %.3f", *e.T, *want.T)
	}
}
