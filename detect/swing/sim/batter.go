package sim

import (
	"math"
	"math/rand"
)

const left, right = 0, 1

// rest is a figure in metres with both sides.
type rest struct {
	pelvis, spine1, spine2, spine3, neck, head, nose vec
	clavicle, shoulder, elbow, wrist, middle, thumb  [2]vec
	hip, knee, ankle, ball                           [2]vec
	eye, ear, heel, toe, index, pinky, mouth         [2]vec
	eyeMid                                           vec
	yaw                                              [2]float64 // of the foot, degrees
}

func newRest(q Params) *rest {
	f := figures[q.Figure]
	// Longer or shorter legs, a larger head, then back to the same stature.
	legs := func(z float64) float64 { return f.ankle[2] + (z-f.ankle[2])*q.LegScale }
	lift := legs(f.hip[2]) - f.hip[2]
	top := f.head[2] + lift + (1-f.head[2])*q.HeadScale
	k := q.Stature / top
	place := func(v vec, part byte) vec {
		switch part {
		case 'l':
			v[2] = legs(v[2])
		case 'b':
			v[2] += lift
		case 'h':
			v = f.head.add(v.sub(f.head).mul(q.HeadScale))
			v[2] += lift
		}
		return v.mul(k)
	}
	both := func(v vec, part byte) [2]vec {
		v = place(v, part)
		return [2]vec{v, {-v[0], v[1], v[2]}}
	}
	r := &rest{
		pelvis: place(f.pelvis, 'b'), spine1: place(f.spine1, 'b'), spine2: place(f.spine2, 'b'), spine3: place(f.spine3, 'b'),
		neck: place(f.neck, 'b'), head: place(f.head, 'b'), nose: place(f.nose, 'h'),
		clavicle: both(f.clavicle, 'b'), shoulder: both(f.shoulder, 'b'), elbow: both(f.elbow, 'b'), wrist: both(f.wrist, 'b'),
		middle: both(f.middle, 'b'), thumb: both(f.thumb, 'b'), index: both(f.index, 'b'), pinky: both(f.pinky, 'b'),
		hip: both(f.hip, 'b'), knee: both(f.knee, 'l'), ankle: both(f.ankle, 'f'), ball: both(f.ball, 'f'), heel: both(f.heel, 'f'), toe: both(f.toe, 'f'),
		eye: both(f.eye, 'h'), ear: both(f.ear, 'h'), mouth: both(f.mouth, 'h'),
	}
	r.eyeMid = r.eye[0].mix(r.eye[1], .5)
	for n := range r.yaw {
		v := r.toe[n].sub(r.heel[n])
		r.yaw[n] = degrees(math.Atan2(v[0], -v[1]))
	}
	return r
}

// batter moves a body by keys. The keys' angles and places follow coaches'
// descriptions of a swing, not a recording (common practice, no source).
type batter struct {
	Params
	*rest
	l, pl, c float64 // load, plant, contact on the swing's own clock
	size     float64 // stature over 1.78 m

	pelYaw, chestYaw, leanY, leanX, headYaw, headPitch, headRoll curve
	share, eyeSway, finUp, finY, after                           curve
	frontX, frontY, frontZ, frontPitch, frontYaw                 curve
	backYaw, backPitch, backDrag                                 curve
	az, el                                                       curve
	grip, poleR, poleL                                           curve3
	eye0                                                         vec
	sway                                                         [6]float64
}

func newBatter(q Params) *batter {
	b := &batter{Params: q, rest: newRest(q), l: q.Load, pl: q.Plant, c: q.Plant + q.Delay, size: q.Stature / 1.78}
	rng := rand.New(rand.NewSource(q.Seed ^ 0x5eed))
	for i := range b.sway {
		b.sway[i] = rng.Float64() * 2 * math.Pi
	}
	L, P, C := b.l, b.pl, b.c
	M := (L + P) / 2
	// Half of the head's way forward comes from leaning.
	loose := 1 - q.HeadStill
	lean := degrees(q.HeadFwd / 100 * .5 / .65)
	b.pelYaw = through(key{0, 4}, key{L, 2}, key{M + .05, -12}, key{P, 8}, key{P + .07, 36}, key{C, 76}, key{C + .1, 92}, key{C + .3, 97})
	b.chestYaw = through(key{0, -4}, key{L, -6}, key{M + .05, -24}, key{P, -18}, key{P + .06, 4}, key{P + .11, 32}, key{C, 60}, key{C + .05, 84}, key{C + .12, 106}, key{C + .25, 120}, key{C + .4, 124})
	b.leanY = through(key{0, 21}, key{L, 21}, key{P, 22}, key{C, 19}, key{C + .15, 11}, key{C + .35, 8})
	b.leanX = through(key{0, 0}, key{L, 0}, key{M, -2}, key{P, -5 + lean*.7}, key{C, -13 + lean}, key{C + .15, -10 + lean}, key{C + .35, -7 + lean})
	b.headYaw = through(key{0, 62}, key{L, 62}, key{P, 58}, key{P + .1, 48}, key{C, 36}, key{C + .06, 38}, key{C + .2, 38 + 34*loose}, key{C + .4, 38 + 46*loose})
	b.headPitch = through(key{0, 6}, key{L, 6}, key{P, 6 + q.Nod/6}, key{C, 6 + q.Nod}, key{C + .08, 6 + q.Nod - 2*loose}, key{C + .3, 6 + q.Nod - (4+q.Nod)*loose})
	b.headRoll = through(key{0, 0}, key{P, 0}, key{C, -5}, key{C + .3, 0})
	b.share = through(key{0, 0}, key{L + .1, 0}, key{P, q.AtPlant}, key{C, 1}, key{C + .4, 1})
	b.eye0 = vec{.045 * q.Size, .80 - .30*q.Size, b.eyeMid[2] - q.Crouch*b.eyeMid[2]/1.671}
	b.eyeSway = through(key{0, 0}, key{L, 0}, key{M, -.012 * q.Size}, key{P, 0})
	b.finUp = through(key{C + .08, 0}, key{C + .45, .015 * loose})
	b.finY = through(key{C + .04, 0}, key{C + .4, .14})
	b.after = through(key{C + .02, 0}, key{C + .3, q.After / 100})

	a0, s := .20*q.Size, q.StrideLen
	out := math.Tan(q.StrideDir * math.Pi / 180)
	up, slope := .105, 22.0
	switch q.Step {
	case Stride, LegKick:
		if q.Step == LegKick {
			up, slope = .30*b.size, 35
		}
		b.frontX = through(key{0, a0}, key{L, a0}, key{M - .02, a0 - .05}, key{P, a0 + s})
		b.frontZ = through(key{0, 0}, key{L, 0}, key{M - .04, up}, key{P - .04, .012}, key{P, 0})
		b.frontPitch = through(key{0, 0}, key{L, 0}, key{M - .05, slope}, key{P - .06, 8}, key{P, 0})
	case ToeTap: // back to the tap, a rest of a quarter, then the stride
		tap, off := L+.35*(P-L), L+.5*(P-L)
		b.frontX = through(key{0, a0}, key{L, a0}, key{tap, a0 - .14*q.Size}, key{off, a0 - .14*q.Size}, key{P, a0 + s})
		b.frontZ = through(key{0, 0}, key{L, 0}, key{(L + tap) / 2, .06}, key{tap, 0}, key{off, 0}, key{(off + P) / 2, .05}, key{P - .04, .012}, key{P, 0})
		b.frontPitch = through(key{0, 0}, key{L, 0}, key{tap, 25}, key{off, 25}, key{P - .06, 8}, key{P, 0})
	default:
		b.frontX, b.frontZ = through(key{0, a0}), through(key{0, 0})
		b.frontPitch = through(key{0, 0}, key{L, 0}, key{M, 12}, key{P, 0}) // the heel comes up and down
	}
	b.frontY = through(key{0, 0}, key{M, 0}, key{P, s * out})
	b.frontYaw = through(key{0, 4 + q.StanceOpen}, key{L, 4 + q.StanceOpen}, key{M, 2 + q.StanceOpen/2}, key{P, q.OpenPlant}, key{C, q.OpenHit}, key{C + .3, q.OpenHit + 6})
	br := q.BackRot
	b.backYaw = through(key{0, -3}, key{math.Min(L+.2, P-.05), -3}, key{P, 6}, key{P + .07, .45 * br}, key{C, br}, key{C + .15, br + 10}, key{C + .3, br + 12})
	b.backPitch = through(key{0, 0}, key{P - .05, 0}, key{P + .05, 10}, key{C, 36}, key{C + .12, 50}, key{C + .35, 58})
	b.backDrag = through(key{P + .04, 0}, key{C, .03 * q.Size}, key{C + .15, .07 * q.Size})
	b.az = through(key{0, 128}, key{L, 122}, key{M, 108}, key{P, 118}, key{P + .055, 146}, key{P + .105, 196}, key{C, 268}, key{C + .035, 325}, key{C + .09, 395}, key{C + .18, 470}, key{C + .32, 520}, key{C + .5, 528})
	b.el = through(key{0, 60}, key{L, 60}, key{M, 66}, key{P, 58}, key{P + .055, 36}, key{P + .105, 6}, key{C, -14}, key{C + .035, -10}, key{C + .09, 8}, key{C + .18, 26}, key{C + .32, 6}, key{C + .5, 0})
	h := q.HandsUp
	b.grip = through3(key3{0, vec{-.20, -.23, h}}, key3{L, vec{-.21, -.23, .01 + h}}, key3{M + .05, vec{-.33, -.13, .05 + h*.7}}, key3{P, vec{-.36, -.12, .02 + h*.4}},
		key3{P + .055, vec{-.25, -.23, -.12}}, key3{P + .105, vec{0, -.35, -.28}}, key3{C, vec{.24, -.31, -.36}},
		key3{C + .035, vec{.41, -.14, -.30}}, key3{C + .09, vec{.40, .18, -.07}}, key3{C + .18, vec{.17, .36, .08}},
		key3{C + .32, vec{.03, .31, .09}}, key3{C + .5, vec{.02, .30, .07}})
	b.poleR = through3(key3{0, vec{-.9, .25, -.55}}, key3{M + .05, vec{-.9, .3, -.4}}, key3{P, vec{-.8, .2, -.6}}, key3{P + .09, vec{-.35, .15, -.9}}, key3{C, vec{-.35, .1, -.95}}, key3{C + .09, vec{.1, -.7, -.7}}, key3{C + .3, vec{.4, -.6, -.6}})
	b.poleL = through3(key3{0, vec{.35, -.2, -.9}}, key3{P, vec{.4, -.2, -.9}}, key3{C - .05, vec{.55, .1, -.8}}, key3{C, vec{.5, .5, -.75}}, key3{C + .09, vec{.1, .8, -.6}}, key3{C + .3, vec{-.3, .5, -.85}})
	return b
}

// posed is a body at one moment, right-handed frame.
type posed struct {
	nose                                         vec
	shoulder, elbow, wrist, thumb, index, pinky  [2]vec
	hip, knee, ankle, heel, toe, eye, ear, mouth [2]vec
	head                                         vec // joint between neck and head
	turn                                         mat // of the head
	knob, tip                                    vec
	frontYaw, backYaw                            float64
	short                                        float64 // by how much a limb could not reach, metres
}

// bend is two-bone reach: the middle joint and the end, aiming at target, the
// middle pushed toward pole.
func bend(root, target, pole vec, la, lb float64) (mid, end vec, short float64) {
	d := target.sub(root)
	n := d.norm()
	short = math.Max(0, n-(la+lb)*.999)
	n = math.Min(math.Max(n, math.Abs(la-lb)*1.05), (la+lb)*.999)
	u := d.unit()
	side := pole.sub(u.mul(pole.dot(u))).unit()
	c := math.Min(math.Max((la*la+n*n-lb*lb)/(2*la*n), -1), 1)
	return root.add(u.mul(la * c)).add(side.mul(la * math.Sqrt(1-c*c))), root.add(u.mul(n)), short
}

// clock bends the swing's own time: a check swing goes a part of the way and
// comes back; after contact the bat may be slower than the body.
func (b *batter) clock(t float64) (body, bat float64) {
	switch {
	case b.Act == Waggle && t > b.l:
		t = b.l
	case b.Act == CheckSwing && t > b.pl:
		u := t - b.pl
		far := .42 * b.Delay // hands start, the barrel stays back
		t = b.pl + far*math.Sin(math.Min(u/(far*math.Pi/2), math.Pi/2))
		if back := u - .3; back > 0 {
			t = b.pl + far*math.Max(0, 1-back/.5)
		}
	}
	bat = t
	if t > b.c {
		bat = b.c + (t-b.c)*(1-b.Slowed)
	}
	return t, bat
}

// walked is how far the batter is from his place, metres, at clip time t.
func (b *batter) walked(t float64) float64 {
	const speed = 1.1
	way := func(u float64) float64 { return speed * (math.Hypot(u, .2) - .2) } // starts and stops softly
	if t < b.WalkIn {
		return way(b.WalkIn - t)
	}
	if end := b.finishAt() + b.Hold; t > end {
		return way(t - end)
	}
	return 0
}

// stepped is a walking foot's own way and lift when the body has gone s.
func stepped(s float64, foot int) (way, lift float64) {
	const pace = 1.2
	x := s/pace + .5*float64(foot)
	k := math.Floor(x)
	u := math.Min(math.Max((x-k-.25)/.5, 0), 1)
	return pace*(k+u*u*(3-2*u)) - pace/2*float64(foot), .08 * math.Sin(math.Pi*u) * math.Min(s/.3, 1)
}

// pose at clip time t.
func (b *batter) pose(clip float64) (o posed) {
	t, tb := b.clock(clip - b.zero())
	ly, lx := b.leanY.at(t), b.leanX.at(t)
	upright := func(k float64) vec {
		return vec{math.Tan(lx * k * math.Pi / 180), -math.Tan(ly * k * math.Pi / 180), 1}.unit()
	}
	z := vec{0, 0, 1}
	pel := align(z, upright(.45)).m(rotZ(b.pelYaw.at(t)))
	chest := align(z, upright(1.25)).m(rotZ(b.chestYaw.at(t)))
	head := rotZ(b.headYaw.at(t)).m(rotX(b.headPitch.at(t))).m(rotY(b.headRoll.at(t)))
	s1, s2 := part(pel, chest, .33), part(pel, chest, .67)
	pelvis := vec{}
	spine1 := pelvis.add(pel.v(b.spine1.sub(b.pelvis)))
	spine2 := spine1.add(s1.v(b.spine2.sub(b.spine1)))
	spine3 := spine2.add(s2.v(b.spine3.sub(b.spine2)))
	neck := spine3.add(chest.v(b.neck.sub(b.spine3)))
	skull := neck.add(part(chest, head, .5).v(b.head.sub(b.neck)))

	// The eyes' path is given; the trunk hangs below it.
	s := b.share.at(t)
	eye := b.eye0.add(vec{b.eyeSway.at(t) + s*b.HeadFwd/100 + b.after.at(t), b.finY.at(t), -s*b.EyeDrop/100 + b.finUp.at(t)})
	if b.Sway > 0 { // breathing and balance, gone once the swing starts
		w := b.Sway / 100 * math.Min(math.Max((b.pl-t)/.3, 0), 1)
		eye[0] += w * math.Sin(2*math.Pi*.6*clip+b.sway[0])
		eye[1] += w * math.Sin(2*math.Pi*.5*clip+b.sway[1])
		eye[2] += w * .4 * math.Sin(2*math.Pi*.35*clip+b.sway[2])
	}
	gone := b.walked(clip)
	dir := vec{.3, .95, 0}
	if gone > 0 {
		eye = eye.add(dir.mul(gone))
		eye[2] += .02 * math.Sin(2*math.Pi*gone/.6) * math.Min(gone/.3, 1)
	}
	off := eye.sub(skull.add(head.v(b.eyeMid.sub(b.head))))
	pelvis, spine3, skull = pelvis.add(off), spine3.add(off), skull.add(off)
	onHead := func(v vec) vec { return skull.add(head.v(v.sub(b.head))) }
	o.head, o.turn, o.nose = skull, head, onHead(b.nose)
	for n := range o.eye {
		o.eye[n], o.ear[n], o.mouth[n] = onHead(b.eye[n]), onHead(b.ear[n]), onHead(b.mouth[n])
		o.hip[n] = pelvis.add(pel.v(b.hip[n].sub(b.pelvis)))
	}

	// Feet turn about the ball; legs reach for the ankles.
	slant := math.Tan(b.StanceOpen*math.Pi/180) * .47 * b.Size
	for n := range o.ankle {
		yaw, pitch, x, y, lift, y0 := b.backYaw.at(t), b.backPitch.at(t), -.27*b.Size+b.backDrag.at(t), .80-slant/2, 0.0, -3.0
		if n == left {
			yaw, pitch, x, y, lift, y0 = b.frontYaw.at(t), b.frontPitch.at(t), b.frontX.at(t), .80+slant/2+b.frontY.at(t), b.frontZ.at(t), 4
		}
		flat := rotZ(yaw - b.yaw[n])
		foot := rotZ(yaw).m(rotX(pitch)).m(rotZ(-b.yaw[n]))
		r := b.ball[n].sub(b.ankle[n])
		anchor := vec{x, y, 0}.add(rotZ(y0 - b.yaw[n]).v(vec{r[0], r[1], 0}))
		anchor[2] = b.ball[n][2] + lift
		if gone > 0 {
			way, up := stepped(gone, n)
			anchor = anchor.add(dir.mul(way))
			anchor[2] += up
		}
		ankle := anchor.sub(foot.v(r))
		k := .9
		if n == left {
			k = .75
		}
		pole := rotZ(yaw * k).v(vec{0, -1, .15})
		if n == right {
			sy, cy := sincos(b.pelYaw.at(t))
			pole = pole.add(vec{.5 * sy, -.5 * cy, 0}).unit()
		}
		var short float64
		o.knee[n], o.ankle[n], short = bend(o.hip[n], ankle, pole, b.knee[n].sub(b.hip[n]).norm(), b.ankle[n].sub(b.knee[n]).norm())
		o.short = math.Max(o.short, short)
		o.heel[n] = o.ankle[n].add(foot.v(b.heel[n].sub(b.ankle[n])))
		toes := flat
		if n == left {
			toes = part(flat, foot, .6)
		}
		o.toe[n] = o.ankle[n].add(foot.v(r)).add(toes.v(b.toe[n].sub(b.ball[n])))
		if n == left {
			o.frontYaw = yaw
		} else {
			o.backYaw = yaw
		}
	}

	// The bat's way is given; arms reach for the grip.
	az, el := b.az.at(tb), b.el.at(tb)
	grip := b.grip.at(tb)
	if b.WaggleBat > 0 {
		w := b.WaggleBat * math.Min(math.Max((b.l-.3-t)/.2, 0), 1)
		if b.Act == Waggle {
			w = b.WaggleBat
		}
		ph := 2*math.Pi*1.2*clip + b.sway[3]
		az += 25 * w * math.Sin(ph)
		grip = grip.add(vec{.03 * math.Sin(ph+.5), .02 * math.Sin(ph), .02 * math.Sin(ph+1)}.mul(w))
	}
	sa, ca := sincos(az)
	se, ce := sincos(el)
	bd := vec{ce * ca, ce * sa, se}
	mid := spine3.add(chest.v(b.shoulder[0].mix(b.shoulder[1], .5).sub(b.spine3)))
	o.knob = mid.add(grip.mul(b.size)).sub(bd.mul(.115))
	o.tip = o.knob.add(bd.mul(b.BatLen))
	for n := range o.wrist {
		reach, pole, inward := .155, b.poleR.at(tb), vec{1, 0, -.2}
		if n == left {
			reach, pole, inward = .07, b.poleL.at(tb), vec{-1, 0, -.2}
		}
		hold := o.knob.add(bd.mul(reach))
		collar := spine3.add(chest.v(b.clavicle[n].sub(b.spine3)))
		bone := b.shoulder[n].sub(b.clavicle[n])
		rv := align(chest.v(bone), hold.sub(collar)).rotvec()
		cl := chest
		if a := rv.norm(); a > 1e-6 {
			cl = turn(rv.mul(1/a), math.Min(a*.14, 11*math.Pi/180)).m(chest)
		}
		sh := collar.add(cl.v(bone))
		o.shoulder[n] = sh
		f0 := b.middle[n].sub(b.wrist[n]).unit()
		t0 := b.index[n].sub(b.pinky[n])
		t0 = t0.sub(f0.mul(t0.dot(f0))).unit()
		palm := f0.cross(t0)
		if palm.dot(inward) < 0 {
			palm = palm.mul(-1)
		}
		la, lb := b.elbow[n].sub(b.shoulder[n]).norm(), b.wrist[n].sub(b.elbow[n]).norm()
		fd := hold.sub(sh).unit()
		var hand mat
		var short float64
		for range 4 {
			f := fd.sub(bd.mul(fd.dot(bd) * .85)).unit()
			hand = frame(f, bd.sub(f.mul(bd.dot(f))).unit()).m(frame(f0, t0).t())
			wrist := hold.sub(f.mul(.078 * b.size)).sub(hand.v(palm).mul(.028))
			o.elbow[n], o.wrist[n], short = bend(sh, wrist, pole, la, lb)
			fd = o.wrist[n].sub(o.elbow[n]).unit()
		}
		o.short = math.Max(o.short, short)
		at := func(v vec) vec { return o.wrist[n].add(hand.v(v.sub(b.wrist[n]))) }
		o.index[n], o.pinky[n], o.thumb[n] = at(b.index[n]), at(b.pinky[n]), at(b.thumb[n])
	}
	return o
}

// mirrored is the left-handed batter: reflected in y, sides exchanged.
func (o posed) mirrored() posed {
	f := func(v *vec) { v[1] = -v[1] }
	for _, v := range []*vec{&o.nose, &o.head, &o.knob, &o.tip} {
		f(v)
	}
	for _, s := range []*[2]vec{&o.shoulder, &o.elbow, &o.wrist, &o.thumb, &o.index, &o.pinky, &o.hip, &o.knee, &o.ankle, &o.heel, &o.toe, &o.eye, &o.ear, &o.mouth} {
		f(&s[0])
		f(&s[1])
		s[0], s[1] = s[1], s[0]
	}
	o.turn = mat{{1, 0, 0}, {0, -1, 0}, {0, 0, 1}}.m(o.turn).m(mat{{-1, 0, 0}, {0, 1, 0}, {0, 0, 1}})
	return o
}
