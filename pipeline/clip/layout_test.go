package clip

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Sound that comes in pieces is laid out as if it came in one.
func TestLayoutOfPieces(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	in := make([]float32, 2000)
	for i := range in {
		in[i] = float32(2*r.Float64() - 1)
	}
	const s = 1. / soundRate
	spans := []SoundSpan{{At: 0, From: 100 * s, To: 900 * s}, {At: 850 * s, From: 700 * s, To: 1500 * s}, // they overlap
		{At: 1700 * s, From: 1900 * s, To: 2600 * s}, {At: 2400 * s, From: -400 * s, To: 300 * s}, {At: 2900 * s, From: 0, To: 500 * s}}
	for _, start := range []float64{-.03, 0, .01} {
		want := make([]float32, 3000)
		layout(want, in, 0, start, spans)
		loud := 0
		for _, v := range want {
			if v != 0 {
				loud++
			}
		}
		if loud < 1000 {
			t.Fatalf("start %g: %d samples of sound", start, loud)
		}
		for _, size := range []int{1, 7, 240, 1999} {
			got := make([]float32, len(want))
			for n := 0; n < len(in); n += size {
				layout(got, in[n:min(n+size, len(in))], n, start, spans)
			}
			for i := range got {
				if math.Abs(float64(got[i]-want[i])) > 1e-6 {
					t.Fatalf("start %g, pieces of %d: sample %d is %g, want %g", start, size, i, got[i], want[i])
				}
			}
		}
	}
}
