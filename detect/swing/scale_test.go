package swing

import (
	"fmt"
	"math"
	"math/rand"
	"testing"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// A body of known size before a known camera: pnp must give rotation and
// translation back, and hold them when one point in ten is far off.
func TestPnP(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	R := rodrigues(v3{.1, -.3, .05})
	tr := v3{20, -10, 400}
	var pts []v3
	var img []p.Point
	for i := 0; i < 19; i++ {
		q := v3{rng.NormFloat64() * 25, rng.NormFloat64() * 60, rng.NormFloat64() * 20}
		c := add(rot(R, q), tr)
		pts = append(pts, q)
		img = append(img, p.Point{X: 800*c[0]/c[2] + 480, Y: 800*c[1]/c[2] + 270})
	}
	check := func(what string, tol float64) {
		t.Helper()
		gr, gt, ok := pnp(pts, img, 800, 480, 270)
		if !ok {
			t.Fatalf("%s: no solution", what)
		}
		for k := range gt {
			close(t, what+" translation", gt[k], tr[k], tol)
			for l := range gr[k] {
				close(t, what+" rotation", gr[k][l], R[k][l], tol/400)
			}
		}
	}
	check("exact", 1e-3)
	img[4].X += 60
	img[11].Y -= 80
	check("with outliers", 8)
}

// A plate 0.3 m nearer than the batter at 5 m is 6.4 % off: .3/4.7.
func TestOffPlane(t *testing.T) { close(t, "off plane", offPlane(.3, 5), .0638, 5e-5) }

// evenScale is one of 2 pixels a centimetre, 4 m from the camera, for somebody
// of 170 cm.
func evenScale() *scale {
	s := &scale{unit: "cm", height: 170, focal: 830, cx: 500, cy: 300, depth: 400, world: 100, doubt: scaleDoubt}
	for j := range s.px {
		s.px[j] = 2
	}
	return s
}

func TestNamedLength(t *testing.T) {
	named := func(px, cm float64) p.Span {
		return p.Span{From: p.Point{X: 100, Y: 50}, To: p.Point{X: 100 + px, Y: 50}, CM: cm}
	}
	// Home plate, 17 in = 43.18 cm wide (Official Baseball Rules), at the
	// batter's depth: nothing moves, and two ways are surer than one.
	s := evenScale()
	if apart := s.named(named(2*43.18, 43.18), 0); apart != 0 {
		t.Errorf("apart by %v", apart)
	}
	close(t, "scale", s.px[0], 2, 1e-9)
	alone := rms(offPlane(.5, 4), 1.5*math.Sqrt2/(2*43.18))
	close(t, "doubt", s.doubt, 1/math.Sqrt(1/(scaleDoubt*scaleDoubt)+1/(alone*alone)), 1e-9)

	// 10 % more pixels: the scale moves by the length's share of the weight.
	s = evenScale()
	if apart := s.named(named(2.2*43.18, 43.18), 0); apart != 0 {
		t.Errorf("10 %% are within both doubts, said apart by %v", apart)
	}
	alone = rms(offPlane(.5, 4), 1.5*math.Sqrt2/(2.2*43.18))
	share := (1 / (alone * alone)) / (1/(alone*alone) + 1/(scaleDoubt*scaleDoubt))
	close(t, "scale", s.px[0], 2*math.Pow(1.1, share), 1e-9)
	close(t, "height", s.height*s.px[0], 340, 1e-9) // as many pixels as before
	close(t, "depth", s.depth*s.px[0], 800, 1e-9)   // f ÷ px

	// Twice as many: one of them is wrong, and the bounds reach both.
	s = evenScale()
	apart := s.named(named(4*43.18, 43.18), 0)
	close(t, "apart", apart, math.Log(2), 1e-9)
	for _, k := range []float64{2, 4} {
		if math.Abs(math.Log(k/s.px[0])) > s.doubt {
			t.Errorf("%v px a cm lies outside %v ± %v", k, s.px[0], s.doubt)
		}
	}

	// Without a height the length makes the centimetres.
	s = evenScale()
	s.unit = "pct_height"
	s.stretch(100. / 170) // 3.4 px a percent
	s.named(named(2*84, 84), 0)
	if s.unit != "cm" {
		t.Errorf("unit %s", s.unit)
	}
	close(t, "height alone", s.height, 170, 1e-9)
	close(t, "scale alone", s.px[0], 2, 1e-9)
	close(t, "metres", s.metres(), 4, 1e-9)
	close(t, "doubt alone", s.doubt, rms(offPlane(.5, 4), 1.5*math.Sqrt2/168), 1e-9)
}

// A length before or behind the batter, over random swings: the scale must lie
// within its doubt as often as that says, and a length must help. What the
// height alone gives is only compared with.
func TestNamedLengthOverSwings(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	type sum struct {
		n, held   int
		off, wide float64
	}
	var by, with, only sum
	for seed := range int64(120) {
		rng := rand.New(rand.NewSource(9000 + seed))
		truth := sim.Swing(sim.Random(rng))
		if !truth.Swung() {
			continue
		}
		tr := sim.Track(truth, sim.Measured(), rng)
		f := &truth.Frames[0]
		for i := range truth.Frames {
			if truth.Frames[i].T <= (truth.Still[0]+truth.Still[1])/2 {
				f = &truth.Frames[i] // of the stance
			}
		}
		hips := half(v3(f.Joints[p.LeftHip]), v3(f.Joints[p.RightHip]))
		_, depth := f.Camera.Project(hips)
		want := f.Camera.F / depth / 100 // pixels a centimetre
		// 84 cm across the view, somewhere within half a metre of depth.
		at := sub(hips, mul(v3(f.Camera.Axes[2]), -.25*rng.NormFloat64()))
		a, _ := f.Camera.Project(add(at, mul(v3(f.Camera.Axes[0]), .42)))
		b, _ := f.Camera.Project(sub(at, mul(v3(f.Camera.Axes[0]), .42)))
		span := &p.Span{From: a, To: b, CM: 84}
		add := func(s *sum, g p.Given) {
			x := analyse(&tr, &tr.Windows[0], g)
			if x == nil || x.scale.unit != "cm" {
				return
			}
			d := math.Abs(math.Log(x.scale.at(p.LeftHip, p.RightHip) / want))
			s.n++
			s.off += d
			s.wide += x.scale.doubt
			if d <= x.scale.doubt {
				s.held++
			}
		}
		tall := 100 * truth.Params.Stature
		add(&by, p.Given{HeightCM: tall})
		add(&with, p.Given{HeightCM: tall, Scale: span})
		add(&only, p.Given{Scale: span})
	}
	for _, c := range []struct {
		name string
		s    sum
	}{{"height", by}, {"height and length", with}, {"length", only}} {
		n := float64(c.s.n)
		t.Logf("%-18s n %d, mean error %.1f %%, %.2f inside, half width %.1f %%", c.name, c.s.n, 100*c.s.off/n, float64(c.s.held)/n, 100*c.s.wide/n)
		if c.s.n < 60 || c.name != "height" && float64(c.s.held)/n < .93 {
			t.Errorf("%s: %d of %d inside", c.name, c.s.held, c.s.n)
		}
	}
	if with.off/float64(with.n) > 1.02*by.off/float64(by.n) || with.wide/float64(with.n) >= by.wide/float64(by.n) {
		t.Error("a named length makes it worse")
	}
}

// A camera that zooms in by 8 % in two seconds: every length is what it is
// without, but for what the network's depth makes of another picture.
func TestZoomKeepsCentimetres(t *testing.T) {
	q := sim.Usual()
	truth := sim.Swing(q)
	read := func(rate float64) map[string]p.Measure {
		tr := sim.Track(truth, sim.Measured(), rand.New(rand.NewSource(5)))
		w := &tr.Windows[0]
		cx, cy := float64(tr.Clip.Width)/2, float64(tr.Clip.Height)/2
		was := 1.
		for i := range w.Frames {
			s := &w.Frames[i]
			z := 1 + rate*(s.PTS-w.Frames[0].PTS)
			put := func(x, y, z float64) (float64, float64) { return cx + z*(x-cx), cy + z*(y-cy) }
			if s.Pose != nil {
				pose := *s.Pose
				for j := range pose.Joints {
					l := &pose.Joints[j]
					l.X, l.Y = put(l.X, l.Y, z)
				}
				s.Pose = &pose
			}
			for _, at := range []*p.Point{s.Ball, s.Marker} {
				if at != nil {
					at.X, at.Y = put(at.X, at.Y, z)
				}
			}
			h := s.Head
			x, y := put(h.CX+h.DX, h.CY+h.DY, z)
			s.Head.CX, s.Head.CY = put(h.CX, h.CY, was)
			s.Head.DX, s.Head.DY = x-s.Head.CX, y-s.Head.CY
			c := s.Camera
			s.Camera.A, s.Camera.B = c.A/z, c.B/z
			mx, my := cx*(1-1/z), cy*(1-1/z)
			s.Camera.TX, s.Camera.TY = c.TX+c.A*mx-c.B*my, c.TY+c.B*mx+c.A*my
			was = z
		}
		r, err := Judge(tr, p.Given{HeightCM: 100 * q.Stature})
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]p.Measure{}
		for _, m := range r.Swings[0].Measures {
			if m.Value != nil && m.Unit == "cm" {
				out[fmt.Sprint(m.Key, m.From, m.At)] = m
			}
		}
		return out
	}
	still, zoomed := read(0), read(.04)
	if len(still) < 8 || len(zoomed) != len(still) {
		t.Fatalf("%d lengths without zoom, %d with", len(still), len(zoomed))
	}
	for k, m := range still {
		most := .3 + .01*math.Abs(*m.Value)
		if d := *zoomed[k].Value - *m.Value; math.Abs(d) > most {
			t.Errorf("%s: %.2f with zoom, %.2f without", k, *zoomed[k].Value, *m.Value)
		}
	}
}
