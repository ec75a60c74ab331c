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
