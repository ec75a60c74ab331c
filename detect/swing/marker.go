package swing

import (
	"math"

	p "tapeline/pipeline"
)

const (
	// markerGap is the longest span, capture seconds, over which an unseen
	// marker's way is a straight line.
	markerGap = .05
	// markerDoubt and markerGrain are the half width of a marker's place, cm and
	// pixels: what tracking it errs by on rendered clips with a painted sticker
	// (detect/marker, up to .5 cm of travel, up to 1.2 pixels where other things
	// have its colour).
	markerDoubt = .4
	markerGrain = 1.0
	// markerFinish is what the finish's own moment adds, cm, beyond its bounds:
	// the head still moves there.
	markerFinish = 1.4
	// markerDepth is how much nearer or farther than the eyes a helmet's marker
	// may lie, of the scale there: 12 cm at 4 m.
	markerDepth = .03
)

// markerAt is where the marker was at grid place i, key frame pixels; false
// when it was not seen around it.
func (g *grid) markerAt(i float64) (p.Point, bool) {
	t := g.time(i)
	before, after := -1, -1
	for k := range g.frames {
		if g.frames[k].Marker == nil {
			continue
		}
		if g.frames[k].PTS/g.factor <= t+1e-9 {
			before = k
		} else {
			after = k
			break
		}
	}
	at := func(k int) (p.Point, float64) {
		f := &g.frames[k]
		return f.Camera.Apply(*f.Marker), f.PTS / g.factor
	}
	if before >= 0 {
		if q, tb := at(before); t-tb < 1e-6 {
			return q, true
		}
	}
	if before < 0 || after < 0 {
		return p.Point{}, false
	}
	q, tb := at(before)
	r, ta := at(after)
	if ta-tb > math.Max(markerGap, 1.5*g.dt) {
		return p.Point{}, false
	}
	u := (t - tb) / (ta - tb)
	return p.Point{X: (1-u)*q.X + u*r.X, Y: (1-u)*q.Y + u*r.Y}, true
}

// markerStill is the marker's median place over grid a…b; false when it was
// seen in less than half of it.
func (g *grid) markerStill(a, b int) (p.Point, bool) {
	var xs, ys []float64
	for i := a; i <= b; i++ {
		if q, ok := g.markerAt(float64(i)); ok {
			xs, ys = append(xs, q.X), append(ys, q.Y)
		}
	}
	if 2*len(xs) < b-a+1 {
		return p.Point{}, false
	}
	return p.Point{X: median(xs), Y: median(ys)}, true
}
