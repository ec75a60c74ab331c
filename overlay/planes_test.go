package overlay

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"testing"

	"tapeline/overlay/internal/rendered"
	"tapeline/pipeline"
)

// planes is an even picture as 4:2:0 in BT.709 with limited range.
func planes(w, h int) *image.YCbCr {
	c := (w + 1) / 2
	b := make([]byte, w*h+2*c*h/2)
	return &image.YCbCr{Y: b[:w*h], Cb: b[w*h : w*h+c*h/2], Cr: b[w*h+c*h/2:], YStride: w, CStride: c,
		SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: image.Rect(0, 0, w, h)}
}

// exact is a colour's planes by the definition, BT.709-6 §3.2 to 3.5.
func exact(r, g, b float64) (y, cb, cr float64) {
	l := .2126*r + .7152*g + .0722*b
	return 16 + 219*l/255, 128 + 224*(b-l)/1.8556/255, 128 + 224*(r-l)/1.5748/255
}

// seenAs is what one pixel looks like again, by the same definition.
func seenAs(p *image.YCbCr, x, y int) (r, g, b float64) {
	l := (float64(p.Y[y*p.YStride+x]) - 16) * 255 / 219
	k := y/2*p.CStride + x/2
	cb, cr := (float64(p.Cb[k])-128)*255/224, (float64(p.Cr[k])-128)*255/224
	r, b = l+1.5748*cr, l+1.8556*cb
	return r, (l - .2126*r - .0722*b) / .7152, b
}

func TestColoursOfPlanes(t *testing.T) {
	for _, c := range []color.RGBA{{0, 0, 0, 255}, {255, 255, 255, 255}, {255, 0, 0, 255}, {0, 255, 0, 255}, {0, 0, 255, 255}, {90, 90, 90, 255}, Board, Paper, Chalk, Brass, Lead} {
		p := planes(4, 4)
		fillRows(p, 0, c)
		y, cb, cr := exact(float64(c.R), float64(c.G), float64(c.B))
		for _, d := range []float64{float64(p.Y[5]) - y, float64(p.Cb[3]) - cb, float64(p.Cr[0]) - cr} {
			if math.Abs(d) > 1 {
				t.Errorf("%v: %d %d %d, want %.1f %.1f %.1f", c, p.Y[5], p.Cb[3], p.Cr[0], y, cb, cr)
			}
		}
	}
	scale := func(k float64) float64 { return k / 255 * 65536 }
	for name, v := range map[string][2]float64{
		"yr": {yr, scale(219 * .2126)}, "yg": {yg, scale(219 * .7152)}, "yb": {yb, scale(219 * .0722)},
		"br": {br, scale(224 / 1.8556 * .2126)}, "bg": {bg, scale(224 / 1.8556 * .7152)},
		"rg": {rg, scale(224 / 1.5748 * .7152)}, "rb": {rb, scale(224 / 1.5748 * .0722)},
	} {
		if math.Abs(v[0]-v[1]) > 1 {
			t.Errorf("%s is %g, want %.1f", name, v[0], v[1])
		}
	}
}

// A half transparent colour over another is their mean; what lies nowhere
// changes nothing, and the layer is clear for the next frame.
func TestLayBlends(t *testing.T) {
	out, layer := planes(16, 8), image.NewRGBA(image.Rect(0, 0, 16, 8))
	fillRows(out, 0, color.RGBA{200, 40, 90, 255})
	before := append([]byte(nil), out.Y...)
	for y := 2; y < 6; y++ {
		for x := 5; x < 9; x++ { // begins at an odd pixel
			layer.SetRGBA(x, y, color.RGBA{10, 60, 120, 128}) // premultiplied: 20, 120, 240
		}
	}
	lay(out, layer)
	for i, v := range out.Y {
		in := i/16 >= 2 && i/16 < 6 && i%16 >= 5 && i%16 < 9
		if !in && v != before[i] {
			t.Errorf("pixel %d,%d changed", i%16, i/16)
		}
	}
	r, g, b := seenAs(out, 6, 4)
	for i, d := range []float64{r - 110, g - 80, b - 165} {
		if math.Abs(d) > 3 { // a step of a colour difference is 2.1 of blue
			t.Errorf("channel %d is off by %.1f", i, d)
		}
	}
	if !bytes.Equal(layer.Pix, make([]byte, len(layer.Pix))) {
		t.Error("the layer is not clear")
	}
}

// What Lay makes is what Paint makes: marks, strip and cards.
func TestLayIsPaint(t *testing.T) {
	sure, wide := sample(t, "open_faults", 8), sample(t, "front_left", 25)
	for _, c := range []struct {
		name string
		f    *Film
		shot Shot
	}{
		{"contact", sure, last(t, sure, Hold, pipeline.Contact)},
		{"plant, portrait", wide, last(t, wide, Hold, pipeline.Plant)},
		{"stance", sure, last(t, sure, Hold, pipeline.Stance)},
		{"moving", sure, last(t, sure, Slow, "")},
		{"title card", sure, last(t, sure, TitleCard, "")},
	} {
		want := paint(t, c.f, c.shot)
		var pic *image.YCbCr
		if c.shot.Source >= 0 {
			pic = pictureOf(rendered.Plain(c.shot.Source, c.f.clip.Width, c.f.clip.Height), c.f)
		}
		out := planes(c.f.Size())
		for range 2 { // the second time in memory that was used
			if err := c.f.Lay(pic, c.shot, out); err != nil {
				t.Fatal(err)
			}
		}
		var sum float64
		off, n := 0, 0
		for y := range out.Rect.Dy() {
			for x := range out.Rect.Dx() {
				// Luma: colour is coarser on purpose.
				w := want.RGBAAt(x, y)
				l, _, _ := exact(float64(w.R), float64(w.G), float64(w.B))
				d := math.Abs(float64(out.Y[y*out.YStride+x]) - l)
				if sum += d; d > 3 {
					off++
				}
				n++
			}
		}
		if sum/float64(n) > .7 || float64(off)/float64(n) > .0005 {
			t.Errorf("%s: mean difference %.2f levels, %d of %d pixels off", c.name, sum/float64(n), off, n)
		}
	}
}

// pictureOf is a frame at the size of the film's picture, in planes.
func pictureOf(fr *pipeline.Frame, f *Film) *image.YCbCr {
	w, h := f.Picture()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	scale(img, fr)
	out := planes(w, h)
	for y := range h {
		for x := range w {
			c := img.RGBAAt(x, y)
			l, cb, cr := exact(float64(c.R), float64(c.G), float64(c.B))
			out.Y[y*out.YStride+x] = byte(math.Round(l))
			out.Cb[y/2*out.CStride+x/2], out.Cr[y/2*out.CStride+x/2] = byte(math.Round(cb)), byte(math.Round(cr))
		}
	}
	return out
}

func BenchmarkLay1080p(b *testing.B) {
	f := large(b)
	s := last(b, f, Hold, pipeline.Contact)
	pic := planes(f.Picture())
	out := planes(f.Size())
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		s.Source = 60 + i%2
		if err := f.Lay(pic, s, out); err != nil {
			b.Fatal(err)
		}
	}
}

// The colours of all that lies on a frame, brought to planes.
func BenchmarkBlend(b *testing.B) {
	out, layer := planes(1650, 1080), image.NewRGBA(image.Rect(0, 0, 1650, 1080))
	b.ReportAllocs()
	for b.Loop() {
		for y := 100; y < 160; y++ {
			row := layer.Pix[y*layer.Stride:][:layer.Stride]
			for i := range row {
				row[i] = 90
			}
		}
		lay(out, layer)
	}
}
