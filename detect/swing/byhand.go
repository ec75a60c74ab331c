package swing

import (
	"fmt"
	"math"

	p "tapeline/pipeline"
)

// handDoubt is how far off a point lies that a person put on a still, half
// width of 95 %, picture pixels, and handLeast the same in cm: nobody sees
// where exactly an eye or a heel is. Common practice, no source.
const (
	handDoubt = 2
	handLeast = .8
)

// byHand is what the coach put right in one window.
type byHand struct {
	times  map[p.EventKind]float64 // grid places
	points []placed
}

type placed struct {
	part string
	i    float64 // grid place
	at   p.Point // key frame pixels
}

// handOf keeps of the coach's corrections those that lie in the window.
func handOf(c *p.Coach, g *grid, w *p.Window) byHand {
	h := byHand{times: map[p.EventKind]float64{}}
	if c == nil {
		return h
	}
	for _, t := range c.Times {
		if t.T >= w.From && t.T <= w.To {
			h.times[t.Event] = g.index(t.T / g.factor)
		}
	}
	for _, q := range c.Points {
		for i := range w.Frames {
			if f := &w.Frames[i]; f.Index == q.Frame {
				h.points = append(h.points, placed{q.Part, g.index(f.PTS / g.factor), f.Camera.Apply(q.At)})
			}
		}
	}
	return h
}

// inClip checks that every correction lies in a window with a swing's pictures.
// The error is an *Error with FaultUsage.
func inClip(c *p.Coach, t *p.Track) error {
	if c == nil {
		return nil
	}
	wrong := func(what string, a ...any) error {
		return &p.Error{Fault: p.FaultUsage, Step: "judge", Path: t.Clip.Name, What: fmt.Sprintf(what, a...), Hint: "correct it in the sidecar"}
	}
	last := -1.0
	for _, k := range p.EventKinds {
		for _, e := range c.Times {
			if e.Event != k {
				continue
			}
			if e.T <= last {
				return wrong("times.%s: %.3f s is not after the phase before it", k, e.T)
			}
			last = e.T
		}
	}
	for _, e := range c.Times {
		if !inWindow(t, func(w *p.Window) bool { return e.T >= w.From && e.T <= w.To }) {
			return wrong("times.%s: there is no swing at %.3f s", e.Event, e.T)
		}
	}
	for _, q := range c.Points {
		if q.At.X > float64(t.Clip.Width) || q.At.Y > float64(t.Clip.Height) {
			return wrong("points: %s at %g,%g lies outside the picture of %d×%d", q.Part, q.At.X, q.At.Y, t.Clip.Width, t.Clip.Height)
		}
		if !inWindow(t, func(w *p.Window) bool {
			return len(w.Frames) > 0 && q.Frame >= w.Frames[0].Index && q.Frame <= w.Frames[len(w.Frames)-1].Index
		}) {
			return wrong("points: frame %d belongs to no swing", q.Frame)
		}
	}
	return nil
}

func inWindow(t *p.Track, in func(*p.Window) bool) bool {
	for i := range t.Windows {
		if in(&t.Windows[i]) {
			return true
		}
	}
	return false
}

// moment the coach set for a phase, sharp to half a picture; or m.
func (h byHand) moment(k p.EventKind, m moment) moment {
	if i, ok := h.times[k]; ok {
		return moment{i, i - .5, i + .5, true, "coach"}
	}
	return m
}

// part is where the coach put it between two grid places, half a picture more
// either way; the mean of several.
func (h byHand) part(name string, from, to float64) (q p.Point, ok bool) {
	n := 0.0
	for _, c := range h.points {
		if c.part == name && c.i >= from-.75 && c.i <= to+.75 {
			q.X, q.Y, n = q.X+c.at.X, q.Y+c.at.Y, n+1
		}
	}
	return p.Point{X: q.X / n, Y: q.Y / n}, n > 0
}

// axis is the vector heel→toe of a foot whose two ends the coach put right.
func (h byHand) axis(b body, heel int, from, to float64) (d p.Point, ok bool) {
	side := "back"
	if heel == b.heelF {
		side = "front"
	}
	q, ok1 := h.part(side+"_heel", from, to)
	r, ok2 := h.part(side+"_toe", from, to)
	return p.Point{X: r.X - q.X, Y: r.Y - q.Y}, ok1 && ok2
}

// footSeen is a foot as a person marks it: its true ends, each to about a
// centimetre. Common practice, no source.
var footSeen = footDrawn{1, 1, 1, 1}

// joints of a part.
func (b body) joints(part string) []int {
	return map[string][]int{
		"eyes": eyePoints, "front_heel": {b.heelF}, "front_toe": {b.toeF}, "back_heel": {b.heelB}, "back_toe": {b.toeB},
		"front_knee": {b.kneeF}, "back_knee": {b.kneeB}, "front_hip": {b.hipF}, "back_hip": {b.hipB},
		"front_ankle": {b.ankleF}, "back_ankle": {b.ankleB}, "hands": {p.LeftWrist, p.RightWrist},
	}[part]
}

// place draws the joints toward where the coach put them: all of the way at
// that picture, none of it .15 s away; in the still interval from to to all of
// it. The eyes elsewhere are follow's.
func (h byHand) place(g *grid, b body, from, to int) {
	for _, c := range h.points {
		still := h.still(c, from, to)
		if c.part == "eyes" && !still {
			continue
		}
		var tracks []track2
		for _, j := range b.joints(c.part) {
			tracks = append(tracks, g.joints[j])
		}
		now := mid(tracks...).lerp(c.i)
		if c.part == "eyes" { // the head as a whole was seen wrong
			tracks = append(tracks, g.joints[p.Nose], g.joints[p.LeftEar], g.joints[p.RightEar])
		}
		move(g, tracks, c.i, .15, p.Point{X: c.at.X - now.X, Y: c.at.Y - now.Y}, func(i int) bool { return still && i >= from && i <= to })
	}
}

func (h byHand) still(c placed, from, to int) bool {
	return c.i >= float64(from)-.5 && c.i <= float64(to)+.5
}

// follow draws the ways of eyes and ears to where the coach put the eyes
// outside the still interval. The way of the eyes runs a little below them
// (eyesNet), so it is their offset from it that moves.
func (h byHand) follow(g *grid, from, to int, eyes, ears *path) {
	var six []track2
	for _, j := range eyePoints {
		six = append(six, g.joints[j])
	}
	middle := mid(six...).low(8, g.fs)
	for _, c := range h.points {
		if c.part != "eyes" || h.still(c, from, to) {
			continue
		}
		below, drawn := eyes.net.lerp(c.i), middle.lerp(c.i)
		want := p.Point{X: c.at.X + below.X - drawn.X, Y: c.at.Y + below.Y - drawn.Y}
		for _, w := range [][2]track2{{eyes.net, ears.net}, {eyes.flow, ears.flow}} {
			now := w[0].lerp(c.i)
			move(g, w[:], c.i, .06, p.Point{X: want.X - now.X, Y: want.Y - now.Y}, func(int) bool { return false })
		}
	}
}

// move shifts tracks by d at grid place at, tapering to none wide seconds away,
// and by all of d wherever all says so.
func move(g *grid, tracks []track2, at, wide float64, d p.Point, all func(int) bool) {
	for i := range g.n {
		share := taper(float64(i)-at, wide/g.dt)
		if all(i) {
			share = 1
		}
		for _, t := range tracks {
			t.x[i] += share * d.X
			t.y[i] += share * d.Y
		}
	}
}

// taper is 1 in the middle third of ±wide and falls to 0 at its ends as a
// raised cosine: the filters behind it must not blunt it.
func taper(x, wide float64) float64 {
	u := (math.Abs(x)/wide - 1./3) / (2. / 3)
	if u >= 1 {
		return 0
	}
	return .5 + .5*math.Cos(math.Pi*math.Max(u, 0))
}
