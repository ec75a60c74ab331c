package pose

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"tapeline/pipeline"
)

// Person is somebody the detector saw. Points are full-size pixels.
type Person struct {
	Score  float64         // 0…1
	Face   [4]float64      // x0, y0, x1, y1 around the face: that is what the detector looks for
	Hips   pipeline.Point  // middle of the hips
	Region pipeline.Region // what to hand to Read
}

// Of the official detection graph.
const (
	detectScore   = .5
	detectOverlap = .3
	regionGrowth  = 1.25
	anchorCount   = 28*28*2 + 14*14*2 + 7*7*6
)

// anchors are the centres the detector's boxes are offsets of, 0…1.
var anchors = func() (a [anchorCount]pipeline.Point) {
	k := 0
	for _, g := range []struct{ side, each int }{{28, 2}, {14, 2}, {7, 6}} {
		for y := range g.side {
			for x := range g.side {
				for range g.each {
					a[k] = pipeline.Point{X: (float64(x) + .5) / float64(g.side), Y: (float64(y) + .5) / float64(g.side)}
					k++
				}
			}
		}
	}
	return a
}()

// candidate is a raw detection: four numbers of the face box (x0, y0, x1, y1),
// then x, y of hip centre, full-body scale point, shoulder centre and
// upper-body scale point. Pixels of the frame.
type candidate struct {
	score float64
	v     [12]float64
}

// Detect finds people in the whole frame, best first. Nobody is no error. A
// person smaller than a quarter of the picture's height is often missed.
func (n *Nets) Detect(f *pipeline.Frame) ([]Person, error) {
	if err := n.usable(f); err != nil {
		return nil, err
	}
	square := pipeline.Region{CX: float64(f.Width) / 2, CY: float64(f.Height) / 2, Size: float64(max(f.Width, f.Height))}
	return n.detectIn(f, square)
}

// DetectNear looks for people only inside a square around a point: somebody
// who is small in the frame is enlarged. All in full-size pixels.
func (n *Nets) DetectNear(f *pipeline.Frame, at pipeline.Point, side float64) ([]Person, error) {
	if err := n.usable(f); err != nil {
		return nil, err
	}
	if !(side > 0) || math.IsInf(side, 0) {
		return nil, fmt.Errorf("pose: square of side %v", side)
	}
	return n.detectIn(f, scaled(pipeline.Region{CX: at.X, CY: at.Y, Size: side}, 1/scale(f)))
}

// detectIn runs the detector on an upright square of the frame.
func (n *Nets) detectIn(f *pipeline.Frame, square pipeline.Region) ([]Person, error) {
	var seen []candidate
	if err := n.detector.look(func(in []float32) {
		crop(f, square, detectorSide, -1, 1, true, in)
	}, func(out map[string][]float32) {
		seen = suppress(decode(out["boxes"], out["scores"], square))
	}); err != nil {
		return nil, fmt.Errorf("pose: detector: %w", err)
	}
	var people []Person
	for _, c := range seen {
		k := scale(f)
		p := Person{Score: c.score, Hips: pipeline.Point{X: c.v[4] * k, Y: c.v[5] * k}}
		for i := range p.Face {
			p.Face[i] = c.v[i] * k
		}
		p.Region = region(p.Hips, pipeline.Point{X: c.v[6] * k, Y: c.v[7] * k})
		people = append(people, p)
	}
	return people, nil
}

// decode turns the network's 2254 offsets into candidates above the score.
func decode(boxes, scores []float32, square pipeline.Region) []candidate {
	var out []candidate
	for i, a := range anchors {
		s := sigmoid(min(max(float64(scores[i]), -100), 100))
		if !(s >= detectScore) {
			continue
		}
		b := boxes[12*i : 12*i+12]
		x := func(k int) float64 { return (float64(b[k])/detectorSide+a.X-.5)*square.Size + square.CX }
		y := func(k int) float64 { return (float64(b[k])/detectorSide+a.Y-.5)*square.Size + square.CY }
		w, h := float64(b[2])/detectorSide*square.Size/2, float64(b[3])/detectorSide*square.Size/2
		c := candidate{score: s, v: [12]float64{x(0) - w, y(1) - h, x(0) + w, y(1) + h}}
		for k := 4; k < 12; k += 2 {
			c.v[k], c.v[k+1] = x(k), y(k+1)
		}
		out = append(out, c)
	}
	return out
}

// suppress averages what overlaps, weighted by score, best first.
func suppress(all []candidate) []candidate {
	slices.SortStableFunc(all, func(a, b candidate) int {
		switch {
		case a.score > b.score:
			return -1
		case a.score < b.score:
			return 1
		}
		return 0
	})
	var out []candidate
	for len(all) > 0 {
		mean, total := candidate{score: all[0].score}, 0.0
		var rest []candidate
		for i, c := range all {
			// The best one belongs to itself even if its box is empty.
			if i > 0 && overlap(all[0], c) <= detectOverlap {
				rest = append(rest, c)
				continue
			}
			total += c.score
			for k := range mean.v {
				mean.v[k] += c.score * c.v[k]
			}
		}
		for k := range mean.v {
			mean.v[k] /= total
		}
		out, all = append(out, mean), rest
	}
	return out
}

// overlap is intersection over union of the boxes.
func overlap(a, b candidate) float64 {
	w := min(a.v[2], b.v[2]) - max(a.v[0], b.v[0])
	h := min(a.v[3], b.v[3]) - max(a.v[1], b.v[1])
	if w <= 0 || h <= 0 {
		return 0
	}
	area := func(c candidate) float64 { return (c.v[2] - c.v[0]) * (c.v[3] - c.v[1]) }
	return w * h / (area(a) + area(b) - w*h)
}

// region is the square around the body: centre at the hips, upright along the
// line to the scale point.
func region(hips, scale pipeline.Point) pipeline.Region {
	dx, dy := scale.X-hips.X, scale.Y-hips.Y
	rot := math.Pi/2 - math.Atan2(-dy, dx)
	rot -= 2 * math.Pi * math.Floor((rot+math.Pi)/(2*math.Pi))
	return pipeline.Region{CX: hips.X, CY: hips.Y, Size: 2 * math.Hypot(dx, dy) * regionGrowth, Rot: rot}
}

func sigmoid(v float64) float64 { return 1 / (1 + math.Exp(-v)) }

// usable refuses what would be read beyond its end.
func (n *Nets) usable(f *pipeline.Frame) error {
	if n.closed {
		return errors.New("pose: networks are closed")
	}
	if f == nil || f.Width < 1 || f.Height < 1 || len(f.Pix) != 3*f.Width*f.Height {
		return errors.New("pose: frame has no picture")
	}
	return nil
}
