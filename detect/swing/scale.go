package swing

import (
	"math"

	"gonum.org/v1/gonum/mat"

	p "tapeline/pipeline"
	"tapeline/pipeline/field"
)

// Segment lengths as fractions of standing height.
// Source: Drillis & Contini, in Winter, Biomechanics and Motor Control of
// Human Movement: shoulder .818, hip .530 → trunk .288; thigh .245, shank
// .246; foot .152. Adults' fractions: children differ by up to 5 %.
const (
	trunkOfHeight = 0.818 - 0.530
	thighOfHeight = 0.245
	shankOfHeight = 0.246
	footOfHeight  = 0.152
)

// shortBody: the network's own body comes out shorter than its segments' share
// of its height says, since it draws bent legs flat. Over 17 readings of
// rendered swings in four views the scale without it was 0.1–6 % too small,
// 3 % in the middle.
const shortBody = 1.03

// scaleDoubt is the half width (95 %) of the scale found here, relative.
// Measured: within ±3.5 % of the truth on rendered swings in four views, 6 % held
// it in 89 % of 104 simulated ones; real
// bodies differ from the tabulated one by more.
const scaleDoubt = 0.07

// The network leans a body toward the camera or from it, so that feet and hips
// differ by up to 4.5 % on 13 rendered swings. Most of that is in scaleDoubt
// already; a scale from elsewhere, narrower, has it on top.
const leanInDoubt, leanOnTop = 0.025, 0.05

// rigid19 are the points that place the body: the face, trunk, legs and feet;
// arms move too fast for the network's depth.
var rigid19 = []int{p.Nose, p.LeftEye, p.RightEye, p.LeftEar, p.RightEar, p.MouthLeft, p.MouthRight,
	p.LeftShoulder, p.RightShoulder, p.LeftHip, p.RightHip, p.LeftKnee, p.RightKnee,
	p.LeftAnkle, p.RightAnkle, p.LeftHeel, p.RightHeel, p.LeftToe, p.RightToe}

// scale says how many pixels of the key frame a unit takes at each joint during
// the stance.
type scale struct {
	unit   string  // "cm" or "pct_height"
	height float64 // the batter's height in units
	focal  float64 // pixels
	cx, cy float64 // principal point, pixels
	px     [p.NumJoints]float64
	depth  float64 // of the hips from the camera, units
	world  float64 // units in a metre of the network's own 3-D points
	doubt  float64 // half width (95 %) of all of it, relative
	lean   float64 // half width of the feet against the hips, relative
}

// at is the mean scale of some joints, pixels a unit.
func (s *scale) at(joints ...int) float64 {
	var t float64
	for _, j := range joints {
		t += s.px[j]
	}
	return t / float64(len(joints))
}

// metres from the camera to the hips; without a known height 1.6 m is assumed.
func (s *scale) metres() float64 {
	if s.unit == "cm" {
		return s.depth / 100
	}
	return s.depth / 100 * 1.6
}

// stature of the network's own body in its own metres: mean leg and trunk.
func (g *grid) stature(a, b int) float64 {
	w := func(j int) v3 { return g.worldIn(j, a, b) }
	leg := func(h, k, f int) float64 { return norm(sub(w(h), w(k))) + norm(sub(w(k), w(f))) }
	legs := (leg(p.LeftHip, p.LeftKnee, p.LeftAnkle) + leg(p.RightHip, p.RightKnee, p.RightAnkle)) / 2
	trunk := norm(sub(half(w(p.LeftShoulder), w(p.RightShoulder)), half(w(p.LeftHip), w(p.RightHip))))
	return (legs + trunk) / (thighOfHeight + shankOfHeight + trunkOfHeight)
}

// newScale reads the scale over grid samples a…b: the network's 3-D points are
// stretched to the batter's height and placed in front of a pinhole camera so
// that they fall on the picture's points (least squares); px = focal ÷ depth. Home
// plate and a length the coach named are weighed in; apart is how far one of
// them is off, relative, where that is more than the doubts allow, else 0.
// nil when the points don't make sense.
func newScale(g *grid, c p.Clip, given p.Given, a, b int) (s *scale, apart float64) {
	s = &scale{unit: "cm", height: given.HeightCM, cx: float64(c.Width) / 2, cy: float64(c.Height) / 2, doubt: scaleDoubt, lean: leanInDoubt}
	if given.HeightCM <= 0 {
		s.unit, s.height = "pct_height", 100
	}
	s.focal = field.Focal(c.Width, c.Height) // a wrong guess of 15 % moves the scale by under 1 %
	st := g.stature(a, b)
	if !(st > 0.5 && st < 3) {
		return nil, 0
	}
	k := s.height / (st * shortBody)
	s.world = k
	var px [p.NumJoints][]float64
	var depth []float64
	step := max(1, (b-a+1)/12)
	for i := a; i <= b; i += step {
		pts := make([]v3, len(rigid19))
		img := make([]p.Point, len(rigid19))
		for n, j := range rigid19 {
			pts[n] = mul(v3{g.world[j][0][i], g.world[j][1][i], g.world[j][2][i]}, k)
			img[n] = g.raw[j].at(i)
		}
		R, t, ok := pnp(pts, img, s.focal, s.cx, s.cy)
		if !ok {
			continue
		}
		zoom := g.zoom(i)
		for j := range px {
			q := add(rot(R, mul(v3{g.world[j][0][i], g.world[j][1][i], g.world[j][2][i]}, k)), t)
			px[j] = append(px[j], s.focal/q[2]*zoom)
		}
		depth = append(depth, t[2])
	}
	if len(depth) == 0 {
		return nil, 0
	}
	for j := range px {
		s.px[j] = median(px[j])
	}
	s.depth = median(depth)
	if given.Scale != nil {
		apart = s.named(*given.Scale, given.Distance)
	}
	if g.plate != nil {
		if off := s.plate(*g.plate, g.feetIn(a, b)); math.Abs(off) > math.Abs(apart) {
			apart = off
		}
	}
	return s, apart
}

// namedDepth is how far nearer or farther than the batter, metres (95 %), a
// thing may lie whose length the coach names, and namedEnd how far off, long
// sides of the picture, each of its ends is pointed at: 1.4 pixels of 960.
// Common practice, no source.
const (
	namedDepth = 0.5
	namedEnd   = .0015
)

// offPlane is the relative error of the scale of a thing that lies dz nearer
// than the batter, who is d from the camera.
func offPlane(dz, d float64) float64 { return dz / (d - dz) }

// named weighs in a length that the coach named. distance is that of the
// batter, metres, if it was said, else 0; apart as weigh has it.
func (s *scale) named(named p.Span, distance float64) (apart float64) {
	length := math.Hypot(named.From.X-named.To.X, named.From.Y-named.To.Y)
	px := length / named.CM          // pixels a centimetre there
	k := s.at(p.LeftHip, p.RightHip) // pixels a unit at the batter
	depth := s.depth / 100           // metres
	if s.unit != "cm" {
		depth *= k / px
	}
	if distance > 0 {
		depth = distance
	}
	if depth <= 2*namedDepth { // too near to say anything
		return 0
	}
	return s.weigh(px/k, rms(offPlane(namedDepth, depth), math.Sqrt2*namedEnd*math.Max(2*s.cx, 2*s.cy)/length))
}

// weigh lays beside the scale so far one in which a unit takes ratio times as
// many pixels, half its half width (95 %), relative, each by the inverse of its
// variance; the first one in centimetres stands alone. It gives the relative
// difference of the two where that exceeds both half widths, and the doubt
// then covers them both.
func (s *scale) weigh(ratio, half float64) (apart float64) {
	s.lean = leanOnTop
	if s.unit != "cm" {
		s.unit, s.doubt = "cm", half
		s.stretch(1 / ratio)
		return 0
	}
	apart = math.Log(ratio)
	wn, wh := 1/(half*half), 1/(s.doubt*s.doubt)
	shift := apart * wn / (wn + wh)
	beyond := math.Abs(apart) > half+s.doubt
	s.doubt = 1 / math.Sqrt(wn+wh)
	s.stretch(math.Exp(-shift))
	if !beyond {
		return 0
	}
	s.doubt += math.Max(math.Abs(shift), math.Abs(apart-shift))
	return apart
}

// zoom is how many key frame pixels a pixel of sample i takes.
func (g *grid) zoom(i int) float64 {
	span := func(j *[p.NumJoints]track2) float64 {
		a, b := mid(j[p.LeftShoulder], j[p.RightShoulder]).at(i), mid(j[p.LeftAnkle], j[p.RightAnkle]).at(i)
		return math.Hypot(a.X-b.X, a.Y-b.Y)
	}
	if raw := span(&g.raw); raw > 0 {
		return span(&g.joints) / raw
	}
	return 1
}

// stretch makes a unit k times as many as before.
func (s *scale) stretch(k float64) {
	s.height, s.depth, s.world = k*s.height, k*s.depth, k*s.world
	for j := range s.px {
		s.px[j] /= k
	}
}

func rot(r [3]v3, v v3) v3 { return v3{dot(r[0], v), dot(r[1], v), dot(r[2], v)} }

// rodrigues turns a rotation vector (radians) into a matrix.
func rodrigues(w v3) [3]v3 {
	a := norm(w)
	if a < 1e-12 {
		return [3]v3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	}
	u := mul(w, 1/a)
	c, s := math.Cos(a), math.Sin(a)
	v := 1 - c
	return [3]v3{
		{c + u[0]*u[0]*v, u[0]*u[1]*v - u[2]*s, u[0]*u[2]*v + u[1]*s},
		{u[1]*u[0]*v + u[2]*s, c + u[1]*u[1]*v, u[1]*u[2]*v - u[0]*s},
		{u[2]*u[0]*v - u[1]*s, u[2]*u[1]*v + u[0]*s, c + u[2]*u[2]*v},
	}
}

// pnp places points (units, camera axes) before a camera of focal f: rotation
// and translation that minimise the distance in pixels, by Levenberg–Marquardt
// from a weak-perspective start, points over 3 × the median error weighted
// down (Huber).
func pnp(pts []v3, img []p.Point, f, cx, cy float64) (R [3]v3, t v3, ok bool) {
	n := len(pts)
	var mp v3
	var mi p.Point
	for i := range pts {
		mp = add(mp, mul(pts[i], 1/float64(n)))
		mi.X += img[i].X / float64(n)
		mi.Y += img[i].Y / float64(n)
	}
	var num, den float64
	for i := range pts {
		d := sub(pts[i], mp)
		ix, iy := img[i].X-mi.X, img[i].Y-mi.Y
		num += d[0]*ix + d[1]*iy
		den += d[0]*d[0] + d[1]*d[1]
	}
	if num <= 0 || den <= 0 {
		return R, t, false
	}
	z := f / (num / den)
	x := []float64{0, 0, 0, (mi.X-cx)/f*z - mp[0], (mi.Y-cy)/f*z - mp[1], z - mp[2]}
	res := func(x []float64) ([]float64, bool) {
		R := rodrigues(v3{x[0], x[1], x[2]})
		r := make([]float64, 2*n)
		for i := range pts {
			q := add(rot(R, pts[i]), v3{x[3], x[4], x[5]})
			if q[2] < z*0.05 {
				return nil, false
			}
			r[2*i] = f*q[0]/q[2] + cx - img[i].X
			r[2*i+1] = f*q[1]/q[2] + cy - img[i].Y
		}
		return r, true
	}
	weigh := func(r []float64) []float64 {
		e := make([]float64, n)
		for i := range e {
			e[i] = math.Hypot(r[2*i], r[2*i+1])
		}
		m := 3 * math.Max(median(e), f*1e-4)
		w := make([]float64, 2*n)
		for i := range e {
			v := 1.0
			if e[i] > m {
				v = m / e[i]
			}
			w[2*i], w[2*i+1] = v, v
		}
		return w
	}
	cost := func(r, w []float64) float64 {
		var s float64
		for i := range r {
			s += w[i] * r[i] * r[i]
		}
		return s
	}
	r, good := res(x)
	if !good {
		return R, t, false
	}
	lambda := 1e-3
	for it := 0; it < 60; it++ {
		w := weigh(r)
		J := mat.NewDense(2*n, 6, nil)
		for k := 0; k < 6; k++ {
			h := 1e-5
			if k > 2 {
				h = z * 1e-5
			}
			y := append([]float64(nil), x...)
			y[k] += h
			q, ok := res(y)
			if !ok {
				return R, t, false
			}
			for i := range q {
				J.Set(i, k, (q[i]-r[i])/h*math.Sqrt(w[i]))
			}
		}
		wr := make([]float64, 2*n)
		for i := range r {
			wr[i] = r[i] * math.Sqrt(w[i])
		}
		var A mat.Dense
		A.Mul(J.T(), J)
		var b mat.VecDense
		b.MulVec(J.T(), mat.NewVecDense(2*n, wr))
		c0, better := cost(r, w), false
		for try := 0; try < 8; try++ {
			M := mat.DenseCopyOf(&A)
			for k := 0; k < 6; k++ {
				M.Set(k, k, M.At(k, k)*(1+lambda)+1e-12)
			}
			var d mat.VecDense
			if err := d.SolveVec(M, &b); err != nil {
				lambda *= 10
				continue
			}
			y := append([]float64(nil), x...)
			for k := range y {
				y[k] -= d.AtVec(k)
			}
			if q, ok := res(y); ok && cost(q, w) < c0 {
				done := c0-cost(q, w) < 1e-9*c0
				x, r, lambda, better = y, q, lambda/5, !done
				break
			}
			lambda *= 10
		}
		if !better {
			break
		}
	}
	return rodrigues(v3{x[0], x[1], x[2]}), v3{x[3], x[4], x[5]}, true
}
