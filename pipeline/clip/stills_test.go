package clip

import (
	"bytes"
	"context"
	"errors"
	"image/jpeg"
	"math"
	"testing"

	"tapeline/pipeline"
)

// A still is the frame of its number, as it is displayed, in its colours.
func TestStills(t *testing.T) {
	const size = "testsrc2=s=384x216:r=30:d=2"
	for name, c := range map[string]struct {
		file string
		args []string
		side int
	}{
		"uneven and small": {"a.mp4", []string{"-vf", "select='not(eq(mod(n,7),3))'", "-fps_mode", "vfr", "-bf", "2", "-g", "12"}, 192},
		"BT.709":           {"b.mp4", []string{"-vf", "scale=out_color_matrix=bt709,format=yuv420p", "-colorspace", "bt709"}, 0},
		"mkv":              {"c.mkv", []string{"-g", "300"}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			clip := mustProbe(t, makeClip(t, c.file, append(lavfi(size, "-pix_fmt", "yuv420p"), c.args...)...))
			frames := map[int]pipeline.Frame{}
			each(t, clip, Options{MaxSide: c.side, Exact: true}, func(f *pipeline.Frame) {
				g := *f
				g.Pix = bytes.Clone(f.Pix)
				frames[f.Index] = g
			})
			var got []int
			err := Stills(context.Background(), clip, 20, 31, c.side, func(n int, b []byte) error {
				got = append(got, n)
				img, err := jpeg.Decode(bytes.NewReader(b))
				if err != nil {
					return err
				}
				apart := func(f pipeline.Frame) (sum float64) {
					if img.Bounds().Dx() != f.Width || img.Bounds().Dy() != f.Height {
						t.Fatalf("a still of %v for %d×%d", img.Bounds(), f.Width, f.Height)
					}
					for y := range f.Height {
						for x := range f.Width {
							r, g, b, _ := img.At(x, y).RGBA()
							for k, v := range []uint32{b, g, r} {
								sum += math.Abs(float64(v>>8) - float64(f.Pix[3*(y*f.Width+x)+k]))
							}
						}
					}
					return sum / float64(3*f.Width*f.Height)
				}
				own := apart(frames[n])
				if own > 6 {
					t.Errorf("frame %d: the still is %.1f levels off its frame", n, own)
				}
				for _, other := range []int{n - 1, n + 1} {
					if d := apart(frames[other]); d <= own {
						t.Errorf("frame %d: the still is %.2f levels off its frame, %.2f off frame %d", n, own, d, other)
					}
				}
				return nil
			})
			if err != nil || len(got) != 12 || got[0] != 20 {
				t.Errorf("%v: %v", got, err)
			}
			stop := errors.New("stop")
			if err := Stills(context.Background(), clip, 0, 9, 0, func(int, []byte) error { return stop }); !errors.Is(err, stop) {
				t.Errorf("stopped: %v", err)
			}
		})
	}
}
