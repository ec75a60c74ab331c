package swing

import (
	"math"

	p "tapeline/pipeline"
)

// body names the joints by the pitcher's side instead of the person's.
type body struct {
	ankleF, heelF, toeF, kneeF, hipF, shoulderF int
	ankleB, heelB, toeB, kneeB, hipB, shoulderB int
}

func bodyOf(bats p.Side) body {
	l := body{p.LeftAnkle, p.LeftHeel, p.LeftToe, p.LeftKnee, p.LeftHip, p.LeftShoulder,
		p.RightAnkle, p.RightHeel, p.RightToe, p.RightKnee, p.RightHip, p.RightShoulder}
	if bats != p.BatsLeft {
		return l
	}
	return body{l.ankleB, l.heelB, l.toeB, l.kneeB, l.hipB, l.shoulderB,
		l.ankleF, l.heelF, l.toeF, l.kneeF, l.hipF, l.shoulderF}
}

// sides places the camera around the batter. Azimuth is the direction from
// batter to camera in degrees from +z (plate) toward +x (pitcher): chest 0,
// pitcher 90, back 180, catcher −90. mirror is +1 for a right-handed batter,
// −1 for a left-handed one, whose ground frame is mirrored.
type sides struct {
	bats      p.Side
	view      p.View
	azimuth   float64
	azDoubt   float64 // degrees, 95 %
	elevation float64 // degrees the camera looks down at the feet
	elDoubt   float64
	mirror    float64
	inferred  []string
	votes     float64 // evidence for the batting side, −1…1
}

var viewAzimuth = map[p.View]float64{p.ViewChest: 0, p.ViewPitcher: 90, p.ViewBack: 180, p.ViewCatcher: -90}

// wrap into (−180, 180].
func wrap(a float64) float64 {
	for a > 180 {
		a -= 360
	}
	for a <= -180 {
		a += 360
	}
	return a
}

// off is how far the camera stands off the named view, degrees; + toward the
// pitcher's side for chest and back, toward the plate for pitcher and catcher.
func (s *sides) off() float64 {
	d := wrap(s.azimuth - viewAzimuth[s.view])
	if s.view == p.ViewBack || s.view == p.ViewPitcher {
		d = -d
	}
	return d
}

// side reports whether the line home→pitcher lies mostly across the picture.
func (s *sides) side() bool { return s.view == p.ViewChest || s.view == p.ViewBack }

// faceSeen: from behind the batter's face and eyes are out of sight.
func (s *sides) faceSeen() bool { return math.Cos(rad(s.azimuth)) > -0.5 && s.view != p.ViewCatcher }

// right is the sign of the picture's x toward the pitcher in side views.
func (s *sides) right() float64 { return s.mirror * math.Copysign(1, math.Cos(rad(s.azimuth))) }

// ground gives the picture vector, pixels, of ground displacement (x, z) at
// scale px: weak perspective seen from azimuth and elevation.
func (s *sides) ground(px, x, z float64) p.Point {
	sa, ca := math.Sincos(rad(s.azimuth))
	return p.Point{X: px * s.mirror * (x*ca - z*sa), Y: px * math.Sin(rad(s.elevation)) * (x*sa + z*ca)}
}

// ankleSlip is how far the network marks the front ankle of a stance off where
// it would lie beside the back one, cm of a batter 178 cm tall, in the picture
// of a right-handed one: mean of 9 rendered clips from the chest, 3 from behind,
// 5 from the pitcher. What would hardly turn the line through both is left out.
var ankleSlip = map[p.View]p.Point{p.ViewChest: {Y: -1.2}, p.ViewBack: {Y: -1.1}, p.ViewPitcher: {X: 1.8}}

// vote squashes a piece of evidence in units of its own scale into −1…1.
func vote(v, scale float64) float64 { return math.Tanh(v / scale) }

// newSides infers batting side and view from the network's 3-D points, stance
// over grid a…b and hands fastest at burst (grid index); what was given wins.
func newSides(g *grid, c p.Clip, sc *scale, given p.Given, a, b, burst int) *sides {
	w := func(j int) v3 { return g.worldIn(j, a, b) }
	l := unit(flat(add(sub(w(p.LeftHip), w(p.RightHip)), sub(w(p.LeftShoulder), w(p.RightShoulder)))))
	s := &sides{bats: given.Bats, view: given.View, azDoubt: 10, elDoubt: 3}

	// Evidence that the left side is the front: the face looks that way in the
	// stance, the hands wait on the other side and swing to it, the left foot
	// moves more before the swing.
	face := sub(w(p.Nose), half(w(p.LeftEar), w(p.RightEar)))
	wrists := func(i int) v3 {
		return half(g.worldIn(p.LeftWrist, i-1, i+1), g.worldIn(p.RightWrist, i-1, i+1))
	}
	wait := sub(half(w(p.LeftWrist), w(p.RightWrist)), half(w(p.LeftShoulder), w(p.RightShoulder)))
	path := sub(wrists(g.clamp(float64(burst+g.span(.05)))), wrists(g.clamp(float64(burst-g.span(.12)))))
	foot := func(ankle, heel, toe int) float64 {
		v := mid(g.joints[ankle], g.joints[heel], g.joints[toe]).low(8, g.fs).speed(g.dt)
		var t float64
		for i := g.clamp(float64(burst - g.span(.9))); i < burst-g.span(.15); i++ {
			t += v[i] * g.dt
		}
		return t
	}
	fl, fr := foot(p.LeftAnkle, p.LeftHeel, p.LeftToe), foot(p.RightAnkle, p.RightHeel, p.RightToe)
	s.votes = (vote(dot(unit(flat(face)), l), .4) + vote(-dot(wait, l), .1) + 1.5*vote(dot(path, l), .15) +
		vote((fl-fr)/math.Max(fl+fr, 1e-9), .25)) / 4.5
	if s.bats == p.SideUnknown {
		s.bats = p.BatsRight
		if s.votes < 0 {
			s.bats = p.BatsLeft
		}
		s.inferred = append(s.inferred, "bats")
	}
	s.mirror = 1
	toPitcher := l
	if s.bats == p.BatsLeft {
		s.mirror, toPitcher = -1, mul(l, -1)
	}
	// The chest's direction is up × (right − left); camera axes, so the camera
	// lies along −z.
	chest := v3{l[2], 0, -l[0]}
	world := deg(math.Atan2(-toPitcher[2], -chest[2]))
	if s.view == p.ViewUnknown {
		best := 1e9
		for _, v := range []p.View{p.ViewChest, p.ViewPitcher, p.ViewBack, p.ViewCatcher} {
			if d := math.Abs(wrap(world - viewAzimuth[v])); d < best {
				best, s.view = d, v
			}
		}
		s.inferred = append(s.inferred, "view")
	}
	j := bodyOf(s.bats)

	// Elevation: a phone is held about 1.3 m high and tilted down about 4°
	// (common practice, no source); within 1.5° on rendered clips with the
	// camera at 1.25 m, so ±3°.
	ankles := mid(g.raw[p.LeftAnkle], g.raw[p.RightAnkle]).medianIn(a, b)
	far := sc.metres() * sc.at(p.LeftHip, p.RightHip) / sc.at(p.LeftAnkle, p.RightAnkle)
	s.elevation = (deg(math.Atan(1.3/far)) + 4 + deg(math.Atan((ankles.Y-sc.cy)/sc.focal))) / 2
	s.elevation = math.Max(s.elevation, 2)

	// Azimuth: the line through the ankles lies along home→pitcher in most
	// stances (doubt 10°: the line is read to 8°, and stances are a little open
	// or closed), and coaches stand where the view's name says (doubt 15°).
	// The two are weighted by their variances. Common practice, no source.
	s.azimuth = viewAzimuth[s.view]
	f, k := g.joints[j.ankleF].medianIn(a, b), g.joints[j.ankleB].medianIn(a, b)
	slip, cm := ankleSlip[s.view], sc.height/178*sc.at(j.ankleF, j.ankleB)
	dx := (f.X-k.X)*s.mirror - slip.X*cm
	dy := (f.Y - k.Y - slip.Y*cm) / math.Sin(rad(s.elevation))
	if math.Hypot(dx, dy) > 0.1*sc.height*sc.at(j.ankleF, j.ankleB) {
		if d := wrap(deg(math.Atan2(dy, dx)) - s.azimuth); math.Abs(d) <= 60 {
			s.azimuth = wrap(s.azimuth + d*15*15/(15*15+10*10))
			// A camera that truly stands far off is drawn toward its name by
			// the rest of d.
			s.azDoubt = rms(s.azDoubt, d*10*10/(15*15+10*10))
		}
	}
	if g.plate != nil {
		s.aim(*g.plate, sc, g.feetIn(a, b))
	}
	return s
}
