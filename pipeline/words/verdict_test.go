package words

import (
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/pipeline"
)

func band(least, most float64) *pipeline.Band {
	b := &pipeline.Band{Rule: "eye_drop", Unit: "cm"}
	if !math.IsNaN(least) {
		b.Min = &least
	}
	if !math.IsNaN(most) {
		b.Max = &most
	}
	return b
}

var none = math.NaN()

func TestVerdict(t *testing.T) {
	es, err := For("es")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		m      *pipeline.Measure
		b      *pipeline.Band
		en, es string
	}{
		{measure(3, 2, 4, "cm"), band(none, 5), "fine", "bien"},
		{measure(8, 6, 10, "cm"), band(none, 5), "too much", "demasiado"},
		{measure(-8, -10, -6, "cm"), band(0, none), "too little", "muy poco"},
		{measure(-8, -10, -6, "cm"), band(-5, 5), "too little", "muy poco"},
		{measure(8, 6, 10, "cm"), band(-5, 5), "too much", "demasiado"},
		{measure(5, 4, 6, "cm"), band(none, 5), "close call", "justo"},
		{measure(3, -4, 10, "cm"), band(none, 5), "unsure", "no se sabe"},
		{measure(3, 2, 4, "pct_height"), band(none, 5), "", ""},
		{measure(3, 2, 4, "cm"), nil, "", ""},
		{&pipeline.Measure{Unit: "cm"}, band(none, 5), "", ""},
		{nil, band(none, 5), "", ""},
	} {
		if en, es := English().Verdict(c.m, c.b), es.Verdict(c.m, c.b); en != c.en || es != c.es {
			t.Errorf("%+v: %q and %q, want %q and %q", c.m, en, es, c.en, c.es)
		}
	}
	if got := English().Judged(measure(5, 3, 7, "cm"), band(none, 5), pipeline.Outside); got != "too much" {
		t.Errorf("judged outside: %q", got)
	}
}

func TestAgainst(t *testing.T) {
	l := English()
	drop := measure(-2, -4, -0.3, "cm")
	drop.Key = "head_drop"
	barely := measure(-1.9, -4.2, 0.4, "cm")
	barely.Key = "head_drop"
	unsure := measure(-2, -4, 1.3, "cm")
	unsure.Key = "head_drop"
	for _, c := range []struct {
		got, want string
	}{
		{l.Against(measure(-7, -15, -0.3, "cm"), band(0, none)), "−15.0 to −0.3 cm"},
		{l.Against(measure(7.4, 5.3, 9.5, "cm"), band(none, 5)), "7.4 ±2.1 cm"},
		{l.Against(measure(8, 6, 10, "cm"), band(none, 5)), "8 ±2 cm"},
		{l.Against(measure(3.2, 1.2, 5.2, "cm"), band(none, 5)), "3.2 ±2.0 cm"},
		{l.Against(measure(5.54, 5.04, 6.04, "cm"), band(none, 5)), "5.54 ±0.50 cm"},
		{l.Against(measure(7.4, 5.3, 9.5, "cm"), nil), "7 ±2 cm"},
		{l.Against(measure(7.4, 5.3, 9.5, "cm"), &pipeline.Band{Unit: "deg"}), "7 ±2 cm"},
		{l.Against(measure(4, 2.2, 4.9, "cm"), band(none, 5)), "4 cm (2–5 cm)"},
		// At most 2 in, as it is written; 2.04 in are more.
		{l.In(Imperial).Against(measure(8, 5.18, 10.8, "cm"), band(none, 5)), "3.15 ±1.11 in"},
		{l.Value(drop), "rises 2 ±2 cm"},
		{l.Value(barely), "rises 0–4 cm"},
		{l.Value(unsure), "−4 to 1 cm"},
		{l.Limit(5, "cm"), "5 cm"}, {l.In(Imperial).Limit(5, "cm"), "2 in"}, {l.In(Imperial).Limit(3, "cm"), "1.2 in"},
		{l.Limit(0.2, "ratio"), "0.2"}, {l.Limit(0.25, "s"), "0.25 s"}, {l.Limit(30, "deg"), "30°"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

func TestPlaces(t *testing.T) {
	l := English()
	for _, c := range []struct {
		m    *pipeline.Measure
		b    *pipeline.Band
		want int
	}{
		{measure(7, 5.04, 9, "cm"), band(none, 5), 2}, {measure(7, 5.1, 9, "cm"), band(none, 5), 1},
		{measure(-7, -15, -.04, "cm"), band(0, none), 2}, {measure(7, 5.04, 9, "cm"), nil, 1},
		{&pipeline.Measure{Unit: "cm"}, band(none, 5), 1}, {measure(40, 30.3, 50, "deg"), &pipeline.Band{Unit: "deg", Max: band(none, 30).Max}, 1},
	} {
		if got := l.Places(c.m, c.b); got != c.want {
			t.Errorf("%+v: %d, want %d", c.m, got, c.want)
		}
	}
}

// What is read off the written numbers stands against the written band where
// the measure does.
func TestRoundingKeepsTheVerdict(t *testing.T) {
	figure := regexp.MustCompile(`−?[\d.]+`)
	rapid.Check(t, func(t *rapid.T) {
		l := English().In(rapid.SampledFrom(Systems).Draw(t, "units"))
		v := rapid.Float64Range(-30, 30).Draw(t, "v")
		m := measure(v, v-rapid.Float64Range(.1, 9).Draw(t, "down"), v+rapid.Float64Range(.1, 9).Draw(t, "up"), "cm")
		b := band(none, rapid.Float64Range(-8, 8).Draw(t, "most"))
		if rapid.Bool().Draw(t, "least") {
			b = band(*b.Max, none)
		}
		edge := b.Max
		if edge == nil {
			edge = b.Min
		}
		limit := number(t, figure.FindString(l.Limit(*edge, "cm")))
		for _, end := range []float64{*m.Value, *m.Lo, *m.Hi, 2**m.Value - *m.Lo, 2**m.Value - *m.Hi} { // closer than any number is written
			if x, _ := l.To(end, "cm"); math.Abs(x-limit) < .02 {
				t.Skip()
			}
		}
		if x, _ := l.To(*edge, "cm"); math.Abs(x-limit) > 1e-3 { // the written limit is another
			nice := limit
			if l.System() == Imperial {
				nice *= inch
			}
			*edge = nice
		}
		s := l.Against(m, b)
		f := figure.FindAllString(s, -1)
		lo, hi := 0.0, 0.0
		switch {
		case strings.Contains(s, "("):
			lo, hi = number(t, f[1]), number(t, f[2])
		case strings.Contains(s, "±"):
			lo, hi = number(t, f[0])-number(t, f[1]), number(t, f[0])+number(t, f[1])
		default:
			lo, hi = number(t, f[0]), number(t, f[1])
		}
		lo, hi = rounded(lo, 3), rounded(hi, 3)
		read := *m
		read.Lo, read.Hi = &lo, &hi
		shown := *b
		for _, end := range []**float64{&shown.Min, &shown.Max} {
			if *end != nil {
				*end = &limit
			}
		}
		if got, want := shown.Stands(&read), b.Stands(m); got != want {
			t.Fatalf("%q against %s reads %s, is %s (%g to %g)", s, l.Limit(*edge, "cm"), got, want, *m.Lo, *m.Hi)
		}
	})
}

func TestBetter(t *testing.T) {
	change := func(before, after *pipeline.Measure) *pipeline.Change {
		before.Key, after.Key = "eye_drop", "eye_drop"
		before.From, after.From, before.At, after.At = pipeline.Stance, pipeline.Stance, pipeline.Contact, pipeline.Contact
		c, _ := pipeline.Compare(before, after)
		c.Day = "2026-05-03"
		return &c
	}
	es, _ := For("es")
	less := change(measure(12, 11, 13, "cm"), measure(5, 4, 6, "cm"))
	own := band(10, none)
	own.Rule = "our_own"
	for _, c := range []struct{ got, want string }{
		{English().Better(less, band(none, 5)), "Eyes sink 7 cm less than on 3 May 2026"},
		{es.Better(less, band(none, 5)), "Los ojos bajan 7 cm menos que el 3 de mayo de 2026"},
		{English().Better(change(measure(5, 4, 6, "cm"), measure(12, 11, 13, "cm")), band(none, 5)), ""},
		{English().Better(change(measure(1, .5, 1.5, "cm"), measure(4, 3.5, 4.5, "cm")), band(none, 5)), ""},
		{English().Better(change(measure(5, 4, 6, "cm"), measure(9, 8, 10, "cm")), own), "Eye drop, stance to contact: 4 cm more than on 3 May 2026, closer to fine"},
		{English().Better(less, nil), ""},
	} {
		if got := strings.ReplaceAll(c.got, "\u00a0", " "); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
	// Every rule has its sentence, and no sentence is without a rule.
	for _, r := range pipeline.RuleCodes {
		if (English().Gains[r+"_less"] == "") == (English().Gains[r+"_more"] == "") {
			t.Errorf("rule %s has not one sentence", r)
		}
	}
	for k := range English().Gains {
		if rule := strings.TrimSuffix(strings.TrimSuffix(k, "_less"), "_more"); rule != "less" && rule != "more" && !slices.Contains(pipeline.RuleCodes, rule) {
			t.Errorf("%q belongs to no rule", k)
		}
	}
}

// A phase within a sentence, in both languages.
func TestMoments(t *testing.T) {
	es, _ := For("es")
	for _, c := range []struct{ got, want string }{
		{English().MeasureName(&pipeline.Measure{Key: "front_foot_open", At: pipeline.Plant}), "Front foot open, at plant"},
		{es.MeasureName(&pipeline.Measure{Key: "front_foot_open", At: pipeline.Plant}), "Pie delantero abierto, al apoyar"},
		{es.MeasureName(&pipeline.Measure{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact}), "Caída de los ojos, de la postura al contacto"},
		{es.MeasureName(&pipeline.Measure{Key: "eye_drop", From: pipeline.Plant, At: pipeline.Finish}), "Caída de los ojos, del apoyo al final"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}
