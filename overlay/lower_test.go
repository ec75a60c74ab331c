package overlay

import (
	"fmt"
	"image"
	"math"
	"strings"
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// The second tape hangs start_lower below the first by the renderer's own
// scale, in the hold of the stance and nowhere else, and only where a lower
// start is advised.
func TestSecondTape(t *testing.T) {
	f := sample(t, "open_faults", 8)
	at := map[string]bool{}
	for _, s := range f.Shots() {
		for _, m := range f.Scene(s).Marks {
			l, ok := m.(Lower)
			if !ok {
				continue
			}
			at[fmt.Sprint(s.Part, s.At)] = true
			want := *f.swing.Measure("start_lower", "", pipeline.Stance).Value * f.swing.Geometry.EyesPx
			if got := l.Y - f.look.tape.Y; math.Abs(got-want) > 1e-9 || l.From != f.look.tape.Y || !l.Under {
				t.Fatalf("second tape %.2f px under the first, want %.2f", got, want)
			}
		}
	}
	if len(at) != 1 || !at["hold"+string(pipeline.Stance)] {
		t.Errorf("a second tape at %v", at)
	}
	if got := f.Scene(last(t, f, Hold, pipeline.Stance)).String(); !strings.Contains(got, `caption "Start 2.5 cm lower"`) || !strings.Contains(got, `label="Start 2.5 cm lower"`) {
		t.Errorf("the stance's hold ends with\n%s", got)
	}
	for name, change := range map[string]func(*pipeline.Swing){
		"no finding":   func(s *pipeline.Swing) { s.Findings = nil },
		"a strength":   func(s *pipeline.Swing) { s.Findings[1].Kind = pipeline.Strength },
		"can't tell":   func(s *pipeline.Swing) { s.Measure("start_lower", "", pipeline.Stance).Value = nil },
		"another unit": func(s *pipeline.Swing) { s.Measure("start_lower", "", pipeline.Stance).Unit = "pct_height" },
	} {
		rep, clip := truth(t, "open_faults").Report(8)
		change(&rep.Swings[0])
		f := film(t, rep, clip)
		for _, s := range f.Shots() {
			for _, m := range f.Scene(s).Marks {
				if _, ok := m.(Lower); ok {
					t.Fatalf("%s: a second tape all the same", name)
				}
			}
		}
	}
}

// Between the two tapes something is painted beside the batter and nothing on
// the face.
func TestBandLeavesTheFace(t *testing.T) {
	f := sample(t, "open_faults", 8)
	s := last(t, f, Hold, pipeline.Stance)
	bare := s
	bare.marks &^= markLower
	a, b := paint(t, f, s), paint(t, f, bare)
	d := f.look.Drawn(s.Source)
	l := f.look.Lower(d)
	c := NewCanvas(a, f.lay.pic, d.Camera, f.lay.scale, pipeline.Point{}, f.lay.em, NewFaces())
	changed := func(x0, x1 float64) (part float64) {
		lo, hi := c.At(pipeline.Point{X: x0, Y: l.From}), c.At(pipeline.Point{X: x1, Y: l.Y})
		n := 0.0
		for y := int(lo.Y) + 1; y < int(hi.Y); y++ {
			for x := int(lo.X); x < int(hi.X); x++ {
				n++
				if p, q := a.RGBAAt(x, y), b.RGBAAt(x, y); dist(p.R, uint32(q.R)<<8) > 12 {
					part++
				}
			}
		}
		return part / n
	}
	if p := changed(l.Body.Hi+20, l.X.Hi-20); p < 0.15 {
		t.Errorf("%.0f %% of the band is painted", 100*p)
	}
	if p := changed(d.Eyes.X-15, d.Eyes.X+15); p > 0.02 {
		t.Errorf("%.0f %% of the face in the band is painted over", 100*p)
	}
}

// The sticker's ring lies where the sticker is seen, in slow passage and holds;
// without one there is none.
func TestRing(t *testing.T) {
	rep, clip := truth(t, "open_faults").Report(8)
	for i := range rep.Swings[0].Path {
		if d := &rep.Swings[0].Path[i]; i%2 == 0 {
			d.Marker = &pipeline.Point{X: d.Head.X + 3, Y: d.Head.Y - 20}
		}
	}
	f := film(t, rep, clip)
	seen := 0
	for _, s := range f.Shots() {
		n := strings.Count(f.Scene(s).String(), "\n  ring ")
		if want := s.Pass == 2 && s.Source%2 == 0; (n == 1) != want || n > 1 {
			t.Fatalf("%v shot of frame %d has %d rings", s.Part, s.Source, n)
		}
		seen += n
	}
	if seen == 0 {
		t.Error("no ring at all")
	}
	f = sample(t, "open_faults", 8)
	if strings.Contains(f.Scene(last(t, f, Hold, pipeline.Contact)).String(), "ring") {
		t.Error("a ring without a sticker")
	}
}

// muchToSay is as many findings as a film can meet.
var muchToSay = []pipeline.Finding{
	{Rule: "hands_start", Kind: pipeline.Strength, Evidence: []string{"hands_start@stance"}},
	{Rule: "finish_hold", Kind: pipeline.Strength, Evidence: []string{"finish_hold@finish"}},
	{Rule: "front_foot_open", Kind: pipeline.Strength, Evidence: []string{"front_foot_open@plant"}},
	{Rule: "head_over_back", Kind: pipeline.Strength, Evidence: []string{"head_over_back_ratio@contact"}},
	{Rule: "coach", Kind: pipeline.Priority, Text: "Wait for the ball to get deep, then go through the middle."},
	{Rule: "head_forward", Kind: pipeline.Secondary, Evidence: []string{"eye_forward@plant-contact"}},
	{Rule: "head_after", Kind: pipeline.CantTell, Evidence: []string{"head_after@contact"}},
}

// Findings stand as captions in the hold that their evidence belongs to, the
// coach's own in the last; at most three good ones.
func TestFindingsAreSaid(t *testing.T) {
	rep, clip := truth(t, "open_faults").Report(8)
	rep.Swings[0].Findings = muchToSay
	f := film(t, rep, clip)
	got := map[string]pipeline.EventKind{}
	for _, s := range f.Shots() {
		if s.Part == Hold {
			got[s.caption] = s.At
		}
	}
	for caption, at := range map[string]pipeline.EventKind{
		"Good: hands start high enough": pipeline.Stance, "Good: finish held in balance": pipeline.Finish,
		"Good: front foot lands closed enough": pipeline.Plant, "Work on: Wait for the ball to…": pipeline.Finish,
		"Also: head drifts into the swing": pipeline.Contact,
	} {
		if got[caption] != at {
			t.Errorf("%q at %q, want %q; there are %v", caption, got[caption], at, got)
		}
	}
	if _, ok := got["Good: head stays near back knee"]; ok {
		t.Error("a fourth good thing is said")
	}
	if s := float64(len(f.Shots())) / rate; s >= 45 {
		t.Errorf("%.1f s", s)
	}
}

// Captions cover the film without gap or overlap, to the frame, and say what
// the pictures say.
func TestCaptions(t *testing.T) {
	f := sample(t, "open_faults", 8)
	caps := f.Captions()
	if first, last := caps[0], caps[len(caps)-1]; first.From != 0 || first.To != 1 || first.Text != "Robin\n3 May 2026\nSeen from the chest side" ||
		last.To != float64(len(f.Shots()))/rate || last.Text != "Good: finish held in balance\nWork on: eyes sink below the tape\nDrill: Mirror, tape at eye level" {
		t.Errorf("begins %+v, ends %+v", first, last)
	}
	for i, c := range caps {
		if i > 0 && (c.From != caps[i-1].To || c.Text == caps[i-1].Text) || c.To <= c.From || c.Text == "" {
			t.Errorf("caption %d %+v after %+v", i, c, caps[max(0, i-1)])
		}
		for k := int(math.Round(c.From * rate)); k < int(math.Round(c.To*rate)); k++ {
			if s := f.Shots()[k]; s.Source >= 0 && s.caption != c.Text {
				t.Fatalf("at %.3f s the picture says %q, the caption %q", float64(k)/rate, s.caption, c.Text)
			}
		}
	}
}

// In a language of long words, and for a coach of many, nothing leaves the
// title-safe area: text breaks, then shrinks.
func TestLongWordsFit(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	long := words.English()
	stretch := func(m map[string]string) map[string]string {
		out := map[string]string{}
		for k, v := range m {
			var w []string
			for _, s := range strings.Fields(v) {
				if !strings.Contains(s, "%") {
					s += strings.Repeat("en", len(s)/2+1)
				}
				w = append(w, s)
			}
			out[k] = strings.Join(w, " ")
		}
		return out
	}
	long.Captions, long.Cards = stretch(long.Captions), stretch(long.Cards)
	long.Cards["good"], long.Cards["first"] = "Ausgezeichnetes:", "Verbesserungswürdiges:"
	events := map[pipeline.EventKind]string{}
	for k, v := range long.Events {
		events[k] = v + "augenblicke"
	}
	long.Events = events
	findings := map[string]words.Finding{}
	for k, v := range long.Findings {
		v.Good, v.Fix = "Gleichgewichtsverlagerungsgeschwindigkeit hervorragend kontrolliert", "Augenhöhenveränderungen während Schwungbewegungen verhindern"
		findings[k] = v
	}
	long.Findings = findings
	for _, lang := range append([]words.Lang{long}, all(t)...) {
		for _, name := range []string{"open_faults", "front_left"} {
			for _, coach := range []string{"", strings.Repeat("Unverhältnismäßigkeitsüberlegungen ", 30)} {
				rep, clip := truth(t, name).Report(25)
				if coach != "" {
					rep.Swings[0].Findings = []pipeline.Finding{{Rule: "coach", Kind: pipeline.Strength, Text: coach}, {Rule: "coach", Kind: pipeline.Priority, Text: coach}}
				}
				f, err := NewFilm(rep, clip, lang, FilmOptions{FirstName: "Ada", Date: "2026-05-03"})
				if err != nil {
					t.Fatal(err)
				}
				var prev Shot
				for i, s := range f.Shots() {
					if i > 0 && s.Part == prev.Part && s.caption == prev.caption && s.At == prev.At {
						continue
					}
					prev = s
					bare := s
					bare.marks, bare.valued = 0, 0
					img := paint(t, f, bare)
					if at, ok := outside(img, f.lay, s.Source < 0); !ok {
						t.Errorf("%s %s, %v %q: text at %v leaves the safe area of %v", lang.Code, name, s.Part, s.caption, at, img.Bounds())
						break
					}
				}
				if n := words.Count(f.endWords()); coach != "" && n > 20 {
					t.Errorf("end card of %d words: %q", n, f.endWords())
				}
			}
		}
	}
}

func all(t *testing.T) (out []words.Lang) {
	for _, code := range words.Codes() {
		l, err := words.For(code)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, l)
	}
	return out
}

// outside looks for anything but the board beyond the inner 90 % of a card or
// of the strip.
func outside(img *image.RGBA, l layout, card bool) (image.Point, bool) {
	b := img.Bounds()
	safe := image.Rect(b.Dx()/20-2, b.Dy()/20-2, b.Dx()-b.Dx()/20+2, b.Dy()-b.Dy()/20+2)
	if !card {
		safe.Min.Y = 0
		b.Min.Y, b.Max.Y = l.pic.Max.Y, l.trace.Min.Y-6 // where the cursor of the trace may reach
	}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if p := image.Pt(x, y); !p.In(safe) && img.RGBAAt(x, y) != Board {
				return p, false
			}
		}
	}
	return image.Point{}, true
}
