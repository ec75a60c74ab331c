package overlay

import (
	"image"

	"tapeline/pipeline"
)

// scale brings a decoded frame to the size of dst, bilinear in fixed point;
// where it shrinks to less than half, whole blocks are averaged first so that
// slanted lines keep no stairs. x/image/draw does the same (a test compares
// them) in four times the time, which is most of what a frame costs.
func scale(dst *image.RGBA, f *pipeline.Frame) {
	dw, dh := dst.Rect.Dx(), dst.Rect.Dy()
	pix, w, h := f.Pix, f.Width, f.Height
	if k := min(w/dw, h/dh); k > 1 {
		pix, w, h = shrink(pix, w, h, k)
	}
	xo, xw := steps(dw, w, 3)
	yo, yw := steps(dh, h, w*3)
	stepX, stepY := 3, w*3
	if w == 1 {
		stepX = 0
	}
	if h == 1 {
		stepY = 0
	}
	for y := 0; y < dh; y++ {
		top, low := pix[yo[y]:], pix[yo[y]+stepY:]
		wy := yw[y]
		out := dst.Pix[y*dst.Stride : y*dst.Stride+dw*4]
		for x := 0; x < dw; x++ {
			o, wx := xo[x], xw[x]
			a, b := top[o:o+3:o+3], top[o+stepX:o+stepX+3:o+stepX+3]
			c, d := low[o:o+3:o+3], low[o+stepX:o+stepX+3:o+stepX+3]
			q := out[x*4 : x*4+4 : x*4+4]
			nx, ny := 256-wx, 256-wy
			q[0] = uint8(((uint32(a[2])*nx+uint32(b[2])*wx)*ny + (uint32(c[2])*nx+uint32(d[2])*wx)*wy + 1<<15) >> 16)
			q[1] = uint8(((uint32(a[1])*nx+uint32(b[1])*wx)*ny + (uint32(c[1])*nx+uint32(d[1])*wx)*wy + 1<<15) >> 16)
			q[2] = uint8(((uint32(a[0])*nx+uint32(b[0])*wx)*ny + (uint32(c[0])*nx+uint32(d[0])*wx)*wy + 1<<15) >> 16)
			q[3] = 255
		}
	}
}

// steps gives for every output pixel the offset of the first of the two input
// pixels it lies between and the weight of the second, 0…256.
func steps(out, in, stride int) (offset []int, weight []uint32) {
	offset, weight = make([]int, out), make([]uint32, out)
	for i := range offset {
		at := (float64(i)+0.5)*float64(in)/float64(out) - 0.5
		at = clamp(at, 0, float64(in-1))
		n := min(int(at), max(0, in-2))
		offset[i], weight[i] = n*stride, uint32(256*(at-float64(n))+0.5)
	}
	return offset, weight
}

// shrink averages k × k blocks.
func shrink(pix []byte, w, h, k int) ([]byte, int, int) {
	ow, oh := w/k, h/k
	out := make([]byte, ow*oh*3)
	sum := make([]uint32, ow*3)
	n := uint32(k * k)
	for y := 0; y < oh; y++ {
		clear(sum)
		for j := 0; j < k; j++ {
			row := pix[(y*k+j)*w*3:]
			for x := 0; x < ow; x++ {
				for i := 0; i < k; i++ {
					p := row[(x*k+i)*3 : (x*k+i)*3+3]
					sum[x*3] += uint32(p[0])
					sum[x*3+1] += uint32(p[1])
					sum[x*3+2] += uint32(p[2])
				}
			}
		}
		for i, s := range sum {
			out[y*ow*3+i] = byte((s + n/2) / n)
		}
	}
	return out, ow, oh
}
