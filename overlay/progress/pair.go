package progress

import (
	"fmt"
	"image"
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"

	"tapeline/overlay"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Side is one of two swings. Label says which; Tiles are its stills by
// sheet.Pair, empty without the clip.
type Side struct {
	Label  string
	Report *pipeline.Report
	Tiles  []sheet.Tile
}

// Row is one measure of both. Larger: the difference is more than the doubt.
type Row struct {
	Name, Values, Verdict string
	Larger                bool
}

// Pair is a page of two swings; Who is the player's first name, if it is known. Their traces are drawn where both have a path
// and a contact.
type Pair struct {
	Lang  words.Lang
	Who   string
	Sides [2]Side
	Rows  []Row
	Notes []string
}

var letters = [2]string{"A", "B"}

// pencils and dashes tell the two apart by line style first, by colour second.
var (
	pencils = [2]color.RGBA{overlay.Chalk, fine}
	dashes  = [2][]float64{nil, {18, 11}}
)

const (
	traceHigh = 520
	tagWide   = 112
	gutter    = 16
	// TileWide is the width of a still, pixels.
	TileWide = (width - 2*margin - gutter) / 2
)

// Traced tells whether the eyes' traces of both can be drawn.
func (p Pair) Traced() bool {
	for _, s := range p.Sides {
		sw := s.Report.Chosen()
		if sw == nil || len(sw.Path) == 0 {
			return false
		}
		if c := sw.Event(pipeline.Contact); c == nil || c.T == nil {
			return false
		}
	}
	return p.Sides[0].Report.Chosen().Geometry.Unit == p.Sides[1].Report.Chosen().Geometry.Unit
}

// levels are the heights of the two tapes, and whether they are heights above
// the ground; else both are 0.
func (p Pair) levels() (out [2]float64, ground bool) {
	for i, s := range p.Sides {
		sw := s.Report.Chosen()
		m := sw.Measure("eye_height", "", pipeline.Stance)
		if m == nil || m.Value == nil || m.Unit != sw.Geometry.Unit {
			return [2]float64{}, false
		}
		out[i] = *m.Value
	}
	return out, true
}

// PNG is the page as a picture.
func (p Pair) PNG() ([]byte, error) { return png(p.height(), p.paint) }

func (p Pair) stillHigh() int {
	for _, s := range p.Sides {
		for _, t := range s.Tiles {
			if t.Image != nil {
				return t.Image.Bounds().Dy()
			}
		}
	}
	return 0
}

func (p Pair) notes() (lines []string) {
	for _, n := range p.Notes {
		lines = append(lines, wrap(n, body, width-2*margin)...)
	}
	return lines
}

func (p Pair) height() int {
	h := margin + 2*row + 2*row + 24
	if t := p.stillHigh(); t > 0 {
		h += len(p.Sides[0].Tiles) * (t + 2*row + gutter)
	}
	if p.Traced() {
		h += traceHigh
	}
	return h + len(p.Rows)*(2*row+14) + len(p.notes())*row + margin
}

func (p Pair) paint(pn pen) {
	y := float64(margin)
	title := p.Lang.Progress["compare"]
	pn.write(title, margin, y+heading, heading, true, -1, overlay.Chalk)
	if p.Who != "" {
		pn.write(p.Who, width-margin, y+heading, fit(p.Who, body, true, width-3*margin-wide(title, heading, true)), true, 1, overlay.Paper)
	}
	y += 2 * row
	for i, s := range p.Sides {
		pn.stroke(5, pencils[i], dashes[i], [2]float64{margin, y + 22}, [2]float64{margin + 90, y + 22})
		label := letters[i] + "  " + s.Label
		pn.write(label, margin+110, y+34, fit(label, body, true, width-2*margin-110), true, -1, pencils[i])
		y += row
	}
	y += 24
	if h := p.stillHigh(); h > 0 {
		for k := range p.Sides[0].Tiles {
			for i, s := range p.Sides {
				t, x := s.Tiles[k], float64(margin+i*(TileWide+gutter))
				if t.Image != nil {
					pn.picture(t.Image, x, y)
				}
				head := letters[i] + "  " + p.Lang.Events[t.Event] + "  " + t.Clock
				caption := t.Caption
				if t.Image == nil {
					head, caption = letters[i]+"  "+p.Lang.Events[t.Event], p.Lang.Progress["untold"]
				}
				pn.write(head, x, y+float64(h)+row-10, fit(head, body, true, TileWide), true, -1, pencils[i])
				pn.write(caption, x, y+float64(h)+2*row-16, fit(caption, body, false, TileWide), false, -1, overlay.Quiet)
			}
			y += float64(h + 2*row + gutter)
		}
	}
	if p.Traced() {
		p.traces(pn, y)
		y += traceHigh
	}
	for i, r := range p.Rows {
		if i%2 == 0 {
			pn.rect(faded(overlay.Quiet, 0.08), margin-12, y, width-margin+12, y+2*row+14)
		}
		// What is larger than the doubt has a peg before it.
		if r.Larger {
			pn.fill(overlay.Paper, [2]float64{margin, y + 16}, [2]float64{margin + 14, y + 28}, [2]float64{margin, y + 40})
		}
		pn.write(r.Name, margin+26, y+38, fit(r.Name, body, true, width-2*margin-26), true, -1, overlay.Chalk)
		verdict := overlay.Quiet
		if r.Larger {
			verdict = overlay.Paper
		}
		size := fit(r.Values+"   "+r.Verdict, body, r.Larger, width-2*margin-26)
		pn.write(r.Values, margin+26, y+38+row, size, false, -1, overlay.Chalk)
		pn.write(r.Verdict, width-margin, y+38+row, size, r.Larger, 1, verdict)
		y += 2*row + 14
	}
	for _, l := range p.notes() {
		y += row
		pn.write(l, margin, y-8, body, false, -1, overlay.Quiet)
	}
}

// picture lays an image with its top left corner at x, y.
func (p pen) picture(img image.Image, x, y float64) {
	b := img.Bounds()
	p.c.DrawImage(vg.Rectangle{Min: p.at(x, y+float64(b.Dy())), Max: p.at(x+float64(b.Dx()), y)}, img)
}

// Before and after contact, seconds of capture time, that the traces show.
const (
	shownBefore = 1.2
	shownAfter  = 0.7
)

// moment is a place of the eyes: seconds from contact, height.
type moment struct{ t, v float64 }

// trace is the eyes of a swing from the stance on, broken where they were not
// seen.
func trace(rep *pipeline.Report, level float64) (parts [][]moment) {
	sw := rep.Chosen()
	contact, factor := *sw.Event(pipeline.Contact).T, rep.Clip.TimeFactor
	if factor <= 0 {
		factor = 1
	}
	until := math.Inf(1)
	if e := sw.Event(pipeline.Finish); e != nil && e.T != nil {
		until = *e.T
	}
	var part []moment
	for _, d := range sw.Path {
		t := (d.T - contact) / factor
		if !d.Seen || t < -shownBefore || t > shownAfter || d.T > until {
			if len(part) > 1 {
				parts = append(parts, part)
			}
			part = nil
			continue
		}
		part = append(part, moment{t, level - d.Drop})
	}
	if len(part) > 1 {
		parts = append(parts, part)
	}
	return parts
}

// traces are two tapes and two pencil lines on one axis.
func (p Pair) traces(pn pen, y float64) {
	levels, ground := p.levels()
	unit := p.Sides[0].Report.Chosen().Geometry.Unit
	var lines [2][][]moment
	t0, t1 := -0.2, 0.2
	lo, hi := math.Min(levels[0], levels[1]), math.Max(levels[0], levels[1])
	for i, s := range p.Sides {
		lines[i] = trace(s.Report, levels[i])
		if a, b, ok := fall(s.Report.Chosen(), levels[i]); ok {
			lo, hi = math.Min(lo, a), math.Max(hi, b)
		}
		for _, part := range lines[i] {
			for _, m := range part {
				t0, t1 = math.Min(t0, m.t), math.Max(t1, m.t)
				lo, hi = math.Min(lo, m.v), math.Max(hi, m.v)
			}
		}
	}
	side := 0.05 * (t1 - t0) // for the letters at the ends
	t0, t1 = t0-side, t1+side
	// At least 8 units from top to bottom, so that a still head looks still.
	room := math.Max((hi-lo)*0.16, (8-(hi-lo))/2)
	lo, hi = lo-room, hi+room

	left, right := float64(margin+axisWide), float64(width-margin)
	if ground {
		right -= tagWide
	}
	top, bottom := y+56, y+traceHigh-130
	at := func(v float64) float64 { return bottom - (v-lo)/(hi-lo)*(bottom-top) }
	x := func(t float64) float64 { return left + (t-t0)/(t1-t0)*(right-left) }

	axis := "travel_axis"
	if ground {
		axis = "eyes_axis"
	}
	head := p.Lang.Progress[axis]
	pn.write(head, margin, y+36, fit(head, body, false, width-2*margin), false, -1, overlay.Quiet)
	pn.rect(faded(overlay.Quiet, 0.08), left, top, right, bottom)
	Sheet{Lang: p.Lang}.values(pn, unit, lo, hi, left, at)
	pn.stroke(2, overlay.Quiet, nil, [2]float64{left, top}, [2]float64{left, bottom}, [2]float64{right, bottom})
	for _, t := range []float64{-1, -0.5, 0, 0.5} {
		if t < t0 || t > t1 {
			continue
		}
		pn.stroke(2, overlay.Quiet, nil, [2]float64{x(t), bottom}, [2]float64{x(t), bottom + 9})
		label := p.Lang.Time(t, 0.03)
		if t == 0 {
			label = p.Lang.Events[pipeline.Contact]
			pn.stroke(2, overlay.Quiet, []float64{4, 8}, [2]float64{x(0), top}, [2]float64{x(0), bottom})
		}
		pn.write(label, clamp(x(t), left+wide(label, body, false)/2, right-wide(label, body, false)/2), bottom+44, body, false, 0, overlay.Quiet)
	}
	pn.write(p.Lang.Progress["clock_axis"], (left+right)/2, bottom+44+row*0.9, body, false, 0, overlay.Quiet)

	for i := range p.Sides {
		v := at(levels[i])
		if i == 1 && !ground {
			break // one tape
		}
		pn.rect(faded(overlay.Paper, 0.55), left, v-6, right, v+6)
		pn.stroke(3, overlay.Paper, dashes[i], [2]float64{left, v - 6}, [2]float64{right, v - 6})
		pn.stroke(3, overlay.Paper, dashes[i], [2]float64{left, v + 6}, [2]float64{right, v + 6})
	}
	for i := range p.Sides {
		for _, part := range lines[i] {
			var pts [][2]float64
			for _, m := range part {
				pts = append(pts, [2]float64{x(m.t), at(m.v)})
			}
			pn.stroke(9, overlay.Casing, nil, pts...)
			pn.stroke(5, pencils[i], dashes[i], pts...)
		}
	}
	for i, s := range p.Sides {
		p.bounds(pn, s, levels[i], x(0)+float64(2*i-1)*12, at, pencils[i])
		p.badge(pn, i, lines[i], x, at)
	}
	p.tags(pn, levels, ground, right+10, at)
}

// tags name the tapes at their right ends, kept apart.
func (p Pair) tags(pn pen, levels [2]float64, ground bool, x float64, at func(float64) float64) {
	if !ground {
		return
	}
	ys := [2]float64{at(levels[0]), at(levels[1])}
	upper := 0
	if ys[1] < ys[0] {
		upper = 1
	}
	if near := row - (ys[1-upper] - ys[upper]); near > 0 {
		ys[upper], ys[1-upper] = ys[upper]-near/2, ys[1-upper]+near/2
	}
	for i, y := range ys {
		label := fmt.Sprintf(p.Lang.Progress["tape_of"], letters[i])
		pn.write(label, x, y+11, fit(label, body, true, tagWide-10), true, -1, overlay.Paper)
	}
}

// fall is where the eyes are at contact by the bounds of the measure.
func fall(sw *pipeline.Swing, level float64) (lo, hi float64, ok bool) {
	m := sw.Measure("eye_drop", pipeline.Stance, pipeline.Contact)
	if m == nil || m.Lo == nil || m.Hi == nil || m.Unit != sw.Geometry.Unit {
		return 0, 0, false
	}
	return level - *m.Hi, level - *m.Lo, true
}

// bounds are those of the eyes' fall until contact.
func (p Pair) bounds(pn pen, s Side, level, x float64, at func(float64) float64, c color.RGBA) {
	lo, hi, ok := fall(s.Report.Chosen(), level)
	if !ok {
		return
	}
	a, b := at(hi), at(lo)
	for i, ink := range []color.RGBA{overlay.Casing, c} {
		w := float64(8 - 5*i)
		pn.stroke(w, ink, nil, [2]float64{x, a}, [2]float64{x, b})
		for _, end := range []float64{a, b} {
			pn.stroke(w, ink, nil, [2]float64{x - 9, end}, [2]float64{x + 9, end})
		}
	}
}

// badge puts the letter of a swing at the end of its line, A's first point,
// B's last, where they hardly meet.
func (p Pair) badge(pn pen, i int, parts [][]moment, x, at func(float64) float64) {
	if len(parts) == 0 {
		return
	}
	part := parts[len(parts)-1]
	m := part[len(part)-1]
	if i == 0 {
		m = parts[0][0]
	}
	px, py := x(m.t), at(m.v)
	pn.disc(overlay.Casing, px, py, 24, 0)
	pn.disc(pencils[i], px, py, 21, 0)
	pn.write(letters[i], px, py+11, body, true, 0, overlay.Ink)
}

// OnGround tells whether the tapes hang at their heights above the ground;
// else both begin at one.
func (p Pair) OnGround() bool {
	_, ground := p.levels()
	return ground
}
