package swing

import (
	"math"
	"testing"

	p "tapeline/pipeline"
)

// Foot direction: what a camera at a known place sees of a foot of known length
// and drawn shape comes back, for every view and side.
func TestFootYawTrueGeometry(t *testing.T) {
	for _, mirror := range []float64{1, -1} {
		for _, az := range []float64{0, 20, 90, 180, -90} {
			for _, psi := range []float64{0, 15, 45, 60, 85} {
				s := &sides{azimuth: az, elevation: 15, elDoubt: .3, azDoubt: 1, mirror: mirror}
				x, z := math.Sin(rad(psi)), math.Cos(rad(psi))
				d, w := s.ground(2, 24*x, 24*z), footDrawn{.8, .9, .2, .2}
				y := footYaw(p.Point{X: w.across * d.X, Y: w.down * d.Y}, 2, 24, w, s, 0, 0)
				if y.lo > psi || y.hi < psi {
					t.Errorf("azimuth %v yaw %v: outside %.1f … %.1f", az, psi, y.lo, y.hi)
				}
				close(t, "yaw", y.v, psi, .7)
			}
		}
	}
}

// A pinhole 4 m away sees a foot that stands half a metre to the side of the
// batter's middle from another direction; taken as seen from the middle's it
// would be read 7° off.
func TestFootSeenFromItsOwnPlace(t *testing.T) {
	const far, up, focal, foot = 400.0, 110.0, 830.0, 24.0
	tilt := math.Atan(up / far)
	see := func(x, z float64) p.Point { // camera on the chest's side, looking at the origin
		depth := (far-z)*math.Cos(tilt) + up*math.Sin(tilt)
		down := up*math.Cos(tilt) - (far-z)*math.Sin(tilt)
		return p.Point{X: focal * x / depth, Y: focal * down / depth}
	}
	for _, psi := range []float64{0, 20, 40, 60} {
		x, z := math.Sin(rad(psi)), math.Cos(rad(psi))
		heel, toe := see(50, 0), see(50+foot*x, foot*z)
		s := &sides{elevation: deg(tilt), elDoubt: .3, azDoubt: 1, mirror: 1}
		middle := p.Point{X: (heel.X + toe.X) / 2, Y: (heel.Y + toe.Y) / 2}
		there := s.near(p.Point{}, middle, focal)
		px := focal / (far/math.Cos(tilt) - foot*z/2*math.Cos(tilt))
		w := footDrawn{1, 1, .2, .2}
		y := footYaw(p.Point{X: toe.X - heel.X, Y: toe.Y - heel.Y}, px, foot, w, there, 0, 0)
		close(t, "yaw", y.v, psi, 2)
		if off := footYaw(p.Point{X: toe.X - heel.X, Y: toe.Y - heel.Y}, px, foot, w, s, 0, 0); math.Abs(off.v-psi) < 4 {
			t.Errorf("yaw %v read %.1f from the middle's direction: this test could not fail", psi, off.v)
		}
	}
}
