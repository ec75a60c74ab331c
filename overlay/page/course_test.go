package page

import (
	"strings"
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// A change that is larger than its doubt is said to go toward what is fine or
// away from it, and what surely got better is praised.
func TestCourse(t *testing.T) {
	of := func(v, lo, hi float64) pipeline.Measure {
		return pipeline.Measure{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Value: num(v), Lo: num(lo), Hi: num(hi)}
	}
	band := pipeline.Band{Rule: "eye_drop", Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Max: num(5), Origin: "K"}
	for _, c := range []struct {
		before, after pipeline.Measure
		band          pipeline.Band
		en, es        string
		better        bool
	}{
		{of(12, 11, 13), of(8, 7, 9), band, "Closer to fine.", "Más cerca de lo bueno.", true},
		{of(12, 11, 13), of(4, 3, 5), band, "Now fine.", "Ahora está bien.", true},
		{of(8, 7, 9), of(12, 11, 13), band, "Further from fine.", "Más lejos de lo bueno.", false},
		{of(1, .5, 1.5), of(4, 3.5, 4.5), band, "Changed by more", "Un cambio mayor", false},
		{of(8, 7, 9), of(8.5, 7.5, 9.5), band, "No sure change", "Sin cambio seguro", false},
		{of(12, 11, 13), of(8, 7, 9), pipeline.Band{}, "Changed by more", "Un cambio mayor", false},
	} {
		ch, ok := pipeline.Compare(&c.before, &c.after)
		if !ok {
			t.Fatal("not compared")
		}
		ch.Day = "2026-05-03"
		for code, want := range map[string]string{"en": c.en, "es": c.es} {
			rep := bare()
			rep.Bands = []pipeline.Band{c.band}
			l, err := New(rep, nil, language(t, code, words.Metric), Options{Changes: []pipeline.Change{ch}})
			if err != nil {
				t.Fatal(err)
			}
			if len(l.Since) != 1 || !strings.HasPrefix(l.Since[0].Verdict, want) {
				t.Errorf("%s: %+v, want %q", code, l.Since, want)
			}
			if (len(l.Good) == 1) != c.better {
				t.Errorf("%s: %q is good", code, l.Good)
			}
		}
	}
}

// The word for where a value stands is the same in the list of good things,
// the focus and the table.
func TestFacts(t *testing.T) {
	m := pipeline.Measure{Key: "hands_start", At: pipeline.Stance, Unit: "cm", Value: num(-8), Lo: num(-10), Hi: num(-6)}
	for kind, want := range map[string][3]string{
		pipeline.Priority: {"−8 ±2 cm — too little (fine: at least 0 cm).", "−8 ±2 cm — muy poco (bien: 0 cm como mínimo).", "too little"},
		pipeline.Strength: {"−8 ±2 cm — fine (at least 0 cm).", "−8 ±2 cm — bien (0 cm como mínimo).", "fine"},
	} {
		rep := bare()
		rep.Bands = []pipeline.Band{{Rule: "hands_start", Key: m.Key, At: m.At, Unit: "cm", Min: num(0), Origin: "K"}}
		sw := rep.Chosen()
		sw.Measures = []pipeline.Measure{m}
		sw.Findings = []pipeline.Finding{{Rule: "hands_start", Kind: kind, Evidence: []string{"hands_start@stance"}}}
		for i, code := range []string{"en", "es"} {
			l, err := New(rep, nil, language(t, code, words.Metric), Options{})
			if err != nil {
				t.Fatal(err)
			}
			got := strings.Join(l.Good, " ")
			if kind == pipeline.Priority {
				got = l.Focus.Fact
			}
			if got = strings.ReplaceAll(got, "\u00a0", " "); !strings.HasSuffix(got, want[i]) {
				t.Errorf("%s: %q, want %q", kind, got, want[i])
			}
			if code == "en" && l.Rows[0].Standing != want[2] {
				t.Errorf("%s: the table says %q", kind, l.Rows[0].Standing)
			}
		}
	}
}

func TestTight(t *testing.T) {
	for s, want := range map[string]string{
		"−0.3 ±0.7 in": "−0.3_±0.7_in", "−4 to 10 cm": "−4_to_10_cm", "rises 2 ±1 cm": "rises 2_±1_cm",
		"50° (32–90°)": "50° (32–90°)", "12 cm (−3 to 13 cm)": "12_cm (−3_to_13_cm)", "can't tell": "can't tell", "2 pulg": "2_pulg", "": "",
	} {
		if got := words.Tight(s); got != strings.ReplaceAll(want, "_", "\u00a0") {
			t.Errorf("%q became %q", s, got)
		}
	}
	got := string((&Lesson{}).Whole("a <b> 2–3\u00a0cm"))
	if got != `a &lt;b&gt; <span class="v">2–3`+"\u00a0"+`cm</span>` {
		t.Errorf("%s", got)
	}
}
