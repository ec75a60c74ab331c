package swing

import (
	"math"

	p "tapeline/pipeline"
)

// draw fills what painting needs: geometry and the smoothed path, one entry a
// decoded frame.
func (a *analysis) draw(s *p.Swing) {
	g, sc, sd, j := a.grid, a.scale, a.sides, a.body
	contact := a.ev[p.Contact]
	feetPx := sc.at(j.ankleF, j.ankleB)
	// What is drawn is what was measured: the flow's path, or the network's
	// where the flow broke.
	release := contact.i + .3/g.dt
	if a.eyes.lost {
		release = a.anchor
	}
	eyes := a.eyes.joined(g, a.anchor, release)
	ears := a.ears.joined(g, a.anchor, release)
	// The measured point lies between eyes and nose; marks belong on the eyes.
	var e []track2
	for _, k := range eyePoints {
		e = append(e, g.joints[k])
	}
	only := mid(e...).medianIn(a.a, a.b)
	ref := a.eyes.net.medianIn(a.a, a.b)
	up := p.Point{X: only.X - ref.X, Y: only.Y - ref.Y}

	// The chalk lies around the front foot where it stands.
	there := sd
	if pl := a.ev[p.Plant]; pl.ok {
		there = a.sidesAt(j.heelF, j.toeF, g.clamp(pl.i), g.clamp(contact.i))
	}
	s.Geometry = p.Geometry{
		Unit:      sc.unit,
		GroundX:   roundPoint(there.ground(feetPx, 1, 0), 4),
		GroundZ:   roundPoint(there.ground(feetPx, 0, 1), 4),
		EyesPx:    round(sc.at(eyePoints...), 4),
		FeetPx:    round(feetPx, 4),
		Elevation: round(there.elevation, 2),
		EyeLevel:  roundPoint(p.Point{X: ref.X + up.X, Y: ref.Y + up.Y}, 2),
		Key:       a.key,
	}
	soles := []int{j.heelF, j.toeF, j.heelB, j.toeB}
	for _, k := range soles {
		s.Geometry.GroundY = math.Max(s.Geometry.GroundY, round(g.joints[k].medianIn(a.a, a.b).Y, 2))
	}

	low := func(k int, fc float64) track2 { return g.joints[k].low(fc, g.fs) }
	heelF, toeF, heelB, toeB := low(j.heelF, 6), low(j.toeF, 6), low(j.heelB, 6), low(j.toeB, 6)
	kneeF, kneeB, hipF, hipB := low(j.kneeF, 8), low(j.kneeB, 8), low(j.hipF, 8), low(j.hipB, 8)
	var held []track2
	for _, k := range a.wrists {
		held = append(held, g.joints[k])
	}
	hands := mid(held...).low(10, g.fs)
	nose := low(p.Nose, 8)
	atPlant, atContact := s.Measure("front_foot_open", "", p.Plant), s.Measure("front_foot_open", "", p.Contact)
	drop := s.Measure("eye_drop", p.Stance, p.Contact)

	for f := range g.frames {
		fr := &g.frames[f]
		i := g.index(fr.PTS / g.factor)
		d := p.Drawn{Frame: fr.Index, T: fr.PTS, Camera: fr.Camera, Energy: fr.EnergyBat, Seen: i > -.5 && i < float64(g.n)-.5 && g.score[g.clamp(i)] > 0}
		q := eyes.lerp(i)
		d.Eyes = p.Point{X: q.X + up.X, Y: q.Y + up.Y}
		d.Head, d.Nose = ears.lerp(i), nose.lerp(i)
		d.Drop = (q.Y - ref.Y) / s.Geometry.EyesPx
		d.DropDoubt = 1.35
		if drop != nil && drop.Value != nil {
			d.DropDoubt = (*drop.Hi - *drop.Lo) / 2
		}
		d.HeelFront, d.ToeFront, d.HeelBack, d.ToeBack = heelF.lerp(i), toeF.lerp(i), heelB.lerp(i), toeB.lerp(i)
		d.KneeFront, d.KneeBack, d.HipFront, d.HipBack = kneeF.lerp(i), kneeB.lerp(i), hipF.lerp(i), hipB.lerp(i)
		d.Hands = hands.lerp(i)
		if q, ok := g.markerAt(i); a.marked && ok {
			d.Marker = &q
		}
		if pl := a.ev[p.Plant]; pl.ok && i >= pl.i-.5 && atPlant.Value != nil && atContact.Value != nil {
			u := math.Min(math.Max((i-pl.i)/math.Max(contact.i-pl.i, 1), 0), 1)
			mix := func(a, b *float64) *float64 { return num((1-u)**a+u**b, 2) }
			d.Open, d.OpenLo, d.OpenHi = mix(atPlant.Value, atContact.Value), mix(atPlant.Lo, atContact.Lo), mix(atPlant.Hi, atContact.Hi)
		}
		d.Box = [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
		for k := range g.joints {
			q := g.joints[k].lerp(i)
			d.Box[0], d.Box[1] = math.Min(d.Box[0], q.X), math.Min(d.Box[1], q.Y)
			d.Box[2], d.Box[3] = math.Max(d.Box[2], q.X), math.Max(d.Box[3], q.Y)
		}
		// The points stop at the eyes and soles: the head's top and the body's
		// width lie outside them.
		m := .06 * a.bodyPx
		d.Box[0], d.Box[1], d.Box[2], d.Box[3] = d.Box[0]-m, d.Box[1]-1.8*m, d.Box[2]+m, d.Box[3]+.5*m
		s.Path = append(s.Path, d)
	}
}

func roundPoint(q p.Point, n int) p.Point { return p.Point{X: round(q.X, n), Y: round(q.Y, n)} }
