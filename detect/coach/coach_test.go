package coach

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	p "tapeline/pipeline"
)

func f(v float64) *float64 { return &v }

func TestJudgeEdges(t *testing.T) {
	max5 := Rule{Unit: "cm", Max: f(5)}
	min0 := Rule{Unit: "cm", Min: f(0)}
	for _, c := range []struct {
		name   string
		r      Rule
		lo, hi float64
		want   verdict
	}{
		{"all inside", max5, 1, 5, inside},
		{"touches the limit from above", max5, 5, 9, unsure},
		{"all outside", max5, 5.01, 9, outside},
		{"straddles", max5, 3, 6, unsure},
		{"min inside", min0, 0, 4, inside},
		{"min outside", min0, -4, -0.01, outside},
		{"min straddles", min0, -1, 1, unsure},
	} {
		m := &p.Measure{Unit: "cm", Value: f((c.lo + c.hi) / 2), Lo: f(c.lo), Hi: f(c.hi)}
		if got, _ := c.r.judge(m); got != c.want {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
	if v, _ := max5.judge(&p.Measure{Unit: "cm"}); v != unsure {
		t.Error("a null value must be unsure")
	}
	// 5 cm are 2.5 % of 2.0 m and 4.17 % of 1.2 m.
	for _, c := range []struct {
		lo, hi float64
		want   verdict
	}{{-1, 2.4, inside}, {-1, 2.6, unsure}, {4, 9, unsure}, {4.2, 9, outside}} {
		if v, _ := max5.judge(&p.Measure{Unit: "pct_height", Value: f((c.lo + c.hi) / 2), Lo: f(c.lo), Hi: f(c.hi)}); v != c.want {
			t.Errorf("%g…%g %% of an unknown height: got %v, want %v", c.lo, c.hi, v, c.want)
		}
	}
	if v, _ := max5.judge(&p.Measure{Unit: "deg", Value: f(9), Lo: f(8), Hi: f(10)}); v != unsure {
		t.Error("a band in cm says nothing about degrees")
	}
	if v, _ := max5.judge(nil); v != silent {
		t.Error("an absent measure must be silent")
	}
}

// Whatever the measures say: strengths come first, one priority at most, a
// secondary only after it, nothing twice.
func TestOrderHolds(t *testing.T) {
	rules, err := Rules(nil)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		var s p.Swing
		for _, r := range rules {
			m := p.Measure{Key: r.Measure, From: r.From, At: r.At, Unit: r.Unit}
			if rapid.Bool().Draw(t, "known") {
				lo := rapid.Float64Range(-100, 100).Draw(t, "lo")
				hi := lo + rapid.Float64Range(0, 50).Draw(t, "width")
				m.Value, m.Lo, m.Hi = f((lo+hi)/2), f(lo), f(hi)
			}
			s.Measures = append(s.Measures, m)
		}
		rep := p.Report{Swings: []p.Swing{s}}
		Find(&rep, rules)
		rank := map[string]int{p.Strength: 0, p.Priority: 1, p.Secondary: 2, p.CantTell: 3}
		last, count := 0, map[string]int{}
		for _, x := range rep.Swings[0].Findings {
			if rank[x.Kind] < last {
				t.Fatalf("%s after rank %d", x.Kind, last)
			}
			last = rank[x.Kind]
			count[x.Kind]++
			count[x.Rule]++
			if count[x.Rule] > 1 {
				t.Fatalf("rule %s twice", x.Rule)
			}
		}
		if count[p.Priority] > 1 || count[p.Secondary] > 1 || (count[p.Secondary] == 1 && count[p.Priority] == 0) {
			t.Fatalf("priorities %v", count)
		}
	})
}

func TestRulesAreStrict(t *testing.T) {
	for _, c := range []struct{ yaml, want string }{
		{"rules: [{rule: a, measure: m, unit: cm, max: 1, effect: 1, origin: K, nonsense: 1}]", "nonsense"},
		{"rules: [{rule: a, measure: m, unit: cm, effect: 1, origin: K}]", "min or max"},
		{"rules: [{rule: a, measure: m, unit: cm, min: 2, max: 1, effect: 1, origin: K}]", "below"},
		{"rules: [{rule: a, measure: m, unit: cm, max: 1, effect: 0, origin: K}]", "effect"},
		{"rules: [{rule: a, measure: m, unit: cm, max: 1, effect: 1, origin: Z}]", "origin"},
		{"rules: [{rule: a, measure: m, unit: cm, max: 1, effect: 1, origin: K}, {rule: a, measure: m, unit: cm, max: 1, effect: 1, origin: K}]", "twice"},
	} {
		if _, err := Rules([]byte(c.yaml)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.yaml, err, c.want)
		}
	}
}
