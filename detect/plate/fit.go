package plate

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tapeline/pipeline"
	"tapeline/pipeline/field"
)

// pose is how a plate lies before a camera: its middle in the picture, pixels,
// the logarithm of pixels a centimetre there, the ground's pitch and roll and
// the plate's yaw, radians.
type pose struct{ x, y, logK, pitch, roll, yaw float64 }

const params = 6

func (p pose) vec() [params]float64 {
	return [params]float64{p.x, p.y, p.logK, p.pitch, p.roll, p.yaw}
}

func fromVec(v [params]float64) pose { return pose{v[0], v[1], v[2], v[3], v[4], v[5]} }

// usual are what is known before a plate is seen: a phone held upright, its
// standard deviations, radians. Common practice, no source.
const (
	pitchSD = 12 * math.Pi / 180
	rollSD  = 2 * math.Pi / 180
)

// middle of the plate in its own frame, cm: of the box around it.
var middle = [2]float64{0, field.PlateWidth / 2}

// lens is the camera without its stance.
type lens struct{ focal, cx, cy float64 }

func (l lens) camera(p pose) field.Camera {
	return field.Camera{Focal: l.focal, CX: l.cx, CY: l.cy, Pitch: p.pitch, Roll: p.roll}
}

// place projects places of the plate's frame, cm. false: one lies behind the
// camera.
func (l lens) place(p pose, at ...[2]float64) ([]pipeline.Point, bool) {
	c := l.camera(p)
	right, away, _ := c.Axes()
	o := field.Vec{}.Plus(l.focal/math.Exp(p.logK), c.Ray(pipeline.Point{X: p.x, Y: p.y}))
	s, k := math.Sincos(p.yaw)
	out := make([]pipeline.Point, len(at))
	for i, a := range at {
		u, v := a[0]-middle[0], a[1]-middle[1]
		q := o.Plus(k*u+s*v, right).Plus(k*v-s*u, away)
		if q[2] < o[2]/10 {
			return nil, false
		}
		out[i] = c.Project(q)
	}
	return out, true
}

// corners of the plate in the order of field.Plate.
func (l lens) corners(p pose) ([5]pipeline.Point, bool) {
	ps, ok := l.place(p, field.Plate[:]...)
	if !ok {
		return [5]pipeline.Point{}, false
	}
	return [5]pipeline.Point(ps), true
}

// mark is a point of an outline: where, and on which edge; −1: on the nearest.
type mark struct {
	at   pipeline.Point
	edge int
}

// edge i runs from corner i to the next.
func edge(cs [5]pipeline.Point, i int) (a, b pipeline.Point) { return cs[i], cs[(i+1)%5] }

// off is the signed distance of q from the line through a and b, along the
// distance of its foot from a, in lengths of ab.
func off(a, b, q pipeline.Point) (dist, along float64) {
	dx, dy := b.X-a.X, b.Y-a.Y
	l := math.Hypot(dx, dy)
	if l == 0 {
		return math.Hypot(q.X-a.X, q.Y-a.Y), 0
	}
	return (dx*(q.Y-a.Y) - dy*(q.X-a.X)) / l, (dx*(q.X-a.X) + dy*(q.Y-a.Y)) / (l * l)
}

// nearest edge of q and the distance from it as a stretch between its corners.
func nearest(cs [5]pipeline.Point, q pipeline.Point) (int, float64) {
	best, d := 0, math.Inf(1)
	for i := range cs {
		a, b := edge(cs, i)
		e, t := off(a, b, q)
		e = math.Abs(e)
		if t < 0 {
			e = math.Hypot(q.X-a.X, q.Y-a.Y)
		} else if t > 1 {
			e = math.Hypot(q.X-b.X, q.Y-b.Y)
		}
		if e < d {
			best, d = i, e
		}
	}
	return best, d
}

// fit moves a pose so that the plate's edges go through the marks (Gauss–
// Newton, numeric derivatives); noise is the standard deviation of a mark,
// pixels, which says how much what is usual counts. rms is in pixels; cov the
// covariance of the parameters if each mark erred on its own.
func (l lens) fit(p pose, ms []mark, noise float64, rounds int) (_ pose, rms float64, cov *mat.Dense, ok bool) {
	n := len(ms)
	if n < params {
		return p, 0, nil, false
	}
	steps := [params]float64{.01, .01, 1e-4, 1e-4, 1e-4, 1e-4}
	own := make([]int, n)
	residuals := func(p pose) ([]float64, bool) {
		cs, ok := l.corners(p)
		if !ok {
			return nil, false
		}
		r := make([]float64, n+2)
		for i, m := range ms {
			a, b := edge(cs, own[i])
			d, _ := off(a, b, m.at)
			r[i] = d / noise
		}
		r[n], r[n+1] = p.pitch/pitchSD, p.roll/rollSD
		return r, true
	}
	var A mat.Dense
	lambda := 1e-3
	for range rounds {
		cs, good := l.corners(p)
		if !good {
			return p, 0, nil, false
		}
		for i, m := range ms {
			if own[i] = m.edge; m.edge < 0 {
				own[i], _ = nearest(cs, m.at)
			}
		}
		r, good := residuals(p)
		if !good {
			return p, 0, nil, false
		}
		J := mat.NewDense(n+2, params, nil)
		for k := range steps {
			v := p.vec()
			v[k] += steps[k]
			q, good := residuals(fromVec(v))
			if !good {
				return p, 0, nil, false
			}
			for i := range q {
				J.Set(i, k, (q[i]-r[i])/steps[k])
			}
		}
		A.Mul(J.T(), J)
		var g mat.VecDense
		g.MulVec(J.T(), mat.NewVecDense(n+2, r))
		was := sq(r)
		moved := false
		for range 6 {
			M := mat.DenseCopyOf(&A)
			for k := range steps {
				M.Set(k, k, M.At(k, k)*(1+lambda)+1e-12)
			}
			var d mat.VecDense
			if d.SolveVec(M, &g) == nil {
				v := p.vec()
				for k := range v {
					v[k] -= d.AtVec(k)
				}
				if q, good := residuals(fromVec(v)); good && sq(q) < was {
					p, lambda, moved = fromVec(v), lambda/5, true
					break
				}
			}
			lambda *= 10
		}
		if !moved {
			break
		}
	}
	cs, good := l.corners(p)
	if !good {
		return p, 0, nil, false
	}
	var sum float64
	for i, m := range ms {
		var d float64
		if m.edge < 0 {
			_, d = nearest(cs, m.at)
		} else {
			a, b := edge(cs, own[i])
			d, _ = off(a, b, m.at)
		}
		sum += d * d
	}
	cov = mat.NewDense(params, params, nil)
	if cov.Inverse(&A) != nil {
		return p, 0, nil, false
	}
	return p, math.Sqrt(sum / float64(n)), cov, true
}

func sq(v []float64) float64 {
	var s float64
	for _, x := range v {
		s += x * x
	}
	return s
}
