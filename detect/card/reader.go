package card

import (
	"cmp"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"math"
	"slices"

	"github.com/piglig/go-qr"
	"gocv.io/x/gocv"

	"tapeline/pipeline"
)

// Reader reads the number cards of single pictures. Close it.
//
// A square code is found by its three corner marks, a dark square in a light
// one in a dark one: three outlines inside each other whose areas are as
// 49 to 25 to 9 (ISO/IEC 18004 §6.3.3). The twelve corners of three such marks
// give the way from the card's plane to the picture, tilted or not; the
// modules are looked at along it, and a library makes text of them, repairing
// what was misread. OpenCV has a detector too, but Debian builds it without
// its decoder.
type Reader struct {
	bgr, grey, calm, half, dark, order gocv.Mat
}

// NewReader has read nothing.
func NewReader() *Reader {
	return &Reader{gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()}
}

// Close frees what the reader holds.
func (r *Reader) Close() error {
	return errors.Join(r.bgr.Close(), r.grey.Close(), r.calm.Close(), r.half.Close(), r.dark.Close(), r.order.Close())
}

// blocks are the sides of the squares whose mean parts dark from light, parts
// of the picture's longer side: one for cards that are far, one for near ones,
// whose marks are large enough to be found in half the size.
var blocks = []struct{ part, scale float64 }{{.04, 1}, {.14, 2}}

// Read gives the players whose cards are in the picture, each once, sorted. The
// frame may be grey, one byte a pixel, too.
func (r *Reader) Read(f *pipeline.Frame) ([]string, error) {
	if err := r.take(f); err != nil {
		return nil, err
	}
	pix, err := r.grey.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	pic := picture{pix, f.Width, f.Height}
	// A sensor's noise has thousands of outlines.
	gocv.GaussianBlur(r.grey, &r.calm, image.Pt(3, 3), 0, 0, gocv.BorderReplicate)
	gocv.Resize(r.calm, &r.half, image.Pt((f.Width+1)/2, (f.Height+1)/2), 0, 0, gocv.InterpolationArea)
	var ids []string
	for _, b := range blocks {
		from := r.calm
		if b.scale == 2 {
			from = r.half
		}
		block := int(b.part/b.scale*float64(max(f.Width, f.Height)))/2*2 + 1
		gocv.AdaptiveThreshold(from, &r.dark, 255, gocv.AdaptiveThresholdMean, gocv.ThresholdBinaryInv, max(block, 3), 7)
		marks := r.marks()
		for i := range marks {
			marks[i] = marks[i].times(b.scale)
		}
		for _, text := range pic.codes(marks) {
			if id, ok := pipeline.CardPlayer(text); ok {
				ids = append(ids, id)
			}
		}
	}
	slices.Sort(ids)
	return slices.Compact(ids), nil
}

var errFrame = errors.New("frame's pixels don't fit its size")

func (r *Reader) take(f *pipeline.Frame) error {
	n := f.Width * f.Height
	if f.Width <= 0 || f.Height <= 0 || len(f.Pix) != n && len(f.Pix) != 3*n {
		return errFrame
	}
	if len(f.Pix) == n {
		if r.grey.Cols() != f.Width || r.grey.Rows() != f.Height {
			r.grey.Close()
			r.grey = gocv.NewMatWithSize(f.Height, f.Width, gocv.MatTypeCV8U)
		}
		p, err := r.grey.DataPtrUint8()
		copy(p, f.Pix)
		return err
	}
	if r.bgr.Cols() != f.Width || r.bgr.Rows() != f.Height {
		r.bgr.Close()
		r.bgr = gocv.NewMatWithSize(f.Height, f.Width, gocv.MatTypeCV8UC3)
	}
	p, err := r.bgr.DataPtrUint8()
	if err != nil {
		return err
	}
	copy(p, f.Pix)
	gocv.CvtColor(r.bgr, &r.grey, gocv.ColorBGRToGray)
	return nil
}

type point struct{ x, y float64 }

// mark is one of the three squares in a code's corners: the corners of its
// outline, one after the other, x right and y down, pixel centres at .5.
type mark struct {
	corners [4]point
	middle  point
	side    float64 // mean, pixels
}

// times is the mark in a picture k times as large.
func (m mark) times(k float64) mark {
	for i, c := range m.corners {
		m.corners[i] = point{k * c.x, k * c.y}
	}
	m.middle, m.side = point{k * m.middle.x, k * m.middle.y}, k*m.side
	return m
}

const (
	leastMark = 10 // side of a mark that can be read, pixels
	mostMarks = 40
)

// marks are the corner marks in the dark parts of the picture.
func (r *Reader) marks() []mark {
	outlines := gocv.FindContoursWithParams(r.dark, &r.order, gocv.RetrievalTree, gocv.ChainApproxNone)
	defer outlines.Close()
	n := outlines.Size()
	if n == 0 {
		return nil
	}
	order, err := r.order.DataPtrUint8() // four numbers an outline, 4 bytes each; one by one they cost a call each
	if err != nil || len(order) < 16*n {
		return nil
	}
	link := func(i, which int) int { return int(int32(binary.NativeEndian.Uint32(order[16*i+4*which:]))) }
	// Of each outline: the next and previous beside it, the first inside it,
	// the one around it.
	in := func(i int) int { return link(i, 2) }
	beside := func(i int) int { return link(i, 0) }
	largest := func(first int) (best int, area float64) {
		best = -1
		for i := first; i >= 0; i = beside(i) {
			if a := gocv.ContourArea(outlines.At(i)); a > area {
				best, area = i, a
			}
		}
		return best, area
	}
	var out []mark
	for i := range n {
		if in(i) < 0 {
			continue
		}
		around := outlines.At(i)
		if around.Size() < 3*leastMark {
			continue
		}
		hole, light := largest(in(i))
		if hole < 0 {
			continue
		}
		_, core := largest(in(hole))
		whole := gocv.ContourArea(around)
		// Outlines run through the middle of dark pixels.
		half := math.Sqrt(whole) / 7
		if core <= 0 || !within(light/whole, 25./49, .35) || !within(core/whole, 9./49, .6) || half < 1 {
			continue
		}
		if m, ok := square(around.ToPoints(), whole); ok {
			out = append(out, m)
		}
	}
	slices.SortFunc(out, func(a, b mark) int { return cmp.Compare(b.side, a.side) })
	return out[:min(len(out), mostMarks)]
}

func within(v, want, part float64) bool { return math.Abs(v-want) <= part*want }

// square finds the corners of a closed outline that is one, seen from
// anywhere; whole is its area.
func square(ps []image.Point, whole float64) (m mark, ok bool) {
	// Farthest point from the middle, farthest from that, and the farthest on
	// either side of the line between them.
	for _, p := range ps {
		m.middle.x, m.middle.y = m.middle.x+float64(p.X)/float64(len(ps)), m.middle.y+float64(p.Y)/float64(len(ps))
	}
	far := func(score func(x, y float64) float64) int {
		best, top := 0, math.Inf(-1)
		for i, p := range ps {
			if s := score(float64(p.X), float64(p.Y)); s > top {
				best, top = i, s
			}
		}
		return best
	}
	a := far(func(x, y float64) float64 { return math.Hypot(x-m.middle.x, y-m.middle.y) })
	pa := ps[a]
	c := far(func(x, y float64) float64 { return math.Hypot(x-float64(pa.X), y-float64(pa.Y)) })
	pc := ps[c]
	dx, dy := float64(pc.X-pa.X), float64(pc.Y-pa.Y)
	off := func(x, y float64) float64 { return dx*(y-float64(pa.Y)) - dy*(x-float64(pa.X)) }
	b := far(off)
	d := far(func(x, y float64) float64 { return -off(x, y) })
	at := []int{a, b, c, d}
	slices.Sort(at)
	// Lines through each side's middle part meet in the corners.
	var sides [4]line
	for k := range 4 {
		from, to := at[k], at[(k+1)%4]
		if k == 3 {
			to += len(ps)
		}
		if to-from < 4 {
			return m, false
		}
		cut := (to - from + 4) / 8
		var side []point
		for i := from + cut; i <= to-cut; i++ {
			p := ps[i%len(ps)]
			side = append(side, point{float64(p.X) + .5, float64(p.Y) + .5})
		}
		var bend float64
		if sides[k], bend = through(side); bend > .12*math.Sqrt(whole) {
			return m, false
		}
	}
	var sum float64
	for k := range 4 {
		p, ok := sides[(k+3)%4].meet(sides[k])
		if !ok {
			return m, false
		}
		m.corners[k] = p
	}
	m.middle = point{}
	for k := range 4 {
		p, q := m.corners[k], m.corners[(k+1)%4]
		m.middle.x, m.middle.y = m.middle.x+p.x/4, m.middle.y+p.y/4
		m.side += math.Hypot(p.x-q.x, p.y-q.y) / 4
		sum += p.x*q.y - p.y*q.x
	}
	if math.Abs(sum/2) < .7*whole || math.Abs(sum/2) > 1.4*whole+20 || m.side < leastMark {
		return m, false
	}
	if sum < 0 { // all run clockwise as seen
		m.corners[1], m.corners[3] = m.corners[3], m.corners[1]
	}
	// The outline runs through the middle of the outermost dark pixels.
	grow := 1 + 1/m.side
	for k := range m.corners {
		m.corners[k].x = m.middle.x + grow*(m.corners[k].x-m.middle.x)
		m.corners[k].y = m.middle.y + grow*(m.corners[k].y-m.middle.y)
	}
	return m, true
}

// line is n·p = d with a unit normal.
type line struct{ nx, ny, d float64 }

// through fits a line by total least squares; off is how far the farthest
// point lies from it.
func through(ps []point) (l line, off float64) {
	var mx, my, xx, xy, yy float64
	for _, p := range ps {
		mx, my = mx+p.x/float64(len(ps)), my+p.y/float64(len(ps))
	}
	for _, p := range ps {
		x, y := p.x-mx, p.y-my
		xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
	}
	a := math.Atan2(2*xy, xx-yy) / 2
	l.nx, l.ny = -math.Sin(a), math.Cos(a)
	l.d = l.nx*mx + l.ny*my
	for _, p := range ps {
		off = math.Max(off, math.Abs(l.nx*p.x+l.ny*p.y-l.d))
	}
	return l, off
}

func (l line) meet(m line) (point, bool) {
	det := l.nx*m.ny - l.ny*m.nx
	if math.Abs(det) < .1 {
		return point{}, false
	}
	return point{(l.d*m.ny - l.ny*m.d) / det, (l.nx*m.d - l.d*m.nx) / det}, true
}

// picture is a grey picture.
type picture struct {
	pix  []byte
	w, h int
}

// at is the grey level between pixels; false beyond the edge.
func (p picture) at(x, y float64) (float64, bool) {
	x, y = x-.5, y-.5
	i, j := int(math.Floor(x)), int(math.Floor(y))
	if i < 0 || j < 0 || i+1 >= p.w || j+1 >= p.h {
		return 0, false
	}
	u, v := x-float64(i), y-float64(j)
	o := j*p.w + i
	g := func(o int) float64 { return float64(p.pix[o]) }
	return (1-v)*((1-u)*g(o)+u*g(o+1)) + v*((1-u)*g(o+p.w)+u*g(o+p.w+1)), true
}

// codes are the texts of the codes whose corners three of the marks are.
func (p picture) codes(ms []mark) (texts []string) {
	for i := range ms {
		for j := i + 1; j < len(ms); j++ {
			for k := j + 1; k < len(ms); k++ {
				if ms[i].side > 2*ms[k].side { // sorted by size
					break
				}
				for _, o := range [][3]int{{i, j, k}, {j, k, i}, {k, i, j}} {
					if text, ok := p.code(ms[o[0]], ms[o[1]], ms[o[2]]); ok {
						texts = append(texts, text)
						break
					}
				}
			}
		}
	}
	return texts
}

const (
	markSide    = 7  // modules
	mostVersion = 4  // of a code; 41 bytes need the third
	mostOff     = .9 // corners may miss their places in the plane by this, modules, root mean square
)

// code reads the one whose top left, and two other, corner marks these are.
func (p picture) code(tl, a, b mark) (string, bool) {
	ux, uy := a.middle.x-tl.middle.x, a.middle.y-tl.middle.y
	vx, vy := b.middle.x-tl.middle.x, b.middle.y-tl.middle.y
	turn := ux*vy - uy*vx
	if turn < 0 {
		a, b = b, a
		ux, uy, vx, vy, turn = vx, vy, ux, uy, -turn
	}
	lu, lv := math.Hypot(ux, uy), math.Hypot(vx, vy)
	// The marks' middles are 14 to 26 modules apart; tilt makes it less.
	if lu > 6*tl.side || lv > 6*tl.side || turn < .35*lu*lv || lu > 2.5*lv || lv > 2.5*lu {
		return "", false
	}
	type fit struct {
		h   homography
		n   int
		off float64
	}
	var fits []fit
	for version := 1; version <= mostVersion; version++ {
		n := 17 + 4*version
		far := float64(n - markSide)
		var from, to []point
		for _, c := range []struct {
			m    mark
			x, y float64
		}{{tl, 0, 0}, {a, far, 0}, {b, 0, far}} {
			q := c.m.turned(ux/lu+vx/lv, uy/lu+vy/lv)
			for i, d := range [4]point{{0, 0}, {markSide, 0}, {markSide, markSide}, {0, markSide}} {
				from, to = append(from, point{c.x + d.x, c.y + d.y}), append(to, q[i])
			}
		}
		if h, ok := fitted(from, to); ok {
			if off := h.off(from, to) / (tl.side / markSide); off < mostOff {
				fits = append(fits, fit{h, n, off})
			}
		}
	}
	slices.SortFunc(fits, func(a, b fit) int { return cmp.Compare(a.off, b.off) })
	for _, f := range fits[:min(len(fits), 2)] {
		if text, ok := p.text(f.h, f.n); ok {
			return text, true
		}
	}
	return "", false
}

// turned are the corners from the one that is farthest against (x, y) on.
func (m mark) turned(x, y float64) (out [4]point) {
	first, least := 0, math.Inf(1)
	for i, c := range m.corners {
		if d := c.x*x + c.y*y; d < least {
			first, least = i, d
		}
	}
	for i := range out {
		out[i] = m.corners[(first+i)%4]
	}
	return out
}

// text looks at the n×n modules of a code and reads them.
func (p picture) text(h homography, n int) (string, bool) {
	level := make([]float64, n*n)
	for j := range n {
		for i := range n {
			const part = .22 // of a module, around its middle
			for _, d := range []point{{0, 0}, {-part, -part}, {part, -part}, {-part, part}, {part, part}} {
				q := h.apply(point{float64(i) + .5 + d.x, float64(j) + .5 + d.y})
				v, ok := p.at(q.x, q.y)
				if !ok {
					return "", false
				}
				level[j*n+i] += v / 5
			}
		}
	}
	// Dark and light of the three marks: what parts them lies in a plane, as
	// light that falls from one side does.
	parting := func(x, y int) float64 {
		var dark, light, nd, nl float64
		for j := range markSide {
			for i := range markSide {
				ring := max(max(i, markSide-1-i), max(j, markSide-1-j)) // 3…6, 5 is the light one
				if v := level[(y+j)*n+x+i]; ring == 5 {
					light, nl = light+v, nl+1
				} else {
					dark, nd = dark+v, nd+1
				}
			}
		}
		return (dark/nd + light/nl) / 2
	}
	far := n - markSide
	c, cx, cy := parting(0, 0), parting(far, 0), parting(0, far)
	const px = 4 // enough for the library to see a module
	m := image.NewGray(image.Rect(0, 0, (n+8)*px, (n+8)*px))
	for i := range m.Pix {
		m.Pix[i] = 255
	}
	for j := range n {
		for i := range n {
			u, v := (float64(i)-3)/float64(far), (float64(j)-3)/float64(far)
			if level[j*n+i] >= c+(cx-c)*u+(cy-c)*v {
				continue
			}
			for y := range px {
				for x := range px {
					m.SetGray((i+4)*px+x, (j+4)*px+y, color.Gray{})
				}
			}
		}
	}
	text, err := go_qr.Decode(m)
	return text, err == nil
}
