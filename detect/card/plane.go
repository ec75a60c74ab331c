package card

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// homography takes a plane to a plane as a pinhole camera does; the last of
// its nine numbers is 1.
type homography [9]float64

func (h homography) apply(p point) point {
	w := h[6]*p.x + h[7]*p.y + h[8]
	return point{(h[0]*p.x + h[1]*p.y + h[2]) / w, (h[3]*p.x + h[4]*p.y + h[5]) / w}
}

// off is the root mean square of how far it misses.
func (h homography) off(from, to []point) float64 {
	var sum float64
	for i := range from {
		q := h.apply(from[i])
		sum += (q.x-to[i].x)*(q.x-to[i].x) + (q.y-to[i].y)*(q.y-to[i].y)
	}
	return math.Sqrt(sum / float64(len(from)))
}

// fitted is the homography that takes from to to with the least squares of
// the linear equations (Hartley & Zisserman, Multiple View Geometry, §4.1;
// from memory).
func fitted(from, to []point) (h homography, ok bool) {
	a, b := mat.NewDense(2*len(from), 8, nil), mat.NewVecDense(2*len(from), nil)
	for i, p := range from {
		q := to[i]
		a.SetRow(2*i, []float64{p.x, p.y, 1, 0, 0, 0, -q.x * p.x, -q.x * p.y})
		a.SetRow(2*i+1, []float64{0, 0, 0, p.x, p.y, 1, -q.y * p.x, -q.y * p.y})
		b.SetVec(2*i, q.x)
		b.SetVec(2*i+1, q.y)
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		return h, false
	}
	copy(h[:8], x.RawVector().Data)
	h[8] = 1
	return h, true
}
