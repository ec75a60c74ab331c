package field

import (
	"math"
	"testing"

	"tapeline/pipeline"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// 1 mi = 5280 ft and 1 ft = .3048 m exactly; the flights are computed by
// hand: feet × 3600 ÷ (mph × 5280).
func TestFlight(t *testing.T) {
	near(t, "90 mph, ft/s", FeetPerSecond(90), 132, 1e-12)
	near(t, "90 mph, m/s", FeetPerSecond(90)*.3048, 40.2336, 1e-9)
	for _, c := range []struct{ mph, ft, s float64 }{
		{90, 55, .4167}, {95, 55, .3947}, {80, 55, .4688}, {70, 46, .4481}, {60, 46, .5227}, {60, 43, .4886},
	} {
		near(t, "flight", Flight(c.mph, c.ft), c.s, 5e-5)
	}
	// 70 mph over 46 ft leave as much time as 92.1 mph over 60.5 ft.
	near(t, "equal times, mph", 60.5/Flight(70, 46)/FeetPerSecond(1), 92.1, .05)
	// Of 55 ft at 90 mph 25.3 are left when .225 s are gone (Adair, as
	// reported: 25).
	near(t, "feet left", 55-.225*FeetPerSecond(90), 25.3, 1e-9)
}

// Distances: Official Baseball Rules 2.07, 60 ft 6 in; youth baseball 46 ft;
// softball 35, 40 and 43 ft by their rule books.
func TestPitch(t *testing.T) {
	for _, c := range []struct {
		level  pipeline.Level
		sport  pipeline.Sport
		rubber float64
	}{
		{pipeline.Youth, pipeline.Baseball, 46}, {pipeline.Middle, pipeline.Baseball, 60.5},
		{pipeline.HighSchool, pipeline.SportUnknown, 60.5}, {pipeline.College, pipeline.Baseball, 60.5},
		{pipeline.Youth, pipeline.Softball, 35}, {pipeline.Middle, pipeline.Softball, 40},
		{pipeline.HighSchool, pipeline.Softball, 43}, {pipeline.College, pipeline.Softball, 43},
	} {
		p, ok := Pitch(c.level, c.sport)
		if !ok || p.RubberFT != c.rubber {
			t.Errorf("%s %s: %+v", c.level, c.sport, p)
		}
		if p.Sport == pipeline.SportUnknown || p.Level != c.level {
			t.Errorf("%s %s says it is %s %s", c.level, c.sport, p.Level, p.Sport)
		}
		near(t, "flight", p.Flight, (p.RubberFT-p.Extension)*3600/(p.MPH*5280), 1e-12)
		if p.Origin != "K" { // speeds and extensions have no source
			t.Errorf("%s %s: origin %s", c.level, c.sport, p.Origin)
		}
	}
	if p, _ := Pitch(pipeline.College, pipeline.Baseball); math.Abs(p.Flight-.4167) > 5e-5 { // 90 mph over 55 ft
		t.Errorf("college: %v s", p.Flight)
	}
	for _, s := range append([]pipeline.Sport{pipeline.SportUnknown}, pipeline.Sports...) {
		if _, ok := Pitch(pipeline.LevelUnknown, s); ok {
			t.Errorf("%s: a pitch for no level", s)
		}
		last := math.Inf(1)
		for _, l := range pipeline.Levels {
			p, ok := Pitch(l, s)
			if !ok || p.MPH < 1 {
				t.Errorf("%s %s: no pitch", l, s)
			}
			last = min(last, p.Flight)
		}
		if p, _ := Pitch(pipeline.College, s); p.Flight != last {
			t.Errorf("%s: another level leaves less time than college", s)
		}
	}
	if _, ok := Pitch("major", pipeline.Baseball); ok {
		t.Error("a pitch for a level that is none")
	}
	if got := weakest("P", "C", "M"); got != "M" {
		t.Errorf("weakest %s", got)
	}
}
