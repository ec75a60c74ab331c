package sim

import (
	"bytes"
	"math"
	"math/rand"
	"testing"

	p "tapeline/pipeline"
)

// Without errors the track is the truth.
func TestPerfectTrackIsTheTruth(t *testing.T) {
	rng := rand.New(rand.NewSource(5))
	for range 10 {
		q := Random(rng)
		q.Act, q.FPS, q.WalkIn = FullSwing, 60, 0
		tr := Swing(q)
		w := Track(tr, Perfect(), rng).Windows[0]
		key := &tr.Frames[w.Key]
		at := p.Point{}
		for i, s := range w.Frames {
			f := &tr.Frames[s.Index]
			for j, l := range s.Pose.Joints {
				if math.Hypot(l.X-f.Px[j].X, l.Y-f.Px[j].Y) > 1e-9 {
					t.Fatalf("frame %d, landmark %d", i, j)
				}
			}
			a, b := vec(f.Joints[p.LeftKnee]), vec(f.Joints[p.RightToe])
			x, y := s.Pose.World[p.LeftKnee], s.Pose.World[p.RightToe]
			if math.Abs(vec{x.X - y.X, x.Y - y.Y, x.Z - y.Z}.norm()-a.sub(b).norm()) > 1e-9 {
				t.Fatalf("frame %d: world points are another body's", i)
			}
			// The camera carries the eyes into the key frame.
			e, _ := f.Camera.Project(f.eyeMid())
			want, _ := key.Camera.Project(f.eyeMid())
			if got := s.Camera.Apply(e); math.Hypot(got.X-want.X, got.Y-want.Y) > 1e-6 {
				t.Fatalf("frame %d: camera maps the eyes to %v; want %v", i, got, want)
			}
			// The head's steps, added up, follow the eyes.
			if i == 0 {
				at = e
				continue
			}
			at = p.Point{X: at.X + s.Head.DX - s.Head.Rot*(at.Y-s.Head.CY), Y: at.Y + s.Head.DY + s.Head.Rot*(at.X-s.Head.CX)}
			if math.Hypot(at.X-e.X, at.Y-e.Y) > .5 {
				t.Fatalf("frame %d: steps lead to %v, eyes at %v", i, at, e)
			}
		}
	}
}

// Errors lie where they were measured: over many draws the mean error of a
// landmark is the table's with the foot's shape, toward the pitcher for either hand.
func TestErrorsAreThoseOfTheTable(t *testing.T) {
	for _, bats := range []p.Side{p.BatsRight, p.BatsLeft} {
		q := Usual()
		q.Bats, q.Shake = bats, 0
		tr := Swing(q)
		e := Measured()
		e.HiddenWrist, e.Swap = 0, 0
		toe, right := p.LeftToe, 1.0
		if bats == p.BatsLeft {
			toe, right = p.RightToe, -1
		}
		f := 60 // plant
		var sum, sq [2]float64
		const n = 300
		for i := range n {
			w := Track(tr, e, rand.New(rand.NewSource(int64(i)))).Windows[0]
			l := w.Frames[f].Pose.Joints[toe]
			px := q.camera(newShaker(0, 0), 0).F / vec(tr.Frames[f].Camera.Pos).sub(tr.Frames[f].Joints[toe]).dot(tr.Frames[f].Camera.Axes[2]) / 100
			d := [2]float64{(l.X - tr.Frames[f].Px[toe].X) / px * right, (l.Y - tr.Frames[f].Px[toe].Y) / px}
			for c := range d {
				sum[c] += d[c] / n
				sq[c] += d[c] * d[c] / n
			}
		}
		want, g := table.Views[p.ViewChest].Px[p.LeftToe][2], table.Groups["toes"]
		shape := table.Views[p.ViewChest].Foot
		heel := tr.Frames[f].Px[toe-2]
		px := q.camera(newShaker(0, 0), 0).F / vec(tr.Frames[f].Camera.Pos).sub(tr.Frames[f].Joints[toe]).dot(tr.Frames[f].Camera.Axes[2]) / 100
		want[0] += (shape[0] - 1) * (tr.Frames[f].Px[toe].X - heel.X) / 2 / px * right
		want[1] += (shape[1] - 1) * (tr.Frames[f].Px[toe].Y - heel.Y) / 2 / px
		for c := range sum {
			sd := math.Sqrt(sq[c] - sum[c]*sum[c])
			all := math.Hypot(math.Hypot(g.Clip[c], g.Phase[c]), g.Still)
			if math.Abs(sum[c]-want[c]) > 4*sd/math.Sqrt(n) {
				t.Errorf("%s, axis %d: mean %.2f cm; the table has %.2f", bats, c, sum[c], want[c])
			}
			if sd < .7*all || sd > 1.3*all {
				t.Errorf("%s, axis %d: scatter %.2f cm; measured about %.2f", bats, c, sd, all)
			}
		}
	}
}

// A track is the same each time it is made, and survives its file.
func TestTrackRepeats(t *testing.T) {
	make := func() []byte {
		rng := rand.New(rand.NewSource(9))
		b, err := p.MarshalTrack(Track(Swing(Random(rng)), Measured(), rng))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	a, b := make(), make()
	if !bytes.Equal(a, b) {
		t.Error("two tracks of one seed differ")
	}
	if _, err := p.ParseTrack(a); err != nil {
		t.Error(err)
	}
}

// Who only waggles, or stands, is no window to the scan.
func TestBurst(t *testing.T) {
	rng := rand.New(rand.NewSource(6))
	var swings, waggles []float64
	for range 60 {
		q := Random(rng)
		_, v, _ := Swing(q).burst()
		switch q.Act {
		case FullSwing:
			swings = append(swings, v)
			if v < 1.7 {
				t.Errorf("a swing's hands make %.2f heights a second\n%+v", v, q)
			}
		case Waggle:
			waggles = append(waggles, v)
			if v > 1.7 {
				t.Errorf("a waggle's hands make %.2f heights a second", v)
			}
		}
	}
	t.Log(swings, waggles)
}

// What sweeps hide or shrink is worse seen than without it, and nothing else is.
func TestHiddenPartsAreWorseSeen(t *testing.T) {
	frames := 0.0
	off := func(e Errors, joints ...int) (sum float64) {
		frames = 0
		q := Usual()
		q.Width, q.Height = 480, 270
		tr := Swing(q)
		for _, s := range Track(tr, e, rand.New(rand.NewSource(3))).Windows[0].Frames {
			frames++
			for _, j := range joints {
				f := tr.Frames[s.Index].Px[j]
				sum += math.Hypot(s.Pose.Joints[j].X-f.X, s.Pose.Joints[j].Y-f.Y)
			}
		}
		return sum
	}
	good, grain := Measured(), Perfect()
	foot, face := good, good
	grain.Grain, foot.HiddenFoot, face.HiddenFace = 3, true, true
	if a := off(grain, p.LeftHip) / frames; math.Abs(a-3*math.Sqrt(math.Pi/2)) > .5 { // mean of a Rayleigh distribution
		t.Errorf("grain of 3 pixels puts a hip off by %.2f", a)
	}
	if a, b := off(good, p.LeftToe), off(foot, p.LeftToe); b < 1.5*a {
		t.Errorf("front toe off by %.0f, hidden %.0f", a, b)
	}
	if a, b := off(good, p.LeftKnee), off(foot, p.LeftKnee); math.Abs(a-b) > .3*a {
		t.Errorf("the knee of a hidden foot: %.0f, then %.0f", a, b)
	}
	if a, b := off(good, p.LeftEye), off(face, p.LeftEye); b < 1.2*a {
		t.Errorf("left eye off by %.0f, face hidden %.0f", a, b)
	}
}
