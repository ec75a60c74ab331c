package pose

import (
	"fmt"
	"math"
	"slices"

	"tapeline/pipeline"
)

// Somebody is a person as the network sees them that was taught whole people
// in any posture, from behind too, where Detect looks for a face and hips. Box
// is x0, y0, x1, y1 around what can be seen of them, full-size pixels.
type Somebody struct {
	Score float64 // 0…1
	Box   [4]float64
}

// Of the official object detection graph of MediaPipe Objectron.
const (
	peopleSide    = 300
	peopleCount   = 19*19*3 + (10*10+5*5+3*3+2*2+1)*6
	peopleKinds   = 24
	peopleKind    = 4 // "Person" in its list
	peopleOverlap = .4
	peopleLeast   = .05 // a doubt smaller than this is never worth a look
)

var peopleOutputs = map[string][]int64{"boxes": {1, peopleCount, 4}, "scores": {1, peopleCount, peopleKinds}}

// peopleAnchors are the boxes the network's are offsets of: centre, width and
// height, 0…1.
var peopleAnchors = func() (a [peopleCount][4]float64) {
	const least, most, layers = .2, .95, 6
	size := func(layer int) float64 {
		if layer == layers {
			return 1
		}
		return least + (most-least)*float64(layer)/(layers-1)
	}
	k := 0
	for layer, side := range []int{19, 10, 5, 3, 2, 1} {
		type shape struct{ size, ratio float64 }
		s := size(layer)
		shapes := []shape{{s, 1}, {s, 2}, {s, .5}, {s, 3}, {s, .3333}, {math.Sqrt(s * size(layer+1)), 1}}
		if layer == 0 {
			shapes = []shape{{.1, 1}, {s, 2}, {s, .5}}
		}
		for y := range side {
			for x := range side {
				for _, f := range shapes {
					r := math.Sqrt(f.ratio)
					a[k] = [4]float64{(float64(x) + .5) / float64(side), (float64(y) + .5) / float64(side), f.size * r, f.size / r}
					k++
				}
			}
		}
	}
	return a
}()

// People finds everybody who scores least or more in upright squares of the
// frame (regions in full-size pixels; Rot is not looked at), best first.
// Somebody is found well from about a fifth of a square's side on, whole or in
// part; what two squares both show comes once.
func (n *Nets) People(f *pipeline.Frame, squares []pipeline.Region, least float64) ([]Somebody, error) {
	if err := n.usable(f); err != nil {
		return nil, err
	}
	if n.people == nil {
		s, err := n.load("people", peopleSide, peopleOutputs)
		if err != nil {
			return nil, err
		}
		n.people = s
	}
	var all []Somebody
	for _, q := range squares {
		q.Rot = 0
		if !sane(q) {
			return nil, fmt.Errorf("pose: square %+v", q)
		}
		if err := n.people.look(func(in []float32) {
			crop(f, scaled(q, 1/scale(f)), peopleSide, -1, 1, true, in)
		}, func(out map[string][]float32) {
			all = append(all, somebodies(out["boxes"], out["scores"], q, max(least, peopleLeast))...)
		}); err != nil {
			return nil, fmt.Errorf("pose: people: %w", err)
		}
	}
	return distinct(all), nil
}

// somebodies decodes what the network said of square q.
func somebodies(boxes, scores []float32, q pipeline.Region, least float64) (out []Somebody) {
	for i, a := range peopleAnchors {
		s := sigmoid(float64(scores[i*peopleKinds+peopleKind]))
		if !(s >= least) {
			continue
		}
		b := boxes[4*i : 4*i+4]
		y, x := float64(b[0])/10*a[3]+a[1], float64(b[1])/10*a[2]+a[0]
		h, w := math.Exp(float64(b[2])/5)*a[3], math.Exp(float64(b[3])/5)*a[2]
		at := func(v, c float64) float64 { return (v-.5)*q.Size + c }
		out = append(out, Somebody{s, [4]float64{at(x-w/2, q.CX), at(y-h/2, q.CY), at(x+w/2, q.CX), at(y+h/2, q.CY)}})
	}
	return out
}

// distinct leaves of boxes that overlap the best, best first.
func distinct(all []Somebody) (out []Somebody) {
	slices.SortStableFunc(all, func(a, b Somebody) int {
		switch {
		case a.Score > b.Score:
			return -1
		case a.Score < b.Score:
			return 1
		}
		return 0
	})
	for _, c := range all {
		if !slices.ContainsFunc(out, func(o Somebody) bool { return share(o.Box, c.Box) > peopleOverlap }) {
			out = append(out, c)
		}
	}
	return out
}

// share is intersection over union of two boxes.
func share(a, b [4]float64) float64 {
	w, h := min(a[2], b[2])-max(a[0], b[0]), min(a[3], b[3])-max(a[1], b[1])
	if w <= 0 || h <= 0 {
		return 0
	}
	area := func(c [4]float64) float64 { return (c[2] - c[0]) * (c[3] - c[1]) }
	return w * h / (area(a) + area(b) - w*h)
}
