// Package marker follows a bright sticker on the batter's helmet, to a part of
// a pixel: what the network reads of a face it can't see, the sticker shows.
//
// A pixel's likeness to the marker is its chroma (Cb, Cr of BT.601) along the
// marker's hue: shade and light change a sticker's brightness more than its
// hue. The place is the middle of the blob's likeness.
package marker

import (
	"fmt"
	"math"
	"slices"

	"tapeline/pipeline"
)

const (
	faint    = 45. // chroma under which no pixel belongs to a marker when it is looked for; skin in sun has 25–40
	keep     = .5  // share of the usual chroma a marker once found may fall to
	part     = .35 // share of a blob's strongest chroma at which it ends
	wide     = .70 // half angle of hue taken for a named colour, radians: light and shade turn it
	narrow   = .45 // and for one that was seen
	biggest  = .06 // of a marker's width, body heights: 10 cm on 170
	smallest = 4   // pixels a blob has at least
	reach    = .14 // half width of the place looked at around the head, body heights
	follow   = .05 // and around where a marker must be by the head's motion
	shrunk   = .6  // share of its usual mass under which a marker is half hidden, and its middle no middle
	grown    = 1.8 // share above which something else has run into it
	rival    = .5  // share of the best blob's mass at which a second one leaves it open which is the marker
	forget   = .5  // seconds without a marker after which it is looked for anew
	learn    = .15 // seconds in which the usual mass and chroma follow
	glance   = 3   // pixels around a named place that are looked at for its colour
	grey     = 30. // chroma under which a place has no colour worth following
)

// Colour is a direction in the plane of chroma, and how far off it a pixel
// may lie.
type Colour struct {
	cb, cr float64 // unit vector
	off    float64 // cosine of the half angle
}

// Parse reads a colour "#rrggbb"; false when it is none, or one without a hue:
// black, grey, white.
func Parse(s string) (Colour, bool) {
	var r, g, b uint8
	if n, err := fmt.Sscanf(s, "#%02x%02x%02x", &r, &g, &b); err != nil || n != 3 || len(s) != 7 {
		return Colour{}, false
	}
	cb, cr := chroma(float64(b), float64(g), float64(r))
	n := math.Hypot(cb, cr)
	if n < grey {
		return Colour{}, false
	}
	return Colour{cb / n, cr / n, math.Cos(wide)}, true
}

// At is the colour seen at a place of a frame, p in pixels at full size; false
// where there is none bright enough to follow.
func At(f *pipeline.Frame, p pipeline.Point) (Colour, bool) {
	best, u, v := 0., 0., 0.
	cx, cy := int(p.X/f.Scale), int(p.Y/f.Scale)
	for y := max(cy-glance, 0); y <= min(cy+glance, f.Height-1); y++ {
		for x := max(cx-glance, 0); x <= min(cx+glance, f.Width-1); x++ {
			cb, cr := pixel(f, x, y)
			if n := math.Hypot(cb, cr); n > best {
				best, u, v = n, cb, cr
			}
		}
	}
	if best < faint {
		return Colour{}, false
	}
	return Colour{u / best, v / best, math.Cos(narrow)}, true
}

// chroma of BT.601: Cb and Cr around 0.
func chroma(b, g, r float64) (cb, cr float64) {
	return -.168736*r - .331264*g + .5*b, .5*r - .418688*g - .081312*b
}

func pixel(f *pipeline.Frame, x, y int) (cb, cr float64) {
	o := 3 * (y*f.Width + x)
	return chroma(float64(f.Pix[o]), float64(f.Pix[o+1]), float64(f.Pix[o+2]))
}

// like is a pixel's chroma along the colour, 0 for another hue.
func (c Colour) like(cb, cr float64) float64 {
	d := c.cb*cb + c.cr*cr
	if d <= 0 || d < c.off*math.Hypot(cb, cr) {
		return 0
	}
	return d
}

// Follower follows one marker through the frames of a window, in order.
type Follower struct {
	named  Colour
	colour Colour // as last learned
	on     bool
	at     pipeline.Point // full pixels
	seen   float64        // when, capture seconds
	mass   float64        // usual, work pixels
	peak   float64        // usual strongest chroma
	head   pipeline.Point // middle of the head, moved with it
	height float64        // of the body, full pixels; 0: nobody seen yet
}

// New looks for a marker of a colour.
func New(c Colour) *Follower { return &Follower{named: c, colour: c} }

// Step gives the marker's middle in the next frame, pixels at full size; nil
// when it is not surely seen: hidden, half hidden, or one of two. pose is the
// batter's (nil: not looked at), head the head's motion since the frame
// before, t capture seconds.
func (m *Follower) Step(f *pipeline.Frame, pose *pipeline.Pose, head pipeline.HeadStep, t float64) *pipeline.Point {
	move := func(p *pipeline.Point) {
		if head.Points > 0 {
			*p = pipeline.Point{X: p.X + head.DX - head.Rot*(p.Y-head.CY), Y: p.Y + head.DY + head.Rot*(p.X-head.CX)}
		}
	}
	move(&m.head)
	move(&m.at)
	if pose != nil {
		m.height = pose.Height()
		n, e := pose.Mean(pipeline.Nose), pose.Mean(pipeline.LeftEar, pipeline.RightEar)
		m.head = pipeline.Point{X: (n.X + e.X) / 2, Y: (n.Y+e.Y)/2 - .03*m.height} // a helmet lies over the face
	}
	if m.height == 0 {
		return nil
	}
	if m.on && t-m.seen > forget {
		m.on, m.colour = false, m.named
	}
	b := m.look(f, t)
	if b == nil {
		return nil
	}
	k := 1.
	if m.on {
		k = math.Min(1, (t-m.seen)/learn)
	}
	m.mass += k * (b.mass - m.mass)
	m.peak += k * (b.peak - m.peak)
	if n := math.Hypot(b.cb, b.cr); n > 0 {
		m.colour = Colour{b.cb / n, b.cr / n, math.Cos(narrow)}
	}
	m.on, m.at, m.seen = true, b.at, t
	p := b.at
	return &p
}

// blob is a patch of marker's colour.
type blob struct {
	at         pipeline.Point // middle, full pixels
	mass       float64        // likeness over the peak's, work pixels
	peak       float64
	cb, cr     float64 // summed chroma
	w, h, size int     // extent and number of pixels
	cut        bool    // it reaches the edge of what was looked at
}

// look finds the marker's blob, nil when there is none or it is in doubt.
func (m *Follower) look(f *pipeline.Frame, t float64) *blob {
	s := f.Scale
	c, r, least := m.head, reach*m.height, faint
	if m.on {
		// The longer unseen, the farther it may have gone.
		c, r, least = m.at, (follow+.2*math.Max(0, t-m.seen))*m.height, keep*m.peak
	}
	// Around it, room for a blob that reaches over the edge.
	room := biggest * m.height
	bs := blobs(f, m.colour, c, (r+room)/s, least)
	most := math.Max(biggest*m.height/s, 5)
	var best, second *blob
	for i := range bs {
		b := &bs[i]
		d := math.Max(math.Abs(b.at.X-c.X), math.Abs(b.at.Y-c.Y))
		if d > r || b.size < smallest {
			continue
		}
		switch {
		case best == nil || b.mass > best.mass:
			best, second = b, best
		case second == nil || b.mass > second.mass:
			second = b
		}
	}
	if best == nil {
		return nil
	}
	if m.on {
		// The one that goes on best: where it must be, as large as it was.
		score := func(b *blob) float64 {
			return math.Hypot(b.at.X-c.X, b.at.Y-c.Y)/(follow*m.height) + math.Abs(math.Log(b.mass/m.mass))
		}
		if second != nil && score(second) < score(best) {
			best = second
		}
		if q := best.mass / m.mass; q < shrunk || q > grown {
			return nil
		}
	} else if second != nil && second.mass > rival*best.mass {
		return nil
	}
	if best.cut || float64(best.w) > 1.6*most || float64(best.h) > 1.6*most || best.mass > most*most {
		return nil
	}
	return best
}

// blobs are the patches of a colour in the square of half width r work pixels
// around c (full pixels) whose strongest pixel, softened, has at least the
// chroma least.
func blobs(f *pipeline.Frame, col Colour, c pipeline.Point, r, least float64) []blob {
	s := f.Scale
	x0, y0 := max(int(c.X/s-r), 0), max(int(c.Y/s-r), 0)
	x1, y1 := min(int(c.X/s+r)+1, f.Width), min(int(c.Y/s+r)+1, f.Height)
	w, h := x1-x0, y1-y0
	if w < 3 || h < 3 {
		return nil
	}
	like := make([]float64, w*h)
	for y := range h {
		for x := range w {
			like[y*w+x] = col.like(pixel(f, x0+x, y0+y))
		}
	}
	used := make([]bool, w*h)
	var out []blob
	for len(out) < 8 {
		// The strongest pixel that is left begins a blob.
		top, at := least, -1
		for i, v := range like {
			if !used[i] && v >= top {
				top, at = v, i
			}
		}
		if at < 0 {
			return out
		}
		in := grow(like, used, w, at, part*top)
		// What lies around it may be something of its hue: that much of every
		// pixel is not the marker.
		back := around(like, w, in)
		edge := back + part*(top-back)
		b := blob{peak: top, size: len(in)}
		lx, ly, hx, hy := w, h, 0, 0
		var sx, sy float64
		for _, i := range in {
			x, y := i%w, i/w
			// A pixel half covered moves the middle by half.
			v := math.Max(0, like[i]-edge)
			b.mass += v
			sx += v * (float64(x) + .5)
			sy += v * (float64(y) + .5)
			cb, cr := pixel(f, x0+x, y0+y)
			b.cb, b.cr = b.cb+cb, b.cr+cr
			lx, ly, hx, hy = min(lx, x), min(ly, y), max(hx, x), max(hy, y)
		}
		b.cut = lx == 0 || ly == 0 || hx == w-1 || hy == h-1
		if b.mass > 0 {
			b.at = pipeline.Point{X: s * (float64(x0) + sx/b.mass), Y: s * (float64(y0) + sy/b.mass)}
			b.w, b.h = hx-lx+1, hy-ly+1
			b.mass /= top - edge
			out = append(out, b)
		}
	}
	return out
}

// grow is the patch of unused pixels over edge that hang together with at.
func grow(like []float64, used []bool, w, at int, edge float64) []int {
	in := []int{at}
	used[at] = true
	for k := 0; k < len(in); k++ {
		i := in[k]
		for _, n := range [4]int{i - 1, i + 1, i - w, i + w} {
			if n < 0 || n >= len(like) || (n == i-1 && i%w == 0) || (n == i+1 && n%w == 0) {
				continue
			}
			if !used[n] && like[n] > edge {
				used[n] = true
				in = append(in, n)
			}
		}
	}
	return in
}

// around is the median likeness of a few pixels' rim around a patch.
func around(like []float64, w int, in []int) float64 {
	const rim = 3
	mine := map[int]bool{}
	for _, i := range in {
		mine[i] = true
	}
	near := map[int]bool{}
	var vs []float64
	for _, i := range in {
		for dy := -rim; dy <= rim; dy++ {
			for dx := -rim; dx <= rim; dx++ {
				n := i + dy*w + dx
				if x := i%w + dx; x < 0 || x >= w || n < 0 || n >= len(like) || mine[n] || near[n] {
					continue
				}
				near[n] = true
				vs = append(vs, like[n])
			}
		}
	}
	if len(vs) == 0 {
		return 0
	}
	slices.Sort(vs)
	return vs[len(vs)/2]
}
