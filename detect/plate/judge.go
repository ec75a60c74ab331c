package plate

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tapeline/pipeline"
	"tapeline/pipeline/field"
)

// Limits, all beyond what plates of rendered and drawn clips show; those that
// say where a batter stands are common practice, no source.
const (
	levelMin, levelMax, levelStep = 70, 245, 12       // grey levels at which patches are cut out
	fullMin                       = .86               // share of its convex outline a patch fills
	tiltMin, tiltMax              = .07, .75          // of the ground to the line of sight, radians: 4 to 43°
	roughMost                     = .05               // rms of a patch's outline from the plate's, widths of it
	outlineMarks                  = 60                // points of a patch's outline that are compared
	edgeNoise                     = .35               // of a point of an edge, pixels: corners of rendered plates miss by .2 to 1
	fineMost                      = .004              // rms of all edges, plate widths,
	finePixels                    = .22               // and pixels beside; up to .18 on rendered clips in all
	edgeMost                      = 1.4               // of that for each edge
	edgeShare                     = .6                // of what is to be seen of every edge must be found,
	allShare                      = .8                // and of all of them
	edgeSeen, allSeen             = .4, .7            // not hidden by the batter
	contrastMin                   = 25                // grey levels
	rollMost                      = 4 * math.Pi / 180 // of a level plate
	pitchMost                     = 35 * math.Pi / 180
	lowest, highest               = 30, 300 // camera over the ground, cm
	// The middle of the feet from the plate's: across its axis and along it, cm.
	// The batter's box reaches from 37 to 159 cm and 91 cm along (Official
	// Baseball Rules, appendix 2; from memory, not re-read).
	besideMin, besideMax, alongMost = 30, 125, 75
)

// found is a plate and the proof of it.
type found struct {
	pose  pose
	cs    [5]pipeline.Point
	rms   float64    // of the marks from their edges, pixels
	edges [5]float64 // and of each edge's
	cov   *mat.Dense
	n     int // marks
}

// outline is a convex outline as points at even distances.
func outline(hull []pipeline.Point) []mark {
	around := 0.
	for i, a := range hull {
		b := hull[(i+1)%len(hull)]
		around += math.Hypot(b.X-a.X, b.Y-a.Y)
	}
	var out []mark
	step, at := around/outlineMarks, 0. // at: the next one's distance from a
	for i, a := range hull {
		b := hull[(i+1)%len(hull)]
		l := math.Hypot(b.X-a.X, b.Y-a.Y)
		for ; at < l; at += step {
			out = append(out, mark{pipeline.Point{X: a.X + at/l*(b.X-a.X), Y: a.Y + at/l*(b.Y-a.Y)}, -1})
		}
		at -= l
	}
	return out
}

// try is the plate that a patch is, nil if it is none. height is the batter's,
// foot the middle of his feet.
func (g *view) try(c patch, height float64, foot pipeline.Point) *found {
	if c.full < fullMin {
		return nil
	}
	min, max := c.hull[0], c.hull[0]
	for _, p := range c.hull {
		min.X, min.Y = math.Min(min.X, p.X), math.Min(min.Y, p.Y)
		max.X, max.Y = math.Max(max.X, p.X), math.Max(max.Y, p.Y)
	}
	wide := max.X - min.X
	if kMax := height / smallest; wide > 1.4*field.PlateWidth*kMax || wide < .9*field.PlateWidth*height/tallest {
		return nil
	}
	marks := outline(c.hull)
	var best *found
	for _, turn := range []float64{0, 45, 90, 135, 180, 225, 270, 315} {
		p := pose{x: (min.X + max.X) / 2, y: (min.Y + max.Y) / 2, logK: math.Log(wide / field.PlateWidth / 1.1), yaw: turn * math.Pi / 180}
		tilt := math.Asin(math.Min(.7, math.Max(.1, (max.Y-min.Y)/wide)))
		p.pitch = tilt - math.Atan2(p.y-g.lens.cy, g.lens.focal)
		p, rms, cov, ok := g.lens.fit(p, marks, .05*wide, 10)
		if !ok || best != nil && rms >= best.rms {
			continue
		}
		if cs, ok := g.lens.corners(p); ok {
			best = &found{pose: p, cs: cs, rms: rms, cov: cov}
		}
	}
	if best == nil || best.rms > roughMost*wide {
		return nil
	}
	if best = g.fine(best); best == nil || !g.fits(best, height, foot) {
		return nil
	}
	return best
}

// at is the whiteness at a place of the key frame; false where unseen.
func (g *view) at(p pipeline.Point) (float64, bool) {
	x, y := p.X-.5-float64(g.x), p.Y-.5-float64(g.y)
	i, j := int(math.Floor(x)), int(math.Floor(y))
	if i < 0 || j < 0 || i+1 >= g.w || j+1 >= g.h {
		return 0, false
	}
	o := j*g.w + i
	if !g.seen[o] || !g.seen[o+1] || !g.seen[o+g.w] || !g.seen[o+g.w+1] {
		return 0, false
	}
	u, v := x-float64(i), y-float64(j)
	return (1-v)*((1-u)*float64(g.pic[o])+u*float64(g.pic[o+1])) + v*((1-u)*float64(g.pic[o+g.w])+u*float64(g.pic[o+g.w+1])), true
}

// fine lays the outline on the edges of the picture, to a part of a pixel:
// where whiteness passes the middle between what lies inside and outside.
func (g *view) fine(f *found) *found {
	for round := range 4 {
		// At first farther off is looked for.
		reach := 4.
		if round > 0 {
			reach = 3
		}
		var ms []mark
		var asked, seen, got [5]float64
		for e := range f.cs {
			a, b := edge(f.cs, e)
			l := math.Hypot(b.X-a.X, b.Y-a.Y)
			if l < 4 {
				return nil
			}
			// Corners run clockwise or not in the picture: the middle is inside.
			nx, ny := -(b.Y-a.Y)/l, (b.X-a.X)/l
			if d, _ := off(a, b, pipeline.Point{X: f.pose.x, Y: f.pose.y}); d > 0 {
				nx, ny = -nx, -ny
			}
			for n, i := int(l), 0; i <= n; i++ {
				t := .06 + .88*float64(i)/float64(n)
				q := pipeline.Point{X: a.X + t*(b.X-a.X), Y: a.Y + t*(b.Y-a.Y)}
				asked[e]++
				at, hidden, ok := g.cross(q, nx, ny, reach)
				if !hidden {
					seen[e]++
				}
				if ok {
					got[e]++
					ms = append(ms, mark{at, e})
				}
			}
		}
		var all, open, any float64
		for e := range asked {
			if round > 1 && (got[e] < edgeShare*seen[e] || seen[e] < edgeSeen*asked[e]) {
				return nil
			}
			all, open, any = all+asked[e], open+seen[e], any+got[e]
		}
		if round > 1 && (any < allShare*open || open < allSeen*all) {
			return nil
		}
		p, rms, cov, ok := g.lens.fit(f.pose, ms, edgeNoise, 12)
		if !ok {
			return nil
		}
		cs, ok := g.lens.corners(p)
		if !ok {
			return nil
		}
		f = &found{pose: p, cs: cs, rms: rms, cov: cov, n: len(ms)}
		var n [5]float64
		for _, m := range ms {
			a, b := edge(cs, m.edge)
			d, _ := off(a, b, m.at)
			f.edges[m.edge] += d * d
			n[m.edge]++
		}
		for e := range n {
			f.edges[e] = math.Sqrt(f.edges[e] / n[e])
		}
	}
	return f
}

// cross is where whiteness falls to the middle between inside and outside, on
// a line through q along n, which points out of the plate. hidden: not all of
// the line was ever seen.
func (g *view) cross(q pipeline.Point, nx, ny, reach float64) (at pipeline.Point, hidden, ok bool) {
	const step = .5
	n := int(reach / step)
	v := make([]float64, 2*n+1)
	for i := range v {
		d := float64(i-n) * step
		w, ok := g.at(pipeline.Point{X: q.X + d*nx, Y: q.Y + d*ny})
		if !ok {
			return q, true, false
		}
		v[i] = w
	}
	m := len(v)
	in, out := (v[0]+v[1]+v[2])/3, (v[m-1]+v[m-2]+v[m-3])/3
	if in-out < contrastMin {
		return q, false, false
	}
	half := (in + out) / 2
	for i := 1; i < m; i++ {
		if v[i-1] >= half && v[i] < half {
			d := (float64(i-1-n) + (v[i-1]-half)/(v[i-1]-v[i])) * step
			return pipeline.Point{X: q.X + d*nx, Y: q.Y + d*ny}, false, true
		}
	}
	return q, false, false
}

// fits tells whether a plate lies where and as one can.
func (g *view) fits(f *found, height float64, foot pipeline.Point) bool {
	k := math.Exp(f.pose.logK)
	most := finePixels + fineMost*k*field.PlateWidth
	if f.rms > most {
		return false
	}
	for _, r := range f.edges {
		if r > edgeMost*most {
			return false
		}
	}
	c := g.lens.camera(f.pose)
	tilt := c.Tilt(pipeline.Point{X: f.pose.x, Y: f.pose.y})
	if tilt < tiltMin || tilt > tiltMax || math.Abs(f.pose.roll) > rollMost || math.Abs(f.pose.pitch) > pitchMost {
		return false
	}
	for _, p := range f.cs {
		if p.X < 1 || p.Y < 1 || p.X > 2*g.lens.cx-1 || p.Y > 2*g.lens.cy-1 {
			return false
		}
	}
	if up := g.lens.focal / k * math.Sin(tilt); up < lowest || up > highest {
		return false
	}
	// Pixels a centimetre where the feet stand, and where that is.
	near := c.Nearer(foot, pipeline.Point{X: f.pose.x, Y: f.pose.y})
	if near == 0 {
		return false
	}
	if tall := height / (k * near); tall < smallest || tall > tallest {
		return false
	}
	side, along := beside(c, f.pose, g.lens, foot)
	return math.Abs(side) >= besideMin && math.Abs(side) <= besideMax && math.Abs(along) <= alongMost
}

// beside is where a pixel of the ground lies off the plate's middle, cm: to
// the right of its axis as one looks at the pitcher, and along it.
func beside(c field.Camera, p pose, l lens, q pipeline.Point) (side, along float64) {
	right, away, up := c.Axes()
	o := field.Vec{}.Plus(l.focal/math.Exp(p.logK), c.Ray(pipeline.Point{X: p.x, Y: p.y}))
	ray := c.Ray(q)
	d := field.Vec{}.Plus(up.Dot(o)/up.Dot(ray), ray).Plus(-1, o)
	x, z := d.Dot(right), d.Dot(away)
	s, k := math.Sincos(p.yaw)
	return k*x - s*z, s*x + k*z
}

// seen is what goes into the track, full-size pixels, scale of them one here.
func (f *found) seen(scale float64) *pipeline.PlateSeen {
	s := &pipeline.PlateSeen{Middle: pipeline.Point{X: scale * f.pose.x, Y: scale * f.pose.y}, PxPerCM: scale * math.Exp(f.pose.logK)}
	for i, c := range f.cs {
		s.Corners[i] = pipeline.Point{X: scale * c.X, Y: scale * c.Y}
	}
	deg := 180 / math.Pi
	s.Pitch, s.Roll, s.Yaw = deg*f.pose.pitch, deg*f.pose.roll, deg*math.Remainder(f.pose.yaw, 2*math.Pi)
	s.ScaleSD, s.PitchSD = math.Sqrt(f.cov.At(2, 2)*f.inflate()), deg*math.Sqrt(f.cov.At(3, 3)*f.inflate())
	return s
}

// inflate: marks of one edge err together, so that they count as few.
func (f *found) inflate() float64 { return float64(f.n) / 10 }
