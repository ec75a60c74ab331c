package camera

import (
	"math"
	"testing"

	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

const width, height = 480, 320

// turn is the map of a camera that turned and zoomed about the picture's
// middle and moved by tx, ty.
func turn(zoom, angle, tx, ty float64) pipeline.Camera {
	c := pipeline.Camera{A: zoom * math.Cos(angle), B: zoom * math.Sin(angle)}
	m := c.Apply(pipeline.Point{X: width / 2, Y: height / 2})
	c.TX, c.TY = width/2-m.X+tx, height/2-m.Y+ty
	return c
}

// two draws a far background and a ground below the row horizon that moves g
// farther.
func two(t *scene.Texture, i int, c pipeline.Camera, g pipeline.Point, horizon float64) *pipeline.Frame {
	return scene.Draw(i, width, height, func(p pipeline.Point) float64 {
		q := c.Apply(p)
		if q.Y > horizon {
			q.X, q.Y = q.X+g.X, q.Y+g.Y
		}
		return t.At(q)
	})
}

// missBy is how far a map is from the true one, at most, in the upper half.
func missBy(got, want pipeline.Camera) float64 {
	worst := 0.0
	for _, p := range []pipeline.Point{{X: 60, Y: 40}, {X: 240, Y: 80}, {X: 420, Y: 60}, {X: 240, Y: 160}} {
		a, b := got.Apply(p), want.Apply(p)
		worst = math.Max(worst, math.Hypot(a.X-b.X, a.Y-b.Y))
	}
	return worst
}

// follower takes what it is shown.
type follower struct {
	*Follower
	grey *Grey
}

func open(t *testing.T) follower {
	f := follower{New(), NewGrey()}
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		if err := f.grey.Close(); err != nil {
			t.Error(err)
		}
	})
	return f
}

func (f follower) Step(fr *pipeline.Frame, pose *pipeline.Pose) (pipeline.Camera, error) {
	if err := f.grey.Take(fr); err != nil {
		return pipeline.Camera{}, err
	}
	return f.Follower.Step(f.grey, pose)
}

func TestKnownMotion(t *testing.T) {
	tex := scene.New(3)
	pose := scene.Person(240, 290, 220)
	ground := pipeline.Point{X: 2.2, Y: -.8}
	for _, c := range []struct {
		name string
		cam  pipeline.Camera
		g    pipeline.Point
		max  float64
	}{
		{"still", pipeline.Identity(), pipeline.Point{}, .05},
		{"shift by parts of a pixel", turn(1, 0, 3.37, -2.61), pipeline.Point{}, .1},
		{"turn and zoom", turn(1.015, .02, -6, 4), pipeline.Point{}, .15},
		{"near ground moves farther", turn(1.004, -.006, 5, 2), ground, .25},
		{"a jerk of a twentieth of the picture", turn(1, .01, 24, 10), pipeline.Point{}, .25},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := open(t)
			horizon := 245. // above the ankles at 281, so that the band is all ground
			if _, err := f.Step(two(tex, 0, pipeline.Identity(), pipeline.Point{}, horizon), &pose); err != nil {
				t.Fatal(err)
			}
			got, err := f.Step(two(tex, 1, c.cam, c.g, horizon), nil)
			if err != nil || !got.OK {
				t.Fatal(got, err)
			}
			want := c.cam
			want.GX, want.GY = c.g.X, c.g.Y
			if d := missBy(got, want); d > c.max {
				t.Errorf("misses by %.2f px: %+v, want %+v", d, got, want)
			}
			if got.Ground < groundMin {
				t.Errorf("%d ground points", got.Ground)
			}
			step := f.Between()
			step.OK = true
			// Between goes the other way: key frame → this one.
			p := pipeline.Point{X: 200, Y: 100}
			back := c.cam.Apply(step.Apply(p))
			if d := math.Hypot(back.X-p.X, back.Y-p.Y); d > c.max {
				t.Errorf("frame to frame misses by %.2f px", d)
			}
		})
	}
}

func TestSmallPictureGivesFullSizeMap(t *testing.T) {
	// Drawn at half size: a pixel of the picture is two of the clip.
	tex := scene.New(5)
	cam := turn(1.01, .01, 4, -3)
	big := cam
	// The same motion in full-size pixels: lengths double.
	big.TX, big.TY = 2*cam.TX, 2*cam.TY
	pose := scene.Person(480, 580, 440)
	f := open(t)
	for i, c := range []pipeline.Camera{pipeline.Identity(), cam} {
		fr := two(tex, i, c, pipeline.Point{}, 1e9)
		fr.Scale = 2
		got, err := f.Step(fr, &pose)
		if err != nil {
			t.Fatal(err)
		}
		if i == 1 {
			if d := missBy(got, big); d > .3 {
				t.Errorf("misses by %.2f full-size px: %+v, want %+v", d, got, big)
			}
		}
	}
}

func TestHiddenGroundKeepsItsShift(t *testing.T) {
	tex := scene.New(13)
	pose := scene.Person(240, 290, 220)
	f := open(t)
	g := pipeline.Point{X: 3, Y: 1}
	cam := turn(1, 0, 4, 2)
	for i, hidden := range []bool{false, false, true} {
		c, shift := cam, g
		if i == 0 {
			c, shift = pipeline.Identity(), pipeline.Point{}
		}
		fr := two(tex, i, c, shift, 245)
		if hidden {
			for k := 3 * width * 235; k < len(fr.Pix); k++ {
				fr.Pix[k] = 90
			}
		}
		got, err := f.Step(fr, &pose)
		if err != nil || !got.OK {
			t.Fatal(got, err)
		}
		if hidden && got.Ground != 0 {
			t.Errorf("%d points on a ground that can't be seen", got.Ground)
		}
		if i > 0 && math.Hypot(got.GX-g.X, got.GY-g.Y) > .3 {
			t.Errorf("frame %d: the ground's shift is (%.2f, %.2f), want (%g, %g)", i, got.GX, got.GY, g.X, g.Y)
		}
	}
}

func TestPanTakesNewKeys(t *testing.T) {
	tex := scene.New(7)
	f := open(t)
	var got, want pipeline.Camera
	for i := range 40 {
		want = turn(1, .002*float64(i), 9*float64(i), 1.5*float64(i))
		// The batter stays where he is on the ground: in the picture he drifts.
		p := want.Invert(pipeline.Point{X: 240, Y: 290})
		pose := scene.Person(p.X, p.Y, 220)
		var err error
		if got, err = f.Step(two(tex, i, want, pipeline.Point{}, 1e9), &pose); err != nil || !got.OK {
			t.Fatal(i, got, err)
		}
	}
	if got.Key == 0 {
		t.Error("no new key after a pan of 350 pixels")
	}
	p := want.Invert(pipeline.Point{X: 240, Y: 100})
	q := got.Apply(p)
	if d := math.Hypot(q.X-240, q.Y-100); d > 1.5 {
		t.Errorf("after %d keys the place is off by %.2f px", got.Key, d)
	}
}

func TestLostKeepsTheLastMap(t *testing.T) {
	tex := scene.New(9)
	pose := scene.Person(240, 290, 220)
	f := open(t)
	before, err := f.Step(two(tex, 0, pipeline.Identity(), pipeline.Point{}, 1e9), nil)
	if err != nil || before.OK {
		t.Errorf("a map without a key: %+v %v", before, err)
	}
	var last pipeline.Camera
	for i, c := range []pipeline.Camera{pipeline.Identity(), turn(1, 0, 3, 1)} {
		if last, err = f.Step(two(tex, i, c, pipeline.Point{}, 1e9), &pose); err != nil || !last.OK {
			t.Fatal(last, err)
		}
	}
	black := scene.Draw(3, width, height, func(pipeline.Point) float64 { return 0 })
	got, err := f.Step(black, &pose)
	if err != nil {
		t.Fatal(err)
	}
	if got.OK || got.TX != last.TX || got.TY != last.TY || got.A != last.A {
		t.Errorf("black frame: %+v, want the last map %+v with OK false", got, last)
	}
	if f.Between().OK {
		t.Error("motion between frames known in the dark")
	}
	got, err = f.Step(two(tex, 4, turn(1, 0, 5, 2), pipeline.Point{}, 1e9), &pose)
	if err != nil || !got.OK || missBy(got, turn(1, 0, 5, 2)) > .2 {
		t.Errorf("light again: %+v %v", got, err)
	}
}

func TestBatterDoesNotMoveTheCamera(t *testing.T) {
	// A body with a texture of its own moves; the camera stands still.
	bg, shirt := scene.New(11), scene.New(12)
	f := open(t)
	var got pipeline.Camera
	for i := range 12 {
		pose := scene.Person(200+5*float64(i), 290, 220)
		body := NewBody(&pose, 1, 0)
		fr := scene.Draw(i, width, height, func(p pipeline.Point) float64 {
			if body.Has(p.X, p.Y) {
				return shirt.At(pipeline.Point{X: p.X - 5*float64(i), Y: p.Y})
			}
			return bg.At(p)
		})
		var err error
		if got, err = f.Step(fr, &pose); err != nil || !got.OK {
			t.Fatal(i, got, err)
		}
	}
	if d := missBy(got, pipeline.Identity()); d > .1 {
		t.Errorf("the batter carried the camera %.2f px", d)
	}
}

func TestBody(t *testing.T) {
	pose := scene.Person(240, 290, 200)
	b := NewBody(&pose, 1, 0)
	for _, c := range []struct {
		x, y float64
		in   bool
	}{{240, 150, true}, {240, 105, true}, {258, 240, true}, {240, 240, false}, {240, 60, false}, {330, 150, false}} {
		if b.Has(c.x, c.y) != c.in {
			t.Errorf("Has(%g, %g) = %v", c.x, c.y, !c.in)
		}
	}
	half := NewBody(&pose, 2, 0)
	if !half.Has(120, 75) || half.Has(120, 30) {
		t.Error("the outline doesn't follow the picture's scale")
	}
}

func TestComposition(t *testing.T) {
	s, u := sim{1.1, .2, 3, -4}, sim{.9, -.1, 7, 5}
	x, y := s.after(u).apply(10, 20)
	a, b := u.apply(10, 20)
	a, b = s.apply(a, b)
	if math.Hypot(x-a, y-b) > 1e-12 {
		t.Error("after", x, y, a, b)
	}
	if x, y = s.inverse().apply(s.apply(10, 20)); math.Hypot(x-10, y-20) > 1e-12 {
		t.Error("inverse", x, y)
	}
}

func TestWrongFrame(t *testing.T) {
	f := open(t)
	pose := scene.Person(240, 290, 220)
	if _, err := f.Step(&pipeline.Frame{Width: 4, Height: 4, Scale: 1, Pix: make([]byte, 5)}, &pose); err == nil {
		t.Error("five bytes are no picture of 4×4")
	}
	tex := scene.New(1)
	if _, err := f.Step(two(tex, 0, pipeline.Identity(), pipeline.Point{}, 1e9), &pose); err != nil {
		t.Fatal(err)
	}
	small := scene.Draw(1, 100, 80, tex.At)
	if _, err := f.Step(small, &pose); err == nil {
		t.Error("the picture changed its size and nothing was said")
	}
}

// Three takes: the last two are kept, and a frame that is refused changes
// nothing.
func TestGreyKeepsTwo(t *testing.T) {
	g := NewGrey()
	defer g.Close()
	if _, ok := g.Before(); ok {
		t.Error("a frame before the first")
	}
	for i := range 3 {
		fr := scene.Draw(i, 8, 6, func(pipeline.Point) float64 { return float64(50 * (i + 1)) })
		fr.Scale = float64(i + 1)
		if err := g.Take(fr); err != nil {
			t.Fatal(err)
		}
		if _, ok := g.Before(); ok != (i > 0) {
			t.Errorf("frame %d: before is %v", i, ok)
		}
	}
	if err := g.Take(scene.Draw(3, 6, 8, func(pipeline.Point) float64 { return 0 })); err == nil {
		t.Error("another size and nothing was said")
	}
	now := g.Now()
	before, _ := g.Before()
	if a, b := before.GetUCharAt(5, 7), now.GetUCharAt(5, 7); a != 100 || b != 150 || g.Scale() != 3 {
		t.Errorf("grey levels %d and %d, scale %g; want 100, 150 and 3", a, b, g.Scale())
	}
}
