package camera

import (
	"math"

	"tapeline/pipeline"
)

// Body is the outline of one pose as thick bones: a rough mask of the person.
type Body struct {
	bones []bone
	trunk [4]pipeline.Point
}

type bone struct {
	a, b   pipeline.Point
	r      float64
	lo, hi pipeline.Point // corners around it: most points are outside
}

// NewBody makes the outline in pixels of a picture in which one pixel is scale
// pixels of the full-size one. grow widens every bone, body heights.
func NewBody(p *pipeline.Pose, scale, grow float64) Body {
	h := p.Height() / scale
	at := func(j int) pipeline.Point {
		return pipeline.Point{X: p.Joints[j].X / scale, Y: p.Joints[j].Y / scale}
	}
	var b Body
	add := func(r float64, js ...int) {
		for i := 1; i < len(js); i++ {
			b.bones = append(b.bones, newBone(at(js[i-1]), at(js[i]), (r+grow)*h))
		}
	}
	// Half widths of the clothed body, body heights: judged by eye, generous.
	const arm, leg, foot, head = .045, .065, .045, .085
	add(arm, pipeline.LeftShoulder, pipeline.LeftElbow, pipeline.LeftWrist, pipeline.LeftIndex)
	add(arm, pipeline.RightShoulder, pipeline.RightElbow, pipeline.RightWrist, pipeline.RightIndex)
	add(leg, pipeline.LeftShoulder, pipeline.LeftHip, pipeline.LeftKnee, pipeline.LeftAnkle)
	add(leg, pipeline.RightShoulder, pipeline.RightHip, pipeline.RightKnee, pipeline.RightAnkle)
	add(leg, pipeline.LeftShoulder, pipeline.RightShoulder)
	add(leg, pipeline.LeftHip, pipeline.RightHip)
	add(foot, pipeline.LeftAnkle, pipeline.LeftHeel, pipeline.LeftToe)
	add(foot, pipeline.RightAnkle, pipeline.RightHeel, pipeline.RightToe)
	add(head, pipeline.LeftEar, pipeline.Nose, pipeline.RightEar)
	b.trunk = [4]pipeline.Point{at(pipeline.LeftShoulder), at(pipeline.RightShoulder), at(pipeline.RightHip), at(pipeline.LeftHip)}
	return b
}

// Has tells whether a point of the same picture lies on the person.
func (b *Body) Has(x, y float64) bool {
	for i := range b.bones {
		if b.bones[i].near(x, y) {
			return true
		}
	}
	in := false // even–odd rule
	for i, j := 0, 3; i < 4; j, i = i, i+1 {
		p, q := b.trunk[i], b.trunk[j]
		if (p.Y > y) != (q.Y > y) && x < (q.X-p.X)*(y-p.Y)/(q.Y-p.Y)+p.X {
			in = !in
		}
	}
	return in
}

func newBone(a, b pipeline.Point, r float64) bone {
	return bone{a, b, r,
		pipeline.Point{X: math.Min(a.X, b.X) - r, Y: math.Min(a.Y, b.Y) - r}, pipeline.Point{X: math.Max(a.X, b.X) + r, Y: math.Max(a.Y, b.Y) + r}}
}

func (s *bone) near(x, y float64) bool {
	if x < s.lo.X || x > s.hi.X || y < s.lo.Y || y > s.hi.Y {
		return false
	}
	dx, dy := s.b.X-s.a.X, s.b.Y-s.a.Y
	t := 0.0
	if d := dx*dx + dy*dy; d > 0 {
		t = math.Min(1, math.Max(0, ((x-s.a.X)*dx+(y-s.a.Y)*dy)/d))
	}
	ex, ey := x-s.a.X-t*dx, y-s.a.Y-t*dy
	return ex*ex+ey*ey <= s.r*s.r
}

// Hands is the middle of wrists and knuckles, full-size pixels.
func Hands(p *pipeline.Pose) pipeline.Point {
	return p.Mean(pipeline.LeftWrist, pipeline.RightWrist, pipeline.LeftIndex, pipeline.RightIndex)
}
