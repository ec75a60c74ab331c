package bat

import (
	"math"

	"tapeline/pipeline"
)

const (
	chainFar  = .65 // a chain starts or ends this far from the hands, beyond any bat, body heights
	chainNear = .9  // its line passes the hands this near: arms' and bat's length, body heights
	chainTurn = .5  // radians between coming and going; less is a ball that was missed
	chainMeet = .2  // body heights between the two where they meet
)

// link is a blob of a frame.
type link struct {
	frame int // index into the frames
	blob
}

// flight is a chain of blobs in consecutive frames.
type flight []link

// ballChain picks the chain of blobs that moves as a ball: one that comes to
// the hands and one that leaves them, two frames or more each and five in all,
// which meet near the hands; else the longest of either kind, at least three
// frames. Nil: there is none.
func ballChain(fs []ballFrame) (best flight, hit bool) {
	var in, out []flight
	for i := 0; i+1 < len(fs); i++ {
		for _, a := range fs[i].blobs {
			for _, b := range fs[i+1].blobs {
				r := grow(fs, flight{{i, a}, {i + 1, b}})
				if r == nil {
					continue
				}
				for n := 2; n <= len(r); n++ { // the turn may be seen in one of them
					if comes(fs, r[:n]) {
						in = append(in, r[:n])
					}
				}
				if leaves(fs, r) {
					out = append(out, r)
				}
			}
		}
	}
	score := 0.
	for _, a := range in {
		for _, b := range out {
			if len(a)+len(b) < 5 { // four spots meet by chance
				continue
			}
			if gap, ok := meet(fs, a, b); ok {
				if s := 10 + float64(len(a)+len(b)) - 5*gap; s > score {
					best, score, hit = append(append(flight{}, a...), b...), s, true
				}
			}
		}
	}
	for _, l := range [][]flight{in, out} {
		for _, r := range l {
			if s := float64(len(r)); len(r) >= 3 && s > score {
				best, score = r, s
			}
		}
	}
	return best, hit
}

// flown is the flight of the ball, across the picture or along the line of
// sight; nil where neither is seen.
func flown(fs []ballFrame) flight {
	across, hit := ballChain(fs)
	if hit {
		return across
	}
	if deep := deepChain(fs); len(deep) > len(across) {
		return deep
	}
	return across
}

// grow adds the blobs of the following frames that go on as the last two did;
// nil when these two are no ball.
func grow(fs []ballFrame, r flight) flight {
	h := fs[r[0].frame].height
	v, ok := pace(fs, r[0], r[1])
	if !ok || h <= 0 {
		return nil
	}
	for k := r[1].frame + 1; k < len(fs); k++ {
		last := r[len(r)-1]
		dt := fs[k].t - fs[last.frame].t
		want := pipeline.Point{X: last.at.X + v.X*dt, Y: last.at.Y + v.Y*dt}
		tol := .15*math.Hypot(v.X, v.Y)*dt + .5*ballSize*h
		found := -1
		for i, b := range fs[k].blobs {
			if d := math.Hypot(b.at.X-want.X, b.at.Y-want.Y); d <= tol {
				if _, ok := pace(fs, last, link{k, b}); ok {
					found, tol = i, d
				}
			}
		}
		if found < 0 {
			break
		}
		n := link{k, fs[k].blobs[found]}
		v, _ = pace(fs, last, n)
		r = append(r, n)
	}
	return r
}

// pace is the velocity from a to b, key frame pixels a second; ok tells whether
// a ball can have it and both look like the same one.
func pace(fs []ballFrame, a, b link) (v pipeline.Point, ok bool) {
	dt, h := fs[b.frame].t-fs[a.frame].t, fs[a.frame].height
	if dt <= 0 || h <= 0 || a.on || b.on {
		return v, false
	}
	v = pipeline.Point{X: (b.at.X - a.at.X) / dt, Y: (b.at.Y - a.at.Y) / dt}
	speed := math.Hypot(v.X, v.Y) / h
	if speed < ballSlow || speed > ballFast || a.wide > ballGrow*ballSize*h || !alike(a.wide, b.wide, 1.8) || !alike(a.level, b.level, 2.5) {
		return v, false
	}
	for _, l := range []link{a, b} {
		// A streak points the way the ball goes and is no longer than its way
		// from frame to frame.
		if l.long > 2*l.wide && math.Abs(math.Sin(l.dir-math.Atan2(v.Y, v.X))) > .35 {
			return v, false
		}
		if l.long > speed*h*dt*1.1+ballGrow*ballSize*h {
			return v, false
		}
	}
	return v, true
}

func alike(a, b, most float64) bool { return a <= most*b && b <= most*a }

// off is how far a link lies from the hands, body heights.
func off(fs []ballFrame, l link) float64 {
	f := &fs[l.frame]
	return math.Hypot(l.at.X-f.hands.X, l.at.Y-f.hands.Y) / f.height
}

// passes tells whether the line through the ends of r comes near the hands.
func passes(fs []ballFrame, r flight) bool {
	a, b := r[0].at, r[len(r)-1].at
	f := &fs[r[0].frame]
	dx, dy := b.X-a.X, b.Y-a.Y
	d := math.Hypot(dx, dy)
	return d > 0 && math.Abs((f.hands.X-a.X)*dy-(f.hands.Y-a.Y)*dx)/d <= .5*chainNear*f.height
}

// comes tells whether every step of r goes to the hands, from afar.
func comes(fs []ballFrame, r flight) bool {
	if off(fs, r[0]) < chainFar || !passes(fs, r) {
		return false
	}
	for i := 1; i < len(r); i++ {
		if off(fs, r[i]) >= off(fs, r[i-1]) {
			return false
		}
	}
	return true
}

// leaves tells whether every step of r goes away from the hands, far.
func leaves(fs []ballFrame, r flight) bool {
	if off(fs, r[len(r)-1]) < chainFar || !passes(fs, r) {
		return false
	}
	for i := 1; i < len(r); i++ {
		if off(fs, r[i]) <= off(fs, r[i-1]) {
			return false
		}
	}
	return true
}

// meet tells whether a ball that came along a can have left along b, and how
// far apart the two are where they are nearest, body heights.
func meet(fs []ballFrame, a, b flight) (gap float64, ok bool) {
	end, start := fs[a[len(a)-1].frame], fs[b[0].frame]
	if between := b[0].frame - a[len(a)-1].frame; between < 1 || start.t-end.t > .1 {
		return 0, false
	}
	p, v := line(fs, a)
	q, u := line(fs, b)
	if c := (v.X*u.X + v.Y*u.Y) / (math.Hypot(v.X, v.Y) * math.Hypot(u.X, u.Y)); c > math.Cos(chainTurn) {
		return 0, false
	}
	if !alike(a[len(a)-1].wide, b[0].wide, 1.8) || !alike(a[len(a)-1].level, b[0].level, 2.5) {
		return 0, false
	}
	// Both lines are places at t = 0.
	wx, wy, dx, dy := q.X-p.X, q.Y-p.Y, u.X-v.X, u.Y-v.Y
	t := -(wx*dx + wy*dy) / (dx*dx + dy*dy)
	slack := .6 * (start.t - end.t)
	gap = math.Hypot(wx+dx*t, wy+dy*t) / start.height
	at := pipeline.Point{X: (p.X + v.X*t + q.X + u.X*t) / 2, Y: (p.Y + v.Y*t + q.Y + u.Y*t) / 2}
	near := math.Hypot(at.X-start.hands.X, at.Y-start.hands.Y)/start.height <= chainNear
	return gap, gap <= chainMeet && near && t >= end.t-slack && t <= start.t+slack
}

// line fits the places of a flight over time: its place at t = 0 and its velocity.
func line(fs []ballFrame, r flight) (p, v pipeline.Point) {
	var t, x, y, tt, tx, ty float64
	n := float64(len(r))
	for _, l := range r {
		s := fs[l.frame].t
		t, x, y = t+s/n, x+l.at.X/n, y+l.at.Y/n
	}
	for _, l := range r {
		s := fs[l.frame].t - t
		tt, tx, ty = tt+s*s, tx+s*l.at.X, ty+s*l.at.Y
	}
	v = pipeline.Point{X: tx / tt, Y: ty / tt}
	return pipeline.Point{X: x - v.X*t, Y: y - v.Y*t}, v
}
