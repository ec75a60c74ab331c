package page

import (
	"bytes"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

var pageObject = regexp.MustCompile(`/Type /Page\b[^s]`)

// Two sides of one sheet at most, the same bytes each time, nothing of when
// and where.
func TestPDF(t *testing.T) {
	host, _ := os.Hostname()
	type kind struct {
		name, code string
		units      words.Units
	}
	var kinds []kind
	for _, code := range words.Codes() {
		for _, u := range words.Systems {
			kinds = append(kinds, kind{"full", code, u})
		}
	}
	for _, s := range samples {
		kinds = append(kinds, kind{s, "es", words.Metric}) // the longer words
	}
	for _, c := range kinds {
		var rep *pipeline.Report
		var st []sheet.Still
		var opt Options
		if c.name == "full" {
			rep, st, opt = full(t)
		} else {
			rep, st = load(t, c.name)
		}
		l, err := New(rep, st, language(t, c.code, c.units), opt)
		if err != nil {
			t.Fatal(err)
		}
		a, err := l.PDF()
		if err != nil {
			t.Fatal(err)
		}
		b, err := l.PDF()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%v: two files of one lesson differ", c)
		}
		want := 1
		if rep.Chosen().Plan != nil {
			want = 2
		}
		if n := len(pageObject.FindAll(a, -1)); n != want {
			t.Errorf("%v: %d pages, want %d", c, n, want)
		}
		box := map[words.Units]string{words.Metric: "[0 0 595.28 841.89]", words.Imperial: "[0 0 612.00 792.00]"}[c.units]
		for _, part := range []string{box, "/Lang (" + c.code + ")", "D:20000101000000"} {
			if !bytes.Contains(a, []byte(part)) {
				t.Errorf("%v: no %s", c, part)
			}
		}
		if len(host) > 3 && bytes.Contains(a, []byte(host)) {
			t.Errorf("the machine's name is in the file")
		}
		if len(a) > 1_500_000 {
			t.Errorf("%d bytes", len(a))
		}
	}
}

// The paper says what the page says.
func TestPDFText(t *testing.T) {
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext is not there; scripts/setup --dev installs it (poppler-utils)")
	}
	for _, code := range words.Codes() {
		rep, st, opt := full(t)
		l, err := New(rep, st, language(t, code, words.Metric), opt)
		if err != nil {
			t.Fatal(err)
		}
		b, err := l.PDF()
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "lesson.pdf")
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("pdftotext", "-raw", path, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		flat := func(s string) string {
			return strings.Join(strings.Fields(strings.ReplaceAll(s, "\u00a0", " ")), "")
		}
		got := flat(string(out))
		want := append([]string{l.Title, l.Focus.Fix, l.Focus.Say, l.Focus.Fact, l.Focus.Cue, l.Also, l.Lower.Lead}, l.Good...)
		want = append(want, l.Why[0], l.Notes[0], l.Notes[1])
		want = append(want, l.Lower.Lines...)
		for _, c := range l.Focus.Chain {
			want = append(want, c.Text)
		}
		for _, s := range l.Stills {
			want = append(want, s.Head)
		}
		for _, s := range l.Plan.Steps {
			want = append(want, s.Name, s.SetUp, s.Do, s.Look, s.Safety)
		}
		want = append(want, l.Plan.Care...)
		want = append(want, l.Coach...)
		want = append(want, l.Small()...)
		for _, c := range l.Since {
			want = append(want, c.Then, c.Now, c.Verdict)
		}
		for _, s := range want {
			if !strings.Contains(got, flat(s)) {
				t.Errorf("%s: the paper lacks %q", code, s)
			}
		}
	}
}

// Letters that the embedded font lacks become a question mark, and nothing
// ends a line that should not.
func TestClean(t *testing.T) {
	p := (&Lesson{lang: words.English()}).paperOf()
	for in, want := range map[string]string{
		"Zoë Ñandú ±−°½→": "Zoë Ñandú ±−°½→", "a\nb\x00": "a b ", "名🙂": "??", "8\u00a0cm": "8\u00a0cm",
	} {
		if got := p.clean(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
	// A word wider than its column is broken, not lost.
	long := strings.Repeat("W", 400)
	p.face(false, 9)
	parts := p.split(long, 30)
	if strings.Join(parts, "") != long || len(parts) < 2 {
		t.Errorf("%d parts", len(parts))
	}
	for _, s := range parts {
		if p.GetStringWidth(s) > 30 {
			t.Errorf("a part is %.1f wide", p.GetStringWidth(s))
		}
	}
}

// recorder is a pen that keeps what was drawn.
type recorder struct {
	lines, areas map[string][][]pipeline.Point
	texts        map[string]pipeline.Point
}

func (r *recorder) area(ink string, pts []pipeline.Point) { r.areas[ink] = append(r.areas[ink], pts) }
func (r *recorder) line(ink string, pts ...pipeline.Point) {
	r.lines[ink] = append(r.lines[ink], pts)
}
func (r *recorder) text(ink, anchor string, x, y float64, s string) {
	r.texts[s] = pipeline.Point{X: x, Y: y}
}

func drawn(t *testing.T, rep *pipeline.Report, l words.Lang) (*curves, *recorder) {
	t.Helper()
	c := newCurves(rep, rep.Chosen(), l)
	if c == nil {
		t.Fatal("nothing to draw")
	}
	r := &recorder{map[string][][]pipeline.Point{}, map[string][][]pipeline.Point{}, map[string]pipeline.Point{}}
	c.draw(r)
	return c, r
}

// straight is a swing whose eyes sink by 10 cm a second from contact on.
func straight() *pipeline.Report {
	var path []pipeline.Drawn
	for i := range 101 {
		at := float64(i) / 50
		path = append(path, pipeline.Drawn{Frame: i, T: at, Seen: true, Drop: math.Max(0, 10*(at-1)), DropDoubt: 1, Energy: float64(i % 7)})
	}
	ev := func(k pipeline.EventKind, at float64) pipeline.Event { return pipeline.Event{Kind: k, T: num(at)} }
	return &pipeline.Report{
		Clip: pipeline.ClipInfo{TimeFactor: 1},
		Swings: []pipeline.Swing{{Chosen: true, Path: path, Geometry: pipeline.Geometry{Unit: "cm"},
			Events: []pipeline.Event{ev(pipeline.Stance, .2), ev(pipeline.Contact, 1), ev(pipeline.Finish, 1.5), {Kind: pipeline.Plant}}}},
	}
}

// Positions are read back off the drawing: the tape lies at zero, the line at
// the eyes, the band around it, contact at time zero.
func TestCurves(t *testing.T) {
	for _, factor := range []float64{1, 8} { // slow motion: capture time on the axis
		rep := straight()
		rep.Clip.TimeFactor = factor
		c, r := drawn(t, rep, words.English())
		zero := r.texts["0"].Y - 4
		if factor == 1 {
			zero = r.texts["0"].Y - 4
		}
		tape := r.areas["tape"][0]
		if mid := (tape[0].Y + tape[3].Y) / 2; math.Abs(mid-zero) > .01 {
			t.Errorf("tape at %.2f, zero at %.2f", mid, zero)
		}
		unit := r.texts["−2"].Y - r.texts["0"].Y // two centimetres
		line := r.lines["eyes"][0]
		contact := r.lines["contact"][0][0].X
		for _, p := range line {
			sec := c.from + (p.X-left)/(right-left)*(c.to-c.from)
			want := math.Max(0, 10*sec*factor)
			if got := (p.Y - zero) / unit * 2; math.Abs(got-want) > .01 {
				t.Fatalf("at %.2f s the line is %.2f cm below the tape, want %.2f", sec, got, want)
			}
		}
		if got := c.at(0); math.Abs(got-contact) > .01 {
			t.Errorf("contact drawn at %.2f, time zero is at %.2f", contact, got)
		}
		up := r.lines["edge"][0]
		if got := (line[3].Y - up[3].Y) / unit * 2; math.Abs(got-1) > .01 {
			t.Errorf("the band is %.2f cm wide, want 1", got)
		}
		top := math.Inf(1)
		for _, p := range r.lines["batline"][0] {
			top = math.Min(top, p.Y)
		}
		if math.Abs(top-c.second()) > .01 {
			t.Errorf("the bat's greatest motion lies at %.2f, its panel begins at %.2f", top, c.second())
		}
		if got := c.to; factor == 1 && math.Abs(got-.65) > .03 {
			t.Errorf("the axis ends at %.2f s, want 0.15 s after the finish", got)
		}
		if len(r.lines["phase"])+len(r.lines["contact"]) != 3 {
			t.Error("a phase that has no time is drawn")
		}
	}
}

// Names of the phases never lie on each other, in any language.
func TestPhaseNames(t *testing.T) {
	for _, code := range words.Codes() {
		for _, s := range samples {
			rep, _ := load(t, s)
			c, _ := drawn(t, rep, language(t, code, words.Metric))
			for i, a := range c.phases {
				if a.x < 0 || a.x > wide {
					t.Errorf("%s %s lies outside", s, a.name)
				}
				for _, b := range c.phases[:i] {
					// Half of a letter's width, 6 letters at least.
					if a.row == b.row && math.Abs(a.x-b.x) < textSize*.25*float64(len(a.name)+len(b.name))*.9 {
						t.Errorf("%s %s: %s and %s lie on each other", code, s, a.name, b.name)
					}
				}
			}
		}
	}
}

func TestCurvesWithGaps(t *testing.T) {
	rep := straight()
	sw := rep.Chosen()
	for i := 40; i < 60; i++ {
		sw.Path[i].Seen = false
	}
	c, r := drawn(t, rep, words.English())
	if len(r.lines["eyes"]) != 2 || len(c.runs) != 2 {
		t.Errorf("%d lines where the batter was lost once", len(r.lines["eyes"]))
	}
	// Without contact the clip's own time is on the axis.
	rep = straight()
	rep.Chosen().Events = nil
	c, r = drawn(t, rep, words.English())
	if c.x != words.English().Page["axis_clip"] || len(r.lines["contact"]) != 0 || c.from != 0 || c.to != 2 {
		t.Errorf("%q from %.2f to %.2f", c.x, c.from, c.to)
	}
	for i := range rep.Chosen().Path {
		rep.Chosen().Path[i].Seen = false
	}
	if newCurves(rep, rep.Chosen(), words.English()) != nil {
		t.Error("curves of nobody")
	}
	// Still eyes and a still bat divide by nothing.
	rep = straight()
	for i := range rep.Chosen().Path {
		d := &rep.Chosen().Path[i]
		d.Drop, d.DropDoubt, d.Energy = 0, 0, 0
	}
	_, r = drawn(t, rep, words.English())
	for ink, ls := range r.lines {
		for _, l := range ls {
			for _, p := range l {
				if math.IsNaN(p.X+p.Y) || math.IsInf(p.X+p.Y, 0) {
					t.Fatalf("%s at %v", ink, p)
				}
			}
		}
	}
}

func TestTicks(t *testing.T) {
	for span, want := range map[float64]float64{12: 2, 11: 2, 1.6: 0.5, 5: 1, 3.1: 1, 0.3: 0.1, 31: 10, 0: 0.0002} {
		got := tick(span)
		if n := span / got; span > 0 && (n > 6.0001 || n < 1.5) {
			t.Errorf("a span of %g is parted into %.1f", span, n)
		}
		if span >= .3 && math.Abs(got-want) > 1e-9 {
			t.Errorf("a span of %g has ticks every %g, want %g", span, got, want)
		}
	}
}
