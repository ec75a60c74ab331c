package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// The same report in Spanish and inches: no English, no centimetres.
func TestTableInSpanishAndInches(t *testing.T) {
	l, err := words.For("es")
	if err != nil {
		t.Fatal(err)
	}
	rep := invented()
	sw := rep.Chosen()
	sw.Findings[1].Chain = []string{"from_tall_stance", "from_body_sinks"}
	sw.Measures = append(sw.Measures,
		pipeline.Measure{Key: "start_lower", At: pipeline.Stance, Unit: "cm", Value: num(4), Lo: num(3), Hi: num(5)},
		pipeline.Measure{Key: "tape_height", At: pipeline.Stance, Unit: "cm", Warnings: []string{"sink_unsure"}})
	var b bytes.Buffer
	printTable(&b, l.In(words.Imperial), rep)
	golden := filepath.Join("testdata", "table.es.txt")
	if *regen {
		if err := os.WriteFile(golden, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	if strings.Contains(b.String(), " cm") || strings.Contains(b.String(), "tape") {
		t.Errorf("centimetres or English in\n%s", b.String())
	}
}

// A finding in somebody's own words is said as it stands.
func TestFindingInOwnWords(t *testing.T) {
	l := words.English()
	rep := invented()
	s := rep.Chosen()
	for kind, want := range map[string]string{
		pipeline.Strength:  "Good: Your load is calm.",
		pipeline.Priority:  "Work on: Your load is calm.",
		pipeline.Secondary: "Also: Your load is calm.",
	} {
		if got := finding(l, s, pipeline.Finding{Rule: "coach", Kind: kind, Text: "Your load is calm."}); got != want {
			t.Errorf("%s: %q, want %q", kind, got, want)
		}
	}
}

// Flags win over the configuration; what is wrong is named with its place and
// what there is.
func TestSpeech(t *testing.T) {
	for _, c := range []struct {
		conf, flags [2]string // lang, units
		lang        string
		units       words.Units
		err         string
	}{
		{conf: [2]string{"en", "metric"}, lang: "en", units: words.Metric},
		{conf: [2]string{"es", "imperial"}, lang: "es", units: words.Imperial},
		{conf: [2]string{"es", "imperial"}, flags: [2]string{"en", "metric"}, lang: "en", units: words.Metric},
		{conf: [2]string{"en", "metric"}, flags: [2]string{"xx", ""}, err: `--lang: no words for language "xx"; there are en, es`},
		{conf: [2]string{"en", "metric"}, flags: [2]string{"", "yards"}, err: `--units: "yards" is not one of metric, imperial`},
		{conf: [2]string{"xx", "metric"}, err: `lang: no words for language "xx"; there are en, es`},
		{conf: [2]string{"en", "yards"}, err: `units: "yards" is not one of metric, imperial`},
	} {
		s := speech{c.flags[0], c.flags[1]}
		l, err := s.over(config.Config{Lang: c.conf[0], Units: c.conf[1]})
		switch {
		case c.err != "":
			if err == nil || !strings.HasPrefix(err.Error(), c.err) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%+v: error %v, want %q", c, err, c.err)
			}
		case err != nil || l.Code != c.lang || l.System() != c.units:
			t.Errorf("%+v: %s in %s, %v", c, l.Code, l.System(), err)
		}
	}
}

// Level and sport come from the configuration or a flag, and are checked.
func TestLevelAndSport(t *testing.T) {
	known := configured(config.Config{Batter: config.Batter{Level: "youth", Sport: "softball"}})
	if known.Level != pipeline.Youth || known.Sport != pipeline.Softball {
		t.Errorf("configured as %q, %q", known.Level, known.Sport)
	}
	g := givenFlags{level: "college", sport: "baseball"}
	if got, err := g.over(known); err != nil || got.Level != pipeline.College || got.Sport != pipeline.Baseball {
		t.Errorf("flags over it: %+v, %v", got, err)
	}
	for _, bad := range []givenFlags{{level: "pro"}, {sport: "cricket"}} {
		if _, err := bad.over(known); err == nil || !strings.Contains(err.Error(), "is not one of") {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

// A height that is written can be given again.
func TestHeightsComeBack(t *testing.T) {
	for _, l := range []words.Lang{words.English(), words.English().In(words.Imperial)} {
		rapid.Check(t, func(t *rapid.T) {
			cm := rapid.Float64Range(61, 249).Draw(t, "cm")
			got, err := config.ParseHeight(l.Tall(cm))
			if err != nil || math.Abs(got-cm) > .25*2.54+1e-9 {
				t.Fatalf("%g cm is written %q and read as %g, %v", cm, l.Tall(cm), got, err)
			}
		})
	}
}
