// Package sound finds sharp sounds, such as the crack of the bat, in a mono
// sound track. Pure functions, no pixels.
//
// A track passes these stages:
//
//  1. band 0.4–8 kHz, forwards and backwards so that nothing is shifted: a
//     foot's thud lies below it, a crack fills it
//  2. level: RMS in a sliding window of 1 ms; both in blocks of 10 s
//  3. peaks far above the track's median level that rise within milliseconds
//  4. onset: where the level first passes a tenth of the peak
//
// Times are those at the microphone; the caller takes Delay off.
package sound

import (
	"math"
	"slices"

	"tapeline/pipeline"
)

const (
	lowHz  = 400.0
	highHz = 8000.0
	window = 0.001 // seconds of the level
	// A peak counts from minOver times the median level. 8 is 18 dB, common
	// practice, no source.
	minOver = 8.0
	// A crack is there within a millisecond or two, a voice or a cloth takes
	// ten or more (common practice, no source).
	maxRise = 0.010
	onsetAt = 0.1
	maxList = 20
	// Quieter than this nothing counts, however still the track: −80 dB of
	// full scale, about the noise of a 16-bit track with dither.
	silence = 1e-4
)

// Onsets are the sharp sounds of a track, strongest first, at most 20.
// samples are mono, −1…1, rate a second; start is the presentation time of
// the first, seconds. Below 2 kHz there is no crack to hear: none are found.
func Onsets(samples []float32, rate int, start float64) []pipeline.Onset {
	fs := float64(rate)
	if rate < 2000 || len(samples) < rate/50 {
		return nil
	}
	half := max(1, int(math.Round(window*fs/2)))
	env := envelope(samples, fs, half)
	med := max(median(env), silence/minOver)
	var found []pipeline.Onset
	back := int(maxRise * fs)
	for p := 1; p < len(env)-1; p++ {
		if float64(env[p]) < minOver*med || env[p] < env[p-1] || env[p] <= env[p+1] {
			continue
		}
		if on, ok := rise(env, p, back, half); ok {
			found = append(found, pipeline.Onset{
				T: start + on/fs, Strength: float64(env[p]) / med, Sharp: (float64(p) - on) / fs,
			})
		}
	}
	slices.SortStableFunc(found, func(a, b pipeline.Onset) int {
		switch {
		case a.Strength > b.Strength:
			return -1
		case a.Strength < b.Strength:
			return 1
		}
		return 0
	})
	return found[:min(len(found), maxList)]
}

// Long sounds are filtered in blocks, so that the only thing as long as the
// sound is its level. Behind each end of a block lies a margin in which the
// filters forget where they began: they lose e⁻¹ in half a millisecond.
const (
	block  = 10.  // seconds
	margin = 0.05 // seconds
)

// envelope is the level of the samples' band, RMS over ±half samples.
func envelope(samples []float32, fs float64, half int) []float32 {
	env := make([]float32, len(samples))
	size, more := int(block*fs), int(margin*fs)+half
	longest := min(len(samples), size+2*more)
	x, sum := make([]float64, 0, longest), make([]float64, 0, longest+1)
	for from := 0; from < len(samples); from += size {
		to := min(len(samples), from+size)
		a, b := max(0, from-more), min(len(samples), to+more)
		x = x[:0]
		for _, v := range samples[a:b] {
			if v != v { // NaN is silence
				v = 0
			}
			x = append(x, float64(v))
		}
		bothWays(x, highPass(lowHz, fs))
		if highHz < 0.45*fs {
			bothWays(x, lowPass(highHz, fs))
		}
		sum = append(sum[:0], 0)
		for i, v := range x {
			sum = append(sum, sum[i]+v*v)
		}
		for i := from; i < to; i++ {
			lo, hi := max(0, i-a-half), min(len(x), i-a+half+1)
			env[i] = float32(math.Sqrt(max(0, sum[hi]-sum[lo]) / float64(hi-lo)))
		}
	}
	return env
}

// rise finds where the level comes up to peak p, in samples; false if it
// takes too long or p stands on a larger sound.
func rise(env []float32, p, back, half int) (float64, bool) {
	peak := float64(env[p])
	// A larger level close by is the true peak.
	for i := max(0, p-back); i < len(env) && i <= p+back; i++ {
		if env[i] > env[p] {
			return 0, false
		}
	}
	// Where the background is loud a tenth of the peak lies within it.
	limit := onsetAt * peak
	if from := p - 10*back; from >= 0 {
		limit = max(limit, 2*median(env[from:p-back]))
	}
	if limit > peak/2 {
		return 0, false
	}
	for i := p - 1; i >= 0 && i >= p-back-half; i-- {
		if below, above := float64(env[i]), float64(env[i+1]); below <= limit {
			on := float64(i) + (limit-below)/(above-below)
			// The window looks ahead by half its length: of a sudden sound
			// (limit/peak)² of the window is enough to reach the limit.
			r := limit / peak
			on += float64(2*half+1) * (0.5 - r*r)
			return min(on, float64(p)), true
		}
	}
	return 0, false
}

// median of levels, the upper one of two. Nothing is sorted or copied: levels
// are not negative, so that their bits are in the order of their values; the
// upper half of the bits is counted first, then the lower.
func median(x []float32) float64 {
	if len(x) == 0 {
		return 0
	}
	count := make([]int32, 1<<16)
	at := func(left int) (half uint32, rest int) {
		for i, n := range count {
			if left < int(n) {
				return uint32(i), left
			}
			left -= int(n)
		}
		return 0, 0
	}
	for _, v := range x {
		count[math.Float32bits(v)>>16]++
	}
	high, left := at(len(x) / 2)
	clear(count)
	for _, v := range x {
		if b := math.Float32bits(v); b>>16 == high {
			count[b&0xffff]++
		}
	}
	low, _ := at(left)
	return float64(math.Float32frombits(high<<16 | low))
}

// biquad is a second-order filter, a0 = 1.
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// lowPass and highPass are second-order Butterworth filters by the bilinear
// transform (Oppenheim & Schafer, Discrete-Time Signal Processing, §7.1; from
// memory).
func lowPass(fc, fs float64) biquad {
	k := math.Tan(math.Pi * fc / fs)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return biquad{k * k * n, 2 * k * k * n, k * k * n, 2 * (k*k - 1) * n, (1 - math.Sqrt2*k + k*k) * n}
}

func highPass(fc, fs float64) biquad {
	k := math.Tan(math.Pi * fc / fs)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return biquad{n, -2 * n, n, 2 * (k*k - 1) * n, (1 - math.Sqrt2*k + k*k) * n}
}

// bothWays filters in place, forwards and backwards: no shift in time.
func bothWays(x []float64, f biquad) {
	for range 2 {
		var x1, x2, y1, y2 float64
		for i, v := range x {
			y := f.b0*v + f.b1*x1 + f.b2*x2 - f.a1*y1 - f.a2*y2
			x2, x1, y2, y1 = x1, v, y1, y
			x[i] = y
		}
		slices.Reverse(x)
	}
}

// SpeedOfSound in dry air, m/s, at tempC °C: 331.3·√(1+T/273.15), the ideal
// gas law.
func SpeedOfSound(tempC float64) float64 { return 331.3 * math.Sqrt(1+tempC/273.15) }

// Delay is how long a sound takes over metres, seconds.
func Delay(metres, tempC float64) float64 { return metres / SpeedOfSound(tempC) }
