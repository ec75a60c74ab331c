package plate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"pgregory.net/rapid"

	"tapeline/detect/camera"
	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
	"tapeline/pipeline/field"
)

const width, height = 640, 360

// ground is a picture of dirt with white things on it and somebody of 170 cm
// beside them.
type ground struct {
	pose   pose
	lens   lens
	person pipeline.Pose
	shapes [][]pipeline.Point
	white  float64
	noise  float64
	seed   uint64
	frames int
	light  func(pipeline.Point) float64 // nil: 1 everywhere
}

// usualGround is seen by a phone 1.25 m up and 4.5 m off from the side: k =
// 1.18 pixels a centimetre.
func usualGround() *ground {
	g := &ground{lens: lens{field.Focal(width, height), width / 2, height / 2}, white: 215, noise: 3, seed: 1, frames: 3}
	g.pose = pose{x: 330, y: 310, logK: math.Log(1.18), pitch: .04, yaw: math.Pi / 2}
	return g
}

// stand puts the batter side cm right of the plate's axis and along cm along
// it.
func (g *ground) stand(side, along float64) *ground {
	p, _ := g.lens.place(g.pose, [2]float64{side, along + middle[1]})
	c := g.lens.camera(g.pose)
	k := math.Exp(g.pose.logK) * c.Nearer(p[0], pipeline.Point{X: g.pose.x, Y: g.pose.y})
	g.person = scene.Person(p[0].X, p[0].Y, 170*k)
	return g
}

// on lays a shape on the ground, its corners in the plate's frame, cm.
func (g *ground) on(shape ...[2]float64) *ground {
	ps, _ := g.lens.place(g.pose, shape...)
	g.shapes = append(g.shapes, ps)
	return g
}

func (g *ground) plate() *ground { return g.on(field.Plate[:]...) }

var dirts = map[uint64][]float64{}

// dirtOf is a texture as grey levels of dirt.
func dirtOf(seed uint64) []float64 {
	if dirts[seed] == nil {
		tex, d := scene.New(seed), make([]float64, width*height)
		for i := range d {
			d[i] = 80 + .12*tex.At(pipeline.Point{X: float64(i % width), Y: float64(i / width)})
		}
		dirts[seed] = d
	}
	return dirts[seed]
}

// frame draws the shapes with soft edges; under everything lies dirt.
func (g *ground) frame(i int) *pipeline.Frame {
	dirt := dirtOf(g.seed)
	share := make([]float64, width*height)
	const n = 4 // lines a pixel
	for _, s := range g.shapes {
		for row := range n * height {
			y := (float64(row) + .5) / n
			var xs []float64
			for i, j := 0, len(s)-1; i < len(s); j, i = i, i+1 {
				if a, b := s[i], s[j]; (a.Y > y) != (b.Y > y) {
					xs = append(xs, (b.X-a.X)*(y-a.Y)/(b.Y-a.Y)+a.X)
				}
			}
			sort.Float64s(xs)
			for k := 0; k+1 < len(xs); k += 2 {
				for x := max(0, int(xs[k])); x < width && float64(x) < xs[k+1]; x++ {
					share[row/n*width+x] += (math.Min(xs[k+1], float64(x+1)) - math.Max(xs[k], float64(x))) / n
				}
			}
		}
	}
	f := scene.Draw(i, width, height, func(p pipeline.Point) float64 {
		if p.Y < height/2 {
			return 60
		}
		i := int(p.Y)*width + int(p.X)
		v := math.Min(1, share[i])
		v = v*g.white + (1-v)*dirt[i]
		if g.light != nil {
			v *= g.light(p)
		}
		return v
	})
	scene.Noise(f, g.noise, g.seed+uint64(i))
	return f
}

func (g *ground) find(t interface{ Fatal(...any) }) *pipeline.PlateSeen {
	d := New(0, 1)
	for i := range g.frames {
		f := g.frame(i)
		f.PTS = float64(i) / 3
		d.Step(f, &pipeline.Seen{Pose: &g.person, Camera: pipeline.Identity()})
	}
	p, err := d.Find()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// missBy is how far the corners are off, at most, pixels.
func (g *ground) missBy(p *pipeline.PlateSeen) float64 {
	cs, _ := g.lens.corners(g.pose)
	worst := 0.
	for i := range cs {
		worst = math.Max(worst, math.Hypot(cs[i].X-p.Corners[i].X, cs[i].Y-p.Corners[i].Y))
	}
	return worst
}

// Home plate as phones see it, 1–1.6 m up and 3.5–6 m off, from any side: found,
// to two pixels, its scale and the camera's pitch within the bounds it gives.
// Where a corner would lie out of the picture or behind the batter the draw is
// left out.
func TestPlateFound(t *testing.T) {
	n, lost, scaleOut, pitchOut := 0, 0, 0, 0
	rapid.Check(t, func(r *rapid.T) {
		if n == 40 {
			return // each takes a tenth of a second
		}
		g := usualGround()
		far := rapid.Float64Range(350, 600).Draw(r, "far")
		up := rapid.Float64Range(100, 160).Draw(r, "up")
		g.pose.pitch = rapid.Float64Range(-.02, .12).Draw(r, "pitch")
		g.pose.roll = rapid.Float64Range(-.03, .03).Draw(r, "roll")
		g.pose.yaw = rapid.Float64Range(-math.Pi, math.Pi).Draw(r, "yaw")
		g.white = rapid.Float64Range(170, 250).Draw(r, "white")
		g.noise = rapid.Float64Range(0, 8).Draw(r, "noise")
		g.seed = rapid.Uint64Range(1, 3).Draw(r, "texture")
		g.pose.logK = math.Log(g.lens.focal / far)
		g.pose.x = rapid.Float64Range(150, 490).Draw(r, "x")
		g.pose.y = height/2 + g.lens.focal*math.Tan(math.Atan(up/far)-g.pose.pitch)
		side := rapid.Float64Range(45, 90).Draw(r, "beside")
		if rapid.Bool().Draw(r, "left") {
			side = -side
		}
		g.plate().stand(side, rapid.Float64Range(-20, 20).Draw(r, "along"))
		cs, ok := g.lens.corners(g.pose)
		top, bottom := math.Inf(1), 0.
		for _, c := range cs {
			top, bottom = math.Min(top, c.Y), math.Max(bottom, c.Y)
			if !ok || c.X < 8 || c.Y < 8 || c.X > width-8 || c.Y > height-8 {
				r.Skip("out of the picture")
			}
		}
		if bottom-top < 9 {
			r.Skip("a streak of a few rows has no shape")
		}
		body := camera.NewBody(&g.person, 1, .04)
		for i := range cs {
			a, b := edge(cs, i)
			for t := 0.; t < 1; t += .05 {
				if body.Has(a.X+t*(b.X-a.X), a.Y+t*(b.Y-a.Y)) {
					r.Skip("behind the batter")
				}
			}
		}
		p := g.find(r)
		n++
		if p == nil {
			lost++
			return
		}
		if d := g.missBy(p); d > 2 {
			r.Fatalf("corners are off by %.2f px", d)
		}
		k := math.Exp(g.pose.logK)
		if math.Abs(math.Log(p.PxPerCM/k)) > 2*p.ScaleSD {
			scaleOut++
		}
		if math.Abs(p.Pitch-deg(g.pose.pitch)) > 2*p.PitchSD {
			pitchOut++
		}
	})
	t.Logf("%d plates, %d not found; beyond two deviations the scale of %d, the pitch of %d", n, lost, scaleOut, pitchOut)
	if n < 20 || 6*lost > n || 6*scaleOut > n || 6*pitchOut > n {
		t.Error("too many of them")
	}
}

func deg(rad float64) float64 { return rad * 180 / math.Pi }

// around is an ellipse about a place, cm.
func around(x, y, a, b float64) (out [][2]float64) {
	for i := range 40 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 40)
		out = append(out, [2]float64{x + a*c, y + b*s})
	}
	return out
}

// turned is a shape turned about the plate's middle, degrees, and stretched.
func turned(angle, stretch float64, shape ...[2]float64) (out [][2]float64) {
	s, c := math.Sincos(angle * math.Pi / 180)
	for _, p := range shape {
		x, y := stretch*(p[0]-middle[0]), stretch*(p[1]-middle[1])
		out = append(out, [2]float64{c*x - s*y + middle[0], s*x + c*y + middle[1]})
	}
	return out
}

// square is a box of w × h about the plate's middle, cm.
func square(w, h float64) [][2]float64 {
	m := middle[1]
	return [][2]float64{{-w / 2, m - h/2}, {w / 2, m - h/2}, {w / 2, m + h/2}, {-w / 2, m + h/2}}
}

// What lies on a field and is no plate, in several views: nothing is found.
func TestNoPlate(t *testing.T) {
	scenes := map[string]func(g *ground){
		"bare ground": func(*ground) {},
		"chalk lines": func(g *ground) {
			g.on([2]float64{-200, -30}, [2]float64{200, -30}, [2]float64{200, -25}, [2]float64{-200, -25})
			g.on([2]float64{-30, -90}, [2]float64{-25, -90}, [2]float64{-25, 90}, [2]float64{-30, 90})
		},
		"a ball":             func(g *ground) { g.on(around(0, 20, 3.7, 3.7)...) },
		"a round mat":        func(g *ground) { g.on(around(0, 21, 22, 22)...) },
		"a towel":            func(g *ground) { g.on(turned(15, 1, square(70, 40)...)...) },
		"a sheet of paper":   func(g *ground) { g.on(turned(40, 1, square(21, 29.7)...)...) },
		"a white shoe":       func(g *ground) { g.on(around(10, 20, 5, 14)...) },
		"the plate cut":      func(g *ground) { g.on(field.Plate[0], field.Plate[1], field.Plate[2], [2]float64{0, field.PlateWidth}) },
		"half its length":    func(g *ground) { g.on(field.Plate[1], field.Plate[2], field.Plate[3], field.Plate[4]) },
		"a triangle":         func(g *ground) { g.on([2]float64{0, 0}, [2]float64{22, 43}, [2]float64{-22, 43}) },
		"a six-sided mat":    func(g *ground) { g.on(around6()...) },
		"a plate for giants": func(g *ground) { g.on(turned(0, 2.2, field.Plate[:]...)...) },
		"a toy plate":        func(g *ground) { g.on(turned(0, .4, field.Plate[:]...)...) },
	}
	for _, angle := range []float64{0, 20, 45, 70} {
		// A base: a square of 15 in, of 18 in since 2023 (from memory, not
		// re-read).
		scenes[fmt.Sprintf("a base at %g°", angle)] = func(g *ground) { g.on(turned(angle, 1, square(38.1, 38.1)...)...) }
		scenes[fmt.Sprintf("a large base at %g°", angle)] = func(g *ground) { g.on(turned(angle, 1, square(45.7, 45.7)...)...) }
	}
	for name, put := range scenes {
		for _, yaw := range []float64{90, 20, -175} {
			g := usualGround()
			g.frames, g.noise = 1, 2
			g.pose.yaw = yaw * math.Pi / 180
			g.stand(-70, 0)
			if put(g); g.find(t) != nil {
				t.Errorf("%s, camera at %g°: taken for a plate", name, yaw)
			}
		}
	}
}

func around6() (out [][2]float64) {
	for i := range 6 {
		s, c := math.Sincos(math.Pi / 3 * float64(i))
		out = append(out, [2]float64{22 * c, 21 + 22*s})
	}
	return out
}

// A plate that is there but not for this batter, not wholly in the picture, or
// behind a leg.
func TestPlateNotToTrust(t *testing.T) {
	for name, put := range map[string]func(g *ground){
		"beyond reach":       func(g *ground) { g.stand(-190, 0) },
		"between the feet":   func(g *ground) { g.stand(0, 0) },
		"far along the line": func(g *ground) { g.stand(-60, 150) },
		"cut by the picture": func(g *ground) { g.shapes = nil; g.pose.y = height - 8; g.plate().stand(-70, 0) },
		"for another batter": func(g *ground) {
			g.stand(-70, 0)
			p := g.person.Joints
			g.person = scene.Person(p[pipeline.LeftToe].X, p[pipeline.LeftToe].Y, 90)
		},
		"whiter ground":      func(g *ground) { g.white = 105; g.stand(-70, 0) },
		"nobody's there yet": func(g *ground) { g.stand(-70, 0); g.person.Score = 0 },
	} {
		g := usualGround().plate()
		if put(g); name == "nobody's there yet" {
			d := New(0, 1)
			d.Step(g.frame(0), &pipeline.Seen{Camera: pipeline.Identity()})
			if p, err := d.Find(); p != nil || err != nil {
				t.Error(name, p, err)
			}
			continue
		}
		if p := g.find(t); p != nil {
			t.Errorf("%s: %+v", name, *p)
		}
	}
	if usualGround().plate().stand(-70, 0).find(t) == nil {
		t.Error("and the plate that all these spoil isn't found")
	}
}

// A print in its middle, a shadow over a part of it, little light: what is given is right, or nothing is.
func TestPlateSpoiled(t *testing.T) {
	for _, c := range []struct {
		name string
		put  func(g *ground)
		must bool
	}{
		{"a small print", func(g *ground) {
			print, _ := g.lens.place(g.pose, around(0, 24, 6, 6)...)
			g.light = func(p pipeline.Point) float64 {
				for _, q := range print {
					if math.Abs(p.X-g.pose.x) < math.Abs(q.X-g.pose.x) && math.Abs(p.Y-g.pose.y) < math.Abs(q.Y-g.pose.y) {
						return .4
					}
				}
				return 1
			}
		}, true},
		{"half a shadow", func(g *ground) {
			g.light = func(p pipeline.Point) float64 { return 1 - .4/(1+math.Exp(-(p.X-g.pose.x)/2)) }
		}, false},
		{"a tip in shadow", func(g *ground) {
			g.light = func(p pipeline.Point) float64 { return 1 - .4/(1+math.Exp(-(p.X-g.pose.x-18)/2)) }
		}, false},
		{"late in the evening", func(g *ground) { g.light = func(pipeline.Point) float64 { return .55 } }, true},
	} {
		for _, yaw := range []float64{90, 30, -120} {
			g := usualGround()
			g.pose.yaw = yaw * math.Pi / 180
			g.plate().stand(-70, 0)
			if math.Cos(g.pose.yaw-math.Pi/2) < 0 {
				g.stand(70, 0)
			}
			c.put(g)
			p := g.find(t)
			t.Logf("%s at %g°: found %v", c.name, yaw, p != nil)
			if c.must && p == nil {
				t.Errorf("%s at %g°: not found", c.name, yaw)
			}
			if p == nil {
				continue
			}
			if d := g.missBy(p); d > 2 {
				t.Errorf("%s at %g°: corners off by %.1f px", c.name, yaw, d)
			}
		}
	}
}

// White blots of random shape, all of about a plate's size and where a plate
// could lie: hardly one may look like it. (Most of those point
// elsewhere than the batter stands, which detect/swing looks at.)
func TestBlots(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	taken := 0
	for i := range 30 {
		g := usualGround().stand(-75, 0)
		g.seed = uint64(i%3 + 1)
		for range 8 {
			x, y := 160*r.Float64()-80, 160*r.Float64()-80
			n := 3 + r.IntN(5)
			var blot [][2]float64
			for k := range n {
				s, c := math.Sincos(2 * math.Pi * (float64(k) + .8*r.Float64()) / float64(n))
				l := 12 + 20*r.Float64()
				blot = append(blot, [2]float64{x + l*c, y + l*s})
			}
			g.on(blot...)
		}
		if g.find(t) != nil {
			taken++
		}
	}
	t.Logf("%d of 240 taken for a plate", taken)
	if taken > 4 {
		t.Errorf("%d of 240 blots taken for a plate", taken)
	}
}
