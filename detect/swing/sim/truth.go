package sim

import (
	"math"
	"math/rand"

	p "tapeline/pipeline"
)

// Camera is a pinhole: rows of Axes point right, up and back (away from what
// is looked at), Pos is its place, F its focal length in pixels.
type Camera struct {
	Axes [3][3]float64 `json:"axes"`
	Pos  [3]float64    `json:"pos"`
	F    float64       `json:"f"`
	CX   float64       `json:"cx"`
	CY   float64       `json:"cy"`
}

// Project gives the pixel of a place in the world and its depth, metres.
func (c Camera) Project(w [3]float64) (p.Point, float64) {
	q := mat{c.Axes[0], c.Axes[1], c.Axes[2]}.v(vec(w).sub(c.Pos))
	return p.Point{X: c.CX + c.F*q[0]/-q[2], Y: c.CY - c.F*q[1]/-q[2]}, -q[2]
}

// Frame is where everything is at time T.
type Frame struct {
	T      float64                 `json:"t"`
	Joints [p.NumJoints][3]float64 `json:"xyz"` // metres
	Px     [p.NumJoints]p.Point    `json:"px"`
	Knob   [3]float64              `json:"knob"`
	Tip    [3]float64              `json:"tip"`
	Camera Camera                  `json:"camera"`
	// Yaw of the feet, degrees: 0 square, 90 toe at the pitcher.
	FrontYaw float64 `json:"front_yaw"`
	BackYaw  float64 `json:"back_yaw"`

	head  vec // the skull's joint and its turn carry the points flow follows
	turn  mat
	short float64
}

// Key addresses a measure as a report does.
type Key struct {
	Key      string      `json:"key"`
	From, At p.EventKind `json:",omitempty"`
}

// Truth is a swing in which everything is known. Phases lacks what did not
// happen: the plant of who never lifts the foot, everything of who never
// swings. Measures are in the report's units, cm where a report has cm.
type Truth struct {
	Params   Params                  `json:"params"`
	Frames   []Frame                 `json:"frames"`
	Phases   map[p.EventKind]float64 `json:"phases"`
	Still    [2]float64              `json:"still"` // the stance, from and to
	Measures map[Key]float64         `json:"-"`
	b        *batter
}

// Swung: a full swing, which must be found; the rest must not.
func (t *Truth) Swung() bool { return t.Params.Act == FullSwing }

// SideOn: the camera looks across the line to the pitcher.
func (t *Truth) SideOn() bool {
	return t.Params.View == p.ViewChest || t.Params.View == p.ViewBack
}

// shaker is a hand that holds a phone: three sines an axis, slow to fast, in
// the sizes of a held phone (common practice, no source).
type shaker struct {
	f, ph [6][3]float64
	k     float64
}

func newShaker(k float64, seed int64) *shaker {
	rng := rand.New(rand.NewSource(seed))
	s := &shaker{k: k}
	for i := range s.f {
		s.f[i] = [3]float64{.4 + .8*rng.Float64(), 1.5 + 2*rng.Float64(), 5 + 4*rng.Float64()}
		for j := range s.ph[i] {
			s.ph[i][j] = 2 * math.Pi * rng.Float64()
		}
	}
	return s
}

func (s *shaker) at(i int, t float64) float64 {
	v := 0.0
	for j, a := range [3]float64{1, .35, .12} {
		v += a * math.Sin(2*math.Pi*s.f[i][j]*t+s.ph[i][j])
	}
	return s.k * v
}

// camera at time t.
func (q Params) camera(s *shaker, t float64) Camera {
	sgn := 1.0
	if q.Bats == p.BatsLeft {
		sgn = -1
	}
	to := map[p.View]vec{p.ViewChest: {0, -sgn, 0}, p.ViewBack: {0, sgn, 0}, p.ViewPitcher: {1, 0, 0}, p.ViewCatcher: {-1, 0, 0}}[q.View]
	centre := vec{.03, .72 * sgn, 0}
	pos := centre.add(rotZ(q.YawOff).v(to).mul(q.Distance)).add(vec{.007 * s.at(0, t), .007 * s.at(1, t), q.CamHeight + .007*s.at(2, t)})
	back := pos.sub(centre.add(vec{0, 0, q.Target})).unit()
	x := vec{0, 0, 1}.cross(back).unit()
	look := mat{x, back.cross(x), back}
	small := rotX(degrees(.0026 * s.at(3, t))).m(rotY(degrees(.0026 * s.at(4, t)))).m(rotZ(degrees(.004 * s.at(5, t))))
	look = small.t().m(look)
	long := math.Max(float64(q.Width), float64(q.Height))
	return Camera{Axes: [3][3]float64{look[0], look[1], look[2]}, Pos: pos,
		F: long / 2 / math.Tan(q.FOV/2*math.Pi/180), CX: float64(q.Width) / 2, CY: float64(q.Height) / 2}
}

// at is the frame at any time; the clip's frames are at multiples of 1/FPS.
func (t *Truth) at(s *shaker, when float64) Frame {
	o := t.b.pose(when)
	if t.Params.Bats == p.BatsLeft {
		o = o.mirrored()
	}
	f := Frame{T: when, Knob: o.knob, Tip: o.tip, Camera: t.Params.camera(s, when), FrontYaw: o.frontYaw, BackYaw: o.backYaw, head: o.head, turn: o.turn, short: o.short}
	f.Joints[p.Nose] = o.nose
	out := o.turn.v(vec{1, 0, 0}).mul(.014 * t.b.size) // along the eyes' line, to the left
	for n, at := range [2][15]int{
		{p.LeftShoulder, p.LeftElbow, p.LeftWrist, p.LeftThumb, p.LeftIndex, p.LeftPinky, p.LeftHip, p.LeftKnee, p.LeftAnkle, p.LeftHeel, p.LeftToe, p.LeftEar, p.MouthLeft, p.LeftEye, p.LeftEyeInner},
		{p.RightShoulder, p.RightElbow, p.RightWrist, p.RightThumb, p.RightIndex, p.RightPinky, p.RightHip, p.RightKnee, p.RightAnkle, p.RightHeel, p.RightToe, p.RightEar, p.MouthRight, p.RightEye, p.RightEyeInner},
	} {
		for i, v := range []vec{o.shoulder[n], o.elbow[n], o.wrist[n], o.thumb[n], o.index[n], o.pinky[n], o.hip[n], o.knee[n], o.ankle[n], o.heel[n], o.toe[n], o.ear[n], o.mouth[n], o.eye[n]} {
			f.Joints[at[i]] = v
		}
		side := 1 - 2*float64(n)
		f.Joints[at[14]] = o.eye[n].add(out.mul(-side))
		f.Joints[at[14]+2] = o.eye[n].add(out.mul(side))
	}
	for j := range f.Joints {
		f.Px[j], _ = f.Camera.Project(f.Joints[j])
	}
	return f
}

// Swing moves the batter. The same Params give the same Truth.
func Swing(q Params) *Truth {
	t := &Truth{Params: q, b: newBatter(q), Phases: map[p.EventKind]float64{}}
	s := newShaker(q.Shake, q.Seed)
	n := int(math.Round(q.duration()*q.FPS)) + 1
	for i := range n {
		t.Frames = append(t.Frames, t.at(s, float64(i)/q.FPS))
	}
	t.Still = [2]float64{math.Max(q.WalkIn+math.Min(.2, q.WalkIn), q.loadAt()-.5), q.loadAt()}
	if t.Swung() {
		t.Phases[p.Stance] = (t.Still[0] + t.Still[1]) / 2
		t.Phases[p.Load] = q.loadAt()
		if q.Step != NoStep {
			t.Phases[p.Plant] = q.plantAt()
		}
		t.Phases[p.Contact] = q.contactAt()
		t.Phases[p.Extension] = t.longest(s, q.contactAt())
		t.Phases[p.Finish] = q.finishAt()
		t.measure(s)
	}
	return t
}

// longest is when within .15 s after contact both arms, shoulder to wrist, are
// longest.
func (t *Truth) longest(s *shaker, contact float64) (at float64) {
	most := 0.0
	for w := contact; w <= contact+.15; w += .002 {
		f := t.at(s, w)
		arms := vec(f.Joints[p.LeftShoulder]).sub(f.Joints[p.LeftWrist]).norm() + vec(f.Joints[p.RightShoulder]).sub(f.Joints[p.RightWrist]).norm()
		if arms > most {
			at, most = w, arms
		}
	}
	return at
}

// flexion is 180° less the angle a–b–c.
func flexion(a, b, c vec) float64 {
	u, v := a.sub(b), c.sub(b)
	return 180 - degrees(math.Acos(u.dot(v)/u.norm()/v.norm()))
}

// sides are the landmark numbers of the front and back side.
type sides struct{ shoulder, hip, knee, ankle, heel, toe int }

func (q Params) frontBack() (front, back sides) {
	l := sides{p.LeftShoulder, p.LeftHip, p.LeftKnee, p.LeftAnkle, p.LeftHeel, p.LeftToe}
	r := sides{p.RightShoulder, p.RightHip, p.RightKnee, p.RightAnkle, p.RightHeel, p.RightToe}
	if q.Bats == p.BatsLeft {
		return r, l
	}
	return l, r
}

// measure fills the true value of every measure, by the report's definitions.
func (t *Truth) measure(s *shaker) {
	q := t.Params
	fr, bk := q.frontBack()
	cm := func(f *Frame, js ...int) (v vec) {
		for _, j := range js {
			v = v.add(vec(f.Joints[j]).mul(100 / float64(len(js))))
		}
		return v
	}
	eyes := func(f *Frame) vec { return cm(f, p.LeftEye, p.RightEye) }
	ears := func(f *Frame) vec { return cm(f, p.LeftEar, p.RightEar) }
	at := func(when float64) *Frame { f := t.at(s, when); return &f }
	const dt = .01
	// The stance is the mean over its still interval.
	var eye0, ear0, hands, shoulder, foot0 vec
	n := 0.0
	for w := t.Still[0]; w <= t.Still[1]+1e-9; w += dt {
		f := at(w)
		eye0, ear0 = eye0.add(eyes(f)), ear0.add(ears(f))
		hands, shoulder = hands.add(cm(f, p.LeftWrist, p.RightWrist)), shoulder.add(cm(f, bk.shoulder))
		foot0 = foot0.add(cm(f, fr.ankle, fr.heel, fr.toe))
		n++
	}
	eye0, ear0, hands, shoulder, foot0 = eye0.mul(1/n), ear0.mul(1/n), hands.mul(1/n), shoulder.mul(1/n), foot0.mul(1/n)
	mid := at((t.Still[0] + t.Still[1]) / 2)
	m := map[Key]float64{}
	t.Measures = m
	const S, P, C, F = p.Stance, p.Plant, p.Contact, p.Finish
	tc, tf := t.Phases[C], t.Phases[F]
	tp, planted := t.Phases[P]
	c, fin := at(tc), at(tf)

	for k, f := range map[p.EventKind]*Frame{P: at(tp), C: c, F: fin} {
		if k == P && !planted {
			continue
		}
		m[Key{"eye_drop", S, k}] = eye0[2] - eyes(f)[2]
		m[Key{"head_drop", S, k}] = ear0[2] - ears(f)[2]
	}
	m[Key{"start_lower", "", S}] = m[Key{"head_drop", S, C}] / 2 // null where it isn't the cure
	m[Key{"eye_forward", S, C}] = eyes(c)[0] - eye0[0]
	m[Key{"front_foot_open", "", C}] = c.FrontYaw
	if planted {
		f := at(tp)
		m[Key{"eye_forward", S, P}] = eyes(f)[0] - eye0[0]
		m[Key{"eye_forward", P, C}] = eyes(c)[0] - eyes(f)[0]
		m[Key{"front_foot_open", "", P}] = f.FrontYaw
		m[Key{"front_foot_open", P, C}] = c.FrontYaw - f.FrontYaw
		way := cm(f, fr.ankle, fr.heel, fr.toe)[0] - foot0[0]
		m[Key{"stride_length", S, P}] = way
		m[Key{"stride_length_pct", S, P}] = way / q.Stature
	}
	m[Key{"back_foot_turn", "", C}], m[Key{"back_foot_turn", "", F}] = c.BackYaw, fin.BackYaw
	m[Key{"back_foot_turn_heel", "", C}] = cm(c, bk.heel)[2] - cm(c, bk.toe)[2]

	low, high := math.Inf(1), math.Inf(-1)
	for w := t.Still[1]; w <= tc; w += dt {
		z := eyes(at(w))[2]
		low, high = math.Min(low, z), math.Max(high, z)
	}
	m[Key{"eye_drop_peak", S, C}] = high - low
	if tc+.3 <= t.Frames[len(t.Frames)-1].T {
		far, e := 0.0, ears(c)
		for w := tc; w <= tc+.3; w += dt {
			d := ears(at(w)).sub(e)
			far = math.Max(far, math.Hypot(d[0], d[2]))
		}
		m[Key{"head_after", "", C}] = far
	}
	if h, ok := t.held(s, tf); ok {
		m[Key{"finish_hold", "", F}] = h
	}

	knee, other, toe, head := cm(c, bk.knee), cm(c, fr.knee), cm(c, bk.toe), ears(c)
	over := eyes(c)[0] - knee[0]
	m[Key{"head_over_back", "", C}] = over
	if w := other[0] - knee[0]; w > 8 {
		m[Key{"head_over_back_ratio", "", C}] = over / w
	}
	gap := other.sub(knee).norm()
	m[Key{"knee_gap", "", C}] = gap
	m[Key{"knee_gap", S, C}] = gap - cm(mid, fr.knee).sub(cm(mid, bk.knee)).norm()
	dx, dz := head[0]-toe[0], head[2]-toe[2]
	m[Key{"back_line_tilt", "", C}] = degrees(math.Atan2(dx, dz))
	bend := 0.0
	for _, v := range []vec{knee, cm(c, bk.hip)} {
		bend = math.Max(bend, math.Abs(dx*(v[2]-toe[2])-dz*(v[0]-toe[0]))/math.Hypot(dx, dz))
	}
	m[Key{"back_line_bend", "", C}] = bend

	m[Key{"eye_height", "", S}] = eye0[2]
	m[Key{"stance_knee_front", "", S}] = flexion(cm(mid, fr.hip), cm(mid, fr.knee), cm(mid, fr.ankle))
	m[Key{"stance_knee_back", "", S}] = flexion(cm(mid, bk.hip), cm(mid, bk.knee), cm(mid, bk.ankle))
	m[Key{"hands_start", "", S}] = hands[2] - shoulder[2]
	trunk := cm(mid, p.LeftShoulder, p.RightShoulder).sub(cm(mid, p.LeftHip, p.RightHip)).norm()
	m[Key{"hands_start_ratio", "", S}] = (hands[2] - shoulder[2]) / trunk
}

// held is how long head and feet keep slower than .25 body heights a second,
// from when they first do so after the finish; ok is false when the clip ends
// before they move again.
func (t *Truth) held(s *shaker, finish float64) (held float64, ok bool) {
	fr, bk := t.Params.frontBack()
	const dt = .01
	end := t.Frames[len(t.Frames)-1].T
	calm := func(w float64) bool {
		a, b := t.at(s, w-dt), t.at(s, w+dt)
		for _, js := range [][]int{{p.LeftEar, p.RightEar}, {fr.ankle, fr.heel, fr.toe}, {bk.ankle, bk.heel, bk.toe}} {
			var d vec
			for _, j := range js {
				d = d.add(vec(b.Joints[j]).sub(a.Joints[j]).mul(1 / float64(len(js))))
			}
			if d.norm()/(2*dt) > .25*t.Params.Stature {
				return false
			}
		}
		return true
	}
	w := finish
	for w < end && !calm(w) {
		w += dt
	}
	from := w
	for w < end && calm(w) {
		w += dt
	}
	return w - from, w < end
}
