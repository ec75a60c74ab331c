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
	close     = .75 // of a vector with the motion fitted, work pixels
	least     = 4   // vectors that make a motion
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
	was, is *camera.Pyramid // what is around the head

	on   bool           // the circle is on a head
	at   pipeline.Point // its centre in the frame before, work pixels
	r    float64        // and radius
	t    float64        // of the frame before, capture seconds
	away float64        // since when the circle has strayed, seconds
}

// New is a Follower that has seen nothing.
func New() *Follower { return &Follower{was: camera.NewPyramid(), is: camera.NewPyramid()} }

// Close frees the pictures kept.
func (f *Follower) Close() {
	f.was.Close()
	f.is.Close()
}

// Step gives how far the head moved between the last two frames g has taken,
// of which the Follower must have been shown the first. still maps that
// frame's pixels into this one's where nothing moves but the camera; t is
// capture time in seconds; pose nil: not looked at. The first frame, and the first
// with a pose, have no step.
func (f *Follower) Step(g *camera.Grey, still pipeline.Camera, pose *pipeline.Pose, t float64) (pipeline.HeadStep, error) {
	var s pipeline.HeadStep
	scale := g.Scale()
	if prev, ok := g.Before(); ok && f.on {
		var err error
		if s, err = f.step(prev, g.Now(), scale, still); err != nil {
			return s, err
		}
		// The circle goes with the point of the head at its centre.
		dx := s.DX - s.Rot*(f.at.Y*scale-s.CY)
		dy := s.DY + s.Rot*(f.at.X*scale-s.CX)
		f.at.X += dx / scale
		f.at.Y += dy / scale
	}
	f.pull(pose, scale, t-f.t, s.Points)
	f.t = t
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

func (f *Follower) step(prev, cur gocv.Mat, s float64, still pipeline.Camera) (pipeline.HeadStep, error) {
	var none pipeline.HeadStep
	inside := func(r float64) func(x, y float64) bool {
		return func(x, y float64) bool { return math.Hypot(x-f.at.X, y-f.at.Y) <= r }
	}
	box := image.Rect(int(f.at.X-f.r), int(f.at.Y-f.r), int(f.at.X+f.r)+1, int(f.at.Y+f.r)+1)
	from, err := camera.Corners(prev, box, corners, quality, 2, inside(f.r))
	if err != nil || len(from) == 0 {
		return none, err
	}
	to, ok, err := f.follow(prev, cur, box, from)
	if err != nil {
		return none, err
	}
	var vs []vector
	for i := range from {
		if !ok[i] {
			continue
		}
		v := vector{x: float64(from[i].X) + .5, y: float64(from[i].Y) + .5,
			dx: float64(to[i].X - from[i].X), dy: float64(to[i].Y - from[i].Y)}
		b := still.Apply(pipeline.Point{X: s * v.x, Y: s * v.y})
		v.bx, v.by = b.X/s-v.x, b.Y/s-v.y
		v.inner = inside(inner*f.r)(v.x, v.y)
		vs = append(vs, v)
	}
	m := motion(vs)
	m.DX, m.DY, m.CX, m.CY, m.RMS = s*m.DX, s*m.DY, s*m.CX, s*m.CY, s*m.RMS
	return m, nil
}

// room is what the flow may see around the head: what its windows reach at the
// coarsest level of the pyramid, and as far again.
const room = 128

// follow is flow.Follow in the part of the picture around the head: most of its
// time would go into pyramids of the rest. The part begins at a whole pixel of
// every level, so that levels hold the same pixels.
func (f *Follower) follow(prev, cur gocv.Mat, box image.Rectangle, from []gocv.Point2f) (to []gocv.Point2f, ok []bool, err error) {
	part := box.Inset(-room).Intersect(image.Rect(0, 0, prev.Cols(), prev.Rows()))
	coarsest := 1 << (flow.Levels - 1)
	part.Min.X -= part.Min.X % coarsest
	part.Min.Y -= part.Min.Y % coarsest
	a, b := prev.Region(part), cur.Region(part)
	defer a.Close()
	defer b.Close()
	if err := errors.Join(f.was.Build(a, flow), f.is.Build(b, flow)); err != nil {
		return nil, nil, err
	}
	x, y := float32(part.Min.X), float32(part.Min.Y)
	in := make([]gocv.Point2f, len(from))
	for i, p := range from {
		in[i] = gocv.Point2f{X: p.X - x, Y: p.Y - y}
	}
	to, ok, err = flow.Follow(f.was, f.is, in, nil, nil)
	for i := range to {
		to[i].X, to[i].Y = to[i].X+x, to[i].Y+y
	}
	return to, ok, err
}

// vector is a corner, its way between two frames, the way the background has
// there, and whether it lies well inside the head; work pixels.
type vector struct {
	x, y, dx, dy, bx, by float64
	inner                bool
}

// motion is the shift and turn of the head: corners that stay with the
// background are left out when the head doesn't, then those far from the
// median, then the rest is fitted.
func motion(vs []vector) pipeline.HeadStep {
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
	var head []vector
	var all, in [2][]float64
	for _, v := range vs {
		if math.Hypot(v.dx-v.bx, v.dy-v.by) < limit {
			continue
		}
		head = append(head, v)
		all[0], all[1] = append(all[0], v.dx), append(all[1], v.dy)
		if v.inner {
			in[0], in[1] = append(in[0], v.dx), append(in[1], v.dy)
		}
	}
	if len(in[0]) >= 2*least { // on the rim a window sees the background too
		all = in
	}
	mx, my := camera.Median(all[0]), camera.Median(all[1])
	var near []vector
	for _, v := range head {
		if math.Hypot(v.dx-mx, v.dy-my) <= agree {
			near = append(near, v)
		}
	}
	if len(near) < least {
		return pipeline.HeadStep{}
	}
	m := turn(near)
	var better []vector
	for _, v := range head { // a turning head's rim is not far from the motion, only from the median
		if miss(m, v) <= close {
			better = append(better, v)
		}
	}
	if len(better) < least {
		return m
	}
	return turn(better)
}

// turn is the least squares shift and small rotation of some vectors.
func turn(vs []vector) pipeline.HeadStep {
	m := pipeline.HeadStep{Points: len(vs)}
	n := float64(len(vs))
	for _, v := range vs {
		m.CX, m.CY = m.CX+v.x/n, m.CY+v.y/n
		m.DX, m.DY = m.DX+v.dx/n, m.DY+v.dy/n
	}
	var cross, sq float64
	for _, v := range vs {
		rx, ry := v.x-m.CX, v.y-m.CY
		cross += rx*(v.dy-m.DY) - ry*(v.dx-m.DX)
		sq += rx*rx + ry*ry
	}
	if sq > 0 {
		m.Rot = cross / sq
	}
	for _, v := range vs {
		d := miss(m, v)
		m.RMS += d * d / n
	}
	m.RMS = math.Sqrt(m.RMS)
	return m
}

// miss is how far a vector is from a motion of the head.
func miss(m pipeline.HeadStep, v vector) float64 {
	return math.Hypot(v.dx-m.DX+m.Rot*(v.y-m.CY), v.dy-m.DY-m.Rot*(v.x-m.CX))
}
