package sound

import (
	"math"
	"math/rand"
	"testing"
)

const fs = 48000

// track is n seconds of weak noise.
func track(seconds, noise float64) []float32 {
	r := rand.New(rand.NewSource(1))
	x := make([]float32, int(seconds*fs))
	for i := range x {
		x[i] = float32(noise * r.NormFloat64())
	}
	return x
}

// crack adds a noise burst that starts at once and dies with tau.
func crack(x []float32, at, amp, tau float64, seed int64) {
	r := rand.New(rand.NewSource(seed))
	for i := int(math.Ceil(at * fs)); i < len(x); i++ {
		d := float64(i)/fs - at
		if d > 12*tau {
			break
		}
		x[i] += float32(amp * r.NormFloat64() * math.Exp(-d/tau))
	}
}

// thud adds a low tone that swells within 8 ms.
func thud(x []float32, at, amp, hz float64) {
	for i := int(at * fs); i < len(x); i++ {
		d := float64(i)/fs - at
		if d > 0.4 {
			break
		}
		x[i] += float32(amp * math.Sin(2*math.Pi*hz*d) * (1 - math.Exp(-d/0.008)) * math.Exp(-d/0.05))
	}
}

func TestCrackTime(t *testing.T) {
	worst := 0.0
	for seed := range int64(20) {
		at := 0.7 + 0.0137*float64(seed)
		for _, tau := range []float64{0.002, 0.006, 0.02} {
			x := track(2, 0.002)
			crack(x, at, 0.3, tau, seed)
			got := Onsets(x, fs, -0.25)
			if len(got) == 0 {
				t.Fatalf("seed %d tau %v: nothing heard", seed, tau)
			}
			err := got[0].T - (at - 0.25)
			worst = max(worst, math.Abs(err))
			if math.Abs(err) > 0.001 {
				t.Errorf("seed %d tau %v: off by %.2f ms", seed, tau, 1000*err)
			}
		}
	}
	t.Logf("worst %.2f ms", 1000*worst)
}

// The front foot lands hard: louder than the crack, but low.
func TestThudDoesNotOutrank(t *testing.T) {
	for _, hz := range []float64{60, 90, 130} {
		x := track(2, 0.002)
		thud(x, 1.0, 0.9, hz)
		crack(x, 1.174, 0.15, 0.006, 5)
		got := Onsets(x, fs, 0)
		if len(got) == 0 || math.Abs(got[0].T-1.174) > 0.001 {
			t.Errorf("%v Hz: %+v", hz, got)
		}
	}
}

// Two cracks, the second stronger: both are found, in order of strength, and
// one crack's own decay and echo gives no second onset stronger than it.
func TestSeveral(t *testing.T) {
	x := track(4, 0.002)
	crack(x, 1.0, 0.1, 0.006, 1)
	crack(x, 3.0, 0.4, 0.006, 2)
	crack(x, 3.03, 0.1, 0.02, 3) // echo
	got := Onsets(x, fs, 0)
	if len(got) < 2 || math.Abs(got[0].T-3) > 0.001 {
		t.Fatalf("%+v", got)
	}
	heard := false
	for i, o := range got {
		if i > 0 && o.Strength > got[i-1].Strength {
			t.Errorf("order: %+v", got)
		}
		heard = heard || math.Abs(o.T-1) < 0.001
	}
	if !heard {
		t.Errorf("the weaker crack is missing: %+v", got)
	}
}

func TestNotSharp(t *testing.T) {
	// Wind, hum and a voice that swells in 40 ms.
	x := track(3, 0.01)
	for i := range x {
		s := float64(i) / fs
		x[i] += float32(0.3 * math.Sin(2*math.Pi*100*s))
		if d := s - 1; d > 0 && d < 0.5 {
			e := (1 - math.Cos(2*math.Pi*min(d/0.08, 0.5))) / 2 * min(1, (0.5-d)/0.1)
			x[i] += float32(0.3 * e * math.Sin(2*math.Pi*900*s))
		}
	}
	if got := Onsets(x, fs, 0); len(got) != 0 {
		t.Errorf("heard %+v", got)
	}
	for name, x := range map[string][]float32{"nothing": nil, "silence": make([]float32, fs), "noise": track(2, 0.1), "short": track(0.01, 0.1)} {
		if got := Onsets(x, fs, 0); len(got) != 0 {
			t.Errorf("%s: heard %+v", name, got)
		}
	}
}

func TestMany(t *testing.T) {
	x := track(8, 0.001)
	for i := range 30 {
		crack(x, 0.5+0.25*float64(i), 0.3, 0.004, int64(i))
	}
	if got := Onsets(x, fs, 0); len(got) != 20 {
		t.Errorf("%d onsets", len(got))
	}
}

// Other rates than 48 kHz, down to a phone's narrow band.
func TestRates(t *testing.T) {
	for _, rate := range []int{8000, 16000, 44100} {
		x := make([]float32, 2*rate)
		r := rand.New(rand.NewSource(3))
		for i := range x {
			x[i] = float32(0.002 * r.NormFloat64())
			if d := float64(i)/float64(rate) - 1.1; d >= 0 {
				x[i] += float32(0.3 * r.NormFloat64() * math.Exp(-d/0.006))
			}
		}
		got := Onsets(x, rate, 0)
		if len(got) == 0 || math.Abs(got[0].T-1.1) > 0.0015 {
			t.Errorf("%d Hz: %+v", rate, got)
		}
	}
}

// Computed from c = 331.3·√(1+T/273.15) m/s at 20 °C.
func TestDelay(t *testing.T) {
	for m, ms := range map[float64]float64{3: 8.7, 5: 14.6, 8: 23.3, 10: 29.1, 15: 43.7} {
		if got := 1000 * Delay(m, 20); math.Abs(got-ms) > 0.05 {
			t.Errorf("%v m: %.2f ms, want %.1f", m, got, ms)
		}
	}
	// At 20 °C 343.2 m/s (ISO 9613-1:1993, its reference value; from memory).
	if c := SpeedOfSound(20); math.Abs(c-343.2) > 0.1 {
		t.Errorf("%.2f m/s", c)
	}
	if c := SpeedOfSound(0); c != 331.3 {
		t.Errorf("%.2f m/s", c)
	}
}
