package progress

import (
	"bytes"
	"encoding/xml"
	"flag"
	"image"
	"image/color"
	_ "image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

var regen = flag.Bool("regen", false, "write the goldens anew")

func num(v float64) *float64 { return &v }

func reading(key string, from, at pipeline.EventKind, unit string, v, lo, hi float64) *pipeline.Measure {
	return &pipeline.Measure{Key: key, From: from, At: at, Unit: unit, Value: num(v), Lo: num(lo), Hi: num(hi)}
}

// invented is a page with something of everything: every standing, a value
// that can't be told, lopsided bounds, a band from below, lessons of one day.
func invented(l words.Lang) Sheet {
	eye := func(v, lo, hi float64) *pipeline.Measure {
		return reading("eye_drop", pipeline.Stance, pipeline.Contact, "cm", v, lo, hi)
	}
	foot := func(v, lo, hi float64) *pipeline.Measure {
		return reading("front_foot_open", "", pipeline.Contact, "deg", v, lo, hi)
	}
	hold := func(v, lo, hi float64) *pipeline.Measure {
		return reading("finish_hold", "", pipeline.Finish, "s", v, lo, hi)
	}
	hidden := foot(0, -20, 75)
	hidden.Value = nil
	chart := func(about string, band *pipeline.Band, points ...Point) Chart {
		for i := range points {
			if band != nil {
				points[i].Stands = band.Stands(points[i].Measure)
			}
		}
		m := points[0].Measure
		return Chart{Name: l.MeasureName(m), About: about, Unit: m.Unit, Band: band, Points: points}
	}
	return Sheet{Lang: l, Title: l.Progress["title"] + ": Ada", About: "5 lessons, 12 April 2026 to 14 June 2026", Sections: []Section{
		{Title: l.Views[pipeline.ViewChest] + ", " + l.Bats[pipeline.BatsRight], Charts: []Chart{
			chart("band: at most 5 cm; last change: closer to fine", &pipeline.Band{Unit: "cm", Max: num(5)},
				Point{Day: "2026-04-12", Measure: eye(9.1, 8.0, 10.4)}, Point{Day: "2026-05-03", Measure: eye(7.9, 7.1, 8.6)},
				Point{Day: "2026-05-03", Measure: eye(6.0, 4.2, 7.2)}, Point{Day: "2026-05-17", Measure: eye(5.2, 4.3, 6.1)},
				Point{Day: "2026-06-14", Measure: eye(3.4, 2.2, 4.5), Assumed: true}),
			chart("band: at most 45°", &pipeline.Band{Unit: "deg", Max: num(45)},
				Point{Day: "2026-04-12", Measure: foot(62, 50, 90)}, Point{Day: "2026-05-03", Measure: hidden}, Point{Day: "2026-06-14", Measure: foot(40, 33, 48)}),
			chart("", nil, Point{Day: "2025-12-30", Measure: eye(4, 3, 5)}, Point{Day: "2026-06-14", Measure: eye(4.1, 3, 5)}),
		}},
		{Title: l.Views[pipeline.ViewPitcher] + ", " + l.Bats[pipeline.BatsRight], Charts: []Chart{
			chart("band: at least 0.5 s", &pipeline.Band{Unit: "s", Min: num(0.5)}, Point{Day: "2026-05-03", Measure: hold(0.8, 0.6, 1)}),
		}},
	}}
}

// look compares a page with its golden, pixel by pixel with tolerance.
func look(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *regen {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	a, _, errA := image.Decode(bytes.NewReader(got))
	b, _, errB := image.Decode(bytes.NewReader(want))
	if errA != nil || errB != nil || a.Bounds() != b.Bounds() {
		t.Fatalf("%s: %v %v, %v %v", name, a.Bounds(), errA, b.Bounds(), errB)
	}
	off := 0
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			r, g, u, _ := a.At(x, y).RGBA()
			k, l, m, _ := b.At(x, y).RGBA()
			for _, d := range []int{int(r) - int(k), int(g) - int(l), int(u) - int(m)} {
				if max(d, -d) > 24<<8 {
					off++
					break
				}
			}
		}
	}
	if n := a.Bounds().Dx() * a.Bounds().Dy(); off > n/1000 {
		t.Errorf("%s: %d of %d pixels are not as in its golden; -regen and look at it", name, off, n)
	}
}

func TestSheet(t *testing.T) {
	b, err := invented(words.English()).PNG()
	if err != nil {
		t.Fatal(err)
	}
	look(t, "progress.png", b)
}

// In inches the axis and the value change, and the picture with them.
func TestSheetInInches(t *testing.T) {
	s := invented(words.English().In(words.Imperial))
	b, err := s.SVG()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(b, []byte(">4 in<")) || bytes.Contains(b, []byte(" cm<")) && !strings.Contains(s.Sections[0].Charts[0].About, "cm") {
		t.Error("no inches on the axis")
	}
}

// The drawing is well formed and carries its words as text.
func TestSVG(t *testing.T) {
	b, err := invented(words.English()).SVG()
	if err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(b))
	var text strings.Builder
	for {
		tok, err := d.Token()
		if tok == nil {
			if err.Error() != "EOF" {
				t.Fatal(err)
			}
			break
		}
		if c, ok := tok.(xml.CharData); ok {
			text.Write(c)
			text.WriteByte('\n')
		}
	}
	for _, want := range []string{"Progress: Ada", "Eye drop, stance to contact", "band: at most 5 cm; last change: closer to fine", "3 ±1 cm", "14 Jun *", "17 May", "no band", "fine", "too much / too little", "close call / unsure", "Seen from the pitcher, bats right", "30 Dec ’25"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("no %q on the page", want)
		}
	}
}

// Nothing leaves the page, whatever the numbers: labels stay apart and inside.
func TestDays(t *testing.T) {
	s := Sheet{Lang: words.English()}
	var many []Point
	for _, d := range []string{"2026-01-01", "2026-01-01", "2026-01-02", "2026-03-01", "2026-03-02", "2026-03-02", "2026-03-02", "2026-09-30"} {
		many = append(many, Point{Day: d})
	}
	for n := 1; n <= len(many); n++ {
		xs, labels := s.days(many[:n], 200, 1000)
		last := 0.0
		for i := range xs {
			if xs[i] < 200-1e-9 || xs[i] > 1000+1e-9 || i > 0 && xs[i] < xs[i-1]+30 {
				t.Errorf("%d points: %v", n, xs)
			}
			if labels[i] != "" {
				w := wide(labels[i], body, false)
				if last > 0 && xs[i]-w/2 < last {
					t.Errorf("%d points: labels on each other: %v at %v", n, labels, xs)
				}
				last = xs[i] + w/2
			}
		}
		if last == 0 {
			t.Errorf("%d points: no label", n)
		}
	}
	for range 40 {
		many = append(many, Point{Day: "2026-09-30"})
	}
	if xs, _ := s.days(many, 200, 1000); xs[0] < 200-1e-9 || xs[len(xs)-1] > 1000+1e-9 {
		t.Errorf("48 points leave the chart: %v", xs)
	}
}

// Text has 4.5:1 and lines 3:1 on what is under them (WCAG 2.1, 1.4.3 and
// 1.4.11).
func TestContrast(t *testing.T) {
	band, ground := faded(overlay.Paper, 0.32), faded(overlay.Quiet, 0.08)
	for _, c := range []struct {
		name        string
		ink, ground color.RGBA
		least       float64
	}{
		{"chalk", overlay.Chalk, overlay.Board, 4.5}, {"second rank", overlay.Quiet, overlay.Board, 4.5}, {"on tape", overlay.Ink, overlay.Paper, 4.5},
		{"inside on the board", fine, overlay.Board, 3}, {"inside on the band", fine, band, 3}, {"inside", fine, ground, 3},
		{"outside on the band", off, band, 3}, {"outside", off, ground, 3}, {"bounds on the band", overlay.Chalk, band, 3}, {"line on the band", overlay.Quiet, band, 3},
		{"limit", overlay.Paper, ground, 3}, {"tape A", overlay.Paper, ground, 3},
	} {
		if got := overlay.Contrast(c.ink, c.ground); got < c.least {
			t.Errorf("%s: %.2f; want %g", c.name, got, c.least)
		}
	}
}

// A page without a lesson says so.
func TestNothing(t *testing.T) {
	b, err := Sheet{Lang: words.English(), Title: "Progress", About: "1 lesson"}.PNG()
	if err != nil {
		t.Fatal(err)
	}
	img, _, err := image.Decode(bytes.NewReader(b))
	if err != nil || img.Bounds().Dx() != width {
		t.Errorf("%v, %v", img.Bounds(), err)
	}
}

// Round numbers: few, inside, evenly apart, and written as they are.
func TestRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-200, 200).Draw(t, "lo")
		hi := lo + rapid.Float64Range(0.01, 400).Draw(t, "span")
		ticks, decimals := round(lo, hi)
		if len(ticks) < 2 || len(ticks) > 8 {
			t.Fatalf("%v in %g…%g", ticks, lo, hi)
		}
		step := ticks[1] - ticks[0]
		for i, v := range ticks {
			if v < lo-1e-9 || v > hi+1e-9 || i > 0 && math.Abs(v-ticks[i-1]-step) > 1e-6*step {
				t.Fatalf("%v in %g…%g", ticks, lo, hi)
			}
			if p := math.Pow10(decimals); math.Abs(math.Round(v*p)/p-v) > 1e-6*step {
				t.Fatalf("%v with %d decimals", v, decimals)
			}
		}
	})
}
