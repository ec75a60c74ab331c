package detect

import (
	"math"
	"testing"

	"tapeline/pipeline"
)

// swing is a hand path at rate a second: still, then an arc of radius .3
// heights through angle radians in dur seconds around t=1 with smooth start
// and end, then still.
func swing(rate, dur, angle float64) []hand {
	var p []hand
	for t := 0.0; t < 2; t += 1 / rate {
		u := math.Min(1, math.Max(0, (t-1)/dur+.5))
		a := angle * u * u * (3 - 2*u)
		p = append(p, hand{t: t, x: .3 * math.Cos(a), y: .3 * math.Sin(a), apart: .06})
	}
	return p
}

func TestBursts(t *testing.T) {
	wild := swing(30, .2, 0)
	wild[20].x += .9 // one reading of another arm
	thrower := swing(30, .2, 3)
	for i := range thrower {
		thrower[i].apart = .8
	}
	walker := swing(30, .2, 0)
	for i := range walker { // wrists swing against each other: the middle hardly moves
		walker[i].x += .05 * math.Sin(2*math.Pi*walker[i].t)
		walker[i].apart = .3
	}
	shiver := swing(30, .2, 0)
	for i := range shiver { // fast but going nowhere
		shiver[i].x += .07 * math.Sin(2*math.Pi*4*shiver[i].t)
	}
	for _, c := range []struct {
		name string
		path []hand
		want int
	}{
		{"swing at 30", swing(30, .25, 2.2), 1},
		{"swing at 24", swing(24, .25, 2.2), 1},
		{"swing at 60", swing(60, .25, 2.2), 1},
		{"slow practice turn", swing(30, 1.5, 2.2), 0},
		{"waggle", swing(30, .25, .4), 0},
		{"one wild reading", wild, 0},
		{"throw with one hand", thrower, 0},
		{"walking", walker, 0},
		{"shiver", shiver, 0},
		{"nothing", nil, 0},
		{"three samples", swing(30, .2, 3)[:3], 0},
	} {
		bs := bursts(c.path, swings)
		if len(bs) != c.want {
			t.Errorf("%s: %d bursts %+v, want %d", c.name, len(bs), bs, c.want)
		}
		if len(bs) == 1 && math.Abs(bs[0].t-1) > .035 {
			t.Errorf("%s: burst at %.3f, want 1", c.name, bs[0].t)
		}
	}
}

// The arc's highest speed is 1.5 × radius × angle ÷ duration.
func TestSpeedOfABurst(t *testing.T) {
	const dur, angle = .3, 2.
	b := bursts(swing(60, dur, angle), swings)
	if len(b) != 1 {
		t.Fatal(b)
	}
	want := 1.5 * .3 * angle / dur
	if math.Abs(b[0].speed-want) > .06*want {
		t.Errorf("speed %.2f, want %.2f heights a second", b[0].speed, want)
	}
	// In .2 s around the middle u goes from 1/6 to 5/6: the angle from .148 to
	// .852 of 2 rad if u² (3 − 2u), the chord 2·.3·sin(½·.852−½·.148·…).
	s := func(u float64) float64 { return u * u * (3 - 2*u) }
	chord := 2 * .3 * math.Sin(angle*(s(5./6)-s(1./6))/2)
	if math.Abs(b[0].travel-chord) > .02 {
		t.Errorf("travel %.3f, want %.3f heights", b[0].travel, chord)
	}
}

func TestMerge(t *testing.T) {
	bs := []burst{{t: 1, speed: 2}, {t: 1.5, speed: 3}, {t: 2.1, speed: 2.5}, {t: 4, speed: 2, apart: .1}}
	got := merge(bs)
	if len(got) != 2 || got[0].t != 1.5 || got[1].t != 4 {
		t.Errorf("%+v", got)
	}
	if len(merge(nil)) != 0 {
		t.Error("something from nothing")
	}
}

func TestSpans(t *testing.T) {
	var pts []float64
	for i := range 300 {
		pts = append(pts, float64(i)/30)
	}
	c := pipeline.Clip{PTS: pts, TimeFactor: 1}
	got := spans([]burst{{pts: 1}, {pts: 3}, {pts: 9}}, c)
	want := []span{{0, 2}, {2, 4.6}, {7.2, 299. / 30}}
	for i := range want {
		if math.Abs(got[i].from-want[i].from)+math.Abs(got[i].to-want[i].to) > 1e-9 {
			t.Errorf("window %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	c.TimeFactor = 2 // slow motion: twice as long on the screen
	if g := spans([]burst{{pts: 5}}, c)[0]; math.Abs(g.from-1.4)+math.Abs(g.to-8.2) > 1e-9 {
		t.Errorf("slow motion: %+v", g)
	}
}

func TestRateAt(t *testing.T) {
	for _, c := range []struct{ dt, want float64 }{{-1, poseRate}, {-.2, burstRate}, {0, burstRate}, {.25, burstRate}, {.3, poseRate}} {
		if r := rateAt(c.dt); r != c.want {
			t.Errorf("rateAt(%g) = %g, want %g", c.dt, r, c.want)
		}
	}
}
