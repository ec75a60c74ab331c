package swing

import (
	"fmt"
	"math"
	"math/rand"
	"testing"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// flight is a ball by metres: where it meets the bat, and its velocities before
// and after.
type flight struct {
	at, in, out [3]float64
	late        float64 // behind contact, seconds
}

func (f flight) place(s float64) [3]float64 {
	s -= f.late
	v := f.in
	if s > 0 {
		v = f.out
	}
	return [3]float64{f.at[0] + v[0]*s, f.at[1] + v[1]*s, f.at[2] + v[2]*s - 9.81*s*s/2}
}

// swung is a simulated swing at a pitch without sound, read with the errors of
// reading, and the ball laid on its track in the frames in which it is in the
// picture and show agrees: a place, seconds off contact and body heights off
// true by blur and light. q is what it is drawn from.
func swung(q sim.Params, f func(tr *sim.Truth) flight, show func(s float64) bool, rng *rand.Rand) (p.Track, float64) {
	tr := sim.Swing(q)
	k := silent(sim.Track(tr, sim.Measured(), rng))
	c := tr.Phases[p.Contact]
	fl := f(tr)
	lit := [2]float64{.15 * rng.NormFloat64(), .15 * rng.NormFloat64()} // ball widths toward the light
	each(&k, func(s *p.Seen) {
		off := s.PTS - c
		fr := tr.Frames[s.Index]
		at, depth := fr.Camera.Project(fl.place(off))
		if math.Abs(off-fl.late) > .15 || !show(off) || depth < .5 || at.X < 0 || at.Y < 0 || at.X > float64(q.Width) || at.Y > float64(q.Height) {
			return
		}
		wide := .073 * fr.Camera.F / depth
		at.X += wide*lit[0] + rng.NormFloat64()
		at.Y += wide*lit[1] + rng.NormFloat64()
		s.Ball = &at
	})
	return k, c
}

// struck is a pitch and a hit of any pace and direction.
func struck(tr *sim.Truth, rng *rand.Rand) flight {
	in := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	var f flight
	near := math.Inf(1)
	for _, fr := range tr.Frames {
		if d := math.Abs(fr.T - tr.Phases[p.Contact]); d < near {
			near = d
			for c := range f.at {
				f.at[c] = .2*fr.Knob[c] + .8*fr.Tip[c]
			}
		}
	}
	f.in = [3]float64{-in(12, 40), in(-1, 1), in(-3, 1)}
	v, spray, launch := in(18, 42), rad(in(-35, 35)), rad(in(-8, 30))
	f.out = [3]float64{v * math.Cos(launch) * math.Cos(spray), v * math.Cos(launch) * math.Sin(spray), v * math.Sin(launch)}
	return f
}

// random is a full swing at a pitch from view at some frames a second.
func random(view p.View, fps float64, rng *rand.Rand) sim.Params {
	for {
		q := sim.Random(rng)
		if q.Act == sim.FullSwing {
			q.View, q.FPS, q.Ball = view, fps, sim.Pitch
			if q.Distance < 4.2 && view != p.ViewChest && view != p.ViewBack {
				q.Distance = 4.2
			}
			return q
		}
	}
}

// From every view the turn of a ball, with the errors of finding it, is contact
// to within a frame, and bounds hold. From behind the catcher the batter hides
// it until he hits it.
func TestContactFromABallSeenInPerspective(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	rng := rand.New(rand.NewSource(1))
	told, held, near := 0, 0, 0
	for _, view := range []p.View{p.ViewChest, p.ViewPitcher, p.ViewBack, p.ViewCatcher} {
		for _, fps := range []float64{30, 60} {
			n, seen, inside, frame, sum, half := 0, 0, 0, 0, 0., 0.
			for range 14 {
				q := random(view, fps, rng)
				k, truth := swung(q, func(tr *sim.Truth) flight { return struck(tr, rng) },
					func(s float64) bool { return view != p.ViewCatcher || s > 0 || s > -.06 && rng.Float64() < .5 }, rng)
				r, err := Judge(k, p.Given{HeightCM: 100 * q.Stature, Bats: q.Bats, View: view})
				if err != nil {
					continue
				}
				e := r.Chosen().Event(p.Contact)
				n++
				if e.Reason != "ball" {
					continue
				}
				seen++
				if *e.Lo <= truth && truth <= *e.Hi {
					inside++
				}
				if math.Abs(*e.T-truth) <= 1/fps {
					frame++
				}
				sum += math.Abs(*e.T-truth) * 1000
				half += (*e.Hi - *e.Lo) * 500
			}
			name := fmt.Sprintf("%s at %g", view, fps)
			told, held, near = told+seen, held+inside, near+frame
			if 2*seen < n || 10*inside < 7*seen || sum > 12*float64(seen) {
				t.Errorf("%s: ball in %d of %d, inside %d, mean %.1f ms", name, seen, n, inside, sum/float64(seen))
			}
			t.Logf("%s: ball in %d of %d, inside %d, within a frame %d, mean %.1f ms, half %.1f ms", name, seen, n, inside, frame, sum/float64(seen), half/float64(seen))
		}
	}
	if 100*held < 93*told || 100*near < 93*told {
		t.Errorf("of %d inside %d, within a frame %d", told, held, near)
	}
}

// A ball along the view that nobody hits, one seen too seldom and one of
// another pitch say nothing of contact.
func TestOtherBallsAlongTheViewAreNoContact(t *testing.T) {
	all := func(float64) bool { return true }
	for name, c := range map[string]struct {
		change func(*flight)
		show   func(float64) bool
	}{
		"unhit":        {func(f *flight) { f.out = f.in }, all},
		"twice":        {func(*flight) {}, func(s float64) bool { return s > -.03 && s < .03 }},
		"coming only":  {func(*flight) {}, func(s float64) bool { return s < 0 }},
		"other pitch":  {func(f *flight) { f.late = -.25 }, all},
		"another ball": {func(f *flight) { f.at[1] += 3; f.in = f.out }, all},
	} {
		rng := rand.New(rand.NewSource(2))
		for range 6 {
			q := random(p.ViewPitcher, 60, rng)
			k, _ := swung(q, func(tr *sim.Truth) flight {
				f := struck(tr, rng)
				c.change(&f)
				return f
			}, c.show, rng)
			r, err := Judge(k, p.Given{HeightCM: 100 * q.Stature, Bats: q.Bats, View: q.View})
			if err != nil {
				continue
			}
			if e := r.Chosen().Event(p.Contact); e.Reason == "ball" {
				t.Errorf("%s: contact from it", name)
			}
		}
	}
}
