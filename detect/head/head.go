// Package head follows the head between the network's readings by optical
// flow. Near contact the network is pulled to where a head usually is; the
// pixels of a helmet are not.
package head

import (
	"errors"
	"image"
	"math"

	"gocv.io/x/gocv"

	"tapeline/detect/camera"
	"tapeline/pipeline"
)

const (
	radius    = .075 // of the circle on the head, body heights
	corners   = 60
	quality   = .02
	agree     = 1.5 // of a vector with the median, work pixels
	anchor    = .5  // seconds in which the circle comes back to the network's head
	strayed   = .15 // farther than this from the network's head is not the head, body heights
	strayTime = .2  // seconds after which that is believed
	moving    = 1.0 // motion against the background that tells the two apart, work pixels
	still     = .35 // share of it below which a corner belongs to the background
	inner     = .6  // share of the radius that is surely head
)

var flow = camera.Flow{Window: 15, Levels: 4, Back: .5}

// Follower follows one head through the frames of a window, in order. Close it.
type Follower struct {
	prev, cur gocv.Mat
	have      bool            // prev is a picture
	on        bool            // the circle is on a head
	at        pipeline.Point  // its centre in prev, work pixels
	r         float64         // and radius
	cam       pipeline.Camera // of prev
	t         float64         // of prev, capture seconds
	away      float64         // since when the circle has strayed, seconds
}

// New is a Follower that has seen nothing.
func New() *Follower { return &Follower{prev: gocv.NewMat(), cur: gocv.NewMat()} }

// Close frees the pictures kept.
func (f *Follower) Close() error {
	f.prev.Close()
	return f.cur.Close()
}

// Step gives how far the head moved since the previous frame. t is capture
// time in seconds; pose nil: not looked at. The first frame, and the first
// with a pose, have no step.
func (f *Follower) Step(fr *pipeline.Frame, cam pipeline.Camera, pose *pipeline.Pose, t float64) (pipeline.HeadStep, error) {
	var s pipeline.HeadStep
	if err := camera.Gray(fr, &f.cur); err != nil {
		return s, err
	}
	if f.have && f.on {
		if f.prev.Cols() != f.cur.Cols() || f.prev.Rows() != f.cur.Rows() {
			return s, errors.New("the picture changed its size within a window")
		}
		var err error
		if s, err = f.step(fr, cam); err != nil {
			return s, err
		}
		f.at.X += s.DX / fr.Scale
		f.at.Y += s.DY / fr.Scale
	}
	f.pull(pose, fr.Scale, t-f.t, s.Points)
	f.prev, f.cur = f.cur, f.prev
	f.have, f.cam, f.t = true, cam, t
	return s, nil
}

// pull keeps the circle on the head. The network is slow to be believed: what
// it does wrong near contact lasts a tenth of a second.
func (f *Follower) pull(pose *pipeline.Pose, scale, dt float64, points int) {
	if pose == nil {
		return
	}
	p := Centre(pose)
	p.X, p.Y = p.X/scale, p.Y/scale
	h := pose.Height() / scale
	if !f.on {
		f.on, f.at, f.r, f.away = true, p, radius*h, 0
		return
	}
	k := math.Min(1, math.Max(0, dt)/anchor)
	dx, dy := p.X-f.at.X, p.Y-f.at.Y
	f.away += dt
	if math.Hypot(dx, dy) < strayed*h {
		f.away = 0
	}
	if points == 0 || f.away > strayTime {
		k, f.away = 1, 0
	}
	f.at.X += k * dx
	f.at.Y += k * dy
	f.r += math.Min(1, math.Max(0, dt)/anchor) * (radius*h - f.r)
}

// Centre is the middle of the head: half way from the nose to the ears.
func Centre(p *pipeline.Pose) pipeline.Point {
	n, e := p.Mean(pipeline.Nose), p.Mean(pipeline.LeftEar, pipeline.RightEar)
	return pipeline.Point{X: (n.X + e.X) / 2, Y: (n.Y + e.Y) / 2}
}

func (f *Follower) step(fr *pipeline.Frame, cam pipeline.Camera) (pipeline.HeadStep, error) {
	var none pipeline.HeadStep
	inside := func(r float64) func(x, y float64) bool {
		return func(x, y float64) bool { return math.Hypot(x-f.at.X, y-f.at.Y) <= r }
	}
	box := image.Rect(int(f.at.X-f.r), int(f.at.Y-f.r), int(f.at.X+f.r)+1, int(f.at.Y+f.r)+1)
	from, err := camera.Corners(f.prev, box, corners, quality, 2, inside(f.r))
	if err != nil || len(from) == 0 {
		return none, err
	}
	s := fr.Scale
	prev, now := f.cam, cam
	prev.GX, prev.GY, now.GX, now.GY = 0, 0, 0, 0
	still := func(p gocv.Point2f) (dx, dy float64) { // how a point of the background moves
		q := pipeline.Point{X: (float64(p.X) + .5) * s, Y: (float64(p.Y) + .5) * s}
		r := now.Invert(prev.Apply(q))
		return (r.X - q.X) / s, (r.Y - q.Y) / s
	}
	to, ok, err := flow.Follow(f.prev, f.cur, from, nil, nil)
	if err != nil {
		return none, err
	}
	var vs []vector
	for i := range from {
		if !ok[i] {
			continue
		}
		v := vector{dx: float64(to[i].X - from[i].X), dy: float64(to[i].Y - from[i].Y)}
		v.bx, v.by = still(from[i])
		v.inner = inside(inner*f.r)(float64(from[i].X)+.5, float64(from[i].Y)+.5)
		vs = append(vs, v)
	}
	dx, dy, n, rms := mean(vs)
	return pipeline.HeadStep{DX: s * dx, DY: s * dy, Points: n, RMS: s * rms}, nil
}

// vector is a corner's way between two frames, the way the background has
// there, and whether it lies well inside the head; work pixels.
type vector struct {
	dx, dy, bx, by float64
	inner          bool
}

// mean is the way of the head: the corners that stay with the background are
// left out when the head doesn't, then the mean of those near the median.
func mean(vs []vector) (dx, dy float64, n int, rms float64) {
	var xs, ys []float64
	for _, v := range vs {
		if v.inner {
			xs, ys = append(xs, v.dx-v.bx), append(ys, v.dy-v.by)
		}
	}
	limit := 0.0
	if m := math.Hypot(camera.Median(xs), camera.Median(ys)); m > moving {
		limit = still * m
	}
	xs, ys = nil, nil
	for _, v := range vs {
		if math.Hypot(v.dx-v.bx, v.dy-v.by) >= limit {
			xs, ys = append(xs, v.dx), append(ys, v.dy)
		}
	}
	mx, my := camera.Median(xs), camera.Median(ys)
	var sx, sy, sq float64
	for i := range xs {
		if d := math.Hypot(xs[i]-mx, ys[i]-my); d <= agree {
			sx, sy, n = sx+xs[i], sy+ys[i], n+1
			sq += xs[i]*xs[i] + ys[i]*ys[i]
		}
	}
	if n < 3 {
		return 0, 0, 0, 0
	}
	dx, dy = sx/float64(n), sy/float64(n)
	return dx, dy, n, math.Sqrt(math.Max(0, sq/float64(n)-dx*dx-dy*dy))
}
