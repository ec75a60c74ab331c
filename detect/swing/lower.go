package swing

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	p "tapeline/pipeline"
	"tapeline/pipeline/field"
)

type (
	putter func(key string, from, at p.EventKind, unit string, v, lo, hi float64, warn ...string) *p.Measure
	nuller func(key string, from, at p.EventKind, unit, why string)
)

// lower works out how much lower to start where the body itself sinks until
// contact: half of it, so that the eyes begin midway between the two lines;
// where the tape then hangs; how far each knee bends for it and how much more
// that is than now. Whether it is advised is not decided here. Where most of
// the fall is the head's nod, or the body doesn't surely sink, start_lower is
// null and the others are left out.
func (a *analysis) lower(s *p.Swing, put putter, null nuller) {
	none := func(why string) { null("start_lower", "", p.Stance, a.scale.unit, why) }
	eye, head := s.Measure("eye_drop", p.Stance, p.Contact), s.Measure("head_drop", p.Stance, p.Contact)
	switch {
	case eye.Value == nil || head.Value == nil:
		// A number that came to nothing carries no reason of its own.
		none(append(append(append([]string{}, eye.Warnings...), head.Warnings...), "sink_unsure")[0])
		return
	case *eye.Lo > 0 && *head.Value <= *eye.Value/2:
		none("nod_not_legs")
		return
	case *head.Lo <= 0:
		none("sink_unsure")
		return
	}
	x := bound{*head.Value / 2, *head.Lo / 2, *head.Hi / 2}
	put("start_lower", "", p.Stance, a.scale.unit, x.v, x.lo, x.hi, head.Warnings...)
	h := s.Measure("eye_height", "", p.Stance)
	if h.Value != nil {
		tape := *h.Value - x.v
		put("tape_height", "", p.Stance, a.scale.unit, tape, tape-rms(*h.Value-*h.Lo, x.hi-x.v), tape+rms(*h.Hi-*h.Value, x.v-x.lo))
	}

	j := a.body
	for _, side := range []struct {
		name             string
		hip, knee, ankle int
	}{{"front", j.hipF, j.kneeF, j.ankleF}, {"back", j.hipB, j.kneeB, j.ankleB}} {
		now := s.Measure("stance_knee_"+side.name, "", p.Stance)
		if now.Value == nil {
			continue
		}
		to, more, ok := a.leg(side.hip, side.knee, side.ankle).bend(x, bound{*now.Value, *now.Lo, *now.Hi})
		if !ok {
			null("start_lower_knee_"+side.name, "", p.Stance, "deg", "out_of_reach")
			null("start_lower_more_"+side.name, "", p.Stance, "deg", "out_of_reach")
			continue
		}
		put("start_lower_knee_"+side.name, "", p.Stance, "deg", to.v, to.lo, to.hi)
		put("start_lower_more_"+side.name, "", p.Stance, "deg", more.v, more.lo, more.hi)
	}
}

// bound is a value with its 95 % bounds.
type bound struct{ v, lo, hi float64 }

// leg is one leg of the stance as two links, in one unit: level is how far
// ankle and hip stand apart level with the ground, levelDoubt its half width.
type leg struct{ thigh, shank, level, levelDoubt float64 }

// Of the batter's height: how far hip and ankle stand apart along the line of
// sight in a stance seen from its end, where the feet are wider than the hips,
// and how much that differs from batter to batter (95 %); seen from the side,
// the hip may be that much before or behind the ankle. Common practice, no
// source.
const (
	unseenLevel      = .10
	unseenLevelDoubt = .07
)

// bones is how far a batter's thigh and shank may be from those assumed,
// relative (95 %), see scale.go.
const bones = .05

// kneeLimit is about as far as a knee bends, degrees. Common practice, no
// source.
const kneeLimit = 150

// leg of the stance. A segment is at least as long as it ever looks, so what
// the picture shows of it until contact counts beside the tabulated share of
// the height, as far as people differ; where it points at the camera the table
// stands.
func (a *analysis) leg(hip, knee, ankle int) leg {
	g, sc := a.grid, a.scale
	length := func(from, to int, share float64) float64 {
		var d []float64
		t := g.joints[from].minus(g.joints[to]).low(8, g.fs)
		for i := a.a; i <= g.clamp(a.ev[p.Contact].i); i++ {
			d = append(d, math.Hypot(t.x[i], t.y[i])/sc.at(from, to))
		}
		slices.Sort(d)
		tabled := share * sc.height
		return math.Min(math.Max(stat.Quantile(.9, stat.Empirical, d, nil), tabled), (1+bones)*tabled)
	}
	h, k := g.raw[hip].medianIn(a.a, a.b), g.raw[ankle].medianIn(a.a, a.b)
	across := (h.X-sc.cx)/sc.px[hip] - (k.X-sc.cx)/sc.px[ankle]
	l := leg{thigh: length(hip, knee, thighOfHeight), shank: length(knee, ankle, shankOfHeight), levelDoubt: unseenLevelDoubt * sc.height}
	along := 0.0
	if !a.sides.side() {
		along = unseenLevel * sc.height
	}
	l.level = math.Hypot(across, along)
	return l
}

// lowered is the knee's flexion, degrees, when the hip goes straight down by
// drop from where the knee is bent by flexion, and the ankle stays. ok is
// false where no leg gets there.
func (l leg) lowered(flexion, drop float64) (to float64, ok bool) {
	t, s := l.thigh, l.shank
	// The law of cosines at the knee gives hip to ankle; level is a side of
	// the right triangle under it, and can't be longer.
	was := t*t + s*s + 2*t*s*math.Cos(rad(flexion))
	level := math.Min(l.level*l.level, was)
	up := math.Sqrt(was-level) - drop
	c := (up*up + level - t*t - s*s) / (2 * t * s)
	if up <= 0 || c < math.Cos(rad(kneeLimit)) || c > 1 {
		return 0, false
	}
	return deg(math.Acos(c)), true
}

// bend is the flexion needed to come down by drop from the flexion now, and how
// much more it is, each with the doubts of drop, flexion, bones and level laid
// together. Bounds end at a straight leg and at kneeLimit.
func (l leg) bend(drop, now bound) (to, more bound, ok bool) {
	v, ok := l.lowered(now.v, drop.v)
	if !ok {
		return to, more, false
	}
	var toLo, toHi, moreLo, moreHi float64 // sums of squares
	vary := func(l leg, from, by float64) {
		w, ok := l.lowered(from, by)
		if !ok {
			w = kneeLimit
		}
		d, m := w-v, (w-from)-(v-now.v)
		for _, x := range []struct {
			d      float64
			lo, hi *float64
		}{{d, &toLo, &toHi}, {m, &moreLo, &moreHi}} {
			if x.d < 0 {
				*x.lo += x.d * x.d
			} else {
				*x.hi += x.d * x.d
			}
		}
	}
	vary(l, now.v, drop.lo)
	vary(l, now.v, drop.hi)
	vary(l, math.Max(0, now.lo), drop.v)
	vary(l, math.Min(now.hi, kneeLimit), drop.v)
	for _, k := range []float64{1 - bones, 1 + bones} {
		vary(leg{l.thigh * k, l.shank * k, l.level, 0}, now.v, drop.v)
	}
	for _, d := range []float64{-l.levelDoubt, l.levelDoubt} {
		vary(leg{l.thigh, l.shank, math.Max(0, l.level+d), 0}, now.v, drop.v)
	}
	between := func(v, lo, hi float64) bound {
		return bound{v, math.Max(0, v-math.Sqrt(lo)), math.Min(kneeLimit, v+math.Sqrt(hi))}
	}
	return between(v, toLo, toHi), between(v-now.v, moreLo, moreHi), true
}

// eyeTravelDoubt is the half width of how far the eyes come in the little time
// from launch to contact, cm. Set so that the bounds hold the truth of 95 of
// 100 simulated swings (seed 1).
const eyeTravelDoubt = 1.8

// decide measures what is left to see the ball with: how far the middle of the
// eyes gets in the picture from launch to contact, and, where the level is
// known, the flight of its pitch less the time the swing itself takes.
func (a *analysis) decide(put putter, px, cm, grain float64) {
	g, from, to := a.grid, a.ev[p.Launch], a.ev[p.Contact]
	pitch, ok := field.Pitch(a.level, a.sport)
	if !from.ok {
		if ok {
			put("decision_time", "", p.Launch, "s", math.NaN(), 0, 0, from.reason)
		}
		put("eye_travel", p.Launch, p.Contact, a.scale.unit, math.NaN(), 0, 0, from.reason)
		return
	}
	if ok {
		swing := (to.i - from.i) * g.dt
		early, late := rms(to.i-to.lo, from.hi-from.i)*g.dt, rms(to.hi-to.i, from.i-from.lo)*g.dt
		left := pitch.Flight - swing
		put("decision_time", "", p.Launch, "s", left, left-late, left+early)
	}
	var warn []string
	turned, doubt := 0.0, 0.0
	if !a.sides.faceSeen() {
		// The back of the head swings toward the pitcher while the eyes stay,
		// see eye_forward.
		if a.sides.side() {
			turned = 3.5 * cm * px * a.sides.right()
		}
		doubt, warn = rms(3, unseenNod[p.Contact])*cm, append(warn, "face_unseen")
	}
	eyes := func(i float64) p.Point {
		n := a.eyes.net.lerp(i)
		if a.eyes.lost {
			return n
		}
		f, start := a.eyes.flow.lerp(i), a.eyes.flow.lerp(a.anchor)
		if a.sides.faceSeen() {
			f.Y = start.Y + (f.Y-start.Y)/flowSees
		}
		return p.Point{X: (n.X + f.X) / 2, Y: f.Y}
	}
	way := func(p, q p.Point) float64 { return math.Hypot(q.X-p.X, q.Y-p.Y) / px }
	seen := eyes(to.i)
	v := way(eyes(from.i), p.Point{X: seen.X - turned, Y: seen.Y})
	net := way(a.eyes.net.lerp(from.i), a.eyes.net.lerp(to.i))
	half := rms(eyeTravelDoubt*cm, grain, doubt, a.scale.doubt*v, math.Min(.5*math.Abs(net-way(eyes(from.i), seen)), 3*cm),
		way(eyes(from.lo), eyes(from.hi))/2, way(eyes(to.lo), eyes(to.hi))/2)
	if a.eyes.lost {
		half, warn = rms(half, 4*cm), append(warn, "head_flow_lost")
	}
	put("eye_travel", p.Launch, p.Contact, a.scale.unit, v, math.Max(0, v-half), v+half, warn...)
}
