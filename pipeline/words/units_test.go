package words

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/pipeline"
)

// number reads what Number wrote.
func number(t *rapid.T, s string) float64 {
	v, err := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
	if err != nil {
		t.Fatalf("%q is no number", s)
	}
	return v
}

// Lengths in inches are those in centimetres: 1 in = 2.54 cm exactly
// (international yard and pound agreement, 1959). The number is never rounded
// coarser than half its doubt, the sign and the ± are kept.
func TestInches(t *testing.T) {
	cm, in := English(), English().In(Imperial)
	with := regexp.MustCompile(`^(−?[\d.]+) ±([\d.]+) in$`)
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-250, 250).Draw(t, "v")
		doubt := rapid.Float64Range(0.1, 20).Draw(t, "doubt")
		if x, unit := in.To(v, "cm"); unit != "in" || math.Abs(x*2.54-v) > 1e-9 {
			t.Fatalf("%g cm is %g %s", v, x, unit)
		}
		s := in.Doubtful(v, doubt, "cm")
		m := with.FindStringSubmatch(s)
		if m == nil {
			t.Fatalf("%q", s)
		}
		got, half := number(t, m[1])*2.54, number(t, m[2])*2.54
		// Bounds below a tenth of an inch are those of no camera; all others
		// may cost at most half of themselves.
		if slack := max(doubt/2, .05*2.54) + 1e-9; math.Abs(got-v) > slack || math.Abs(half-doubt) > slack {
			t.Fatalf("%g ±%g cm is written %q", v, doubt, s)
		}
		if got != 0 && math.Signbit(got) != math.Signbit(v) {
			t.Fatalf("%g cm is written %q", v, s)
		}
		// The same form in both systems: ±, bounds or neither.
		w := measure(v, v-doubt, v+rapid.Float64Range(0, 30).Draw(t, "up"), "cm")
		a, b := cm.Value(w), in.Value(w)
		for _, sign := range []string{"±", "("} {
			if strings.Contains(a, sign) != strings.Contains(b, sign) {
				t.Fatalf("%q and %q", a, b)
			}
		}
		if strings.Contains(b, "cm") || !strings.Contains(b, " in") {
			t.Fatalf("%q is not in inches", b)
		}
		// What is no length stays.
		for _, unit := range []string{"deg", "s", "ratio", "pct_height"} {
			if a, b := cm.Doubtful(v, doubt, unit), in.Doubtful(v, doubt, unit); a != b {
				t.Fatalf("%q and %q", a, b)
			}
		}
	})
}

// The height of a person is kept to the quarter inch, a tape to the eighth,
// in centimetres to a quarter of one.
func TestTall(t *testing.T) {
	tall := regexp.MustCompile(`^(\d+) ft (\d+)(\.5)? in$`)
	tape := regexp.MustCompile(`^(−?)(\d*)([¼½¾]?) in$`)
	part := map[string]float64{"": 0, "¼": .25, "½": .5, "¾": .75}
	cm, in := English(), English().In(Imperial)
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(60, 250).Draw(t, "height")
		m := tall.FindStringSubmatch(in.Tall(v))
		if m == nil || number(t, m[2]) >= 12 {
			t.Fatalf("%q", in.Tall(v))
		}
		inches := 12*number(t, m[1]) + number(t, m[2])
		if m[3] != "" {
			inches += .5
		}
		if math.Abs(inches*2.54-v) > .25*2.54+1e-9 {
			t.Fatalf("%g cm is %q", v, in.Tall(v))
		}
		x := rapid.Float64Range(-40, 40).Draw(t, "length")
		m = tape.FindStringSubmatch(in.Tape(x))
		if m == nil || m[2]+m[3] == "" {
			t.Fatalf("%q", in.Tape(x))
		}
		got := part[m[3]]
		if m[2] != "" {
			got += number(t, m[2])
		}
		if m[1] != "" {
			got = -got
		}
		if math.Abs(got*2.54-x) > .125*2.54+1e-9 {
			t.Fatalf("%g cm is %q", x, in.Tape(x))
		}
		if got := number(t, strings.TrimSuffix(cm.Tape(x), " cm")); math.Abs(got-x) > .25+1e-9 {
			t.Fatalf("%g cm is %q", x, cm.Tape(x))
		}
	})
}

func TestUnitsByExample(t *testing.T) {
	in := English().In(Imperial)
	es, err := For("es")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want string }{
		{English().Tall(170), "170 cm"},
		{in.Tall(170), "5 ft 7 in"}, // 66.93 in
		{in.Tall(182.8), "6 ft 0 in"},
		{in.Tall(171.45), "5 ft 7.5 in"},
		{in.Value(measure(7.94, 7.1, 8.78, "cm")), "3.1 ±0.3 in"},
		{in.Value(measure(7, 2.8, 11.1, "cm")), "1–4 in"},
		{in.Value(measure(-4, -10, 2, "cm")), "−4 to 1 in"},
		{in.Eyes(measure(7.94, 7.1, 8.8, "cm")), "Eyes 3.1 in below the tape"},
		{in.Tape(4), "1½ in"},
		{in.Tape(26), "10¼ in"},
		{in.Tape(0.5), "¼ in"},
		{in.Tape(0), "0 in"},
		{in.Tape(-4), "−1½ in"},
		{English().Tape(4.1), "4 cm"},
		{English().Tape(3.6), "3.5 cm"},
		{in.Bare(2.54, "cm", 1), "1.0"},
		{in.Care["clear_radius"], "Keep everyone at least 14 ft away from the hitter."}, // 4 m = 13.1 ft
		{English().Care["clear_radius"], "Keep everyone at least 4 m away from the hitter."},
		{in.In(Metric).Care["clear_radius"], "Keep everyone at least 4 m away from the hitter."},
		{es.Value(measure(7.94, 7.1, 8.78, "cm")), "7.9 ±0.8 cm"},
		{es.In(Imperial).Tall(170), "5 pies 7 pulg"},
		{es.In(Imperial).Eyes(measure(7.94, 7.1, 8.8, "cm")), "Ojos 3.1 pulg bajo la cinta"},
		{es.Date("2026-05-03"), "3 de mayo de 2026"},
		{es.Balls(9.7, pipeline.Softball), "más o menos el ancho de 1 pelota de softbol"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
	if in.System() != Imperial || in.In(Metric).System() != Metric {
		t.Error("the system of units is not kept")
	}
}

// No sentence keeps a length of its own: those that stand in drills and
// cautions follow the reader's units.
func TestSentencesFollowUnits(t *testing.T) {
	length := regexp.MustCompile(`[{}]|\b\d+(?:\.\d+)? ?(?:c?m|in|ft|pulg|pies)\b`)
	for _, code := range Codes() {
		l, _ := For(code)
		m, i := l.In(Metric), l.In(Imperial)
		n := 0
		for k, s := range languages[code].Care {
			a, b := m.Care[k], i.Care[k]
			if strings.Contains(s, "{") {
				n++
				if a == b || strings.ContainsAny(a+b, "{}") {
					t.Errorf("%s: %q is %q and %q", code, s, a, b)
				}
			}
		}
		if n == 0 {
			t.Errorf("%s: no caution has a length", code)
		}
		for where, s := range sentences(languages[code]) {
			bare := braces.ReplaceAllString(s, "")
			if length.MatchString(bare) {
				t.Errorf("%s: %s has a length that units don't reach: %q", code, where, s)
			}
			inDrill := strings.HasPrefix(where, "Care") || strings.HasPrefix(where, "Drills")
			if !inDrill && braces.MatchString(s) {
				t.Errorf("%s: %s: braces are not written out there: %q", code, where, s)
			}
		}
	}
	if !length.MatchString("keep 4 m away") {
		t.Error("the pattern sees no length")
	}
}

func TestBraces(t *testing.T) {
	l := English()
	for s, want := range map[string][2]string{
		"{4 m}": {"4 m", "14 ft"}, "{2.5 m}": {"2.5 m", "9 ft"}, "{10 cm}": {"10 cm", "4 in"}, "{x}": {"{x}", "{x}"},
	} {
		for i, u := range Systems {
			if got := l.In(u).lengths(s); got != want[i] {
				t.Errorf("%s in %s: %q, want %q", s, u, got, want[i])
			}
		}
	}
}

// sentences are all texts of a language by where they stand.
func sentences(l Lang) map[string]string {
	out := map[string]string{}
	walk(l, func(where, s string) { out[where] = s })
	return out
}
