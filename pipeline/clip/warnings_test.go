package clip

import (
	"math"
	"slices"
	"testing"

	"tapeline/pipeline"
)

// Every code of the container's list is given for a clip that deserves it; a
// listed code without such a clip fails.
func TestEveryCodeCanBeTriggered(t *testing.T) {
	test := func(name string, args ...string) string {
		return makeClip(t, name, append(lavfi("testsrc=s=192x108:r=30", "-frames:v", "12", "-pix_fmt", "yuv420p"), args...)...)
	}
	triggers := map[string]func() string{
		"odd_rotation": func() string {
			s, c := math.Sincos(30 * math.Pi / 180)
			fix := func(v float64) uint32 { return uint32(int32(math.Round(v * 65536))) }
			return writeMatrix(t, test("tilted.mp4"), [4]uint32{fix(c), fix(s), fix(-s), fix(c)})
		},
		"non_square_pixels": func() string { return test("wide.mp4", "-vf", "setsar=4/3") },
		"compressed":        func() string { return test("thin.mp4", "-c:v", "libx264", "-crf", "51", "-vf", "scale=960:540") },
		"interlaced": func() string {
			return test("combed.mp4", "-c:v", "libx264", "-flags", "+ildct+ilme", "-x264-params", "tff=1")
		},
	}
	plain := mustProbe(t, test("plain.mp4"))
	if len(plain.Warnings) > 0 {
		t.Errorf("a plain clip: %+v", plain.Warnings)
	}
	for code := range triggers {
		if !slices.Contains(pipeline.ClipCodes, code) {
			t.Errorf("%s has a trigger but is not listed", code)
		}
	}
	for _, code := range pipeline.ClipCodes {
		t.Run(code, func(t *testing.T) {
			make, ok := triggers[code]
			if !ok {
				t.Fatal("nothing triggers it: write a trigger, or delete the code from its list and from the words")
			}
			if got := mustProbe(t, make()).Warnings; len(got) != 1 || got[0].Code != code || got[0].Detail == "" {
				t.Errorf("got %+v", got)
			}
		})
	}
}
