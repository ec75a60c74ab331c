package sound

import (
	"math"
	"os"
	"testing"

	"github.com/go-audio/wav"
)

// The sound of three rendered clips with the time at which the renderer laid
// the crack at the microphone (their truth files, audio.crack_arrival_t).
func TestRenderedClips(t *testing.T) {
	for name, want := range map[string]float64{"open_faults": 1.17338, "open_clean": 1.17333, "front_left": 1.17912} {
		f, err := os.Open("testdata/" + name + ".wav")
		if err != nil {
			t.Fatal(err)
		}
		b, err := wav.NewDecoder(f).FullPCMBuffer()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float32, len(b.Data))
		for i, v := range b.Data {
			x[i] = float32(v) / 32768
		}
		got := Onsets(x, b.Format.SampleRate, 0)
		if len(got) == 0 {
			t.Errorf("%s: nothing heard", name)
			continue
		}
		t.Logf("%s: off by %+.2f ms, %d sounds", name, 1000*(got[0].T-want), len(got))
		if math.Abs(got[0].T-want) > 0.0015 {
			t.Errorf("%s: crack at %.5f s, want %.5f", name, got[0].T, want)
		}
	}
}
