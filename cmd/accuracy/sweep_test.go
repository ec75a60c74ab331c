package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tapeline/detect/swing/sim"
)

// A figure is XML whose curves break where nothing could be told.
func TestFigure(t *testing.T) {
	nan := math.NaN()
	f := figure{title: "A & B", axis: "x", places: []string{"1", "2", "<3"}, limit: "said: dark", from: 1, to: 3,
		panels: []panel{{unit: "cm", goal: 1, curves: []curve{{"one", []float64{1, nan, 3}}, {"two", []float64{0, 7.9, 2}}}}}}
	var b bytes.Buffer
	f.svg(&b)
	marks := 0
	for d := xml.NewDecoder(bytes.NewReader(b.Bytes())); ; {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "circle" {
			marks++
		}
	}
	if marks != 3 { // two places of the first curve and its name
		t.Errorf("%d marks of the first curve", marks)
	}
	if strings.Contains(b.String(), "NaN") {
		t.Error("a NaN is drawn")
	}
	for _, c := range []struct{ most, top float64 }{{7.9, 8}, {8.1, 10}, {.03, .04}, {0, 1}} {
		if got := niceTop(panel{curves: []curve{{"", []float64{c.most}}}}); math.Abs(got-c.top) > 1e-9 {
			t.Errorf("an axis up to %g ends at %g, want %g", c.most, got, c.top)
		}
	}
}

// More error of the network is more error of the measures, and what the
// sweep's page says stands in it.
func TestSweepSeesErrorsGrow(t *testing.T) {
	s := sweep{steps: each([]float64{.2, 4}, "%g", func(v float64, _ *sim.Params, e *sim.Errors) { e.Pose = v })}
	out := s.judged(12, developed, false, shipped(t))
	a, b := out[0].of("eye_drop", "stance", "contact"), out[1].of("eye_drop", "stance", "contact")
	if a.N < 10 || b.N < 6 || b.MAE < 1.5*a.MAE {
		t.Errorf("eye drop off by %.2f of %d, with 20 times the network's error %.2f of %d", a.MAE, a.N, b.MAE, b.N)
	}
}

// Every sweep has its figure among the documents, small enough to ship, on
// the page.
func TestSweepsAreShipped(t *testing.T) {
	dir := filepath.Join("..", "..", "samples", "docs")
	page, err := os.ReadFile(filepath.Join(dir, "SWEEPS.md"))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, s := range sweeps {
		names = append(names, s.name)
	}
	for _, g := range pixelGroups {
		names = append(names, "pixels_"+g.name)
	}
	for _, n := range names {
		i, err := os.Stat(filepath.Join(dir, n+".svg"))
		if err != nil {
			t.Error(err)
			continue
		}
		if i.Size() > 30<<10 {
			t.Errorf("%s: %d bytes", n, i.Size())
		}
		if !bytes.Contains(page, []byte("("+n+".svg)")) {
			t.Errorf("%s is not on the page", n)
		}
	}
}

// Every published accuracy has its source, and ours is told from a score.
func TestPublishedHaveSources(t *testing.T) {
	s := score{Contact60: [2]int{3, 4}, Plant: [2]int{1, 2}, Rows: []row{
		{View: "all", Key: "eye_drop", N: 4, errs: []float64{1, -1, 2.5, 4}},
		{View: "all", Key: "stance_knee_front", N: 2, errs: []float64{4, -6}},
		{View: "all", Key: "event", At: "contact", N: 1, MAE: 12, errs: []float64{12}},
	}}
	var b bytes.Buffer
	s.compared(&b)
	for _, want := range []string{"5.0° (stance)", "-1.0 ± 5.0°", "0.012 s, plant –", "50 % under 20 mm, 75 % under 30 mm", "75 % of contacts", "50 % of plants"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
	for _, p := range published {
		if p.source == "" || p.value == "" {
			t.Errorf("%s: no source", p.what)
		}
	}
}
