package swing

import (
	"math"
	"sort"
)

// coef are the five coefficients of a second-order recursive filter:
// y = a0·x + a1·x₋₁ + a2·x₋₂ + b1·y₋₁ + b2·y₋₂.
type coef struct{ a0, a1, a2, b1, b2 float64 }

// butterworth gives the coefficients of a low-pass second-order Butterworth
// filter at cutoff fc for samples at fs, both Hz. c is the correction for
// passing the filter more than once, 0.802 for two passes.
// Source: Winter, Biomechanics and Motor Control of Human Movement, §3.4.4.2.
func butterworth(fc, fs, c float64) coef {
	w := math.Tan(math.Pi*fc/fs) / c
	k1, k2 := math.Sqrt2*w, w*w
	a0 := k2 / (1 + k1 + k2)
	k3 := 2 * a0 / k2
	return coef{a0, 2 * a0, a0, -2*a0 + k3, 1 - 2*a0 - k3}
}

// twoPass is the cutoff correction (2^{1/n} − 1)^{1/4} for n = 2 passes.
var twoPass = math.Pow(math.Sqrt2-1, 0.25)

func (c coef) run(x []float64) []float64 {
	y := make([]float64, len(x))
	for i := range x {
		if i < 2 {
			y[i] = x[i]
			continue
		}
		y[i] = c.a0*x[i] + c.a1*x[i-1] + c.a2*x[i-2] + c.b1*y[i-1] + c.b2*y[i-2]
	}
	return y
}

func reverse(x []float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[len(x)-1-i] = v
	}
	return y
}

// lowpass filters x (samples at fs Hz) at fc Hz forward and backward, so that
// nothing is delayed; the ends are extended by odd reflection. A cutoff near
// or over half the rate returns a copy.
func lowpass(x []float64, fc, fs float64) []float64 {
	n := len(x)
	if n < 4 || fc >= 0.45*fs {
		return append([]float64(nil), x...)
	}
	pad := min(n-1, 3*int(math.Ceil(fs/fc)))
	e := make([]float64, 0, n+2*pad)
	for i := pad; i > 0; i-- {
		e = append(e, 2*x[0]-x[i])
	}
	e = append(e, x...)
	for i := 1; i <= pad; i++ {
		e = append(e, 2*x[n-1]-x[n-1-i])
	}
	c := butterworth(fc, fs, twoPass)
	return reverse(c.run(reverse(c.run(e))))[pad : pad+n]
}

// derivative by central differences, per second.
func derivative(x []float64, dt float64) []float64 {
	d := make([]float64, len(x))
	for i := range x {
		a, b := max(i-1, 0), min(i+1, len(x)-1)
		if b > a {
			d[i] = (x[b] - x[a]) / (float64(b-a) * dt)
		}
	}
	return d
}

// gaussian smooths x with standard deviation sigma samples.
func gaussian(x []float64, sigma float64) []float64 {
	if sigma <= 0 {
		return append([]float64(nil), x...)
	}
	r := int(math.Ceil(3 * sigma))
	y := make([]float64, len(x))
	for i := range x {
		var s, w float64
		for k := -r; k <= r; k++ {
			if j := i + k; j >= 0 && j < len(x) {
				g := math.Exp(-0.5 * float64(k*k) / (sigma * sigma))
				s += g * x[j]
				w += g
			}
		}
		y[i] = s / w
	}
	return y
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := append([]float64(nil), x...)
	sort.Float64s(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

func mean(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// rms of several doubts that are independent.
func rms(v ...float64) float64 {
	var s float64
	for _, x := range v {
		s += x * x
	}
	return math.Sqrt(s)
}

func deg(rad float64) float64 { return rad * 180 / math.Pi }
func rad(deg float64) float64 { return deg * math.Pi / 180 }
