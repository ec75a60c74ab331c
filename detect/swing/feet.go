package swing

import (
	"math"

	p "tapeline/pipeline"
)

// The network marks heel and toe inside the shoe where the foot points at the
// camera, at its ends where it is seen in profile: footSeen is the share of the
// tabulated length between its points in side views, footAlong from pitcher and
// catcher (each fitted on the rendered clips of that kind). footSigma is the
// doubt of a foot's picture vector, cm: with 3 the 95 % set held the truth in
// 28 of 28 rendered cases, with 2.5 in 27, with 2 in 22.
const (
	footSeen  = 0.88
	footAlong = 1.0
	footSigma = 2.5
)

// footBias is how far the network turns a planted front foot, degrees, mean
// over the rendered clips of each view (chest 3, pitcher 2, back 2 clips;
// none from the catcher): too closed from chest and pitcher, too open from
// behind.
var footBias = map[p.View]float64{p.ViewChest: -4, p.ViewPitcher: -7, p.ViewBack: 4}

// liftedBias is the same for the back foot on its toe, in all views: 15–31° too
// closed on the rendered clips, 10–14° on simulated swings.
const liftedBias = -13

// yaw is a foot's direction in the ground plane: 0 = square, 90 = toe at the
// pitcher. lo and hi bound the 95 % set; open says that the set reaches the
// end of what a foot can do, so that side is no measurement.
type yaw struct {
	v, lo, hi      float64
	openLo, openHi bool
}

// Range of directions considered, degrees: a planted foot points no farther
// back than a little toward the catcher and no farther round than the pitcher.
// A back foot on its toe may spin past it. Common practice, no source.
const (
	yawMin  = -20
	yawMax  = 95
	yawSpun = 120
)

// footYaw fits the direction of a foot of known length to its heel→toe vector
// in the picture (px, key frame): with φ = ψ − azimuth,
//
//	dx = L·mirror·cos(lift)·sin φ
//	dy = L·(cos(lift)·cos φ·sin e + sin(lift)·cos e)
//
// over ψ, and over the heel's lift up to maxLift degrees where the heel may be
// off the ground. The set within Δχ² < 3.84 of the best is widened by the
// doubt of the azimuth, which goes one to one into the result.
func footYaw(d p.Point, px, length float64, s *sides, maxLift, sigma float64) yaw {
	dx, dy := d.X/px*s.mirror, d.Y/px
	top := float64(yawMax)
	if maxLift > 0 {
		top = yawSpun
	}
	clip := func(psi float64) float64 { return math.Min(math.Max(psi, yawMin), top) }
	L := length
	chi := func(psi, e float64) float64 {
		f := rad(psi - s.azimuth)
		best := math.Inf(1)
		for lift := 0.0; lift <= maxLift; lift += 2.5 {
			cl, sl := math.Cos(rad(lift)), math.Sin(rad(lift))
			x := L * cl * math.Sin(f)
			y := L * (cl*math.Cos(f)*math.Sin(rad(e)) + sl*math.Cos(rad(e)))
			best = math.Min(best, ((dx-x)*(dx-x)+(dy-y)*(dy-y))/(sigma*sigma))
		}
		return best
	}
	e := s.elevation
	y := yaw{}
	min := math.Inf(1)
	for psi := float64(yawMin); psi <= top; psi += .5 {
		if c := chi(psi, e); c < min {
			min, y.v = c, psi
		}
	}
	y.lo, y.hi = y.v, y.v
	// The whole set, also where it is in two pieces: both answers count.
	for psi := float64(yawMin); psi <= top; psi += .5 {
		for _, de := range []float64{-s.elDoubt, 0, s.elDoubt} {
			if chi(psi, math.Max(e+de, 1)) < min+3.84 {
				y.lo, y.hi = math.Min(y.lo, psi), math.Max(y.hi, psi)
			}
		}
	}
	y.openLo, y.openHi = y.lo <= yawMin, y.hi >= top
	b := footBias[s.view]
	if maxLift > 0 {
		b = liftedBias
	}
	y.v, y.lo, y.hi = clip(y.v-b), clip(y.lo-b), clip(y.hi-b)
	y.lo = math.Max(y.v-math.Hypot(y.v-y.lo, s.azDoubt), yawMin)
	y.hi = math.Min(y.v+math.Hypot(y.hi-y.v, s.azDoubt), top)
	return y
}
