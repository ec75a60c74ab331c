package bat

import (
	"testing"

	"tapeline/detect/camera"
	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// between calls each with two frames taken in turn, as large as a window's.
func between(b *testing.B, each func(g *camera.Grey, step pipeline.Camera, pose *pipeline.Pose, i int) error) {
	const w, h = 1280, 720
	tex, pose := scene.New(3), scene.Person(640, 660, 500)
	move := pipeline.Identity()
	frames := [2]*pipeline.Frame{}
	for i := range frames {
		frames[i] = scene.Draw(i, w, h, tex.At)
		scene.Noise(frames[i], 2, uint64(i))
	}
	g := camera.NewGrey()
	defer g.Close()
	b.ReportAllocs()
	for i := range b.N + 3 { // the first ones have nothing to be compared with
		if i == 3 {
			b.ResetTimer()
		}
		if err := g.Take(frames[i%2]); err != nil {
			b.Fatal(err)
		}
		if err := each(g, move, &pose, i); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEnergy(b *testing.B) {
	m := NewMeter()
	defer m.Close()

	between(b, func(g *camera.Grey, step pipeline.Camera, pose *pipeline.Pose, _ int) error {
		_, _, err := m.Step(g, step, pose)
		return err
	})
}

func BenchmarkBall(b *testing.B) {
	balls := NewBalls()
	defer balls.Close()
	between(b, func(g *camera.Grey, step pipeline.Camera, pose *pipeline.Pose, i int) error {
		return balls.Step(g, step, &pipeline.Seen{Index: i, Pose: pose, Camera: pipeline.Identity()}, float64(i)/60)
	})
}
