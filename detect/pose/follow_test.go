package pose

import (
	"testing"

	"tapeline/pipeline"
)

// fake plays the networks: look answers a region, detect the detector.
type fake struct {
	look    func(r pipeline.Region) Reading
	detect  func() []Person
	reads   int
	detects int
}

func (k *fake) ReadJittered(_ string, _ *pipeline.Frame, r pipeline.Region, _ int) (Reading, error) {
	k.reads++
	return k.look(r), nil
}

func (k *fake) DetectNear(*pipeline.Frame, pipeline.Point, float64) ([]Person, error) {
	k.detects++
	if k.detect == nil {
		return nil, nil
	}
	return k.detect(), nil
}

// at is a person standing 400 px tall around x, feet 60 px apart, all bones of
// the same length.
func at(x float64) Reading {
	p := Reading{Pose: pipeline.Pose{Score: .99, Region: pipeline.Region{CX: x, CY: 300, Size: 520}}, Next: pipeline.Region{CX: x, CY: 300, Size: 520}}
	for i := range p.Joints {
		side := 30.
		if i%2 == 0 {
			side = -30
		}
		p.Joints[i] = pipeline.Landmark{X: x + side, Y: 100 + 400*float64(i)/float64(pipeline.NumJoints), Score: .9}
	}
	for k, b := range bones {
		p.World[b.a].Y = -.2 * float64(k%2)
		p.World[b.b] = p.World[b.a]
		p.World[b.b].X += .4
	}
	return p
}

func step(t *testing.T, w *Follower, pts float64) *pipeline.Pose {
	t.Helper()
	p, err := w.Step(&pipeline.Frame{PTS: pts}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestFirstFrameIsReadOnItsOwnRegion(t *testing.T) {
	var sizes []float64
	k := &fake{look: func(r pipeline.Region) Reading {
		sizes = append(sizes, r.Size)
		p := at(100)
		p.Next.Size = r.Size + 10
		return p
	}}
	w := &Follower{nets: k, next: pipeline.Region{CX: 100, CY: 300, Size: 500}}
	step(t, w, 0)
	if len(sizes) != firstReads || sizes[1] != 510 || sizes[2] != 520 {
		t.Errorf("regions read: %v", sizes)
	}
	step(t, w, 1./60)
	if len(sizes) != firstReads+1 {
		t.Errorf("second frame read %d times", len(sizes)-firstReads)
	}
}

func TestJumpToAnotherPersonIsRefused(t *testing.T) {
	jumped := false
	k := &fake{}
	k.look = func(r pipeline.Region) Reading {
		if jumped {
			return at(600) // somebody else, wherever one looks
		}
		return at(r.CX + 2)
	}
	k.detect = func() []Person { return []Person{{Region: at(600).Next}} }
	w := &Follower{nets: k, next: at(100).Next}
	for i := range 5 {
		if step(t, w, float64(i)/30) == nil {
			t.Fatal("not followed")
		}
	}
	place := w.Region().CX
	jumped = true
	for i := 5; i < 10; i++ {
		if p := step(t, w, float64(i)/30); p != nil {
			t.Fatalf("followed somebody else at %.0f", p.Region.CX)
		}
	}
	if w.Lost() || w.Region().CX != place {
		t.Errorf("lost %v at %.0f after a sixth of a second, was at %.0f", w.Lost(), w.Region().CX, place)
	}
	// Back within patience: taken up again.
	jumped = false
	if step(t, w, 11./30) == nil {
		t.Error("not taken up again")
	}
	jumped = true
	for i := 12; i < 30; i++ {
		step(t, w, float64(i)/30)
	}
	if !w.Lost() {
		t.Error("half a second without the person and not lost")
	}
	n := k.reads
	if step(t, w, 2) != nil || k.reads != n {
		t.Error("a lost follower still looks")
	}
}

func TestDetectorFindsThePersonAgain(t *testing.T) {
	gone := false
	k := &fake{}
	k.look = func(r pipeline.Region) Reading {
		if gone && r.CX != 140 {
			return Reading{Pose: pipeline.Pose{Score: .1}}
		}
		return at(r.CX)
	}
	k.detect = func() []Person { return []Person{{Region: at(620).Next}, {Region: at(140).Next}} }
	w := &Follower{nets: k, next: at(100).Next}
	step(t, w, 0)
	gone = true
	if p := step(t, w, 1./30); p == nil || p.Region.CX != 140 {
		t.Errorf("got %+v", p)
	}
	if k.detects != 1 {
		t.Errorf("detector ran %d times", k.detects)
	}
}

func TestSizeJumpIsRefused(t *testing.T) {
	k := &fake{look: func(pipeline.Region) Reading { return at(100) }}
	w := &Follower{nets: k, next: at(100).Next}
	step(t, w, 0)
	k.look = func(pipeline.Region) Reading {
		p := at(100)
		p.Next.Size *= 1.8
		return p
	}
	if step(t, w, 1./60) != nil {
		t.Error("a body of nearly twice the size was taken for the same")
	}
}

func TestNobodyInTheFirstFrame(t *testing.T) {
	w := &Follower{nets: &fake{look: func(pipeline.Region) Reading { return Reading{} }}, next: at(1).Next}
	if step(t, w, 0) != nil || !w.Lost() {
		t.Error("followed nobody")
	}
}

func TestExchangedSidesAreRepaired(t *testing.T) {
	swap := false
	k := &fake{look: func(pipeline.Region) Reading {
		p := at(100)
		if swap {
			exchange(&p.Pose)
		}
		return p
	}}
	w := &Follower{nets: k, next: at(100).Next}
	want := at(100).Pose
	check := func(i int, swapped bool) {
		t.Helper()
		p := step(t, w, float64(i)/60)
		if p.Swapped != swapped || p.Joints != want.Joints || p.World != want.World {
			t.Errorf("frame %d: swapped %v, left knee at %v", i, p.Swapped, p.Joints[pipeline.LeftKnee])
		}
	}
	check(0, false)
	check(1, false)
	swap = true
	check(2, true)
	check(3, true)
	swap = false
	check(4, false)
}

func TestOnlyLegsTogetherTurnTheSides(t *testing.T) {
	var cross [][2]int
	k := &fake{look: func(pipeline.Region) Reading {
		p := at(100)
		for _, c := range cross {
			p.Joints[c[0]], p.Joints[c[1]] = p.Joints[c[1]], p.Joints[c[0]]
		}
		return p
	}}
	for _, c := range [][][2]int{
		{{pipeline.LeftKnee, pipeline.RightKnee}},
		{{pipeline.LeftAnkle, pipeline.RightAnkle}},
		{{pipeline.LeftShoulder, pipeline.RightShoulder}, {pipeline.LeftHip, pipeline.RightHip}},
	} {
		cross = nil
		w := &Follower{nets: k, next: at(100).Next}
		step(t, w, 0)
		cross = c
		if step(t, w, 1./60).Swapped {
			t.Errorf("%v turned the sides", c)
		}
	}
	// A tenth of a second is long enough for a step.
	cross = nil
	w := &Follower{nets: k, next: at(100).Next}
	step(t, w, 0)
	cross = pairs
	if step(t, w, .1).Swapped {
		t.Error("sides turned over a long gap")
	}
}

func TestUnlikelyBoneLowersScores(t *testing.T) {
	factor := 1.
	k := &fake{look: func(pipeline.Region) Reading {
		p := at(100)
		p.World[pipeline.LeftAnkle] = p.World[pipeline.LeftKnee]
		p.World[pipeline.LeftAnkle].Y += .4 * factor
		return p
	}}
	w := &Follower{nets: k, next: at(100).Next}
	for i := range boneMin {
		if s := step(t, w, float64(i)/60).Joints[pipeline.LeftAnkle].Score; s != .9 {
			t.Fatalf("frame %d: score %v", i, s)
		}
	}
	for _, c := range []struct{ factor, score float64 }{{1.5, .9}, {1.7, .45}, {.7, .9}, {.5, .45}, {1, .9}} {
		factor = c.factor
		p := step(t, w, w.seen+1./60)
		if got := p.Joints[pipeline.LeftToe].Score; got != c.score {
			t.Errorf("shank ×%v: toe score %v, want %v", c.factor, got, c.score)
		}
		if got := p.Joints[pipeline.RightToe].Score; got != .9 {
			t.Errorf("shank ×%v: right toe score %v", c.factor, got)
		}
	}
}
