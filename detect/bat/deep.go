package bat

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tapeline/pipeline"
)

// A ball that flies along the line of sight: its depth goes with time, so the
// picture's place is (p + v·t + g·t²/2)/(1 + w·t), g being the fall, and its
// width goes with 1/(1 + w·t).

const (
	deepRate  = 15. // depths a second: 50 m/s at 3.3 m
	deepLeast = 1.5 // depths a second below which a flight counts as across the picture
	deepOff   = .35 // ball widths a place may lie off its flight, and
	deepStep  = .12 // so much of the step to it
	deepGap   = .08 // seconds between coming and going: the bat's blur and two frames of 30 a second
	deepAlone = 5   // frames of a flight without its other half
	deepFair  = 15. // body heights a second in the picture, where it is hit: a fair ball flies along the view
	deepFall  = 5.9 // of the ball, body heights a second²: 9.81 m/s² at 1.65 m
)

// deep is such a flight: key frame pixels, seconds from t0 on.
type deep struct {
	t0, w float64
	p, v  pipeline.Point
	fall  float64
}

func (d deep) near(t float64) float64 { return 1 + d.w*(t-d.t0) } // depth against that at t0

func (d deep) at(t float64) pipeline.Point {
	g, s := d.near(t), t-d.t0
	return pipeline.Point{X: (d.p.X + d.v.X*s) / g, Y: (d.p.Y + d.v.Y*s + d.fall*s*s/2) / g}
}

// toward is the picture's velocity at t, pixels a second.
func (d deep) toward(t float64) pipeline.Point {
	const h = 1e-3
	a, b := d.at(t-h), d.at(t+h)
	return pipeline.Point{X: (b.X - a.X) / (2 * h), Y: (b.Y - a.Y) / (2 * h)}
}

// deepFit fits three places or more, t0 at the one nearest to the hands; ok is
// false where no ball moves so.
func deepFit(fs []ballFrame, r flight) (d deep, ok bool) {
	n := len(r)
	last := r[n-1]
	if off(fs, r[0]) < off(fs, last) {
		last = r[0]
	}
	d.t0, d.fall = fs[last.frame].t, deepFall*fs[last.frame].height
	a, b := mat.NewDense(2*n, 5, nil), mat.NewVecDense(2*n, nil)
	for i, l := range r {
		t, x, y := fs[l.frame].t-d.t0, l.at.X-last.at.X, l.at.Y-last.at.Y
		a.SetRow(2*i, []float64{1, t, 0, 0, -t * x})
		a.SetRow(2*i+1, []float64{0, 0, 1, t, -t * y})
		b.SetVec(2*i, x)
		b.SetVec(2*i+1, y-d.fall*t*t/2)
	}
	var s mat.VecDense
	if s.SolveVec(a, b) != nil {
		return d, false
	}
	d.w = s.AtVec(4)
	d.p = pipeline.Point{X: s.AtVec(0) + last.at.X, Y: s.AtVec(2) + last.at.Y}
	d.v = pipeline.Point{X: s.AtVec(1) + d.w*last.at.X, Y: s.AtVec(3) + d.w*last.at.Y}
	return d, d.fits(fs, r)
}

// fits tells whether places, widths and pace are those of a ball on d.
func (d deep) fits(fs []ballFrame, r flight) bool {
	h := fs[r[0].frame].height
	lo, hi := math.Inf(1), 0.
	for i, l := range r {
		t := fs[l.frame].t
		g := d.near(t)
		if g <= 0 || math.Abs(d.w/g) > deepRate {
			return false
		}
		step := 0.
		if i > 0 {
			step = apart(l.at, r[i-1].at)
		}
		if apart(d.at(t), l.at) > deepOff*math.Max(l.wide, .5*ballSize*h)+deepStep*step {
			return false
		}
		lo, hi = math.Min(lo, l.wide*g), math.Max(hi, l.wide*g)
	}
	return hi <= 2.2*lo
}

func apart(a, b pipeline.Point) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }

// deepNext tells whether c can follow a and b on a straight way.
func deepNext(fs []ballFrame, a, b, c link) bool {
	u := pipeline.Point{X: b.at.X - a.at.X, Y: b.at.Y - a.at.Y}
	v := pipeline.Point{X: c.at.X - b.at.X, Y: c.at.Y - b.at.Y}
	du, dv := math.Hypot(u.X, u.Y), math.Hypot(v.X, v.Y)
	if du == 0 || dv == 0 {
		return false
	}
	slip := .3 * math.Max(b.wide, c.wide) // of a place
	pace := dv / du * (fs[b.frame].t - fs[a.frame].t) / (fs[c.frame].t - fs[b.frame].t)
	return angle(u, v) <= .1+slip/math.Min(du, dv) && pace > .25 && pace < 4
}

// angle between two vectors, radians.
func angle(a, b pipeline.Point) float64 {
	return math.Abs(math.Atan2(a.X*b.Y-a.Y*b.X, a.X*b.X+a.Y*b.Y))
}

// deepPair tells whether two blobs of consecutive frames can be one ball.
func deepPair(fs []ballFrame, a, b link) bool {
	dt, h := fs[b.frame].t-fs[a.frame].t, fs[a.frame].height
	d := apart(a.at, b.at)
	if h <= 0 || dt <= 0 || d > ballFast*h*dt || d < .25*math.Min(a.wide, b.wide) || !alike(a.wide, b.wide, 2) || !alike(a.level, b.level, 2.5) {
		return false
	}
	// Both are blurred by the same share of the way; a bat's end is not.
	if math.Abs((a.long-a.wide)-(b.long-b.wide)) > .35*d+math.Min(a.wide, b.wide) {
		return false
	}
	dir := math.Atan2(b.at.Y-a.at.Y, b.at.X-a.at.X)
	for _, l := range []link{a, b} {
		if l.long > 2.2*l.wide && math.Abs(math.Sin(l.dir-dir)) > .35 || l.long > 1.1*d+2.5*l.wide {
			return false
		}
	}
	return true
}

// mostWays is how many flights may be seen before the picture is one of rain or
// snow, in which no ball is told from the rest; pairing them would not end.
const mostWays = 500

// deepWays are all flights of two frames and more, each as long as it goes,
// and their beginnings and ends.
func deepWays(fs []ballFrame) (rs []flight) {
	var grow func(r flight)
	grow = func(r flight) {
		rs = append(rs, append(flight{}, r...))
		last := r[len(r)-1]
		if last.frame+1 >= len(fs) || len(rs) > mostWays {
			return
		}
		for _, b := range fs[last.frame+1].blobs {
			c := link{last.frame + 1, b}
			if !deepPair(fs, last, c) || !deepNext(fs, r[len(r)-2], last, c) {
				continue
			}
			n := append(append(flight{}, r...), c)
			if _, ok := deepFit(fs, n); ok {
				grow(n)
			}
		}
	}
	for i := 0; i+1 < len(fs); i++ {
		for _, a := range fs[i].blobs {
			for _, b := range fs[i+1].blobs {
				if len(rs) > mostWays {
					return nil
				}
				if deepPair(fs, link{i, a}, link{i + 1, b}) {
					grow(flight{{i, a}, {i + 1, b}})
				}
			}
		}
	}
	if len(rs) > mostWays {
		return nil
	}
	return rs
}

// deepChain is ballChain for a camera before or behind the batter: a flight
// that changes its depth and one that changes it the other way, of five frames
// in all, three of them in one, which meet near the hands; else the longest
// alone.
func deepChain(fs []ballFrame) flight {
	ways := deepWays(fs)
	var best flight
	score := 0.
	for _, a := range ways {
		for _, b := range ways {
			if b[0].frame <= a[len(a)-1].frame || clear(a) == 0 || clear(b) == 0 || len(a)+len(b) < 5 {
				continue
			}
			if gap, ok := deepMeet(fs, a, b); ok {
				if s := float64(len(a)+len(b)) - 5*gap; s > score {
					best, score = append(append(flight{}, a...), b...), s
				}
			}
		}
	}
	if best != nil {
		return best
	}
	for _, r := range ways {
		if clear(r) < deepAlone || len(r) <= len(best) {
			continue
		}
		d, ok := deepFit(fs, r)
		if !ok || math.Abs(d.w) < deepLeast {
			continue
		}
		// It begins or ends at the bat.
		for _, l := range []link{r[0], r[len(r)-1]} {
			if off(fs, l) <= .5*chainNear {
				best = r
			}
		}
	}
	return best
}

// clear counts the places beside the batter.
func clear(r flight) (n int) {
	for _, l := range r {
		if !l.on {
			n++
		}
	}
	return n
}

// deepMeet tells whether a ball that came along a can have left along b, and
// how far apart the two are where they are nearest, body heights.
func deepMeet(fs []ballFrame, a, b flight) (gap float64, ok bool) {
	end, start := fs[a[len(a)-1].frame], fs[b[0].frame]
	if start.t-end.t > deepGap || len(a) < 3 && (len(b) < 3 || clear(a) < 2) || len(b) < 3 && clear(b) < 2 {
		return 0, false
	}
	in, out := deep{}, deep{}
	if len(a) >= 3 {
		if in, ok = deepFit(fs, a); !ok {
			return 0, false
		}
	}
	if len(b) >= 3 {
		if out, ok = deepFit(fs, b); !ok {
			return 0, false
		}
	}
	// Of two places alone the depth can't be told: as the other's, backward.
	if len(a) < 3 {
		in = two(fs, a, -out.w/out.near(start.t))
	}
	if len(b) < 3 {
		out = two(fs, b, -in.w/in.near(end.t))
	}
	slack := .6 * (start.t - end.t)
	gap = math.Inf(1)
	when := 0.
	for t := end.t - slack; t <= start.t+slack; t += .001 {
		if in.near(t) <= 0 || out.near(t) <= 0 {
			continue
		}
		if d := apart(in.at(t), out.at(t)); d < gap {
			gap, when = d, t
		}
	}
	if math.IsInf(gap, 1) || in.w*out.w > 0 || math.Min(math.Abs(in.w/in.near(when)), math.Abs(out.w/out.near(when))) < deepLeast {
		return 0, false
	}
	at, come, leave := in.at(when), in.toward(when), out.toward(when)
	if math.Max(math.Hypot(come.X, come.Y), math.Hypot(leave.X, leave.Y)) > deepFair*start.height {
		return 0, false
	}
	gap /= start.height
	// The widths there, as each flight tells them.
	wa, wb := in.wideAt(fs, a, when), out.wideAt(fs, b, when)
	near := math.Hypot(at.X-start.hands.X, at.Y-start.hands.Y)/start.height <= chainNear
	meets := .5 * chainMeet
	if len(a) < 3 || len(b) < 3 { // two specks meet a flight by chance
		meets = .15 * chainMeet
	}
	return gap, gap <= meets && near && alike(wa, wb, 1.8) && alike(a[len(a)-1].level, b[0].level, 2.1) &&
		angle(come, leave) >= chainTurn
}

// two is the flight through two places whose depth goes as w at the first.
func two(fs []ballFrame, r flight, w float64) deep {
	a, b := r[0], r[1]
	d := deep{t0: fs[a.frame].t, w: w, p: a.at, fall: deepFall * fs[a.frame].height}
	dt := fs[b.frame].t - d.t0
	g := 1 + w*dt
	d.v = pipeline.Point{X: (b.at.X*g - a.at.X) / dt, Y: (b.at.Y*g - a.at.Y - d.fall*dt*dt/2) / dt}
	return d
}

// wideAt is how wide the flight's ball is at t, pixels: geometric mean.
func (d deep) wideAt(fs []ballFrame, r flight, t float64) float64 {
	s := 0.
	for _, l := range r {
		s += math.Log(l.wide * d.near(fs[l.frame].t) / d.near(t))
	}
	return math.Exp(s / float64(len(r)))
}
