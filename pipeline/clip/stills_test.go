package clip

import (
	"bytes"
	"context"
	"errors"
	"image/jpeg"
	"math"
	"slices"
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

// From a key frame near by or from the beginning: a still is the same, to the
// byte, on clips whose frames come at any time and in any order. seek says
// whether the place must have been found: from the beginning everything is.
func TestStillsSought(t *testing.T) {
	const size = "testsrc2=s=96x54:r=30:d=6"
	for name, c := range map[string]struct {
		file string
		args []string
		seek bool
	}{
		"uneven":         {"a.mp4", []string{"-pix_fmt", "yuv420p", "-vf", "select='not(eq(mod(n,7),3))',setpts='PTS+mod(N,3)*300/TB/100000'", "-fps_mode", "vfr", "-bf", "3", "-g", "48"}, true},
		"open groups":    {"b.mp4", []string{"-pix_fmt", "yuv420p", "-c:v", "libx265", "-x265-params", "log-level=error:open-gop=1:bframes=4:keyint=60:min-keyint=60:scenecut=0"}, true},
		"open in H.264":  {"c.mp4", []string{"-pix_fmt", "yuv420p", "-x264-params", "open-gop=1:bframes=4:keyint=60:min-keyint=60:scenecut=0"}, true},
		"no key frames":  {"d.mp4", []string{"-pix_fmt", "yuv420p", "-x264-params", "keyint=infinite:scenecut=0"}, true},
		"slow refresh":   {"e.mp4", []string{"-pix_fmt", "yuv420p", "-x264-params", "intra-refresh=1:keyint=40"}, false},
		"Matroska":       {"f.mkv", []string{"-pix_fmt", "yuv420p", "-bf", "2", "-g", "30"}, true},
		"a late sound":   {"g.mov", []string{"-itsoffset", "0.7", "-f", "lavfi", "-i", "sine=d=5", "-pix_fmt", "yuv420p", "-c:a", "aac", "-g", "30", "-bf", "2"}, true},
		"a late picture": {"h.mkv", []string{"-f", "lavfi", "-i", "sine=d=6", "-pix_fmt", "yuv420p", "-vf", "setpts=PTS+0.83/TB", "-c:a", "aac", "-g", "30"}, true},
		"every one":      {"i.mov", []string{"-pix_fmt", "yuv420p", "-c:v", "mjpeg", "-q:v", "5"}, true},
	} {
		t.Run(name, func(t *testing.T) {
			clip := mustProbe(t, makeClip(t, c.file, append(lavfi(size), c.args...)...))
			whole := map[int][]byte{}
			early := clip // every frame lies too near to the beginning
			early.PTS = make([]float64, len(clip.PTS))
			keep := func(into map[int][]byte) func(int, []byte) error {
				return func(n int, b []byte) error { into[n] = b; return nil }
			}
			if err := Stills(t.Context(), early, 0, len(clip.PTS)-1, 0, keep(whole)); err != nil || len(whole) != len(clip.PTS) {
				t.Fatalf("%d stills of %d, %v", len(whole), len(clip.PTS), err)
			}
			demuxer, err := look(clip.Path)
			if err != nil {
				t.Fatal(err)
			}
			in, err := input(clip.Path, demuxer)
			if err != nil {
				t.Fatal(err)
			}
			for _, from := range []int{61, 90, len(clip.PTS) - 9} {
				to, got := from+8, map[int][]byte{}
				n, err := sought(t.Context(), clip, in, toJPEG(clip, fit(clip.Width, clip.Height, 0)), from, to, keep(got))
				if err != nil || n < from || len(got) != n-from || c.seek && n != to+1 {
					t.Errorf("from %d: %d stills, up to %d, %v", from, len(got), n, err)
				}
				if n <= to || name == "uneven" {
					if name == "uneven" { // as if seeking had missed a frame: from there on it is decoded from the beginning
						early.PTS = slices.Clone(clip.PTS)
						early.PTS[from+3] += .002
						clear(got)
						if n, err := sought(t.Context(), early, in, toJPEG(clip, fit(clip.Width, clip.Height, 0)), from, to, keep(got)); n != from+3 || err != nil || len(got) != 3 {
							t.Errorf("of another time: up to %d, %v", n, err)
						}
					}
					if err := Stills(t.Context(), early, from, to, 0, keep(got)); err != nil || len(got) != 9 {
						t.Errorf("from %d: %d stills, %v", from, len(got), err)
					}
				}
				for n, b := range got {
					if !bytes.Equal(b, whole[n]) {
						t.Errorf("frame %d is another one when it is sought from %d", n, from)
					}
				}
			}
		})
	}
}
