package overlay

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"

	"tapeline/pipeline"
)

// Picture is the size at which Lay wants decoded pictures, both even.
func (f *Film) Picture() (w, h int) { return f.lay.pic.Dx(), f.lay.pic.Dy() }

// Lay makes the output frame of a shot in out, of the film's Size; pic is the
// decoded picture shot.Source of Picture's size, nil for cards. Both are 4:2:0
// in BT.709 with limited range, and pic's pixels are only touched where
// something lies on them: the frame as Paint makes it, without ever making it
// RGB.
func (f *Film) Lay(pic *image.YCbCr, shot Shot, out *image.YCbCr) error {
	if out.Rect != image.Rect(0, 0, f.lay.w, f.lay.h) {
		return fmt.Errorf("overlay: a frame of %v for a film of %d×%d", out.Rect, f.lay.w, f.lay.h)
	}
	w := f.pool.Get().(*worker)
	defer f.pool.Put(w)
	cam, from := pipeline.Identity(), 0
	if shot.Source >= 0 {
		if pic == nil || pic.Rect.Size() != f.lay.pic.Size() {
			return fmt.Errorf("overlay: shot at %.3f s needs frame %d at %v", shot.T, shot.Source, f.lay.pic)
		}
		from = f.lay.pic.Dy()
		copyRows(out.Y, out.YStride, pic.Y, pic.YStride, f.lay.w, from)
		copyRows(out.Cb, out.CStride, pic.Cb, pic.CStride, f.lay.w/2, from/2)
		copyRows(out.Cr, out.CStride, pic.Cr, pic.CStride, f.lay.w/2, from/2)
		if d := f.look.Drawn(shot.Source); d != nil {
			cam = d.Camera
		}
	}
	fillRows(out, from, Board)
	if w.layer == nil {
		w.layer = image.NewRGBA(out.Rect)
	}
	c := NewCanvas(w.layer, f.lay.pic, cam, f.lay.scale, pipeline.Point{}, f.lay.em, w.faces)
	f.Scene(shot).Paint(c)
	lay(out, w.layer)
	return nil
}

func copyRows(dst []byte, to int, src []byte, from, w, h int) {
	if to == from && to == w {
		copy(dst[:w*h], src)
		return
	}
	for y := range h {
		copy(dst[y*to:y*to+w], src[y*from:])
	}
}

// fillRows makes the rows from y on one colour; y is even.
func fillRows(img *image.YCbCr, y int, c color.RGBA) {
	l, b, r := toPlanes(int(c.R), int(c.G), int(c.B), 1)
	for _, p := range []struct {
		pix []byte
		v   int
	}{{img.Y[y*img.YStride:], 16 + l}, {img.Cb[y/2*img.CStride:], 128 + b}, {img.Cr[y/2*img.CStride:], 128 + r}} {
		for i := range p.pix {
			p.pix[i] = byte(p.v)
		}
	}
}

// BT.709 in limited range (ITU-R BT.709-6 §3.2 to 3.5), 16 bits of fraction: 219
// steps of luma and 224 of a colour difference for 255 of R, G and B. A test
// works them out.
const (
	one16      = 1 << 16
	yr, yg, yb = 11966, 40255, 4064
	br, bg     = 6596, 22189
	rg, rb     = 26146, 2640
)

// toPlanes are luma and colour differences above their zero, of the mean of n
// (1 or 4) pixels whose R, G and B are summed.
func toPlanes(r, g, b, n int) (l, cb, cr int) {
	half := n * one16 / 2
	l = (yr*r + yg*g + yb*b + half) / (n * one16)
	// Grey must stay grey: the weights of each difference sum to nothing.
	cb = floorDiv((br+bg)*b-br*r-bg*g+half, n*one16)
	cr = floorDiv((rg+rb)*r-rg*g-rb*b+half, n*one16)
	return l, cb, cr
}

func floorDiv(a, n int) int {
	if a < 0 {
		return -((-a + n - 1) / n)
	}
	return a / n
}

// lay blends a layer of premultiplied colours over the picture, and clears it.
// Blending in R, G and B and in planes is the same, both being linear.
func lay(out *image.YCbCr, layer *image.RGBA) {
	w, h := out.Rect.Dx(), out.Rect.Dy()
	for y := 0; y < h; y += 2 {
		rows := [2][]byte{layer.Pix[y*layer.Stride:][:4*w], layer.Pix[(y+1)*layer.Stride:][:4*w]}
		from, to := used(rows[0], rows[1])
		if from >= to {
			continue
		}
		luma := [2][]byte{out.Y[y*out.YStride:][:w], out.Y[(y+1)*out.YStride:][:w]}
		cb, cr := out.Cb[y/2*out.CStride:], out.Cr[y/2*out.CStride:]
		for x := from; x < to; x += 2 {
			if binary.LittleEndian.Uint64(rows[0][4*x:])|binary.LittleEndian.Uint64(rows[1][4*x:]) == 0 {
				continue
			}
			var r, g, b, a int
			for j, row := range rows {
				for i := x; i < x+2; i++ {
					p := row[4*i : 4*i+4 : 4*i+4]
					pa := int(p[3])
					if pa == 0 {
						continue
					}
					pr, pg, pb := int(p[0]), int(p[1]), int(p[2])
					v := (yr*pr + yg*pg + yb*pb + one16/2) >> 16
					if pa < 255 {
						v += ((int(luma[j][i])-16)*(255-pa) + 127) / 255
					}
					luma[j][i] = byte(min(255, max(0, v+16)))
					r, g, b, a = r+pr, g+pg, b+pb, a+pa
				}
			}
			_, u, v := toPlanes(r, g, b, 4)
			k := x / 2
			cb[k] = byte(min(255, max(0, 128+u+floorDiv((int(cb[k])-128)*(1020-a)+510, 1020))))
			cr[k] = byte(min(255, max(0, 128+v+floorDiv((int(cr[k])-128)*(1020-a)+510, 1020))))
		}
		clear(rows[0][4*from : 4*to])
		clear(rows[1][4*from : 4*to])
	}
}

// used are the pixels of two rows between which something lies, even.
func used(a, b []byte) (from, to int) {
	n := len(a) &^ 7
	if bare(a[:n]) && bare(b[:n]) { // most rows
		return 0, 0
	}
	for from < n && binary.LittleEndian.Uint64(a[from:])|binary.LittleEndian.Uint64(b[from:]) == 0 {
		from += 8
	}
	for to = n; to > from && binary.LittleEndian.Uint64(a[to-8:])|binary.LittleEndian.Uint64(b[to-8:]) == 0; {
		to -= 8
	}
	return from / 4, to / 4
}

// bare says that all bytes are 0; their number is a multiple of 8.
func bare(b []byte) bool {
	// As all are like those 8 before them, all are like the first.
	return len(b) == 0 || binary.LittleEndian.Uint64(b) == 0 && bytes.Equal(b[:len(b)-8], b[8:])
}
