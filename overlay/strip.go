package overlay

import (
	"fmt"
	"image"
	"image/draw"
	"math"
	"strings"

	"github.com/fogleman/gg"

	"tapeline/pipeline"
)

// Words is one line or more of text in the strip: the caption or the phase
// with its time to contact.
type Words struct {
	Text  string
	Lines []string // as broken to fit
	X, Y  float64  // left end of the first baseline, canvas pixels
	Size  float64  // of the text, ems
	Quiet bool     // second rank
}

func (w Words) String() string {
	if w.Quiet {
		return fmt.Sprintf("phase %q", w.Text)
	}
	return fmt.Sprintf("caption %q", w.Text)
}

func (w Words) Paint(c *Canvas) {
	col := Chalk
	if w.Quiet {
		col = Quiet
	}
	for i, s := range w.Lines {
		c.text(c.Img, s, w.X, w.Y+float64(i)*c.Em*w.Size*leading, c.Em*w.Size, !w.Quiet, col)
	}
}

// Trace is the height of the eyes over the whole swing with a cursor at this
// moment; the dashed line is the tape.
type Trace struct {
	At     float64 // cursor, 0…1 along the trace; below 0: none
	Drop   float64 // of the eyes at the cursor, units
	Known  bool
	plate  *image.RGBA // the still part, canvas pixels
	origin image.Point
	y      func(drop float64) float64
}

func (t Trace) String() string {
	if t.At < 0 {
		return "trace"
	}
	return fmt.Sprintf("trace cursor=%.3f drop=%.1f", t.At, t.Drop)
}

func (t Trace) Paint(c *Canvas) {
	if t.plate == nil {
		return
	}
	b := t.plate.Bounds()
	draw.Draw(c.Img, b.Add(t.origin), t.plate, b.Min, draw.Src)
	if t.At < 0 {
		return
	}
	dc := gg.NewContextForRGBA(c.Img)
	x := float64(t.origin.X) + t.At*float64(b.Dx())
	y0, y1 := float64(t.origin.Y), float64(t.origin.Y+b.Dy())
	dc.SetColor(Chalk)
	dc.SetLineWidth(math.Max(2, c.Line*0.8))
	dc.DrawLine(x, y0, x, y1)
	dc.Stroke()
	if t.Known {
		dc.SetColor(Brass)
		dc.DrawCircle(x, y0+t.y(t.Drop), c.Line*2)
		dc.Fill()
	}
}

// tracePlate draws the still part of the trace: paper line for the tape, a
// peg at plant and contact, the eyes.
func tracePlate(l *Look, from, to float64, w, h int, line float64) (*image.RGBA, func(float64) float64) {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(img, img.Bounds(), image.NewUniform(Board), image.Point{}, draw.Src)
	lo, hi := 0.0, 0.0
	for _, d := range l.swing.Path {
		if d.Seen && d.T >= from && d.T <= to {
			lo, hi = math.Min(lo, d.Drop), math.Max(hi, d.Drop)
		}
	}
	// At least 6 units from top to bottom, so that a still head looks still.
	if hi-lo < 6 {
		m := (6 - (hi - lo)) / 2
		lo, hi = lo-m, hi+m
	}
	y := func(drop float64) float64 {
		return float64(h)*0.12 + (drop-lo)/(hi-lo)*float64(h)*0.76
	}
	x := func(t float64) float64 { return (t - from) / (to - from) * float64(w) }
	dc := gg.NewContextForRGBA(img)
	dc.SetColor(Quiet)
	dc.SetLineWidth(math.Max(1, line*0.5))
	for _, k := range []pipeline.EventKind{pipeline.Plant, pipeline.Contact} {
		if e := l.swing.Event(k); e != nil && e.T != nil {
			dc.DrawLine(x(*e.T), 0, x(*e.T), float64(h))
			dc.Stroke()
		}
	}
	dc.SetColor(Paper)
	dc.SetLineWidth(math.Max(2, line*0.9))
	dc.SetDash(line*5, line*3)
	dc.DrawLine(0, y(0), float64(w), y(0))
	dc.Stroke()
	dc.SetDash()
	dc.SetColor(Chalk)
	dc.SetLineWidth(math.Max(2, line*1.1))
	dc.SetLineJoinRound()
	drawing, margin := false, 0.05*l.factor
	for _, d := range l.swing.Path {
		// A frame beyond each end closes the gap to the edge.
		if !d.Seen || d.T < from-margin || d.T > to+margin {
			drawing = false
			continue
		}
		if drawing {
			dc.LineTo(x(d.T), y(d.Drop))
		} else {
			dc.MoveTo(x(d.T), y(d.Drop))
		}
		drawing = true
	}
	dc.Stroke()
	return img, y
}

// Card fills the whole canvas: pieces of tape with words on a dark board.
type Card struct{ Lines []CardLine }

// CardLine is one piece of tape (Tape) or a plain line under it.
type CardLine struct {
	Text string
	Tape bool
}

// text is the card as it is read: a head and what belongs to it on one line.
func (k Card) text() string {
	s := ""
	for i, l := range k.Lines {
		switch {
		case i == 0:
		case k.Lines[i-1].Tape && !l.Tape && strings.HasSuffix(k.Lines[i-1].Text, ":"):
			s += " "
		default:
			s += "\n"
		}
		s += l.Text
	}
	return s
}

func (k Card) String() string {
	s := "card"
	for _, l := range k.Lines {
		s += fmt.Sprintf(" %q", l.Text)
	}
	return s
}

func (k Card) Paint(c *Canvas) {
	b := c.Img.Bounds()
	draw.Draw(c.Img, b, image.NewUniform(Board), image.Point{}, draw.Src)
	width := float64(c.Safe.Dx())
	type row struct {
		s    string
		size float64
		tape bool
		gap  float64
	}
	layout := func(size float64) ([]row, float64) {
		var rows []row
		total := 0.0
		for i, l := range k.Lines {
			z := size
			if l.Tape {
				z = size * 1.2
			}
			room := width
			if l.Tape {
				room -= z * 1.6
			}
			for j, s := range c.Faces.wrap(l.Text, z, l.Tape, room) {
				gap := 0.0
				if j == 0 && i > 0 {
					gap = size * 0.7
				}
				rows = append(rows, row{s, z, l.Tape, gap})
				total += gap + z*1.35
			}
		}
		return rows, total
	}
	size := c.Em * 1.35
	rows, total := layout(size)
	for total > float64(c.Safe.Dy()) && size > c.Em {
		size = math.Max(c.Em, size*0.94)
		rows, total = layout(size)
	}
	// Words longer than the card is wide.
	wide := func() (m float64) {
		for _, r := range rows {
			if r.tape {
				m = math.Max(m, c.Faces.Width(r.s, r.size, true)+r.size*1.6)
			} else {
				m = math.Max(m, c.Faces.Width(r.s, r.size, false))
			}
		}
		return m
	}
	for (total > float64(c.Safe.Dy()) || wide() > width) && size > c.Em*smallest {
		size *= 0.94
		rows, total = layout(size)
	}
	dc := gg.NewContextForRGBA(c.Img)
	y := float64(b.Dy())/2 - total/2
	for i, r := range rows {
		y += r.gap
		w := c.Faces.Width(r.s, r.size, r.tape)
		x := float64(b.Dx())/2 - w/2
		if r.tape {
			pad, tear, h := r.size*0.6, r.size*0.18, r.size*1.38
			dc.SetColor(Paper)
			dc.NewSubPath()
			for j, yy := uint32(0), 0.0; yy <= h; j, yy = j+1, yy+r.size*0.09 {
				dc.LineTo(x-pad+tear*grain(uint32(41+i), j), y+yy)
			}
			for j, yy := uint32(0), h; yy >= 0; j, yy = j+1, yy-r.size*0.09 {
				dc.LineTo(x+w+pad-tear*grain(uint32(61+i), j), y+yy)
			}
			dc.ClosePath()
			dc.Fill()
		}
		col := Chalk
		if r.tape {
			col = Ink
		}
		c.text(c.Img, r.s, x, y+r.size*1.02, r.size, r.tape, col)
		y += r.size * 1.35
	}
}
