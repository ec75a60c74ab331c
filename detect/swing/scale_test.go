package swing

import (
	"math"
	"math/rand"
	"testing"

	p "tapeline/pipeline"
)

// A body of known size before a known camera: pnp must give rotation and
// translation back, and hold them when one point in ten is far off.
func TestPnP(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	R := rodrigues(v3{.1, -.3, .05})
	tr := v3{20, -10, 400}
	var pts []v3
	var img []p.Point
	for i := 0; i < 19; i++ {
		q := v3{rng.NormFloat64() * 25, rng.NormFloat64() * 60, rng.NormFloat64() * 20}
		c := add(rot(R, q), tr)
		pts = append(pts, q)
		img = append(img, p.Point{X: 800*c[0]/c[2] + 480, Y: 800*c[1]/c[2] + 270})
	}
	check := func(what string, tol float64) {
		t.Helper()
		gr, gt, ok := pnp(pts, img, 800, 480, 270)
		if !ok {
			t.Fatalf("%s: no solution", what)
		}
		for k := range gt {
			close(t, what+" translation", gt[k], tr[k], tol)
			for l := range gr[k] {
				close(t, what+" rotation", gr[k][l], R[k][l], tol/400)
			}
		}
	}
	check("exact", 1e-3)
	img[4].X += 60
	img[11].Y -= 80
	check("with outliers", 8)
}

// Foot direction: what a camera at a known place sees of a foot of known
// length comes back within the grid's half degree, for every view and side.
func TestFootYawTrueGeometry(t *testing.T) {
	for _, mirror := range []float64{1, -1} {
		for _, az := range []float64{0, 20, 90, 180, -90} {
			for _, psi := range []float64{0, 15, 45, 60, 85} {
				s := &sides{azimuth: az, elevation: 15, elDoubt: 3, azDoubt: 8, mirror: mirror}
				x, z := math.Sin(rad(psi)), math.Cos(rad(psi))
				d := s.ground(2, 24*x, 24*z)
				y := footYaw(d, 2, 24, s, 0, 2.5)
				if y.lo > psi || y.hi < psi {
					t.Errorf("azimuth %v yaw %v: outside %.1f … %.1f", az, psi, y.lo, y.hi)
				}
				close(t, "yaw", y.v, psi, .5)
			}
		}
	}
}
