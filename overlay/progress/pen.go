package progress

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"strings"
	"sync"

	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"tapeline/overlay"
)

// Sizes in pixels of the page.
const (
	width   = 1080
	margin  = 32
	body    = 33.0
	heading = 46.0
	row     = 46
)

// Colours that carry meaning are of the Okabe–Ito set, in the shades that read
// on the dark board; each has a shape of its own as well.
var (
	fine = color.RGBA{0x56, 0xb4, 0xe9, 0xff}
	off  = color.RGBA{0xe6, 0x9f, 0x00, 0xff}
)

// goFonts are the Go fonts as the plotting library wants them.
var goFonts = sync.OnceValue(func() text.Plain {
	var faces font.Collection
	for _, f := range []struct {
		ttf    []byte
		weight xfont.Weight
	}{{goregular.TTF, xfont.WeightNormal}, {gobold.TTF, xfont.WeightBold}} {
		face, err := opentype.Parse(f.ttf)
		if err != nil {
			panic("progress: embedded font: " + err.Error())
		}
		faces = append(faces, font.Face{Font: font.Font{Typeface: "Go", Variant: "Sans", Weight: f.weight}, Face: face})
	}
	return text.Plain{Fonts: font.NewCache(faces)}
})

// style of text on the page; y is its baseline.
func style(size float64, bold bool, c color.Color) draw.TextStyle {
	f := font.Font{Typeface: "Go", Variant: "Sans", Size: font.Length(size)}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return draw.TextStyle{Color: c, Font: f, Handler: goFonts()}
}

// pen draws on a page whose origin is its top left corner.
type pen struct {
	c draw.Canvas
	h float64
}

func (p pen) at(x, y float64) vg.Point { return vg.Point{X: vg.Length(x), Y: vg.Length(p.h - y)} }

// write puts one line of text with its baseline at y; side −1: x is its left
// end, 0 its middle, 1 its right end.
func (p pen) write(s string, x, y, size float64, bold bool, side int, c color.Color) {
	st := style(size, bold, c)
	x -= float64(side+1) / 2 * wide(s, size, bold)
	p.c.SetColor(c)
	p.c.FillString(st.Handler.Cache().Lookup(st.Font, st.Font.Size), p.at(x, y), s)
}

func (p pen) stroke(w float64, c color.Color, dash []float64, pts ...[2]float64) {
	if len(pts) < 2 {
		return
	}
	var path vg.Path
	path.Move(p.at(pts[0][0], pts[0][1]))
	for _, q := range pts[1:] {
		path.Line(p.at(q[0], q[1]))
	}
	p.c.SetColor(c)
	p.c.SetLineWidth(vg.Length(w))
	var d []vg.Length
	for _, v := range dash {
		d = append(d, vg.Length(v))
	}
	p.c.SetLineDash(d, 0)
	p.c.Stroke(path)
	p.c.SetLineDash(nil, 0)
}

func (p pen) fill(c color.Color, pts ...[2]float64) {
	var path vg.Path
	path.Move(p.at(pts[0][0], pts[0][1]))
	for _, q := range pts[1:] {
		path.Line(p.at(q[0], q[1]))
	}
	path.Close()
	p.c.SetColor(c)
	p.c.Fill(path)
}

func (p pen) rect(c color.Color, x0, y0, x1, y1 float64) {
	p.fill(c, [2]float64{x0, y0}, [2]float64{x1, y0}, [2]float64{x1, y1}, [2]float64{x0, y1})
}

// disc is a filled circle, or a ring of line width w where w > 0.
func (p pen) disc(c color.Color, x, y, r, w float64) {
	var path vg.Path
	path.Move(p.at(x+r, y))
	path.Arc(p.at(x, y), vg.Length(r), 0, 2*math.Pi)
	path.Close()
	p.c.SetColor(c)
	if w > 0 {
		p.c.SetLineWidth(vg.Length(w))
		p.c.SetLineDash(nil, 0)
		p.c.Stroke(path)
		return
	}
	p.c.Fill(path)
}

// wide is how much room a line of text takes.
func wide(s string, size float64, bold bool) float64 {
	st := style(size, bold, color.Black)
	face := st.Handler.Cache().Lookup(st.Font, st.Font.Size)
	return float64(face.Width(s))
}

// wrap breaks a text into lines no wider than w where words allow it.
func wrap(s string, size, w float64) (lines []string) {
	for _, word := range strings.Fields(s) {
		if n := len(lines); n > 0 && wide(lines[n-1]+" "+word, size, false) <= w {
			lines[n-1] += " " + word
			continue
		}
		lines = append(lines, word)
	}
	return lines
}

// fit is the largest size up to size at which s is no wider than w.
func fit(s string, size float64, bold bool, w float64) float64 {
	if have := wide(s, size, bold); have > w {
		return size * w / have
	}
	return size
}

// png and svg make the page h pixels high and let paint fill it.
func png(h int, paint func(pen)) ([]byte, error) {
	c := vgimg.NewWith(vgimg.UseWH(width, vg.Length(h)), vgimg.UseDPI(72), vgimg.UseBackgroundColor(overlay.Board))
	paint(pen{draw.New(c), float64(h)})
	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: c}).WriteTo(&b); err != nil {
		return nil, fmt.Errorf("progress: %w", err)
	}
	return b.Bytes(), nil
}

func svg(h int, paint func(pen)) ([]byte, error) {
	c := vgsvg.NewWith(vgsvg.UseWH(width, vg.Length(h)), vgsvg.EmbedFonts(true))
	p := pen{draw.New(c), float64(h)}
	p.rect(overlay.Board, 0, 0, width, float64(h))
	paint(p)
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("progress: %w", err)
	}
	return b.Bytes(), nil
}

func clamp(v, lo, hi float64) float64 { return math.Min(math.Max(v, lo), hi) }

// faded is a colour mixed into the board, so that it needs no transparency.
func faded(c color.RGBA, a float64) color.RGBA {
	mix := func(x, y uint8) uint8 { return uint8(math.Round(float64(x)*a + float64(y)*(1-a))) }
	b := overlay.Board
	return color.RGBA{mix(c.R, b.R), mix(c.G, b.G), mix(c.B, b.B), 0xff}
}
