package swing

import (
	"encoding/json"
	"maps"
	"math"
	"math/rand"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// Worked by hand with the law of cosines, c² = a² + b² − 2ab·cos γ, where γ is
// 180° less the flexion.
func TestLowered(t *testing.T) {
	for _, c := range []struct {
		name          string
		l             leg
		flexion, drop float64
		want          float64 // NaN: no leg gets there
	}{
		// The trade's own example [C]: 170 cm tall, so thigh .245 × 170 = 41.65
		// and shank .246 × 170 = 41.82; 41.65² + 41.82² = 3483.6 and
		// 2 × 41.65 × 41.82 = 3483.6. At 30°: 3483.6 + 3483.6 × cos 30° = 6500.5,
		// hip to ankle 80.63. With the ankle 20 to the side the hip is
		// √(6500.5 − 400) = 78.11 up, 74.11 when 4 lower; hip to ankle² is
		// 74.11² + 400 = 5891.8; cos(flexion) = (5891.8 − 3483.6) / 3483.6 = .6913:
		// 46.3°.
		{"the trade's example", leg{thigh: 41.65, shank: 41.82, level: 20}, 30, 4, 46.3},
		{"nothing to do", leg{thigh: 41.65, shank: 41.82, level: 20}, 30, 0, 30},
		// A straight leg of 40 + 40, hip over ankle: 80 apart, 70 when 10 lower;
		// cos = (4900 − 3200) / 3200 = .53125: 57.9°.
		{"from a straight leg", leg{thigh: 40, shank: 40}, 0, 10, 57.91},
		{"a straight leg stays", leg{thigh: 40, shank: 40}, 0, 0, 0},
		// A deep crouch: at 120° hip and ankle are 40 apart (an equilateral
		// triangle), 30 when 10 lower; cos = (900 − 3200) / 3200 = −.71875: 136.0°.
		{"a deep crouch", leg{thigh: 40, shank: 40}, 120, 10, 135.95},
		// Unlike bones: 50 and 40 at 60°: 2500 + 1600 + 4000 × .5 = 6100; 30 to
		// the side: √5200 = 72.11 up, 62.11 when 10 lower: 3857.8 + 900 = 4757.8;
		// cos = 657.8 / 4000 = .16445: 80.5°.
		{"unlike bones", leg{thigh: 50, shank: 40, level: 30}, 60, 10, 80.53},
		// From 136° hip and ankle are 30 apart; 10 lower leaves 20:
		// cos = (400 − 3200) / 3200 = −.875: 151°, more than a knee bends.
		{"deeper than a knee bends", leg{thigh: 40, shank: 40}, 135.95, 10, math.NaN()},
		{"below the ankle", leg{thigh: 40, shank: 40}, 120, 41, math.NaN()},
	} {
		got, ok := c.l.lowered(c.flexion, c.drop)
		if !ok {
			got = math.NaN()
		}
		if math.IsNaN(got) != math.IsNaN(c.want) || math.Abs(got-c.want) > .05 {
			t.Errorf("%s: %.2f°, want %.2f°", c.name, got, c.want)
		}
	}
}

// Down and up again is where it began; lower is more bent; whole bodies scale.
func TestLoweredProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := leg{thigh: rapid.Float64Range(25, 55).Draw(t, "thigh")}
		l.shank = l.thigh * rapid.Float64Range(.85, 1.15).Draw(t, "shank over thigh")
		l.level = rapid.Float64Range(0, .5).Draw(t, "level") * l.thigh
		now, drop := rapid.Float64Range(1, 90).Draw(t, "flexion"), rapid.Float64Range(.1, 10).Draw(t, "drop")
		to, ok := l.lowered(now, drop)
		if !ok {
			return
		}
		if to <= now {
			t.Fatalf("%g lower: %g° → %g°", drop, now, to)
		}
		if back, ok := l.lowered(to, -drop); !ok || math.Abs(back-now) > 1e-4 {
			t.Fatalf("up again: %g°, was %g°", back, now)
		}
		big := leg{thigh: 2 * l.thigh, shank: 2 * l.shank, level: 2 * l.level}
		if twice, ok := big.lowered(now, 2*drop); !ok || math.Abs(twice-to) > 1e-6 {
			t.Fatalf("twice the size: %g°, want %g°", twice, to)
		}
		a, _, ok := l.bend(bound{drop, drop, drop}, bound{now, now, now})
		b, more, _ := l.bend(bound{drop, drop * .6, drop * 1.5}, bound{now, math.Max(0, now-8), now + 8})
		if !ok || a.lo > a.v || a.hi < a.v || b.lo > a.lo || b.hi < a.hi || math.Abs(more.v-(b.v-now)) > 1e-9 {
			t.Fatalf("bounds %+v of a sure drop, %+v of a doubtful one", a, b)
		}
	})
}

// A rendered batter crouches by the centimetres that are advised: the truth's
// knees must bend as the advice says, within 3°. testdata/crouch.json holds
// hips, knees and ankles (cm, x to the pitcher, z up) of 6 swings of three
// figures in the stance, and in a stance lower by half of what the ears fell
// until contact; the renderer that draws the samples made both, its batter
// standing lower by that much and nothing else changed. Only the first stance,
// the height and the centimetres are shown to the computation.
func TestCrouchOfARenderedBatter(t *testing.T) {
	b, err := os.ReadFile("testdata/crouch.json")
	if err != nil {
		t.Fatal(err)
	}
	type joints map[string]map[string]v3 // by side: hip, knee, ankle
	var cases []struct {
		Height   float64 `json:"height_cm"`
		Bats     string
		HeadDrop float64 `json:"head_drop_cm"`
		Lower    float64 `json:"lower_cm"`
		Stance   joints
		Crouched joints
	}
	if err := json.Unmarshal(b, &cases); err != nil {
		t.Fatal(err)
	}
	flexion := func(l map[string]v3) float64 { return 180 - included(l["hip"], l["knee"], l["ankle"]) }
	hands, worst := map[string]bool{}, 0.0
	for _, c := range cases {
		hands[c.Bats] = true
		if math.Abs(c.Lower-c.HeadDrop/2) > .02 {
			t.Errorf("crouched by %.2f cm of a fall of %.2f", c.Lower, c.HeadDrop)
		}
		for side, now := range c.Stance {
			d := sub(now["hip"], now["ankle"])
			l := leg{thigh: thighOfHeight * c.Height, shank: shankOfHeight * c.Height, level: math.Hypot(d[0], d[1])}
			want := flexion(c.Crouched[side])
			got, ok := l.lowered(flexion(now), c.Lower)
			off := math.Abs(got - want)
			worst = math.Max(worst, off)
			if !ok || off > 3 {
				t.Errorf("%.0f cm, %s, %s knee: %.1f° now, %.1f cm lower: advised %.1f°, truly %.1f°", c.Height, c.Bats, side, flexion(now), c.Lower, got, want)
			}
			if want-flexion(now) < 4 {
				t.Errorf("%.0f cm, %s knee: the crouch bends it by %.1f° only: no test", c.Height, side, want-flexion(now))
			}
		}
	}
	if len(cases) < 6 || !hands["R"] || !hands["L"] {
		t.Errorf("%d swings, hands %v", len(cases), hands)
	}
	t.Logf("worst %.2f°", worst)
}

// covered counts truths inside their bounds.
type covered struct{ n, in int }

func (c *covered) add(m *p.Measure, truth float64) {
	c.n++
	if *m.Lo <= truth && truth <= *m.Hi {
		c.in++
	}
}

// Over simulated swings the bounds hold what is true: half of what the ears
// fell, the flexion that true bones need for the centimetres that were advised,
// the way of the eyes across the view between the two moments that were read.
// 95 % are meant; 85 % leaves room for chance in so few.
func TestLowerHoldsTheTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	got, unseen := map[string]*covered{}, 0
	count := func(key string, m *p.Measure, truth float64) {
		if m == nil || m.Value == nil {
			return
		}
		if got[key] == nil {
			got[key] = &covered{}
		}
		got[key].add(m, truth)
	}
	for i := range 80 {
		rng := rand.New(rand.NewSource(int64(7000 + i)))
		q := sim.Random(rng)
		tr := sim.Swing(q)
		if !tr.Swung() {
			continue
		}
		rep, err := Judge(sim.Track(tr, sim.Measured(), rng), p.Given{HeightCM: 100 * q.Stature, Level: p.HighSchool})
		if err != nil {
			continue
		}
		s := rep.Chosen()
		truly := tr.Measures[sim.Key{Key: "start_lower", At: p.Stance}]
		lower := s.Measure("start_lower", "", p.Stance)
		count("start_lower", lower, truly)

		at := func(s float64) *sim.Frame {
			best := &tr.Frames[0]
			for i := range tr.Frames {
				if math.Abs(tr.Frames[i].T-s) < math.Abs(best.T-s) {
					best = &tr.Frames[i]
				}
			}
			return best
		}
		cm := func(f *sim.Frame, j int) v3 { return mul(f.Joints[j], 100) }
		if lower.Value != nil {
			f := at((tr.Still[0] + tr.Still[1]) / 2)
			j := bodyOf(q.Bats)
			for side, k := range map[string][3]int{"front": {j.hipF, j.kneeF, j.ankleF}, "back": {j.hipB, j.kneeB, j.ankleB}} {
				hip, knee, ankle := cm(f, k[0]), cm(f, k[1]), cm(f, k[2])
				d := sub(hip, ankle)
				l := leg{thigh: norm(sub(hip, knee)), shank: norm(sub(knee, ankle)), level: math.Hypot(d[0], d[1])}
				now := 180 - included(hip, knee, ankle)
				if to, ok := l.lowered(now, truly); ok {
					count("start_lower_knee", s.Measure("start_lower_knee_"+side, "", p.Stance), to)
					count("start_lower_more", s.Measure("start_lower_more_"+side, "", p.Stance), to-now)
				}
			}
		}

		if s.Event(p.Launch).T == nil {
			// Nothing is worked out from a start that can't be seen.
			for _, m := range []*p.Measure{s.Measure("decision_time", "", p.Launch), s.Measure("eye_travel", p.Launch, p.Contact)} {
				if m == nil || m.Value != nil || !slices.Equal(m.Warnings, []string{"launch_unseen"}) {
					t.Errorf("swing %d: %v without a launch", i, m)
				}
			}
			unseen++
			continue
		}
		if !tr.SideOn() {
			t.Errorf("swing %d: the hands' start was seen along the view", i)
		}
		from, to := at(*s.Event(p.Launch).T), at(*s.Event(p.Contact).T)
		eyes := func(f *sim.Frame) v3 { return half(cm(f, p.LeftEye), cm(f, p.RightEye)) }
		d := sub(eyes(to), eyes(from))
		across := d[0]
		if !tr.SideOn() {
			across = d[1]
		}
		count("eye_travel", s.Measure("eye_travel", p.Launch, p.Contact), math.Hypot(across, d[2]))

		// High school baseball: 80 mph over 60.5 − 5.5 ft, .4688 s [C].
		launch, contact := s.Event(p.Launch), s.Event(p.Contact)
		m := s.Measure("decision_time", "", p.Launch)
		if want := .46875 - (*contact.T - *launch.T); m == nil || math.Abs(*m.Value-want) > 2e-3 {
			t.Errorf("swing %d: decision time %v, want %.3f s", i, m, want)
		}
	}
	for key, c := range got {
		t.Logf("%s: %d of %d truths in bounds", key, c.in, c.n)
		if c.n < 10 || float64(c.in) < .85*float64(c.n) {
			t.Errorf("%s: %d of %d truths in bounds", key, c.in, c.n)
		}
	}
	if len(got) != 4 || unseen == 0 {
		t.Errorf("measured %d of 4 kinds; %d swings without a launch", len(got), unseen)
	}
}

// Each way of not advising has its code: no level no decision time, a nod is no
// reason to crouch, a head that stays neither, and knees bend only so far.
func TestLowerIsNotForEverybody(t *testing.T) {
	f := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name        string
		eye, head   [3]float64 // value, lo, hi
		knee        float64
		lower, bend string // code; "": a value
	}{
		{"the body sinks", [3]float64{8, 6.6, 9.4}, [3]float64{5, 2.4, 7.6}, 30, "", ""},
		{"all of it is nod", [3]float64{8, 6.6, 9.4}, [3]float64{2, -.6, 4.6}, 30, "nod_not_legs", "nod_not_legs"},
		{"half of it is nod", [3]float64{8, 6.6, 9.4}, [3]float64{4, 1.4, 6.6}, 30, "nod_not_legs", "nod_not_legs"},
		{"just over half is not", [3]float64{8, 6.6, 9.4}, [3]float64{4.01, 1.4, 6.6}, 30, "", ""},
		{"hardly a fall", [3]float64{1, -.4, 2.4}, [3]float64{1, -1.6, 3.6}, 30, "sink_unsure", "sink_unsure"},
		{"the head rises", [3]float64{-3, -4.4, -1.6}, [3]float64{-5, -7.6, -2.4}, 30, "sink_unsure", "sink_unsure"},
		{"a squat already", [3]float64{30, 28, 32}, [3]float64{28, 26, 30}, 140, "", "out_of_reach"},
	} {
		tr := loadTruth(t, "open_faults")
		k := simulate(tr, 1, 2)
		a := analyse(&k, &k.Windows[0], p.Given{HeightCM: 178})
		s := &p.Swing{}
		add := func(key string, from, at p.EventKind, v [3]float64) {
			s.Measures = append(s.Measures, p.Measure{Key: key, From: from, At: at, Unit: "cm", Value: f(v[0]), Lo: f(v[1]), Hi: f(v[2])})
		}
		add("eye_drop", p.Stance, p.Contact, c.eye)
		add("head_drop", p.Stance, p.Contact, c.head)
		add("eye_height", "", p.Stance, [3]float64{150, 147, 153})
		for _, side := range []string{"front", "back"} {
			add("stance_knee_"+side, "", p.Stance, [3]float64{c.knee, c.knee - 9, c.knee + 9})
		}
		code := map[string]string{}
		a.lower(s, func(key string, _, _ p.EventKind, _ string, v, lo, hi float64, _ ...string) *p.Measure {
			if !(lo <= v && v <= hi) {
				t.Errorf("%s: %s %.2f outside %.2f … %.2f", c.name, key, v, lo, hi)
			}
			code[key] = ""
			// The eyes' usual height less half of what the body sinks.
			if want := 150 - c.head[0]/2; key == "tape_height" && math.Abs(v-want) > 1e-9 {
				t.Errorf("%s: tape at %.2f, want %.2f", c.name, v, want)
			}
			return nil
		}, func(key string, _, _ p.EventKind, _, why string) { code[key] = why })
		want := map[string]string{"start_lower": c.lower}
		if c.lower == "" {
			want["tape_height"] = ""
			for _, k := range []string{"knee_front", "knee_back", "more_front", "more_back"} {
				want["start_lower_"+k] = c.bend
			}
		}
		if !maps.Equal(code, want) {
			t.Errorf("%s: %v, want %v", c.name, code, want)
		}
	}

	k := simulate(loadTruth(t, "open_clean"), 1, 2)
	for level, want := range map[p.Level]bool{p.LevelUnknown: false, p.Youth: true} {
		r, err := Judge(k, p.Given{HeightCM: 178, Level: level})
		if err != nil {
			t.Fatal(err)
		}
		if m := r.Chosen().Measure("decision_time", "", p.Launch); (m != nil) != want {
			t.Errorf("level %q: decision time %v", level, m)
		}
	}
}
