package bat

import (
	"math"
	"testing"

	"tapeline/detect/camera"
	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

const width, height = 320, 240

var still = pipeline.Identity()

// run gives the energies between two frames.
func run(t *testing.T, a, b *pipeline.Frame, step pipeline.Camera, pose *pipeline.Pose) (all, bat float64) {
	t.Helper()
	m, g := NewMeter(), camera.NewGrey()
	defer g.Close()
	defer m.Close()
	if err := g.Take(a); err != nil {
		t.Fatal(err)
	}
	if all, bat, err := m.Step(g, still, pose); err != nil || all != 0 || bat != 0 {
		t.Fatal("the first frame has an energy", all, bat, err)
	}
	if err := g.Take(b); err != nil {
		t.Fatal(err)
	}
	all, bat, err := m.Step(g, step, pose)
	if err != nil {
		t.Fatal(err)
	}
	return all, bat
}

func TestNoiseIsNoMotion(t *testing.T) {
	tex := scene.New(1)
	pose := scene.Person(160, 220, 180)
	a, b := scene.Draw(0, width, height, tex.At), scene.Draw(1, width, height, tex.At)
	scene.Noise(a, 2.5, 1)
	scene.Noise(b, 2.5, 2)
	if all, bat := run(t, a, b, still, &pose); all > .01 || bat > .01 {
		t.Errorf("noise of 2.5 grey levels gives %.4f and %.4f", all, bat)
	}
}

func TestFlickerIsNoMotion(t *testing.T) {
	tex := scene.New(1)
	a := scene.Draw(0, width, height, func(p pipeline.Point) float64 { return .6 * tex.At(p) })
	b := scene.Draw(1, width, height, func(p pipeline.Point) float64 { return .8 * tex.At(p) })
	if all, _ := run(t, a, b, still, nil); all > .01 {
		t.Errorf("a lamp a third brighter gives %.3f", all)
	}
}

func TestCameraIsTakenOut(t *testing.T) {
	tex := scene.New(2)
	// The camera moved: a point at p was at p − (6, 3) before.
	move := pipeline.Camera{A: 1, TX: 6, TY: 3}
	a := scene.Draw(0, width, height, tex.At)
	b := scene.Draw(1, width, height, func(p pipeline.Point) float64 { return tex.At(pipeline.Point{X: p.X - 6, Y: p.Y - 3}) })
	with, _ := run(t, a, b, move, nil)
	without, _ := run(t, a, b, still, nil)
	if with > .01 || without < 5 {
		t.Errorf("%.3f with the camera's motion known, %.3f without", with, without)
	}
}

// A bar of 4×60 pixels and 100 levels above a flat ground jumps 20 pixels:
// it leaves and arrives, so 2·240 pixels differ by 100, 88 above the floor.
// bar is a bright one, 60 by 4 pixels.
func bar(i int, x0, y0 float64) *pipeline.Frame {
	return scene.Draw(i, width, height, func(p pipeline.Point) float64 {
		if p.X > x0 && p.X < x0+60 && p.Y > y0 && p.Y < y0+4 {
			return 200
		}
		return 100
	})
}

func TestBarBesideTheHands(t *testing.T) {
	pose := scene.Person(160, 220, 180)
	// The flat picture's mean doesn't change, so the exposure doesn't either.
	want := 2 * 240 * 88. / (width * height)
	all, bat := run(t, bar(0, 210, 80), bar(1, 210, 100), still, &pose)
	if math.Abs(all-want) > 1e-9 || math.Abs(bat-want) > 1e-9 {
		t.Errorf("bar beside the hands: %.4f and %.4f, want %.4f", all, bat, want)
	}
	all, bat = run(t, bar(0, 130, 120), bar(1, 130, 100), still, &pose)
	if math.Abs(all-want) > 1e-9 || bat > want/2 {
		t.Errorf("bar across the body: %.4f and %.4f, want %.4f and less than half", all, bat, want)
	}
	all, bat = run(t, bar(0, 2, 4), bar(1, 2, 20), still, &pose)
	if math.Abs(all-want) > 1e-9 || bat != 0 {
		t.Errorf("bar far from the hands: %.4f and %.4f, want %.4f and 0", all, bat, want)
	}
}

// The middle of the motion beside the hands lies between the bar's two places;
// far from them there is none.
func TestWhereTheBatMoves(t *testing.T) {
	pose := scene.Person(160, 220, 180)
	for _, c := range []struct {
		a, b, want pipeline.Point
		none       bool
	}{
		{pipeline.Point{X: 210, Y: 80}, pipeline.Point{X: 210, Y: 100}, pipeline.Point{X: 240, Y: 92}, false},
		{pipeline.Point{X: 2, Y: 4}, pipeline.Point{X: 2, Y: 20}, pipeline.Point{}, true},
	} {
		g := camera.NewGrey()
		defer g.Close()
		m := NewMeter()
		defer m.Close()
		for i, q := range []pipeline.Point{c.a, c.b} {
			if err := g.Take(bar(i, q.X, q.Y)); err != nil {
				t.Fatal(err)
			}
			if _, _, err := m.Step(g, still, &pose); err != nil {
				t.Fatal(err)
			}
		}
		at := m.At()
		if (at == nil) != c.none || at != nil && math.Hypot(at.X-c.want.X, at.Y-c.want.Y) > .5 {
			t.Errorf("%v → %v: %v, want %v", c.a, c.b, at, c.want)
		}
	}
}
