package sim

import (
	"math"
	"sort"
)

type vec [3]float64

func (a vec) add(b vec) vec     { return vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func (a vec) sub(b vec) vec     { return vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }
func (a vec) mul(k float64) vec { return vec{k * a[0], k * a[1], k * a[2]} }
func (a vec) dot(b vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a vec) norm() float64     { return math.Sqrt(a.dot(a)) }
func (a vec) unit() vec         { return a.mul(1 / math.Max(a.norm(), 1e-12)) }
func (a vec) cross(b vec) vec {
	return vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}
func (a vec) mix(b vec, u float64) vec { return a.mul(1 - u).add(b.mul(u)) }

// mat holds rows.
type mat [3]vec

var eye3 = mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

func (m mat) v(a vec) vec { return vec{m[0].dot(a), m[1].dot(a), m[2].dot(a)} }
func (m mat) t() mat {
	return mat{{m[0][0], m[1][0], m[2][0]}, {m[0][1], m[1][1], m[2][1]}, {m[0][2], m[1][2], m[2][2]}}
}
func (m mat) m(n mat) mat {
	n = n.t()
	var r mat
	for i := range r {
		for j := range r {
			r[i][j] = m[i].dot(n[j])
		}
	}
	return r
}

func sincos(deg float64) (float64, float64) { return math.Sincos(deg * math.Pi / 180) }
func degrees(rad float64) float64           { return rad * 180 / math.Pi }

func rotX(deg float64) mat { s, c := sincos(deg); return mat{{1, 0, 0}, {0, c, -s}, {0, s, c}} }
func rotY(deg float64) mat { s, c := sincos(deg); return mat{{c, 0, s}, {0, 1, 0}, {-s, 0, c}} }
func rotZ(deg float64) mat { s, c := sincos(deg); return mat{{c, -s, 0}, {s, c, 0}, {0, 0, 1}} }

// turn is the rotation by a radians about unit axis u (Rodrigues).
func turn(u vec, a float64) mat {
	s, c := math.Sincos(a)
	k := 1 - c
	return mat{
		{c + u[0]*u[0]*k, u[0]*u[1]*k - u[2]*s, u[0]*u[2]*k + u[1]*s},
		{u[1]*u[0]*k + u[2]*s, c + u[1]*u[1]*k, u[1]*u[2]*k - u[0]*s},
		{u[2]*u[0]*k - u[1]*s, u[2]*u[1]*k + u[0]*s, c + u[2]*u[2]*k},
	}
}

// align is the shortest rotation of direction a onto b.
func align(a, b vec) mat {
	a, b = a.unit(), b.unit()
	c := a.cross(b)
	s := c.norm()
	if s < 1e-9 {
		return eye3
	}
	return turn(c.mul(1/s), math.Atan2(s, a.dot(b)))
}

// rotvec is the axis of m times its angle, for angles below 180°.
func (m mat) rotvec() vec {
	a := math.Acos(math.Min(math.Max((m[0][0]+m[1][1]+m[2][2]-1)/2, -1), 1))
	if a < 1e-7 {
		return vec{}
	}
	return vec{m[2][1] - m[1][2], m[0][2] - m[2][0], m[1][0] - m[0][1]}.mul(a / (2 * math.Sin(a)))
}

// part goes the share u of the way from rotation a to b.
func part(a, b mat, u float64) mat {
	v := b.m(a.t()).rotvec()
	n := v.norm()
	if n < 1e-9 {
		return a
	}
	return turn(v.mul(1/n), n*u).m(a)
}

// frame has columns x, y (made square to x) and their cross product.
func frame(x, y vec) mat {
	x = x.unit()
	y = y.sub(x.mul(y.dot(x))).unit()
	return mat{x, y, x.cross(y)}.t()
}

// curve is a monotone cubic through keys (Fritsch–Carlson, weighted harmonic
// slopes): it never overshoots them, and keeps the end values outside.
type curve struct{ t, v, m []float64 }

type key struct{ t, v float64 }

func through(k ...key) curve {
	sort.SliceStable(k, func(i, j int) bool { return k[i].t < k[j].t })
	var c curve
	for _, k := range k {
		if n := len(c.t); n > 0 && k.t-c.t[n-1] < 1e-6 {
			continue
		}
		c.t, c.v = append(c.t, k.t), append(c.v, k.v)
	}
	c.m = make([]float64, len(c.t))
	for i := 1; i+1 < len(c.t); i++ {
		h0, h1 := c.t[i]-c.t[i-1], c.t[i+1]-c.t[i]
		a, b := (c.v[i]-c.v[i-1])/h0, (c.v[i+1]-c.v[i])/h1
		if a*b > 0 {
			w1, w2 := 2*h1+h0, h1+2*h0
			c.m[i] = (w1 + w2) / (w1/a + w2/b)
		}
	}
	return c
}

func (c curve) at(t float64) float64 {
	n := len(c.t)
	if t <= c.t[0] {
		return c.v[0]
	}
	if t >= c.t[n-1] {
		return c.v[n-1]
	}
	i := sort.SearchFloat64s(c.t, t)
	if c.t[i] > t {
		i--
	}
	h := c.t[i+1] - c.t[i]
	u := (t - c.t[i]) / h
	w := 1 - u
	return (1+2*u)*w*w*c.v[i] + u*w*w*h*c.m[i] + u*u*(3-2*u)*c.v[i+1] - u*u*w*h*c.m[i+1]
}

type curve3 [3]curve

type key3 struct {
	t float64
	v vec
}

func through3(k ...key3) (c curve3) {
	for i := range c {
		var one []key
		for _, k := range k {
			one = append(one, key{k.t, k.v[i]})
		}
		c[i] = through(one...)
	}
	return c
}

func (c curve3) at(t float64) vec { return vec{c[0].at(t), c[1].at(t), c[2].at(t)} }
