package overlay

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"regexp"
	"strings"
	"sync"

	"golang.org/x/image/draw"
	"golang.org/x/image/math/f64"

	"tapeline/pipeline"
)

// Mark is one thing painted. It knows its own place and nothing of the pixels
// of others. Marks also print themselves (fmt.Stringer) for Scene.String.
type Mark interface{ Paint(*Canvas) }

// Scene is all that lies on one output frame. At is presentation time,
// seconds.
type Scene struct {
	At    float64
	Marks []Mark
}

// Paint lets every mark paint itself, in order.
func (s Scene) Paint(c *Canvas) {
	for _, m := range s.Marks {
		m.Paint(c)
	}
}

// String is the scene as text, one mark a line.
func (s Scene) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "at %.3f\n", s.At)
	for _, m := range s.Marks {
		fmt.Fprintf(&b, "  %v\n", m)
	}
	return b.String()
}

// Standing says where a value stands; it is shown by words and line style,
// and by colour only after them.
type Standing string

// Standings. Plain: nothing is said about it.
const (
	Plain    Standing = ""
	Inside   Standing = "inside"
	Outside  Standing = "outside"
	CantTell Standing = "cant_tell"
)

// Span is a stretch along x, key frame pixels.
type Span struct{ Lo, Hi float64 }

// Tape is the strip of masking tape whose LOWER edge is the level of the eyes
// in the stance, or which hangs Under its level by the UPPER edge. Within Reach
// (where the bat may be) it thins out, within Body only a hairline is left:
// nothing covers the batter.
type Tape struct {
	X, Body, Reach Span
	Y              float64
	Under          bool
	Label          string // printed on it, around LabelX
	LabelX         float64
	Alpha          float64
	plate          *tapePlate
}

func (t Tape) String() string {
	return fmt.Sprintf("tape y=%.0f x=%s thin=%s open=%s label=%q@%.0f%s", t.Y, t.X, t.Reach, t.Body, t.Label, t.LabelX, faded(t.Alpha))
}

func (s Span) String() string { return fmt.Sprintf("%.0f..%.0f", s.Lo, s.Hi) }

func faded(a float64) string {
	if a >= 1 {
		return ""
	}
	return fmt.Sprintf(" alpha=%.2f", a)
}

// tapePlate keeps the strip as it is before it is laid on a frame: the same
// in all frames, so it is drawn once.
type tapePlate struct {
	mu    sync.Mutex
	img   *image.RGBA
	scale float64
}

func (p *tapePlate) get(t Tape, c *Canvas) *image.RGBA {
	if p == nil {
		return t.draw(c)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.img == nil || p.scale != c.scale {
		p.img, p.scale = t.draw(c), c.scale
	}
	return p.img
}

const (
	tapeAlpha = 0.86 // of the strip where nobody stands
	thinAlpha = 0.36 // where the bat may pass
)

func (t Tape) draw(c *Canvas) *image.RGBA {
	w, h := int(math.Ceil((t.X.Hi-t.X.Lo)*c.scale)), int(math.Round(c.Em*1.28))
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	tear := c.Em * 0.3
	for y := 0; y < h; y++ {
		// The ends tear along a wandering line, long waves and short fibres.
		l := tear * (0.6*grain(11, uint32(y/5)) + 0.4*grain(12, uint32(y)))
		r := tear * (0.6*grain(13, uint32(y/5)) + 0.4*grain(14, uint32(y)))
		for x := 0; x < w; x++ {
			if float64(x) < l || float64(w-x) < r {
				continue
			}
			k := 1 - 0.05*grain(15, uint32(x/3)) - 0.03*grain(16, uint32(x*31+y))
			col := Paper
			if y < 2 || grain(17, uint32(x/2)) > 0.985 {
				col = Crease
			}
			a := tapeAlpha * k
			img.SetRGBA(x, y, color.RGBA{uint8(float64(col.R) * a), uint8(float64(col.G) * a), uint8(float64(col.B) * a), uint8(255 * a)})
		}
	}
	if t.Label != "" {
		x := (t.LabelX-t.X.Lo)*c.scale - c.Faces.Width(t.Label, c.Em, false)/2
		c.text(img, t.Label, x, float64(h)/2+c.Em*0.36, c.Em, false, Ink)
	}
	return img
}

// Paint lays the strip along the ground's level line of this frame.
func (t Tape) Paint(c *Canvas) {
	plate := t.plate.get(t, c)
	b := plate.Bounds()
	soft := c.Em * 0.8 / c.scale
	cut := image.NewRGBA(b)
	row := make([]uint32, b.Dx())
	for x := range row {
		kx := t.X.Lo + float64(x)/c.scale
		a := 1 - (1-thinAlpha/tapeAlpha)*covered(kx, t.Reach, soft)
		a *= 1 - covered(kx, t.Body, soft)
		row[x] = uint32(256 * a * t.Alpha)
	}
	for y := 0; y < b.Dy(); y++ {
		src, dst := plate.Pix[y*plate.Stride:], cut.Pix[y*cut.Stride:]
		for x, a := range row {
			for k := x * 4; k < x*4+4; k++ {
				dst[k] = uint8(uint32(src[k]) * a >> 8)
			}
		}
	}
	left, right := c.At(pipeline.Point{X: t.X.Lo, Y: t.Y}), c.At(pipeline.Point{X: t.X.Hi, Y: t.Y})
	turn := math.Atan2(right.Y-left.Y, right.X-left.X)
	size := math.Hypot(right.X-left.X, right.Y-left.Y) / float64(b.Dx())
	sin, cos := math.Sin(turn), math.Cos(turn)
	h := float64(b.Dy())
	if t.Under {
		h = 0
	}
	m := f64.Aff3{cos * size, -sin, left.X + sin*h, sin * size, cos, left.Y - cos*h}
	pic := c.Img.SubImage(c.Pic).(*image.RGBA)
	draw.ApproxBiLinear.Transform(pic, m, cut, b, draw.Over, nil)
	if t.Body.Hi > t.Body.Lo && !t.Under { // one line over the face is enough
		c.stroke([]pipeline.Point{
			c.At(pipeline.Point{X: t.Body.Lo - soft, Y: t.Y}), c.At(pipeline.Point{X: t.Body.Hi + soft, Y: t.Y}),
		}, math.Max(1, c.Line*0.35), Paper, Casing, 0.5*t.Alpha)
	}
}

// covered is 1 inside the span, 0 beyond soft of it.
func covered(x float64, s Span, soft float64) float64 {
	if s.Hi <= s.Lo {
		return 0
	}
	out := math.Max(s.Lo-x, x-s.Hi)
	return clamp(1-out/soft, 0, 1)
}

// Lower is the second tape, hung under the level at which the eyes should
// start, with the band between it and From, the level of the first.
type Lower struct {
	Tape
	From float64
	Dim  float64 // x of the dimension line
}

func (l Lower) String() string {
	return fmt.Sprintf("band y=%.0f..%.0f dimension x=%.0f, under it %v", l.From, l.Y, l.Dim, l.Tape)
}

func (l Lower) Paint(c *Canvas) {
	at := func(x, y float64) pipeline.Point { return c.At(pipeline.Point{X: x, Y: y}) }
	// Slanted pencil strokes fill the band on both sides of the body.
	step := c.Em * 0.32 / c.scale
	for x := l.X.Lo + step; x < l.X.Hi-step; x += step {
		if a := 1 - covered(x, l.Body, step); a > 0.5 {
			c.stroke([]pipeline.Point{at(x+step*0.3, l.From), at(x-step*0.3, l.Y)}, math.Max(1, c.Line*0.4), Paper, Casing, 0.7*l.Alpha)
		}
	}
	l.Tape.Paint(c)
	c.dimension(at(l.Dim, l.From), at(l.Dim, l.Y), l.Alpha)
}

// Ring is the sticker on the helmet of this moment, and a short pencil line at
// its level.
type Ring struct {
	At    pipeline.Point
	R     float64 // key frame pixels
	Alpha float64
}

func (r Ring) String() string {
	return fmt.Sprintf("ring %.0f,%.0f%s", r.At.X, r.At.Y, faded(r.Alpha))
}

func (r Ring) Paint(c *Canvas) {
	o, n := c.At(r.At), 28
	size := math.Max(r.R*c.scale, c.Line*2.5)
	var round []pipeline.Point
	for i := 0; i <= n; i++ {
		s, k := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		round = append(round, pipeline.Point{X: o.X + size*k, Y: o.Y + size*s})
	}
	c.chalk(round, c.Line*0.7, r.Alpha, 51)
	for _, side := range []float64{-1, 1} {
		c.stroke([]pipeline.Point{{X: o.X + side*size*1.4, Y: o.Y}, {X: o.X + side*size*2.8, Y: o.Y}}, c.Line*0.6, Lead, Chalk, r.Alpha)
	}
}

// EyeLine is the pencil line at the eyes of this moment, with the dimension
// line down from the tape to it. Across the body it is a hairline.
type EyeLine struct {
	Eyes    pipeline.Point
	Level   float64 // row of the tape's lower edge
	Dim     float64 // x of the dimension line
	Body    Span
	Doubted bool
	Label   Label
	Alpha   float64
}

func (e EyeLine) String() string {
	return fmt.Sprintf("pencil eyes=%.0f,%.0f dimension x=%.0f y=%.0f..%.0f %v%s%s", e.Eyes.X, e.Eyes.Y, e.Dim, e.Level, e.Eyes.Y, e.Label, dashed(e.Doubted), faded(e.Alpha))
}

func dashed(d bool) string {
	if d {
		return " dashed"
	}
	return ""
}

func (e EyeLine) Paint(c *Canvas) {
	a, w := e.Alpha, c.Line
	var dash []float64
	if e.Doubted {
		a, dash = a*0.65, []float64{c.Em * 0.35, c.Em * 0.25}
	}
	side := math.Copysign(1, e.Dim-e.Eyes.X)
	edge := e.Body.Lo
	if side > 0 {
		edge = e.Body.Hi
	}
	out := e.Dim + side*c.Em*0.5/c.scale
	at := func(x, y float64) pipeline.Point { return c.At(pipeline.Point{X: x, Y: y}) }
	c.stroke([]pipeline.Point{at(e.Eyes.X, e.Eyes.Y), at(edge, e.Eyes.Y)}, math.Max(1, w*0.35), Lead, Chalk, 0.5*a)
	c.stroke([]pipeline.Point{at(edge, e.Eyes.Y), at(out, e.Eyes.Y)}, w*0.8, Lead, Chalk, a, dash...)
	c.dimension(at(e.Dim, e.Level), at(e.Dim, e.Eyes.Y), a)
	e.Label.paint(c, at(e.Dim, math.Max(e.Eyes.Y, e.Level)), a)
}

// dimension is a line with a slanted tick at each end, as on a drawing.
func (c *Canvas) dimension(a, b pipeline.Point, alpha float64) {
	w := c.Line
	c.stroke([]pipeline.Point{a, b}, w, Lead, Chalk, alpha)
	t := clamp(0.6*math.Hypot(b.X-a.X, b.Y-a.Y), c.Em*0.1, c.Em*0.18)
	for _, p := range []pipeline.Point{a, b} {
		c.stroke([]pipeline.Point{{X: p.X - t, Y: p.Y + t}, {X: p.X + t, Y: p.Y - t}}, w*1.2, Lead, Chalk, alpha)
	}
}

// Label is a scrap of paper with a value. It hangs from its anchor: Side −1
// ends at it, +1 begins at it, 0 is centred above it. Room is how far it may
// reach, key frame pixels; it breaks into lines to stay within.
type Label struct {
	Text     string
	Note     string // where the value stands, in words
	Standing Standing
	Side     int
	Room     float64
	below    bool // under the feet: may not be pushed up
}

func (l Label) String() string {
	if l.Text == "" {
		return "no label"
	}
	s := fmt.Sprintf("label=%q", l.Text)
	if l.Standing != Plain {
		s += fmt.Sprintf(" (%s: %q)", l.Standing, l.Note)
	}
	return s
}

// glue keeps a number and its unit on one line.
func glue(s string) string { return unitOf.ReplaceAllString(s, "$1\u00a0$2") }

var unitOf = regexp.MustCompile(`(\d) (%|(?:cm|in|s)\b)`)

func (l Label) paint(c *Canvas, at pipeline.Point, alpha float64) {
	if l.Text == "" || alpha <= 0 {
		return
	}
	pad := c.Em * 0.28
	room := math.Max(l.Room*c.scale-2*pad, c.Em*2)
	lines := c.Faces.wrap(glue(l.Text), c.Em, true, room)
	notes := 0
	if l.Note != "" {
		n := c.Faces.wrap(l.Note, c.Em, false, room)
		notes, lines = len(n), append(lines, n...)
	}
	width := 0.0
	for i, s := range lines {
		width = math.Max(width, c.Faces.Width(s, c.Em, i < len(lines)-notes))
	}
	w, h := width+2*pad, float64(len(lines))*c.Em*1.12+pad*1.1
	x, y := at.X-w/2, at.Y-h-c.Em*0.3
	switch {
	case l.Side < 0:
		x, y = at.X-w-c.Em*0.35, at.Y+c.Em*0.3
	case l.Side > 0:
		x, y = at.X+c.Em*0.35, at.Y+c.Em*0.3
	}
	s := c.Safe.Intersect(image.Rect(c.Pic.Min.X, c.Pic.Min.Y, c.Pic.Max.X, c.Pic.Max.Y-int(c.Em*0.25)))
	x0, y0 := x, y
	x = clamp(x, float64(s.Min.X), math.Max(float64(s.Min.X), float64(s.Max.X)-w))
	y = clamp(y, float64(s.Min.Y), math.Max(float64(s.Min.Y), float64(s.Max.Y)-h))
	// Where there is no room beside the batter the strip's caption is enough.
	if float64(l.Side)*(x0-x) > c.Em || l.below && y0-y > c.Em*0.5 {
		return
	}

	// Above the head it may not be pushed onto it: the value alone, or nothing.
	if l.Side == 0 && y-y0 > c.Em*0.5 {
		if l.Note != "" {
			l.Note, l.Standing = "", Plain
			l.paint(c, at, alpha)
		}
		return
	}

	dc := c.dc
	dc.SetColor(fade(Paper, 0.94*alpha))
	step, tear := c.Em*0.12, c.Em*0.1
	dc.NewSubPath()
	for i, yy := uint32(0), 0.0; yy <= h; i, yy = i+1, yy+step {
		dc.LineTo(x+tear*grain(21, i), y+yy)
	}
	for i, yy := uint32(0), h; yy >= 0; i, yy = i+1, yy-step {
		dc.LineTo(x+w-tear*grain(22, i), y+yy)
	}
	dc.ClosePath()
	dc.Fill()
	pic := c.Img.SubImage(c.Pic).(*image.RGBA)
	base := y + pad*0.45 + c.Em*0.86
	for i, t := range lines {
		c.text(pic, t, x+(w-c.Faces.Width(t, c.Em, i < len(lines)-notes))/2, base+float64(i)*c.Em*1.12, c.Em, i < len(lines)-notes, fade(Ink, alpha))
	}
	// Underline: one for inside, two for outside, dashes for can't tell.
	under := func(dy float64, col color.RGBA, dash ...float64) {
		a, b := pipeline.Point{X: x + pad, Y: y + h + dy}, pipeline.Point{X: x + w - pad, Y: y + h + dy}
		c.stroke([]pipeline.Point{a, b}, c.Line*0.8, col, Ink, alpha, dash...)
	}
	switch l.Standing {
	case Inside:
		under(-c.Line*1.3, insideColor)
	case Outside:
		under(-c.Line*1.1, outsideColor)
		under(-c.Line*3.4, outsideColor)
	case CantTell:
		under(-c.Line*1.3, Ink, c.Line*3, c.Line*2.5)
	}
}

// Foot is the chalk on the ground around the front foot: its axis, the square
// line, and the arc between them, all in the ground plane. Open is nil when it
// can't be told; a wide Lo…Hi is drawn as a dashed fan.
type Foot struct {
	Heel         pipeline.Point
	X, Z         pipeline.Point // picture vectors of one foot length toward the pitcher and toward the plate
	Open, Lo, Hi *float64
	Label        Label
	Alpha        float64
}

func deg(v *float64) string {
	if v == nil {
		return "?"
	}
	return fmt.Sprintf("%.0f", *v)
}

func (f Foot) String() string {
	tip := f.Heel
	if f.Open != nil {
		tip = f.on(*f.Open, arcAt)
	}
	return fmt.Sprintf("chalk heel=%.0f,%.0f tip=%.0f,%.0f open=%s bounds=%s..%s %v%s%s", f.Heel.X, f.Heel.Y, tip.X, tip.Y, deg(f.Open), deg(f.Lo), deg(f.Hi), f.Label, dashed(f.wide()), faded(f.Alpha))
}

const (
	arcAt  = 2.0  // radius of the arc, foot lengths from the heel
	lineTo = 2.35 // end of the axis
	lineAt = 1.18 // its start, past the toe
)

// wide is a doubt too large for one line: more than ±12°.
func (f Foot) wide() bool {
	return f.Open == nil || f.Lo != nil && f.Hi != nil && *f.Hi-*f.Lo > 24
}

// on is the place r foot lengths from the heel at a yaw of a degrees.
func (f Foot) on(a, r float64) pipeline.Point {
	s, c := math.Sincos(a * math.Pi / 180)
	return pipeline.Point{X: f.Heel.X + r*(s*f.X.X+c*f.Z.X), Y: f.Heel.Y + r*(s*f.X.Y+c*f.Z.Y)}
}

func (f Foot) arc(c *Canvas, a, b, r float64) []pipeline.Point {
	n := int(math.Max(2, math.Abs(b-a)/3))
	var out []pipeline.Point
	for i := 0; i <= n; i++ {
		out = append(out, c.At(f.on(a+(b-a)*float64(i)/float64(n), r)))
	}
	return out
}

func (f Foot) Paint(c *Canvas) {
	if f.Alpha <= 0 || f.Open == nil && (f.Lo == nil || f.Hi == nil) {
		return
	}
	// A small batter gets thinner chalk that reaches farther from the shoe.
	long := c.scale * math.Max(math.Hypot(f.X.X, f.X.Y), math.Hypot(f.Z.X, f.Z.Y))
	w := clamp(long*0.09, c.Line*0.8, c.Line*1.9)
	grow := clamp(1.6*c.Em/math.Max(1, long), 1, 1.7)
	arcAt, lineTo := arcAt*grow, lineTo*grow
	ray := func(a, r0, r1 float64) []pipeline.Point {
		return []pipeline.Point{c.At(f.on(a, r0)), c.At(f.on(a, r1))}
	}
	c.chalk(ray(0, lineAt, lineTo), w*0.7, f.Alpha*0.85, 31, w*2.2, w*1.8)
	if f.wide() && f.Lo != nil && f.Hi != nil {
		lo, hi := clamp(*f.Lo, -90, 180), clamp(*f.Hi, -90, 180)
		dc := c.dc
		outer, inner := f.arc(c, lo, hi, arcAt), f.arc(c, hi, lo, lineAt)
		dc.NewSubPath()
		for _, p := range append(outer, inner...) {
			dc.LineTo(p.X, p.Y)
		}
		dc.ClosePath()
		dc.SetColor(fade(Chalk, 0.34*f.Alpha))
		dc.Fill()
		dash := []float64{w * 2.2, w * 1.6}
		c.chalk(f.arc(c, lo, hi, arcAt), w*0.8, f.Alpha*0.75, 32, dash...)
		c.chalk(ray(lo, lineAt, lineTo), w*0.8, f.Alpha*0.75, 33, dash...)
		c.chalk(ray(hi, lineAt, lineTo), w*0.8, f.Alpha*0.75, 34, dash...)
	}
	if f.Open != nil {
		if f.wide() {
			c.chalk(ray(*f.Open, lineAt, lineTo), w*0.8, f.Alpha*0.75, 36)
		} else {
			c.chalk(f.arc(c, 0, *f.Open, arcAt), w*0.8, f.Alpha, 35)
			c.chalk(ray(*f.Open, lineAt, lineTo), w*1.15, f.Alpha, 36)
		}
		// The axis shows behind the heel too, so that it reads as one line;
		// not where that would be behind the leg.
		if r := ray(*f.Open, -0.45, -0.12); math.Abs(r[1].X-r[0].X) > math.Abs(r[1].Y-r[0].Y) {
			c.chalk(r, w, f.Alpha*0.8, 37)
		}
	}
	// The value hangs past the farthest chalk on its side, clear of the shoe;
	// below the chalk where the picture ends too soon.
	at, low := c.At(f.Heel), c.At(f.Heel).Y
	for _, a := range []*float64{f.Open, f.Lo, f.Hi, new(float64)} {
		if a == nil {
			continue
		}
		q := c.At(f.on(*a, lineTo))
		if (q.X-at.X)*float64(f.Label.Side) > 0 {
			at.X = q.X
		}
		low = math.Max(low, q.Y)
	}
	at.Y -= c.Em * 0.9
	need := c.Faces.Width(f.Label.Text, c.Em, true) + c.Em
	if edge := float64(c.Safe.Max.X); f.Label.Side > 0 && at.X+need > edge || f.Label.Side < 0 && at.X-need < float64(c.Safe.Min.X) {
		at.Y = low
		at.X -= float64(f.Label.Side) * need * 0.6
		f.Label.below = true
	}
	f.Label.paint(c, at, f.Alpha)
}

// Plumb is the cord through the back knee of this moment with its bob on the
// ground, and the head's offset from it.
type Plumb struct {
	Top, Bob pipeline.Point
	Knee     pipeline.Point
	Eyes     pipeline.Point
	Offset   float64 // row of the dimension line
	Doubted  bool    // can't be told from here: no dimension line
	Label    Label
	Alpha    float64
}

func (p Plumb) String() string {
	return fmt.Sprintf("plumb x=%.0f y=%.0f..%.0f knee=%.0f offset y=%.0f to x=%.0f %v%s%s", p.Bob.X, p.Top.Y, p.Bob.Y, p.Knee.Y, p.Offset, p.Eyes.X, p.Label, dashed(p.Doubted), faded(p.Alpha))
}

func (p Plumb) Paint(c *Canvas) {
	a, w := p.Alpha, c.Line*0.8
	var dash []float64
	if p.Doubted {
		a, dash = a*0.55, []float64{c.Em * 0.3, c.Em * 0.25}
	}
	top, bob := c.At(p.Top), c.At(p.Bob)
	if !p.Doubted {
		top = c.At(pipeline.Point{X: p.Top.X, Y: p.Offset})
	}
	h := c.Em * 0.62
	// Thin from the head to the knee, where it hangs before the batter.
	head, knee := c.At(pipeline.Point{X: p.Top.X, Y: p.Offset + (p.Eyes.Y-p.Offset)*0.35}), c.At(p.Knee)
	if p.Doubted {
		head = top
	}
	c.stroke([]pipeline.Point{top, head}, w, Paper, Casing, a, dash...)
	c.stroke([]pipeline.Point{head, knee}, math.Max(1, w*0.5), Paper, Casing, a*0.6, dash...)
	c.stroke([]pipeline.Point{knee, {X: bob.X, Y: bob.Y - h}}, w, Paper, Casing, a, dash...)
	dc := c.dc
	shape := func(g float64) {
		dc.NewSubPath()
		dc.LineTo(bob.X, bob.Y+g)
		dc.LineTo(bob.X-h*0.34-g, bob.Y-h*0.62)
		dc.LineTo(bob.X-h*0.2-g, bob.Y-h-g)
		dc.LineTo(bob.X+h*0.2+g, bob.Y-h-g)
		dc.LineTo(bob.X+h*0.34+g, bob.Y-h*0.62)
		dc.ClosePath()
	}
	shape(math.Max(1.5, c.Line*0.5))
	dc.SetColor(fade(Casing, a))
	dc.Fill()
	shape(0)
	dc.SetColor(fade(Brass, a))
	dc.Fill()
	if p.Doubted {
		return
	}
	end := c.At(pipeline.Point{X: p.Eyes.X, Y: p.Offset})
	drop := c.Em * 0.35
	c.stroke([]pipeline.Point{{X: end.X, Y: end.Y - drop}, {X: end.X, Y: end.Y + drop}}, w*0.7, Lead, Chalk, a)
	c.dimension(top, end, a)
	mid := between(top, end, 0.5)
	p.Label.paint(c, mid, a)
}
