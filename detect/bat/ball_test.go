package bat

import (
	"math"
	"testing"

	"tapeline/detect/camera"
	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// pitch draws a hand-held clip of somebody 150 pixels tall and a ball whose
// place in the first picture's pixels at second t is at(t), nil: no ball. It
// gives what was placed and where the ball truly was, both by frame.
func pitch(t *testing.T, fps, from, to float64, at func(t float64) pipeline.Point) (got []*pipeline.Point, truth []pipeline.Point) {
	t.Helper()
	const w, h, tall = 400, 240, 150
	tex := scene.New(3)
	g, b := camera.NewGrey(), NewBalls()
	defer g.Close()
	defer b.Close()
	var frames []pipeline.Seen
	for i := 0; float64(i) <= (to-from)*fps; i++ {
		s := from + float64(i)/fps
		sx, sy := 120/fps*float64(i), 60/fps*float64(i) // the picture's shift
		var a, e pipeline.Point
		if at != nil { // a quarter of the frame's span is exposed
			a, e = at(s-.125/fps), at(s+.125/fps)
			truth = append(truth, pipeline.Point{X: (a.X+e.X)/2 + sx, Y: (a.Y+e.Y)/2 + sy})
		}
		f := scene.Draw(i, w, h, func(p pipeline.Point) float64 {
			q := pipeline.Point{X: p.X - sx, Y: p.Y - sy}
			v := .5 * tex.At(q)
			if at == nil {
				return v
			}
			d := math.Hypot(e.X-a.X, e.Y-a.Y)
			u := math.Min(d, math.Max(0, ((q.X-a.X)*(e.X-a.X)+(q.Y-a.Y)*(e.Y-a.Y))/math.Max(d, 1e-9)))
			r := math.Hypot(q.X-a.X-u*(e.X-a.X)/math.Max(d, 1e-9), q.Y-a.Y-u*(e.Y-a.Y)/math.Max(d, 1e-9))
			k := math.Min(1, math.Max(0, ballSize*tall/2+.5-r))
			return v + k*(220-v)
		})
		scene.Noise(f, 2, uint64(i))
		pose := scene.Person(120+sx, 215+sy, tall)
		seen := pipeline.Seen{Index: i, PTS: s, Pose: &pose, Camera: pipeline.Camera{A: 1, TX: -sx, TY: -sy, OK: true}}
		if err := g.Take(f); err != nil {
			t.Fatal(err)
		}
		step := pipeline.Camera{A: 1, TX: 120 / fps, TY: 60 / fps, OK: i > 0}
		if err := b.Step(g, step, &seen, s); err != nil {
			t.Fatal(err)
		}
		frames = append(frames, seen)
	}
	b.Place(frames)
	for i := range frames {
		got = append(got, frames[i].Ball)
	}
	return got, truth
}

// turned is a ball that comes from the right at v pixels a second, is at
// (165, 115) at 0 and leaves faster, upward.
func turned(v float64) func(float64) pipeline.Point {
	return func(t float64) pipeline.Point {
		if t < 0 {
			return pipeline.Point{X: 165 - v*t, Y: 115 + .1*v*t}
		}
		return pipeline.Point{X: 165 + 1.2*v*t, Y: 115 - .4*v*t}
	}
}

// A ball's width off at most: where the ground is as bright, or the ball itself
// was there before, a part of the streak doesn't show.
func TestBallIsFound(t *testing.T) {
	// 20 m/s past somebody of 1.78 m who is 150 pixels tall.
	const v = 20 / 1.78 * 150
	for _, fps := range []float64{60, 240} {
		got, want := pitch(t, fps, -.11, .095, turned(v))
		n := 0
		for i, q := range got {
			if q == nil {
				continue
			}
			n++
			if d := math.Hypot(q.X-want[i].X, q.Y-want[i].Y); d > ballSize*150 {
				t.Errorf("%g fps, frame %d: %.1f pixels off", fps, i, d)
			}
		}
		if n < 6 {
			t.Errorf("%g fps: in %d frames", fps, n)
		}
	}
}

func TestNoBallIsNone(t *testing.T) {
	for name, at := range map[string]func(float64) pipeline.Point{
		"dry swing":             nil,
		"tossed by hand, 5 m/s": turned(5 / 1.78 * 150),
		"flies by above":        func(t float64) pipeline.Point { return pipeline.Point{X: 165 - 1700*t, Y: 12} },
		"lies still":            func(float64) pipeline.Point { return pipeline.Point{X: 250, Y: 115} },
	} {
		got, _ := pitch(t, 60, -.11, .095, at)
		for i, q := range got {
			if q != nil {
				t.Errorf("%s: a ball in frame %d at %.0f,%.0f", name, i, q.X, q.Y)
			}
		}
	}
}

// A ball that leaves a tee is seen going only.
func TestBallOffATee(t *testing.T) {
	fly := turned(20 / 1.78 * 150)
	got, want := pitch(t, 60, -.05, .095, func(t float64) pipeline.Point { return fly(math.Max(t, 0)) })
	n := 0
	for i, q := range got {
		if q == nil {
			continue
		}
		n++
		if d := math.Hypot(q.X-want[i].X, q.Y-want[i].Y); d > ballSize*150 {
			t.Errorf("frame %d: %.1f pixels off", i, d)
		}
	}
	if n < 3 {
		t.Errorf("in %d frames", n)
	}
}

func TestThenAndInverse(t *testing.T) {
	a, b := pipeline.Camera{A: 1.1, B: .2, TX: 3, TY: -4}, pipeline.Camera{A: .9, B: -.1, TX: -7, TY: 2}
	q := pipeline.Point{X: 12, Y: 34}
	one, two := then(a, b).Apply(q), b.Apply(a.Apply(q))
	back := inverse(a).Apply(a.Apply(q))
	if math.Hypot(one.X-two.X, one.Y-two.Y) > 1e-9 || math.Hypot(back.X-q.X, back.Y-q.Y) > 1e-9 {
		t.Error(one, two, back)
	}
}
