package page

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"

	"tapeline/overlay"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// PDF writes lesson.pdf of the chosen swing; see New.
func PDF(rep *pipeline.Report, stills []sheet.Still, lang words.Lang, opt Options) ([]byte, error) {
	l, err := New(rep, stills, lang, opt)
	if err != nil {
		return nil, err
	}
	return l.PDF()
}

// Sizes of the paper's pages, millimetres and points.
const (
	edge    = 12.0 // margin
	gap     = 6.0  // between columns
	point   = 25.4 / 72
	lead    = 1.28 // line to line, of the text size
	textPt  = 9.2
	headPt  = 11.5
	smallPt = 7.4

	smallest = 0.86 // of these sizes, to bring all on one page
)

// PDF is the lesson on paper: the first page what to see and to work on, the
// second the plan. A4, or Letter where lengths are in inches. What doesn't fit
// is set smaller; the glossary and the measures without a band are left to the
// web page. The same lesson gives the same bytes.
func (l *Lesson) PDF() ([]byte, error) {
	all := func(p *paper) {
		l.front(p)
		p.y += 2 * p.k
		l.back(p)
	}
	trial := l.paperOf()
	k, one := 0.0, false
	if l.Plan == nil {
		k = fit(trial, all)
		one = k >= smallest
	}
	if !one {
		k = fit(trial, l.front)
	}
	d := l.paperOf()
	d.k = k
	d.AddPage()
	d.Bookmark(d.clean(l.Title), 0, 0)
	if one {
		all(d)
	} else {
		l.front(d)
		d.k, d.y = fit(trial, l.back), edge
		d.AddPage()
		if l.Plan != nil {
			d.Bookmark(d.clean(l.Plan.Title), 0, 0)
		}
		l.back(d)
	}
	var b bytes.Buffer
	if err := d.Output(&b); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	return b.Bytes(), nil
}

// fit is the size, of the usual, at which a page holds all that draw puts on
// it; trial is a paper that is thrown away.
func fit(trial *paper, draw func(*paper)) float64 {
	k := 1.0
	for ; k > 0.5; k -= 0.04 {
		trial.AddPage()
		trial.k, trial.y = k, edge
		draw(trial)
		if trial.y <= trial.h-edge {
			break
		}
	}
	return k
}

// paper is a page being written: y is where the next thing goes, k the size of
// text.
type paper struct {
	*fpdf.Fpdf
	w, h, y, k float64
}

func (l *Lesson) paperOf() *paper {
	size := "A4"
	if l.letter() {
		size = "Letter"
	}
	f := fpdf.New("P", "mm", size, "")
	// A file says nothing of when and where it was made.
	day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	f.SetCreationDate(day)
	f.SetModificationDate(day)
	f.SetProducer("tapeline", true)
	f.SetCatalogSort(true)
	f.SetLang(l.lang.Code)
	f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	f.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(edge, edge, edge)
	f.SetLineJoinStyle("round")
	p := &paper{Fpdf: f, y: edge, k: 1}
	p.w, p.h = f.GetPageSize()
	f.SetTitle(p.clean(l.Title), true)
	return p
}

var goFont = sync.OnceValue(func() *sfnt.Font {
	f, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		panic("page: embedded font: " + err.Error())
	}
	return f
})

// clean keeps what the embedded font can show; other letters become "?", and
// everything that breaks a line a space.
func (p *paper) clean(s string) string {
	var buf sfnt.Buffer
	return strings.Map(func(r rune) rune {
		switch i, err := goFont().GlyphIndex(&buf, r); {
		case r == '\u00a0':
			return r
		case unicode.IsSpace(r) || unicode.IsControl(r):
			return ' '
		case err != nil || i == 0 || r > 0xffff:
			return '?'
		}
		return r
	}, s)
}

// run is text of one weight.
type run struct {
	text string
	bold bool
}

func plain(s string) run { return run{text: s} }
func bold(s string) run  { return run{s, true} }

type word struct {
	text  string
	bold  bool
	width float64
}

// write sets runs in a column from p.y on and moves p.y below them; pt is
// their size before k.
func (p *paper) write(x, w, pt float64, runs ...run) {
	size := pt * p.k
	var line []word
	used := 0.0
	flush := func() {
		p.y += size * point * lead
		at := x
		for i, o := range line {
			p.face(o.bold, size)
			if i > 0 {
				at += p.GetStringWidth(" ")
			}
			p.Text(at, p.y-size*point*(lead-0.95), o.text)
			at += o.width
		}
		line, used = nil, 0
	}
	for _, r := range runs {
		p.face(r.bold, size)
		space := p.GetStringWidth(" ")
		for _, s := range strings.FieldsFunc(p.clean(r.text), func(r rune) bool { return r == ' ' }) {
			for _, part := range p.split(s, w) {
				width := p.GetStringWidth(part)
				if len(line) > 0 && used+space+width > w {
					flush()
					p.face(r.bold, size)
				}
				if len(line) > 0 {
					used += space
				}
				line, used = append(line, word{part, r.bold, width}), used+width
			}
		}
	}
	if len(line) > 0 {
		flush()
	}
}

// split breaks a word that is wider than the column.
func (p *paper) split(s string, w float64) (out []string) {
	for _, r := range s {
		if n := len(out) - 1; n >= 0 && p.GetStringWidth(out[n]+string(r)) <= w {
			out[n] += string(r)
		} else {
			out = append(out, string(r))
		}
	}
	return out
}

func (p *paper) face(bold bool, size float64) {
	style := ""
	if bold {
		style = "B"
	}
	p.SetFont("go", style, size)
}

func (p *paper) head(x, w float64, s string) {
	p.write(x, w, headPt, bold(s))
	p.y += 0.6 * p.k
}

// strip is a heading on tape.
func (p *paper) strip(s string, pt float64) (right float64) {
	size := pt * p.k
	p.face(true, size)
	s = p.clean(s)
	w, h := p.GetStringWidth(s)+6*p.k, size*point*1.7
	if most := p.w - 2*edge; w > most { // a long name
		p.face(true, size*most/w)
		w = most
	}
	p.fill(overlay.Paper.R, overlay.Paper.G, overlay.Paper.B)
	var pts []fpdf.PointType
	tear := []float64{0, 0.8, -0.3, 0.9, 0.1, 0.7, 0}
	n := float64(len(tear) - 1)
	for i, t := range tear {
		pts = append(pts, fpdf.PointType{X: edge + w - t, Y: p.y + h*float64(i)/n})
	}
	for i, t := range tear {
		pts = append(pts, fpdf.PointType{X: edge + t, Y: p.y + h - h*float64(i)/n})
	}
	p.Polygon(pts, "F")
	p.Text(edge+3*p.k, p.y+h*0.68, s)
	p.y += h
	return edge + w
}

func (p *paper) fill(r, g, b uint8)      { p.SetFillColor(int(r), int(g), int(b)) }
func (p *paper) stroke(v int, w float64) { p.SetDrawColor(v, v, v); p.SetLineWidth(w) }

// item is a paragraph behind a mark.
func (p *paper) item(x, w, pt float64, mark string, runs ...run) {
	in := pt * p.k * point * 1.3
	y := p.y
	p.write(x, in, pt, plain(mark))
	p.y = y
	p.write(x+in, w-in, pt, runs...)
}

func (l *Lesson) front(p *paper) {
	full := p.w - 2*edge
	half := (full - gap) / 2
	right := edge + half + gap
	top := p.y
	end := p.strip(l.Title, 15)
	below := p.y
	about := strings.Join(l.About, " · ")
	p.face(false, textPt*p.k)
	if p.GetStringWidth(p.clean(about)) < p.w-edge-end-4 {
		p.y = top + 1.9*p.k
		p.write(end+4, p.w-edge-end-4, textPt, plain(about))
		p.y = below
	} else {
		p.write(edge, full, textPt, plain(about))
	}
	p.y += 3 * p.k
	if len(l.Coach) > 0 {
		p.head(edge, full, l.w("coach"))
		for _, s := range l.Coach {
			p.write(edge, full, textPt, plain(s))
		}
		p.y += 2.5 * p.k
	}

	// What is good and why on the left, the one thing on the right.
	start := p.y
	p.head(edge, half, l.w("good"))
	for _, s := range l.Good {
		p.item(edge, half, textPt, "•", plain(s))
	}
	if len(l.Good) == 0 {
		p.write(edge, half, textPt, plain(l.w("good_none")))
	}
	if len(l.Why) > 0 {
		p.y += 2.5 * p.k
		p.head(edge, half, l.w("why"))
		for i, s := range l.Why {
			p.write(edge, half, textPt, plain(s), plain(fmt.Sprintf("(%d)", i+1)))
		}
		for i, s := range l.Notes {
			p.item(edge, half, smallPt, fmt.Sprintf("%d", i+1), plain(s))
		}
	}
	low := p.y
	p.y = start + 2*p.k
	l.work(p, right+3, half-6)
	p.y += 2 * p.k
	p.stroke(110, 0.5)
	p.RoundedRect(right, start, half, p.y-start, 1.6, "1234", "D")
	p.y = max(low, p.y) + 3*p.k

	if l.Lower != nil {
		p.head(edge, full, l.w("lower"))
		p.write(edge, full, textPt, bold(l.Lower.Lead))
		for _, s := range l.Lower.Lines {
			p.item(edge, full, textPt, "•", plain(s))
		}
		p.y += 2.5 * p.k
	}
	l.row(p, full)

	start = p.y
	if l.curves != nil {
		p.head(edge, half, l.w("curves"))
		s := half / wide
		l.curves.draw(&ink{p, edge, p.y, s})
		p.y += l.curves.tall() * s
		p.write(edge, half, smallPt, plain(l.w("curves_read")))
	}
	low = p.y
	p.y = start
	l.table(p, right, half)
	p.y = max(low, p.y) + 2.5*p.k

	if len(l.Doubts) > 0 || len(l.Clip) > 0 {
		p.head(edge, full, l.w("doubts"))
		for _, d := range l.Doubts {
			p.write(edge, full, smallPt, bold(d.Why), plain(l.Join(d.Names)))
		}
		for _, s := range l.Clip {
			p.write(edge, full, smallPt, plain(s))
		}
	}
}

func (l *Lesson) work(p *paper, x, w float64) {
	if f := l.Focus; f != nil {
		p.head(x, w, l.Head)
		p.write(x, w, 13, bold(f.Fix))
		p.write(x, w, textPt, plain(f.Say), plain(f.Fact))
		if f.Cue != "" {
			p.y += p.k
			p.write(x, w, textPt+0.6, plain(l.w("cue")), bold("“"+f.Cue+"”"))
		}
		if len(f.Chain) > 0 {
			p.y += p.k
			p.write(x, w, textPt, plain(l.w("chain")))
			for i, c := range f.Chain {
				mark := ""
				if i > 0 {
					mark = "→"
				}
				p.item(x, w, textPt, mark, run{c.Text, c.Fault})
			}
		}
	} else {
		p.head(x, w, l.Head)
		p.write(x, w, 13, bold(l.Rest))
	}
	if l.Also != "" {
		p.y += 1.5 * p.k
		p.write(x, w, textPt, plain(l.w("also")), plain(l.Also))
	}
}

// row are the stills side by side.
func (l *Lesson) row(p *paper, full float64) {
	if len(l.Stills) == 0 {
		return
	}
	const between = 3.0
	w := (full - 3*between) / 4
	tall := 0.0
	for _, s := range l.Stills {
		tall = max(tall, min(46*p.k, w*float64(s.H)/float64(s.W)))
	}
	low, top := p.y, p.y
	for i, s := range l.Stills {
		x := edge + float64(i)*(w+between)
		name := fmt.Sprintf("still%d", i)
		opt := fpdf.ImageOptions{ImageType: "JPG"}
		p.RegisterImageOptionsReader(name, opt, bytes.NewReader(s.JPEG))
		p.ImageOptions(name, x, top, tall*float64(s.W)/float64(s.H), tall, false, opt, 0, "")
		p.y = top + tall + 0.6
		p.write(x, w, smallPt+0.4, bold(s.Head))
		for _, line := range s.Lines {
			p.write(x, w, smallPt+0.4, plain(line))
		}
		low = max(low, p.y)
	}
	p.y = low + 2.5*p.k
}

// table holds the measures that a coach acts on.
func (l *Lesson) table(p *paper, x, w float64) {
	p.head(x, w, l.w("measures"))
	cols := []float64{w * 0.46, w * 0.22, w * 0.32}
	line := func(weight float64, cells ...[]run) {
		top, low, at := p.y, p.y, x
		for i, c := range cells {
			p.y = top
			p.write(at, cols[i]-1.5, smallPt+0.6, c...)
			low, at = max(low, p.y), at+cols[i]
		}
		p.y = low + 0.7*p.k
		p.stroke(150, weight)
		p.Line(x, p.y, x+w, p.y)
		p.y += 0.3 * p.k
	}
	line(0.4, []run{bold(l.w("col_measure"))}, []run{bold(l.w("col_value"))}, []run{bold(l.w("col_band"))})
	for _, r := range l.Rows {
		line(0.15, []run{plain(r.Name)}, []run{plain(r.Value)}, []run{plain(r.Band), bold(r.Standing)})
	}
	p.y += 0.5
	for _, s := range l.Legend {
		p.write(x, w, smallPt, plain(s))
	}
}

func (l *Lesson) back(p *paper) {
	full := p.w - 2*edge
	if l.Plan != nil {
		l.week(p, full)
	}
	if len(l.Since) > 0 {
		p.y += 2 * p.k
		p.head(edge, full, l.w("since"))
		for _, c := range l.Since {
			p.write(edge, full, textPt, bold(c.Name+":"), plain(l.w("col_then")), plain(c.Then+";"), plain(l.w("col_now")), plain(c.Now+"."), bold(c.Verdict))
		}
	}
	l.small(p)
}

func (l *Lesson) week(p *paper, full float64) {
	p.strip(l.Plan.Title, 14)
	p.y += 2 * p.k
	if l.Plan.Cue != "" {
		p.write(edge, full, textPt+1, plain(l.w("cue")), bold("“"+l.Plan.Cue+"”"))
	}
	p.write(edge, full, textPt, plain(l.Plan.Lead))
	p.y += 1.5 * p.k
	in := 9 * p.k
	for _, s := range l.Plan.Steps {
		r := 3.0 * p.k
		p.stroke(110, 0.4)
		p.Circle(edge+r, p.y+r+0.3, r, "D")
		p.face(true, 10*p.k)
		n := fmt.Sprint(s.Number)
		p.Text(edge+r-p.GetStringWidth(n)/2, p.y+r+0.3+10*p.k*point*0.35, n)
		p.write(edge+in, full-in, textPt+1, bold(s.Name), plain(s.Count))
		p.write(edge+in, full-in, textPt, plain(s.SetUp), plain(s.Do))
		if s.Look+s.Pass != "" {
			p.write(edge+in, full-in, textPt, bold(l.w("passed")), plain(s.Look), plain(s.Pass))
		}
		if s.Safety != "" {
			p.write(edge+in, full-in, textPt, bold(l.w("safety")), plain(s.Safety))
		}
		p.y += 1.6 * p.k
	}
	p.write(edge, full, smallPt, plain(strings.Join(l.Plan.From, " ")))
	if len(l.Plan.Days) > 0 {
		p.y += p.k
		p.head(edge, full, l.w("week"))
		for _, d := range l.Plan.Days {
			p.stroke(150, 0.15)
			p.Line(edge, p.y, edge+full, p.y)
			p.y += 0.8 * p.k
			top := p.y
			p.write(edge, 20*p.k, textPt, bold(d.Name))
			low := p.y
			p.y = top
			at := edge + 20*p.k
			size := textPt * p.k
			for _, s := range d.Items {
				p.face(false, size)
				w := p.GetStringWidth(p.clean(s)) + 9*p.k
				if at+w > edge+full && at > edge+20*p.k {
					at = edge + 20*p.k
					p.y += size * point * lead
					low = p.y + size*point*lead
				}
				p.stroke(0, 0.3)
				p.Rect(at, p.y+0.7*p.k, 2.7*p.k, 2.7*p.k, "D")
				y := p.y
				p.write(at+4*p.k, w+1, textPt, plain(s))
				p.y = y
				at += w
			}
			if len(d.Items) == 0 {
				p.write(at, full, textPt, plain(l.w("day_off")))
			}
			p.y = low + 0.6*p.k
		}
	}
	if len(l.Plan.Care) > 0 {
		p.y += 2 * p.k
		p.head(edge, full, l.w("care"))
		for _, s := range l.Plan.Care {
			p.item(edge, full, textPt, "•", plain(s))
		}
	}
}

func (l *Lesson) small(p *paper) {
	p.y += 2 * p.k
	p.write(edge, p.w-2*edge, smallPt, append([]run{bold(l.w("small") + ":")}, plain(strings.Join(l.Small(), " ")))...)
}

// ink is a pen on paper: x, y the corner of the curves' sheet, s millimetres a
// unit.
type ink struct {
	p       *paper
	x, y, s float64
}

var inks = map[string]struct {
	grey  int
	width float64
	dash  []float64
	tint  [3]uint8
}{
	"grid":    {grey: 205, width: 0.15},
	"axis":    {grey: 110, width: 0.2},
	"phase":   {grey: 110, width: 0.2, dash: []float64{0.5, 0.7}},
	"contact": {grey: 0, width: 0.35},
	"edge":    {grey: 110, width: 0.15, dash: []float64{0.9, 0.5}},
	"eyes":    {grey: 0, width: 0.55},
	"batline": {grey: 0, width: 0.3},
	"tape":    {tint: [3]uint8{0xe8, 0xd6, 0xa8}},
	"doubt":   {tint: [3]uint8{0xd8, 0xe3, 0xec}},
	"bat":     {tint: [3]uint8{0xe2, 0xd8, 0xc0}},
}

func (k *ink) at(p pipeline.Point) (x, y float64) { return k.x + p.X*k.s, k.y + p.Y*k.s }

func (k *ink) area(name string, pts []pipeline.Point) {
	c := inks[name].tint
	k.p.fill(c[0], c[1], c[2])
	var out []fpdf.PointType
	for _, q := range pts {
		x, y := k.at(q)
		out = append(out, fpdf.PointType{X: x, Y: y})
	}
	k.p.Polygon(out, "F")
}

func (k *ink) line(name string, pts ...pipeline.Point) {
	n := inks[name]
	k.p.stroke(n.grey, n.width)
	k.p.SetDashPattern(n.dash, 0)
	for i, q := range pts {
		x, y := k.at(q)
		if i == 0 {
			k.p.MoveTo(x, y)
		} else {
			k.p.LineTo(x, y)
		}
	}
	k.p.DrawPath("D")
	k.p.SetDashPattern(nil, 0)
}

func (k *ink) text(name, anchor string, x, y float64, s string) {
	size := textSize * k.s / point
	k.p.face(name == "bold", size)
	s = k.p.clean(s)
	w := k.p.GetStringWidth(s)
	px, py := k.at(pipeline.Point{X: x, Y: y})
	switch anchor {
	case "middle":
		px -= w / 2
	case "end":
		px -= w
	}
	k.p.Text(px, py, s)
}
