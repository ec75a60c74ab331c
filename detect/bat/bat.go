// Package bat measures the motion that is left between two frames once the
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
	floor = 12  // grey levels of difference that are noise
	reach = .65 // around the hands in which the bat is looked for, body heights
)

// Meter compares each frame with the one before it. Close it.
type Meter struct {
	prev, cur gocv.Mat
	have      bool
	cam       pipeline.Camera
	pose      *pipeline.Pose
}

// New is a Meter that has seen nothing.
func New() *Meter { return &Meter{prev: gocv.NewMat(), cur: gocv.NewMat()} }

// Close frees the pictures kept.
func (m *Meter) Close() error {
	m.prev.Close()
	return m.cur.Close()
}

// Step gives the energies between the previous frame and this one: grey
// levels above the noise floor, summed and divided by the picture's pixels.
// all is everywhere, bat only what lies around the hands and beyond the body
// as it was and is. cam is this frame's map into the key frame; pose nil: the
// last one is used. The first frame has none.
func (m *Meter) Step(fr *pipeline.Frame, cam pipeline.Camera, pose *pipeline.Pose) (all, bat float64, err error) {
	if err := camera.Gray(fr, &m.cur); err != nil {
		return 0, 0, err
	}
	if pose == nil {
		pose = m.pose
	}
	if m.have {
		if m.prev.Cols() != m.cur.Cols() || m.prev.Rows() != m.cur.Rows() {
			return 0, 0, errors.New("the picture changed its size within a window")
		}
		all, bat, err = m.compare(fr, cam, pose)
	}
	m.prev, m.cur = m.cur, m.prev
	m.have, m.cam, m.pose = true, cam, pose
	return all, bat, err
}

func (m *Meter) compare(fr *pipeline.Frame, cam pipeline.Camera, pose *pipeline.Pose) (all, bat float64, err error) {
	w, h := m.cur.Cols(), m.cur.Rows()
	warp, err := between(m.cam, cam, fr.Scale)
	if err != nil {
		return 0, 0, err
	}
	defer warp.Close()
	moved := gocv.NewMat()
	defer moved.Close()
	gocv.WarpAffineWithParams(m.prev, &moved, warp, image.Pt(w, h), gocv.InterpolationLinear, gocv.BorderReplicate, color.RGBA{})
	// What came in at the edge has nothing to be compared with.
	white := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(255, 0, 0, 0), h, w, gocv.MatTypeCV8U)
	defer white.Close()
	valid := gocv.NewMat()
	defer valid.Close()
	gocv.WarpAffineWithParams(white, &valid, warp, image.Pt(w, h), gocv.InterpolationLinear, gocv.BorderConstant, color.RGBA{})
	diff := gocv.NewMat()
	defer diff.Close()
	gocv.AbsDiff(moved, m.cur, &diff)
	d, err := diff.DataPtrUint8()
	if err != nil {
		return 0, 0, err
	}
	v, err := valid.DataPtrUint8()
	if err != nil {
		return 0, 0, err
	}
	sum := 0
	for i := range d {
		if v[i] == 255 && d[i] > floor {
			sum += int(d[i]) - floor
		} else {
			d[i] = 0
		}
	}
	px := float64(w * h)
	all = float64(sum) / px
	if pose == nil {
		return all, 0, nil
	}

	s := fr.Scale
	now, before := camera.NewBody(pose, s, .01), camera.Body{}
	if m.pose != nil {
		before = camera.NewBody(m.pose, s, .01)
	}
	hands, r := camera.Hands(pose), reach*pose.Height()/s
	cx, cy := hands.X/s, hands.Y/s
	sum = 0
	for y := max(0, int(cy-r)); y < min(h, int(cy+r)+1); y++ {
		for x := max(0, int(cx-r)); x < min(w, int(cx+r)+1); x++ {
			e := d[y*w+x]
			if e == 0 {
				continue
			}
			fx, fy := float64(x)+.5, float64(y)+.5
			if math.Hypot(fx-cx, fy-cy) <= r && !now.Has(fx, fy) && !before.Has(fx, fy) {
				sum += int(e) - floor
			}
		}
	}
	return all, float64(sum) / px, nil
}

// between is the 2×3 map from the previous frame's pixels to this one's, by
// the background, in work pixels with OpenCV's centres.
func between(prev, cur pipeline.Camera, scale float64) (gocv.Mat, error) {
	prev.GX, prev.GY, cur.GX, cur.GY = 0, 0, 0, 0
	at := func(x, y float64) pipeline.Point {
		p := cur.Invert(prev.Apply(pipeline.Point{X: (x + .5) * scale, Y: (y + .5) * scale}))
		return pipeline.Point{X: p.X/scale - .5, Y: p.Y/scale - .5}
	}
	o, u := at(0, 0), at(1, 0)
	a, b := u.X-o.X, u.Y-o.Y
	m := gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)
	v, err := m.DataPtrFloat64()
	if err != nil {
		m.Close()
		return m, err
	}
	copy(v, []float64{a, -b, o.X, b, a, o.Y})
	return m, nil
}
