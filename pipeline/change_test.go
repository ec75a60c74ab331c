package pipeline

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func reading(v, lo, hi float64) *Measure {
	return &Measure{Key: "eye_drop", From: Stance, At: Contact, Unit: "cm", Value: &v, Lo: &lo, Hi: &hi}
}

func TestCompare(t *testing.T) {
	with := func(m *Measure, f func(*Measure)) *Measure { f(m); return m }
	for _, c := range []struct {
		name          string
		before, after *Measure
		ok, larger    bool
		doubt         float64 // worked by hand; NaN: not known
	}{
		// √(3²+4²) = 5.
		{"just within", reading(10, 7, 13), reading(5, 1, 9), true, false, 5},
		{"just beyond", reading(10, 7, 13), reading(4.9, .9, 8.9), true, true, 5},
		{"upward", reading(4.9, .9, 8.9), reading(10, 7, 13), true, true, 5},
		{"equal", reading(5, 1, 9), reading(5, 2, 8), true, false, 5},
		// Bounds that look away do not count: √(1²+1²) = 1.41.
		{"lopsided, narrow sides face", reading(10, 9, 40), reading(8, -20, 9), true, true, math.Sqrt2},
		{"lopsided, wide sides face", reading(10, 7, 11), reading(8, 7, 12), true, false, 5},
		{"no doubt at all", reading(5, 5, 5), reading(5.1, 5.1, 5.1), true, true, 0},
		{"equal without doubt", reading(5, 5, 5), reading(5, 5, 5), true, false, 0},
		{"value beyond its own bounds", reading(5, 6, 7), reading(3, 1, 2), true, true, 0},
		{"bounds not known", with(reading(10, 9, 11), func(m *Measure) { m.Lo = nil }), reading(5, 4, 6), true, false, math.NaN()},
		{"untold before", with(reading(10, 7, 13), func(m *Measure) { m.Value = nil }), reading(5, 1, 9), false, false, 0},
		{"untold after", reading(10, 7, 13), with(reading(5, 1, 9), func(m *Measure) { m.Value = nil }), false, false, 0},
		{"another unit", reading(10, 7, 13), with(reading(5, 1, 9), func(m *Measure) { m.Unit = "pct_height" }), false, false, 0},
		{"another moment", reading(10, 7, 13), with(reading(5, 1, 9), func(m *Measure) { m.At = Plant }), false, false, 0},
		{"another start", reading(10, 7, 13), with(reading(5, 1, 9), func(m *Measure) { m.From = Plant }), false, false, 0},
		{"another measure", reading(10, 7, 13), with(reading(5, 1, 9), func(m *Measure) { m.Key = "head_drop" }), false, false, 0},
		{"no number", reading(10, 7, 13), reading(math.NaN(), 1, 9), false, false, 0},
		{"bounds without number", reading(10, math.NaN(), 13), reading(5, 1, 9), true, false, math.NaN()},
		{"none before", nil, reading(5, 1, 9), false, false, 0},
		{"none after", reading(5, 1, 9), nil, false, false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, ok := Compare(c.before, c.after)
			if ok != c.ok || got.Larger != c.larger {
				t.Fatalf("compared %v, larger %v; want %v, %v", ok, got.Larger, c.ok, c.larger)
			}
			if !ok {
				return
			}
			half, known := got.Doubt()
			if known == math.IsNaN(c.doubt) || known && math.Abs(half-c.doubt) > 1e-12 {
				t.Errorf("doubt %v, %v; want %v", half, known, c.doubt)
			}
			if want := *c.after.Value - *c.before.Value; got.Difference() != want {
				t.Errorf("difference %v; want %v", got.Difference(), want)
			}
		})
	}
}

// Which of two comes first changes the sign and nothing else; and what is
// larger than the doubt lies beyond both bounds' nearer ends at once or not at
// all: a value inside the other's bounds is never larger.
func TestCompareProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) *Measure {
			v := rapid.Float64Range(-50, 50).Draw(t, name)
			return reading(v, v-rapid.Float64Range(0, 20).Draw(t, name+" down"), v+rapid.Float64Range(0, 20).Draw(t, name+" up"))
		}
		a, b := draw("a"), draw("b")
		x, okX := Compare(a, b)
		y, okY := Compare(b, a)
		if !okX || !okY || x.Larger != y.Larger || x.Difference() != -y.Difference() {
			t.Fatalf("%+v and %+v", x, y)
		}
		in := func(m, of *Measure) bool { return *m.Value >= *of.Lo && *m.Value <= *of.Hi }
		if x.Larger && (in(a, b) || in(b, a)) {
			t.Fatalf("larger, but one lies inside the other's bounds")
		}
		if !x.Larger && (*a.Hi < *b.Lo-40 || *b.Hi < *a.Lo-40) {
			t.Fatalf("far apart, but not larger")
		}
	})
}

func span(least, most float64) *Band {
	b := &Band{Key: "eye_drop", From: Stance, At: Contact, Unit: "cm"}
	if !math.IsNaN(least) {
		b.Min = &least
	}
	if !math.IsNaN(most) {
		b.Max = &most
	}
	return b
}

func TestCourse(t *testing.T) {
	none := math.NaN()
	for _, c := range []struct {
		name          string
		band          *Band
		before, after *Measure
		want          Course
	}{
		{"from above to above, nearer", span(none, 5), reading(12, 11, 13), reading(8, 7, 9), Closer},
		{"from above to above, farther", span(none, 5), reading(8, 7, 9), reading(12, 11, 13), Further},
		{"into the band with all bounds", span(none, 5), reading(9, 8, 10), reading(3, 2, 5), NowFine},
		{"into the band, its bounds not", span(none, 5), reading(9, 8, 10), reading(4, 3, 5.1), Closer},
		{"out of the band", span(none, 5), reading(3, 2, 5), reading(9, 8, 10), Further},
		{"within the band", span(none, 5), reading(4, 3.5, 4.5), reading(1, .5, 1.5), Changed},
		{"up to a least", span(0, none), reading(-5, -6, -4), reading(2, 1, 3), NowFine},
		{"toward a least", span(0, none), reading(-9, -10, -8), reading(-5, -6, -4), Closer},
		{"within the doubt", span(none, 5), reading(9, 6, 12), reading(5, 1, 9), NoCourse},
		// 2 above, then 4 below: 2 farther away, known to √(1²+1²).
		{"to the other side", span(-5, 5), reading(7, 6, 8), reading(-9, -10, -8), Further},
		{"to the other side, as far", span(-5, 5), reading(7, 6, 8), reading(-8, -9, -7), Changed},
		{"no band", nil, reading(12, 11, 13), reading(8, 7, 9), NoCourse},
		{"another unit", &Band{Unit: "pct_height"}, reading(12, 11, 13), reading(8, 7, 9), NoCourse},
	} {
		ch, ok := Compare(c.before, c.after)
		if got := c.band.Course(&ch); !ok || got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// Whatever the band, what is better one way round is worse the other.
func TestCourseSwapped(t *testing.T) {
	seen := map[Course]int{}
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) *Measure {
			v := rapid.Float64Range(-50, 50).Draw(t, name)
			return reading(v, v-rapid.Float64Range(0, 8).Draw(t, name+" down"), v+rapid.Float64Range(0, 8).Draw(t, name+" up"))
		}
		least, most := math.NaN(), math.NaN()
		if rapid.Bool().Draw(t, "has least") {
			least = rapid.Float64Range(-30, 0).Draw(t, "least")
		}
		if rapid.Bool().Draw(t, "has most") {
			most = rapid.Float64Range(0, 30).Draw(t, "most")
		}
		b := span(least, most)
		x, _ := Compare(draw("a"), draw("b"))
		y, _ := Compare(&x.After, &x.Before)
		there, back := b.Course(&x), b.Course(&y)
		seen[there]++
		if there.Better() != (back == Further) || back.Better() != (there == Further) ||
			(there == Changed) != (back == Changed) || (there == NoCourse) != (back == NoCourse) {
			t.Fatalf("%q, and back %q", there, back)
		}
		if !x.Larger && there != NoCourse {
			t.Fatalf("%q of a change within the doubt", there)
		}
	})
	for _, c := range []Course{NoCourse, Changed, Closer, NowFine, Further} {
		if seen[c] == 0 && !testing.Short() { // which draws too few
			t.Errorf("%q was never drawn", c)
		}
	}
}

func TestStands(t *testing.T) {
	band := span
	none := math.NaN()
	untold := reading(3, 2, 4)
	untold.Value = nil
	percent := reading(3, 2, 4)
	percent.Unit = "pct_height"
	for _, c := range []struct {
		band *Band
		m    *Measure
		want Stand
	}{
		{band(none, 5), reading(3, 2, 5), Inside},
		{band(none, 5), reading(3, 2, 5.1), Between},
		{band(none, 5), reading(6, 5, 7), Between},
		{band(none, 5), reading(6, 5.1, 7), Outside},
		{band(0, none), reading(1, 0, 2), Inside},
		{band(0, none), reading(-1, -2, -.1), Outside},
		{band(0, 5), reading(2, -1, 6), Between},
		{band(none, none), reading(2, -1, 6), Inside},
		{band(none, 5), untold, Untold},
		{band(none, 5), percent, Untold},
		{nil, reading(2, -1, 6), Untold},
		{band(none, 5), nil, Untold},
	} {
		if got := c.band.Stands(c.m); got != c.want {
			t.Errorf("%+v against %+v: %s; want %s", c.m, c.band, got, c.want)
		}
	}
}

func TestSince(t *testing.T) {
	m := func(key, unit string, v float64) Measure {
		lo, hi := v-1, v+1
		return Measure{Key: key, At: Contact, Unit: unit, Value: &v, Lo: &lo, Hi: &hi}
	}
	untold := Measure{Key: "front_foot_open", At: Contact, Unit: "deg", Warnings: []string{"foot_hidden"}}
	before := &Swing{Measures: []Measure{m("eye_drop", "cm", 9), m("head_over_back", "cm", 4), m("front_foot_open", "deg", 30), m("stride_length", "cm", 60), m("hands_start", "cm", 1)}}
	after := &Swing{Measures: []Measure{m("head_over_back", "cm", 4.5), untold, m("stride_length", "pct_height", 35), m("eye_drop", "cm", 5), m("head_after", "cm", 2)}}

	same, left := Since("2026-05-03", before, after, true)
	if len(same) != 2 || same[0].After.Key != "head_over_back" || same[0].Larger || same[1].After.Key != "eye_drop" || !same[1].Larger || same[1].Day != "2026-05-03" {
		t.Errorf("same view: %+v", same)
	}
	if len(left) != 2 || left[0].Why != NotTold || left[1].Why != OtherUnit {
		t.Errorf("left out: %+v", left)
	}
	other, left := Since("2026-05-03", before, after, false)
	if len(other) != 1 || other[0].After.Key != "eye_drop" {
		t.Errorf("other view: %+v", other)
	}
	if len(left) != 3 || left[0].Why != OtherView || left[0].After.Key != "head_over_back" {
		t.Errorf("left out: %+v", left)
	}
	if c, l := Since("", nil, after, true); c != nil || l != nil {
		t.Error("nothing to compare with, and yet something")
	}
}
