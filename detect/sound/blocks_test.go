package sound

import (
	"math"
	"runtime"
	"slices"
	"testing"

	"tapeline/pipeline"
)

// whole is the level of the slow way: everything at once in double precision.
func whole(samples []float32, half int) []float32 {
	x := make([]float64, len(samples))
	for i, v := range samples {
		x[i] = float64(v)
	}
	bothWays(x, highPass(lowHz, fs))
	bothWays(x, lowPass(highHz, fs))
	out := make([]float32, len(x))
	for i := range x {
		part := x[max(0, i-half):min(len(x), i+half+1)]
		sum := 0.
		for _, v := range part {
			sum += v * v
		}
		out[i] = float32(math.Sqrt(sum / float64(len(part))))
	}
	return out
}

// A sound that spans blocks has the level it would have at once, also where
// two blocks meet amid a crack.
func TestBlocks(t *testing.T) {
	x := track(1.5*block, 0.002)
	thud(x, block-0.02, 0.9, 60)
	crack(x, block-0.001, 0.3, 0.006, 1)
	crack(x, 1.2*block, 0.2, 0.006, 2)
	const half = fs * window / 2
	got, want := envelope(x, fs, half), whole(x, half)
	for i := range want {
		if math.Abs(float64(got[i]-want[i])) > 1e-6*float64(want[i])+1e-9 {
			t.Fatalf("sample %d: level %g, want %g", i, got[i], want[i])
		}
	}
	heard := Onsets(x, fs, 0)
	for _, at := range []float64{block - 0.001, 1.2 * block} {
		if !slices.ContainsFunc(heard, func(o pipeline.Onset) bool { return math.Abs(o.T-at) < 0.001 }) {
			t.Errorf("nothing heard at %.3f s: %+v", at, heard)
		}
	}
}

func TestMedian(t *testing.T) {
	x := track(0.02, 0.1)
	for n := 1; n < len(x); n += 37 {
		v := slices.Clone(x[:n])
		for i := range v {
			v[i] = float32(math.Abs(float64(v[i])))
		}
		got := median(v)
		slices.Sort(v)
		if want := float64(v[n/2]); got != want {
			t.Errorf("median of %d levels is %g, want %g", n, got, want)
		}
	}
}

// A long sound takes little more than its level in memory: 4 bytes a sample.
func TestMemory(t *testing.T) {
	x := track(60, 0.002)
	crack(x, 30, 0.3, 0.006, 1)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if got := Onsets(x, fs, 0); len(got) == 0 {
		t.Error("nothing heard")
	}
	runtime.ReadMemStats(&after)
	if b := float64(after.TotalAlloc-before.TotalAlloc) / float64(len(x)); b > 8 {
		t.Errorf("%.1f bytes a sample", b)
	} else {
		t.Logf("%.1f bytes a sample", b)
	}
}
