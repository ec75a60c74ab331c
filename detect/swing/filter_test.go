package swing

import (
	"math"
	"testing"
)

func close(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: got %.6f, want %.6f ± %g", what, got, want, tol)
	}
}

// Source for c = 1: Winter, Biomechanics and Motor Control of Human Movement,
// §3.4.4.2, printed to five digits. For c = .802: computed from the formula.
func TestButterworthCoefficients(t *testing.T) {
	for _, c := range []struct{ c, a0, a1, a2, b1, b2 float64 }{
		{1, .067455, .134911, .067455, 1.142981, -.412802},
		{.802, .094489, .188978, .094489, .962375, -.340332},
	} {
		k := butterworth(6, 60, c.c)
		close(t, "a0", k.a0, c.a0, 1e-6)
		close(t, "a1", k.a1, c.a1, 1e-6)
		close(t, "a2", k.a2, c.a2, 1e-6)
		close(t, "b1", k.b1, c.b1, 1e-6)
		close(t, "b2", k.b2, c.b2, 1e-6)
	}
	close(t, "correction for two passes", twoPass, .802243, 1e-6)
}

// Two passes with the exact correction leave 1/√2 at the cutoff (computed; .5
// if the correction is forgotten) and shift nothing.
func TestLowpassGainAndDelay(t *testing.T) {
	const fs, fc, n = 240.0, 8.0, 1200
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * fc * float64(i) / fs)
	}
	y := lowpass(x, fc, fs)
	var s, c float64
	for i := n / 4; i < 3*n/4; i++ {
		s += 2 * y[i] * math.Sin(2*math.Pi*fc*float64(i)/fs) / (n / 2)
		c += 2 * y[i] * math.Cos(2*math.Pi*fc*float64(i)/fs) / (n / 2)
	}
	close(t, "gain at the cutoff", math.Hypot(s, c), .70711, .002)
	close(t, "phase at the cutoff", math.Atan2(c, s), 0, .002)
	line := make([]float64, 60)
	for i := range line {
		line[i] = 3 + 2*float64(i)
	}
	for i, v := range lowpass(line, 8, 60) {
		close(t, "a straight line stays", v, line[i], 1e-3)
	}
}

// Angle at (120, 200) between (100, 100) and (100, 300): computed.
func TestIncludedAngle(t *testing.T) {
	close(t, "angle", included(v3{100, 100, 0}, v3{120, 200, 0}, v3{100, 300, 0}), 157.3801, 1e-4)
}

// A true flexion of 30° seen from 20° off side-on reads 28.48°, from 45°
// 22.21° in the picture (computed); in three dimensions it stays 30°.
func TestFlexionOffSide(t *testing.T) {
	hip, knee := v3{0, 45, 0}, v3{0, 0, 0}
	ankle := v3{-45 * math.Sin(rad(30)), -45 * math.Cos(rad(30)), 0}
	for _, c := range []struct{ off, want float64 }{{20, 28.48}, {45, 22.21}} {
		turn := func(p v3) v3 {
			return v3{p[0] * math.Cos(rad(c.off)), p[1], p[0] * math.Sin(rad(c.off))}
		}
		flat := func(p v3) v3 { q := turn(p); q[2] = 0; return q }
		close(t, "in the picture", 180-included(flat(hip), flat(knee), flat(ankle)), c.want, .005)
		close(t, "in space", 180-included(turn(hip), turn(knee), turn(ankle)), 30, 1e-6)
	}
}

// Drillis & Contini, in Winter: thigh .245, shank .246, hip .530 − ankle .039
// = thigh + shank; foot .152. ANSUR II (NATICK/TR-15/007): foot .1513–.1544 of
// stature in adults.
func TestSegmentFractions(t *testing.T) {
	close(t, "leg = hip height − ankle height", thighOfHeight+shankOfHeight, .530-.039, 1e-9)
	close(t, "trunk = shoulder height − hip height", trunkOfHeight, .288, 1e-9)
	if footOfHeight < .1513 || footOfHeight > .1544 {
		t.Errorf("foot %.4f outside ANSUR II's means .1513–.1544", footOfHeight)
	}
}
