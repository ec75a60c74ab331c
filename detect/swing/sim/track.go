package sim

import (
	"math"
	"math/rand"

	p "tapeline/pipeline"
)

// ar is noise that forgets: standard deviation 1, correlation falling to 1/e
// within tau seconds.
type ar struct{ x, tau float64 }

func (a *ar) next(dt float64, rng *rand.Rand) float64 {
	r := 0.0
	if a.tau > 0 {
		r = math.Exp(-dt / a.tau)
	}
	a.x = r*a.x + math.Sqrt(1-r*r)*rng.NormFloat64()
	return a.x
}

// mirrorIndex is the landmark of the other side.
func mirrorIndex(j int) int {
	switch {
	case j == p.Nose:
		return j
	case j <= p.LeftEyeOuter:
		return j + 3
	case j <= p.RightEyeOuter:
		return j - 3
	case j%2 == 1:
		return j + 1
	}
	return j - 1
}

// errorsOf one clip, drawn once.
type drawn struct {
	Errors
	bias       bias
	off        [p.NumJoints][phases][2]float64 // cm
	world      [p.NumJoints][phases][3]float64
	sd         [p.NumJoints]spread
	slow       [10][2]ar
	slowOf     [p.NumJoints]int
	slowWorld  [3]ar
	tall       float64 // of the network's body over the true one
	faceSeen   float64 // 1 face, 0 back of the head
	lateral    float64 // sign of the picture's x
	wander     [2]ar
	hidden     bool
	swapFrom   float64
	swapTo     float64
	blur       float64
	feet, eyes [2]ar
	noGround   bool
	grain      [p.NumJoints][2]ar
	foot       [2]ar
}

func draw(t *Truth, e Errors, rng *rand.Rand) *drawn {
	q := t.Params
	d := &drawn{Errors: e, bias: biasOf(q.View), blur: 1}
	groups := map[string]int{}
	type effect struct {
		clip  [2]float64
		phase [phases][2]float64
	}
	var effects []effect
	n := func(sd float64) float64 { return sd * rng.NormFloat64() }
	for j := range d.off {
		g := table.Groups[groupOf[j]]
		d.sd[j] = g
		k, ok := groups[groupOf[j]]
		if !ok {
			k = len(groups)
			groups[groupOf[j]] = k
			var f effect
			for c := range 2 {
				f.clip[c] = n(g.Clip[c])
				for i := range phases {
					f.phase[i][c] = n(g.Phase[c] / math.Sqrt2)
				}
			}
			effects = append(effects, f)
		}
		d.slowOf[j] = k
		// Half of a joint's own scatter it shares with its group.
		var own [2]float64
		for c := range 2 {
			own[c] = n(g.Clip[c] / 2)
		}
		for i := range phases {
			for c := range 2 {
				d.off[j][i][c] = e.Pose * (d.bias.Px[j][i][c] + .87*effects[k].clip[c] + own[c] + effects[k].phase[i][c] + n(g.Phase[c]/2))
			}
		}
	}
	// The network's body is bent part by part more than joint by joint: head,
	// trunk and arms together, each leg by itself.
	const together = .87 // of the standard deviation; .5 is each joint's own
	var shared [3][phases][3]float64
	for part := range shared {
		for c := range 3 {
			clip := n(together * e.WorldClip[c])
			for i := range phases {
				shared[part][i][c] = clip + n(together*e.WorldPhase[c])
			}
		}
	}
	for j := range d.world {
		var own [3]float64
		for c := range own {
			own[c] = n(e.WorldClip[c] / 2)
		}
		for i := range phases {
			for c := range 3 {
				d.world[j][i][c] = e.Pose*d.bias.World[j][i][c] + own[c] + n(e.WorldPhase[c]/2)
				switch {
				case j < p.LeftHip:
					d.world[j][i][c] += shared[0][i][c]
				case j > p.RightHip: // the hips are the origin
					d.world[j][i][c] += shared[1+(j+1)%2][i][c]
				}
			}
		}
	}
	d.tall = 1
	if e.Stature > 0 {
		d.tall = (e.Stature + n(e.StatureSD)) / q.Stature
	}
	for k := range d.slow {
		d.slow[k] = [2]ar{{tau: .2}, {tau: .2}}
	}
	for k := range d.slowWorld {
		d.slowWorld[k].tau = .1
	}
	d.wander = [2]ar{{tau: .12}, {tau: .12}}
	d.hidden = rng.Float64() < e.HiddenWrist
	if rng.Float64() < e.Swap && t.Swung() {
		d.swapFrom = t.Phases[p.Contact] + .05 + .3*rng.Float64()
		d.swapTo = d.swapFrom + .05 + .25*rng.Float64()
	}
	d.noGround = rng.Float64() < e.NoGround
	d.feet, d.eyes = [2]ar{{tau: e.CameraTau}, {tau: e.CameraTau}}, [2]ar{{tau: e.CameraTau}, {tau: e.CameraTau}}
	// Rendered blur was a quarter of 1/60 to 1/30 s; longer exposures make the
	// fast joints worse in proportion (not measured).
	d.blur = math.Min(math.Max(.7+.3*q.Exposure/q.FPS/.0056, .7), 2)

	mid := &t.Frames[len(t.Frames)/2]
	for i := range t.Frames {
		if t.Frames[i].T >= (t.Still[0]+t.Still[1])/2 {
			mid = &t.Frames[i]
			break
		}
	}
	face := mid.turn.v(vec{0, -1, 0})
	to := vec(mid.Camera.Pos).sub(mid.head)
	to[2] = 0
	d.faceSeen = math.Min(math.Max((face.dot(to.unit())+.3)/.6, 0), 1)
	if e.HiddenFace {
		d.faceSeen = 0
	}
	for j := range d.grain {
		d.grain[j] = [2]ar{{tau: .2}, {tau: .2}}
	}
	d.foot = [2]ar{{tau: .3}, {tau: .3}}
	x := vec(mid.Camera.Axes[0])
	d.lateral = math.Copysign(1, x[0])
	if !t.SideOn() {
		d.lateral = -math.Copysign(1, x[1])
		if q.Bats == p.BatsLeft {
			d.lateral *= -1
		}
	}
	return d
}

// mixed gives an error between two phases.
func mixed[T [2]float64 | [3]float64](e *[phases]T, at float64) (r T) {
	i := min(int(at), phases-2)
	u := at - float64(i)
	for c := 0; c < len(r); c++ {
		r[c] = (1-u)*e[i][c] + u*e[i+1][c]
	}
	return r
}

// nape is a place on the back of the head, that is seen when the face isn't.
func (f *Frame) nape(size float64) vec {
	ears := vec(f.Joints[p.LeftEar]).mix(f.Joints[p.RightEar], .5)
	return ears.add(f.turn.v(vec{0, 1, 0}).mul(.05 * size))
}

func (f *Frame) eyeMid() vec { return vec(f.Joints[p.LeftEye]).mix(f.Joints[p.RightEye], .5) }

// Track is what seeing would make of the swing: errors e laid on the truth.
// The same truth, errors and state of rng give the same track. Given is left
// empty.
func Track(t *Truth, e Errors, rng *rand.Rand) p.Track {
	q := t.Params
	d := draw(t, e, rng)
	size := q.Stature / 1.78
	clip := p.Clip{ID: "sim", Name: "sim.mp4", Width: q.Width, Height: q.Height, Codec: "h264", PixelFormat: "yuv420p", Matrix: "bt709", Transfer: "sdr",
		Duration: float64(len(t.Frames)) / q.FPS, CaptureRate: q.FPS, TimeFactor: 1, Warnings: []p.Warning{}}
	for i := range t.Frames {
		clip.PTS = append(clip.PTS, t.Frames[i].T)
	}
	out := p.Track{Schema: p.TrackSchema, Clip: clip, People: 1, Windows: []p.Window{}, Onsets: t.onsets(e, rng), Models: []p.Model{}, Warnings: []p.Warning{}}
	at, speed, travel := t.burst()
	if speed < 1.2 { // the scan looks at nothing slower
		return out
	}
	// The scan sees the burst to a frame, and windows reach from 1.8 s before
	// to 1.6 s after it.
	w := p.Window{Burst: at + rng.NormFloat64()/q.FPS, HandSpeed: speed, HandTravel: travel}
	w.From, w.To = math.Max(0, at-1.8), math.Min(t.Frames[len(t.Frames)-1].T, at+1.6)
	var key *Frame
	var prev *Frame
	steps := newSteps(e, rng)
	energy := newEnergy(e, rng)
	lastPose := math.Inf(-1)
	dt := 1 / q.FPS
	ghost := t.ghost()
	for i := range t.Frames {
		f := &t.Frames[i]
		if f.T < w.From-1e-9 || f.T > w.To+1e-9 {
			continue
		}
		if key == nil {
			key, w.Key = f, i
		}
		s := p.Seen{Index: i, PTS: f.T, Camera: d.camera(key, f, dt, size, rng)}
		pose := d.pose(t, f, ghost, dt, rng)
		rate := 60.0
		if math.Abs(f.T-at) <= .25 {
			rate = 120
		}
		if f.T-lastPose >= .9/rate {
			lastPose, s.Pose = f.T, pose
		}
		if prev != nil {
			s.Head = steps.step(t, d, prev, f, rng)
			s.Energy = energy.of(prev, f, q, rng)
			s.EnergyBat = .25 * s.Energy
		}
		prev = f
		w.Frames = append(w.Frames, s)
	}
	out.Windows = append(out.Windows, w)
	return out
}

// ghost is where the face's landmarks lie from the nape in the stance, pixels:
// a network that sees no face puts one there and does not nod it.
func (t *Truth) ghost() (g [p.NumJoints]p.Point) {
	for i := range t.Frames {
		if f := &t.Frames[i]; f.T >= (t.Still[0]+t.Still[1])/2 {
			n, _ := f.Camera.Project(f.nape(t.b.size))
			for j := 0; j <= p.MouthRight; j++ {
				g[j] = p.Point{X: f.Px[j].X - n.X, Y: f.Px[j].Y - n.Y}
			}
			break
		}
	}
	return g
}

// pose is the network's reading of a frame.
func (d *drawn) pose(t *Truth, f *Frame, ghost [p.NumJoints]p.Point, dt float64, rng *rand.Rand) *p.Pose {
	q := t.Params
	size := q.Stature / 1.78
	now, _ := t.b.clock(f.T - q.zero())
	ph := t.b.phaseOf(now)
	moving := t.Swung() && f.T > q.plantAt() && f.T < q.contactAt()+.15
	if t.walking(f.T) {
		moving = true
	}
	pose := &p.Pose{Net: "heavy", Score: .99}
	hips := vec(f.Joints[p.LeftHip]).mix(f.Joints[p.RightHip], .5)
	axes := mat{f.Camera.Axes[0], f.Camera.Axes[1], f.Camera.Axes[2]}
	nape, _ := f.Camera.Project(f.nape(t.b.size))
	var slow [len(d.slow)][2]float64
	for k := range d.slow {
		for c := range 2 {
			slow[k][c] = d.slow[k][c].next(dt, rng)
		}
	}
	var slowWorld [3]float64
	for c := range slowWorld {
		slowWorld[c] = d.slowWorld[c].next(dt, rng)
	}
	wander := [2]float64{d.wander[0].next(dt, rng), d.wander[1].next(dt, rng)}
	var lostFoot [2]float64
	if d.HiddenFoot {
		lostFoot = [2]float64{d.foot[0].next(dt, rng), d.foot[1].next(dt, rng)}
	}
	after := t.Swung() && f.T > q.contactAt()+.05 && f.T < q.contactAt()+.4
	for j := range pose.Joints {
		c := j // as of a right-handed batter
		if q.Bats == p.BatsLeft {
			c = mirrorIndex(j)
		}
		v := vec(f.Joints[j])
		depth := vec(f.Camera.Pos).sub(v).dot(axes[2])
		px := f.Camera.F / depth / 100 * size // a centimetre of a batter 1.78 m tall
		at := ph
		spot := f.Px[j]
		if j <= p.MouthRight && j != p.LeftEar && j != p.RightEar && d.Pose > 0 {
			u := d.faceSeen
			spot.X = u*spot.X + (1-u)*(nape.X+ghost[j].X)
			spot.Y = u*spot.Y + (1-u)*(nape.Y+ghost[j].Y)
			if u < .5 {
				at = 0
			}
		}
		if heel, toe, end := footOf(j); end != 0 {
			spot.X += end * d.Pose * (d.bias.Foot[0] - 1) * (f.Px[toe].X - f.Px[heel].X) / 2
			spot.Y += end * d.Pose * (d.bias.Foot[1] - 1) * (f.Px[toe].Y - f.Px[heel].Y) / 2
		}
		e := mixed(&d.off[c], at)
		g := d.sd[c]
		white := g.Still
		if moving {
			white = math.Max(white, g.Moving*d.blur)
		}
		for k := range 2 {
			e[k] += d.Pose * (white*rng.NormFloat64() + .5*g.Still*slow[d.slowOf[c]][k])
		}
		score := .99
		if after && d.hidden && groupOf[c] == "hands" && c%2 == 1 { // the front, or lower, hand
			e[0] += d.Wander * wander[0]
			e[1] += d.Wander * math.Abs(wander[1])
			score = .05
		}
		if d.HiddenFoot && isFrontFoot(c) {
			e[0], e[1], score = e[0]+d.Wander*lostFoot[0], e[1]+.5*d.Wander*lostFoot[1], .05
		}
		pose.Joints[j] = p.Landmark{X: spot.X + px*e[0]*d.lateral, Y: spot.Y + px*e[1], Score: score}
		if d.Grain > 0 {
			const half = math.Sqrt2 / 2
			pose.Joints[j].X += d.Grain * half * (rng.NormFloat64() + d.grain[j][0].next(dt, rng))
			pose.Joints[j].Y += d.Grain * half * (rng.NormFloat64() + d.grain[j][1].next(dt, rng))
		}

		r := axes.v(v.sub(hips))
		we := mixed(&d.world[c], ph)
		k := d.tall * size / 100
		var n [3]float64
		for c := range n {
			n[c] = d.Pose * g.World[c] * (.6*rng.NormFloat64() + .8*slowWorld[c])
			if moving {
				n[c] *= 1.5
			}
		}
		pose.World[j] = p.World{X: d.tall*r[0] + k*(we[0]+n[0])*d.lateral, Y: -d.tall*r[1] + k*(we[1]+n[1]), Z: -d.tall*r[2] + k*(we[2]+n[2])}
	}
	if d.swapTo > 0 && f.T >= d.swapFrom && f.T <= d.swapTo {
		for j := p.LeftHip; j < p.NumJoints; j += 2 {
			pose.Joints[j], pose.Joints[j+1] = pose.Joints[j+1], pose.Joints[j]
			pose.World[j], pose.World[j+1] = pose.World[j+1], pose.World[j]
		}
	}
	// The hips' middle is the origin by definition.
	l, r := pose.World[p.LeftHip], pose.World[p.RightHip]
	for j := range pose.World {
		pose.World[j].X -= (l.X + r.X) / 2
		pose.World[j].Y -= (l.Y + r.Y) / 2
		pose.World[j].Z -= (l.Z + r.Z) / 2
	}
	return pose
}

// footOf gives the foot that landmark j ends, and at which end it lies: −1
// heel, 1 toe, 0 no foot.
func footOf(j int) (heel, toe int, end float64) {
	switch j {
	case p.LeftHeel, p.RightHeel:
		return j, j + 2, -1
	case p.LeftToe, p.RightToe:
		return j - 2, j, 1
	}
	return 0, 0, 0
}

// isFrontFoot of a right-handed batter.
func isFrontFoot(j int) bool { return j == p.LeftAnkle || j == p.LeftHeel || j == p.LeftToe }

func (t *Truth) walking(when float64) bool { return t.b.walked(when) > 0 }

// camera is the map of frame f into the key frame: through eyes and feet as
// they truly move with the camera, each with what following leaves.
func (d *drawn) camera(key, f *Frame, dt, size float64, rng *rand.Rand) p.Camera {
	eyes := f.eyeMid()
	feet := vec(f.Joints[p.LeftAnkle]).mix(f.Joints[p.RightAnkle], .5)
	a1, da := f.Camera.Project(eyes)
	b1, db := f.Camera.Project(feet)
	a0, _ := key.Camera.Project(eyes)
	b0, _ := key.Camera.Project(feet)
	fx, fy := d.feet[0].next(dt, rng), d.feet[1].next(dt, rng)
	ex, ey := d.eyes[0].next(dt, rng), d.eyes[1].next(dt, rng)
	c := p.Camera{OK: true, Inliers: 400, Ground: 60, RMS: .3}
	if d.noGround {
		c.Ground = 0
		ex, ey = ex*d.Parallax/math.Max(d.EyesX, 1e-9), ey*d.Parallax/math.Max(d.EyesY, 1e-9)
	}
	if f == key {
		fx, fy, ex, ey = 0, 0, 0, 0
	}
	pa, pb := f.Camera.F/da/100, f.Camera.F/db/100
	a0.X, a0.Y = a0.X+pa*d.EyesX*ex, a0.Y+pa*d.EyesY*ey
	b0.X, b0.Y = b0.X+pb*d.FeetX*fx, b0.Y+pb*d.FeetY*fy
	ux, uy, vx, vy := a1.X-b1.X, a1.Y-b1.Y, a0.X-b0.X, a0.Y-b0.Y
	n := ux*ux + uy*uy
	c.A, c.B = (ux*vx+uy*vy)/n, (ux*vy-uy*vx)/n
	c.TX, c.TY = b0.X-(c.A*b1.X-c.B*b1.Y), b0.Y-(c.B*b1.X+c.A*b1.Y)
	return c
}

// steps are the head's steps by optical flow.
type steps struct {
	gain [3][2]float64 // stride, swing, after
	turn float64
	lost [2]bool
	when [2]float64
}

func newSteps(e Errors, rng *rand.Rand) *steps {
	s := &steps{}
	clip := func(v float64) float64 { return math.Min(math.Max(v, .3), 1.1) }
	for i := range s.gain {
		s.gain[i] = [2]float64{clip(e.FlowX + e.FlowXSD*rng.NormFloat64()), clip(e.FlowY + e.FlowYSD*rng.NormFloat64())}
	}
	s.turn = math.Min(math.Max(e.FlowTurn+e.FlowTurnSD*rng.NormFloat64(), 0), 1)
	s.lost = [2]bool{rng.Float64() < e.FlowLost, rng.Float64() < e.FlowLostAfter}
	s.when = [2]float64{-.12 * rng.Float64(), .1 + .2*rng.Float64()}
	return s
}

func (s *steps) step(t *Truth, d *drawn, a, b *Frame, rng *rand.Rand) p.HeadStep {
	q := t.Params
	for k, lost := range s.lost {
		if lost && t.Swung() && math.Abs(b.T-(q.contactAt()+s.when[k])) < .03 {
			return p.HeadStep{}
		}
	}
	u := d.faceSeen
	if d.Pose == 0 {
		u = 1
	}
	spot := func(f *Frame) vec { return f.nape(t.b.size).mix(f.eyeMid(), u) }
	pa, _ := a.Camera.Project(spot(a))
	still, depth := b.Camera.Project(spot(a)) // had only the camera moved
	pb, _ := b.Camera.Project(spot(b))
	now, _ := t.b.clock(b.T - q.zero())
	g := s.gain[0]
	switch {
	case now > t.b.c:
		g = s.gain[2]
	case now > t.b.pl:
		g = s.gain[1]
	}
	px := b.Camera.F / depth / 100
	dx := still.X - pa.X + g[0]*(pb.X-still.X) + px*d.FlowStep*rng.NormFloat64()
	dy := still.Y - pa.Y + g[1]*(pb.Y-still.Y) + px*d.FlowStep*rng.NormFloat64()
	// Turn in the picture: the camera's own in full, a share of the head's.
	up := spot(a).add(vec{0, 0, .2})
	ua, _ := a.Camera.Project(up)
	ub, _ := b.Camera.Project(up)
	roll := math.Atan2(ub.Y-still.Y, ub.X-still.X) - math.Atan2(ua.Y-pa.Y, ua.X-pa.X)
	own := -b.turn.m(a.turn.t()).rotvec().dot(vec(b.Camera.Axes[2]))
	rot := roll + s.turn*own
	ears := vec(a.Joints[p.LeftEar]).mix(a.Joints[p.RightEar], .5)
	c, _ := a.Camera.Project(ears.mix(spot(a), .5))
	return p.HeadStep{DX: dx + rot*(pa.Y-c.Y), DY: dy - rot*(pa.X-c.X), CX: c.X, CY: c.Y, Rot: rot, Points: 45, RMS: .2}
}

// energies turns motion into grey levels.
type energies struct{ base, bat, body, sd float64 }

func newEnergy(e Errors, rng *rand.Rand) energies {
	return energies{e.BaseLo + (e.BaseHi-e.BaseLo)*rng.Float64(), math.Max(.05, e.Bat+e.BatSD*rng.NormFloat64()), math.Max(.05, e.Body+e.BodySD*rng.NormFloat64()), e.EnergySD}
}

// widths of the body's parts, metres, for the area their motion sweeps.
var widths = map[int]float64{p.LeftWrist: .1, p.RightWrist: .1, p.LeftElbow: .12, p.RightElbow: .12, p.LeftShoulder: .3, p.RightShoulder: .3,
	p.LeftHip: .3, p.RightHip: .3, p.LeftKnee: .25, p.RightKnee: .25, p.LeftAnkle: .2, p.RightAnkle: .2, p.Nose: .2}

// of the span between two frames. What the bat sweeps counts up to twice its
// own picture, what a limb sweeps up to .1 m.
func (e energies) of(a, b *Frame, q Params, rng *rand.Rand) float64 {
	pixels := float64(q.Width * q.Height)
	k0, depth := b.Camera.Project(b.Knob)
	t0, _ := b.Camera.Project(b.Tip)
	k1, _ := a.Camera.Project(a.Knob)
	t1, _ := a.Camera.Project(a.Tip)
	cross := func(p, q p.Point) float64 { return p.X*q.Y - p.Y*q.X }
	swept := math.Abs(cross(k1, t1)+cross(t1, t0)+cross(t0, k0)+cross(k0, k1)) / 2
	band := math.Hypot(t0.X-k0.X, t0.Y-k0.Y) * b.Camera.F / depth * .06
	bat := math.Min(swept, 2*band) / pixels * 255
	body := 0.0
	for j := range b.Joints { // in order, so that the sum is the same each time
		w, ok := widths[j]
		if !ok {
			continue
		}
		s := b.Camera.F / vec(b.Camera.Pos).sub(b.Joints[j]).dot(b.Camera.Axes[2])
		body += math.Min(math.Hypot(b.Px[j].X-a.Px[j].X, b.Px[j].Y-a.Px[j].Y), .1*s) * w * s / pixels * 255
	}
	return math.Max(0, (e.base+e.bat*bat+e.body*body)*(1+e.sd*rng.NormFloat64()))
}

// burst is the fastest moment of the hands against the hips in the picture:
// when, body heights a second, and their way over .2 s around it.
func (t *Truth) burst() (at, speed, travel float64) {
	f := t.Frames
	px := func(i int) (p.Point, float64) {
		j := f[i].Px
		w := p.Point{X: (j[p.LeftWrist].X + j[p.RightWrist].X - j[p.LeftHip].X - j[p.RightHip].X) / 2, Y: (j[p.LeftWrist].Y + j[p.RightWrist].Y - j[p.LeftHip].Y - j[p.RightHip].Y) / 2}
		d := vec(f[i].Camera.Pos).sub(f[i].Joints[p.LeftHip]).dot(f[i].Camera.Axes[2])
		return w, t.Params.Stature * f[i].Camera.F / d
	}
	n := max(1, int(math.Round(.025*t.Params.FPS)))
	for i := n; i+n < len(f); i++ {
		a, _ := px(i - n)
		b, h := px(i + n)
		if v := math.Hypot(b.X-a.X, b.Y-a.Y) / h / (f[i+n].T - f[i-n].T); v > speed {
			at, speed = f[i].T, v
			lo, hi := max(0, i-int(.1*t.Params.FPS)), min(len(f)-1, i+int(.1*t.Params.FPS))
			a, _ := px(lo)
			b, _ := px(hi)
			travel = math.Hypot(b.X-a.X, b.Y-a.Y) / h
		}
	}
	return at, speed, travel
}

// onsets are the sharp sounds at the microphone.
func (t *Truth) onsets(e Errors, rng *rand.Rand) []p.Onset {
	on := []p.Onset{}
	q := t.Params
	mute, offset := rng.Float64() < e.Mute, e.Phone*rng.NormFloat64()
	if q.Ball != Dry && t.Swung() && !mute {
		f := &t.Frames[min(len(t.Frames)-1, int(q.contactAt()*q.FPS))]
		far := vec(f.Camera.Pos).sub(f.Tip).norm()
		on = append(on, p.Onset{T: q.contactAt() + far/343.2 + offset, Strength: 60 + 30*rng.Float64(), Sharp: .001}) // 343.2 m/s: air at 20 °C
	}
	if rng.Float64() < e.Others && !mute {
		on = append(on, p.Onset{T: rng.Float64() * q.duration(), Strength: 20 + 60*rng.Float64(), Sharp: .002})
	}
	return on
}
