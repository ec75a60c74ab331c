package swing

import (
	"math"
	"math/rand"
	"slices"
	"testing"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// top is a point rigid to the skull, 8 cm over the middle of the ears, metres.
func top(f *sim.Frame) [3]float64 {
	l, r, n := v3(f.Joints[p.LeftEar]), v3(f.Joints[p.RightEar]), v3(f.Joints[p.Nose])
	m := half(l, r)
	a, b := sub(r, l), sub(n, m)
	up := v3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
	return add(m, mul(up, .08/norm(up)))
}

// sticker lays a marker on a simulated track: its true place with the errors
// measured in detect/marker on rendered clips, and gives its true height, cm,
// at a second of the clip.
func sticker(tr *p.Track, t *sim.Truth, rng *rand.Rand) func(s float64) float64 {
	tr.Given.Marker = "#ff8000"
	for i := range tr.Windows {
		for k := range tr.Windows[i].Frames {
			s := &tr.Windows[i].Frames[k]
			f := t.Frames[s.Index]
			q, _ := f.Camera.Project(top(&f))
			q.X, q.Y = q.X+.25*rng.NormFloat64(), q.Y+.25*rng.NormFloat64()
			s.Marker = &q
		}
	}
	return func(at float64) float64 {
		i, _ := slices.BinarySearchFunc(t.Frames, at, func(f sim.Frame, at float64) int {
			if f.T < at {
				return -1
			}
			return 1
		})
		i = min(max(i, 1), len(t.Frames)-1)
		a, b := &t.Frames[i-1], &t.Frames[i]
		u := (at - a.T) / (b.T - a.T)
		return 100 * ((1-u)*top(a)[2] + u*top(b)[2])
	}
}

// Over random swings a marker's fall must come back, its bounds must hold the
// truth as often as they say, and they must be narrower than those of the eyes.
func TestMarkerDrop(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	const swings = 90
	n, held, off := 0, 0, 0.
	var mark, eyes []float64
	for seed := range int64(swings) {
		rng := rand.New(rand.NewSource(4000 + seed))
		truth := sim.Swing(sim.Random(rng))
		if !truth.Swung() {
			continue
		}
		tr := sim.Track(truth, sim.Measured(), rng)
		height := sticker(&tr, truth, rng)
		r, err := Judge(tr, p.Given{HeightCM: 100 * truth.Params.Stature})
		if err != nil {
			continue
		}
		s := r.Chosen()
		for _, at := range []p.EventKind{p.Plant, p.Contact, p.Finish} {
			m, e := s.Measure("marker_drop", p.Stance, at), s.Measure("eye_drop", p.Stance, at)
			when, ok := truth.Phases[at]
			if m.Value == nil || !ok || slices.Contains(m.Warnings, "stance_cut") {
				continue
			}
			want := height((truth.Still[0]+truth.Still[1])/2) - height(when)
			n++
			off += math.Abs(*m.Value - want)
			if *m.Lo <= want && want <= *m.Hi {
				held++
			}
			mark, eyes = append(mark, (*m.Hi-*m.Lo)/2), append(eyes, (*e.Hi-*e.Lo)/2)
		}
	}
	if n < swings {
		t.Fatalf("%d falls judged", n)
	}
	share := float64(held) / float64(n)
	t.Logf("%d falls: mean error %.2f cm, %.3f inside, half width %.2f cm (eyes %.2f)", n, off/float64(n), share, median(mark), median(eyes))
	if off/float64(n) > .7 {
		t.Errorf("mean error %.2f cm", off/float64(n))
	}
	if share < .93 {
		t.Errorf("bounds hold the truth in %.3f of %d", share, n)
	}
	if median(mark) > .8*median(eyes) {
		t.Errorf("half width %.2f cm, that of the eyes %.2f", median(mark), median(eyes))
	}
}

// Nobody named a marker: nothing is said of one.
func TestNoMarkerNoMeasure(t *testing.T) {
	r, err := Judge(usual(), p.Given{HeightCM: 178})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range r.Chosen().Measures {
		if m.Key == "marker_drop" {
			t.Errorf("%+v", m)
		}
	}
}
