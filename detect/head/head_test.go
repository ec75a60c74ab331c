package head

import (
	"image"
	"math"
	"testing"

	"tapeline/detect/camera"
	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

const width, height = 400, 320

// clip is a disc of radius r that starts at (200, 100), moves by (vx, vy) and
// turns by rot a frame, before a background that moves by (bx, by).
type clip struct {
	r, vx, vy, rot, bx, by float64
}

var skin, wall = scene.New(21), scene.New(22)

func (c clip) centre(i int) pipeline.Point {
	return pipeline.Point{X: 200 + float64(i)*c.vx, Y: 100 + float64(i)*c.vy}
}

func (c clip) frame(i int) *pipeline.Frame {
	m := c.centre(i)
	sin, cos := math.Sincos(float64(i) * c.rot)
	return scene.Draw(i, width, height, func(p pipeline.Point) float64 {
		x, y := p.X-m.X, p.Y-m.Y
		if math.Hypot(x, y) < c.r {
			return skin.At(pipeline.Point{X: cos*x + sin*y, Y: cos*y - sin*x})
		}
		return wall.At(pipeline.Point{X: p.X - float64(i)*c.bx, Y: p.Y - float64(i)*c.by})
	})
}

// pose has its head at the disc, moved by (dx, dy).
func (c clip) pose(i int, dx, dy float64) *pipeline.Pose {
	m := c.centre(i)
	p := scene.Person(m.X+dx, m.Y+dy+.93*200, 200)
	return &p
}

func take(t *testing.T, g *camera.Grey, fr *pipeline.Frame) {
	t.Helper()
	if err := g.Take(fr); err != nil {
		t.Fatal(err)
	}
}

// follow gives the head's steps, the poses pulled by pull.
func (c clip) follow(t *testing.T, n int, pull func(i int) (dx, dy float64)) []pipeline.HeadStep {
	t.Helper()
	f := New()
	defer f.Close()
	g := camera.NewGrey()
	defer g.Close()
	var out []pipeline.HeadStep
	for i := range n {
		dx, dy := 0., 0.
		if pull != nil {
			dx, dy = pull(i)
		}
		still := pipeline.Camera{A: 1, TX: c.bx, TY: c.by, OK: true}
		take(t, g, c.frame(i))
		s, err := f.Step(g, still, c.pose(i, dx, dy), float64(i)/60)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

func TestHeadBeforeMovingBackground(t *testing.T) {
	for _, c := range []struct {
		name string
		clip clip
		max  float64 // of a step's error, pixels
	}{
		{"still camera", clip{r: 20, vx: 1.3, vy: .7}, .3},
		{"camera against the head", clip{r: 20, vx: 2.2, vy: 1.1, bx: -1.5, by: .8}, .3},
		{"fast", clip{r: 20, vx: -7, vy: 4, bx: 1, by: 1}, .3},
	} {
		t.Run(c.name, func(t *testing.T) {
			var x, y float64
			for i, s := range c.clip.follow(t, 9, nil) {
				if i == 0 {
					if s != (pipeline.HeadStep{}) {
						t.Errorf("the first frame has a step: %+v", s)
					}
					continue
				}
				if s.Points < least {
					t.Fatalf("frame %d: lost", i)
				}
				if d := math.Hypot(s.DX-c.clip.vx, s.DY-c.clip.vy); d > c.max {
					t.Errorf("frame %d: step (%.2f, %.2f), want (%.2f, %.2f)", i, s.DX, s.DY, c.clip.vx, c.clip.vy)
				}
				x, y = x+s.DX-c.clip.vx, y+s.DY-c.clip.vy
			}
			if d := math.Hypot(x, y); d > 4*c.max {
				t.Errorf("drifts %.2f px in 8 frames", d)
			}
		})
	}
}

// Twelve corners inside the head and eight on its rim move by (1.2, .5) and
// turn; thirty on the rim belong to the background, near enough to the median
// to be taken for the head.
func TestBackgroundIsLeftOut(t *testing.T) {
	const dx, dy, rot = 1.2, .5, .01
	var vs []vector
	for i := range 20 {
		a, r := 2*math.Pi*float64(i)/20, 8.
		if i >= 12 {
			a, r = 2*math.Pi*float64(i-12)/8, 14
		}
		x, y := r*math.Cos(a), r*math.Sin(a)
		vs = append(vs, vector{x: 100 + x, y: 50 + y, dx: dx - rot*y, dy: dy + rot*x, bx: .1, by: -.2, inner: i < 12})
	}
	for i := range 30 {
		a := 2 * math.Pi * float64(i) / 30
		vs = append(vs, vector{x: 100 + 15*math.Cos(a), y: 50 + 15*math.Sin(a), dx: .1, dy: -.2, bx: .1, by: -.2})
	}
	m := motion(vs)
	x, y := m.DX-m.Rot*(50-m.CY), m.DY+m.Rot*(100-m.CX)
	if m.Points != 20 || math.Hypot(x-dx, y-dy) > 1e-9 || math.Abs(m.Rot-rot) > 1e-9 {
		t.Errorf("got %+v: centre moved (%.3f, %.3f), want 20 points and (%g, %g)", m, x, y, dx, dy)
	}
	if m = motion(vs[20:]); m.Points != 30 {
		t.Errorf("a head that rests is background too, its corners count: %+v", m)
	}
	if m = motion(vs[:least-1]); m != (pipeline.HeadStep{}) {
		t.Errorf("%d corners made a motion: %+v", least-1, m)
	}
}

func TestTurn(t *testing.T) {
	c := clip{r: 20, vx: .8, vy: .5, rot: .03}
	for i, s := range c.follow(t, 6, nil)[1:] {
		if math.Abs(s.Rot-.03) > .005 {
			t.Errorf("frame %d: turned %.4f, want .03", i+1, s.Rot)
		}
		m := c.centre(i)
		// Where the disc's centre went by that motion.
		dx, dy := s.DX-s.Rot*(m.Y-s.CY), s.DY+s.Rot*(m.X-s.CX)
		if d := math.Hypot(dx-c.vx, dy-c.vy); d > .15 {
			t.Errorf("frame %d: the centre moved (%.2f, %.2f)", i+1, dx, dy)
		}
	}
}

// What the networks do near contact: the head .05 body heights too high for a
// tenth of a second. The circle must stay on the head.
func TestWrongPoseDoesNotDragTheCircle(t *testing.T) {
	c := clip{r: 20, vx: 1, vy: 1.5}
	steps := c.follow(t, 14, func(i int) (float64, float64) {
		if i > 4 && i < 11 {
			return 0, -.05 * 200
		}
		return 0, 0
	})
	for i, s := range steps[1:] {
		m := c.centre(i)
		if d := math.Hypot(s.CX-m.X, s.CY-m.Y); d > .02*200 {
			t.Errorf("frame %d: the corners' middle is %.1f px from the head's", i+1, d)
		}
		if d := math.Hypot(s.DX-c.vx, s.DY-c.vy); d > .3 {
			t.Errorf("frame %d: step (%.2f, %.2f)", i+1, s.DX, s.DY)
		}
	}
}

func TestLostComesBackWithThePose(t *testing.T) {
	c := clip{r: 20, vx: 2, vy: 0}
	f := New()
	defer f.Close()
	g := camera.NewGrey()
	defer g.Close()
	still := pipeline.Identity()
	var last pipeline.HeadStep
	for i := range 8 {
		fr := c.frame(i)
		if i == 3 {
			fr = scene.Draw(i, width, height, func(pipeline.Point) float64 { return 40 })
		}
		take(t, g, fr)
		s, err := f.Step(g, still, c.pose(i, 0, 0), float64(i)/60)
		if err != nil {
			t.Fatal(err)
		}
		if (i == 3 || i == 4) && s != (pipeline.HeadStep{}) {
			t.Errorf("frame %d: a step across a blank picture: %+v", i, s)
		}
		last = s
	}
	if last.Points < least || math.Abs(last.DX-2) > .2 {
		t.Errorf("not found again: %+v", last)
	}
}

func TestNobody(t *testing.T) {
	c := clip{r: 20, vx: 2, vy: 0}
	f := New()
	defer f.Close()
	g := camera.NewGrey()
	defer g.Close()
	for i := range 3 {
		take(t, g, c.frame(i))
		if s, err := f.Step(g, pipeline.Identity(), nil, float64(i)/60); err != nil || s.Points != 0 {
			t.Errorf("a head without a pose: %+v %v", s, err)
		}
	}
}

// The flow in the part around the head is that in the whole picture, also
// where the head is at its edge.
func TestPartOfThePicture(t *testing.T) {
	tex := scene.New(9)
	const w, h = 900, 600
	a, b := camera.NewGrey(), camera.NewGrey()
	defer a.Close()
	defer b.Close()
	for _, s := range []struct {
		g  *camera.Grey
		dx float64
	}{{a, 0}, {b, 5.3}} {
		f := scene.Draw(0, w, h, func(p pipeline.Point) float64 { return tex.At(pipeline.Point{X: p.X - s.dx, Y: p.Y + s.dx/2}) })
		if err := s.g.Take(f); err != nil {
			t.Fatal(err)
		}
	}
	f, whole := New(), [2]*camera.Pyramid{camera.NewPyramid(), camera.NewPyramid()}
	defer f.Close()
	for i, g := range []*camera.Grey{a, b} {
		defer whole[i].Close()
		if err := whole[i].Build(g.Now(), flow); err != nil {
			t.Fatal(err)
		}
	}
	for _, at := range []image.Point{{450, 300}, {333, 217}, {40, 40}, {870, 30}, {860, 570}} {
		box := image.Rect(at.X-40, at.Y-40, at.X+40, at.Y+40)
		from, err := camera.Corners(a.Now(), box, corners, quality, 2, func(x, y float64) bool { return true })
		if err != nil || len(from) < 20 {
			t.Fatal(len(from), err)
		}
		want, wok, err := flow.Follow(whole[0], whole[1], from, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		got, gok, err := f.follow(a.Now(), b.Now(), box, from)
		if err != nil {
			t.Fatal(err)
		}
		good := 0
		for i := range want {
			if wok[i] != gok[i] || wok[i] && math.Hypot(float64(want[i].X-got[i].X), float64(want[i].Y-got[i].Y)) > .02 {
				t.Errorf("%v: corner %d at %v %v, in the whole picture %v %v", at, i, got[i], gok[i], want[i], wok[i])
			}
			if wok[i] {
				good++
			}
		}
		if good < 10 {
			t.Errorf("%v: %d corners followed", at, good)
		}
	}
}
