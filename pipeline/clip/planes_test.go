package clip

import (
	"context"
	"errors"
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
		p, err := OpenPlanes(context.Background(), c, want, 64, 64)
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
		p, err := OpenPlanes(context.Background(), c, []int{1}, c.Width, c.Height)
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
	p, err := OpenPlanes(context.Background(), mustProbe(t, path), []int{5}, 64, 48)
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
	b.Run("planes", func(b *testing.B) {
		b.ReportAllocs()
		img := NewPlanes(960, 540)
		for b.Loop() {
			p, err := OpenPlanes(context.Background(), c, frames, 960, 540)
			if err != nil {
				b.Fatal(err)
			}
			for err == nil {
				_, err = p.Next(img)
			}
			p.Close()
			if !errors.Is(err, io.EOF) {
				b.Fatal(err)
			}
		}
	})
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
