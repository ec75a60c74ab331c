package swing

import "math"

type v3 = [3]float64

func sub(a, b v3) v3         { return v3{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }
func add(a, b v3) v3         { return v3{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func mul(a v3, k float64) v3 { return v3{a[0] * k, a[1] * k, a[2] * k} }
func dot(a, b v3) float64    { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func norm(a v3) float64      { return math.Sqrt(dot(a, a)) }
func half(a, b v3) v3        { return mul(add(a, b), .5) }
func flat(a v3) v3           { return v3{a[0], 0, a[2]} }
func unit(a v3) v3 {
	if n := norm(a); n > 1e-9 {
		return mul(a, 1/n)
	}
	return a
}

// included angle at b between a and c, degrees.
func included(a, b, c v3) float64 {
	u, v := sub(a, b), sub(c, b)
	d := dot(u, v) / (norm(u) * norm(v))
	return deg(math.Acos(math.Min(math.Max(d, -1), 1)))
}
