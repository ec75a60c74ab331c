// Package plate finds home plate beside the batter's feet, a thing of exactly
// known size.
//
// Pictures from all over the window are laid on the key frame with the batter
// cut out; their median shows the ground. Every bright patch of about the
// plate's size is offered the plate's outline as it looks on level ground; it
// is taken when all its edges are there and nothing else fits. What is cut by
// the picture's border, hidden by a leg or of another shape is no plate.
package plate

import (
	"image"
	"math"
	"sort"

	"gocv.io/x/gocv"

	"tapeline/detect/camera"
	"tapeline/pipeline"
	"tapeline/pipeline/field"
)

const (
	shots = 15 // pictures of the ground in the median
	// The ground looked at, body heights: on either side of the feet, above the
	// ankles, below the toes.
	aside, above, below = 1.1, .3, .6
	// Sizes asked of a plate, cm a body height: people of 100 to 220 cm.
	smallest, tallest = 100, 220
	grow              = .015 // of the body that is cut out, body heights
	tallPixels        = 400. // the batter's height in the ground's picture, at most
)

// Finder gathers the ground, in pixels of its own: scale full-size ones of the
// key frame. It needs no closing.
type Finder struct {
	next, step float64 // presentation time of the next picture, and between two
	have       bool
	box        image.Rectangle
	scale      float64
	lens       lens
	foot       pipeline.Point // middle of the feet
	height     float64        // of the batter
	pics       [][]byte       // whiteness of the box
	seen       [][]bool       // false: batter, or outside the picture
}

// New looks at frames between two presentation times.
func New(from, to float64) *Finder { return &Finder{step: math.Max(0, to-from) / shots, next: from} }

// Step takes a frame of the window and what was seen in it.
func (d *Finder) Step(f *pipeline.Frame, s *pipeline.Seen) {
	if s.Pose == nil || !s.Camera.OK || f.PTS < d.next || len(d.pics) >= shots {
		return
	}
	d.next = f.PTS + d.step
	if !d.have {
		d.aim(f, s)
	}
	w, h := d.box.Dx(), d.box.Dy()
	if w <= 0 || h <= 0 {
		return
	}
	body := camera.NewBody(s.Pose, f.Scale, grow)
	pic, ok := make([]byte, w*h), make([]bool, w*h)
	hidden := false
	for y := range h {
		for x := range w {
			p := s.Camera.Invert(pipeline.Point{X: (float64(d.box.Min.X+x) + .5) * d.scale, Y: (float64(d.box.Min.Y+y) + .5) * d.scale})
			p.X, p.Y = p.X/f.Scale, p.Y/f.Scale
			if x%2 == 0 { // an outline this rough needs no every pixel
				hidden = body.Has(p.X, p.Y)
			}
			if hidden {
				continue
			}
			pic[y*w+x], ok[y*w+x] = white(f, p.X-.5, p.Y-.5)
		}
	}
	d.pics, d.seen = append(d.pics, pic), append(d.seen, ok)
}

// aim sets the part of the key frame to look at.
func (d *Finder) aim(f *pipeline.Frame, s *pipeline.Seen) {
	p := s.Pose
	d.have, d.scale = true, math.Max(f.Scale, p.Height()/tallPixels)
	w, h := int(float64(f.Width)*f.Scale/d.scale), int(float64(f.Height)*f.Scale/d.scale)
	d.lens = lens{field.Focal(w, h), float64(w) / 2, float64(h) / 2}
	d.height = p.Height() / d.scale
	m := p.Mean(pipeline.LeftHeel, pipeline.RightHeel, pipeline.LeftToe, pipeline.RightToe)
	m = s.Camera.Apply(m)
	d.foot = pipeline.Point{X: m.X / d.scale, Y: m.Y / d.scale}
	d.box = image.Rect(int(d.foot.X-aside*d.height), int(d.foot.Y-above*d.height), int(d.foot.X+aside*d.height), int(d.foot.Y+below*d.height)).
		Intersect(image.Rect(0, 0, w, h))
}

// white is how white a place is, 0…255: the least of its colours, so that
// dirt, grass and skin are dark; false outside the picture.
func white(f *pipeline.Frame, x, y float64) (byte, bool) {
	i, j := int(math.Floor(x)), int(math.Floor(y))
	if i < 0 || j < 0 || i+1 >= f.Width || j+1 >= f.Height {
		return 0, false
	}
	u, v := x-float64(i), y-float64(j)
	o := 3 * (j*f.Width + i)
	down := 3 * f.Width
	least := math.Inf(1)
	for c := range 3 {
		a := (1-u)*float64(f.Pix[o+c]) + u*float64(f.Pix[o+3+c])
		b := (1-u)*float64(f.Pix[o+down+c]) + u*float64(f.Pix[o+down+3+c])
		least = math.Min(least, (1-v)*a+v*b)
	}
	return byte(least + .5), true
}

// ground is the median picture of the box; seen tells where anything was seen.
func (d *Finder) ground() (pic []byte, seen []bool) {
	n := d.box.Dx() * d.box.Dy()
	pic, seen = make([]byte, n), make([]bool, n)
	var v [shots]byte
	for i := range n {
		m := 0
		for k := range d.pics {
			if d.seen[k][i] {
				v[m] = d.pics[k][i]
				m++
			}
		}
		if m == 0 {
			continue
		}
		s := v[:m]
		sort.Slice(s, func(a, b int) bool { return s[a] < s[b] })
		pic[i], seen[i] = s[m/2], true
	}
	return pic, seen
}

// Find is home plate in the frames taken, in full-size pixels of the key frame;
// nil: none, or not surely one.
func (d *Finder) Find() (*pipeline.PlateSeen, error) {
	if len(d.pics) == 0 {
		return nil, nil
	}
	g := view{lens: d.lens, x: d.box.Min.X, y: d.box.Min.Y, w: d.box.Dx(), h: d.box.Dy()}
	g.pic, g.seen = d.ground()
	var best *found
	// The plate fills three quarters of the square around it.
	k := d.height / tallest
	least := .75 * field.PlateWidth * field.PlateWidth * k * k * math.Sin(tiltMin)
	for level := levelMin; level <= levelMax; level += levelStep {
		cs, err := g.patches(byte(level), .7*least)
		if err != nil {
			return nil, err
		}
		for _, c := range cs {
			if f := g.try(c, d.height, d.foot); f != nil && (best == nil || f.rms < best.rms) {
				best = f
			}
		}
	}
	if best == nil {
		return nil, nil
	}
	return best.seen(d.scale), nil
}

// view is a grey picture of a part of the key frame.
type view struct {
	lens       lens
	x, y, w, h int
	pic        []byte
	seen       []bool
}

// patch is something white: its convex outline and how much of that it
// fills.
type patch struct {
	hull []pipeline.Point
	full float64
}

// patches are what is at least as white as level, of at least least pixels in all.
func (g *view) patches(level byte, least float64) ([]patch, error) {
	m := gocv.NewMatWithSize(g.h, g.w, gocv.MatTypeCV8U)
	defer m.Close()
	p, err := m.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	for i := range p {
		p[i] = 0
		if g.seen[i] && g.pic[i] >= level {
			p[i] = 255
		}
	}
	cs := gocv.FindContours(m, gocv.RetrievalExternal, gocv.ChainApproxNone)
	defer cs.Close()
	var out []patch
	for i := range cs.Size() {
		if a, err := g.patch(cs.At(i), least); err != nil {
			return nil, err
		} else if a != nil {
			out = append(out, *a)
		}
	}
	return out, nil
}

func (g *view) patch(c gocv.PointVector, least float64) (*patch, error) {
	area := gocv.ContourArea(c)
	if area < least {
		return nil, nil
	}
	m := gocv.NewMat()
	defer m.Close()
	gocv.ConvexHull(c, &m, true, true)
	h := gocv.NewPointVectorFromMat(m)
	defer h.Close()
	if h.Size() < 4 {
		return nil, nil
	}
	out := &patch{full: area / gocv.ContourArea(h)}
	for _, q := range h.ToPoints() {
		out.hull = append(out.hull, pipeline.Point{X: float64(g.x+q.X) + .5, Y: float64(g.y+q.Y) + .5})
	}
	return out, nil
}
