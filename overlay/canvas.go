package overlay

import (
	"image"
	"image/color"
	"math"
	"strings"
	"sync"

	"github.com/fogleman/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"tapeline/pipeline"
)

var fonts = sync.OnceValue(func() [2]*opentype.Font {
	var out [2]*opentype.Font
	for i, b := range [][]byte{goregular.TTF, gobold.TTF} {
		f, err := opentype.Parse(b)
		if err != nil {
			panic("overlay: embedded font: " + err.Error())
		}
		out[i] = f
	}
	return out
})

// Faces is one worker's set of font faces; a face keeps state, so a set must
// not be used by two goroutines at once.
type Faces struct{ m map[faceKey]font.Face }

type faceKey struct {
	size float64
	bold bool
}

// NewFaces is an empty set; faces are made when first asked for.
func NewFaces() *Faces { return &Faces{map[faceKey]font.Face{}} }

// Face of the Go font at a size in pixels.
func (f *Faces) Face(size float64, bold bool) font.Face {
	k := faceKey{math.Round(size*4) / 4, bold}
	if g, ok := f.m[k]; ok {
		return g
	}
	i := 0
	if bold {
		i = 1
	}
	g, err := opentype.NewFace(fonts()[i], &opentype.FaceOptions{Size: k.size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		panic("overlay: embedded font: " + err.Error())
	}
	f.m[k] = g
	return g
}

// Width of a line of text, pixels.
func (f *Faces) Width(s string, size float64, bold bool) float64 {
	return float64(font.MeasureString(f.Face(size, bold), plain(s))) / 64
}

func plain(s string) string { return strings.ReplaceAll(s, "\u00a0", " ") }

// wrap breaks s into lines no wider than width where words allow it; a
// no-break space holds two words together.
func (f *Faces) wrap(s string, size float64, bold bool, width float64) []string {
	var lines []string
	for _, w := range strings.Split(s, " ") {
		if n := len(lines); n > 0 {
			if t := lines[n-1] + " " + w; f.Width(t, size, bold) <= width {
				lines[n-1] = t
				continue
			}
		}
		lines = append(lines, w)
	}
	return lines
}

// smallest is how far text may shrink that would else leave the safe area, of
// its usual size.
const smallest = 0.5

// fit breaks s into at most so many lines no wider than width, in the largest
// part of size (1 and less) at which it can.
func (f *Faces) fit(s string, size float64, bold bool, width float64, lines int) ([]string, float64) {
	for part := 1.0; ; part *= 0.96 {
		out := f.wrap(s, size*part, bold, width)
		ok := len(out) <= lines
		for _, l := range out {
			ok = ok && f.Width(l, size*part, bold) <= width
		}
		if ok || part < smallest {
			return out, part
		}
	}
}

// Canvas is what marks paint on.
type Canvas struct {
	Img   *image.RGBA     // all of it
	Pic   image.Rectangle // where the picture lies
	Safe  image.Rectangle // where text may lie
	Em    float64         // size of text, pixels
	Line  float64         // width of an ordinary line, pixels
	Faces *Faces

	cam    pipeline.Camera
	scale  float64 // canvas pixels a full-size pixel of the clip
	offset pipeline.Point
	dc     *gg.Context // clipped to the picture
}

// NewCanvas paints on img, whose part pic shows the clip: a full-size frame
// pixel p lies at scale·p + offset. pic must begin at the image's origin.
func NewCanvas(img *image.RGBA, pic image.Rectangle, cam pipeline.Camera, scale float64, offset pipeline.Point, em float64, faces *Faces) *Canvas {
	b := img.Bounds()
	mx, my := b.Dx()/20, b.Dy()/20 // title-safe: the inner 90 % (SMPTE ST 2046-1)
	sub := img.SubImage(pic).(*image.RGBA)
	return &Canvas{
		Img: img, Pic: pic, Safe: image.Rect(b.Min.X+mx, b.Min.Y+my, b.Max.X-mx, b.Max.Y-my),
		Em: em, Line: math.Max(2, em*0.08), Faces: faces,
		cam: cam, scale: scale, offset: offset, dc: gg.NewContextForRGBA(sub),
	}
}

// At takes a key frame pixel to the canvas.
func (c *Canvas) At(p pipeline.Point) pipeline.Point {
	q := c.cam.Invert(p)
	return pipeline.Point{X: q.X*c.scale + c.offset.X, Y: q.Y*c.scale + c.offset.Y}
}

// text draws one line with its baseline starting at x, y.
func (c *Canvas) text(img *image.RGBA, s string, x, y, size float64, bold bool, col color.Color) {
	d := font.Drawer{Dst: img, Src: image.NewUniform(col), Face: c.Faces.Face(size, bold),
		Dot: fixed.Point26_6{X: fixed.Int26_6(x * 64), Y: fixed.Int26_6(y * 64)}}
	d.DrawString(plain(s))
}

// stroke draws a line with a casing around it so that it reads on any ground.
func (c *Canvas) stroke(pts []pipeline.Point, w float64, core, casing color.RGBA, alpha float64, dash ...float64) {
	if len(pts) < 2 || alpha <= 0 {
		return
	}
	dc := c.dc
	dc.SetLineCapButt()
	dc.SetLineJoinRound()
	for i, col := range []color.RGBA{casing, core} {
		width := w
		if i == 0 {
			width = w + 2*math.Max(0.7, w*0.4)
		}
		dc.SetDash(dash...)
		dc.SetLineWidth(width)
		dc.SetColor(fade(col, alpha))
		dc.MoveTo(pts[0].X, pts[0].Y)
		for _, p := range pts[1:] {
			dc.LineTo(p.X, p.Y)
		}
		dc.Stroke()
	}
	dc.SetDash()
}

// chalk draws a line as a stick of chalk leaves it: a dark casing where it
// pressed the dirt, a core with ragged edges and small gaps. dash gives
// lengths drawn and left out, pixels.
func (c *Canvas) chalk(pts []pipeline.Point, w, alpha float64, seed uint32, dash ...float64) {
	for _, run := range dashes(resample(pts, math.Max(1.5, w*0.45)), dash) {
		c.rough(run, w+2*math.Max(1, w*0.3), Casing, alpha*0.8, seed+1, 0.12)
		c.rough(run, w, Chalk, alpha, seed, 0.7)
	}
}

// rough fills a line whose edges wander by up to ragged·w.
func (c *Canvas) rough(p []pipeline.Point, w float64, col color.RGBA, alpha float64, seed uint32, ragged float64) {
	n := len(p)
	if n < 2 {
		return
	}
	edge := func(i int, side float64) pipeline.Point {
		a, b := p[max(i-1, 0)], p[min(i+1, n-1)]
		dx, dy := b.X-a.X, b.Y-a.Y
		l := math.Hypot(dx, dy)
		if l == 0 {
			l = 1
		}
		k := seed + uint32(side+2)*7919
		h := side * w / 2 * (1 - ragged*grain(k, uint32(i)))
		return pipeline.Point{X: p[i].X - dy/l*h, Y: p[i].Y + dx/l*h}
	}
	dc := c.dc
	dc.NewSubPath()
	for i := 0; i < n; i++ {
		q := edge(i, 1)
		dc.LineTo(q.X, q.Y)
	}
	for i := n - 1; i >= 0; i-- {
		q := edge(i, -1)
		dc.LineTo(q.X, q.Y)
	}
	dc.ClosePath()
	dc.SetColor(fade(col, alpha))
	dc.Fill()
}

// resample walks a polyline in steps of at most step pixels.
func resample(p []pipeline.Point, step float64) []pipeline.Point {
	if len(p) == 0 {
		return nil
	}
	out := []pipeline.Point{p[0]}
	for i := 1; i < len(p); i++ {
		n := int(math.Ceil(math.Hypot(p[i].X-p[i-1].X, p[i].Y-p[i-1].Y) / step))
		for j := 1; j <= n; j++ {
			out = append(out, between(p[i-1], p[i], float64(j)/float64(n)))
		}
	}
	return out
}

func between(a, b pipeline.Point, f float64) pipeline.Point {
	return pipeline.Point{X: a.X + (b.X-a.X)*f, Y: a.Y + (b.Y-a.Y)*f}
}

// dashes cuts a finely sampled line into its drawn parts.
func dashes(p []pipeline.Point, dash []float64) [][]pipeline.Point {
	if len(dash) < 2 {
		return [][]pipeline.Point{p}
	}
	var out [][]pipeline.Point
	var run []pipeline.Point
	at, period := 0.0, dash[0]+dash[1]
	for i := range p {
		if i > 0 {
			at += math.Hypot(p[i].X-p[i-1].X, p[i].Y-p[i-1].Y)
		}
		if math.Mod(at, period) <= dash[0] {
			run = append(run, p[i])
		} else if run != nil {
			out, run = append(out, run), nil
		}
	}
	if run != nil {
		out = append(out, run)
	}
	return out
}
