// Package bat finds the ball and measures the motion that is left between two frames once the
// camera's is taken out: how hard a bat, hands and body move.
package bat

import (
	"errors"
	"image"
	"image/color"
	"math"

	"gocv.io/x/gocv"

	"tapeline/detect/camera"
	"tapeline/pipeline"
)

const (
	floor   = 12  // grey levels of difference that are noise
	maxGain = 1.5 // more is a cut, not the exposure
	reach   = .65 // around the hands in which the bat is looked for, body heights
)

// Meter compares each frame with the one before it. Close it.
type Meter struct {
	pose *pipeline.Pose
	at   *pipeline.Point

	// Pictures made anew for each frame, in the same memory.
	was, is, diff, level gocv.Mat
}

// NewMeter has seen nothing.
func NewMeter() *Meter {
	m := &Meter{level: gocv.NewMatWithSize(1, 256, gocv.MatTypeCV8U)}
	for _, p := range m.mats()[1:] {
		*p = gocv.NewMat()
	}
	return m
}

func (m *Meter) mats() []*gocv.Mat {
	return []*gocv.Mat{&m.level, &m.was, &m.is, &m.diff}
}

// Close frees the pictures.
func (m *Meter) Close() (err error) {
	for _, p := range m.mats() {
		err = errors.Join(err, p.Close())
	}
	return err
}

// At is the middle of the bat's motion in the last step, full-size pixels of
// its later frame; nil where there was none.
func (m *Meter) At() *pipeline.Point { return m.at }

// Step gives the energies between the last two frames g has taken: grey
// levels above the noise floor, summed and divided by the picture's pixels.
// all is everywhere, bat only what lies around the hands and beyond the body
// as it was and is. step maps the previous frame's pixels into this one's
// (full size); pose nil: the last one is used. The first frame has none.
func (m *Meter) Step(g *camera.Grey, step pipeline.Camera, pose *pipeline.Pose) (all, bat float64, err error) {
	if pose == nil {
		pose = m.pose
	}
	m.at = nil
	if prev, ok := g.Before(); ok {
		all, bat, err = m.compare(prev, g.Now(), g.Scale(), step, pose)
	}
	m.pose = pose
	return all, bat, err
}

// compare has s full-size pixels a pixel of the pictures.
func (m *Meter) compare(prev, cur gocv.Mat, s float64, step pipeline.Camera, pose *pipeline.Pose) (all, bat float64, err error) {
	w, h := cur.Cols(), cur.Rows()
	warp, err := work(step, s)
	if err != nil {
		return 0, 0, err
	}
	defer warp.Close()
	gocv.WarpAffineWithParams(prev, &m.was, warp, image.Pt(w, h), gocv.InterpolationLinear, gocv.BorderReplicate, color.RGBA{})
	cur.CopyTo(&m.is)
	if err := m.blacken(warp, w, h); err != nil {
		return 0, 0, err
	}
	level, err := m.level.DataPtrUint8()
	if err != nil {
		return 0, 0, err
	}
	// Both are black where they can't be compared: that adds nothing.
	exposure(level, m.was.Sum().Val1, m.is.Sum().Val1)
	gocv.LUT(m.was, m.level, &m.was)
	gocv.AbsDiff(m.was, m.is, &m.diff)
	m.diff.SubtractUChar(floor) // not below 0
	px := float64(w * h)
	all = m.diff.Sum().Val1 / px
	if pose == nil {
		return all, 0, nil
	}
	left, err := m.diff.DataPtrUint8()
	if err != nil {
		return 0, 0, err
	}

	now, before := camera.NewBody(pose, s, .01), camera.Body{}
	if m.pose != nil {
		before = camera.NewBody(m.pose, s, .01)
	}
	hands, r := camera.Hands(pose), reach*pose.Height()/s
	cx, cy := hands.X/s, hands.Y/s
	sum := 0
	var sx, sy float64
	for y := max(0, int(cy-r)); y < min(h, int(cy+r)+1); y++ {
		for x := max(0, int(cx-r)); x < min(w, int(cx+r)+1); x++ {
			e := int(left[y*w+x])
			if e == 0 {
				continue
			}
			fx, fy := float64(x)+.5, float64(y)+.5
			if math.Hypot(fx-cx, fy-cy) <= r && !now.Has(fx, fy) && !before.Has(fx, fy) {
				sum += e
				sx, sy = sx+float64(e)*fx, sy+float64(e)*fy
			}
		}
	}
	if sum > 0 {
		m.at = &pipeline.Point{X: s * sx / float64(sum), Y: s * sy / float64(sum)}
	}
	return all, float64(sum) / px, nil
}

// blacken makes black in both pictures what came in at the edge since the frame
// before and has nothing to be compared with.
func (m *Meter) blacken(warp gocv.Mat, w, h int) error {
	v, err := warp.DataPtrFloat64()
	if err != nil {
		return err
	}
	was, err := m.was.DataPtrUint8()
	if err != nil {
		return err
	}
	is, err := m.is.DataPtrUint8()
	if err != nil {
		return err
	}
	for y := range h {
		from, to := overlap([6]float64(v), w, h, y)
		for _, p := range [...][]byte{was, is} {
			for i := y * w; i < y*w+from; i++ {
				p[i] = 0
			}
			for i := y*w + to; i < (y+1)*w; i++ {
				p[i] = 0
			}
		}
	}
	return nil
}

// overlap is where row y lies in the picture that the similarity v, pixels with
// centres at whole numbers, brought here: from ≤ x < to. OpenCV rounds places
// to 1/32 pixel.
func overlap(v [6]float64, w, h, y int) (from, to int) {
	const near = 1. / 64
	a, b, tx, ty := v[0], v[3], v[2], v[5]
	d := a*a + b*b
	dy := float64(y) - ty
	lo, hi := 0., float64(w-1)
	// Where x comes from is k·x + c, which must lie between the first pixel and
	// the last.
	for _, l := range [...]struct{ k, c, last float64 }{
		{a / d, (b*dy - a*tx) / d, float64(w - 1)},
		{-b / d, (a*dy + b*tx) / d, float64(h - 1)},
	} {
		if l.k == 0 {
			if l.c < -near || l.c > l.last+near {
				return 0, 0
			}
			continue
		}
		p, q := (-near-l.c)/l.k, (l.last+near-l.c)/l.k
		lo, hi = math.Max(lo, math.Min(p, q)), math.Min(hi, math.Max(p, q))
	}
	if from, to = int(math.Ceil(lo)), int(math.Floor(hi))+1; from >= to {
		return 0, 0
	}
	return from, to
}

// exposure fills in the grey level in the present frame of each one in the
// frame before, whose sums are was and is: lamps that flicker and a phone that
// adapts change the whole picture.
func exposure(level []byte, was, is float64) {
	gain := 1.0
	if was > 0 {
		gain = math.Min(maxGain, math.Max(1/maxGain, is/was))
	}
	for g := range level {
		level[g] = byte(min(255, int(math.Round(gain*float64(g)))))
	}
}

// work is a map of full-size pixels as OpenCV's 2×3 matrix for work pixels with
// their centres at whole numbers.
func work(c pipeline.Camera, scale float64) (gocv.Mat, error) {
	at := c.Apply(pipeline.Point{X: .5 * scale, Y: .5 * scale})
	m := gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)
	v, err := m.DataPtrFloat64()
	if err != nil {
		m.Close()
		return m, err
	}
	copy(v, []float64{c.A, -c.B, at.X/scale - .5, c.B, c.A, at.Y/scale - .5})
	return m, nil
}
