package pose

import (
	"math"

	"tapeline/pipeline"
)

// crop samples the region (frame pixels) bilinearly into dst: n×n, planar
// R,G,B, 0…255 mapped to lo…hi. Samples outside the picture take the nearest
// edge, or lo when black is set: the detector must not see a smeared border.
func crop(f *pipeline.Frame, r pipeline.Region, n int, lo, hi float32, black bool, dst []float32) {
	step := r.Size / float64(n)
	c, s := math.Cos(r.Rot)*step, math.Sin(r.Rot)*step
	half := float64(n)/2 - .5
	k := (hi - lo) / 255
	red, green, blue := dst[:n*n], dst[n*n:2*n*n], dst[2*n*n:3*n*n]
	w, h := f.Width, f.Height
	pix, stride := f.Pix, 3*f.Width
	for y := range n {
		v := float64(y) - half
		x0 := r.CX - half*c - v*s - .5
		y0 := r.CY - half*s + v*c - .5
		for x := range n {
			fx, fy := x0+float64(x)*c, y0+float64(x)*s
			o := y*n + x
			if fx >= 0 && fy >= 0 && fx < float64(w-1) && fy < float64(h-1) {
				px, py := int(fx), int(fy)
				ax, ay := float32(fx-float64(px)), float32(fy-float64(py))
				i := py*stride + 3*px
				a, b := pix[i:i+6:i+6], pix[i+stride:i+stride+6:i+stride+6]
				w11 := ax * ay
				w10, w01 := ay-w11, ax-w11 // weights of (row, column)
				w00 := 1 - ax - w10
				blue[o] = (w00*float32(a[0])+w01*float32(a[3])+w10*float32(b[0])+w11*float32(b[3]))*k + lo
				green[o] = (w00*float32(a[1])+w01*float32(a[4])+w10*float32(b[1])+w11*float32(b[4]))*k + lo
				red[o] = (w00*float32(a[2])+w01*float32(a[5])+w10*float32(b[2])+w11*float32(b[5]))*k + lo
				continue
			}
			if black && (fx < -.5 || fy < -.5 || fx > float64(w)-.5 || fy > float64(h)-.5) {
				red[o], green[o], blue[o] = lo, lo, lo
				continue
			}
			fx, fy = min(max(fx, 0), float64(w-1)), min(max(fy, 0), float64(h-1))
			px, py := int(fx), int(fy)
			ax, ay := float32(fx-float64(px)), float32(fy-float64(py))
			i, right, down := py*stride+3*px, 3, stride
			if px == w-1 {
				right = 0
			}
			if py == h-1 {
				down = 0
			}
			mix := func(ch int) float32 {
				top := (1-ax)*float32(pix[i+ch]) + ax*float32(pix[i+right+ch])
				bottom := (1-ax)*float32(pix[i+down+ch]) + ax*float32(pix[i+down+right+ch])
				return ((1-ay)*top+ay*bottom)*k + lo
			}
			blue[o], green[o], red[o] = mix(0), mix(1), mix(2)
		}
	}
}

// scaled turns a region of the full-size picture into frame pixels (k = 1 ÷
// Scale) or back (k = Scale).
func scaled(r pipeline.Region, k float64) pipeline.Region {
	return pipeline.Region{CX: r.CX * k, CY: r.CY * k, Size: r.Size * k, Rot: r.Rot}
}

// scale of a frame; a frame that does not say is full size.
func scale(f *pipeline.Frame) float64 {
	if f.Scale > 0 {
		return f.Scale
	}
	return 1
}
