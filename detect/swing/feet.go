package swing

import (
	"math"

	p "tapeline/pipeline"
)

// footDrawn is how the network draws a planted foot: the shares across and down
// the picture of the true heel→toe vector, and what is in doubt of each, one
// standard deviation in cm of a batter 178 cm tall.
type footDrawn struct{ across, down, acrossSD, downSD float64 }

// footShapes by view, least squares on rendered clips (errors.json of the
// simulation; chest 9, pitcher 5, back 3 clips, catcher 1 in which the network
// sees the foot), drawn toward .88 by the weight of one clip. It marks heel and
// toe inside the shoe, and from the chest side the more so across. The doubts
// are what is left between clips, widened for their number.
var footShapes = map[p.View]footDrawn{
	p.ViewChest:   {.76, .93, 1.7, 1.5},
	p.ViewPitcher: {1, .88, 2.4, 1.4},
	p.ViewBack:    {.95, .90, 2.3, 1.4},
	p.ViewCatcher: {.77, .65, 4, 3},
}

// liftedBias is how far the network turns the back foot on its toe, degrees, in
// all views: too closed by 8–16° on rendered clips, 13–21° on simulated swings.
const liftedBias = -13

// yaw is a foot's direction in the ground plane: 0 = square, 90 = toe at the
// pitcher. lo and hi bound 95 % of what is likely; open says that the end of
// what a foot can do is likely too, so that side is no measurement.
type yaw struct {
	v, lo, hi      float64
	openLo, openHi bool
}

// toward goes a share 0…1 of the way to another reading of the same foot.
func (y yaw) toward(o yaw, share float64) yaw {
	mix := func(a, b float64) float64 { return a + share*(b-a) }
	return yaw{v: mix(y.v, o.v), lo: mix(y.lo, o.lo), hi: mix(y.hi, o.hi),
		openLo: y.openLo && share < 1 || o.openLo && share > 0, openHi: y.openHi && share < 1 || o.openHi && share > 0}
}

// Range of directions considered, degrees: a planted foot points no farther
// back than a little toward the catcher and no farther round than the pitcher.
// A back foot on its toe may spin past it. Common practice, no source.
const (
	yawMin  = -20
	yawMax  = 95
	yawSpun = 120
)

// near gives the sides as seen at place to in the picture when s holds at place
// from: the ray to the camera turns with the place, focal pixels away.
func (s *sides) near(from, to p.Point, focal float64) *sides {
	r := *s
	r.azimuth = wrap(s.azimuth - s.mirror*deg(math.Atan((to.X-from.X)/focal)))
	r.elevation = math.Max(s.elevation+deg(math.Atan((to.Y-from.Y)/focal)), 2)
	return &r
}

// sidesAt are the sides as seen where a foot is over grid i0…i1; they were read
// between the ankles of the stance.
func (a *analysis) sidesAt(heel, toe, i0, i1 int) *sides {
	g := a.grid
	from := mid(g.joints[a.body.ankleF], g.joints[a.body.ankleB]).medianIn(a.a, a.b)
	return a.sides.near(from, mid(g.joints[heel], g.joints[toe]).medianIn(i0, i1), a.scale.focal)
}

// footYaw weighs the directions of a foot of known length by its heel→toe
// vector d in the picture (px, key frame), drawn as w says, every direction
// being as likely before: with φ = ψ − azimuth,
//
//	dx = L·mirror·across·cos(lift)·sin φ
//	dy = L·down·(cos(lift)·cos φ·sin e + sin(lift)·cos e)
//
// over ψ, over the elevation's and the azimuth's own doubts, and over the
// heel's lift up to maxLift degrees where the heel may be off the ground. The
// value is the mean, the bounds hold the middle 95 %: where the picture allows
// two answers, both count. off is a doubt of the place, one standard deviation
// in the unit of length, beside the network's usual one.
func footYaw(d p.Point, px, length float64, w footDrawn, s *sides, maxLift, off float64) yaw {
	const step = .5
	k := length / (footOfHeight * 178)
	sx, sy := rms(w.acrossSD*k, off), rms(w.downSD*k, off)
	dx, dy := d.X/px*s.mirror, d.Y/px
	top := float64(yawMax)
	if maxLift > 0 {
		top = yawSpun
	}
	// Every way the foot may lie: misfit in standard deviations squared.
	each := func(phi float64, do func(misfit, u float64)) {
		sf, cf := math.Sincos(rad(phi))
		for _, u := range []float64{-1.5, -.75, 0, .75, 1.5} { // standard deviations
			e := rad(math.Max(s.elevation+u*s.elDoubt/1.96, 1))
			for lift := 0.0; lift <= maxLift; lift += 2.5 {
				cl, sl := math.Cos(rad(lift)), math.Sin(rad(lift))
				x := (dx - length*w.across*cl*sf) / sx
				y := (dy - length*w.down*(cl*cf*math.Sin(e)+sl*math.Cos(e))) / sy
				do(x*x+y*y, u)
			}
		}
	}
	best := math.Inf(1)
	for psi := float64(yawMin); psi <= top; psi += step {
		each(psi-s.azimuth, func(misfit, _ float64) { best = math.Min(best, misfit) })
	}
	// Where no direction fits, the doubts are too small: they grow until the
	// best one does (after Birge 1932, Phys. Rev. 40:207).
	wider := 1.0
	if best > 5.99 { // χ² of two, 95 %
		wider = best / 2
	}
	likely := func(phi float64) (sum float64) {
		each(phi, func(misfit, u float64) { sum += math.Exp(-(misfit/wider + u*u) / 2) })
		return sum
	}
	sd := math.Max(s.azDoubt/1.96, step/2)
	reach := int(math.Ceil(3 * sd / step))
	n := int((top-yawMin)/step) + 1
	around := make([]float64, n+2*reach)
	for i := range around {
		around[i] = likely(yawMin + float64(i-reach)*step - s.azimuth)
	}
	density := gaussian(around, sd/step)[reach : reach+n]
	total, most, m := 0.0, 0.0, 0.0
	for i, v := range density {
		total += v
		m += v * (yawMin + float64(i)*step)
		most = math.Max(most, v)
	}
	at := func(share float64) float64 {
		sum := 0.0
		for i, v := range density {
			if sum += v; sum >= share*total {
				return yawMin + (float64(i)+.5-(sum-share*total)/v)*step
			}
		}
		return top
	}
	const edge = .147 // of the likeliest: Δχ² = 3.84
	y := yaw{v: m / total, lo: at(.025), hi: at(.975), openLo: density[0] > edge*most, openHi: density[n-1] > edge*most}
	if maxLift > 0 {
		clip := func(psi float64) float64 { return math.Min(math.Max(psi-liftedBias, yawMin), top) }
		y.v, y.lo, y.hi = clip(y.v), clip(y.lo), clip(y.hi)
	}
	return y
}
