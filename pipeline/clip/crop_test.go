package clip

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

type oneFrame struct{ f *pipeline.Frame }

func (s *oneFrame) Next() (*pipeline.Frame, error) {
	if s.f == nil {
		return nil, io.EOF
	}
	f := s.f
	s.f = nil
	return f, nil
}
func (s *oneFrame) Close() error { return nil }

func TestCrop(t *testing.T) {
	for _, scale := range []float64{0, 1, 2} {
		whole := &pipeline.Frame{Index: 7, PTS: .25, Width: 40, Height: 30, Scale: scale}
		for y := range 30 {
			for x := range 40 {
				whole.Pix = append(whole.Pix, byte(x), byte(y), 9)
			}
		}
		k := max(1, int(scale))
		src := Crop(&oneFrame{whole}, [4]int{10 * k, 6 * k, 20 * k, 16 * k})
		f, err := src.Next()
		if err != nil {
			t.Fatal(err)
		}
		if f.Width != 20 || f.Height != 16 || f.Index != 7 || f.PTS != .25 || f.Scale != scale || len(f.Pix) != 3*20*16 {
			t.Fatalf("scale %g: %d×%d, %d bytes", scale, f.Width, f.Height, len(f.Pix))
		}
		if first, last := f.Pix[:3], f.Pix[len(f.Pix)-3:]; !bytes.Equal(first, []byte{10, 6, 9}) || !bytes.Equal(last, []byte{29, 21, 9}) {
			t.Errorf("scale %g: corners %v %v", scale, first, last)
		}
		if _, err := src.Next(); err != io.EOF {
			t.Error(err)
		}
	}
}

func TestNear(t *testing.T) {
	got := Near([]SoundSpan{{At: 1, From: 2, To: 8}, {At: 9, From: 0, To: 3.9}, {At: 11, From: 4.6, To: 4.8}}, 4.5, .5)
	want := []SoundSpan{{At: 3, From: 4, To: 5}, {At: 11, From: 4.6, To: 4.8}}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i := range want {
		if math.Abs(got[i].At-want[i].At)+math.Abs(got[i].From-want[i].From)+math.Abs(got[i].To-want[i].To) > 1e-9 {
			t.Errorf("%v; want %v", got[i], want[i])
		}
	}
}

// A film that compresses badly is brought under its size, rather smaller than
// worse, never too small to be read; what can't be leaves nothing.
func TestMaxBytes(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const w, h, n = 320, 240, 20
	var pics []*image.RGBA
	for range 8 {
		m := plain(w, h, color.RGBA{40, 90, 30, 255})
		for y := range h {
			for x := range w {
				v := byte(90 + r.UintN(60))
				m.SetRGBA(x, y, color.RGBA{v, v, v / 2, 255})
			}
		}
		pics = append(pics, m)
	}
	pic := func(i int) *image.RGBA { return pics[i%len(pics)] }
	spec := Spec{Width: w, Height: h, FPS: 30, LeastHeight: 150}
	free, err := size(encode(t, spec, n, pic))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		part    float64
		smaller bool
	}{{2, false}, {.6, false}, {.12, true}} {
		s := spec
		s.MaxBytes = int64(float64(free) * c.part)
		out := encode(t, s, n, pic)
		got, err := size(out)
		if err != nil {
			t.Fatal(err)
		}
		p, err := Probe(context.Background(), out)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%d bytes of %d: %d, %d×%d", s.MaxBytes, free, got, p.Width, p.Height)
		if got > s.MaxBytes || p.Height < 150 || c.smaller != (p.Height < h) || len(p.PTS) != n {
			t.Errorf("%d bytes for %d, %d×%d, %d frames", got, s.MaxBytes, p.Width, p.Height, len(p.PTS))
		}
	}
	s := spec
	s.MaxBytes = free / 200
	path := filepath.Join(t.TempDir(), "out.mp4")
	e, err := NewEncoder(context.Background(), path, s)
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if err := e.Write(pic(i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); !errors.Is(err, ErrTooLarge) {
		t.Errorf("%v; want ErrTooLarge", err)
	}
	if left, _ := os.ReadDir(filepath.Dir(path)); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
