package card

import (
	"math/rand/v2"
	"testing"

	"tapeline/pipeline"
)

// One picture of a recording, grey and with a sensor's noise, that shows no
// card: nearly all are such.
func BenchmarkRead(b *testing.B) {
	f := still(b, "../../samples/open_faults.mp4", Side, 0)
	grey := pipeline.Frame{Width: f.Width, Height: f.Height}
	rng := rand.New(rand.NewPCG(1, 1))
	for i := 0; i < len(f.Pix); i += 3 {
		v := (int(f.Pix[i])+2*int(f.Pix[i+1])+int(f.Pix[i+2]))/4 + rng.IntN(19) - 9
		grey.Pix = append(grey.Pix, byte(min(255, max(0, v))))
	}
	r := NewReader()
	defer r.Close()
	b.ReportAllocs()
	for b.Loop() {
		if ids, err := r.Read(&grey); err != nil || len(ids) != 0 {
			b.Fatal(ids, err)
		}
	}
}
