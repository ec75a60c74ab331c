package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

// make runs ffmpeg to build a test clip and returns its path.
func makeClip(t *testing.T, name string, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), name)
	args = append(append([]string{"-v", "error", "-y", "-nostdin"}, args...), "file:"+out)
	if b, err := exec.Command("ffmpeg", args...).CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg %v: %v\n%s", args, err, b)
	}
	return out
}

func mustProbe(t *testing.T, path string) pipeline.Clip {
	t.Helper()
	c, err := Probe(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// each decodes the clip and calls f for every frame.
func each(t *testing.T, c pipeline.Clip, o Options, f func(*pipeline.Frame)) int {
	t.Helper()
	s, err := Open(context.Background(), c, o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	n := 0
	for {
		fr, err := s.Next()
		if errors.Is(err, io.EOF) {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
		if len(fr.Pix) != fr.Width*fr.Height*3 {
			t.Fatalf("frame %d: %d bytes for %dx%d", fr.Index, len(fr.Pix), fr.Width, fr.Height)
		}
		// The decoder's clock agrees with the container's on a whole clip.
		if late := s.(*source).late; late != 0 {
			t.Errorf("frame %d of a whole clip is called late", fr.Index)
		}
		f(fr)
		n++
	}
}

// mean of an area in fractions of the picture, as B, G, R.
func mean(f *pipeline.Frame, x0, y0, x1, y1 float64) (m [3]float64) {
	n := 0.0
	for y := int(y0 * float64(f.Height)); y < int(y1*float64(f.Height)); y++ {
		for x := int(x0 * float64(f.Width)); x < int(x1*float64(f.Width)); x++ {
			for k := range 3 {
				m[k] += float64(f.Pix[(y*f.Width+x)*3+k])
			}
			n++
		}
	}
	for k := range m {
		m[k] /= n
	}
	return m
}

// counter shows frame n as a grey of 16+4·n in the whole picture.
const counter = "geq=lum='16+4*N':cb=128:cr=128"

func TestDecodeOrder(t *testing.T) {
	for _, tc := range []struct {
		name string
		args []string
		n    int
		step float64
	}{
		{"b frames and edit list", []string{"-c:v", "libx264", "-bf", "2", "-r", "30"}, 40, 1.0 / 30},
		{"240 fps", []string{"-c:v", "libx264", "-bf", "3", "-r", "240"}, 40, 1.0 / 240},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rate := tc.args[len(tc.args)-1]
			args := append([]string{"-f", "lavfi", "-i", "color=black:s=192x108:r=" + rate + ",format=yuv420p," + counter, "-frames:v", "40"}, tc.args...)
			c := mustProbe(t, makeClip(t, "a.mp4", args...))
			if len(c.PTS) != tc.n || c.PTS[0] != 0 {
				t.Fatalf("%d frames from %v", len(c.PTS), c.PTS[0])
			}
			for _, exact := range []bool{false, true} {
				c.Matrix = "bt709"
				n := each(t, c, Options{Exact: exact}, func(f *pipeline.Frame) {
					want := float64(4*f.Index) * 255 / 219
					if got := mean(f, 0, 0, 1, 1)[1]; math.Abs(got-want) > 2 {
						t.Errorf("exact %v frame %d shows grey %.1f, want %.1f", exact, f.Index, got, want)
					}
					if math.Abs(f.PTS-float64(f.Index)*tc.step) > 1e-4 {
						t.Errorf("frame %d at %v", f.Index, f.PTS)
					}
				})
				if n != tc.n {
					t.Errorf("exact %v: %d frames", exact, n)
				}
				first := -1
				n = each(t, c, Options{Exact: exact, From: 9.5 * tc.step, To: 20 * tc.step}, func(f *pipeline.Frame) {
					if first < 0 {
						first = f.Index
					}
					want := float64(4*f.Index) * 255 / 219
					if got := mean(f, 0, 0, 1, 1)[1]; math.Abs(got-want) > 2 {
						t.Errorf("span: frame %d shows grey %.1f, want %.1f", f.Index, got, want)
					}
				})
				if n != 11 || first != 10 {
					t.Errorf("span gave %d frames from %d", n, first)
				}
			}
		})
	}
}

// The four corners of the coded picture: red, green, blue, white.
const corners = "color=gray:s=192x108:r=30,drawbox=0:0:96:54:red:fill,drawbox=96:0:96:54:lime:fill,drawbox=0:54:96:54:blue:fill,drawbox=96:54:96:54:white:fill"

func TestRotation(t *testing.T) {
	// Corner of the displayed picture (top left, top right, bottom left,
	// bottom right) → colour of the coded corner that lands there when the
	// picture is turned clockwise. Matrix {0,0x10000,0,0xFFFF0000,…} displays
	// 90° clockwise, ffprobe −90 (ISO/IEC 14496-12 §8.3.2).
	want := map[int]string{0: "RGBW", 90: "BRWG", 180: "WBGR", 270: "GWRB"}
	base := makeClip(t, "base.mp4", "-f", "lavfi", "-i", corners, "-frames:v", "12", "-c:v", "libx264", "-pix_fmt", "yuv420p")
	for rot, colours := range want {
		// Patched into the file: ffmpeg has its own way of writing turns.
		path := base
		if rot != 0 {
			path = patchMatrix(t, base, rot)
		}
		c := mustProbe(t, path)
		w, h := 192, 108
		if rot%180 != 0 {
			w, h = h, w
		}
		if c.Rotation != rot || c.Width != w || c.Height != h {
			t.Fatalf("turned %d: probed %d, %dx%d", rot, c.Rotation, c.Width, c.Height)
		}
		for _, o := range []Options{{}, {MaxSide: 96}, {Exact: true}, {Exact: true, MaxSide: 96}} {
			if o.Exact {
				c.Matrix = "bt709"
			}
			each(t, c, o, func(f *pipeline.Frame) {
				got := ""
				for i := range 4 {
					x, y := float64(i%2)/2, float64(i/2)/2
					got += name(mean(f, x+.1, y+.1, x+.4, y+.4))
				}
				if got != colours {
					t.Errorf("turned %d, %+v: %s, want %s", rot, o, got, colours)
				}
				if o.MaxSide > 0 && (max(f.Width, f.Height) != 96 || f.Scale != 2) {
					t.Errorf("small: %dx%d scale %v", f.Width, f.Height, f.Scale)
				}
			})
		}
	}
}

func name(m [3]float64) string {
	b, g, r := m[0] > 128, m[1] > 128, m[2] > 128
	switch {
	case r && g && b:
		return "W"
	case r && !g && !b:
		return "R"
	case g && !r && !b:
		return "G"
	case b && !r && !g:
		return "B"
	}
	return "?"
}

// patchMatrix writes the display matrix of a clockwise turn into tkhd.
func patchMatrix(t *testing.T, path string, degrees int) string {
	t.Helper()
	return writeMatrix(t, path, map[int][4]uint32{90: {0, 0x10000, 0xFFFF0000, 0}, 180: {0xFFFF0000, 0, 0, 0xFFFF0000}, 270: {0, 0xFFFF0000, 0x10000, 0}}[degrees])
}

// writeMatrix writes a, b, c and d of a display matrix, 16.16, into tkhd.
func writeMatrix(t *testing.T, path string, abcd [4]uint32) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(b, []byte("tkhd"))
	if i < 0 || b[i+4] != 0 {
		t.Fatal("no tkhd of version 0")
	}
	// Version 0: the matrix is 40 bytes after the version and flags field.
	m := i + 4 + 40
	for k, at := range []int{0, 4, 12, 16} {
		binary.BigEndian.PutUint32(b[m+at:], abcd[k])
	}
	out := filepath.Join(t.TempDir(), "turned.mp4")
	if err := os.WriteFile(out, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return out
}

// ffmpeg turns, cuts and makes small as we do it ourselves: the same sizes, and
// everything in the same place, also where sides are odd and something is cut.
func TestBothWaysAgree(t *testing.T) {
	base := makeClip(t, "odd.mp4", "-f", "lavfi", "-i", "testsrc2=s=322x182:r=30", "-frames:v", "3", "-vf", "hue=s=0,scale=out_color_matrix=bt709:out_range=tv,format=yuv420p",
		"-c:v", "libx264", "-crf", "10", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709")
	for _, rot := range []int{0, 90, 180, 270} {
		path := base
		if rot != 0 {
			path = patchMatrix(t, base, rot)
		}
		c := mustProbe(t, path)
		for _, side := range []int{0, 161, 123, 97} {
			var own []pipeline.Frame
			each(t, c, Options{MaxSide: side}, func(f *pipeline.Frame) {
				mine := *f
				mine.Pix = append([]byte(nil), f.Pix...)
				own = append(own, mine)
			})
			each(t, c, Options{MaxSide: side, Exact: true}, func(f *pipeline.Frame) {
				o := &own[f.Index]
				if f.Width != o.Width || f.Height != o.Height || f.Scale != o.Scale {
					t.Fatalf("turned %d, side %d: %d×%d scale %v, by ffmpeg %d×%d scale %v", rot, side, o.Width, o.Height, o.Scale, f.Width, f.Height, f.Scale)
				}
				off := 0.0
				for i := range f.Pix {
					off += math.Abs(float64(f.Pix[i]) - float64(o.Pix[i]))
				}
				if off /= float64(len(f.Pix)); off > 2 {
					t.Errorf("turned %d, side %d, frame %d: the pictures differ by %.1f levels", rot, side, f.Index, off)
				}
			})
		}
	}
}

func TestFit(t *testing.T) {
	for _, s := range [][3]int{{1920, 1080, 960}, {1080, 1920, 640}, {960, 540, 480}, {854, 480, 640}, {1440, 1080, 500}, {1279, 719, 640}, {640, 360, 640}, {320, 240, 640}} {
		f := fit(s[0], s[1], s[2])
		if float64(f.w)*f.scale != float64(f.cutW) || float64(f.h)*f.scale != float64(f.cutH) {
			t.Errorf("%v: scale not exact: %+v", s, f)
		}
		if max(f.w, f.h) > max(s[2], 0) && max(f.w, f.h) != max(s[0], s[1]) || f.cutW > s[0] || f.cutH > s[1] || s[0]-f.cutW > 7 || s[1]-f.cutH > 15 {
			t.Errorf("%v: cuts too much: %+v", s, f)
		}
		if want := min(s[2], max(s[0], s[1])); max(f.w, f.h) < want*9/10 {
			t.Errorf("%v: too small: %+v", s, f)
		}
	}
}

// A part of the frames is the same as every one, the others left out.
func TestRate(t *testing.T) {
	c := mustProbe(t, smallClip(t, "a.mp4"))
	c.Matrix = "bt709"
	var all [][3]float64
	each(t, c, Options{}, func(f *pipeline.Frame) { all = append(all, mean(f, 0, 0, 1, 1)) })
	for _, o := range []Options{{Rate: 10}, {Rate: 4, From: .2}, {Rate: 7}, {Rate: 1000}, {Rate: 10, Exact: true}} {
		next, seen := math.Inf(-1), 0
		each(t, c, o, func(f *pipeline.Frame) {
			seen++
			if f.PTS < next-1e-6 || f.PTS != c.PTS[f.Index] {
				t.Errorf("%+v: frame %d at %.3f, expected from %.3f on", o, f.Index, f.PTS, next)
			}
			next = f.PTS + .7/o.Rate
			if d := dist(mean(f, 0, 0, 1, 1), all[f.Index]); d > 6 || !o.Exact && d > .01 {
				t.Errorf("%+v: frame %d is another one by %v", o, f.Index, d)
			}
		})
		want := int(math.Min(o.Rate, c.CaptureRate)*(c.PTS[len(c.PTS)-1]-o.From)) + 1
		if seen < want-1 || seen > want+1 {
			t.Errorf("%+v: %d frames, want about %d", o, seen, want)
		}
	}
}
