package long

import (
	"math"

	"tapeline/detect/camera"
	"tapeline/pipeline"
)

const (
	noise   = 10  // grey levels of difference that are noise
	shift   = .7  // of a pixel: what so small a one would explain is no motion
	maxGain = 1.5 // more is a cut, not the exposure
)

// moved is how much differs between the last two frames g has taken beyond the
// camera's motion, the light, the noise, and what edges make of a camera's
// motion that is known to part of a pixel only: grey levels, mean of all
// pixels. A swing hides and uncovers whole places, a hand that shakes only
// moves edges. step maps the previous frame's pixels into this one's (full
// size).
func moved(g *camera.Grey, step pipeline.Camera) (float64, error) {
	prev, ok := g.Before()
	if !ok {
		return 0, nil
	}
	cur := g.Now()
	was, err := prev.DataPtrUint8()
	if err != nil {
		return 0, err
	}
	is, err := cur.DataPtrUint8()
	if err != nil {
		return 0, err
	}
	w, h, s := cur.Cols(), cur.Rows(), g.Scale()
	// The way back is a similarity too: two points tell it.
	o, x := step.Invert(pipeline.Point{X: .5 * s, Y: .5 * s}), step.Invert(pipeline.Point{X: 1.5 * s, Y: .5 * s})
	ax, bx := (x.X-o.X)/s, (x.Y-o.Y)/s
	ox, oy := o.X/s-.5, o.Y/s-.5
	var a, b float64
	for i := range is {
		a, b = a+float64(was[i]), b+float64(is[i])
	}
	gain := 1.
	if a > 0 {
		gain = math.Min(maxGain, math.Max(1/maxGain, b/a))
	}
	sum := 0.
	for j := 1; j < h-1; j++ {
		for i := 1; i < w-1; i++ {
			px, py := ox+ax*float64(i)-bx*float64(j), oy+bx*float64(i)+ax*float64(j)
			fx, fy := int(math.Floor(px)), int(math.Floor(py))
			if fx < 0 || fy < 0 || fx+1 >= w || fy+1 >= h {
				continue // what came in at the edge has nothing to be compared with
			}
			u, v := px-float64(fx), py-float64(fy)
			k := fy*w + fx
			p, q, r, t := float64(was[k]), float64(was[k+1]), float64(was[k+w]), float64(was[k+w+1])
			k = j*w + i
			d := math.Abs(gain*((1-v)*((1-u)*p+u*q)+v*((1-u)*r+u*t))-float64(is[k])) - noise
			if d <= 0 {
				continue
			}
			edge := math.Abs(float64(is[k+1])-float64(is[k-1])) + math.Abs(float64(is[k+w])-float64(is[k-w])) // twice the slope
			before := math.Abs(q-p) + math.Abs(r-p)
			if d -= shift * math.Max(edge/2, before); d > 0 {
				sum += d
			}
		}
	}
	return sum / float64(w*h), nil
}
