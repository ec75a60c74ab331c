package pipeline

import "math"

// Limb is a part of a body as a thick line: all points within R of the way
// from A to B, pixels.
type Limb struct {
	A, B Point
	R    float64
}

// Silhouette is about where a body is in the picture: what lies inside is the
// body, what lies outside may still be cloth, bat or hair.
type Silhouette []Limb

// Thickness of the parts over standing height: half the breadth of head .130·¾,
// and of limbs and trunk in ordinary clothes (judged on rendered batters).
const (
	headR  = .075
	trunkR = .085
	thighR = .055
	shankR = .04
	armR   = .035
	footR  = .03
)

// Silhouette of a pose, in the pixels of its joints.
func (p *Pose) Silhouette() Silhouette {
	h := p.Height()
	at := func(j int) Point { return Point{p.Joints[j].X, p.Joints[j].Y} }
	limb := func(a, b int, r float64) Limb { return Limb{at(a), at(b), r * h} }
	ears, neck, hips := p.Mean(LeftEar, RightEar), p.Mean(LeftShoulder, RightShoulder), p.Mean(LeftHip, RightHip)
	up := Point{ears.X + (ears.X-neck.X)*.35, ears.Y + (ears.Y-neck.Y)*.35} // to the crown of a helmet
	return Silhouette{
		{up, ears, headR * h}, {at(Nose), ears, headR * h}, {ears, neck, armR * h},
		limb(LeftShoulder, RightShoulder, armR*1.4), limb(LeftHip, RightHip, thighR),
		limb(LeftShoulder, LeftHip, armR*1.6), limb(RightShoulder, RightHip, armR*1.6), {neck, hips, trunkR * h},
		limb(LeftShoulder, LeftElbow, armR), limb(LeftElbow, LeftWrist, armR), limb(LeftWrist, LeftIndex, armR),
		limb(RightShoulder, RightElbow, armR), limb(RightElbow, RightWrist, armR), limb(RightWrist, RightIndex, armR),
		limb(LeftHip, LeftKnee, thighR), limb(LeftKnee, LeftAnkle, shankR), limb(LeftHeel, LeftToe, footR), limb(LeftAnkle, LeftHeel, footR),
		limb(RightHip, RightKnee, thighR), limb(RightKnee, RightAnkle, shankR), limb(RightHeel, RightToe, footR), limb(RightAnkle, RightHeel, footR),
	}
}

// Holds tells whether p lies inside, or no further outside than grow pixels.
func (s Silhouette) Holds(p Point, grow float64) bool {
	for _, l := range s {
		if l.away(p) <= l.R+grow {
			return true
		}
	}
	return false
}

// away is the distance from p to the limb's middle line.
func (l Limb) away(p Point) float64 {
	dx, dy := l.B.X-l.A.X, l.B.Y-l.A.Y
	t := 0.
	if d := dx*dx + dy*dy; d > 0 {
		t = min(1, max(0, ((p.X-l.A.X)*dx+(p.Y-l.A.Y)*dy)/d))
	}
	return math.Hypot(p.X-l.A.X-t*dx, p.Y-l.A.Y-t*dy)
}

// Box is x0, y0, x1, y1 around it; zeros around nothing.
func (s Silhouette) Box() (b [4]float64) {
	for i, l := range s {
		c := [4]float64{min(l.A.X, l.B.X) - l.R, min(l.A.Y, l.B.Y) - l.R, max(l.A.X, l.B.X) + l.R, max(l.A.Y, l.B.Y) + l.R}
		if i == 0 {
			b = c
		}
		b = [4]float64{min(b[0], c[0]), min(b[1], c[1]), max(b[2], c[2]), max(b[3], c[3])}
	}
	return b
}

// Moved is it moved by d.
func (s Silhouette) Moved(d Point) Silhouette {
	out := make(Silhouette, len(s))
	for i, l := range s {
		out[i] = Limb{Point{l.A.X + d.X, l.A.Y + d.Y}, Point{l.B.X + d.X, l.B.Y + d.Y}, l.R}
	}
	return out
}
