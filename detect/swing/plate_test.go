package swing

import (
	"math"
	"math/rand"
	"testing"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
	"tapeline/pipeline/field"
)

// plateOf is home plate as detect/plate would see it in a simulated swing:
// scale and pitch off by about their deviations. The simulated world has its
// origin in the plate's middle, x toward the pitcher, z up.
func plateOf(c sim.Camera, width, height int, rng *rand.Rand) *p.PlateSeen {
	const scaleSD, pitchSD = .012, .4
	at, depth := c.Project([3]float64{})
	s := &p.PlateSeen{Middle: at, PxPerCM: c.F / depth / 100 * math.Exp(scaleSD*rng.NormFloat64()), ScaleSD: scaleSD, PitchSD: pitchSD}
	pitch, roll := math.Asin(c.Axes[2][2]), math.Atan2(c.Axes[0][2], c.Axes[1][2])
	right, away, _ := field.Camera{Pitch: pitch, Roll: roll}.Axes()
	axis := field.Vec{c.Axes[0][0], -c.Axes[1][0], -c.Axes[2][0]}
	s.Yaw, s.Roll = deg(math.Atan2(axis.Dot(right), axis.Dot(away))), deg(roll)
	// What the shape tells is the line of sight's angle to the ground; the
	// pitch made of it holds for the usual focal length.
	down := at.Y - c.CY
	s.Pitch = deg(pitch+math.Atan(down/c.F)-math.Atan(down/field.Focal(width, height))) + pitchSD*rng.NormFloat64()
	return s
}

// Home plate over random swings: the scale must lie within its doubt as often
// as that says, with the height and without; the camera's direction is better
// known. What the height alone gives is only compared with.
func TestPlateOverSwings(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	type sum struct {
		n, held, cm, aim int
		off, wide, turn  float64
	}
	var by, with, only sum
	for n := range int64(70) {
		rng := rand.New(rand.NewSource(7000 + n))
		truth := sim.Swing(sim.Random(rng))
		if !truth.Swung() {
			continue
		}
		tr := sim.Track(truth, sim.Measured(), rng)
		f := &truth.Frames[0]
		for i := range truth.Frames {
			if truth.Frames[i].T <= (truth.Still[0]+truth.Still[1])/2 {
				f = &truth.Frames[i]
			}
		}
		_, depth := f.Camera.Project(half(v3(f.Joints[p.LeftHip]), v3(f.Joints[p.RightHip])))
		want := f.Camera.F / depth / 100
		plate := plateOf(truth.Frames[0].Camera, tr.Clip.Width, tr.Clip.Height, rng)
		add := func(s *sum, g p.Given, plate *p.PlateSeen) {
			tr.Windows[0].Plate = plate
			x := analyse(&tr, &tr.Windows[0], g)
			if x == nil {
				return
			}
			s.n++
			if x.scale.unit != "cm" {
				return
			}
			s.cm++
			d := math.Abs(math.Log(x.scale.at(p.LeftHip, p.RightHip) / want))
			s.off += d
			s.wide += x.scale.doubt
			if d <= x.scale.doubt {
				s.held++
			}
			// The camera's true direction from the batter's box.
			away := [2]float64{f.Camera.Pos[0] - f.Joints[p.LeftHip][0], f.Camera.Pos[1] - f.Joints[p.LeftHip][1]}
			toPlate := math.Copysign(1, -f.Joints[p.LeftHip][1])
			e := math.Abs(wrap(x.sides.azimuth - deg(math.Atan2(away[0], toPlate*away[1]))))
			s.turn += e
			if e <= x.sides.azDoubt {
				s.aim++
			}
		}
		tall := p.Given{HeightCM: 100 * truth.Params.Stature}
		add(&by, tall, nil)
		add(&with, tall, plate)
		add(&only, p.Given{}, plate)
	}
	for _, c := range []struct {
		name string
		s    sum
	}{{"height", by}, {"height and plate", with}, {"plate", only}} {
		n := float64(c.s.cm)
		t.Logf("%-16s n %d, cm %d, mean error %.1f %%, %.2f inside, half width %.1f %%; direction off by %.1f°, %.2f inside",
			c.name, c.s.n, c.s.cm, 100*c.s.off/n, float64(c.s.held)/n, 100*c.s.wide/n, c.s.turn/n, float64(c.s.aim)/n)
		if c.s.cm < 45 || c.name != "height" && float64(c.s.held)/n < .93 {
			t.Errorf("%s: %d of %d inside", c.name, c.s.held, c.s.cm)
		}
	}
	if with.off/float64(with.cm) > 1.02*by.off/float64(by.cm) || with.wide/float64(with.cm) >= by.wide/float64(by.cm) {
		t.Error("home plate makes the scale worse")
	}
	if with.turn >= by.turn {
		t.Error("home plate makes the camera's direction worse")
	}
}

// The plate of the other batter's box, or a white thing that points elsewhere,
// counts for nothing.
func TestPlateOfAnotherBatter(t *testing.T) {
	q := sim.Usual()
	truth := sim.Swing(q)
	tr := sim.Track(truth, sim.Measured(), rand.New(rand.NewSource(3)))
	tall := p.Given{HeightCM: 100 * q.Stature}
	before := analyse(&tr, &tr.Windows[0], tall)
	plate := plateOf(truth.Frames[0].Camera, tr.Clip.Width, tr.Clip.Height, rand.New(rand.NewSource(3)))
	tr.Windows[0].Plate = plate
	if a := analyse(&tr, &tr.Windows[0], tall); a.grid.plate == nil || a.scale.doubt >= before.scale.doubt {
		t.Errorf("the batter's own plate isn't used: doubt %v, was %v", a.scale.doubt, before.scale.doubt)
	}
	plate.Yaw += 180
	a := analyse(&tr, &tr.Windows[0], tall)
	if a.grid.plate != nil || a.scale.px != before.scale.px || a.sides.azimuth != before.sides.azimuth {
		t.Error("a plate that points at the catcher changes what is read")
	}

	// A toy plate of two thirds the size, but right in every other way: said,
	// and the bounds reach both.
	plate.Yaw -= 180
	plate.PxPerCM /= 1.5
	a = analyse(&tr, &tr.Windows[0], tall)
	said := false
	for _, w := range a.warnings {
		said = said || w.Code == "scale_disagrees"
	}
	if d := math.Abs(math.Log(a.scale.px[p.LeftHip] / before.scale.px[p.LeftHip])); !said || d > a.scale.doubt {
		t.Errorf("toy plate: said %v, scale moved by %.2f, doubt %.2f", said, d, a.scale.doubt)
	}
}
