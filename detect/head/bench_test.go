package head

import (
	"testing"

	"tapeline/detect/camera"
	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

func BenchmarkStep(b *testing.B) {
	const w, h = 1280, 720
	tex, pose := scene.New(3), scene.Person(640, 660, 500)
	frames := [2]*pipeline.Frame{}
	for i := range frames {
		frames[i] = scene.Draw(i, w, h, tex.At)
		scene.Noise(frames[i], 2, uint64(i))
	}
	g := camera.NewGrey()
	defer g.Close()
	f := New()
	defer f.Close()
	b.ReportAllocs()
	for i := range b.N + 3 { // the first ones have nothing to be compared with
		if i == 3 {
			b.ResetTimer()
		}
		if err := g.Take(frames[i%2]); err != nil {
			b.Fatal(err)
		}
		if _, err := f.Step(g, pipeline.Identity(), &pose, float64(i)/60); err != nil {
			b.Fatal(err)
		}
	}
}
