package swing

import (
	"flag"
	"fmt"
	"math"
	"math/rand"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// fewerFrom numbers the first of the swings that are judged with all and with
// half their frames; any number will do.
var fewerFrom = flag.Int64("fewer-from", 1000, "first swing of TestFewerFramesDoNotSharpen")

func TestMain(m *testing.M) {
	flag.Parse()
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue && os.Getenv("RAPID_CHECKS") == "" {
		_ = f.Value.Set("25") // each check judges two swings; more by -rapid.checks
	}
	_ = flag.Set("rapid.nofailfile", "true")
	os.Exit(m.Run())
}

// mirrored flips the picture left to right; the person's left becomes right.
func mirrored(t p.Track) p.Track {
	W := float64(t.Clip.Width)
	swap := func(j int) int {
		switch {
		case j == p.Nose:
			return j
		case j >= 1 && j <= 3:
			return j + 3
		case j >= 4 && j <= 6:
			return j - 3
		case j%2 == 1:
			return j + 1
		}
		return j - 1
	}
	each(&t, func(s *p.Seen) {
		if s.Pose != nil {
			q := *s.Pose
			for j := range q.Joints {
				o := s.Pose.Joints[swap(j)]
				o.X = W - o.X
				q.Joints[j] = o
				w := s.Pose.World[swap(j)]
				w.X = -w.X
				q.World[j] = w
			}
			s.Pose = &q
		}
		// x' = A·x − B·y + TX with x → W − x on both sides.
		c := &s.Camera
		c.B, c.TX, c.GX, c.TY = -c.B, W-c.A*W-c.TX, -c.GX, c.TY+c.B*W
		s.Head.DX, s.Head.CX, s.Head.Rot = -s.Head.DX, W-s.Head.CX, -s.Head.Rot
		for _, q := range []**p.Point{&s.Marker, &s.BatAt, &s.Ball} {
			if *q != nil {
				*q = &p.Point{X: W - (*q).X, Y: (*q).Y}
			}
		}
	})
	for i := range t.Windows { // the copy that each made
		if o := t.Windows[i].Plate; o != nil {
			q := *o
			q.Middle.X, q.Yaw, q.Roll = W-o.Middle.X, -o.Yaw, -o.Roll
			t.Windows[i].Plate = &q
		}
	}
	if n := t.Given.Scale; n != nil {
		t.Given.Scale = &p.Span{From: p.Point{X: W - n.From.X, Y: n.From.Y}, To: p.Point{X: W - n.To.X, Y: n.To.Y}, CM: n.CM}
	}
	return t
}

// zoomed multiplies every pixel by k.
func zoomed(t p.Track, k float64) p.Track {
	t.Clip.Width, t.Clip.Height = int(math.Round(float64(t.Clip.Width)*k)), int(math.Round(float64(t.Clip.Height)*k))
	each(&t, func(s *p.Seen) {
		if s.Pose != nil {
			q := *s.Pose
			for j := range q.Joints {
				q.Joints[j].X *= k
				q.Joints[j].Y *= k
			}
			s.Pose = &q
		}
		c := &s.Camera
		c.TX, c.TY, c.GX, c.GY = k*c.TX, k*c.TY, k*c.GX, k*c.GY
		h := &s.Head
		h.DX, h.DY, h.CX, h.CY = k*h.DX, k*h.DY, k*h.CX, k*h.CY
		for _, q := range []**p.Point{&s.Marker, &s.BatAt, &s.Ball} {
			if *q != nil {
				*q = &p.Point{X: k * (*q).X, Y: k * (*q).Y}
			}
		}
	})
	for i := range t.Windows { // the copy that each made
		if o := t.Windows[i].Plate; o != nil {
			q := *o
			q.Middle, q.PxPerCM = p.Point{X: k * o.Middle.X, Y: k * o.Middle.Y}, k*o.PxPerCM
			t.Windows[i].Plate = &q
		}
	}
	if n := t.Given.Scale; n != nil {
		t.Given.Scale = &p.Span{From: p.Point{X: k * n.From.X, Y: k * n.From.Y}, To: p.Point{X: k * n.To.X, Y: k * n.To.Y}, CM: n.CM}
	}
	return t
}

// each applies f to a copy of every frame.
func each(t *p.Track, f func(*p.Seen)) {
	ws := append([]p.Window(nil), t.Windows...)
	for i := range ws {
		ws[i].Frames = append([]p.Seen(nil), ws[i].Frames...)
		for k := range ws[i].Frames {
			f(&ws[i].Frames[k])
		}
	}
	t.Windows = ws
}

func later(t p.Track, s float64) p.Track {
	t.Clip.PTS = append([]float64(nil), t.Clip.PTS...)
	for i := range t.Clip.PTS {
		t.Clip.PTS[i] += s
	}
	t.Onsets = append([]p.Onset(nil), t.Onsets...)
	for i := range t.Onsets {
		t.Onsets[i].T += s
	}
	each(&t, func(f *p.Seen) { f.PTS += s })
	for i := range t.Windows {
		t.Windows[i].Burst += s
		t.Windows[i].From += s
		t.Windows[i].To += s
	}
	return t
}

// halved keeps every second frame, joining what lay between.
func halved(t p.Track) p.Track {
	t.Clip.CaptureRate /= 2
	ws := append([]p.Window(nil), t.Windows...)
	for i := range ws {
		var out []p.Seen
		for k := 0; k < len(ws[i].Frames); k += 2 {
			f := ws[i].Frames[k]
			if k > 0 {
				g := ws[i].Frames[k-1].Head
				f.Head.DX, f.Head.DY, f.Head.Rot = f.Head.DX+g.DX, f.Head.DY+g.DY, f.Head.Rot+g.Rot
				f.Head.CX, f.Head.CY = g.CX, g.CY
				f.Energy += ws[i].Frames[k-1].Energy
			}
			out = append(out, f)
		}
		ws[i].Frames = out
	}
	t.Windows = ws
	return t
}

func judged(t *rapid.T, k p.Track) (p.Report, *p.Swing) {
	r, err := Judge(k, p.Given{HeightCM: 178})
	if err != nil {
		t.Fatal(err)
	}
	return r, r.Chosen()
}

// barely tells of a foot that its bounds are nearly too wide for a reading: a
// pixel's share of them is another in another size of the picture.
func barely(s *p.Swing, m p.Measure) bool {
	switch m.Key {
	case "back_foot_turn":
		return *m.Hi-*m.Lo > 55 || *m.Hi > 100
	case "front_foot_open":
		for _, o := range s.Measures {
			if m.From != "" && o.Key == m.Key && o.From == "" && o.Value != nil && *o.Hi-*o.Lo > 46 {
				return true
			}
		}
	}
	return false
}

// same compares the values of every measure.
func same(t *rapid.T, a, b *p.Swing, cm, deg float64) {
	if len(a.Measures) != len(b.Measures) {
		t.Fatalf("%d measures, then %d", len(a.Measures), len(b.Measures))
	}
	for i := range a.Measures {
		x, y := a.Measures[i], b.Measures[i]
		if (x.Value == nil) != (y.Value == nil) {
			there, in := x, a
			if x.Value == nil {
				there, in = y, b
			}
			if barely(in, there) {
				continue
			}
			t.Fatalf("%s %s %s: null in one of the two, in the other %v (%v to %v)", x.Key, x.From, x.At, *there.Value, *there.Lo, *there.Hi)
		}
		if x.Value == nil {
			continue
		}
		tol := map[string]float64{"cm": cm, "deg": deg, "ratio": cm / 20, "s": .01, "pct_height": cm}[x.Unit]
		if math.Abs(*x.Value-*y.Value) > tol {
			t.Fatalf("%s %s %s: %v, then %v", x.Key, x.From, x.At, *x.Value, *y.Value)
		}
	}
}

func draw(t *rapid.T) p.Track {
	name := rapid.SampledFrom([]string{"open_faults", "open_clean", "front_left"}).Draw(t, "clip")
	tr := truths[name]
	k := simulate(tr, rapid.Float64Range(0, 2).Draw(t, "noise"), rapid.Int64Range(1, 1000).Draw(t, "seed"))
	if rapid.Bool().Draw(t, "marker") {
		k = marked(k, func(float64) bool { return false })
	}
	if px := rapid.Float64Range(0, 200).Draw(t, "named length"); px > 100 {
		k.Given.Scale = &p.Span{From: p.Point{X: 20, Y: 30}, To: p.Point{X: 20 + px, Y: 40}, CM: 84}
	}
	contact, way := tr.Phases["contact"].T, rapid.SampledFrom([]float64{-1, 1}).Draw(t, "way")
	bat, ball, plate := rapid.Bool().Draw(t, "bat"), rapid.Bool().Draw(t, "ball"), rapid.Bool().Draw(t, "plate")
	if bat || ball {
		k.Onsets = nil
	}
	var feet *p.PlateSeen
	each(&k, func(s *p.Seen) {
		if s.Pose == nil {
			return
		}
		hands, tall, since := s.Pose.Mean(p.LeftWrist, p.RightWrist), s.Pose.Height(), s.PTS-contact
		if bat && math.Abs(since) < .12 {
			s.BatAt = &p.Point{X: hands.X + way*2*tall*since, Y: hands.Y}
		}
		if ball && math.Abs(since) < .08 {
			s.Ball = &p.Point{X: hands.X + way*4*tall*math.Abs(since), Y: hands.Y + tall*since}
		}
		if feet == nil {
			at := s.Pose.Mean(p.LeftHeel, p.RightHeel, p.LeftToe, p.RightToe)
			feet = &p.PlateSeen{Middle: p.Point{X: at.X + .1*tall, Y: at.Y + .15*tall}, PxPerCM: tall / 160, Pitch: 6, Roll: 1, ScaleSD: .005, PitchSD: 1}
		}
	})
	if plate && feet != nil {
		feet.Yaw = rapid.SampledFrom([]float64{-90, 0, 90, 180}).Draw(t, "yaw")
		k.Windows[0].Plate = feet
	}
	return k
}

var truths = map[string]*truth{}

func withTruths(t *testing.T) {
	for _, n := range []string{"open_faults", "open_clean", "front_left"} {
		truths[n] = loadTruth(t, n)
	}
}

func TestMirrorChangesOnlyTheSide(t *testing.T) {
	withTruths(t)
	rapid.Check(t, func(t *rapid.T) {
		k := draw(t)
		ra, a := judged(t, k)
		rb, b := judged(t, mirrored(k))
		if ra.Batter.Bats == rb.Batter.Bats || ra.Batter.View != rb.Batter.View {
			t.Fatalf("%s %s, mirrored %s %s", ra.Batter.Bats, ra.Batter.View, rb.Batter.Bats, rb.Batter.View)
		}
		same(t, a, b, .02, .6)
	})
}

func TestCentimetresSurviveAnyZoom(t *testing.T) {
	withTruths(t)
	rapid.Check(t, func(t *rapid.T) {
		k := draw(t)
		_, a := judged(t, k)
		// Even factors keep the whole-pixel size of the picture exact.
		_, b := judged(t, zoomed(k, float64(rapid.SampledFrom([]int{2, 3, 4}).Draw(t, "zoom"))))
		same(t, a, b, .02, .6)
	})
}

func TestTimeShiftChangesNothing(t *testing.T) {
	withTruths(t)
	rapid.Check(t, func(t *rapid.T) {
		k := draw(t)
		s := rapid.Float64Range(0, 3000).Draw(t, "later")
		_, a := judged(t, k)
		_, b := judged(t, later(k, s))
		same(t, a, b, .02, .6)
		for i := range a.Events {
			x, y := a.Events[i], b.Events[i]
			if (x.T == nil) != (y.T == nil) || x.T != nil && math.Abs(*x.T+s-*y.T) > 2e-4 {
				t.Fatalf("%s did not move with the clock", x.Kind)
			}
		}
	})
}

// Half the frames know less. Of one swing a bound may still come out narrower,
// since a part of it follows how far two ways of measuring happen to differ; so
// the widths are compared over many swings, each with itself: no measure may be
// surely narrower (99.9 % one-sided, and by more than a hundredth), nor all
// together.
func TestFewerFramesDoNotSharpen(t *testing.T) {
	if testing.Short() {
		t.Skip("judges many swings")
	}
	const swings = 60
	logs := map[string][]float64{}
	for i, found := 0, 0; found < swings; i++ {
		rng := rand.New(rand.NewSource(*fewerFrom + int64(i)))
		q := sim.Random(rng)
		if q.Act != sim.FullSwing {
			continue
		}
		q.FPS = 60
		k := sim.Track(sim.Swing(q), sim.Measured(), rng)
		given := p.Given{HeightCM: 100 * q.Stature, Bats: q.Bats, View: q.View}
		ra, err := Judge(k, given)
		if err != nil {
			continue
		}
		found++
		rb, err := Judge(halved(k), given)
		if err != nil {
			continue // it may say that it can't tell
		}
		a, b := ra.Chosen(), rb.Chosen()
		for _, kind := range []p.EventKind{p.Plant, p.Contact} {
			if x, y := a.Event(kind), b.Event(kind); x.T != nil && y.T != nil && x.Reason == y.Reason {
				logs[string(kind)] = append(logs[string(kind)], math.Log((*y.Hi-*y.Lo)/(*x.Hi-*x.Lo)))
			}
		}
		for i := range a.Measures {
			x := &a.Measures[i]
			y := b.Measure(x.Key, x.From, x.At)
			// A bound that is open for a reason (x.Warnings) may close where
			// the reason is not met: that is another statement.
			if x.Value == nil || y == nil || y.Value == nil || *x.Hi == *x.Lo || *y.Hi == *y.Lo || !slices.Equal(x.Warnings, y.Warnings) {
				continue
			}
			id := fmt.Sprint(x.Key, " ", x.From, " ", x.At)
			logs[id] = append(logs[id], math.Log((*y.Hi-*y.Lo)/(*x.Hi-*x.Lo)))
		}
	}
	var all []float64
	for id, v := range logs {
		m, se := mean(v), 0.0
		for _, x := range v {
			se += (x - m) * (x - m)
		}
		se = math.Sqrt(se) / float64(max(len(v)-1, 1))
		t.Logf("%s: %+.3f ± %.3f of %d", id, m, se, len(v))
		all = append(all, m)
		if len(v) >= 10 && !(m+3.09*se >= -.01) {
			t.Errorf("%s: with half the frames %.3f as wide (%d swings)", id, math.Exp(m), len(v))
		}
	}
	if m := mean(all); !(m >= 0) {
		t.Errorf("with half the frames the bounds are %.3f as wide", math.Exp(m))
	}
}
