package others

import (
	"cmp"
	"math"
	"slices"

	"tapeline/detect/pose"
	"tapeline/pipeline"
)

// Nets is what looking needs of the networks; *pose.Nets is it.
type Nets interface {
	People(f *pipeline.Frame, squares []pipeline.Region, least float64) ([]pose.Somebody, error)
}

// Found is somebody in one frame. Box is x0, y0, x1, y1, full-size pixels.
type Found struct {
	Score float64
	Box   [4]float64
}

// Doubt is the least score that is kept: nobody by itself, see Join.
const Doubt = .2

const (
	around  = 1.15 // what is looked at, of the part's longer side: half a person at its edge is whole beyond it
	beyond  = 1.7  // and once, for people larger than the part
	inside  = .02  // of a box that must lie in the part
	samples = 12   // points along each side of a box
)

// Look finds who is in a part of the frame (x0, y0, x1, y1, full-size pixels)
// besides the batter, scores of Doubt and more. People of a tenth of the
// part's height and more are looked for, see the package.
func Look(n Nets, f *pipeline.Frame, part [4]float64, batter pipeline.Silhouette) ([]Found, error) {
	all := squares(part)
	outer := sides(all[0])
	var out []Found
	for _, q := range all {
		found, err := n.People(f, []pipeline.Region{q}, Doubt)
		if err != nil {
			return nil, err
		}
		for _, p := range found {
			if cover(p.Box, part) >= inside && !fragment(p.Box, sides(q), outer) && !isBatter(p.Box, batter) {
				out = append(out, Found{p.Score, p.Box})
			}
		}
	}
	return best(out), nil
}

// sides are x0, y0, x1, y1 of a square.
func sides(q pipeline.Region) [4]float64 {
	h := q.Size / 2
	return [4]float64{q.CX - h, q.CY - h, q.CX + h, q.CY + h}
}

// fragment tells whether a box ends at an edge of its square behind which
// another square sees on: half a batter, and whole in that one.
func fragment(box, square, outer [4]float64) bool {
	near := .015 * (square[2] - square[0])
	for i := range box {
		if math.Abs(box[i]-square[i]) < near && math.Abs(square[i]-outer[i]) > near {
			return true
		}
	}
	return false
}

// best leaves of boxes that overlap the one with the best score, best first.
func best(all []Found) (out []Found) {
	slices.SortStableFunc(all, func(a, b Found) int { return cmp.Compare(b.Score, a.Score) })
	for _, c := range all {
		if !slices.ContainsFunc(out, func(o Found) bool { return share(o.Box, c.Box) > .4 }) {
			out = append(out, c)
		}
	}
	return out
}

// squares cover the part and a little around it in sizes of the part's longer
// side: the largest sees whole who is larger than the batter, the smallest who
// is far away.
func squares(part [4]float64) (out []pipeline.Region) {
	w, h := part[2]-part[0], part[3]-part[1]
	x, y := (part[0]+part[2])/2, (part[1]+part[3])/2
	long, short := math.Max(w, h), math.Min(w, h)
	out = append(out, pipeline.Region{CX: x, CY: y, Size: beyond * long})
	w, h = w+(around-1)*long, h+(around-1)*long
	for _, side := range []float64{math.Min(around*long, around*1.3*short), .75 * around * long, .5 * around * long} {
		for _, cy := range centres(h, side) {
			for _, cx := range centres(w, side) {
				out = append(out, pipeline.Region{CX: x - w/2 + cx, CY: y - h/2 + cy, Size: side})
			}
		}
	}
	return out
}

// centres are those of squares of a side that cover a length, half overlapping.
func centres(length, side float64) []float64 {
	if length <= side*1.001 {
		return []float64{length / 2}
	}
	n := int(math.Ceil((length-side)/(side/2)-1e-9)) + 1
	out := make([]float64, n)
	for i := range out {
		out[i] = side/2 + (length-side)*float64(i)/float64(n-1)
	}
	return out
}

// cover is how much of box a lies in b.
func cover(a, b [4]float64) float64 {
	w, h := math.Min(a[2], b[2])-math.Max(a[0], b[0]), math.Min(a[3], b[3])-math.Max(a[1], b[1])
	if w <= 0 || h <= 0 {
		return 0
	}
	return w * h / area(a)
}

func area(a [4]float64) float64 { return math.Max(1e-9, (a[2]-a[0])*(a[3]-a[1])) }

// share is intersection over union.
func share(a, b [4]float64) float64 {
	i := cover(a, b) * area(a)
	return i / (area(a) + area(b) - i)
}

// isBatter tells whether a box is the batter or a part of them.
func isBatter(box [4]float64, batter pipeline.Silhouette) bool {
	if len(batter) == 0 {
		return false
	}
	own := batter.Box()
	if share(box, own) >= .45 || cover(own, box) >= .8 && area(box) < 4*area(own) {
		return true
	}
	// A square's edge cuts the batter: such parts are mostly body. Somebody
	// small beside a leg is mostly not.
	b := body(box, batter)
	return b >= .3 || b >= .2 && cover(box, own) >= .7 && area(box) >= .2*area(own)
}

// body is how much of a box the batter takes.
func body(box [4]float64, batter pipeline.Silhouette) float64 {
	n := 0
	for j := range samples {
		for i := range samples {
			p := pipeline.Point{X: box[0] + (box[2]-box[0])*(float64(i)+.5)/samples, Y: box[1] + (box[3]-box[1])*(float64(j)+.5)/samples}
			if batter.Holds(p, 0) {
				n++
			}
		}
	}
	return float64(n) / (samples * samples)
}
