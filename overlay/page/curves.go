package page

import (
	"fmt"
	"html"
	"math"
	"strings"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// pen draws the curves. Coordinates are those of the curves' own sheet, wide ×
// high, y down; ink names what is drawn, not how it looks.
type pen interface {
	area(ink string, pts []pipeline.Point)
	line(ink string, pts ...pipeline.Point)
	text(ink, anchor string, x, y float64, s string) // anchor: start, middle, end; y: baseline
}

// The curves' sheet. Text of textSize stays readable where a phone shows it
// 1:1 and on paper, where it shrinks to a half.
const (
	wide     = 360.0
	textSize = 12.0
	left     = 36.0 // of the panels
	right    = 354.0
	eyesHigh = 118.0
	batHigh  = 46.0
	rowHigh  = 14.0 // of the phases' names
	// margins of time around the swing, seconds of capture time
	before = 0.25
	after  = 0.15
)

// curves are eye height against the tape and the bat's motion over one axis of
// time, seconds from contact.
type curves struct {
	title, desc        string
	eyes, bat, tape, x string
	runs               [][]moment // stretches in which the batter was seen
	phases             []phase
	rows               int // of their names
	from, to           float64
	low, high, step    float64 // of the eyes' axis, the reader's unit
	lang               words.Lang
	unit               string
}

type moment struct{ t, eye, doubt, bat float64 }

type phase struct {
	name    string
	t       float64
	row     int
	x       float64 // middle of the name
	contact bool
}

// newCurves is nil when there is nothing to draw.
func newCurves(rep *pipeline.Report, sw *pipeline.Swing, lang words.Lang) *curves {
	factor := rep.Clip.TimeFactor
	if !(factor > 0) {
		factor = 1
	}
	c := &curves{lang: lang, unit: sw.Geometry.Unit, x: lang.Page["axis_clip"]}
	zero := 0.0
	if e := sw.Event(pipeline.Contact); e != nil && e.T != nil {
		zero, c.x = *e.T, lang.Page["axis_contact"]
	}
	c.from, c.to = math.Inf(1), math.Inf(-1)
	for _, e := range sw.Events {
		if e.T == nil {
			continue
		}
		t := (*e.T - zero) / factor
		c.phases = append(c.phases, phase{name: lang.Events[e.Kind], t: t, contact: e.Kind == pipeline.Contact})
		c.from, c.to = math.Min(c.from, t), math.Max(c.to, t)
	}
	if len(c.phases) == 0 {
		c.from, c.to = math.Inf(-1), math.Inf(1)
	}
	c.from, c.to = c.from-before, c.to+after

	var run []moment
	most, first, last := 0.0, math.Inf(1), math.Inf(-1)
	end := func() {
		if len(run) > 1 {
			c.runs = append(c.runs, run)
		}
		run = nil
	}
	for _, d := range sw.Path {
		t := (d.T - zero) / factor
		if t < c.from || t > c.to {
			continue
		}
		if !d.Seen || math.IsNaN(d.Drop) || math.IsInf(d.Drop, 0) {
			end()
			continue
		}
		eye, _ := lang.To(-d.Drop, c.unit)
		doubt, _ := lang.To(d.DropDoubt, c.unit)
		run = append(run, moment{t, eye, doubt, d.Energy})
		most, first, last = math.Max(most, d.Energy), math.Min(first, t), math.Max(last, t)
	}
	end()
	if len(c.runs) == 0 || last <= first {
		return nil
	}
	c.from, c.to = math.Max(c.from, first), math.Min(c.to, last)
	for _, p := range c.phases {
		c.from, c.to = math.Min(c.from, p.t), math.Max(c.to, p.t)
	}
	lo, hi := 0.0, 0.0
	for _, run := range c.runs {
		for i := range run {
			lo, hi = math.Min(lo, run[i].eye-run[i].doubt), math.Max(hi, run[i].eye+run[i].doubt)
			if most > 0 {
				run[i].bat /= most
			}
		}
	}
	c.step = tick(hi - lo)
	c.low, c.high = math.Floor(lo/c.step)*c.step, math.Max(c.step, math.Ceil(hi/c.step)*c.step)
	c.place()
	c.describe(sw, most > 0)
	return c
}

// tick is a round distance that parts a span into three to six.
func tick(span float64) float64 {
	e := math.Pow(10, math.Floor(math.Log10(math.Max(span, 1e-3)/3)))
	for _, k := range []float64{1, 2, 5} {
		if span/(k*e) <= 6 {
			return k * e
		}
	}
	return 10 * e
}

// place puts the phases' names in as few rows as keep them apart; the widths
// are those of the Go font and a tenth, for other fonts.
func (c *curves) place() {
	faces := overlay.NewFaces()
	var ends []float64
	for i := range c.phases {
		p := &c.phases[i]
		half := faces.Width(p.name, textSize, p.contact)*0.55 + 2
		p.x = math.Min(math.Max(c.at(p.t), half), wide-half)
		for p.row = 0; p.row < len(ends) && ends[p.row] > p.x-half; p.row++ {
		}
		if p.row == len(ends) {
			ends = append(ends, 0)
		}
		ends[p.row] = p.x + half
	}
	c.rows = max(1, len(ends))
}

func (c *curves) describe(sw *pipeline.Swing, moves bool) {
	p := c.lang.Page
	_, unit := c.lang.To(0, c.unit)
	c.title = p["curves_title"]
	c.eyes = fmt.Sprintf(p["curve_eyes"], strings.TrimSpace(fmt.Sprintf(c.lang.Units[unit].Short, "")))
	c.bat, c.tape = p["curve_bat"], p["curve_tape"]
	var out []string
	deep, at, peak, top := math.Inf(1), 0.0, 0.0, -1.0
	for _, run := range c.runs {
		for _, m := range run {
			if m.eye < deep {
				deep, at = m.eye, m.t
			}
			if m.bat > top {
				top, peak = m.bat, m.t
			}
		}
	}
	if m := sw.Measure("eye_drop", pipeline.Stance, pipeline.Contact); m != nil {
		out = append(out, fmt.Sprintf(p["desc_contact"], c.lang.Eyes(m)))
	}
	back := -deep // the words take centimetres
	if unit == "in" {
		back *= 2.54
	}
	out = append(out, fmt.Sprintf(p["desc_lowest"], c.lang.Short(back, c.unit, c.lang.Decimals(c.unit, 0)), c.lang.Time(at, 0)))
	if moves {
		out = append(out, fmt.Sprintf(p["desc_bat"], c.lang.Time(peak, 0)))
	}
	c.desc = strings.Join(out, " ")
}

func (c *curves) at(t float64) float64 { return left + (t-c.from)/(c.to-c.from)*(right-left) }

func (c *curves) top() float64    { return float64(c.rows)*rowHigh + rowHigh + 10 }
func (c *curves) second() float64 { return c.top() + eyesHigh + rowHigh + 8 }
func (c *curves) tall() float64   { return c.second() + batHigh + 2*rowHigh + 6 }

func (c *curves) draw(p pen) {
	pt := func(x, y float64) pipeline.Point { return pipeline.Point{X: x, Y: y} }
	y0, y1 := c.top(), c.second()
	y := func(v float64) float64 { return y0 + (c.high-v)/(c.high-c.low)*eyesHigh }
	bottom := y1 + batHigh

	for v := c.low; v <= c.high+c.step/2; v += c.step {
		p.line("grid", pt(left, y(v)), pt(right, y(v)))
		d := 0
		if c.step < 1 {
			d = 1
		}
		p.text("quiet", "end", left-5, y(v)+4, c.lang.Number(v, d))
	}
	p.line("axis", pt(left, bottom), pt(right, bottom))
	step := tick(c.to - c.from)
	for t := math.Ceil(c.from/step) * step; t <= c.to+1e-9; t += step {
		x := c.at(t)
		p.line("axis", pt(x, bottom), pt(x, bottom+4))
		d := 0
		if step < 1 {
			d = 1
		}
		if step < 0.1 {
			d = 2
		}
		s := c.lang.Number(t, d)
		if t > step/2 {
			s = "+" + s
		}
		p.text("quiet", "middle", x, bottom+rowHigh+2, s)
	}
	p.text("quiet", "middle", (left+right)/2, bottom+2*rowHigh+3, c.x)

	// The tape, its ends torn.
	tape := []pipeline.Point{}
	const half = 4.5
	for i, dx := range []float64{0, 2.5, -1, 2} {
		tape = append(tape, pt(left+dx, y(0)-half+float64(i)*half*2/3))
	}
	for i, dx := range []float64{-2, 1, -2.5, 0} {
		tape = append(tape, pt(right+dx, y(0)+half-float64(i)*half*2/3))
	}
	p.area("tape", tape)

	for _, ph := range c.phases {
		ink := "phase"
		if ph.contact {
			ink = "contact"
		}
		x, base := c.at(ph.t), float64(ph.row)*rowHigh+textSize
		p.line(ink, pt(x, base+3), pt(x, bottom))
	}
	for _, run := range c.runs {
		var up, down, line, bat []pipeline.Point
		for _, m := range run {
			x := c.at(m.t)
			line = append(line, pt(x, y(m.eye)))
			up = append(up, pt(x, y(m.eye+m.doubt)))
			down = append([]pipeline.Point{pt(x, y(m.eye-m.doubt))}, down...)
			bat = append(bat, pt(x, bottom-m.bat*batHigh))
		}
		p.area("doubt", append(append([]pipeline.Point{}, up...), down...))
		p.line("edge", up...)
		p.line("edge", down...)
		p.line("eyes", line...)
		body := append([]pipeline.Point{pt(bat[0].X, bottom)}, bat...)
		p.area("bat", append(body, pt(bat[len(bat)-1].X, bottom)))
		p.line("batline", bat...)
	}
	for _, ph := range c.phases {
		ink := "ink"
		if ph.contact {
			ink = "bold"
		}
		p.text(ink, "middle", ph.x, float64(ph.row)*rowHigh+textSize, ph.name)
	}
	p.text("bold", "start", left, y0-5, c.eyes)
	p.text("bold", "start", left, y1-5, c.bat)
	p.text("bold", "end", right-4, y(0)-half-4, c.tape)
}

// svg is a pen.
type svg struct{ strings.Builder }

func (s *svg) points(pts []pipeline.Point) {
	for i, p := range pts {
		if i > 0 {
			s.WriteByte(' ')
		}
		fmt.Fprintf(s, "%.1f,%.1f", p.X, p.Y)
	}
}

func (s *svg) area(ink string, pts []pipeline.Point) {
	fmt.Fprintf(s, `<polygon class="%s" points="`, ink)
	s.points(pts)
	s.WriteString("\"/>\n")
}

func (s *svg) line(ink string, pts ...pipeline.Point) {
	fmt.Fprintf(s, `<polyline class="%s" points="`, ink)
	s.points(pts)
	s.WriteString("\"/>\n")
}

func (s *svg) text(ink, anchor string, x, y float64, text string) {
	fmt.Fprintf(s, `<text class="%s" text-anchor="%s" x="%.1f" y="%.1f">%s</text>`+"\n", ink, anchor, x, y, html.EscapeString(text))
}

// svgOf writes the curves as an inline element.
func svgOf(c *curves) string {
	var s svg
	fmt.Fprintf(&s, `<svg viewBox="0 0 %.0f %.0f" role="img" aria-labelledby="curves-title curves-desc">`+"\n", wide, c.tall())
	fmt.Fprintf(&s, "<title id=\"curves-title\">%s</title>\n<desc id=\"curves-desc\">%s</desc>\n", html.EscapeString(c.title), html.EscapeString(c.desc))
	c.draw(&s)
	s.WriteString("</svg>")
	return s.String()
}
