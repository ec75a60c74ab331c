package marker

import (
	"math"
	"testing"

	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// spot is a coloured disc in a picture, light a share of its full brightness.
type spot struct {
	x, y, r, light float64
}

var wall = scene.New(41)

// orange, as #ff8000.
var orange = [3]float64{0, 128, 255}

// frame i has spots before a grey wall, anti-aliased.
func frame(i int, spots ...spot) *pipeline.Frame {
	f := scene.Draw(i, 300, 240, wall.At)
	for _, s := range spots {
		for y := range f.Height {
			for x := range f.Width {
				a := math.Min(1, math.Max(0, s.r+.5-math.Hypot(float64(x)+.5-s.x, float64(y)+.5-s.y)))
				for c, v := range orange {
					o := 3*(y*f.Width+x) + c
					f.Pix[o] = byte((1-a)*float64(f.Pix[o]) + a*s.light*v + .5)
				}
			}
		}
	}
	return f
}

// somebody is 200 pixels tall with the head at (150, 80).
func somebody() *pipeline.Pose {
	p := scene.Person(150, 80+.93*200, 200)
	return &p
}

func follower(t *testing.T) *Follower {
	t.Helper()
	c, ok := Parse("#ff8000")
	if !ok {
		t.Fatal("orange is a colour")
	}
	return New(c)
}

func TestSubPixel(t *testing.T) {
	f := follower(t)
	for i := range 40 {
		x, y := 150+.37*float64(i), 68+.21*float64(i)
		p := f.Step(frame(i, spot{x, y, 3, 1}), somebody(), pipeline.HeadStep{}, float64(i)/60)
		if p == nil || math.Hypot(p.X-x, p.Y-y) > .12 {
			t.Fatalf("frame %d: %v, want %.2f, %.2f", i, p, x, y)
		}
	}
}

// A small frame's places are those of the full picture.
func TestSmallFrame(t *testing.T) {
	f, fr := follower(t), frame(0, spot{150, 68, 3, 1})
	fr.Scale = 2
	q := scene.Person(300, 2*(80+.93*200), 400)
	if p := f.Step(fr, &q, pipeline.HeadStep{}, 0); p == nil || math.Hypot(p.X-300, p.Y-136) > .3 {
		t.Fatalf("%v, want 300, 136", p)
	}
}

func TestLostAndFound(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	on := spot{150, 68, 3, 1}
	half := func(f *pipeline.Frame) *pipeline.Frame { // a hand over its right half
		for y := range f.Height {
			for x := 150; x < 160; x++ {
				for c := range 3 {
					f.Pix[3*(y*f.Width+x)+c] = 90
				}
			}
		}
		return f
	}
	for _, c := range []struct {
		name string
		then func(i int) *pipeline.Frame // after ten frames of on
		seen bool                        // in it
		back bool                        // three frames later, on again
	}{
		{"hidden", func(i int) *pipeline.Frame { return frame(i) }, false, true},
		{"half hidden", func(i int) *pipeline.Frame { return half(frame(i, on)) }, false, true},
		{"in half the light", func(i int) *pipeline.Frame { return frame(i, spot{150, 68, 3, .6}) }, true, true},
		{"a second one far off", func(i int) *pipeline.Frame { return frame(i, on, spot{190, 68, 3, 1}) }, true, true},
		{"only a second one, far off", func(i int) *pipeline.Frame { return frame(i, spot{190, 68, 3, 1}) }, false, true},
		{"a shirt of its colour over it", func(i int) *pipeline.Frame { return frame(i, spot{150, 68, 30, 1}) }, false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := follower(t)
			step := func(i int, fr *pipeline.Frame) *pipeline.Point {
				return f.Step(fr, somebody(), pipeline.HeadStep{}, float64(i)/60)
			}
			for i := range 10 {
				if step(i, frame(i, on)) == nil {
					t.Fatalf("not seen in frame %d", i)
				}
			}
			for i := 10; i < 13; i++ {
				p := step(i, c.then(i))
				if (p != nil) != c.seen || p != nil && math.Hypot(p.X-150, p.Y-68) > .4 {
					t.Fatalf("frame %d: %v", i, p)
				}
			}
			if p := step(13, frame(13, on)); (p != nil) != c.back || p != nil && math.Hypot(p.X-150, p.Y-68) > .2 {
				t.Errorf("again in the open: %v", p)
			}
		})
	}
}

// Where it isn't clear which is the marker, none is.
func TestInDoubt(t *testing.T) {
	for name, fr := range map[string]*pipeline.Frame{
		"two alike":       frame(0, spot{140, 68, 3, 1}, spot{160, 68, 3, 1}),
		"a shirt":         frame(0, spot{150, 80, 16, 1}),
		"far from a head": frame(0, spot{150, 180, 3, 1}),
		"a pale one":      frame(0, spot{150, 68, 3, .15}),
	} {
		if p := follower(t).Step(fr, somebody(), pipeline.HeadStep{}, 0); p != nil {
			t.Errorf("%s: %v", name, *p)
		}
	}
	if p := follower(t).Step(frame(0, spot{150, 68, 3, 1}), nil, pipeline.HeadStep{}, 0); p != nil {
		t.Errorf("nobody seen yet, and the marker at %v", *p)
	}
}

// Once hidden for long it is found where the head went.
func TestFoundElsewhere(t *testing.T) {
	f := follower(t)
	f.Step(frame(0, spot{150, 68, 3, 1}), somebody(), pipeline.HeadStep{}, 0)
	q := scene.Person(220, 80+.93*200, 200)
	fr := frame(1, spot{220, 68, 3, 1})
	if p := f.Step(fr, &q, pipeline.HeadStep{}, .1); p != nil {
		t.Errorf("too far in .1 s: %v", *p)
	}
	if p := f.Step(fr, &q, pipeline.HeadStep{}, .7); p == nil || math.Abs(p.X-220) > .2 {
		t.Errorf("after .7 s: %v", p)
	}
}

func TestColours(t *testing.T) {
	for s, want := range map[string]bool{"#ff8000": true, "#00ff00": true, "#ffffff": false, "#000000": false, "#808890": false, "orange": false, "": false, "#ff80000": false, "#zz8000": false} {
		if _, ok := Parse(s); ok != want {
			t.Errorf("Parse(%q): %v", s, ok)
		}
	}
	fr := frame(0, spot{150, 68, 3, 1})
	c, ok := At(fr, pipeline.Point{X: 151, Y: 67})
	if !ok {
		t.Fatal("no colour on the sticker")
	}
	if p := New(c).Step(fr, somebody(), pipeline.HeadStep{}, 0); p == nil {
		t.Error("not seen by the colour of its place")
	}
	if _, ok := At(fr, pipeline.Point{X: 20, Y: 20}); ok {
		t.Error("a grey wall has a colour")
	}
}
