package swing

import (
	"math"

	p "tapeline/pipeline"
)

// measure fills the swing's measures. Half widths are 95 %: a number that
// stands without a source was set so that the bounds hold the truth of about
// 95 of 100 simulated swings (seed 1) and of the rendered clips.
func (a *analysis) measure(s *p.Swing) {
	g, sc, sd, j := a.grid, a.scale, a.sides, a.body
	cm := sc.height / 170 // a centimetre of doubt in the report's unit
	if sc.unit == "cm" {
		cm = 1
	}
	contact, pl := a.ev[p.Contact], a.ev[p.Plant]
	put := func(key string, from, at p.EventKind, unit string, v, lo, hi float64, warn ...string) *p.Measure {
		m := p.Measure{Key: key, From: from, At: at, Unit: unit, Value: num(v, 3), Lo: num(lo, 3), Hi: num(hi, 3), Warnings: append([]string{}, warn...), Frames: []int{}}
		if e := a.ev[at]; e.ok {
			m.Frames = append(m.Frames, a.clip.FrameAt(a.pts(e.i)))
		}
		if e := a.ev[from]; e.ok {
			m.Frames = append([]int{a.clip.FrameAt(a.pts(e.i))}, m.Frames...)
		}
		if m.Value == nil {
			m.Lo, m.Hi = nil, nil
		}
		s.Measures = append(s.Measures, m)
		return &s.Measures[len(s.Measures)-1]
	}
	null := func(key string, from, at p.EventKind, unit, why string) {
		put(key, from, at, unit, math.NaN(), 0, 0, why)
	}
	pm := func(key string, from, at p.EventKind, unit string, v, half float64, warn ...string) {
		put(key, from, at, unit, v, v-half, v+half, warn...)
	}
	why := func(k p.EventKind) string { return a.ev[k].reason }

	// --- the head ---
	eyePx := sc.at(eyePoints...)
	earPx := sc.at(p.LeftEar, p.RightEar)
	ref, earRef := a.eyes.net.medianIn(a.a, a.b), a.ears.net.medianIn(a.a, a.b)
	right := sd.right()
	grain := pixelDoubt / eyePx
	if a.dark {
		grain = rms(grain, darkDoubt*cm)
	}
	ground := 0.0 // the camera's own rise and fall, unseen at the feet
	for i := range g.frames {
		if g.frames[i].Camera.Ground == 0 {
			ground = .5 * cm
		}
	}
	// The eye level at one moment by both ways.
	flowAt := func(h *path, k p.EventKind) (net, flow p.Point) {
		i := a.ev[k].i
		if _, ok := a.hand.part("eyes", i, i); ok {
			q := h.net.lerp(i)
			return q, q
		}
		switch k {
		case p.Plant: // median of a few frames before the touch-down is done
			q := h.net.medianIn(g.clamp(i)-g.span(.05), g.clamp(i)+g.span(.016))
			return q, q
		}
		n, f := h.net.lerp(i), h.flow.lerp(i)
		if k == p.Contact && sd.faceSeen() {
			from := h.flow.lerp(a.anchor)
			f.Y = from.Y + (f.Y-from.Y)/flowSees
		}
		return n, f
	}
	drop := func(key string, h *path, from p.Point, px float64, at p.EventKind) {
		if !a.ev[at].ok {
			null(key, p.Stance, at, sc.unit, why(at))
			return
		}
		net, flow := flowAt(h, at)
		v, n := (flow.Y-from.Y)/px, (net.Y-from.Y)/px
		base := 1.05
		if at == p.Contact {
			base = 1.3 // the flow carries it over a turning face
		}
		var warn []string
		if at == p.Finish {
			base = 3
		}
		if at != p.Plant && h.lost {
			v, base = n, 4
			warn = append(warn, "head_flow_lost")
		}
		when := a.sway(h, at).Y / px
		// A head that comes nearer looks farther from the picture's middle.
		nearer := a.nearer()
		ground := rms(ground, math.Abs(from.Y-sc.cy)/px*nearer*cm/(sc.focal/px))
		half := rms(base*cm, sc.doubt*v, math.Min(.5*math.Abs(n-v), 3*cm), ground, grain, when, obliqueDoubt*sd.off()*cm)
		if key == "head_drop" && at == p.Contact && sd.faceSeen() {
			// The eyes' fall by the flow, less the nod.
			en, ef := flowAt(&a.eyes, at)
			eyes, doubt := (ef.Y-ref.Y)/eyePx, 1.35*cm
			if a.eyes.lost {
				eyes, doubt = (en.Y-ref.Y)/eyePx, 4*cm
			}
			was, is := a.relative(a.anchor), a.relative(a.ev[at].i)
			before := a.relative(float64(a.a+a.b) / 2)
			w, wd := nod((is - was) / eyePx / cm)
			v = eyes - (was-before)/eyePx - w*cm
			half = rms(doubt, wd*cm, sc.doubt*v, ground, grain, when, obliqueDoubt*sd.off()*cm)
			warn = append(warn, "nod_assumed")
		}
		if !sd.faceSeen() && key == "head_drop" && at == p.Contact {
			// The nape that is followed rises as the head tips.
			v += cm
			half = rms(half, cm)
			warn = append(warn, "face_unseen")
		}
		if !sd.faceSeen() && key == "eye_drop" {
			// From behind, a nod lifts the back of the head while the eyes
			// sink: the usual one is added, and may be there or not.
			n := unseenNod[at]
			if sd.view == p.ViewCatcher {
				n *= .6 // the head's side still shows
			}
			v += n * cm
			half = rms(half, (.5+unseenNod[at])*cm)
			warn = append(warn, "face_unseen", "nod_assumed")
		}
		if i := a.ev[at].i; key == "eye_drop" {
			if _, ok := a.hand.part("eyes", i, i); ok { // seen by a person: no nod to guess
				v, half, warn = n, rms(handLeast*cm, handDoubt/px, .6*cm, sc.doubt*n, ground), nil
			}
		}
		lo, hi := v-half, v+half
		if a.cut {
			hi += cutDoubt * cm
			warn = append(warn, "stance_cut")
		}
		put(key, p.Stance, at, sc.unit, v, lo, hi, warn...)
	}
	for _, at := range []p.EventKind{p.Plant, p.Contact, p.Finish} {
		drop("eye_drop", &a.eyes, ref, eyePx, at)
		drop("head_drop", &a.ears, earRef, earPx, at)
	}
	if a.marked {
		a.marker(put, null, eyePx, cm, ground)
	}
	// Peak to peak from the first move to contact.
	if contact.ok {
		tr := a.eyes.joined(g, a.anchor, contact.i)
		lo, hi := math.Inf(1), math.Inf(-1)
		for i := a.b; i <= g.clamp(contact.i); i++ {
			lo, hi = math.Min(lo, tr.y[i]), math.Max(hi, tr.y[i])
		}
		v := (hi - lo) / eyePx
		half := rms(2.2*cm, sc.doubt*v, ground, grain)
		if sd.faceSeen() {
			pm("eye_drop_peak", p.Stance, p.Contact, sc.unit, v, half)
		} else {
			// A nod lifts the nape while the eyes sink: less or more.
			put("eye_drop_peak", p.Stance, p.Contact, sc.unit, v, v-rms(half, unseenNod[p.Contact]*cm), v+half+2*unseenNod[p.Contact]*cm, "face_unseen")
		}
	}

	across := math.Cos(rad(sd.off())) // share of x that lies across the picture
	type span struct{ from, to p.EventKind }
	for _, k := range []span{{p.Stance, p.Plant}, {p.Stance, p.Contact}, {p.Plant, p.Contact}} {
		switch {
		case !a.ev[k.to].ok:
			null("eye_forward", k.from, k.to, sc.unit, why(k.to))
		case !a.ev[k.from].ok:
			null("eye_forward", k.from, k.to, sc.unit, why(k.from))
		case !sd.side():
			null("eye_forward", k.from, k.to, sc.unit, "along_view")
		default:
			at := func(e p.EventKind) (float64, float64) {
				if e == p.Stance {
					return ref.X, ref.X
				}
				n, f := flowAt(&a.eyes, e)
				return n.X, f.X
			}
			n0, f0 := at(k.from)
			n1, f1 := at(k.to)
			nv, fv := (n1-n0)*right/eyePx/across, (f1-f0)*right/eyePx/across
			// The network reads the turning face too far forward, the flow too
			// short: the middle.
			v := (nv + fv) / 2
			when := rms(a.sway(&a.eyes, k.to).X, a.sway(&a.eyes, k.from).X) / eyePx
			half := rms(1.5*cm, grain, when, sc.doubt*v, math.Min(.5*math.Abs(nv-fv), 3*cm), math.Tan(rad(math.Min(math.Abs(sd.off())+4, 60)))*2*cm)
			if a.eyes.lost {
				half = rms(half, 3*cm)
			}
			var warn []string
			if a.cut && k.from == p.Stance {
				half, warn = rms(half, cutDoubt*cm), append(warn, "stance_cut")
			}
			if sd.faceSeen() {
				pm("eye_forward", k.from, k.to, sc.unit, v, half, warn...)
				continue
			}
			// The face turns to the plate: from behind, the back of the head
			// swings toward the pitcher while the eyes stay, by about 3.8 cm
			// on rendered and simulated swings.
			if k.to == p.Contact {
				v -= 3.5 * cm
				half = rms(half, 3*cm)
			}
			pm("eye_forward", k.from, k.to, sc.unit, v, half, append(warn, "face_unseen")...)
		}
	}

	// The head after contact. It turns with the ball: the network's ears see
	// more of that than the flow of whatever side shows.
	switch end := contact.i + .3/g.dt; {
	case end > float64(g.n-1):
		null("head_after", "", p.Contact, sc.unit, "clip_ends_early")
	case !sd.side():
		null("head_after", "", p.Contact, sc.unit, "along_view")
	default:
		way := func(t track2) (far float64) {
			from := t.lerp(contact.i)
			for i := g.clamp(contact.i); i <= g.clamp(end); i++ {
				far = math.Max(far, math.Hypot(t.x[i]-from.X, t.y[i]-from.Y)/earPx)
			}
			return far
		}
		net, flow := way(a.ears.net), way(a.ears.flow)
		half := rms(3*cm, grain, math.Min(.5*math.Abs(net-flow), 5*cm))
		var warn []string
		if a.ears.lost {
			half, warn = rms(half, 5*cm), append(warn, "head_flow_lost")
		}
		if !sd.faceSeen() {
			half, warn = rms(half, 3*cm), append(warn, "face_unseen")
		}
		put("head_after", "", p.Contact, sc.unit, net, math.Max(0, net-half), net+half, warn...)
	}

	a.hold(put, null)

	// --- the feet ---
	length := footOfHeight * sc.height
	sigma := pixelDoubt / 1.96 / sc.at(j.heelF, j.toeF)
	if a.dark {
		sigma = rms(sigma, darkDoubt/1.96*cm)
	}
	// A foot's direction from its vector in the picture over grid i0…i1.
	direction := func(heel, toe, i0, i1 int, maxLift, off float64) yaw {
		d := g.joints[toe].minus(g.joints[heel]).low(10, g.fs).medianIn(i0, i1)
		there := a.sidesAt(heel, toe, i0, i1)
		view := sd.view
		if view == p.ViewCatcher && heel == j.heelB { // the near foot, in plain sight
			view = p.ViewPitcher
		}
		shape := footShapes[view]
		if set, ok := a.hand.axis(j, heel, float64(i0), float64(i1)); ok {
			d, shape = set, footSeen
		}
		return footYaw(d, sc.at(heel, toe), length, shape, there, maxLift, off)
	}
	// Directions that look alike from the one side don't from the other.
	alike := "foot_ambiguous"
	if !sd.side() {
		alike = "foot_end_on"
	}
	// A share of it is read from grid since on, if that isn't 0.
	foot := func(key string, heel, toe int, at p.EventKind, maxLift, before, after, since, share float64) *yaw {
		e := a.ev[at]
		if !e.ok {
			null(key, "", at, "deg", why(at))
			return nil
		}
		if heel == j.heelF && a.blindFoot {
			null(key, "", at, "deg", "foot_hidden")
			return nil
		}
		off := sigma
		if maxLift > 0 { // hidden, turning and off the ground
			off = rms(sigma, 2*cm)
			if at == p.Finish {
				off = rms(sigma, 3*cm)
			}
		}
		y := direction(heel, toe, g.clamp(e.i-before/g.dt), g.clamp(e.i+after/g.dt), maxLift, off)
		if since > 0 {
			y = y.toward(direction(heel, toe, g.clamp(since), g.clamp(e.i+after/g.dt), maxLift, off), share)
		}
		if e.reason == "foot_rest" { // perhaps it had not landed yet, or was turning already
			y.lo, y.hi = math.Max(y.lo-landedDoubt, yawMin), math.Min(y.hi+landedDoubt, yawMax)
		}
		var warn []string
		if y.openLo || y.openHi {
			warn = append(warn, alike)
		}
		if maxLift > 0 && (y.hi-y.lo > 60 || y.openHi) { // half of all a foot can do, or its end, is no reading
			null(key, "", at, "deg", alike)
			return &y
		}
		put(key, "", at, "deg", y.v, y.lo, y.hi, warn...)
		return &y
	}
	fp := foot("front_foot_open", j.heelF, j.toeF, p.Plant, 0, 0, .067, 0, 0)
	// A foot that hardly turns is read over the whole time it stands: the
	// network's trembling is averaged. Nothing jumps between that and one that
	// turns.
	since, share := 0., 0.
	if fp != nil && contact.i-pl.i > .033/g.dt {
		now := direction(j.heelF, j.toeF, g.clamp(contact.i-.033/g.dt), g.clamp(contact.i+.033/g.dt), 0, sigma)
		since, share = pl.i, math.Max(0, math.Min(1, (20-math.Abs(now.v-fp.v))/10))
	}
	fc := foot("front_foot_open", j.heelF, j.toeF, p.Contact, 0, .033, .033, since, share)
	if fp != nil && fc != nil {
		// Both share azimuth, elevation and the network's bias: the turn
		// between them is surer than either.
		v := fc.v - fp.v
		if wide := .5 * math.Max(fc.hi-fc.lo, fp.hi-fp.lo); wide > 25 {
			null("front_foot_open", p.Plant, p.Contact, "deg", alike) // one of the two is no reading
		} else {
			pm("front_foot_open", p.Plant, p.Contact, "deg", v, math.Min(13, wide)+.35*math.Abs(v))
		}
	} else if a.blindFoot {
		null("front_foot_open", p.Plant, p.Contact, "deg", "foot_hidden")
	} else {
		null("front_foot_open", p.Plant, p.Contact, "deg", why(p.Plant))
	}
	foot("back_foot_turn", j.heelB, j.toeB, p.Contact, 70, .033, .033, 0, 0)
	foot("back_foot_turn", j.heelB, j.toeB, p.Finish, 80, .033, .033, 0, 0)

	// --- the body at contact, side views only ---
	x := func(t track2, px, i float64) float64 { return (t.lerp(i).X - sc.cx) * right / px / across }
	y := func(t track2, px, i float64) float64 { return (t.lerp(i).Y - sc.cy) / px }
	if sd.side() {
		net, flow := a.eyes.net.lerp(contact.i), a.eyes.flow.lerp(contact.i)
		eyes := p.Point{X: (net.X + flow.X) / 2}
		kb, kf := g.joints[j.kneeB].low(8, g.fs), g.joints[j.kneeF].low(8, g.fs)
		bx := x(kb, sc.px[j.kneeB], contact.i)
		// Eyes and knees stand at different depths: seen obliquely, part of
		// that lies across the picture. The network's depth is weak evidence,
		// but it enters by the sine of a small angle only.
		at := func(px float64, q p.Point, joints ...int) (x, toward float64) {
			i := g.clamp(contact.i)
			for _, k := range joints {
				toward -= median(g.world[k][2][max(0, i-2):min(g.n, i+3)]) * sc.world / float64(len(joints))
			}
			return (q.X-sc.cx)/px*sd.mirror*math.Cos(rad(sd.azimuth)) + toward*math.Sin(rad(sd.azimuth)), toward
		}
		ex, et := at(eyePx, eyes, eyePoints...)
		kx, kt := at(sc.px[j.kneeB], kb.lerp(contact.i), j.kneeB)
		v := ex - kx
		// The back knee passes under the head at contact: a doubt in time is
		// one in place, and half a frame is never known.
		early, late := math.Min(contact.lo, contact.i-.5), math.Max(contact.hi, contact.i+.5)
		off := func(i float64) float64 {
			return (a.eyes.flow.lerp(i).X/eyePx - kb.lerp(i).X/sc.px[j.kneeB]) * right / across
		}
		when := math.Abs(off(late)-off(early)) / 2
		// As much as eyes and knee differ in depth a camera not quite where it
		// is thought to be moves one beside the other.
		turned := math.Abs(et-kt) * math.Sin(rad(sd.azDoubt))
		half := rms(4.3*cm, grain, when, sc.doubt*v, turned, math.Sin(rad(math.Min(math.Abs(sd.off()), 60)))*12*cm)
		pm("head_over_back", "", p.Contact, sc.unit, v, half)
		fx, _ := at(sc.px[j.kneeF], kf.lerp(contact.i), j.kneeF)
		if w := fx - kx; w > 8*cm {
			pm("head_over_back_ratio", "", p.Contact, "ratio", v/w, rms(half/w, v/w*4*cm/w))
		} else {
			null("head_over_back_ratio", "", p.Contact, "ratio", "knees_together")
		}
		// Between the knees: across and down by the picture, each at its own
		// depth, along the view by a share of the network's depth.
		gap := func(i0, i1 int) float64 {
			f, b := kf.medianIn(i0, i1), kb.medianIn(i0, i1)
			pf, pb := sc.px[j.kneeF], sc.px[j.kneeB]
			depth := (g.worldIn(j.kneeF, i0, i1)[2] - g.worldIn(j.kneeB, i0, i1)[2]) * sc.world * kneesDeep
			return norm(v3{(f.X-sc.cx)/pf - (b.X-sc.cx)/pb, (f.Y-sc.cy)/pf - (b.Y-sc.cy)/pb, depth})
		}
		now := gap(g.clamp(contact.i)-g.span(.017), g.clamp(contact.i)+g.span(.017))
		then := gap(a.a, a.b)
		put("knee_gap", "", p.Contact, sc.unit, now, math.Max(0, now-7*cm), now+7*cm)
		if a.cut {
			null("knee_gap", p.Stance, p.Contact, sc.unit, "stance_cut")
		} else {
			pm("knee_gap", p.Stance, p.Contact, sc.unit, now-then, 8*cm)
		}
		// The line back toe → head.
		tb, hb := g.joints[j.toeB].low(8, g.fs), g.joints[j.hipB].low(8, g.fs)
		hx, hy := x(a.ears.flow, earPx, contact.i), y(a.ears.flow, earPx, contact.i)
		tx, ty := x(tb, sc.px[j.toeB], contact.i), y(tb, sc.px[j.toeB], contact.i)
		dx, dy := hx-tx, ty-hy
		pm("back_line_tilt", "", p.Contact, "deg", deg(math.Atan2(dx, dy)), 4)
		from := func(qx, qy float64) float64 { return math.Abs(dx*(ty-qy)-dy*(qx-tx)) / math.Hypot(dx, dy) }
		bend := math.Max(from(bx, y(kb, sc.px[j.kneeB], contact.i)), from(x(hb, sc.px[j.hipB], contact.i), y(hb, sc.px[j.hipB], contact.i)))
		put("back_line_bend", "", p.Contact, sc.unit, bend, math.Max(0, bend-7*cm), bend+4*cm)
	} else {
		for _, k := range []struct{ key, unit string }{{"head_over_back", sc.unit}, {"head_over_back_ratio", "ratio"}, {"back_line_tilt", "deg"}, {"back_line_bend", sc.unit}} {
			null(k.key, "", p.Contact, k.unit, "along_view")
		}
		null("knee_gap", "", p.Contact, sc.unit, "along_view")
		null("knee_gap", p.Stance, p.Contact, sc.unit, "along_view")
	}

	// --- the stance ---
	// Height of the eyes over the ground: the camera's tilt is what its
	// elevation at the feet leaves after the feet's place in the picture.
	down := func(v, px float64) float64 {
		tilt := rad(sd.elevation) - math.Atan((a.ground()-sc.cy)/sc.focal)
		return (v-sc.cy)/px*math.Cos(tilt) + sc.focal/px*math.Sin(tilt)
	}
	eyeHeight := down(a.ground(), sc.at(j.heelF, j.toeF, j.heelB, j.toeB)) - down(ref.Y, eyePx) + soleCM*cm
	least := 3.0
	if sd.view == p.ViewCatcher {
		least = 8 // six simulated centimetres too low on average: the feet are hidden
	}
	pm("eye_height", "", p.Stance, sc.unit, eyeHeight, rms(least*cm, sc.doubt*eyeHeight, sc.lean*eyeHeight))
	knee := func(key string, hip, kneeJoint, ankle int) {
		h, k := g.raw[hip].medianIn(a.a, a.b), g.raw[ankle].medianIn(a.a, a.b)
		d := math.Hypot((h.X-sc.cx)/sc.px[hip]-(k.X-sc.cx)/sc.px[ankle], (h.Y-sc.cy)/sc.px[hip]-(k.Y-sc.cy)/sc.px[ankle])
		off := rms(.11*d, grain)
		v, lo, hi := legFlexion(d, sc.height), legFlexion(d+off, sc.height), legFlexion(d-off, sc.height)
		if !sd.side() {
			// From the ends the knee bends across the picture and the network
			// sees more of it, but puts hip and ankle too near each other:
			// the two err to different sides.
			w := 180 - included(g.worldIn(hip, a.a, a.b), g.worldIn(kneeJoint, a.a, a.b), g.worldIn(ankle, a.a, a.b))
			u := .3 * (w - v)
			v, lo, hi = v+u, math.Max(0, lo+u), hi+u
		}
		put(key, "", p.Stance, "deg", v, lo, hi)
	}
	knee("stance_knee_front", j.hipF, j.kneeF, j.ankleF)
	knee("stance_knee_back", j.hipB, j.kneeB, j.ankleB)
	hands := mid(g.joints[p.LeftWrist], g.joints[p.RightWrist]).medianIn(a.a, a.b)
	sh := g.joints[j.shoulderB].medianIn(a.a, a.b)
	hips := mid(g.joints[p.LeftHip], g.joints[p.RightHip]).medianIn(a.a, a.b)
	both := mid(g.joints[p.LeftShoulder], g.joints[p.RightShoulder]).medianIn(a.a, a.b)
	// The network marks the shoulder's top, about 4 cm over the joint.
	v := (sh.Y-hands.Y)/sc.px[j.shoulderB] + 4*cm
	pm("hands_start", "", p.Stance, sc.unit, v, 7.5*cm)
	if trunk := (hips.Y - both.Y) / sc.at(p.LeftHip, p.RightHip, p.LeftShoulder, p.RightShoulder); trunk > 10*cm {
		pm("hands_start_ratio", "", p.Stance, "ratio", v/trunk, 7.5*cm/trunk)
	}

	// --- the stride ---
	switch {
	case !pl.ok:
		null("stride_length", p.Stance, p.Plant, sc.unit, why(p.Plant))
	case a.blindFoot:
		null("stride_length", p.Stance, p.Plant, sc.unit, "foot_hidden")
	case !sd.side():
		null("stride_length", p.Stance, p.Plant, sc.unit, "along_view")
	default:
		f := mid(g.joints[j.ankleF], g.joints[j.heelF], g.joints[j.toeF])
		q0, q1 := f.medianIn(a.a, a.b), f.medianIn(g.clamp(pl.i), g.clamp(pl.i+.07/g.dt))
		v := (q1.X - q0.X) * right / sc.at(j.ankleF, j.heelF, j.toeF) / across
		pm("stride_length", p.Stance, p.Plant, sc.unit, v, rms(3*cm, sc.doubt*v, .053*v))
		if sc.unit == "cm" {
			pm("stride_length_pct", p.Stance, p.Plant, "pct_height", v/sc.height*100, rms(3*cm, .08*v)/sc.height*100)
		}
	}
	a.lower(s, put, null)
	a.decide(put, eyePx, cm, grain)
}

// marker measures the fall of the sticker on the helmet, at the eyes' scale.
func (a *analysis) marker(put func(string, p.EventKind, p.EventKind, string, float64, float64, float64, ...string) *p.Measure, null func(string, p.EventKind, p.EventKind, string, string), px, cm, ground float64) {
	g, sc := a.grid, a.scale
	ref, still := g.markerStill(a.a, a.b)
	lost := false
	for _, at := range []p.EventKind{p.Plant, p.Contact, p.Finish} {
		e := a.ev[at]
		if !e.ok {
			null("marker_drop", p.Stance, at, sc.unit, e.reason)
			continue
		}
		q, ok := g.markerAt(e.i)
		if !ok || !still {
			lost = true
			null("marker_drop", p.Stance, at, sc.unit, "marker_lost")
			continue
		}
		v := (q.Y - ref.Y) / px
		nearer := headNearer
		if !a.sides.side() {
			nearer = headNearerAlong
		}
		when := a.sway(&a.eyes, at).Y
		if at == p.Finish { // a span of which any moment may be meant, and more
			when = markerFinish * cm * px
			for i := g.clamp(e.lo); i <= g.clamp(e.hi); i++ {
				if r, ok := g.markerAt(float64(i)); ok {
					when = math.Max(when, math.Abs(r.Y-q.Y))
				}
			}
		}
		half := rms(markerDoubt*cm, markerGrain/px, sc.doubt*v, markerDepth*v, ground, when/px,
			math.Abs(ref.Y-sc.cy)/sc.focal*nearer*cm)
		lo, hi := v-half, v+half
		var warn []string
		if a.cut {
			hi += cutDoubt * cm
			warn = append(warn, "stance_cut")
		}
		put("marker_drop", p.Stance, at, sc.unit, v, lo, hi, warn...)
	}
	if lost {
		a.warn("marker_lost", "")
	}
}

// hold measures how long head and feet keep still after the finish.
func (a *analysis) hold(put func(string, p.EventKind, p.EventKind, string, float64, float64, float64, ...string) *p.Measure, null func(string, p.EventKind, p.EventKind, string, string)) {
	g, fin := a.grid, a.ev[p.Finish]
	if !fin.ok {
		null("finish_hold", "", p.Finish, "s", fin.reason)
		return
	}
	act := make([]float64, g.n)
	for _, t := range []track2{a.ears.net.low(4, g.fs), mid(g.joints[a.body.ankleF], g.joints[a.body.heelF], g.joints[a.body.toeF]).low(4, g.fs),
		mid(g.joints[a.body.ankleB], g.joints[a.body.heelB], g.joints[a.body.toeB]).low(4, g.fs)} {
		for i, v := range t.speed(g.dt) {
			act[i] = math.Max(act[i], v/a.bodyPx)
		}
	}
	const settle = .25 // seconds
	// How still is still: .25 body heights a second, .12 read strictly and .5
	// generously give the bounds. Common practice, no source.
	// Head and feet may settle a little after hands and bat. Read generously, a
	// jerk of .15 s is the network's, not the batter's.
	run := func(limit, jerk float64) (s float64, cut bool) {
		from := g.clamp(fin.i)
		for i, last := from, g.clamp(fin.i+settle/g.dt); i < last; i++ {
			if act[i] >= limit {
				from = i + 1
			}
		}
		i := from
		for k := from; k < g.n && float64(k-i)*g.dt <= jerk; k++ {
			if act[k] < limit {
				i = k + 1
			}
		}
		return float64(i-from) * g.dt, i >= g.n || fin.i+settle/g.dt > float64(g.n-1)
	}
	held, _ := run(.25, 0)
	lo, _ := run(.12, 0)
	hi, cut := run(.5, .15)
	lo, hi = math.Min(lo, held), math.Max(hi, held)
	switch {
	case cut && lo < .5:
		null("finish_hold", "", p.Finish, "s", "clip_ends_early")
	case cut:
		// It went on for as long as could be seen, perhaps longer.
		put("finish_hold", "", p.Finish, "s", held, math.Max(0, lo-.2), hi+1, "clip_ends_early")
	default:
		put("finish_hold", "", p.Finish, "s", held, math.Max(0, lo-.2), hi+.6)
	}
}

// unseenNod is how far the eyes usually sink behind a head whose back stays,
// cm, when the face can't be seen: the middle of what rendered and simulated
// swings show (0 to 5 at contact).
var unseenNod = map[p.EventKind]float64{p.Plant: .5, p.Contact: 3.2, p.Finish: 1.8}

// flowSees is the share of the head's own fall that optical flow sees: the
// middle of .5–1.05 on six rendered clips.
const flowSees = 0.87

// darkDoubt is what darkness adds to any place, cm: dark and noisy variants of
// the rendered clips err by up to 4 cm more, and so does one compressed hard.
const darkDoubt = 4

// cutDoubt opens the bounds of what is counted from a stance that was not seen,
// cm: the batter may have sunk before the clip's first picture.
const cutDoubt = 4

// headNearer is how far the head may come toward the camera or leave it during
// the swing, cm, in side views and along the line to the pitcher. Common
// practice, no source.
const (
	headNearer      = 4.0
	headNearerAlong = 12.0
)

// landedDoubt is what a plant that was not seen to come to rest adds to the
// direction of the foot, degrees: about what feet turn in a tenth of a second
// before contact. Common practice, no source.
const landedDoubt = 12

// nearer is the same from where the camera stands.
func (a *analysis) nearer() float64 {
	along, off := headNearerAlong, headNearer
	if a.sides.side() {
		along, off = off, along
	}
	s, c := math.Sincos(rad(a.sides.off()))
	return math.Hypot(along*c, off*s)
}

// obliqueDoubt is what a degree off the straight view adds to the bounds of a
// fall, cm: a turning head is seen to sink. The simulated sweep over angles
// held 51 and 49 of 60 at 20 and 30° without it.
const obliqueDoubt = .06

// pixelDoubt is the half width that the picture's grain adds to any place in
// it, pixels: nothing on a large batter, a centimetre on one 170 pixels tall.
// Common practice, no source.
const pixelDoubt = 1.2

// legFlexion is the knee's flexion, degrees, of a leg whose hip and ankle are d
// apart: two links of tabulated length. In the stance hip and ankle lie at one
// depth, while the knee's own depth is what a network sees worst (it reads
// bent legs 20° too straight).
func legFlexion(d, height float64) float64 {
	t, s := thighOfHeight*height, shankOfHeight*height
	return 180 - deg(math.Acos(math.Min(math.Max((t*t+s*s-d*d)/(2*t*s), -1), 1)))
}

// kneesDeep is the share of the network's depth between the knees that holds: it
// sees the bend of the legs along the view as more than it is. Set so that
// neither 12 rendered clips nor simulated swings are off in the middle.
const kneesDeep = .6

// soleCM is how far the network's heel and toe points lie over the ground, in
// the shoe's upper. Common practice, no source.
const soleCM = 3

// ground is the row of the feet's points in the stance, pixels.
func (a *analysis) ground() float64 {
	g, j := a.grid, a.body
	return mid(g.joints[j.heelF], g.joints[j.toeF], g.joints[j.heelB], g.joints[j.toeB]).medianIn(a.a, a.b).Y
}

// sway is how far a path of the head may be off, pixels across and down, since
// a moment is not known exactly.
func (a *analysis) sway(h *path, at p.EventKind) (d p.Point) {
	e := a.ev[at]
	if at == p.Finish || !e.ok { // its bounds are wide by definition, not by doubt
		return d
	}
	w := .05 / a.grid.dt
	half := (e.hi - e.lo) / 2
	if at == p.Plant && e.reason != "foot_rest" {
		// Its bounds span toe and heel; the touch itself is labelled to 24 ms
		// by people (Wu 2022, Front. Neurosci. 16:976594).
		half = .024/a.grid.dt + .5
	}
	w = math.Max(w, half)
	x, y := h.net.lerp(e.i-w), h.net.lerp(e.i+w)
	k := half / (2 * w)
	return p.Point{X: math.Abs(y.X-x.X) * k, Y: math.Abs(y.Y-x.Y) * k}
}

// relative is how far the eyes lie below the ears at grid place i by the
// network, pixels.
func (a *analysis) relative(i float64) float64 {
	k := a.grid.clamp(i)
	e, r := a.eyes.net.medianIn(k-1, k+1), a.ears.net.medianIn(k-1, k+1)
	return e.Y - r.Y
}
