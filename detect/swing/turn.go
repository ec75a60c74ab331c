package swing

import (
	"math"

	"gonum.org/v1/gonum/mat"

	p "tapeline/pipeline"
)

const (
	// Depth toward the camera a ball comes and goes with, metres a second, and
	// one standard deviation: tosses to fast balls, hits to all fields. Judged,
	// no source.
	ballIn, ballInSD   = 25, 10
	ballOut, ballOutSD = 26, 12

	ballFall  = 5.9  // body heights a second²: 9.81 m/s² at 1.65 m
	ballPlace = .012 // standard deviation of a place, body heights: within .027 on rendered clips, most of it the same in all places of a flight
	ballOdd   = 3.   // standard deviations; a place that is farther off is something else
	ballVague = .03  // a turn in more doubt is none, seconds
)

// The parameters of a ball that is hit: when, where, and for its way in and its
// way out the change of depth, depths a second, and the picture's velocity.
const (
	atT = iota
	atX
	atY
	inW
	inX
	inY
	outW
	outX
	outY
	turnN
)

// hit is a ball on its ways in and out: body heights, seconds.
type hit [turnN]float64

// at second t: a ball at constant speed is seen at (p + v·t + g·t²/2)/(1 + w·t).
// out: on the way out.
func (h *hit) at(t float64, out bool) (x, y, depth float64) {
	w := h[inW:]
	if out {
		w = h[outW:]
	}
	s := t - h[atT]
	depth = 1 + w[0]*s
	return (h[atX] + w[1]*s) / depth, (h[atY] + w[2]*s + ballFall*s*s/2) / depth, depth
}

// turned is the angle between coming and going at the turn, radians.
func (h *hit) turned() float64 {
	v := func(w []float64) p.Point { return p.Point{X: w[1] - w[0]*h[atX], Y: w[2] - w[0]*h[atY]} }
	a, b := v(h[inW:]), v(h[outW:])
	return math.Abs(math.Atan2(a.X*b.Y-a.Y*b.X, a.X*b.X+a.Y*b.Y))
}

// seenBall are the places of a ball, body heights; the first k come.
type seenBall struct {
	t, x, y []float64
	k       int
	prior   [2][2]float64 // of the changes of depth: mean, standard deviation
}

// add a place as seen from o.
func (b *seenBall) add(q, o passed, bodyPx float64) {
	b.t = append(b.t, q.t-o.t)
	b.x, b.y = append(b.x, (q.X-o.X)/bodyPx), append(b.y, (q.Y-o.Y)/bodyPx)
}

// residuals in standard deviations.
func (b *seenBall) residuals(h *hit) []float64 {
	r := make([]float64, 0, 2*len(b.t)+2)
	for i, t := range b.t {
		x, y, depth := h.at(t, i >= b.k)
		if depth <= .05 {
			x, y = 1e3, 1e3
		}
		r = append(r, (x-b.x[i])/ballPlace, (y-b.y[i])/ballPlace)
	}
	return append(r, (h[inW]-b.prior[0][0])/b.prior[0][1], (h[outW]-b.prior[1][0])/b.prior[1][1])
}

func square(r []float64) (s float64) {
	for _, v := range r {
		s += v * v
	}
	return s
}

// fit is the ball's two ways from a start between them; doubt is one standard
// deviation of the time.
func (b *seenBall) fit() (h hit, cost, doubt float64, ok bool) {
	k := b.k
	h[atT], h[atX], h[atY] = (b.t[k-1]+b.t[k])/2, (b.x[k-1]+b.x[k])/2, (b.y[k-1]+b.y[k])/2
	h[inW], h[outW] = b.prior[0][0], b.prior[1][0]
	h[inX], h[inY] = b.pace(k-2, h[inW], h)
	h[outX], h[outY] = b.pace(k, h[outW], h)
	cost, cov, ok := least(h[:], func(v []float64) []float64 { return b.residuals((*hit)(v)) })
	if !ok {
		return h, cost, 0, false
	}
	return h, cost, math.Sqrt(cov.At(atT, atT)), true
}

// pace from place i to the next, for a way whose depth goes as w.
func (b *seenBall) pace(i int, w float64, h hit) (x, y float64) {
	dt := b.t[i+1] - b.t[i]
	return (b.x[i+1]-b.x[i])/dt + w*h[atX], (b.y[i+1]-b.y[i])/dt + w*h[atY]
}

// alone is a ball that is seen going only: its way out from the first place.
// ok is false where the places are on no such way.
func (b *seenBall) alone() (h hit, ok bool) {
	h[atX], h[atY], h[outW] = b.x[0], b.y[0], b.prior[1][0]
	h[outX], h[outY] = b.pace(0, h[outW], h)
	b.prior[0] = [2]float64{0, 1}
	free := []int{atX, atY, outW, outX, outY}
	v := make([]float64, len(free))
	for i, c := range free {
		v[i] = h[c]
	}
	put := func(v []float64) *hit {
		o := h
		for i, c := range free {
			o[c] = v[i]
		}
		return &o
	}
	cost, _, ok := least(v, func(v []float64) []float64 { return b.residuals(put(v)) })
	return *put(v), ok && cost <= ballOdd*ballOdd*float64(2*len(b.t)+1-len(free))
}

// mostRounds ends a fit that creeps; usual ones need under 20.
const mostRounds = 200

// least moves h to the least sum of squared residuals, by Levenberg's damped
// steps; cov is the covariance there.
func least(h []float64, residuals func([]float64) []float64) (cost float64, cov *mat.SymDense, ok bool) {
	r := residuals(h)
	m, n := len(r), len(h)
	cost = square(r)
	normal := mat.NewSymDense(n, nil)
	o := make([]float64, n)
	damp := 1e-3
	for better, round := true, 0; better && round < mostRounds; round++ {
		j := mat.NewDense(m, n, nil)
		for c := range h {
			const step = 1e-6
			copy(o, h)
			o[c] += step
			for i, v := range residuals(o) {
				j.Set(i, c, (v-r[i])/step)
			}
		}
		normal.SymOuterK(1, j.T())
		var g mat.VecDense
		g.MulVec(j.T(), mat.NewVecDense(m, r))
		better = false
		for try := 0; try < 8 && !better; try++ {
			a := mat.NewSymDense(n, nil)
			a.CopySym(normal)
			for c := range h {
				a.SetSym(c, c, a.At(c, c)*(1+damp)+1e-12)
			}
			var ch mat.Cholesky
			var d mat.VecDense
			if ch.Factorize(a) && ch.SolveVecTo(&d, &g) == nil {
				for c := range o {
					o[c] = h[c] - d.AtVec(c)
				}
				q := residuals(o)
				if s := square(q); s < cost*(1-1e-6) {
					copy(h, o)
					r, cost, better = q, s, true
					damp = math.Max(damp/5, 1e-9)
					continue
				}
			}
			damp *= 4
		}
	}
	var ch mat.Cholesky
	cov = mat.NewSymDense(n, nil)
	return cost, cov, ch.Factorize(normal) && ch.InverseTo(cov) == nil
}

// without leaves place i out.
func (b *seenBall) without(i int) *seenBall {
	cut := func(v []float64) []float64 { return append(append([]float64{}, v[:i]...), v[i+1:]...) }
	o := *b
	o.t, o.x, o.y = cut(b.t), cut(b.x), cut(b.y)
	if i < b.k {
		o.k--
	}
	return &o
}

// turn is when and where the ball was hit and the half width of the time in
// 95 %, seconds. toward is how far the pitcher's side points at the camera, −1…1. Not ok where
// it isn't seen often enough on both ways, or goes on as it came.
func turn(ps []passed, bodyPx, metres, toward float64) (t float64, at p.Point, doubt float64, ok bool) {
	if len(ps) < 5 || metres <= 0 {
		return 0, at, 0, false
	}
	all := seenBall{prior: [2][2]float64{{toward * ballIn / metres, ballInSD / metres}, {-toward * ballOut / metres, ballOutSD / metres}}}
	o := ps[len(ps)/2]
	for _, q := range ps {
		all.add(q, o, bodyPx)
	}
	best, lowest := (*seenBall)(nil), math.Inf(1)
	var h hit
	for k := 2; k+2 <= len(ps); k++ {
		b := all
		b.k = k
		q, cost, sd, good := b.fit()
		slack := .6 * (b.t[k] - b.t[k-1])
		if good && cost < lowest && q[atT] > b.t[k-1]-slack && q[atT] < b.t[k]+slack {
			best, lowest, h, doubt = &b, cost, q, sd
		}
	}
	if best == nil {
		return 0, at, 0, false
	}
	// The place that fits worst may be the bat's.
	for len(best.t) > 5 {
		r := best.residuals(&h)
		worst, most := -1, ballOdd
		for i := range best.t {
			if d := math.Hypot(r[2*i], r[2*i+1]); d > most && (i < best.k && best.k > 2 || i >= best.k && len(best.t)-best.k > 2) {
				worst, most = i, d
			}
		}
		if worst < 0 {
			break
		}
		b := best.without(worst)
		q, cost, sd, good := b.fit()
		if !good {
			break
		}
		best, lowest, h, doubt = b, cost, q, sd
	}
	free := float64(2*len(best.t) + 2 - turnN)
	doubt *= 2 * math.Max(1, math.Sqrt(lowest/free))
	at = p.Point{X: o.X + h[atX]*bodyPx, Y: o.Y + h[atY]*bodyPx}
	// Seen along its way, a ball comes from the pitcher's side and leaves to it.
	if math.Abs(toward) > .7 && (h[inW]*toward <= 0 || h[outW]*toward >= 0) {
		return 0, at, 0, false
	}
	return h[atT] + o.t, at, doubt, h.turned() >= ballTurn && doubt <= ballVague && lowest/free <= ballOdd*ballOdd
}
