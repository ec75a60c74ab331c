package swing

import (
	"math"

	p "tapeline/pipeline"
)

const (
	// ballWindow: a ball that misses the bounds of what else is seen by more
	// than this is another one, seconds.
	ballWindow = .030

	ballLeast = .004 // half a span is never less, seconds: real balls slow down and drop. Judged, no source

	ballTurn = .5 // radians between coming and going; less is a ball that was missed
	ballMeet = .2 // body heights between the two lines where they meet
	// Where a ball that is seen on one side only meets the bat, along its way,
	// from the place nearest to the hands, body heights: arms and bat reach
	// farther before the hands than behind them. Judged, no source.
	ballBefore, ballBehind = .5, .25
)

// passed is a ball at one moment: key frame pixels, capture seconds.
type passed struct {
	t float64
	p.Point
}

// flown is a straight flight: the place at capture second t0 and the pixels a
// second; sum is of its squared errors.
type flown struct {
	t0   float64
	p, v p.Point
	sum  float64
}

func (f flown) at(t float64) p.Point {
	return p.Point{X: f.p.X + f.v.X*(t-f.t0), Y: f.p.Y + f.v.Y*(t-f.t0)}
}

// fly fits a straight flight by least squares to at least two places.
func fly(ps []passed) flown {
	var f flown
	n := float64(len(ps))
	for _, q := range ps {
		f.t0, f.p.X, f.p.Y = f.t0+q.t/n, f.p.X+q.X/n, f.p.Y+q.Y/n
	}
	tt := 0.
	for _, q := range ps {
		s := q.t - f.t0
		tt, f.v.X, f.v.Y = tt+s*s, f.v.X+s*q.X, f.v.Y+s*q.Y
	}
	f.v.X, f.v.Y = f.v.X/tt, f.v.Y/tt
	for _, q := range ps {
		e := f.at(q.t)
		f.sum += (q.X-e.X)*(q.X-e.X) + (q.Y-e.Y)*(q.Y-e.Y)
	}
	return f
}

// contactByBall is the moment at which the ball's way to the hands and its way
// off meet, both straight: least squares over both. The doubt is half a frame
// (where in its frame's span a picture was taken isn't known) and how far apart
// they stay. A ball that is seen either coming or going only gives a wider span
// around its passing the hands, which needs a camera at the side: along the
// line of sight it passes them in the picture long before or after. Not ok: no
// ball, or one that is seen to fly on unhit.
// Error on three of four rendered clips from the side, 60 and 30 pictures a
// second: at most 1 ms; in the fourth the ball shows in too few frames.
func contactByBall(g *grid, bodyPx float64, side bool) (moment, bool) {
	var ps []passed
	for i := range g.frames {
		if f := &g.frames[i]; f.Ball != nil {
			ps = append(ps, passed{f.PTS / g.factor, f.Camera.Apply(*f.Ball)})
		}
	}
	if len(ps) < 3 || bodyPx <= 0 {
		return moment{}, false
	}
	half := math.Max(g.dt/2, ballLeast)
	var best moment
	least, ok := math.Inf(1), false
	for k := 2; k+2 <= len(ps); k++ {
		in, out := fly(ps[:k]), fly(ps[k:])
		if angle(in.v, out.v) < ballTurn {
			continue
		}
		a, b := in.at(0), out.at(0)
		w, d := p.Point{X: b.X - a.X, Y: b.Y - a.Y}, p.Point{X: out.v.X - in.v.X, Y: out.v.Y - in.v.Y}
		dd := d.X*d.X + d.Y*d.Y
		t := -(w.X*d.X + w.Y*d.Y) / dd
		slack := .6 * (ps[k].t - ps[k-1].t)
		gap := math.Hypot(w.X+d.X*t, w.Y+d.Y*t)
		if gap > ballMeet*bodyPx || t < ps[k-1].t-slack || t > ps[k].t+slack {
			continue
		}
		if e := in.sum + out.sum + gap*gap; e < least {
			h := rms(half, gap/math.Sqrt(dd))
			i := g.index(t)
			best, least, ok = moment{i, i - h/g.dt, i + h/g.dt, true, "ball"}, e, true
		}
	}
	if ok || !side {
		return best, ok
	}
	return g.ballPasses(ps, bodyPx, half)
}

// ballPasses is contact from a ball seen on one side of it only.
func (g *grid) ballPasses(ps []passed, bodyPx, half float64) (moment, bool) {
	hands := mid(g.joints[p.LeftWrist], g.joints[p.RightWrist])
	off := func(q passed) float64 {
		h := hands.at(g.clamp(g.index(q.t)))
		return math.Hypot(q.X-h.X, q.Y-h.Y)
	}
	in, out := true, true
	for i := 1; i < len(ps); i++ {
		in, out = in && off(ps[i]) < off(ps[i-1]), out && off(ps[i]) > off(ps[i-1])
	}
	if !in && !out {
		return moment{}, false
	}
	f := fly(ps)
	speed := math.Hypot(f.v.X, f.v.Y)
	if speed == 0 {
		return moment{}, false
	}
	end := ps[0]
	if in {
		end = ps[len(ps)-1]
	}
	h, q := hands.at(g.clamp(g.index(end.t))), f.at(end.t)
	near := end.t + ((h.X-q.X)*f.v.X+(h.Y-q.Y)*f.v.Y)/(speed*speed)
	before, behind := ballBefore*bodyPx/speed, ballBehind*bodyPx/speed
	lo, hi := math.Max(near-before, end.t)-half, near+behind+half
	if out {
		lo, hi = near-behind-half, math.Min(near+before, end.t)+half
	}
	if hi <= lo {
		return moment{}, false
	}
	return moment{g.index((lo + hi) / 2), g.index(lo), g.index(hi), true, "ball"}, true
}

// angle between two vectors, radians.
func angle(a, b p.Point) float64 {
	return math.Abs(math.Atan2(a.X*b.Y-a.Y*b.X, a.X*b.X+a.Y*b.Y))
}
