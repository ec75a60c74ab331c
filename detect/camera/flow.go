package camera

import (
	"image"
	"math"

	"gocv.io/x/gocv"
)

// Flow is pyramidal Lucas–Kanade with a forward–backward check (Kalal,
// Mikolajczyk & Matas 2010, doi 10.1109/ICPR.2010.675).
type Flow struct {
	Window int     // side of the square compared, pixels
	Levels int     // of the pyramid, the full picture included
	Back   float64 // most the way there and back may miss, pixels
}

// Follow finds from's points of a in b, both built with l's window and levels.
// guess tells where each is expected in b, back where a point of b is expected
// in a; nil: where it was. Points are in OpenCV's frame (pixel centres at whole
// numbers). ok[i] false: lost.
func (l Flow) Follow(a, b *Pyramid, from []gocv.Point2f, guess, back func(gocv.Point2f) gocv.Point2f) (to []gocv.Point2f, ok []bool, err error) {
	if len(from) == 0 {
		return nil, nil, nil
	}
	start := func(ps []gocv.Point2f, g func(gocv.Point2f) gocv.Point2f) []gocv.Point2f {
		out := make([]gocv.Point2f, len(ps))
		for i, p := range ps {
			out[i] = p
			if g != nil {
				out[i] = g(p)
			}
		}
		return out
	}
	to = start(from, guess)
	there, err := a.flow(b, from, to, l)
	if err != nil {
		return nil, nil, err
	}
	again := start(to, back)
	here, err := b.flow(a, to, again, l)
	if err != nil {
		return nil, nil, err
	}
	w, h := float32(b.width-1), float32(b.height-1)
	ok = make([]bool, len(from))
	for i := range ok {
		d := math.Hypot(float64(again[i].X-from[i].X), float64(again[i].Y-from[i].Y))
		ok[i] = there[i] == 1 && here[i] == 1 && d < l.Back && to[i].X >= 0 && to[i].Y >= 0 && to[i].X <= w && to[i].Y <= h
	}
	return to, ok, nil
}

// points copies into memory OpenCV owns.
func points(ps []gocv.Point2f) (gocv.Mat, error) {
	m := gocv.NewMatWithSize(len(ps), 1, gocv.MatTypeCV32FC2)
	v, err := m.DataPtrFloat32()
	if err != nil {
		m.Close()
		return m, err
	}
	for i, p := range ps {
		v[2*i], v[2*i+1] = p.X, p.Y
	}
	return m, nil
}

// Corners are up to n of the strongest corners of a part of the picture for
// which keep holds, strongest first.
func Corners(gray gocv.Mat, part image.Rectangle, n int, quality, apart float64, keep func(x, y float64) bool) ([]gocv.Point2f, error) {
	part = part.Intersect(image.Rect(0, 0, gray.Cols(), gray.Rows()))
	if part.Dx() < 4 || part.Dy() < 4 {
		return nil, nil
	}
	sub := gray.Region(part)
	defer sub.Close()
	cs := gocv.NewMat()
	defer cs.Close()
	gocv.GoodFeaturesToTrack(sub, &cs, 8*n, quality, apart)
	if cs.Empty() {
		return nil, nil
	}
	v, err := cs.DataPtrFloat32()
	if err != nil {
		return nil, err
	}
	var out []gocv.Point2f
	for i := 0; i+1 < len(v) && len(out) < n; i += 2 {
		p := gocv.Point2f{X: v[i] + float32(part.Min.X), Y: v[i+1] + float32(part.Min.Y)}
		if keep(float64(p.X)+.5, float64(p.Y)+.5) {
			out = append(out, p)
		}
	}
	return out, nil
}
