package coach

import (
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	p "tapeline/pipeline"
)

// The ladder goes from the mirror to live: mirror 5–10, tee 10–15 and live
// 8–10 by common practice, no source; tosses 10–15 by youth drill guides.
func TestStages(t *testing.T) {
	want := []stage{{"mirror", 5, 10, "K"}, {"tee", 10, 15, "K"}, {"soft_toss", 10, 15, "P"}, {"front_toss", 10, 15, "P"}, {"live", 8, 10, "K"}}
	if !reflect.DeepEqual(drills.Stages, want) {
		t.Errorf("%+v", drills.Stages)
	}
}

// The first drill of every finding, common practice, no source.
func TestPlans(t *testing.T) {
	first := map[string]string{
		"eye_drop": "mirror_tape", "front_foot_open": "stride_check", "front_foot_open_contact": "tee_deep",
		"head_forward": "tee_freeze", "head_drifts": "stride_pole", "head_over_back": "tee_freeze",
		"hands_start": "mirror_hands", "head_after": "tee_number", "finish_hold": "tee_hold",
	}
	for _, r := range shipped(t) {
		chains := [][]string{nil}
		for _, l := range r.Chain {
			chains = append(chains, []string{l.Code})
		}
		for _, chain := range chains {
			got := plan(&r, chain)
			if got == nil {
				t.Errorf("%s: no plan", r.Rule)
				continue
			}
			n := len(got.Steps)
			if got.Rule != r.Rule || n < 3 || got.Steps[n-1].Drill != "live" {
				t.Errorf("%s: %+v", r.Rule, got)
			}
			if d := got.Steps[0].Drill; chain == nil && d != first[r.Rule] {
				t.Errorf("%s begins with %s, want %s", r.Rule, d, first[r.Rule])
			}
			for i, s := range got.Steps {
				at := drills.Stages[stageOf(s.Drill)]
				if s.From != at.From || s.To != at.To || s.Origin != at.Origin || s.Pass != r.Rule {
					t.Errorf("%s: %+v", r.Rule, s)
				}
				if i > 0 && stageOf(s.Drill) <= stageOf(got.Steps[i-1].Drill) {
					t.Errorf("%s: %s is no higher than %s", r.Rule, s.Drill, got.Steps[i-1].Drill)
				}
			}
			if !reflect.DeepEqual(got.Care, p.CareCodes) {
				t.Errorf("%s: cautions %v", r.Rule, got.Care)
			}
		}
	}
	five := week(5)
	if want := [][]int{{0}, {0, 1}, {}, {1, 2}, {2, 3}, {}, {3, 4}}; !reflect.DeepEqual(five, want) {
		t.Errorf("a week of five steps: %v, want %v", five, want)
	}
}

// However long the ladder: seven days, the days off kept, two drills a day at
// most, no step left out or taken before the one below it, the last one on the
// last day only.
func TestWeek(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, longestLadder).Draw(t, "steps")
		days := week(n)
		if len(days) != 7 {
			t.Fatalf("%d days", len(days))
		}
		reached := -1
		for d, day := range days {
			if day == nil || len(day) > 2 || len(day) > 0 && slices.Contains(drills.Rest, d+1) {
				t.Fatalf("day %d: %v", d+1, day)
			}
			for _, s := range day {
				if s > reached+1 || s < 0 || s >= n {
					t.Fatalf("day %d: step %d after %d", d+1, s, reached)
				}
				reached = max(reached, s)
				if s == n-1 && d != 6 {
					t.Fatalf("live on day %d", d+1)
				}
			}
		}
		if reached != n-1 {
			t.Fatalf("only up to step %d of %d", reached, n)
		}
	})
}

// Where nothing needs work the best strength is kept: its ladder's mirror, tee
// and soft toss, twice a week; common practice, no source. Where nothing is
// praised either, no plan is made up.
func TestKeep(t *testing.T) {
	rules := shipped(t)
	in := func(name string) p.Measure {
		for _, r := range rules {
			if r.Rule == name {
				if r.Max != nil {
					return measured(r, r.Unit, *r.Max-.1*r.Step, *r.Max-.05*r.Step)
				}
				return measured(r, r.Unit, *r.Min, *r.Min+.1)
			}
		}
		t.Fatal(name)
		return p.Measure{}
	}
	doubtful := func(name string) p.Measure {
		m := in(name)
		m.Value, m.Lo, m.Hi, m.Warnings = nil, nil, nil, []string{"along_view"}
		return m
	}
	for _, c := range []struct {
		name     string
		measures []p.Measure
		coach    []p.Added
		keep     string
		drills   []string
	}{
		{"the best of all", []p.Measure{in("finish_hold"), in("eye_drop"), doubtful("head_forward")}, nil, "eye_drop", []string{"mirror_tape", "tee_freeze", "soft_toss"}},
		{"the foot", []p.Measure{in("hands_start"), in("front_foot_open")}, nil, "front_foot_open", []string{"stride_check", "tee_deep", "soft_toss"}},
		{"the finish", []p.Measure{in("finish_hold")}, nil, "finish_hold", []string{"tee_hold", "soft_toss"}},
		{"nothing sure", []p.Measure{doubtful("eye_drop"), doubtful("head_forward")}, nil, "", nil},
		{"nothing measured", nil, nil, "", nil},
		{"the coach praises too", []p.Measure{in("hands_start")}, []p.Added{{Kind: p.Strength, Text: "calm"}}, "hands_start", []string{"mirror_hands", "tee_high", "soft_toss"}},
		{"only the coach praises", nil, []p.Added{{Kind: p.Strength, Text: "calm"}}, coachRule, nil},
		{"the coach has work", []p.Measure{in("eye_drop")}, []p.Added{{Kind: p.Secondary, Text: "wait"}}, "", nil},
	} {
		rep := p.Report{Swings: []p.Swing{{Chosen: true, Measures: c.measures}}}
		Advise(&rep, p.Given{Coach: &p.Coach{Add: c.coach}}, rules)
		s := &rep.Swings[0]
		keep, got := "", []string(nil)
		if k := s.Keep(); k != nil {
			keep = k.Rule
		}
		if s.Plan != nil {
			for _, x := range s.Plan.Steps {
				got = append(got, x.Drill)
				if at := drills.Stages[stageOf(x.Drill)]; x.From != at.From || x.To != at.To || x.Pass != keep {
					t.Errorf("%s: %+v", c.name, x)
				}
			}
			all := make([]int, len(got))
			for i := range all {
				all[i] = i
			}
			if want := [][]int{all, {}, {}, all, {}, {}, {}}; !reflect.DeepEqual(s.Plan.Days, want) || !reflect.DeepEqual(s.Plan.Care, p.CareCodes) {
				t.Errorf("%s: %+v", c.name, s.Plan)
			}
		}
		if keep != c.keep || !reflect.DeepEqual(got, c.drills) {
			t.Errorf("%s: keeps %q with %v, want %q with %v", c.name, keep, got, c.keep, c.drills)
		}
	}
}
