package bat

import (
	"errors"
	"image"
	"image/color"
	"math"
	"sort"

	"gocv.io/x/gocv"

	"tapeline/detect/camera"
	"tapeline/pipeline"
)

const (
	ballBright = 14   // grey levels above the place before and after
	ballRate   = 60.  // pictures a second compared: at more, a slow ball still covers its own place
	ballMost   = 5    // candidates kept of a frame
	ballSize   = .041 // of a body height: 7.3 cm (Official Baseball Rules, 9 to 9¼ in round) of 1.78 m
	ballGrow   = 2.   // wider than that: a child's height, blur, a softball
	ballClose  = 4.   // a ball on its way past the camera: a quarter of the batter's distance
	ballSlow   = 4.5  // body heights a second: 8 m/s at 1.78 m
	ballFast   = 38.  // body heights a second: 50 m/s at 1.3 m
)

// Balls looks for the ball in the frames of a window near its burst. Close it.
type Balls struct {
	pics   [2]gocv.Mat // the frame before the one looked at, and that one
	taken  int
	step   pipeline.Camera // pics[0] → pics[1]
	since  pipeline.Camera // pics[1] → the last frame seen
	pose   *pipeline.Pose
	frames []ballFrame // all taken; the last one is not looked at yet
}

// ballFrame is what one frame may hold of the ball; hands, height and the
// candidates' middles are key frame pixels.
type ballFrame struct {
	index  int
	t      float64 // capture seconds
	hands  pipeline.Point
	height float64
	body   *pipeline.Pose
	camera pipeline.Camera
	blobs  []blob
}

// blob is a bright spot that is there in one frame only.
type blob struct {
	raw, at    pipeline.Point // middle, full-size pixels of the frame and of the key frame
	long, wide float64        // pixels
	dir        float64        // of the longer axis, radians
	level      float64        // mean grey levels above the ground
	on         bool           // the batter's picture, where much that moves is no ball
}

// NewBalls has seen nothing.
func NewBalls() *Balls { return &Balls{pics: [2]gocv.Mat{gocv.NewMat(), gocv.NewMat()}} }

// Close frees the pictures.
func (b *Balls) Close() error { return errors.Join(b.pics[0].Close(), b.pics[1].Close()) }

// Step takes the last frame of g and looks at the one taken before it. step
// maps the previous frame into this one, full-size pixels; t is capture
// seconds; s is what is known of the frame so far. A frame is looked at only
// between two others, with the camera's motion known on both sides; frames that
// come faster than ballRate are left out.
func (b *Balls) Step(g *camera.Grey, step pipeline.Camera, s *pipeline.Seen, t float64) error {
	if s.Pose != nil {
		b.pose = s.Pose
	}
	if b.taken > 0 {
		b.since = then(b.since, step)
		if t-b.frames[len(b.frames)-1].t < .9/ballRate {
			return nil
		}
	}
	step = b.since
	f := ballFrame{index: s.Index, t: t, body: b.pose, camera: s.Camera}
	if b.pose != nil {
		f.hands, f.height = s.Camera.Apply(camera.Hands(b.pose)), b.pose.Height()
	}
	b.frames = append(b.frames, f)
	b.taken++
	if b.taken >= 3 && b.step.OK && step.OK {
		mid := &b.frames[len(b.frames)-2]
		if mid.body != nil && mid.camera.OK {
			var err error
			dt := (t - b.frames[len(b.frames)-3].t) / 2
			if mid.blobs, err = blobs(b.pics[0], b.pics[1], g.Now(), g.Scale(), b.step, step, mid, dt); err != nil {
				return err
			}
		}
	}
	b.pics[0], b.pics[1] = b.pics[1], b.pics[0]
	now := g.Now()
	now.CopyTo(&b.pics[1])
	b.step, b.since = step, pipeline.Identity()
	return nil
}

// Place sets Ball in the frames of a chain that moves as a ball does; without
// one it sets none.
func (b *Balls) Place(frames []pipeline.Seen) {
	at := map[int]pipeline.Point{}
	for _, l := range flown(b.frames) {
		at[b.frames[l.frame].index] = l.raw
	}
	for i := range frames {
		if q, ok := at[frames[i].Index]; ok {
			frames[i].Ball = &q
		}
	}
}

// then is the map that does a first, then b, without ground shift.
func then(a, b pipeline.Camera) pipeline.Camera {
	o := b.Apply(pipeline.Point{X: a.TX, Y: a.TY})
	return pipeline.Camera{A: b.A*a.A - b.B*a.B, B: b.A*a.B + b.B*a.A, TX: o.X, TY: o.Y, OK: a.OK && b.OK}
}

// inverse of a map without ground shift.
func inverse(c pipeline.Camera) pipeline.Camera {
	d := c.A*c.A + c.B*c.B
	o := c.Invert(pipeline.Point{})
	return pipeline.Camera{A: c.A / d, B: -c.B / d, TX: o.X, TY: o.Y, OK: c.OK}
}

// blobs are the brightest spots of cur that are neither in prev nor in next.
// s is full-size pixels a pixel of the pictures.
func blobs(prev, cur, next gocv.Mat, s float64, in, out pipeline.Camera, f *ballFrame, dt float64) ([]blob, error) {
	w, h := cur.Cols(), cur.Rows()
	is := gocv.NewMat()
	defer is.Close()
	gocv.GaussianBlur(cur, &is, image.Pt(3, 3), 0, 0, gocv.BorderReplicate)
	// An edge that is a pixel off must not look new: a place counts as bright
	// as the brightest around it was and will be.
	kernel := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(3, 3))
	defer kernel.Close()
	left := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(255, 0, 0, 0), h, w, gocv.MatTypeCV8U)
	defer left.Close()
	other, d := gocv.NewMat(), gocv.NewMat()
	defer other.Close()
	defer d.Close()
	for _, o := range []struct {
		pic gocv.Mat
		to  pipeline.Camera
	}{{prev, in}, {next, inverse(out)}} {
		m, err := work(o.to, s)
		if err != nil {
			return nil, err
		}
		gocv.WarpAffineWithParams(o.pic, &other, m, image.Pt(w, h), gocv.InterpolationLinear, gocv.BorderConstant, color.RGBA{R: 255, G: 255, B: 255, A: 255})
		m.Close()
		gocv.Dilate(other, &other, kernel)
		gocv.Subtract(is, other, &d) // not below 0
		gocv.Min(left, d, &left)
	}
	v, err := left.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	height := f.body.Height() / s
	size := ballSize * height
	longest := ballClose*size + ballFast*height*dt
	body := camera.NewBody(f.body, s, 0)
	var found []blob
	seen := make([]bool, len(v))
	for i := range v {
		if seen[i] || v[i] < ballBright {
			continue
		}
		n, x, y, dir, long, wide, level := spot(v, seen, w, h, i)
		if wide < .35*size || wide > ballClose*size || long < .6*size || long > longest ||
			float64(n) < .5*long*wide {
			continue
		}
		raw := pipeline.Point{X: s * x, Y: s * y}
		found = append(found, blob{raw, f.camera.Apply(raw), s * long, s * wide, dir, level, body.Has(x, y)})
	}
	sort.Slice(found, func(i, j int) bool { return found[i].level > found[j].level })
	var best []blob
	for _, on := range [...]bool{false, true} {
		n := 0
		for _, q := range found {
			if q.on == on && n < ballMost {
				best, n = append(best, q), n+1
			}
		}
	}
	return best, nil
}

// spot floods from pixel i over all that is bright: pixels, weighted middle
// (centres at .5), axis, sides of the rectangle with the same second moments.
func spot(v []byte, seen []bool, w, h, i int) (n int, x, y, dir, long, wide, level float64) {
	stack := []int{i}
	seen[i] = true
	var sx, sy, sxx, syy, sxy float64
	for len(stack) > 0 {
		k := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		px, py := k%w, k/w
		fx, fy := float64(px)+.5, float64(py)+.5
		n++
		sx, sy, level = sx+fx, sy+fy, level+float64(v[k])
		sxx, syy, sxy = sxx+fx*fx, syy+fy*fy, sxy+fx*fy
		for _, o := range [...][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			qx, qy := px+o[0], py+o[1]
			if q := qy*w + qx; qx >= 0 && qy >= 0 && qx < w && qy < h && !seen[q] && v[q] >= ballBright {
				seen[q] = true
				stack = append(stack, q)
			}
		}
	}
	m := float64(n)
	x, y, level = sx/m, sy/m, level/m
	a, b, c := sxx/m-x*x+1./12, syy/m-y*y+1./12, sxy/m-x*y
	r := math.Hypot((a-b)/2, c)
	long, wide = math.Sqrt(12*((a+b)/2+r)), math.Sqrt(12*math.Max(0, (a+b)/2-r))
	return n, x, y, math.Atan2(2*c, a-b) / 2, long, wide, level
}
