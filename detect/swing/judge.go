package swing

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"tapeline/detect/sound"
	p "tapeline/pipeline"
)

// Judge turns a track into a report without findings. What the user gave wins
// over what the track carries. Errors: *pipeline.Error with FaultNoSwing when
// no window holds a swing or the swing asked for isn't there.
func Judge(t p.Track, given p.Given) (p.Report, error) {
	if t.Schema != p.TrackSchema {
		return p.Report{}, &p.Error{Fault: p.FaultUnreadable, Step: "judge", What: fmt.Sprintf("track.json has schema %d, this program reads %d", t.Schema, p.TrackSchema), Hint: "read the clip again"}
	}
	r := p.Report{Schema: p.ReportSchema, Warnings: append([]p.Warning{}, t.Warnings...), Swings: []p.Swing{}}
	c := t.Clip
	r.Warnings = append(r.Warnings, c.Warnings...)
	r.Clip = p.ClipInfo{ID: c.ID, Name: c.Name, Width: c.Width, Height: c.Height, Rotation: c.Rotation,
		Duration: round(c.Duration, 4), CaptureRate: round(c.CaptureRate, 4), TimeFactor: round(c.TimeFactor, 4)}
	var judged []*analysis
	lying := false
	if given.Scale == nil {
		given.Scale = t.Given.Scale
	}
	if err := given.Fits(c); err != nil {
		return r, err
	}
	if err := inClip(given.Coach, &t); err != nil {
		return r, err
	}
	for i := range t.Windows {
		a := analyse(&t, &t.Windows[i], given)
		if a != nil && a.lies() {
			lying = true
		} else if a != nil {
			judged = append(judged, a)
		}
	}
	if len(judged) == 0 && lying {
		return r, &p.Error{Fault: p.FaultUnreadable, Step: "judge", Path: c.Name, What: "the batter lies on the side in the picture", Hint: "turn the clip upright and read it again"}
	}
	if len(judged) == 0 {
		return r, &p.Error{Fault: p.FaultNoSwing, Step: "judge", Path: c.Name, What: "no swing found", Hint: "film one whole swing, side on, with the batter in view from stance to finish"}
	}
	best := 0
	for i, a := range judged {
		if a.quality() > judged[best].quality()+1e-9 {
			best = i
		}
	}
	if given.Swing > len(judged) {
		return r, &p.Error{Fault: p.FaultNoSwing, Step: "judge", Path: c.Name, What: fmt.Sprintf("swing %d asked for, %d found", given.Swing, len(judged)), Hint: "choose a smaller number or leave it out"}
	}
	if given.Swing > 0 {
		best = given.Swing - 1
	}
	for i, a := range judged {
		s := a.swing()
		s.Index, s.Chosen = i+1, i == best
		r.Swings = append(r.Swings, s)
	}
	b := judged[best]
	r.Warnings = append(r.Warnings, b.warnings...)
	r.Batter = p.Batter{Bats: b.sides.bats, View: b.sides.view, ViewAngle: num(b.sides.off(), 1), Inferred: append([]string{}, b.sides.inferred...)}
	if given.HeightCM > 0 {
		r.Batter.HeightCM = num(given.HeightCM, 1)
	} else {
		r.Batter.Inferred = append(r.Batter.Inferred, "height_cm")
	}
	return r, nil
}

// footHidden: below this score the network does not see the front foot but
// guesses it. Feet in sight score .85 and more, one behind a leg .4 and one
// behind a box .26, on rendered clips.
const footHidden = .5

// frontFootSeen is the network's own belief, 0…1, that the front foot is in
// sight: the median over the window.
func (a *analysis) frontFootSeen() float64 {
	var s []float64
	for i := range a.grid.frames {
		if q := a.grid.frames[i].Pose; q != nil {
			s = append(s, (q.Joints[a.body.ankleF].Score+q.Joints[a.body.heelF].Score+q.Joints[a.body.toeF].Score)/3)
		}
	}
	return median(s)
}

// obliqueAngle is how far off its named view, degrees, a camera is read that
// costs so much accuracy that it is said. What is read is about .7 of the true
// angle; from 25° on bounds begin to fail (samples/docs/SWEEPS.md).
const obliqueAngle = 15

// analysis is one window on its way to a swing.
type analysis struct {
	clip      p.Clip
	grid      *grid
	scale     *scale
	sides     *sides
	body      body
	wrists    []int // that showed the swing
	ev        moments
	a, b      int // still interval before the first move
	eyes      path
	ears      path
	anchor    float64
	warnings  []p.Warning
	blindFoot bool // the front foot is guessed
	dark      bool // or compressed hard: places are less sure
	cut       bool // no still interval: what stands for the stance may be later
	marked    bool // the batter wears a marker
	level     p.Level
	sport     p.Sport
	hand      byHand
	key       int
	bodyPx    float64
}

func (a *analysis) warn(code, detail string) {
	from, to := round(a.pts(0), 3), round(a.pts(float64(a.grid.n-1)), 3)
	a.warnings = append(a.warnings, p.Warning{Code: code, Detail: detail, From: &from, To: &to})
}

// pts is presentation time of a grid place.
func (a *analysis) pts(i float64) float64 { return a.grid.time(i) * a.grid.factor }

// analyse judges one window; nil when it holds no swing.
func analyse(t *p.Track, w *p.Window, given p.Given) *analysis {
	g := newGrid(t.Clip, w)
	if g == nil {
		return nil
	}
	a := &analysis{clip: t.Clip, grid: g, ev: moments{}, key: w.Key, marked: t.Given.Marked(), level: cmp.Or(given.Level, t.Given.Level), sport: cmp.Or(given.Sport, t.Given.Sport), hand: handOf(given.Coach, g, w)}
	burst := g.clamp(g.index(w.Burst / g.factor))
	// A first scale from the calm half before the burst; a second one from the
	// stance once it is known.
	sc, _ := newScale(g, t.Clip, given, max(0, burst-g.span(1.2)), max(1, burst-g.span(.35)))
	if sc == nil {
		return nil
	}
	a.bodyPx = sc.height * sc.at(p.LeftHip, p.RightHip)
	v, burst, wrists, ok := findSwing(g, burst, a.bodyPx)
	if !ok {
		return nil
	}
	a.wrists = wrists
	if len(wrists) == 1 {
		a.warn("hand_hidden", "")
	}

	first := newSides(g, t.Clip, sc, given, max(0, burst-g.span(1.2)), max(1, burst-g.span(.35)), burst)
	if g.plate != nil && !first.beside(*g.plate) {
		g.plate = nil
	}
	sight := contactBySight(g, v, burst, first, a.bodyPx)
	if m, ok := contactByBall(g, a.bodyPx, sc.metres(), first); ok && m.hi >= sight.lo-ballWindow/g.dt && m.lo <= sight.hi+ballWindow/g.dt {
		sight = m
	}
	contact := a.hand.moment(p.Contact, sight)
	a.body = bodyOf(first.bats)
	_, st, _ := plant(g, a.body, contact.i, a.bodyPx)
	before := contact.i - .3/g.dt
	if st.ok {
		before = st.i
	}
	var found bool
	a.a, a.b, found = stance(g, a.body, before, a.bodyPx)
	if m := a.hand.moment(p.Stance, moment{}); m.ok {
		a.a, a.b, found = g.clamp(m.i)-g.span(.05), g.clamp(m.i)+g.span(.05), true
		a.a, a.b = max(a.a, 0), min(a.b, g.n-1)
	}
	if s, apart := newScale(g, t.Clip, given, a.a, a.b); s != nil {
		sc = s
		if apart != 0 {
			a.warn("scale_disagrees", fmt.Sprintf("%.0f %%", 100*math.Abs(apart)))
		}
		a.bodyPx = sc.height * sc.at(p.LeftHip, p.RightHip)
	}
	a.scale = sc
	a.sides = newSides(g, t.Clip, sc, given, a.a, a.b, burst)
	a.body = bodyOf(a.sides.bats)
	for _, w := range slices.Concat(t.Warnings, t.Clip.Warnings) {
		a.dark = a.dark || w.Code == "dark" || w.Code == "compressed"
	}
	a.cut = !found
	// What was said wins, but a picture that shows the other side is told.
	if given.Bats != p.SideUnknown && (a.sides.votes > .35) == (given.Bats == p.BatsLeft) && math.Abs(a.sides.votes) > .35 {
		a.warn("bats_doubtful", "")
	}
	if seen := a.frontFootSeen(); seen < footHidden {
		a.blindFoot = true
		a.warn("foot_hidden", fmt.Sprintf("%.0f %%", 100*seen))
	}
	if off := a.sides.off(); math.Abs(off) > obliqueAngle {
		a.warn("oblique", fmt.Sprintf("%.0f°", off))
	}
	if !found {
		a.warn("stance_cut", "")
	}

	metres := sc.metres()
	if given.Distance > 0 {
		metres = given.Distance
	}
	if g.factor == 1 {
		if m, ok := contactBySound(g, t.Onsets, sight, sound.Delay(metres, 20)); ok {
			contact = m
		} else if len(t.Onsets) > 0 {
			a.warn("sound_elsewhere", "")
		}
	}
	contact = a.hand.moment(p.Contact, contact)
	pl, st, warn := plant(g, a.body, contact.i, a.bodyPx)
	if _, set := a.hand.times[p.Plant]; warn != "" && !set {
		a.warn(warn, "")
	}
	if pl.ok && !a.sides.side() {
		// The stride runs along the line of sight; from behind the plate the
		// back leg hides the foot besides.
		more := .03 / g.dt
		if a.sides.view == p.ViewCatcher {
			more = .08 / g.dt
		}
		pl.lo, pl.hi = pl.lo-more, pl.hi+more
	}
	if pl.ok && a.blindFoot {
		// Guessed feet land up to a tenth of a second off (samples/docs/SWEEPS.md).
		pl.lo, pl.hi = pl.lo-.1/g.dt, math.Max(pl.hi, math.Min(pl.hi+.1/g.dt, contact.i))
	}
	pl = a.hand.moment(p.Plant, pl)
	a.hand.place(g, a.body, a.a, a.b) // behind the plant: a foot put right on one picture is no step
	a.ev[p.Contact], a.ev[p.Plant], a.ev[p.Stride] = contact, pl, st
	la := launch(g, v, burst, contact.i-.35/g.dt)
	if pl.ok && la.i < pl.i { // the hands start once the foot is down
		la.i, la.hi = pl.i, math.Max(la.hi, pl.hi)
	}
	if la.i > contact.i-1 { // a hidden hand may look fastest behind contact
		la.i = contact.i - 1
	}
	la.lo, la.hi = math.Min(la.lo, la.i), math.Max(math.Min(la.hi, contact.hi), la.i)
	start := la.i
	if !a.sides.side() || contact.i-la.i < leastSwing/g.dt {
		la = moment{reason: "launch_unseen"}
	}
	a.ev[p.Launch] = la
	a.ev[p.Extension] = extension(g, contact)
	a.ev[p.Finish] = finish(g, v, contact.i, burst, a.a, a.b)
	a.ev[p.Stance] = moment{float64(a.a+a.b) / 2, float64(a.a), float64(a.b), true, "still"}
	load := float64(a.b)
	if load >= start {
		a.ev[p.Load] = moment{reason: "clip_starts_late"}
	} else {
		// A still spell is easily broken by a tremble, so the first move may
		// come later, but not after the front foot has left the ground.
		hi := load + .1/g.dt
		if st.ok {
			hi = math.Max(hi, st.i)
		}
		a.ev[p.Load] = moment{load, load - .1/g.dt, hi, true, "first_move"}
	}
	for _, k := range []p.EventKind{p.Load, p.Stride, p.Launch, p.Extension, p.Finish} {
		a.ev[k] = a.hand.moment(k, a.ev[k])
	}
	a.anchor = contact.i - .17/g.dt
	if pl.ok {
		a.anchor = pl.i
	}
	a.eyes = follow(g, eyesNet(g), a.anchor, contact.i)
	a.ears = follow(g, earsNet(g), a.anchor, contact.i)
	a.hand.follow(g, a.a, a.b, &a.eyes, &a.ears)
	if a.eyes.lost {
		a.warn("head_flow_lost", "")
	}
	return a
}

// lies reports a picture on its side: ankles and shoulders of the stance stand
// farther apart across it than down it.
func (a *analysis) lies() bool {
	g := a.grid
	up := mid(g.joints[p.LeftShoulder], g.joints[p.RightShoulder]).medianIn(a.a, a.b)
	down := mid(g.joints[p.LeftAnkle], g.joints[p.RightAnkle]).medianIn(a.a, a.b)
	return down.Y-up.Y < math.Abs(down.X-up.X)
}

// quality ranks swings by how well they are seen.
func (a *analysis) quality() float64 {
	seen := 1 - a.grid.lostS/(float64(a.grid.n)*a.grid.dt)
	q := seen + .2*mean(a.grid.score)
	if a.ev[p.Plant].ok {
		q += .3
	}
	if a.ev[p.Finish].ok {
		q += .2
	}
	if a.ev[p.Contact].reason == "sound" {
		q += .1
	}
	return q
}

// swing writes the analysis out.
func (a *analysis) swing() p.Swing {
	s := p.Swing{Events: []p.Event{}, Findings: []p.Finding{}}
	for _, k := range p.EventKinds {
		m := a.ev[k]
		e := p.Event{Kind: k, Reason: m.reason}
		if m.ok {
			i := math.Min(math.Max(m.i, 0), float64(a.grid.n-1))
			lo, hi := math.Max(m.lo, math.Min(0, i)), math.Min(m.hi, math.Max(float64(a.grid.n-1), i))
			e.T, e.Lo, e.Hi = num(a.pts(i), 4), num(a.pts(lo), 4), num(a.pts(hi), 4)
			f := a.clip.FrameAt(a.pts(i))
			e.Frame = &f
		}
		s.Events = append(s.Events, e)
	}
	a.measure(&s)
	a.draw(&s)
	return s
}

func round(v float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	r := math.Round(v*k) / k
	if r == 0 {
		return 0 // no −0 in the file
	}
	return r
}

func num(v float64, digits int) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	r := round(v, digits)
	return &r
}
