package camera

import (
	"image"
	"math"
	"testing"

	"gocv.io/x/gocv"

	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// A pyramid is kept while others are made in the same memory, and OpenCV's
// exceptions end as errors.
func TestPyramidKept(t *testing.T) {
	tex := scene.New(5)
	g := NewGrey()
	defer g.Close()
	take := func(shift float64) gocv.Mat {
		if err := g.Take(scene.Draw(0, width, height, func(p pipeline.Point) float64 { return tex.At(pipeline.Point{X: p.X - shift, Y: p.Y}) })); err != nil {
			t.Fatal(err)
		}
		return g.Now()
	}
	key, now := NewPyramid(), NewPyramid()
	defer key.Close()
	defer now.Close()
	if err := key.Build(take(0), flow); err != nil {
		t.Fatal(err)
	}
	from, err := Corners(g.Now(), image.Rect(60, 60, width-60, height-60), 20, quality, 8, func(x, y float64) bool { return true })
	if err != nil || len(from) < 10 {
		t.Fatal(len(from), err)
	}
	for _, shift := range []float64{2.5, -4, 7} {
		if err := now.Build(take(shift), flow); err != nil {
			t.Fatal(err)
		}
		to, ok, err := flow.Follow(key, now, from, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for i := range to {
			if ok[i] {
				n++
				if d := math.Abs(float64(to[i].X-from[i].X) - shift); d > .1 {
					t.Errorf("shifted by %g: corner %d misses by %.2f px", shift, i, d)
				}
			}
		}
		if n < 10 {
			t.Errorf("shifted by %g: %d corners of %d followed", shift, n, len(from))
		}
	}
	empty := gocv.NewMat()
	defer empty.Close()
	if now.Build(empty, flow) == nil {
		t.Error("no error from a picture without pixels")
	}
	other := NewPyramid()
	defer other.Close()
	if _, _, err := flow.Follow(key, other, from, nil, nil); err == nil {
		t.Error("no error where nothing was built")
	}
}
