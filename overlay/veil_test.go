package overlay

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"tapeline/pipeline"
)

func noise(w, h int) *pipeline.Frame {
	r := rand.New(rand.NewPCG(1, 2))
	f := &pipeline.Frame{Width: w, Height: h, Scale: 2, Pix: make([]byte, 3*w*h)}
	for i := range f.Pix {
		f.Pix[i] = byte(r.UintN(256))
	}
	return f
}

func TestVeil(t *testing.T) {
	f, was := noise(90, 70), noise(90, 70)
	box := [4]float64{31, 21, 119, 97} // full-size pixels: two for one of the picture
	keep := pipeline.Silhouette{{A: pipeline.Point{X: 70, Y: 20}, B: pipeline.Point{X: 70, Y: 90}, R: 8}}
	Veil(f, box, 24, keep)
	blocks, kept := map[[2]int][3]byte{}, 0
	for y := range f.Height {
		for x := range f.Width {
			o := 3 * (y*f.Width + x)
			now, before := [3]byte(f.Pix[o:o+3]), [3]byte(was.Pix[o:o+3])
			in := x >= 15 && x < 60 && y >= 10 && y < 49
			body := keep.Holds(pipeline.Point{X: 2*float64(x) + 1, Y: 2*float64(y) + 1}, 0)
			if !in || body {
				if now != before {
					t.Fatalf("%d,%d was changed", x, y)
				}
				if in {
					kept++
				}
				continue
			}
			b := [2]int{x / 12, y / 12}
			if c, ok := blocks[b]; ok && c != now {
				t.Fatalf("%d,%d is %v in a block of %v", x, y, now, c)
			}
			blocks[b] = now
		}
	}
	if len(blocks) < 12 || kept < 100 {
		t.Errorf("%d blocks, %d pixels kept", len(blocks), kept)
	}
	// What a block hides can't be told: its pixels in another order give the
	// same picture.
	a, b := noise(24, 24), noise(24, 24)
	for i := range 12 {
		p, q := b.Pix[3*i:3*i+3], b.Pix[3*(11*24+i):3*(11*24+i)+3]
		for c := range p {
			p[c], q[c] = q[c], p[c]
		}
	}
	if bytes.Equal(a.Pix, b.Pix) {
		t.Fatal("the pictures should differ")
	}
	all := [4]float64{0, 0, 48, 48}
	Veil(a, all, 24, nil)
	Veil(b, all, 24, nil)
	if !bytes.Equal(a.Pix, b.Pix) {
		t.Error("blocks tell more than their mean")
	}
	Veil(a, [4]float64{-500, -500, 1e6, 1e6}, 1e5, nil) // beyond the picture: no crash
	Veil(a, [4]float64{10, 10, 5, 5}, 0, nil)
}
