package pipeline

import "math"

// Lengths over the batter's standing height, which the eyes' height in the
// stance tells: 0.86 with bent knees (common practice, no source). A bat held
// at the handle reaches at most .48 (84 cm less the hands' 8 for an adult; the
// longest bat, 42 in, Official Baseball Rules 3.02, is for taller ones).
const (
	cropEyes  = .86
	cropBat   = .48
	cropSide  = .12
	cropTop   = .14 // Box begins at the eyes or hands: a helmet is higher
	cropUnder = .09 // the tape's and the chalk's room under the shoes
	cropLeast = 280 // pixels of the shorter side: less is enlarged into mush
	cropWide  = 16. / 9
)

// Around is the part of the clip's picture that shows the batter of a swing
// and the reach of the bat in all frames from first to last, with a margin:
// x, y, width, height in pixels of the displayed picture, all even. It is one
// rectangle for the whole film, wherever the camera moves meanwhile. Frames
// before and after those the batter was followed in count as the nearest of
// them. The whole picture where the batter was seen in none.
func Around(c Clip, sw *Swing, first, last int) [4]int {
	g := sw.Geometry
	h := math.Max(1, (g.GroundY-g.EyeLevel.Y)/cropEyes)
	box := [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for i, d := range sw.Path {
		// The ends stand for what was not followed before and after them.
		if !d.Seen || d.Frame < first && i+1 < len(sw.Path) && sw.Path[i+1].Frame <= first || d.Frame > last && i > 0 && sw.Path[i-1].Frame >= last {
			continue
		}
		s := 1 / math.Max(1e-6, math.Hypot(d.Camera.A, d.Camera.B)) // frame pixels a key frame pixel
		take := func(x0, y0, x1, y1 float64) {
			for _, p := range []Point{{x0, y0}, {x1, y0}, {x0, y1}, {x1, y1}} {
				p = d.Camera.Invert(p)
				box = [4]float64{math.Min(box[0], p.X), math.Min(box[1], p.Y), math.Max(box[2], p.X), math.Max(box[3], p.Y)}
			}
		}
		take(d.Box[0]-cropSide*h, d.Box[1]-cropTop*h, d.Box[2]+cropSide*h, d.Box[3]+cropUnder*h)
		m, r := d.Camera.Invert(d.Hands), cropBat*h*s
		box = [4]float64{math.Min(box[0], m.X-r), math.Min(box[1], m.Y-r), math.Max(box[2], m.X+r), math.Max(box[3], m.Y+r)}
	}
	if math.IsInf(box[0], 0) {
		return [4]int{0, 0, c.Width &^ 1, c.Height &^ 1}
	}
	x0, x1 := within(box[0], box[2], 0, c.Width)
	y0, y1 := within(box[1], box[3], 0, c.Height)
	// A small picture of a batter far away keeps more around it; none is a
	// stripe.
	least := float64(cropLeast)
	x0, x1 = within(x0, x1, math.Max(least, (y1-y0)/cropWide), c.Width)
	y0, y1 = within(y0, y1, math.Max(least, (x1-x0)/cropWide), c.Height)
	even := func(lo, hi float64, most int) (int, int) {
		a := int(math.Floor(lo)) &^ 1
		n := int(math.Ceil(hi-float64(a))+1) &^ 1
		return a, min(n, (most-a)&^1)
	}
	x, w := even(x0, x1, c.Width)
	y, t := even(y0, y1, c.Height)
	return [4]int{x, y, w, t}
}

// within brings a span inside 0…most, at least so long where there is room.
func within(lo, hi, least float64, most int) (float64, float64) {
	m := float64(most)
	lo, hi = math.Max(0, lo), math.Min(m, hi)
	if d := math.Min(least, m) - (hi - lo); d > 0 {
		lo, hi = lo-d/2, hi+d/2
		if lo < 0 {
			lo, hi = 0, hi-lo
		}
		if hi > m {
			lo, hi = math.Max(0, lo-(hi-m)), m
		}
	}
	return lo, hi
}

// Cropped is the clip as if only the part crop of its picture had been filmed.
func (c Clip) Cropped(crop [4]int) Clip {
	c.Width, c.Height = crop[2], crop[3]
	return c
}

// Cropped is the report as if only the part crop of the clip's picture had
// been filmed: its geometry, and every place of the swings' paths, in the
// pixels of the part. What was judged is untouched.
func (r Report) Cropped(crop [4]int) Report {
	by := Point{float64(crop[0]), float64(crop[1])}
	r.Clip.Width, r.Clip.Height = crop[2], crop[3]
	r.Swings = append([]Swing(nil), r.Swings...)
	for i := range r.Swings {
		s := &r.Swings[i]
		s.Geometry.EyeLevel = s.Geometry.EyeLevel.less(by)
		s.Geometry.GroundY -= by.Y
		s.Path = append([]Drawn(nil), s.Path...)
		for j := range s.Path {
			s.Path[j] = s.Path[j].less(by)
		}
	}
	return r
}

func (p Point) less(by Point) Point { return Point{p.X - by.X, p.Y - by.Y} }

// less moves the origins of frame and key frame to by.
func (d Drawn) less(by Point) Drawn {
	c := &d.Camera
	c.TX += c.A*by.X - c.B*by.Y - by.X
	c.TY += c.B*by.X + c.A*by.Y - by.Y
	for _, p := range []*Point{&d.Eyes, &d.Nose, &d.Head, &d.HeelFront, &d.ToeFront, &d.HeelBack, &d.ToeBack,
		&d.KneeFront, &d.KneeBack, &d.HipFront, &d.HipBack, &d.Hands} {
		*p = p.less(by)
	}
	if d.Marker != nil {
		m := d.Marker.less(by)
		d.Marker = &m
	}
	d.Box = [4]float64{d.Box[0] - by.X, d.Box[1] - by.Y, d.Box[2] - by.X, d.Box[3] - by.Y}
	return d
}
