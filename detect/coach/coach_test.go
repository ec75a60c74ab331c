package coach

import (
	"fmt"
	"math"
	"math/rand"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/detect/swing"
	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
	"tapeline/pipeline/schema"
)

func num(v float64) *float64 { return &v }

func shipped(t testing.TB) []Rule {
	t.Helper()
	rules, err := Rules(nil)
	if err != nil {
		t.Fatal(err)
	}
	return rules
}

// everywhere are all levels and sports, unknown ones too.
func everywhere(f func(p.Level, p.Sport)) {
	for _, l := range append([]p.Level{p.LevelUnknown}, p.Levels...) {
		for _, s := range append([]p.Sport{p.SportUnknown}, p.Sports...) {
			f(l, s)
		}
	}
}

func measured(r Rule, unit string, lo, hi float64) p.Measure {
	return p.Measure{Key: r.Measure, From: r.From, At: r.At, Unit: unit, Value: num((lo + hi) / 2), Lo: num(lo), Hi: num(hi)}
}

// kindOf is what one rule says of one measure.
func kindOf(r Rule, level p.Level, sport p.Sport, m ...p.Measure) string {
	rep := p.Report{Batter: p.Batter{Level: level, Sport: sport}, Swings: []p.Swing{{Measures: m}}}
	Find(&rep, []Rule{r})
	kinds := make([]string, 0, 1)
	for _, f := range rep.Swings[0].Findings {
		kinds = append(kinds, f.Kind)
	}
	return strings.Join(kinds, " and ")
}

// Every edge of every band, made from the rules themselves: the shipped ones
// and an academy's with bands for levels and sports on both sides.
func TestEveryEdge(t *testing.T) {
	own, err := Rules([]byte(`
rules:
  - rule: eye_drop
    max: 6
    min: -4
    levels: {youth: {max: 7.5}, college: {min: -3, max: 4}}
    sports: {softball: {max: 5.5}}
  - {rule: hands_start, levels: {middle: {min: -5}}}
  - {rule: stands_wide, measure: stride_length_pct, from: stance, at: plant, unit: pct_height, min: 5, max: 30, effect: 1, step: 5, say: The stride is odd.}
`))
	if err != nil {
		t.Fatal(err)
	}
	edges := 0
	for _, r := range append(shipped(t), own...) {
		everywhere(func(level p.Level, sport p.Sport) {
			l := r.limit(level, sport)
			good := "" // silence
			if r.Praise {
				good = p.Strength
			}
			say := func(what, want string, m ...p.Measure) {
				edges++
				if got := kindOf(r, level, sport, m...); got != want {
					t.Errorf("%s, %s %s, %s: said %q, want %q", r.Rule, level, sport, what, got, want)
				}
			}
			// w is an interval's width that reaches no other edge.
			w := .1 * r.Step
			for _, e := range []struct {
				limit *float64
				out   float64 // the way out of the band
			}{{l.Min, -1}, {l.Max, 1}} {
				if e.limit == nil {
					continue
				}
				span := func(a, b float64) p.Measure { return measured(r, r.Unit, math.Min(a, b), math.Max(a, b)) }
				at := *e.limit
				next, before := math.Nextafter(at, at+e.out), math.Nextafter(at, at-e.out)
				say("to the limit", good, span(at-e.out*w, at))
				say("on the limit", good, span(at, at))
				say("a hair inside", good, span(at-e.out*w, before))
				say("a hair over", p.CantTell, span(at-e.out*w, next))
				say("straddling", p.CantTell, span(at-e.out*w, at+e.out*w))
				say("from the limit out", p.CantTell, span(at, at+e.out*w))
				say("a hair outside", p.Priority, span(next, next+e.out*w))
				say("outside", p.Priority, span(at+e.out*w, at+e.out*2*w))
				if l.Min != nil && l.Max != nil {
					say("beyond both limits", p.CantTell, span(*l.Min-w, *l.Max+w))
				}
				for _, unit := range []string{"cm", "deg", "ratio", "s", "pct_height"} {
					if unit != r.Unit && (r.Unit != "cm" || unit != "pct_height") {
						say("in "+unit, p.CantTell, measured(r, unit, at+e.out*w, at+e.out*2*w))
					}
				}
				if r.Unit != "cm" {
					continue
				}
				// Percent of an unknown height: inside when it is for a tall
				// batter and for a small one, outside likewise. Past the limit
				// the mildest height counts, up to it the hardest.
				mild, hard := 1.2, 2.0 // m, the smallest and the tallest batter
				if at*e.out < 0 {      // a limit on the near side of nothing
					mild, hard = hard, mild
				}
				pct := func(a, b float64) p.Measure {
					m := span(a, b)
					m.Unit = "pct_height"
					return m
				}
				if at == 0 {
					say("percent, on nothing", good, pct(-e.out*w, 0))
					say("percent, beyond nothing", p.Priority, pct(e.out*1e-9, e.out*w))
					continue
				}
				hair := e.out * 1e-9 * math.Abs(at)
				say("percent, inside for all", good, pct(at/hard-hair-e.out*w/4, at/hard-hair))
				say("percent, outside for some", p.CantTell, pct(at/hard-e.out*w/4, at/hard+hair))
				say("percent, inside for one", p.CantTell, pct(at/mild-hair, at/mild+e.out*w))
				say("percent, outside for all", p.Priority, pct(at/mild+hair, at/mild+e.out*w))
			}
			for _, e := range []struct {
				limit *float64
				out   float64
			}{{r.PraiseMin, -1}, {r.PraiseMax, 1}} {
				if e.limit == nil || l.Min != nil && *l.Min > *e.limit || l.Max != nil && *l.Max < *e.limit {
					continue
				}
				at := *e.limit
				next := math.Nextafter(at, at+e.out)
				say("praise, to the limit", good, measured(r, r.Unit, math.Min(at, at-e.out*w), math.Max(at, at-e.out*w)))
				say("praise, beyond", "", measured(r, r.Unit, math.Min(next, at-e.out*w), math.Max(next, at-e.out*w)))
			}
			say("null", p.CantTell, p.Measure{Key: r.Measure, From: r.From, At: r.At, Unit: r.Unit, Warnings: []string{"along_view"}})
			say("bounds without a value", p.CantTell, p.Measure{Key: r.Measure, From: r.From, At: r.At, Unit: r.Unit, Lo: num(-1e6), Hi: num(-1e6)})
			say("absent", "")
		})
	}
	if edges < 1000 {
		t.Errorf("only %d edges were tried", edges)
	}
}

// What is said of every rule: its evidence names its measure and its moment.
func TestEvidence(t *testing.T) {
	for _, c := range []struct {
		r    Rule
		want string
	}{
		{Rule{Measure: "eye_drop", From: p.Stance, At: p.Contact}, "eye_drop@contact"},
		{Rule{Measure: "eye_forward", From: p.Plant, At: p.Contact}, "eye_forward@plant-contact"},
		{Rule{Measure: "finish_hold", At: p.Finish}, "finish_hold@finish"},
	} {
		if got := c.r.finding().Evidence; !reflect.DeepEqual(got, []string{c.want}) {
			t.Errorf("%v, want %s", got, c.want)
		}
	}
}

// swingWith draws a swing for the rules.
func swingWith(t *rapid.T, rules []Rule) p.Swing {
	s := p.Swing{Index: 1, Chosen: true}
	add := func(key string, from, at p.EventKind) {
		if s.Measure(key, from, at) != nil || rapid.IntRange(0, 9).Draw(t, "absent") == 0 {
			return
		}
		m := p.Measure{Key: key, From: from, At: at, Unit: p.MeasureForms[key].Unit, Frames: []int{}, Warnings: []string{}}
		if m.Unit == "cm" && rapid.Bool().Draw(t, "percent") {
			m.Unit = "pct_height"
		}
		if rapid.IntRange(0, 3).Draw(t, "known") > 0 {
			lo := rapid.Float64Range(-60, 100).Draw(t, "lo")
			hi := lo + rapid.Float64Range(0, 20).Draw(t, "width")
			m.Value, m.Lo, m.Hi = num((lo+hi)/2), num(lo), num(hi)
		} else {
			m.Warnings = []string{"along_view"}
		}
		s.Measures = append(s.Measures, m)
	}
	for _, r := range rules {
		add(r.Measure, r.From, r.At)
		for _, l := range r.Chain {
			for _, c := range l.When {
				if c.Rule == "" {
					add(c.Measure, c.From, c.At)
				}
			}
		}
	}
	for _, k := range p.EventKinds {
		s.Events = append(s.Events, p.Event{Kind: k, Reason: "still"})
	}
	s.Geometry.Unit = "cm"
	return s
}

// Whatever the measures say and whatever the coach sets: strengths come first,
// one priority at most, a secondary only after it and never a mere consequence
// of another fault, nothing twice, no word of the coach lost.
func TestOrderHolds(t *testing.T) {
	rules := shipped(t)
	byName := map[string]Rule{}
	for _, r := range rules {
		byName[r.Rule] = r
	}
	rapid.Check(t, func(t *rapid.T) {
		var hand p.Coach
		if rapid.Bool().Draw(t, "by hand") {
			hand.Drop = rapid.SliceOfN(rapid.SampledFrom(p.RuleCodes), 0, 4).Draw(t, "drop")
			for i := range rapid.IntRange(0, 4).Draw(t, "adds") {
				kind := rapid.SampledFrom([]string{p.Strength, p.Priority, p.Secondary}).Draw(t, "kind")
				hand.Add = append(hand.Add, p.Added{Kind: kind, Text: fmt.Sprintf("word %d", i)})
			}
			if rapid.Bool().Draw(t, "notes") {
				hand.Notes = []string{"Eat well."}
			}
		}
		given := p.Given{
			Level: rapid.SampledFrom(append([]p.Level{""}, p.Levels...)).Draw(t, "level"),
			Sport: rapid.SampledFrom(append([]p.Sport{""}, p.Sports...)).Draw(t, "sport"),
			Coach: &hand,
		}
		rep := p.Report{Schema: p.ReportSchema, Batter: p.Batter{Bats: p.BatsRight, View: p.ViewChest},
			Clip:   p.ClipInfo{ID: strings.Repeat("0a", 32), Name: "a.mp4", Width: 960, Height: 540, Duration: 2, CaptureRate: 60, TimeFactor: 1},
			Swings: []p.Swing{swingWith(t, rules)}}
		Advise(&rep, given, rules)
		s := rep.Swings[0]
		rank := map[string]int{p.Strength: 0, p.Priority: 1, p.Secondary: 2, p.CantTell: 3}
		last, count, said := 0, map[string]int{}, map[string]int{}
		var first, second p.Finding
		for _, x := range s.Findings {
			if rank[x.Kind] < last {
				t.Fatalf("%s after rank %d", x.Kind, last)
			}
			last = rank[x.Kind]
			count[x.Kind]++
			if x.Rule == coachRule {
				said[x.Text]++
				continue
			}
			if count[x.Rule]++; count[x.Rule] > 1 {
				t.Fatalf("rule %s twice", x.Rule)
			}
			if slices.Contains(hand.Drop, x.Rule) {
				t.Fatalf("%s was dropped", x.Rule)
			}
			if x.Chain != nil && x.Kind != p.Priority {
				t.Fatalf("a chain for the %s", x.Kind)
			}
			for _, c := range x.Chain {
				if !slices.Contains(p.ChainCodes, c) {
					t.Fatalf("unknown code %s", c)
				}
			}
		}
		for _, x := range s.Findings {
			switch x.Kind {
			case p.Priority:
				first = x
			case p.Secondary:
				second = x
			}
		}
		if count[p.Priority] > 1 || count[p.Secondary] > 1 || count[p.Secondary] > count[p.Priority] {
			t.Fatalf("%d priorities, %d secondaries", count[p.Priority], count[p.Secondary])
		}
		if slices.Contains(byName[second.Rule].Follows, first.Rule) {
			t.Fatalf("%s is a mere consequence of %s", second.Rule, first.Rule)
		}
		for _, n := range s.Notes {
			said[n]++
		}
		for i, a := range hand.Add {
			if said[a.Text] != 1 {
				t.Fatalf("%q is said %d times", a.Text, said[a.Text])
			}
			if a.Kind == p.Priority && !slices.ContainsFunc(hand.Add[:i], func(b p.Added) bool { return b.Kind == p.Priority }) && first.Text != a.Text {
				t.Fatalf("the coach's priority %q stands behind %v", a.Text, first)
			}
		}
		if len(hand.Notes) > 0 && said["Eat well."] != 1 {
			t.Fatal("a note is lost")
		}
		// The plan is for the priority of the rules, or keeps the best strength
		// of theirs where nothing is to be worked on, or isn't there.
		planned := first.Rule
		if first.Rule == "" {
			for _, x := range s.Findings {
				if planned == "" && x.Kind == p.Strength && x.Rule != coachRule {
					planned = x.Rule
				}
			}
		}
		if planned == coachRule {
			planned = ""
		}
		if (planned != "") != (s.Plan != nil) || planned != "" && s.Plan.Rule != planned {
			t.Fatalf("priority %q, plan %+v", first.Rule, s.Plan)
		}
		if kept := s.Keep(); kept != nil && (first.Rule != "" || kept.Kind != p.Strength || s.Plan != nil && s.Plan.Rule != kept.Rule) ||
			kept == nil && first.Rule == "" && count[p.Strength] > 0 {
			t.Fatalf("priority %q, plan %+v, kept %+v", first.Rule, s.Plan, kept)
		}
		for _, x := range s.Findings {
			if x.Kind == p.Strength && x.Rule != coachRule && slices.Contains(byName[x.Rule].Follows, first.Rule) {
				t.Fatalf("%s is praised beside %s", x.Rule, first.Rule)
			}
		}
		if len(rep.Bands) != len(rules) {
			t.Fatalf("%d bands for %d rules", len(rep.Bands), len(rules))
		}
		b, err := p.MarshalReport(rep)
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Report(b); err != nil {
			t.Fatal(err)
		}
	})
}

// outOf lies so far outside the rule's band that it weighs k times its effect.
func outOf(r Rule, k float64) p.Measure {
	if r.Max != nil {
		return measured(r, r.Unit, *r.Max+(k-1)*r.Step, *r.Max+(k-1)*r.Step+.1)
	}
	return measured(r, r.Unit, *r.Min-(k-1)*r.Step-.1, *r.Min-(k-1)*r.Step)
}

func TestPriority(t *testing.T) {
	rules := shipped(t)
	far := map[string]float64{}
	for _, c := range []struct {
		name          string
		out           map[string]float64 // how far out: its weight over its effect
		drop          []string
		add           []p.Added
		order         []string
		first, second string
		chain         []string
	}{
		{name: "nothing"},
		{name: "the larger effect", out: map[string]float64{"eye_drop": 1.1, "head_after": 1.1}, first: "eye_drop", second: "head_after"},
		{name: "far enough outside", out: map[string]float64{"eye_drop": 1.1, "front_foot_open": 1.5}, first: "front_foot_open", second: "eye_drop",
			chain: []string{"to_hip_opens", "to_all_arms"}},
		{name: "a lesser effect farther out", out: map[string]float64{"hands_start": 1.1, "head_after": 1.3}, first: "hands_start", second: "head_after"},
		{name: "two at most", out: map[string]float64{"eye_drop": 3, "front_foot_open": 2, "hands_start": 2, "head_after": 2}, first: "eye_drop", second: "front_foot_open"},
		{name: "a consequence is said with its cause", out: map[string]float64{"front_foot_open": 1.1, "front_foot_open_contact": 1.9}, first: "front_foot_open",
			chain: []string{"to_foot_stays_open", "to_hip_opens", "to_all_arms"}},
		{name: "a consequence of what comes second is no third", out: map[string]float64{"eye_drop": 2, "head_drifts": 1.1, "head_over_back": 3, "head_after": 1.1}, first: "eye_drop", second: "head_drifts"},
		{name: "a consequence without its cause", out: map[string]float64{"front_foot_open_contact": 1.1}, first: "front_foot_open_contact",
			chain: []string{"to_hip_opens", "to_all_arms"}},
		{name: "the head ends up ahead", out: map[string]float64{"head_forward": 1.1, "head_over_back": 1.1}, first: "head_forward", chain: []string{"to_head_ahead"}},
		{name: "the lesser ones", out: map[string]float64{"hands_start": 1.1, "finish_hold": 1.1}, first: "hands_start", second: "finish_hold"},
		{name: "only the drift", out: map[string]float64{"head_drifts": 1.1}, first: "head_drifts"},
		{name: "the coach drops the cause", out: map[string]float64{"front_foot_open": 1.1, "front_foot_open_contact": 1.1}, drop: []string{"front_foot_open"}, first: "front_foot_open_contact",
			chain: []string{"to_hip_opens", "to_all_arms"}},
		{name: "the coach drops the consequence", out: map[string]float64{"front_foot_open": 1.1, "front_foot_open_contact": 1.1}, drop: []string{"front_foot_open_contact"}, first: "front_foot_open",
			chain: []string{"to_hip_opens", "to_all_arms"}},
		{name: "the coach's priority", out: map[string]float64{"eye_drop": 2, "head_after": 2}, add: []p.Added{{Kind: p.Priority, Text: "swing less"}}, first: "swing less", second: "eye_drop"},
		{name: "the coach's secondary", out: map[string]float64{"eye_drop": 2, "head_after": 2}, add: []p.Added{{Kind: p.Secondary, Text: "swing less"}}, first: "eye_drop", second: "swing less"},
		{name: "both", out: map[string]float64{"eye_drop": 2}, add: []p.Added{{Kind: p.Secondary, Text: "b"}, {Kind: p.Priority, Text: "a"}}, first: "a", second: "b"},
		{name: "the coach's order", out: map[string]float64{"eye_drop": 3, "head_after": 2, "hands_start": 1.1}, order: []string{"hands_start", "front_foot_open", "eye_drop"}, first: "hands_start", second: "eye_drop"},
		{name: "no consequence goes before its cause", out: map[string]float64{"front_foot_open": 1.1, "front_foot_open_contact": 1.9, "eye_drop": 2}, order: []string{"front_foot_open_contact"}, first: "eye_drop", second: "front_foot_open"},
		{name: "the coach's own behind", out: map[string]float64{"eye_drop": 2, "head_after": 2}, add: []p.Added{{Kind: p.Priority, Text: "swing less"}}, order: []string{"eye_drop", "coach"}, first: "eye_drop", second: "swing less"},
		{name: "the coach's own before", out: map[string]float64{"eye_drop": 2, "head_after": 2}, add: []p.Added{{Kind: p.Secondary, Text: "swing less"}}, order: []string{"coach", "head_after"}, first: "swing less", second: "head_after"},
		{name: "the coach's own in turn", out: map[string]float64{"head_after": 2}, add: []p.Added{{Kind: p.Strength, Text: "x"}, {Kind: p.Priority, Text: "a"}, {Kind: p.Priority, Text: "b"}}, order: []string{"coach", "head_after", "coach", "coach"}, first: "head_after", second: "a"},
		{name: "one without a place", out: map[string]float64{"head_after": 2}, add: []p.Added{{Kind: p.Priority, Text: "a"}, {Kind: p.Priority, Text: "b"}}, order: []string{"head_after", "coach"}, first: "b", second: "head_after"},
		{name: "a secondary alone is the priority", add: []p.Added{{Kind: p.Secondary, Text: "b"}}, first: "b"},
	} {
		s := p.Swing{Chosen: true}
		for _, r := range rules {
			if k, ok := c.out[r.Rule]; ok {
				s.Measures = append(s.Measures, outOf(r, k))
				far[r.Rule] = k
			}
		}
		rep := p.Report{Swings: []p.Swing{s}}
		Advise(&rep, p.Given{Coach: &p.Coach{Drop: c.drop, Add: c.add, First: c.order}}, rules)
		got, chain := map[string]string{}, []string(nil)
		for _, f := range rep.Swings[0].Findings {
			if f.Rule == coachRule {
				f.Rule = f.Text
			}
			got[f.Kind] = f.Rule
			if f.Kind == p.Priority {
				chain = f.Chain
			}
		}
		if got[p.Priority] != c.first || got[p.Secondary] != c.second || !reflect.DeepEqual(chain, c.chain) {
			t.Errorf("%s: %v with chain %v; want %q with %v, then %q", c.name, got, chain, c.first, c.chain, c.second)
		}
	}
	for _, r := range rules {
		if far[r.Rule] == 0 {
			t.Errorf("%s was never outside", r.Rule)
		}
	}
}

// Strengths stand in the coach's order, the coach's own among them.
func TestStrengthsInOrder(t *testing.T) {
	rules := shipped(t)
	s := p.Swing{Chosen: true}
	for _, r := range rules {
		if r.Rule == "eye_drop" || r.Rule == "head_after" {
			s.Measures = append(s.Measures, measured(r, r.Unit, 0, .1))
		}
	}
	for want, order := range map[string][]string{
		"own other eye_drop head_after":  nil,
		"own other head_after eye_drop ": {"head_after"},
		"head_after own eye_drop other":  {"head_after", "coach", "eye_drop", "coach"},
	} {
		rep := p.Report{Swings: []p.Swing{s}}
		Advise(&rep, p.Given{Coach: &p.Coach{First: order, Add: []p.Added{{Kind: p.Strength, Text: "own"}, {Kind: p.Strength, Text: "other"}}}}, rules)
		var got []string
		for _, f := range rep.Swings[0].Findings {
			if f.Kind == p.Strength {
				if f.Rule == coachRule {
					f.Rule = f.Text
				}
				got = append(got, f.Rule)
			}
		}
		if strings.Join(got, " ") != strings.TrimSpace(want) {
			t.Errorf("%v: %v, want %s", order, got, want)
		}
	}
}

// The coach's words for a finding stay with its kind: a fault isn't told in the
// words of a strength.
func TestCoachsWords(t *testing.T) {
	rules := shipped(t)
	hand := p.Coach{Say: []p.Said{{Rule: "eye_drop", Kind: p.Secondary, Text: "Stay tall."}, {Rule: "eye_drop", Kind: p.Strength, Text: "So tall!"}, {Rule: "hands_start", Kind: p.Strength, Text: "Nice hands."}}}
	for _, r := range rules {
		if r.Rule != "eye_drop" && r.Rule != "hands_start" {
			continue
		}
		rep := p.Report{Swings: []p.Swing{{Chosen: true, Measures: []p.Measure{outOf(r, 2)}}}}
		Advise(&rep, p.Given{Coach: &hand}, rules)
		want := map[string]string{"eye_drop": "Stay tall.", "hands_start": ""}[r.Rule]
		if f := rep.Swings[0].Findings[0]; f.Kind != p.Priority || f.Rule != r.Rule || f.Text != want || rep.Swings[0].Plan == nil {
			t.Errorf("%s: %+v, want %q", r.Rule, f, want)
		}
	}
}

// Strengths stand by what matters most.
func TestPraise(t *testing.T) {
	rules := shipped(t)
	s := p.Swing{}
	for _, r := range rules {
		if r.Max != nil {
			s.Measures = append(s.Measures, measured(r, r.Unit, *r.Max-.1*r.Step, *r.Max-.05*r.Step))
		} else {
			s.Measures = append(s.Measures, measured(r, r.Unit, *r.Min, *r.Min+.1))
		}
	}
	rep := p.Report{Swings: []p.Swing{s}}
	Find(&rep, rules)
	var got []string
	for _, f := range rep.Swings[0].Findings {
		if f.Kind != p.Strength {
			t.Errorf("%s: %s", f.Rule, f.Kind)
		}
		got = append(got, f.Rule)
	}
	if want := []string{"eye_drop", "front_foot_open", "head_forward", "front_foot_open_contact", "head_drifts", "head_over_back", "hands_start", "head_after", "finish_hold"}; !reflect.DeepEqual(got, want) {
		t.Errorf("praised %v, want %v", got, want)
	}
	// A head that goes back is neither still nor a fault.
	for _, r := range rules[3:5] {
		if got := kindOf(r, "", "", measured(r, "cm", -10, -8.5)); got != "" {
			t.Errorf("%s backward: %s", r.Rule, got)
		}
	}
	// Eyes that rise are neither at the tape nor a fault.
	if got := kindOf(rules[0], "", "", measured(rules[0], "cm", -7, -5.5)); got != "" {
		t.Errorf("rising eyes: %s", got)
	}
}

// Why the eyes drop: the body's part, the nod's part, and whether the stance
// is tall are only said where they were measured.
func TestWhyEyesDrop(t *testing.T) {
	straight, bent, doubtful := [2]float64{5, 25}, [2]float64{31, 45}, [2]float64{20, 31}
	for _, c := range []struct {
		name        string
		eye, head   [2]float64 // bounds
		front, back [2]float64 // knees; nothing: can't be told
		want        []string
		drill       string
	}{
		{"tall", [2]float64{7, 9}, [2]float64{4, 8}, straight, straight, []string{"from_tall_stance", "from_body_sinks"}, "mirror_tape_lower"},
		{"at 30 degrees", [2]float64{7, 9}, [2]float64{4, 8}, [2]float64{10, 30}, straight, []string{"from_tall_stance", "from_body_sinks"}, "mirror_tape_lower"},
		{"bent", [2]float64{7, 9}, [2]float64{4, 8}, bent, bent, []string{"from_body_sinks"}, "mirror_tape_lower"},
		{"one knee bent", [2]float64{7, 9}, [2]float64{4, 8}, straight, bent, []string{"from_body_sinks"}, "mirror_tape_lower"},
		{"front knee in doubt", [2]float64{7, 9}, [2]float64{4, 8}, doubtful, straight, []string{"from_body_sinks"}, "mirror_tape_lower"},
		{"back knee in doubt", [2]float64{7, 9}, [2]float64{4, 8}, straight, doubtful, []string{"from_body_sinks"}, "mirror_tape_lower"},
		{"knees unseen", [2]float64{7, 9}, [2]float64{4, 8}, [2]float64{}, straight, []string{"from_body_sinks"}, "mirror_tape_lower"},
		{"a nod", [2]float64{7, 9}, [2]float64{2, 4}, straight, straight, []string{"from_nod"}, "mirror_tape"},
		{"half is a nod", [2]float64{7, 9}, [2]float64{3, 5}, straight, straight, []string{"from_nod"}, "mirror_tape"},
		{"a hair over half", [2]float64{7, 9}, [2]float64{3, 5.0001}, straight, straight, []string{"from_tall_stance", "from_body_sinks"}, "mirror_tape_lower"},
		{"the head rises", [2]float64{7, 9}, [2]float64{-3, -1}, straight, straight, []string{"from_nod"}, "mirror_tape"},
		{"the body's fall in doubt", [2]float64{7, 9}, [2]float64{-.1, 12}, straight, straight, nil, "mirror_tape"},
		{"the head unseen", [2]float64{7, 9}, [2]float64{}, straight, straight, nil, "mirror_tape"},
	} {
		m := func(key string, from, at p.EventKind, unit string, b [2]float64) p.Measure {
			if b == [2]float64{} {
				return p.Measure{Key: key, From: from, At: at, Unit: unit, Warnings: []string{"face_unseen"}}
			}
			return p.Measure{Key: key, From: from, At: at, Unit: unit, Value: num((b[0] + b[1]) / 2), Lo: num(b[0]), Hi: num(b[1])}
		}
		rep := p.Report{Swings: []p.Swing{{Measures: []p.Measure{
			m("eye_drop", p.Stance, p.Contact, "cm", c.eye), m("head_drop", p.Stance, p.Contact, "cm", c.head),
			m("stance_knee_front", "", p.Stance, "deg", c.front), m("stance_knee_back", "", p.Stance, "deg", c.back),
			// A long stride beside a falling head is no reason to blame it.
			m("stride_length", p.Stance, p.Plant, "cm", [2]float64{90, 95}),
		}}}}
		Find(&rep, shipped(t))
		s := rep.Swings[0]
		if f := s.Findings[0]; f.Rule != "eye_drop" || f.Kind != p.Priority || !reflect.DeepEqual(f.Chain, c.want) {
			t.Errorf("%s: %+v, want %v", c.name, f, c.want)
		}
		if d := s.Plan.Steps[0].Drill; d != c.drill {
			t.Errorf("%s: begins with %s, want %s", c.name, d, c.drill)
		}
	}
	// A part in one unit is no part of a whole in another.
	j := judged{swing: &p.Swing{Measures: []p.Measure{
		{Key: "eye_drop", From: p.Stance, At: p.Contact, Unit: "cm", Value: num(8)}, {Key: "head_drop", From: p.Stance, At: p.Contact, Unit: "pct_height", Value: num(7)}}}}
	if j.holds(Condition{Measure: "head_drop", From: p.Stance, At: p.Contact, Of: "eye_drop", Over: num(.5)}) {
		t.Error("percent and centimetres were compared")
	}
	// Stride foot and head don't move together (Haag 2017, Baseball Research
	// Journal): nothing that is said of a cause knows the stride.
	for _, r := range shipped(t) {
		for _, l := range r.Chain {
			if strings.Contains(l.Code, "stride") {
				t.Errorf("%s blames the stride", r.Rule)
			}
			for _, c := range l.When {
				if strings.HasPrefix(c.Measure, "stride") {
					t.Errorf("%s asks for the stride", r.Rule)
				}
			}
		}
	}
}

func TestAdvise(t *testing.T) {
	rules, err := Rules([]byte("rules: [{rule: eye_drop, levels: {youth: {max: 7}}, sports: {softball: {max: 6, origin: M, setting: false}}}]"))
	if err != nil {
		t.Fatal(err)
	}
	drop := measured(rules[0], "cm", 6.1, 6.9)
	hand := &p.Coach{Notes: []string{"Well done."}, Palms: &p.Palms{Top: "up"}, Add: []p.Added{{Kind: p.Strength, Text: "good eye"}}}
	advise := func(g p.Given) p.Report {
		rep := p.Report{Swings: []p.Swing{{Index: 1, Measures: []p.Measure{drop}}, {Index: 2, Chosen: true, Measures: []p.Measure{drop}}}}
		Advise(&rep, g, rules)
		return rep
	}
	for _, c := range []struct {
		level  p.Level
		sport  p.Sport
		max    float64
		own    bool
		origin string
		kind   string
	}{
		{"", "", 5, false, "K", p.Priority}, {p.Youth, "", 7, true, "K", p.Strength},
		{p.Youth, p.Softball, 7, true, "K", p.Strength},   // the level before the sport
		{p.College, p.Softball, 6, true, "M", p.Priority}, // an own limit before a shipped one
		{p.College, p.Baseball, 4, false, "K", p.Priority}, {p.Middle, p.Baseball, 5, false, "K", p.Priority},
	} {
		rep := advise(p.Given{Level: c.level, Sport: c.sport, Coach: hand})
		b := rep.Bands[0]
		if b.Rule != "eye_drop" || b.Key != "eye_drop" || b.From != p.Stance || b.At != p.Contact || b.Unit != "cm" ||
			b.Min != nil || *b.Max != c.max || b.Own != c.own || b.Origin != c.origin || b.Setting != (c.origin == "K") {
			t.Errorf("%s %s: %+v, max %v", c.level, c.sport, b, *b.Max)
		}
		if rep.Batter.Level != c.level || rep.Batter.Sport != c.sport || (rep.Pitch != nil) != (c.level != "") {
			t.Errorf("%s %s: batter %+v, pitch %v", c.level, c.sport, rep.Batter, rep.Pitch)
		}
		other, shown := rep.Swings[0], rep.Swings[1]
		if f := other.Findings[0]; f.Rule != "eye_drop" || f.Kind != c.kind {
			t.Errorf("%s %s: %+v", c.level, c.sport, f)
		}
		if len(other.Notes) > 0 || other.Palms != nil {
			t.Error("the coach's hand lies on a swing that isn't shown")
		}
		if f := shown.Findings[0]; f.Rule != coachRule || f.Text != "good eye" || shown.Palms.Top != "up" || !reflect.DeepEqual(shown.Notes, hand.Notes) {
			t.Errorf("the coach's hand: %+v", shown)
		}
	}
	rep := advise(p.Given{Coach: &p.Coach{Drop: []string{"eye_drop"}}})
	if len(rep.Swings[0].Findings)+len(rep.Swings[1].Findings) > 0 {
		t.Error("a dropped rule is said")
	}
	if len(rep.Bands) != len(rules) {
		t.Error("its band is gone")
	}

	if err := Droppable(nil, rules); err != nil {
		t.Error(err)
	}
	if err := Droppable(&p.Coach{Drop: p.RuleCodes}, rules); err != nil {
		t.Error(err)
	}
	err = Droppable(&p.Coach{Drop: []string{"eye_drop", "eyes"}}, rules)
	if want := `findings.drop[1]: there is no rule "eyes"`; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
	for want, hand := range map[string]p.Coach{
		`findings.first[0]: there is no rule "eyes"`:               {First: []string{"eyes"}},
		`findings.first[2]: findings.add has 1 of your own, not 2`: {First: []string{"coach", "eye_drop", "coach"}, Add: []p.Added{{Kind: p.Priority, Text: "a"}}},
		`findings.say[0].rule: there is no rule "eyes"`:            {Say: []p.Said{{Rule: "eyes"}}},
	} {
		if err := Droppable(&hand, rules); err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
}

// What the judge gives is what the rules may ask for, moment by moment and
// unit by unit; and where it works out a lower start, and only there, the
// eyes' fall is put down to the body.
func TestMeasuresAreListed(t *testing.T) {
	rules := shipped(t)
	given, lower, sunk, nodded := map[string]bool{}, 0, 0, 0
	for _, c := range []struct{ drop, nod float64 }{{1, 18}, {9, 5}, {9, 18}, {9, 40}, {14, 0}, {8, 50}} {
		q := sim.Usual()
		q.EyeDrop, q.Nod = c.drop, c.nod
		tr := sim.Track(sim.Swing(q), sim.Perfect(), rand.New(rand.NewSource(1)))
		g := p.Given{HeightCM: 100 * q.Stature, Level: p.Youth}
		rep, err := swing.Judge(tr, g)
		if err != nil {
			t.Fatal(err)
		}
		s := rep.Chosen()
		for _, m := range s.Measures {
			f := p.MeasureForms[m.Key]
			if is := (p.Moment{From: m.From, At: m.At}); f.Unit != m.Unit || !slices.Contains(f.Moments, is) {
				t.Errorf("%s %s in %s is listed as %+v in pipeline.MeasureForms", m.Key, moment(is), m.Unit, f)
			}
			given[m.Key+moment(p.Moment{From: m.From, At: m.At})] = true
		}
		Advise(&rep, g, rules)
		for _, f := range s.Findings {
			if f.Rule != "eye_drop" || f.Kind != p.Priority {
				continue
			}
			lower++
			m := s.Measure("start_lower", "", p.Stance)
			sinks := slices.Contains(f.Chain, "from_body_sinks")
			if sinks != (m.Value != nil) || sinks != (s.Plan.Steps[0].Drill == "mirror_tape_lower") {
				t.Errorf("a fall of %g cm with a nod of %g°: %v, start_lower %+v", c.drop, c.nod, f.Chain, m)
			}
			if sinks {
				sunk++
			}
			if slices.Contains(f.Chain, "from_nod") {
				nodded++
			}
		}
	}
	if lower < 4 || sunk < 1 || nodded < 1 {
		t.Errorf("of the simulated falls %d are faults, %d of the body, %d of the nod", lower, sunk, nodded)
	}
	if len(p.MeasureForms) != len(p.MeasureKeys) {
		t.Errorf("%d measures have a form, %d a key", len(p.MeasureForms), len(p.MeasureKeys))
	}
	for _, k := range p.MeasureKeys {
		for _, at := range p.MeasureForms[k].Moments {
			if k != "marker_drop" && !given[k+moment(at)] { // the batter wears no marker
				t.Errorf("%s is listed %s and not measured", k, moment(at))
			}
		}
		if p.MeasureForms[k].Moments == nil {
			t.Errorf("%s has no form; give it one in pipeline.MeasureForms", k)
		}
	}
}
