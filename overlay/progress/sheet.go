package progress

import (
	"fmt"
	"math"
	"time"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Point is one lesson in a chart. Stands is where the measure stands against
// the chart's band; empty without one.
type Point struct {
	Day     string // 2006-01-02
	Assumed bool   // the day of reading, not of filming
	Measure *pipeline.Measure
	Stands  pipeline.Stand
}

// Chart is one measure over lessons, in one unit. About says the band.
type Chart struct {
	Name, About string
	Unit        string
	Band        *pipeline.Band
	Points      []Point
}

// Section is what was filmed from one side.
type Section struct {
	Title  string
	Charts []Chart
}

// Sheet is the page.
type Sheet struct {
	Lang         words.Lang
	Title, About string
	Sections     []Section
}

// PNG is the page as a picture, SVG the same as a drawing.
func (s Sheet) PNG() ([]byte, error) { return png(s.height(), s.paint) }
func (s Sheet) SVG() ([]byte, error) { return svg(s.height(), s.paint) }

const (
	headHigh  = 150
	titleHigh = 76
	chartHigh = 440
	plotTop   = 108 // in a chart: above it stand name and value
	plotHigh  = 230
	axisWide  = 100
)

// legend in the order it is shown: signs and their words.
func (s Sheet) legend() []sign {
	w := s.Lang.Standing
	return []sign{
		{pipeline.Inside, w["inside"]}, {pipeline.Outside, w["outside"] + " / " + w["little"]},
		{pipeline.Between, w["close"] + " / " + w["cant_tell"]}, {pipeline.Untold, s.Lang.Cards["cant_tell"]},
	}
}

type sign struct {
	stand pipeline.Stand
	words string
}

func (s Sheet) foot() []string {
	lines := wrap(s.Lang.Progress["shaded"], body, width-2*margin)
	if s.assumed() {
		lines = append(lines, wrap(s.Lang.Progress["assumed"], body, width-2*margin)...)
	}
	return lines
}

func (s Sheet) assumed() bool {
	for _, sec := range s.Sections {
		for _, c := range sec.Charts {
			for _, p := range c.Points {
				if p.Assumed {
					return true
				}
			}
		}
	}
	return false
}

func (s Sheet) height() int {
	h := headHigh
	for _, sec := range s.Sections {
		h += titleHigh + len(sec.Charts)*chartHigh
	}
	if len(s.Sections) == 0 {
		h += row
	}
	return h + 2*row + row*len(s.foot()) + margin
}

func (s Sheet) paint(p pen) {
	p.write(s.Title, margin, margin+heading, fit(s.Title, heading, true, width-2*margin), true, -1, overlay.Chalk)
	p.write(s.About, margin, margin+heading+row, fit(s.About, body, false, width-2*margin), false, -1, overlay.Quiet)
	y := float64(headHigh)
	for _, sec := range s.Sections {
		// The section's name stands on a piece of tape.
		size := fit(sec.Title, body, true, width-4*margin)
		p.rect(overlay.Paper, margin, y+8, margin+wide(sec.Title, size, true)+2*margin*0.6, y+62)
		p.write(sec.Title, margin*1.6, y+46, size, true, -1, overlay.Ink)
		y += titleHigh
		for _, c := range sec.Charts {
			s.chart(p, c, y)
			y += chartHigh
		}
	}
	if len(s.Sections) == 0 {
		p.write(s.Lang.Progress["nothing"], margin, y+body, body, false, -1, overlay.Chalk)
		y += row
	}
	y += row * 0.6
	x := float64(margin)
	signs := s.legend()
	for i, st := range signs {
		if i == len(signs)/2 {
			x, y = margin, y+row
		}
		glyph(p, st.stand, x+14, y-11)
		p.write(st.words, x+40, y, body, false, -1, overlay.Chalk)
		x += width/2 - margin
	}
	y += row
	for _, l := range s.foot() {
		p.write(l, margin, y, body, false, -1, overlay.Quiet)
		y += row
	}
}

// glyph is the sign of where a value stands: each has a shape of its own.
func glyph(p pen, st pipeline.Stand, x, y float64) {
	const r = 12
	switch st {
	case pipeline.Inside:
		p.disc(overlay.Board, x, y, r+3, 0)
		p.disc(fine, x, y, r, 0)
	case pipeline.Outside:
		p.fill(overlay.Board, [2]float64{x, y - r - 8}, [2]float64{x + r + 8, y + r + 4}, [2]float64{x - r - 8, y + r + 4})
		p.fill(off, [2]float64{x, y - r - 2}, [2]float64{x + r + 3, y + r}, [2]float64{x - r - 3, y + r})
	case pipeline.Between:
		p.disc(overlay.Board, x, y, r+3, 0)
		p.disc(overlay.Chalk, x, y, r-2, 4)
	case pipeline.Untold:
		p.write("?", x, y+12, body, true, 0, overlay.Quiet)
	default: // no band: a plain square
		p.rect(overlay.Board, x-r-2, y-r-2, x+r+2, y+r+2)
		p.rect(overlay.Chalk, x-r+2, y-r+2, x+r-2, y+r-2)
	}
}

// chart paints one measure into the strip that begins at y.
func (s Sheet) chart(p pen, c Chart, y float64) {
	// The newest value stands at the right of the name.
	value := ""
	for _, pt := range c.Points {
		value = s.Lang.Against(pt.Measure, c.Band)
	}
	room := width - 2*margin - wide(value, body, true) - 24
	p.write(c.Name, margin, y+40, fit(c.Name, body, true, room), true, -1, overlay.Chalk)
	p.write(value, width-margin, y+40, body, true, 1, overlay.Chalk)
	about := c.About
	if c.Band == nil {
		about = s.Lang.Progress["no_band"]
	}
	p.write(about, margin, y+40+row*0.9, fit(about, body, false, width-2*margin), false, -1, overlay.Quiet)

	left, right := float64(margin+axisWide), float64(width-margin)
	top, bottom := y+plotTop, y+plotTop+plotHigh
	lo, hi := c.span()
	at := func(v float64) float64 { return bottom - (clamp(v, lo, hi)-lo)/(hi-lo)*(bottom-top) }

	p.rect(faded(overlay.Quiet, 0.08), left, top, right, bottom)
	if b := c.Band; b != nil {
		from, to := bottom, top
		if b.Min != nil {
			from = at(*b.Min)
		}
		if b.Max != nil {
			to = at(*b.Max)
		}
		p.rect(faded(overlay.Paper, 0.32), left, to, right, from)
		for _, edge := range []*float64{b.Min, b.Max} {
			if edge != nil {
				p.stroke(3, overlay.Paper, []float64{16, 8}, [2]float64{left, at(*edge)}, [2]float64{right, at(*edge)})
			}
		}
	}
	s.values(p, c.Unit, lo, hi, left, at)
	xs, labels := s.days(c.Points, left+40, right-40)
	for i, l := range labels {
		if l != "" {
			p.stroke(2, overlay.Quiet, nil, [2]float64{xs[i], bottom}, [2]float64{xs[i], bottom + 9})
			p.write(l, clamp(xs[i], left+wide(l, body, false)/2-margin, right-wide(l, body, false)/2), bottom+44, body, false, 0, overlay.Quiet)
		}
	}
	p.stroke(2, overlay.Quiet, nil, [2]float64{left, top}, [2]float64{left, bottom}, [2]float64{right, bottom})

	var told [][2]float64
	for i, pt := range c.Points {
		if m := pt.Measure; m.Value != nil {
			told = append(told, [2]float64{xs[i], at(*m.Value)})
		}
	}
	p.stroke(3, overlay.Quiet, nil, told...)
	for i, pt := range c.Points {
		m, x := pt.Measure, xs[i]
		if m.Lo != nil && m.Hi != nil {
			a, b := at(*m.Hi), at(*m.Lo)
			var dash []float64
			if m.Value == nil {
				dash = []float64{6, 6}
			}
			p.stroke(3, overlay.Chalk, dash, [2]float64{x, a}, [2]float64{x, b})
			for _, end := range []float64{a, b} {
				p.stroke(3, overlay.Chalk, nil, [2]float64{x - 9, end}, [2]float64{x + 9, end})
			}
		}
		switch {
		case m.Value == nil:
			glyph(p, pipeline.Untold, x+24, bottom-22)
		default:
			glyph(p, pt.Stands, x, at(*m.Value))
		}
	}
}

// span is what the chart's height shows: every value and bound, the band's
// edges, and a little room.
func (c Chart) span() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	take := func(v *float64) {
		if v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) {
			lo, hi = math.Min(lo, *v), math.Max(hi, *v)
		}
	}
	for _, p := range c.Points {
		take(p.Measure.Value)
		take(p.Measure.Lo)
		take(p.Measure.Hi)
	}
	if c.Band != nil {
		take(c.Band.Min)
		take(c.Band.Max)
	}
	if lo > hi {
		return 0, 1
	}
	room := math.Max((hi-lo)*0.12, 1e-3*math.Max(1, math.Abs(hi)))
	return lo - room, hi + room
}

// values writes the axis in the reader's unit: round numbers, at most four.
func (s Sheet) values(p pen, unit string, lo, hi, left float64, at func(float64) float64) {
	per, _ := s.Lang.To(1, unit)
	ticks, decimals := round(lo*per, hi*per)
	for i, t := range ticks {
		v := t / per
		p.stroke(2, overlay.Quiet, nil, [2]float64{left - 9, at(v)}, [2]float64{left, at(v)})
		label := s.Lang.Number(t, decimals)
		if i+1 == len(ticks) { // the topmost names the unit
			label = s.Lang.Short(v, unit, decimals)
		}
		p.write(label, left-16, at(v)+11, fit(label, body, false, axisWide+margin-24), false, 1, overlay.Quiet)
	}
}

// round gives two to five round numbers within lo…hi, and the decimals they
// need.
func round(lo, hi float64) (ticks []float64, decimals int) {
	power := math.Floor(math.Log10((hi - lo) / 2))
	for _, m := range []float64{5, 2, 1, 0.5} {
		step := m * math.Pow(10, power)
		ticks = ticks[:0]
		for k := math.Ceil(lo / step); k*step <= hi; k++ {
			ticks = append(ticks, k*step)
		}
		decimals = int(math.Max(0, -math.Floor(math.Log10(step)+1e-9)))
		if len(ticks) >= 3 {
			break
		}
	}
	return ticks, decimals
}

// days places the points by their days, those of one day a little apart, and
// labels as many as there is room for, the newest first.
func (s Sheet) days(points []Point, left, right float64) (xs []float64, labels []string) {
	n := len(points)
	xs, labels = make([]float64, n), make([]string, n)
	at := make([]float64, n)
	first, last := "", ""
	for i, p := range points {
		d, err := time.Parse(time.DateOnly, p.Day)
		if err == nil {
			at[i] = float64(d.Unix()) / 86400
		}
		if i == 0 {
			first = p.Day
		}
		last = p.Day
	}
	if n == 0 {
		return xs, labels
	}
	all := at[n-1] - at[0]
	gap := 34.0 // between lessons of one day
	if float64(n)*gap > right-left {
		gap = (right - left) / float64(n)
	}
	for i := range points {
		if all <= 0 {
			xs[i] = (left+right)/2 + (float64(i)-float64(n-1)/2)*gap*2
			continue
		}
		xs[i] = left + (at[i]-at[0])/all*(right-left)
	}
	// Push apart what would lie on each other, from the left, then back.
	for i := 1; i < n; i++ {
		xs[i] = math.Max(xs[i], xs[i-1]+gap)
	}
	if over := xs[n-1] - right; over > 0 && all > 0 {
		xs[n-1] = right
		for i := n - 2; i >= 0; i-- {
			xs[i] = math.Min(xs[i], xs[i+1]-gap)
		}
	}
	form := s.Lang.Progress["day_short"]
	years := len(first) >= 4 && len(last) >= 4 && first[:4] != last[:4]
	free := math.Inf(1)
	for i := n - 1; i >= 0; i-- {
		if i > 0 && points[i-1].Day == points[i].Day {
			continue // the first of a day has the label
		}
		label := short(form, s.Lang.Months, points[i].Day, years)
		if points[i].Assumed {
			label += " *"
		}
		w := wide(label, body, false)
		if xs[i]+w/2 <= free {
			labels[i] = label
			free = xs[i] - w/2 - 24
		}
	}
	return xs, labels
}

// short is a day without its year, "3 May", or with its last digits.
func short(form string, months [12]string, iso string, year bool) string {
	d, err := time.Parse(time.DateOnly, iso)
	if err != nil {
		return iso
	}
	month := []rune(months[d.Month()-1])
	s := fmt.Sprintf(form, d.Day(), string(month[:min(3, len(month))]))
	if year {
		s += d.Format(" ’06")
	}
	return s
}
