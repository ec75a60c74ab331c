// Package camera finds how the camera moved, so that a hand-held phone doesn't
// move the eye line.
//
// The background alone is not enough: a hand that holds a phone also shifts
// by a centimetre, and what lies far behind the batter then moves less in the
// picture than what stands beside him. So there are two layers: a similarity
// from the background, and a shift on top from the ground around the feet,
// which is at the batter's distance.
package camera

import (
	"image"
	"math"
	"sort"

	"gocv.io/x/gocv"

	"tapeline/pipeline"
)

const (
	gridX, gridY = 16, 12 // cells in which corners are sought, so that one rich bush doesn't take all
	perCell      = 2
	perCellFeet  = 4 // where the feet stand: few cells, and the second layer's only ones
	quality      = .02
	tolerance    = 1.5 // of RANSAC, work pixels
	groundTol    = 2.0 // of a ground point from the median, work pixels
	groundMin    = 6   // fewer ground points are no layer
	inliersMin   = 12  // fewer background points are no map
	rekeyBelow   = .45 // share of the key's points that must still agree
	lostFrames   = 8   // after so many without a map a new key is taken
	handsCircle  = .5  // radius around the hands where the bat may be, body heights
)

var flow = Flow{Window: 21, Levels: 4, Back: .7}

// The map of the frame before tells nearly where a point is: half the levels,
// and half the time, find it. Where that loses more than slack of the points
// that arrived in the frame before, the camera jerked, and all levels look; also
// where there was no map of the frame before.
const (
	nearLevels = 2
	slack      = .1
)

// Follower follows the camera through the frames of one window, in order. The
// first frame given with a pose is the key frame. Close it.
type Follower struct {
	key, now *Pyramid
	have     bool
	pts      []gocv.Point2f // corners in the key picture
	ground   []bool         // which of them lie in the band of the feet
	above    []bool         // which of them lie above the ankles: the background
	toFirst  sim            // key → first key, background layer
	groundTo pipeline.Point // and its ground shift; both in work pixels
	last     sim            // frame → key
	near     pipeline.Point // the ground's shift beyond it, key pixels
	lastOut  pipeline.Camera
	was      []gocv.Point2f  // the corners in the previous frame
	wasOK    []bool          //
	step     pipeline.Camera // previous frame → this one
	arrived  int             // corners found in it again, the batter's too
	keys     int
	lost     int
}

// New is a Follower that has seen nothing.
func New() *Follower {
	return &Follower{key: NewPyramid(), now: NewPyramid(), toFirst: one, last: one,
		lastOut: pipeline.Camera{A: 1}, step: pipeline.Camera{A: 1}}
}

// Between maps the previous frame's pixels into those of the last one given to
// Step, full size: one similarity for the background, fitted anew for each pair
// of frames. OK is false for the first frame and when nothing could be
// followed.
func (f *Follower) Between() pipeline.Camera { return f.step }

// Close frees the pictures kept.
func (f *Follower) Close() error {
	f.key.Close()
	f.now.Close()
	return nil
}

// sim is x' = a·x − b·y + tx, y' = b·x + a·y + ty in work pixels, OpenCV's frame.
type sim struct{ a, b, tx, ty float64 }

var one = sim{a: 1}

func (s sim) apply(x, y float64) (float64, float64) {
	return s.a*x - s.b*y + s.tx, s.b*x + s.a*y + s.ty
}

func (s sim) point(p gocv.Point2f) gocv.Point2f {
	x, y := s.apply(float64(p.X), float64(p.Y))
	return gocv.Point2f{X: float32(x), Y: float32(y)}
}

// after is the map that does t first, then s.
func (s sim) after(t sim) sim {
	x, y := s.apply(t.tx, t.ty)
	return sim{s.a*t.a - s.b*t.b, s.a*t.b + s.b*t.a, x, y}
}

func (s sim) inverse() sim {
	d := s.a*s.a + s.b*s.b
	i := sim{a: s.a / d, b: -s.b / d}
	x, y := i.apply(s.tx, s.ty)
	i.tx, i.ty = -x, -y
	return i
}

// Step gives the map of the frame g has just taken into the first key frame,
// full-size pixels. pose masks the batter; nil: not known in this frame. Before the key
// frame, and when no background could be followed, OK is false and the last
// map is repeated.
func (f *Follower) Step(g *Grey, pose *pipeline.Pose) (pipeline.Camera, error) {
	f.step = pipeline.Camera{A: 1}
	if !f.have {
		if pose == nil {
			return f.lastOut, nil
		}
		if err := f.key.Build(g.Now(), flow); err != nil {
			return f.lastOut, err
		}
		if err := f.newKey(g, pose); err != nil {
			return f.lastOut, err
		}
		f.lastOut = pipeline.Camera{A: 1, Inliers: count(f.above), Ground: count(f.ground), OK: true}
		return f.lastOut, nil
	}
	s := g.Scale()
	if err := f.now.Build(g.Now(), flow); err != nil {
		return f.lastOut, err
	}
	to, ok, err := f.arrive()
	if err != nil {
		return f.lastOut, err
	}
	if pose != nil { // a point that is now under the batter follows him
		body := NewBody(pose, s, 0)
		for i := range ok {
			ok[i] = ok[i] && !body.Has(float64(to[i].X)+.5, float64(to[i].Y)+.5)
		}
	}
	both := make([]bool, len(ok))
	for i := range both {
		both[i] = ok[i] && f.wasOK[i]
	}
	if m, in, rms, found := fit(f.was, to, both, f.above); found {
		f.step = full(m, s)
		f.step.Inliers, f.step.RMS, f.step.OK = in, rms*s, true
	}
	f.was, f.wasOK = to, ok
	m, in, rms, found := fit(to, f.pts, ok, f.above)
	if !found {
		f.lost++
		f.lastOut.OK = false
		if f.lost >= lostFrames && pose != nil {
			// Go on from here; what moved meanwhile is not known.
			f.toFirst = f.toFirst.after(f.last)
			f.groundTo = pipeline.Point{X: f.lastOut.GX / s, Y: f.lastOut.GY / s}
			f.key, f.now = f.now, f.key
			err = f.newKey(g, pose)
		}
		return f.lastOut, err
	}
	f.lost, f.last = 0, m
	ground, n := f.parallax(to, ok, m)
	if n == 0 {
		ground = f.near // the hand hasn't jumped back because the ground is hidden
	}
	f.near = ground

	// Compose: first = S1(S2 p + g) + g1.
	all := f.toFirst.after(m)
	gx := f.toFirst.a*ground.X - f.toFirst.b*ground.Y + f.groundTo.X
	gy := f.toFirst.b*ground.X + f.toFirst.a*ground.Y + f.groundTo.Y
	f.lastOut = full(all, s)
	f.lastOut.GX, f.lastOut.GY, f.lastOut.RMS = s*gx, s*gy, s*rms
	f.lastOut.Inliers, f.lastOut.Ground, f.lastOut.Key, f.lastOut.OK = in, n, f.keys-1, true
	if float64(in) < rekeyBelow*float64(count(f.above)) && pose != nil {
		f.toFirst, f.groundTo = all, pipeline.Point{X: gx, Y: gy}
		f.key, f.now = f.now, f.key
		if err := f.newKey(g, pose); err != nil {
			return f.lastOut, err
		}
	}
	return f.lastOut, nil
}

// arrive follows the key's corners into the present picture.
func (f *Follower) arrive() (to []gocv.Point2f, ok []bool, err error) {
	inv, near := f.last.inverse(), flow
	near.Levels = nearLevels
	if to, ok, err = near.Follow(f.key, f.now, f.pts, inv.point, f.last.point); err != nil {
		return nil, nil, err
	}
	if f.lost > 0 || float64(count(ok)) < (1-slack)*float64(f.arrived) {
		if to, ok, err = flow.Follow(f.key, f.now, f.pts, inv.point, f.last.point); err != nil {
			return nil, nil, err
		}
	}
	f.arrived = count(ok)
	return to, ok, nil
}

// full is a map of work pixels, centres at 0, as one of full-size pixels,
// centres at .5, a work pixel being scale of them.
func full(m sim, scale float64) pipeline.Camera {
	return pipeline.Camera{A: m.a, B: m.b,
		TX: scale * (m.tx + .5 - .5*m.a + .5*m.b), TY: scale * (m.ty + .5 - .5*m.b - .5*m.a)}
}

// newKey finds the corners of the current picture, whose pyramid key is.
func (f *Follower) newKey(g *Grey, pose *pipeline.Pose) error {
	f.last, f.near, f.have, f.lost = one, pipeline.Point{}, true, 0
	f.keys++
	w, h := f.key.width, f.key.height

	s := g.Scale()
	H := pose.Height() / s
	body := NewBody(pose, s, .02)
	hands := Hands(pose)
	free := func(x, y float64) bool {
		return math.Hypot(x-hands.X/s, y-hands.Y/s) > handsCircle*H && !body.Has(x, y)
	}
	ankle := math.Min(pose.Joints[pipeline.LeftAnkle].Y, pose.Joints[pipeline.RightAnkle].Y) / s
	toe, mid := 0.0, 0.0
	feet := []int{pipeline.LeftAnkle, pipeline.RightAnkle, pipeline.LeftHeel, pipeline.RightHeel, pipeline.LeftToe, pipeline.RightToe}
	for _, j := range feet {
		toe = math.Max(toe, pose.Joints[j].Y/s)
		mid += pose.Joints[j].X / s / float64(len(feet))
	}

	f.pts, f.ground, f.above = nil, nil, nil
	for j := range gridY {
		for i := range gridX {
			cell := image.Rect(i*w/gridX, j*h/gridY, (i+1)*w/gridX, (j+1)*h/gridY)
			n := perCell
			if float64(cell.Max.Y) > ankle-.05*H && float64(cell.Min.Y) < toe+.15*H && float64(cell.Max.X) > mid-1.2*H && float64(cell.Min.X) < mid+1.2*H {
				n = perCellFeet
			}
			ps, err := Corners(g.Now(), cell, n, quality, 5, free)
			if err != nil {
				return err
			}
			for _, p := range ps {
				x, y := float64(p.X)+.5, float64(p.Y)+.5
				f.pts = append(f.pts, p)
				f.above = append(f.above, y < ankle)
				f.ground = append(f.ground, y > ankle-.05*H && y < toe+.15*H && math.Abs(x-mid) < 1.2*H)
			}
		}
	}
	f.arrived, f.was, f.wasOK = len(f.pts), f.pts, make([]bool, len(f.pts))
	for i := range f.wasOK {
		f.wasOK[i] = true
	}
	if count(f.above) < 2*inliersMin { // a picture that ends at the knees: all it has
		for i := range f.above {
			f.above[i] = true
		}
	}
	return nil
}

// fit is the similarity from the frame's points to the key's that most of the
// background agrees on, its inliers and their rms in work pixels.
func fit(from, to []gocv.Point2f, ok, use []bool) (m sim, inliers int, rms float64, found bool) {
	var a, b []gocv.Point2f
	for i := range from {
		if ok[i] && use[i] {
			a, b = append(a, from[i]), append(b, to[i])
		}
	}
	// The binding has OpenCV's fixed RANSAC threshold of 3 pixels: points blown
	// up by blow bring it to our tolerance.
	const blow = 3 / tolerance
	if len(a) < inliersMin {
		return one, 0, 0, false
	}
	ma, err := points(times(a, blow))
	if err != nil {
		return one, 0, 0, false
	}
	defer ma.Close()
	mb, err := points(times(b, blow))
	if err != nil {
		return one, 0, 0, false
	}
	defer mb.Close()
	va, vb := gocv.NewPoint2fVectorFromMat(ma), gocv.NewPoint2fVectorFromMat(mb)
	defer va.Close()
	defer vb.Close()
	t := gocv.EstimateAffinePartial2D(va, vb)
	defer t.Close()
	if t.Empty() || t.Rows() != 2 || t.Cols() != 3 {
		return one, 0, 0, false
	}
	m = sim{t.GetDoubleAt(0, 0), t.GetDoubleAt(1, 0), t.GetDoubleAt(0, 2) / blow, t.GetDoubleAt(1, 2) / blow}
	var sum float64
	for i := range a {
		x, y := m.apply(float64(a[i].X), float64(a[i].Y))
		if d := math.Hypot(x-float64(b[i].X), y-float64(b[i].Y)); d <= tolerance {
			inliers++
			sum += d * d
		}
	}
	zoom := math.Hypot(m.a, m.b)
	if inliers < inliersMin || 3*inliers < len(a) || zoom < .5 || zoom > 2 {
		return one, 0, 0, false
	}
	return m, inliers, math.Sqrt(sum / float64(inliers)), true
}

func times(ps []gocv.Point2f, k float32) []gocv.Point2f {
	out := make([]gocv.Point2f, len(ps))
	for i, p := range ps {
		out[i] = gocv.Point2f{X: k * p.X, Y: k * p.Y}
	}
	return out
}

// parallax is the mean way that the ground of the feet goes beyond the
// background's map, key pixels, and the points behind it (0: too few).
func (f *Follower) parallax(to []gocv.Point2f, ok []bool, m sim) (pipeline.Point, int) {
	var xs, ys []float64
	for i := range to {
		if ok[i] && f.ground[i] {
			x, y := m.apply(float64(to[i].X), float64(to[i].Y))
			xs, ys = append(xs, float64(f.pts[i].X)-x), append(ys, float64(f.pts[i].Y)-y)
		}
	}
	if len(xs) < groundMin {
		return pipeline.Point{}, 0
	}
	mx, my := Median(xs), Median(ys)
	var g pipeline.Point
	n := 0
	for i := range xs {
		if math.Hypot(xs[i]-mx, ys[i]-my) <= groundTol {
			g.X, g.Y, n = g.X+xs[i], g.Y+ys[i], n+1
		}
	}
	if n < groundMin {
		return pipeline.Point{}, 0
	}
	return pipeline.Point{X: g.X / float64(n), Y: g.Y / float64(n)}, n
}

// Median of v, the mean of the middle two when even; v is not changed.
func Median(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	n := len(s)
	if n == 0 {
		return 0
	}
	return (s[(n-1)/2] + s[n/2]) / 2
}

func count(b []bool) int {
	n := 0
	for _, v := range b {
		if v {
			n++
		}
	}
	return n
}
