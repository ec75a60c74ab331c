package ledger

import (
	"math"
	"math/rand/v2"
	"testing"

	"tapeline/pipeline"
)

// drops is a lesson whose swings have these eye drops, each ± half.
func drops(clip, day string, view pipeline.View, half float64, values ...float64) Lesson {
	l := Lesson{Clip: clip, Day: day, View: view, Bats: "R", Bands: []pipeline.Band{{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Max: num(5)}}}
	for i, v := range values {
		l.Swings = append(l.Swings, pipeline.Swing{Index: i + 1, Chosen: i == 0, Measures: []pipeline.Measure{
			{Key: "stride_length", At: pipeline.Plant, Unit: "cm"},
			{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Value: num(v), Lo: num(v - half), Hi: num(v + half)},
		}})
	}
	return l
}

func TestSession(t *testing.T) {
	g := Groups([]Lesson{
		drops("a", "2026-05-03", pipeline.ViewChest, 1.96, 4, 8, 6), // σ = 1 each
		drops("b", "2026-05-03", pipeline.ViewChest, 1.96, 2),
		drops("c", "2026-05-04", pipeline.ViewChest, 1.96, 99),
		drops("d", "2026-05-03", pipeline.ViewBack, 1.96, 50),
	})
	if len(g) != 2 || len(g[0].Lessons) != 3 || g[1].View != pipeline.ViewBack {
		t.Fatalf("groups %+v", g)
	}
	got, swings := g[0].Session("2026-05-03")
	if swings != 4 || len(got) != 1 { // nothing told of the stride
		t.Fatalf("%d swings, %+v", swings, got)
	}
	s := got[0]
	// 2, 4, 6, 8: middle 5, sample variance (9+1+1+9)/3.
	if s.Swings != 4 || s.Untold != 0 || s.Median != 5 || s.Least != 2 || s.Most != 8 || math.Abs(*s.SD-math.Sqrt(20./3)) > 1e-12 || math.Abs(s.DoubtSD-1) > 1e-12 {
		t.Errorf("%+v", s)
	}
	// Q = 20 against χ²(0.95; 3) = 7.815 (any printed table).
	if s.Varies == nil || !*s.Varies {
		t.Error("20 > 7.815, and yet the swings do not vary")
	}
	// 2 ± 1.96 lies inside at most 5, 8 ± 1.96 outside.
	if s.Band == nil || *s.InBand != 1 || *s.OutBand != 1 {
		t.Errorf("band %+v: %d in, %d out", s.Band, *s.InBand, *s.OutBand)
	}
	one, _ := g[1].Session("2026-05-03")
	if len(one) != 1 || one[0].SD != nil || one[0].Varies != nil || one[0].Median != 50 {
		t.Errorf("one swing has no spread: %+v", one)
	}
	if none, n := g[0].Session("2026-01-01"); n != 0 || len(none) != 0 {
		t.Errorf("a day without lessons: %+v", none)
	}
}

// The edge of the test: two swings of σ = 1 that differ by d have Q = d²/2,
// and χ²(0.95; 1) = 3.841, so they vary from d = 2.772 on.
func TestSessionEdge(t *testing.T) {
	for d, want := range map[float64]bool{2.77: false, 2.775: true} {
		got, _ := Groups([]Lesson{drops("a", "2026-05-03", pipeline.ViewChest, 1.96, 10, 10+d)})[0].Session("2026-05-03")
		if got[0].Varies == nil || *got[0].Varies != want {
			t.Errorf("%g apart: %v", d, got[0].Varies)
		}
	}
}

// Swings that differ by their doubt alone are said to vary once in twenty.
func TestSessionFalseAlarms(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	const days = 2000
	said := 0
	for range days {
		v := make([]float64, 6)
		for i := range v {
			v[i] = 5 + r.NormFloat64()
		}
		got, _ := Groups([]Lesson{drops("a", "2026-05-03", pipeline.ViewChest, 1.96, v...)})[0].Session("2026-05-03")
		if *got[0].Varies {
			said++
		}
	}
	// 100 ± 4·√(2000·0.05·0.95).
	if said < 61 || said > 139 {
		t.Errorf("%d of %d days", said, days)
	}
}

func TestLast(t *testing.T) {
	lessons := []Lesson{
		drops("a", "2026-04-01", pipeline.ViewChest, 1, 1),
		drops("b", "2026-04-08", pipeline.ViewChest, 1, 1),
		drops("c", "2026-04-15", pipeline.ViewBack, 1, 1),
		{Clip: "d", Day: "2026-04-16", View: pipeline.ViewChest, Bats: "R"}, // no swing
		drops("e", "2026-04-22", pipeline.ViewChest, 1, 1),
	}
	for _, c := range []struct {
		day  string
		view pipeline.View
		bats pipeline.Side
		want string
	}{
		{"2026-04-22", pipeline.ViewChest, "R", "b"},
		{"2026-04-23", pipeline.ViewChest, "R", "e"},
		{"2026-04-22", pipeline.ViewBack, "R", "c"},
		{"2026-04-22", pipeline.ViewPitcher, "R", "c"}, // the newest of all
		{"2026-04-22", pipeline.ViewChest, "L", ""},    // a switch hitter's other side
		{"2026-04-01", pipeline.ViewChest, "R", ""},
	} {
		got := ""
		if l := Last(lessons, c.day, c.view, c.bats); l != nil {
			got = l.Clip
		}
		if got != c.want {
			t.Errorf("before %s, %s, %s: %q; want %q", c.day, c.view, c.bats, got, c.want)
		}
	}
	if Last(nil, "2026-04-22", pipeline.ViewChest, "R") != nil {
		t.Error("a lesson out of nothing")
	}
}
