package overlay

import (
	"math"

	"tapeline/pipeline"
)

// Veil hides what lies in box (x0, y0, x1, y1, full-size pixels of the frame)
// behind coarse blocks, each of one colour, block full-size pixels wide: the
// mean of what it hides, so that nothing finer is left to bring back. The
// silhouette keep, in the same pixels, stays as it is. It changes f.Pix.
func Veil(f *pipeline.Frame, box [4]float64, block float64, keep pipeline.Silhouette) {
	k := f.Scale
	if k <= 0 {
		k = 1
	}
	side := max(2, int(math.Round(block/k)))
	x0, y0 := max(0, int(math.Floor(box[0]/k))), max(0, int(math.Floor(box[1]/k)))
	x1, y1 := min(f.Width, int(math.Ceil(box[2]/k))), min(f.Height, int(math.Ceil(box[3]/k)))
	kept := func(x, y int) bool {
		return keep.Holds(pipeline.Point{X: (float64(x) + .5) * k, Y: (float64(y) + .5) * k}, 0)
	}
	// Blocks lie on a grid of the picture: they don't swim with the box.
	for by := y0 / side * side; by < y1; by += side {
		for bx := x0 / side * side; bx < x1; bx += side {
			var sum [3]int
			var hide []int
			for y := max(by, y0); y < min(by+side, y1); y++ {
				for x := max(bx, x0); x < min(bx+side, x1); x++ {
					if kept(x, y) {
						continue
					}
					o := 3 * (y*f.Width + x)
					hide = append(hide, o)
					for c := range 3 {
						sum[c] += int(f.Pix[o+c])
					}
				}
			}
			for _, o := range hide {
				for c := range 3 {
					f.Pix[o+c] = byte((sum[c] + len(hide)/2) / len(hide))
				}
			}
		}
	}
}
