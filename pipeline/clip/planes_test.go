package clip

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"os/exec"
	"slices"
	"testing"

	"tapeline/pipeline"
)

// The frames asked for, and no others, whatever the steps between them.
func TestChoiceOfFrames(t *testing.T) {
	path := makeClip(t, "a.mp4", "-f", "lavfi", "-i", "nullsrc=s=64x64:r=30:d=2,geq=lum='16+3*N':cb=128:cr=128", "-c:v", "libx264", "-qp", "1", "-pix_fmt", "yuv420p")
	c := mustProbe(t, path)
	for _, want := range [][]int{{0}, {59}, {0, 1, 2, 3}, {4, 12, 20, 28, 29, 31, 33, 36}, {1, 3, 4, 6, 7, 9}} {
		p, err := OpenPlanes(context.Background(), c, Wanted{Frames: want, Width: 64, Height: 64})
		if err != nil {
			t.Fatal(err)
		}
		img := NewPlanes(64, 64)
		for _, n := range want {
			got, err := p.Next(img)
			if err != nil || got != n || math.Abs(float64(img.Y[64*32+32])-float64(16+3*n)) > 1 {
				t.Errorf("%v: frame %d, luma %d, %v; want frame %d", want, got, img.Y[64*32+32], err, n)
			}
		}
		if _, err := p.Next(img); !errors.Is(err, io.EOF) {
			t.Errorf("%v: %v at the end", want, err)
		}
		p.Close()

		s, err := Open(context.Background(), c, Options{Only: want, Exact: true})
		if err != nil {
			t.Fatal(err)
		}
		var got []int
		for {
			f, err := s.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if got = append(got, f.Index); f.PTS != c.PTS[f.Index] {
				t.Errorf("frame %d at %g", f.Index, f.PTS)
			}
		}
		s.Close()
		if !slices.Equal(got, want) {
			t.Errorf("Only %v gave %v", want, got)
		}
	}
}

// One decoding gives the film's frames and the stills, each of its own number:
// the source's pictures of these numbers, whatever the order and the times the
// clip keeps them in.
func TestFramesAndStills(t *testing.T) {
	// Neighbours are far apart in brightness; a ramp tells left from right.
	picture := func(rate, n int) []string {
		return []string{"-f", "lavfi", "-i", fmt.Sprintf("nullsrc=s=160x96:r=%d,trim=end_frame=%d,geq=lum='30+mod(N*67,150)+X/4':cb=128:cr=128", rate, n), "-pix_fmt", "yuv420p", "-c:v", "libx264", "-crf", "4"}
	}
	whole := makeClip(t, "whole.mp4", append(picture(30, 60), "-bf", "2", "-g", "20")...)
	for name, path := range map[string]string{
		"B frames":   makeClip(t, "b.mp4", append(picture(30, 60), "-bf", "3", "-g", "25")...),
		"uneven":     makeClip(t, "v.mp4", append(picture(60, 100), "-vf", "select='not(eq(mod(n,7),3))*not(between(n,40,47))'", "-fps_mode", "vfr", "-bf", "2")...),
		"240":        makeClip(t, "f.mp4", append(picture(240, 200), "-g", "250")...),
		"edit list":  makeClip(t, "e.mp4", "-ss", "0.9", "-i", "file:"+whole, "-c", "copy"),
		"Matroska":   makeClip(t, "m.mkv", append(picture(30, 60), "-bf", "2")...),
		"turned":     patchMatrix(t, whole, 90),
		"from sound": makeClip(t, "s.mp4", append(append([]string{"-f", "lavfi", "-i", "sine"}, picture(30, 60)...), "-shortest", "-c:a", "aac", "-bf", "2", "-output_ts_offset", "1.3")...),
	} {
		t.Run(name, func(t *testing.T) {
			c := mustProbe(t, path)
			at := func(f *pipeline.Frame, x, y int) int { return int(f.Pix[3*(y*f.Width+x)+1]) }
			level := map[int][2]int{} // green of two places in each frame
			places := [2]image.Point{{c.Width / 4, c.Height / 4}, {c.Width / 2, c.Height / 2}}
			each(t, c, Options{Exact: true}, func(f *pipeline.Frame) {
				level[f.Index] = [2]int{at(f, places[0].X, places[0].Y), at(f, places[1].X, places[1].Y)}
			})
			last := len(c.PTS) - 1
			part := image.Rect(c.Width/4-3, c.Height/4-5, c.Width/2+7, c.Height/2+9)
			want := Wanted{Frames: []int{1, 2, 5, 9, 11, 20, last - 3, last}, Width: c.Width, Height: c.Height, Stills: []int{0, 4, 5, 10, 21, last - 1, last}, Part: part}
			p, err := OpenPlanes(context.Background(), c, want)
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			img := NewPlanes(c.Width, c.Height)
			for _, n := range want.Frames {
				got, err := p.Next(img)
				if err != nil || got != n {
					t.Fatalf("frame %d, %v; want %d", got, err, n)
				}
				for i, q := range places {
					grey := (float64(img.Y[q.Y*img.YStride+q.X]) - 16) * 255 / 219
					if math.Abs(grey-float64(level[n][i])) > 5 {
						t.Errorf("frame %d at %v: %.0f, want %d", n, q, grey, level[n][i])
					}
				}
			}
			stills, err := p.Stills()
			if err != nil || len(stills) != len(want.Stills) {
				t.Fatalf("%d stills, %v", len(stills), err)
			}
			for i, s := range stills {
				if s.Frame != want.Stills[i] || s.Scale != 1 || !part.In(s.Image.Rect.Add(s.Origin)) || s.Image.Rect.Dx() > part.Dx()+60 && s.Origin.X > 0 {
					t.Fatalf("still %d: frame %d at %v, %v", i, s.Frame, s.Origin, s.Image.Rect)
				}
				for j, q := range places {
					got := s.Image.RGBAAt(q.X-s.Origin.X, q.Y-s.Origin.Y)
					if math.Abs(float64(got.G)-float64(level[s.Frame][j])) > 1 || got.A != 255 {
						t.Errorf("still of frame %d at %v: %v, want %d", s.Frame, q, got, level[s.Frame][j])
					}
				}
			}
		})
	}
}

// A picture that the decoder loses makes no other stand in its place.
func TestLostPictureOfFilm(t *testing.T) {
	c := mustProbe(t, makeClip(t, "a.mp4", "-f", "lavfi", "-i", "testsrc2=s=64x64:r=30:d=2", "-c:v", "libx264", "-g", "1", "-pix_fmt", "yuv420p"))
	for _, lost := range []int{3, 20} {
		d := c
		// The clip's index tells of a picture more than there is.
		d.PTS = slices.Clone(c.PTS)
		for i := lost; i < len(d.PTS); i++ {
			d.PTS[i] = c.PTS[i] - 1./30
		}
		p, err := OpenPlanes(context.Background(), d, Wanted{Frames: []int{1, 2, 10, 25, 30}, Width: 64, Height: 64})
		if err != nil {
			t.Fatal(err)
		}
		img, shown := NewPlanes(64, 64), 0
		for err == nil {
			if _, err = p.Next(img); err == nil {
				shown++
			}
		}
		p.Close()
		bad(t, err, pipeline.FaultUnreadable, "a picture is missing")
		if want := map[int]int{3: 2, 20: 3}[lost]; shown != want {
			t.Errorf("lost %d: %d pictures shown, want %d", lost, shown, want)
		}
	}
}

// Planes lie, turned and coloured, where the source's pictures do.
func TestPlanesAreThePicture(t *testing.T) {
	base := makeClip(t, "t.mp4", "-f", "lavfi", "-i", "testsrc2=s=320x180:r=30", "-frames:v", "3", "-vf", "scale=out_color_matrix=bt709:out_range=tv,format=yuv420p",
		"-c:v", "libx264", "-crf", "5", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709")
	for _, rot := range []int{0, 90, 180, 270} {
		path := base
		if rot != 0 {
			path = patchMatrix(t, base, rot)
		}
		c := mustProbe(t, path)
		p, err := OpenPlanes(context.Background(), c, Wanted{Frames: []int{1}, Width: c.Width, Height: c.Height})
		if err != nil {
			t.Fatal(err)
		}
		img := NewPlanes(c.Width, c.Height)
		if _, err := p.Next(img); err != nil {
			t.Fatal(err)
		}
		p.Close()
		each(t, c, Options{Only: []int{1}, Exact: true}, func(f *pipeline.Frame) {
			var sum float64
			for i := range img.Y {
				b, g, r := float64(f.Pix[3*i]), float64(f.Pix[3*i+1]), float64(f.Pix[3*i+2])
				sum += math.Abs(16 + 219./255*(.2126*r+.7152*g+.0722*b) - float64(img.Y[i]))
			}
			if sum /= float64(len(img.Y)); sum > 1.5 {
				t.Errorf("turned %d: luma is off by %.1f levels", rot, sum)
			}
		})
	}
}

// A picture written as planes comes out as it went in, and neither way of
// writing takes the other's pictures.
func TestWritePlanes(t *testing.T) {
	spec := Spec{Width: 64, Height: 48, FPS: 30, Planes: true}
	path := t.TempDir() + "/p.mp4"
	e, err := NewEncoder(context.Background(), path, spec)
	if err != nil {
		t.Fatal(err)
	}
	img := NewPlanes(64, 48)
	for i := range img.Y {
		img.Y[i] = 120
	}
	for i := range img.Cb {
		img.Cb[i], img.Cr[i] = 90, 200
	}
	for range 10 {
		if err := e.WritePlanes(img); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	p, err := OpenPlanes(context.Background(), mustProbe(t, path), Wanted{Frames: []int{5}, Width: 64, Height: 48})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	got := NewPlanes(64, 48)
	if _, err := p.Next(got); err != nil {
		t.Fatal(err)
	}
	for i, d := range []int{int(got.Y[64*20+20]) - 120, int(got.Cb[32*10+10]) - 90, int(got.Cr[32*10+10]) - 200} {
		if d < -2 || d > 2 {
			t.Errorf("plane %d is off by %d", i, d)
		}
	}

	for _, planes := range []bool{false, true} {
		spec.Planes = planes
		e, err := NewEncoder(context.Background(), t.TempDir()+"/q.mp4", spec)
		if err != nil {
			t.Fatal(err)
		}
		if planes {
			err = e.Write(plain(64, 48, color.RGBA{90, 90, 90, 255}))
		} else {
			err = e.WritePlanes(img)
		}
		if err == nil {
			t.Errorf("planes %v: took the other kind", planes)
		}
		e.Abort()
	}
	none := NewPlanes(2, 2)
	if len(none.Y) != 4 || len(none.Cr) != 1 {
		t.Errorf("planes of 2×2: %d %d", len(none.Y), len(none.Cr))
	}
}

// A second of 720p, decoded for the film and for reading.
func BenchmarkDecode(b *testing.B) {
	path := b.TempDir() + "/a.mp4"
	args := append([]string{"-v", "error", "-y"}, lavfi("testsrc2=s=1280x720:r=30:d=1", "-pix_fmt", "yuv420p", "-c:v", "libx264", "-preset", "ultrafast", path)...)
	if out, err := exec.Command("ffmpeg", args...).CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	c, err := Probe(context.Background(), path)
	if err != nil {
		b.Fatal(err)
	}
	frames := make([]int, len(c.PTS))
	for i := range frames {
		frames[i] = i
	}
	for name, stills := range map[string][]int{"planes": nil, "planes and stills": {3, 9, 12, 15, 20, 28}} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			img := NewPlanes(960, 540)
			for b.Loop() {
				p, err := OpenPlanes(context.Background(), c, Wanted{Frames: frames, Width: 960, Height: 540, Stills: stills, Part: image.Rect(400, 100, 900, 700)})
				if err != nil {
					b.Fatal(err)
				}
				for err == nil {
					_, err = p.Next(img)
				}
				if !errors.Is(err, io.EOF) {
					b.Fatal(err)
				}
				if got, err := p.Stills(); err != nil || len(got) != len(stills) {
					b.Fatal(len(got), err)
				}
				p.Close()
			}
		})
	}
	b.Run("source", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			s, err := Open(context.Background(), c, Options{MaxSide: 960})
			if err != nil {
				b.Fatal(err)
			}
			for err == nil {
				_, err = s.Next()
			}
			s.Close()
			if !errors.Is(err, io.EOF) {
				b.Fatal(err)
			}
		}
	})
}
