package progress

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"testing"

	"tapeline/overlay/internal/rendered"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

func two(t *testing.T) Pair {
	t.Helper()
	p := Pair{Lang: words.English(), Notes: []string{"The tapes' heights are less sure than the travel under each."}, Rows: []Row{
		{"Eye drop, stance to contact", "8 ±2 cm → 1 ±2 cm", "−7 cm, now fine", true},
		{"Hands above the shoulder in the stance", "−12 to 3 cm → −11 to 4 cm", "0 cm, within the doubt", false},
	}}
	for i, name := range []string{"open_faults", "open_clean"} {
		truth, err := rendered.Load("../../samples/" + name + ".truth.json")
		if err != nil {
			t.Fatal(err)
		}
		rep, _ := truth.Report(8)
		p.Sides[i] = Side{Label: []string{"12 April 2026", "3 May 2026"}[i], Report: rep}
	}
	return p
}

func TestPair(t *testing.T) {
	p := two(t)
	b, err := p.PNG()
	if err != nil {
		t.Fatal(err)
	}
	look(t, "compare.png", b)
}

// Stills stand side by side, A left and B right, and one that is missing leaves
// its place empty.
func TestPairStills(t *testing.T) {
	p := two(t)
	plain := func(c color.RGBA) *image.RGBA {
		img := image.NewRGBA(image.Rect(0, 0, TileWide, 300))
		for i := 0; i < len(img.Pix); i += 4 {
			img.Pix[i], img.Pix[i+1], img.Pix[i+2], img.Pix[i+3] = c.R, c.G, c.B, 255
		}
		return img
	}
	red, green := color.RGBA{200, 0, 0, 255}, color.RGBA{0, 200, 0, 255}
	p.Sides[0].Tiles = []sheet.Tile{{Event: pipeline.Stance, Image: plain(red)}, {Event: pipeline.Contact, Image: plain(red)}}
	p.Sides[1].Tiles = []sheet.Tile{{Event: pipeline.Stance, Image: plain(green)}, {Event: pipeline.Contact}}
	b, err := p.PNG()
	if err != nil {
		t.Fatal(err)
	}
	img, _, err := image.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	var n, right [2]int // pixels of each colour, and how many lie right of the middle
	for y := range img.Bounds().Dy() {
		for x := range width {
			r, g, u, _ := img.At(x, y).RGBA()
			for i, c := range []color.RGBA{red, green} {
				if uint8(r>>8) == c.R && uint8(g>>8) == c.G && uint8(u>>8) == c.B {
					n[i]++
					if x > width/2 {
						right[i]++
					}
				}
			}
		}
	}
	area := TileWide * 300
	for i, want := range []int{2 * area, area} {
		if math.Abs(float64(n[i]-want)) > 0.02*float64(area) || right[0] > 0 || right[1] < n[1]*49/50 {
			t.Errorf("swing %d: %d pixels of stills, %d right of the middle; want %d", i, n[i], right[i], want)
		}
	}
}

// The traces are on the clock of contact and at the heights of the truth, in
// capture time; they break where the batter was not seen.
func TestTrace(t *testing.T) {
	p := two(t)
	rep := p.Sides[0].Report
	sw := rep.Chosen()
	drop := sw.Path[*sw.Event(pipeline.Contact).Frame].Drop
	parts := trace(rep, 150)
	if len(parts) != 1 {
		t.Fatalf("%d parts", len(parts))
	}
	near := func(parts [][]moment) (best moment) {
		best.t = math.Inf(1)
		for _, part := range parts {
			for _, m := range part {
				if math.Abs(m.t) < math.Abs(best.t) {
					best = m
				}
			}
		}
		return best
	}
	if m := near(parts); math.Abs(m.t) > 1./120 || math.Abs(m.v-(150-drop)) > 1e-9 {
		t.Errorf("at contact %+v; want height %g", m, 150-drop)
	}
	last := func(parts [][]moment) float64 {
		part := parts[len(parts)-1]
		return part[len(part)-1].t
	}
	end := last(parts)
	sw.Path[*sw.Event(pipeline.Contact).Frame].Seen = false
	if got := trace(rep, 150); len(got) != 2 {
		t.Errorf("%d parts around a frame that was not seen", len(got))
	}
	// Stretched eightfold the same frames lie eight times nearer in capture time.
	rep.Clip.TimeFactor = 8
	if got := last(trace(rep, 150)); math.Abs(got*8-end) > 1e-9 || end <= 0.1 {
		t.Errorf("slow motion ends at %g; in real time at %g", got, end)
	}
}

// Heights above the ground are used only where both are told; without a path,
// a contact or a common unit there are no traces.
func TestTraced(t *testing.T) {
	for name, c := range map[string]struct {
		change         func(*pipeline.Report)
		traced, ground bool
	}{
		"both":            {func(*pipeline.Report) {}, true, true},
		"no eye height":   {func(r *pipeline.Report) { r.Chosen().Measure("eye_height", "", pipeline.Stance).Value = nil }, true, false},
		"no contact":      {func(r *pipeline.Report) { r.Chosen().Event(pipeline.Contact).T = nil }, false, true},
		"no path":         {func(r *pipeline.Report) { r.Chosen().Path = nil }, false, true},
		"percent and cm":  {func(r *pipeline.Report) { r.Chosen().Geometry.Unit = "pct_height" }, false, false},
		"no swing at all": {func(r *pipeline.Report) { r.Swings = nil }, false, false},
	} {
		p := two(t)
		c.change(p.Sides[1].Report)
		if got := p.Traced(); got != c.traced {
			t.Errorf("%s: traced %v", name, got)
		}
		if name != "no swing at all" {
			if got := p.OnGround(); got != c.ground {
				t.Errorf("%s: on the ground %v", name, got)
			}
		}
	}
}

// The player's first name stands beside the title.
func TestPairSaysWhose(t *testing.T) {
	p := two(t)
	p.Lang = words.English()
	draw := func(who string) image.Image {
		p.Who = who
		b, err := p.PNG()
		if err != nil {
			t.Fatal(err)
		}
		img, _, err := image.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		return img
	}
	bare, named, n := draw(""), draw("Ada"), 0
	for y := range bare.Bounds().Dy() {
		for x := range width {
			if bare.At(x, y) == named.At(x, y) {
				continue
			}
			if n++; y > margin+2*row || x < width/2 {
				t.Fatalf("pixel %d, %d differs", x, y)
			}
		}
	}
	if n < 200 {
		t.Errorf("only %d pixels of the name", n)
	}
}
