package camera

import (
	"testing"

	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// One frame of a window as it is decoded for reading: grey levels and both
// layers of the camera's motion.
func BenchmarkStep(b *testing.B) {
	const w, h = 1280, 720
	tex, pose := scene.New(3), scene.Person(640, 660, 500)
	var frames [4]*pipeline.Frame
	for i := range frames {
		frames[i] = scene.Draw(i, w, h, func(p pipeline.Point) float64 { return tex.At(pipeline.Point{X: p.X + .4*float64(i), Y: p.Y}) })
		scene.Noise(frames[i], 2, uint64(i))
	}
	f, g := New(), NewGrey()
	defer f.Close()
	defer g.Close()
	b.ReportAllocs()
	for i := range b.N + 3 { // the first ones have nothing to be compared with
		if i == 3 {
			b.ResetTimer()
		}
		if err := g.Take(frames[i%len(frames)]); err != nil {
			b.Fatal(err)
		}
		if _, err := f.Step(g, &pose); err != nil {
			b.Fatal(err)
		}
	}
}
