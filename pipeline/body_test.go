package pipeline

import (
	"math"
	"testing"
)

// A figure drawn with the segment lengths of Drillis & Contini 1966 (thigh
// .245, shank .246, shoulder to hip .288 of stature) is as tall as drawn.
func TestHeightOfADrawnFigure(t *testing.T) {
	var p Pose
	put := func(j int, up float64) { p.Joints[j] = Landmark{X: 100, Y: 500 - up*400} }
	for _, side := range []int{0, 1} {
		put(LeftAnkle+side, .039)
		put(LeftKnee+side, .285)
		put(LeftHip+side, .530)
		put(LeftShoulder+side, .818)
	}
	if h := p.Height(); math.Abs(h-400) > 1e-9 {
		t.Errorf("height %g, want 400", h)
	}
	p.Joints[LeftKnee].X += 30 // a bent knee looks longer, never shorter, from its own side
	if h := p.Height(); h < 400 {
		t.Errorf("height %g with one knee bent sideways", h)
	}
	p.Joints[RightKnee] = p.Joints[RightHip] // a leg that points at the camera doesn't count
	if h := p.Height(); h < 380 {
		t.Errorf("height %g with one leg foreshortened", h)
	}
}

func TestMeanOfJoints(t *testing.T) {
	var p Pose
	p.Joints[LeftHip], p.Joints[RightHip] = Landmark{X: 1, Y: 2}, Landmark{X: 5, Y: 4}
	if m := p.Mean(LeftHip, RightHip); m != (Point{3, 3}) {
		t.Error(m)
	}
}
