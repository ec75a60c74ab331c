package swing

import (
	"math"
	"slices"

	p "tapeline/pipeline"
)

// moment is an event on the grid: fractional index with 95 % bounds.
type moment struct {
	i, lo, hi float64
	ok        bool
	reason    string
}

type moments map[p.EventKind]moment

// relHands are wrists relative to the hips, low-passed at 8 Hz.
func relHands(g *grid, wrists ...int) track2 {
	var w []track2
	for _, j := range wrists {
		w = append(w, g.joints[j])
	}
	return mid(w...).minus(mid(g.joints[p.LeftHip], g.joints[p.RightHip])).low(8, g.fs)
}

// handSpeed of some wrists, body heights a second.
func handSpeed(g *grid, bodyPx float64, wrists ...int) []float64 {
	v := relHands(g, wrists...).speed(g.dt)
	for i := range v {
		v[i] /= bodyPx
	}
	return v
}

// handSets in the order they are believed: both hands hold the bat, but from
// some sides one wrist is behind the body and the network guesses.
var handSets = [][]int{{p.LeftWrist, p.RightWrist}, {p.LeftWrist}, {p.RightWrist}}

// A swing moves the hands at least this fast (body heights a second) and this
// far in 0.2 s (body heights). Origin: 24 spans of rendered and real clips;
// swings 2.45–5.1 and ≥ .29, waggles and standing ≤ 1.13 and ≤ .15.
const (
	swingSpeed  = 1.7
	swingTravel = 0.22
)

// findSwing looks for a swing of the hands within .25 s of grid index near; it
// returns their speed, the fastest moment and the wrists that showed it.
func findSwing(g *grid, near int, bodyPx float64) (v []float64, burst int, wrists []int, ok bool) {
	w := g.span(.2)
	most := 0.0
	for _, set := range handSets {
		r, hv := relHands(g, set...), handSpeed(g, bodyPx, set...)
		i := peak(hv, near-g.span(.25), near+g.span(.25))
		if hv[i] < swingSpeed {
			continue
		}
		// The longest way in any .2 s that hold the fastest moment.
		way := 0.0
		for a := max(i-w, 0); a <= i; a++ {
			b := min(a+w, g.n-1)
			way = math.Max(way, math.Hypot(r.x[b]-r.x[a], r.y[b]-r.y[a])/bodyPx)
		}
		// One wrist is believed against both only where the other clearly
		// stays behind.
		if way >= swingTravel && way > 1.3*most {
			v, burst, wrists, ok, most = hv, i, set, true, way
		}
	}
	return v, burst, wrists, ok
}

// peak is the index of the largest v in a…b.
func peak(v []float64, a, b int) int {
	a, b = max(a, 0), min(b, len(v)-1)
	m := a
	for i := a; i <= b; i++ {
		if v[i] > v[m] {
			m = i
		}
	}
	return m
}

// crossDown goes from i upward to where v first falls to level, interpolated;
// ok is false when it doesn't before end.
func crossDown(v []float64, i, end int, level float64) (float64, bool) {
	for ; i < min(end, len(v)-1); i++ {
		if v[i+1] <= level {
			if v[i] <= level {
				return float64(i), true
			}
			return float64(i) + (v[i]-level)/(v[i]-v[i+1]), true
		}
	}
	return 0, false
}

// contactBySight is the centroid of the lobe of bat energy × hand speed: the
// product peaks with the bat, and the centroid of all above a tenth of the
// peak lies nearer to contact than any single peak does.
// Error on 17 rendered and real clips: mean 11 ms, largest 20 ms; on simulated
// swings of other timings 17 ms from the chest side, and late where the swing
// runs along the line of sight and the hands look fastest behind contact: 14–29
// ms on two rendered clips and 40 simulated from pitcher and catcher, 17 from
// behind. The middle of that is taken off.
func contactBySight(g *grid, v []float64, burst int, sd *sides, bodyPx float64) moment {
	centre := func(energy []float64) (float64, bool) {
		e := make([]float64, g.n)
		for i := range e {
			e[i] = energy[i] * v[i]
		}
		e = gaussian(e, .025/g.dt)
		m := peak(e, burst-g.span(.2), burst+g.span(.25))
		if e[m] <= 0 {
			return 0, false
		}
		var s, w float64
		for i := m; i >= 0 && e[i] > .1*e[m]; i-- {
			s, w = s+float64(i)*e[i], w+e[i]
		}
		for i := m + 1; i < g.n && e[i] > .1*e[m]; i++ {
			s, w = s+float64(i)*e[i], w+e[i]
		}
		return s / w, true
	}
	c, ok := centre(g.energy)
	if !ok { // no energy at all: the hands alone
		c, _ = centre(slices.Repeat([]float64{1}, g.n))
	}
	// What moves beyond the body is fewer pixels and a worse clock; where it
	// tells another time, so much is in doubt.
	apart := 0.0
	if b, ok := centre(g.bat); ok {
		apart = math.Abs(b-c) / 4
	}
	early, late := rms((.03+.8*g.dt)/g.dt, apart), rms((.03+.8*g.dt)/g.dt, apart)
	switch sd.view {
	case p.ViewPitcher, p.ViewCatcher:
		c -= .03 / g.dt
		early, late = early+.03/g.dt, late+.02/g.dt
	case p.ViewBack:
		c -= .015 / g.dt
		early, late = early+.02/g.dt, late+.015/g.dt
	}
	m := moment{c, c - early, c + late, true, "bat_motion"}
	if b, ok := g.batPasses(sd, bodyPx, m); ok {
		return b
	}
	return m
}

const (
	batSides = .05 // body heights that the bat must lie beside the hands before and after it passes them
	// What moves beyond the body lies on the hands' front side this long before
	// contact: 8 to 14 ms on simulated swings, about 15 on eleven rendered clips
	// from the side with the ball masked, 30 where it flies in and is counted
	// with the bat. Half width of that and of what else moves, and of a bat 25°
	// off square at 1500° a second (judged, no source), each in 95 %, seconds.
	batLate, batDoubt, batSquare = .018, .025, .017

	batSlack = .03 // beyond the bounds of the blunter clock, seconds
)

// batPasses is contact as seen from the side: the bat, square to the ball's
// way, points at the camera or away from it, so that what moves beyond the body
// goes from the hands' back side to their front. near is what the
// blunter clock says.
func (g *grid) batPasses(s *sides, bodyPx float64, near moment) (moment, bool) {
	if !s.side() {
		return moment{}, false
	}
	hands := mid(g.joints[p.LeftWrist], g.joints[p.RightWrist])
	var t, x []float64
	for i := 1; i < len(g.frames); i++ {
		f := &g.frames[i]
		if f.BatAt == nil {
			continue
		}
		// It belongs to the span between two frames.
		k := g.index((f.PTS + g.frames[i-1].PTS) / 2 / g.factor)
		a, b := hands.at(g.clamp(math.Floor(k))), hands.at(g.clamp(math.Floor(k)+1))
		u := k - math.Floor(k)
		t = append(t, k)
		x = append(x, s.right()*(f.Camera.Apply(*f.BatAt).X-(1-u)*a.X-u*b.X)/bodyPx)
	}
	x = gaussian(x, .01/g.dt)
	// Mean over .015 to .08 s on one side of place i.
	side := func(i, dir int) float64 {
		var sum, n float64
		for k := i; k >= 0 && k < len(t); k += dir {
			if d := math.Abs(t[k]-t[i]) * g.dt; d > .08 {
				break
			} else if d >= .015 {
				sum, n = sum+x[k], n+1
			}
		}
		return sum / n // NaN where nothing is seen
	}
	best, most := moment{}, 0.
	for i := 1; i < len(t); i++ {
		if !(x[i-1] < 0 && x[i] >= 0) || (t[i]-t[i-1])*g.dt > 2.5*math.Max(g.dt, 1./60) {
			continue
		}
		before, after := side(i-1, -1), side(i, 1)
		c := t[i-1] + (t[i]-t[i-1])*x[i-1]/(x[i-1]-x[i]) + batLate/g.dt
		if before < -batSides && after > batSides && after-before > most && c > near.lo-batSlack/g.dt && c < near.hi+batSlack/g.dt {
			h := rms(batDoubt, batSquare, g.dt/2) / g.dt
			best, most = moment{c, c - h, c + h, true, "bat_motion"}, after-before
		}
	}
	return best, best.ok
}

// soundWindow: a crack that misses the bounds of what is seen by more than this
// belongs to somebody else's bat, seconds.
const soundWindow = 0.030

// contactBySound takes the crack's way through the air, delay seconds, off its
// arrival.
// The doubt is the distance's (35 %: a phone may zoom unseen), the onset's and
// a phone's own offset between sound and picture, taken as 11 ms (common
// practice, no source).
func contactBySound(g *grid, onsets []p.Onset, sight moment, delay float64) (moment, bool) {
	best, found := p.Onset{}, false
	for _, o := range onsets {
		t := o.T - delay
		if t >= g.time(sight.lo)-soundWindow && t <= g.time(sight.hi)+soundWindow && o.Strength > best.Strength {
			best, found = o, true
		}
	}
	if !found {
		return moment{}, false
	}
	half := math.Hypot(.011, .35*delay) / g.dt
	i := g.index(best.T - delay)
	m := moment{i, i - half, i + half, true, "sound"}
	if sight.reason == "ball" {
		return fused(m, sight), true
	}
	return m, true
}

// fused is the mean of two clocks by their variances, under the name of the
// sharper; where they disagree by more than they should, its bounds grow.
func fused(a, b moment) moment {
	if b.hi-b.lo < a.hi-a.lo {
		a, b = b, a
	}
	ha, hb := (a.hi-a.lo)/2, (b.hi-b.lo)/2
	both := math.Hypot(ha, hb)
	u := ha * ha / (both * both) // weight of b
	i := (1-u)*a.i + u*b.i
	h := ha * hb / both * math.Max(1, math.Abs(a.i-b.i)/both)
	return moment{i, i - h, i + h, true, a.reason}
}

// plant finds the landing of the front foot before contact: the mean of ankle,
// heel and toe slows down; the last hump of its speed that reaches .45 of the
// largest counts, and it has landed when .15 of that hump is left. Error on
// rendered clips: mean 14 ms, at most 1.2 frames.
func plant(g *grid, j body, contact float64, bodyPx float64) (pl, stride moment, warn string) {
	foot := mid(g.joints[j.ankleF], g.joints[j.heelF], g.joints[j.toeF])
	low := foot.low(8, g.fs)
	v := low.speed(g.dt)
	for i := range v {
		v[i] /= bodyPx
	}
	from, to := g.clamp(contact-1.0/g.dt), g.clamp(contact-.07/g.dt)
	if to-from < 4 {
		return moment{reason: "clip_starts_late"}, moment{reason: "clip_starts_late"}, "clip_starts_late"
	}
	top := peak(v, from, to)
	way := 0.0
	for i := from; i < to; i++ {
		way += v[i] * g.dt
	}
	if v[top] < .25 || way < .03 {
		return moment{reason: "no_stride"}, moment{reason: "no_stride"}, "no_stride"
	}
	// The last hump: at least .45 of the largest and .02 of a height long (a
	// tremble is shorter), and over .13 s before contact, which no batter's
	// plant comes nearer than.
	last := top
	for i := from + 1; i < g.clamp(contact-.15/g.dt); i++ {
		if v[i] >= v[i-1] && v[i] > v[i+1] && v[i] >= .45*v[top] && i > last && hump(v, i, .3)*g.dt >= .02 {
			last = i
		}
	}
	// Landed: .15 of the way up from the first minimum behind the hump,
	// which is not zero where the network trembles.
	bottom := last
	for i := last + 1; i < g.clamp(contact+.02/g.dt); i++ {
		if v[i] < .35*v[last] && v[i] <= v[i-1] && v[i] <= v[i+1] {
			bottom = i
			break
		}
	}
	still, found := 0.0, false
	if bottom > last {
		still, found = crossDown(v, last, bottom+1, v[bottom]+.15*(v[last]-v[bottom]))
	}
	// Where the foot rests once it has landed. The touch can be as early as the
	// moment from which heel or toe stays at its resting height: a real foot
	// lands on the toe and comes to rest up to a tenth of a second later.
	if !found {
		warn = "plant_uncertain"
		still = float64(peakMin(v, last, max(last, g.clamp(contact-leastStand/g.dt))))
	}
	lo := still
	a, b := g.clamp(still+.03/g.dt), g.clamp(math.Min(still+.1/g.dt, contact))
	if b < a {
		b = a
	}
	for _, k := range []int{j.heelF, j.toeF} {
		s := g.joints[k].low(8, g.fs)
		rest := s.medianIn(a, b).Y
		i := g.clamp(still)
		for i > g.clamp(still-.13/g.dt) && math.Abs(s.y[i]-rest) < .009*bodyPx {
			i--
		}
		lo = math.Min(lo, float64(i+1))
	}
	one := math.Max(1, .016/g.dt)
	pl = moment{still, math.Min(lo, still-math.Max(one, .05/g.dt)), still + 1.5*one, true, "foot_speed"}
	if !found {
		pl = moment{still, lo - 2*one, math.Max(still+1.5*one, contact-leastStand/2/g.dt), true, "foot_rest"}
	}
	// Stride: back from the landing over humps no farther apart than .25 s.
	i := last
	for rest := 0; i > from && rest < g.span(.25); i-- {
		if v[i] < .2*v[last] {
			rest++
		} else {
			rest = 0
		}
	}
	for i < last && v[i] < .2*v[last] {
		i++
	}
	stride = moment{float64(i), float64(i) - .05/g.dt, float64(i) + .05/g.dt, true, "foot_speed"}
	return pl, stride, warn
}

// hump is the sum of v around its local maximum i while it stays above share of
// it.
func hump(v []float64, i int, share float64) float64 {
	s := v[i]
	for k := i + 1; k < len(v) && v[k] > share*v[i]; k++ {
		s += v[k]
	}
	for k := i - 1; k >= 0 && v[k] > share*v[i]; k-- {
		s += v[k]
	}
	return s
}

// peakMin is the index of the smallest v in a…b.
func peakMin(v []float64, a, b int) int {
	m := a
	for i := a; i <= b && i < len(v); i++ {
		if v[i] < v[m] {
			m = i
		}
	}
	return m
}

// stance finds the last still interval before the first move: hands, front
// foot and hips together slower than a threshold that follows the clip's own
// calmest moment. found is false when there is none: the interval is then the
// first pictures.
func stance(g *grid, j body, first float64, bodyPx float64) (a, b int, found bool) {
	hv := handSpeed(g, bodyPx, handSets[0]...)
	fv := mid(g.joints[j.ankleF], g.joints[j.heelF], g.joints[j.toeF]).low(6, g.fs).speed(g.dt)
	pv := mid(g.joints[p.LeftHip], g.joints[p.RightHip]).low(6, g.fs).speed(g.dt)
	act := make([]float64, g.n)
	for i := range act {
		act[i] = math.Max(hv[i], math.Max(fv[i], pv[i])/bodyPx)
	}
	w := g.span(.12)
	end := g.clamp(first)
	calm := math.Inf(1)
	for i := max(0, end-g.span(2)); i+w <= end; i++ {
		calm = math.Min(calm, mean(act[i:i+w]))
	}
	if math.IsInf(calm, 1) {
		return 0, max(1, min(end, w)), false
	}
	limit := math.Max(.15, 1.5*calm)
	run := 0
	for i := end; i >= 0; i-- {
		if act[i] < limit {
			if run == 0 {
				b = i
			}
			run++
			a = i
			if run >= g.span(.5) {
				return a, b, true
			}
		} else {
			if run >= w {
				return a, b, true
			}
			run = 0
		}
	}
	if run >= w {
		return a, b, true
	}
	return 0, max(1, min(end, w)), false
}

// finish is where hands and bat come to rest after the swing: the first quiet
// minimum of hand speed and motion energy together, each as a share of its
// peak (the energy over its level in the stance a…b).
func finish(g *grid, v []float64, contact float64, burst, a, b int) moment {
	e := gaussian(g.energy, .025/g.dt)
	calm := median(e[max(a, 0) : min(b, g.n-1)+1])
	top := e[peak(e, g.clamp(contact)-g.span(.1), g.clamp(contact)+g.span(.2))] - calm
	s := make([]float64, g.n)
	for i := range s {
		s[i] = v[i] / v[burst]
		if top > 0 {
			s[i] = (s[i] + math.Max(0, e[i]-calm)/top) / 2
		}
	}
	// A dip on the way down is none: nothing within .12 s is calmer by a
	// twelfth of the swing.
	rest := func(i int) bool {
		for k := i + 1; k <= i+g.span(.12) && k < g.n; k++ {
			if s[k] < s[i]-.08 {
				return false
			}
		}
		return true
	}
	for i := g.clamp(contact + .2/g.dt); i < g.n-1; i++ {
		if s[i] < .03 || (s[i] < .2 && s[i] <= s[i-1] && s[i] < s[i+1] && rest(i)) {
			h := .2 / g.dt // hands and bat run out; the span is as wide as that
			return moment{float64(i), float64(i) - h, float64(i) + h, true, "hand_and_bat_speed"}
		}
	}
	return moment{reason: "clip_ends_early"}
}

// leastStand is the shortest time, seconds, that the front foot stands before
// contact: about .175 are usual (Welch 1995, from memory), and the hands start
// after it.
const leastStand = .1

// leastSwing is the shortest time, seconds, from the hands' start to contact
// that is believed. Published swings take .15 s (Adair, as reported) to .208 ±
// .042 s (softball; Reilly-Boccia, The Sport Journal). From pitcher and catcher
// the hands start along the line of sight: on rendered swings what is read there
// comes .1–.16 s late.
const leastSwing = .1

// launch goes back from the fastest hands to where they start forward.
func launch(g *grid, v []float64, burst int, notBefore float64) moment {
	i := burst
	for i > 0 && float64(i) > notBefore && v[i] > .2*v[burst] {
		i--
	}
	h := math.Max(1, .03/g.dt)
	return moment{float64(i), float64(i) - h, float64(i) + h, true, "hand_speed"}
}

// extension: both arms longest within .08 s after contact, from the network's
// own 3-D points. It trembles by some frames where the arms point at the camera
// and where frames are few, so half of it is what is usual: 25 ms after contact,
// the middle of 10–40 on 19 rendered swings.
func extension(g *grid, contact moment) moment {
	arm := make([]float64, g.n)
	for i := range arm {
		w := func(j int) v3 { return v3{g.world[j][0][i], g.world[j][1][i], g.world[j][2][i]} }
		arm[i] = norm(sub(w(p.LeftShoulder), w(p.LeftWrist))) + norm(sub(w(p.RightShoulder), w(p.RightWrist)))
	}
	arm = lowpass(arm, 10, g.fs)
	a, b := g.clamp(contact.i), g.clamp(contact.i+.08/g.dt)
	m := (float64(peak(arm, a, b)) + contact.i + .025/g.dt) / 2
	h := math.Max(1, .045/g.dt)
	return moment{m, math.Max(m-h, contact.lo), m + h, true, "arm_length"}
}
