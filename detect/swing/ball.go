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

	ballTurn  = .5 // radians between coming and going; less is a ball that was missed
	ballReach = .9 // body heights from the hands: arms' and bat's length
	// Where a ball that is seen on one side only meets the bat, along its way,
	// from the place nearest to the hands, body heights: arms and bat reach
	// farther before the hands than behind them. Judged, no source.
	ballBefore, ballBehind = .5, .25
	// How far below the hands a bat meets the ball, body heights: it slopes down
	// by 5° to 35° over .6 m. Judged, no source.
	ballAbove, ballBelow = -.03, .22
	ballBack             = .06 // seconds for which a way is followed back, and
	ballDrift            = .25 // what that adds to the bounds, of the way
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
// off meet: both straight but for the fall, at constant speed, seen in
// perspective (turned). metres is how far the camera stands. The doubt is half a
// frame (where in its frame's span a picture was taken isn't known) and the
// fit's own. A ball that is seen either coming or going only gives a wider span
// around its passing the hands, which needs a camera at the side: along the
// line of sight it passes them in the picture long before or after. Not ok: no
// ball, or one that is seen to fly on unhit.
func contactByBall(g *grid, bodyPx, metres float64, s *sides) (moment, bool) {
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
	if t, at, doubt, ok := turn(ps, bodyPx, metres, math.Sin(rad(s.azimuth))); ok {
		i, h := g.index(t), rms(half, doubt)/g.dt
		hands := mid(g.joints[p.LeftWrist], g.joints[p.RightWrist]).at(g.clamp(i))
		return moment{i, i - h, i + h, true, "ball"}, math.Hypot(at.X-hands.X, at.Y-hands.Y) <= ballReach*bodyPx
	}
	if !s.side() {
		return g.ballLeaves(ps, bodyPx, metres, math.Sin(rad(s.azimuth)), half)
	}
	return g.ballPasses(ps, bodyPx, half)
}

// ballLeaves is contact from a ball that is seen going off along the line of
// sight, as from behind the catcher, where the batter hides it before: while
// its way back passes the height of the bat below the hands, and before it is
// first seen.
func (g *grid) ballLeaves(ps []passed, bodyPx, metres, toward, half float64) (moment, bool) {
	if len(ps) < 5 || metres <= 0 {
		return moment{}, false
	}
	o := ps[0]
	b := seenBall{prior: [2][2]float64{{}, {-toward * ballOut / metres, ballOutSD / metres}}}
	for _, q := range ps {
		b.add(q, o, bodyPx)
	}
	h, ok := b.alone()
	if !ok || h[outW]*toward >= 0 {
		return moment{}, false
	}
	hands := mid(g.joints[p.LeftWrist], g.joints[p.RightWrist])
	lo, hi, found := 0., 0., false
	for t := o.t; t > o.t-ballBack; t -= .001 {
		x, y, depth := h.at(t-o.t, true)
		if depth <= .05 {
			break
		}
		at := hands.at(g.clamp(g.index(t)))
		beside, below := x+(o.X-at.X)/bodyPx, y+(o.Y-at.Y)/bodyPx
		if below < ballAbove || below > ballBelow || math.Abs(beside) > ballReach {
			if found {
				break
			}
			continue
		}
		if !found {
			hi, found = t, true
		}
		lo = t
	}
	if !found || lo <= o.t-ballBack+.002 {
		return moment{}, false
	}
	// Following back is less sure the farther it goes.
	lo, hi = lo-half-ballDrift*(o.t-lo), hi+half+ballDrift*(o.t-hi)
	return moment{g.index((lo + hi) / 2), g.index(lo), g.index(hi), true, "ball"}, true
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
