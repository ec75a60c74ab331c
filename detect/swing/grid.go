package swing

import (
	"math"
	"slices"

	p "tapeline/pipeline"
)

// maxGap is the longest span, capture seconds, over which missing poses are
// bridged by a straight line.
const maxGap = 0.12

type track2 struct{ x, y []float64 }

func (s track2) at(i int) p.Point { return p.Point{X: s.x[i], Y: s.y[i]} }

func newTrack2(n int) track2 { return track2{make([]float64, n), make([]float64, n)} }

func (s track2) low(fc, fs float64) track2 {
	return track2{lowpass(s.x, fc, fs), lowpass(s.y, fc, fs)}
}

// mid is the mean of several tracks.
func mid(ts ...track2) track2 {
	r := newTrack2(len(ts[0].x))
	for _, t := range ts {
		for i := range r.x {
			r.x[i] += t.x[i] / float64(len(ts))
			r.y[i] += t.y[i] / float64(len(ts))
		}
	}
	return r
}

func (s track2) minus(o track2) track2 {
	r := newTrack2(len(s.x))
	for i := range r.x {
		r.x[i], r.y[i] = s.x[i]-o.x[i], s.y[i]-o.y[i]
	}
	return r
}

// speed in pixels a second.
func (s track2) speed(dt float64) []float64 {
	vx, vy := derivative(s.x, dt), derivative(s.y, dt)
	v := make([]float64, len(vx))
	for i := range v {
		v[i] = math.Hypot(vx[i], vy[i])
	}
	return v
}

// medianIn is the median point over grid indices a…b inclusive.
func (s track2) medianIn(a, b int) p.Point {
	a, b = max(a, 0), min(b, len(s.x)-1)
	if a > b {
		a = b
	}
	return p.Point{X: median(s.x[a : b+1]), Y: median(s.y[a : b+1])}
}

// grid is a window on a uniform time base: capture seconds, key frame pixels.
type grid struct {
	t0, dt float64 // capture time of sample 0 and step
	fs     float64
	n      int
	factor float64 // presentation ÷ capture
	joints [p.NumJoints]track2
	raw    [p.NumJoints]track2 // the same in the frame's own pixels
	world  [p.NumJoints][3][]float64
	score  []float64 // of the pose; 0 where it was bridged over too long a gap
	energy []float64 // everywhere, and
	bat    []float64 // around the hands beyond the body
	lostS  float64   // seconds without a pose
	frames []p.Seen
	plate  *p.PlateSeen
}

// time of grid position i (may be fractional), capture seconds.
func (g *grid) time(i float64) float64 { return g.t0 + i*g.dt }

// index of capture time t, fractional.
func (g *grid) index(t float64) float64 { return (t - g.t0) / g.dt }

func (g *grid) clamp(i float64) int {
	// Places half way between two samples must not fall to one side or the
	// other by the last bit of a clock.
	return min(max(int(math.Round(i-1e-6)), 0), g.n-1)
}

// span in samples of s capture seconds, at least 1.
func (g *grid) span(s float64) int { return max(1, int(math.Round(s/g.dt-1e-6))) }

// newGrid lays a window on a uniform grid at the clip's capture rate (at most
// 240 Hz); nil when fewer than 8 frames carry a pose.
func newGrid(c p.Clip, w *p.Window) *grid {
	factor := c.TimeFactor
	if factor <= 0 {
		factor = 1
	}
	g := &grid{factor: factor, frames: w.Frames, plate: w.Plate}
	var with []int
	for i := range w.Frames {
		if w.Frames[i].Pose != nil {
			with = append(with, i)
		}
	}
	if len(with) < 8 || len(w.Frames) < 8 {
		return nil
	}
	first, last := w.Frames[0].PTS/factor, w.Frames[len(w.Frames)-1].PTS/factor
	// The step is the median spacing of the frames themselves: a nominal
	// rate may differ from it.
	var gaps []float64
	for i := 1; i < len(w.Frames); i++ {
		gaps = append(gaps, (w.Frames[i].PTS-w.Frames[i-1].PTS)/factor)
	}
	g.dt = math.Max(median(gaps), 1.0/240)
	if !(g.dt > 0) || last <= first {
		return nil
	}
	g.t0, g.fs = first, 1/g.dt
	g.n = int((last-first)/g.dt+1e-6) + 1
	g.score = make([]float64, g.n)
	g.energy, g.bat = make([]float64, g.n), make([]float64, g.n)
	for j := range g.joints {
		g.joints[j], g.raw[j] = newTrack2(g.n), newTrack2(g.n)
		for k := range g.world[j] {
			g.world[j][k] = make([]float64, g.n)
		}
	}
	k := 0
	for i := 0; i < g.n; i++ {
		t := g.time(float64(i))
		for k+1 < len(with) && w.Frames[with[k+1]].PTS/factor <= t+1e-9 {
			k++
		}
		a := &w.Frames[with[k]]
		b := a
		if k+1 < len(with) {
			b = &w.Frames[with[k+1]]
		}
		ta, tb := a.PTS/factor, b.PTS/factor
		u := 0.0
		if tb > ta {
			u = math.Min(math.Max((t-ta)/(tb-ta), 0), 1)
		}
		near := math.Min(math.Abs(t-ta), math.Abs(t-tb))
		if tb-ta <= maxGap+g.dt/2 && (near <= g.dt || (t >= ta && t <= tb)) {
			g.score[i] = (1-u)*a.Pose.Score + u*b.Pose.Score
		} else {
			g.lostS += g.dt
		}
		for j := range g.joints {
			ja, jb := a.Pose.Joints[j], b.Pose.Joints[j]
			qa := a.Camera.Apply(p.Point{X: ja.X, Y: ja.Y})
			qb := b.Camera.Apply(p.Point{X: jb.X, Y: jb.Y})
			g.joints[j].x[i] = (1-u)*qa.X + u*qb.X
			g.joints[j].y[i] = (1-u)*qa.Y + u*qb.Y
			g.raw[j].x[i] = (1-u)*ja.X + u*jb.X
			g.raw[j].y[i] = (1-u)*ja.Y + u*jb.Y
			wa, wb := a.Pose.World[j], b.Pose.World[j]
			g.world[j][0][i] = (1-u)*wa.X + u*wb.X
			g.world[j][1][i] = (1-u)*wa.Y + u*wb.Y
			g.world[j][2][i] = (1-u)*wa.Z + u*wb.Z
		}
	}
	g.bridge(w, with)
	// Energy belongs to the span between two frames: centre it on the sample.
	for i := 0; i < g.n; i++ {
		f := g.frameAt(float64(i))
		e, b := w.Frames[f].Energy, w.Frames[f].EnergyBat
		if f+1 < len(w.Frames) {
			e, b = (e+w.Frames[f+1].Energy)/2, (b+w.Frames[f+1].EnergyBat)/2
		}
		g.energy[i], g.bat[i] = e, b
	}
	return g
}

// firm are the joints that move slowly enough for a bone of sudden length to be
// the network's slip; a wrist's may be the swing itself.
var firm = []int{p.LeftShoulder, p.RightShoulder, p.LeftHip, p.RightHip, p.LeftKnee, p.RightKnee,
	p.LeftAnkle, p.RightAnkle, p.LeftHeel, p.RightHeel, p.LeftToe, p.RightToe}

// bridge draws a straight line over the samples at which a firm joint is odd,
// where the gap is short enough.
func (g *grid) bridge(w *p.Window, with []int) {
	for _, j := range firm {
		odd := make([]bool, g.n)
		some := false
		for _, f := range with {
			if slices.Contains(w.Frames[f].Pose.Odd, j) {
				odd[g.clamp(g.index(w.Frames[f].PTS/g.factor))], some = true, true
			}
		}
		if !some {
			continue
		}
		for a := 1; a < g.n; a++ {
			if !odd[a] || odd[a-1] {
				continue
			}
			b := a
			for b < g.n && odd[b] {
				b++
			}
			if b == g.n || float64(b-a)*g.dt > maxGap {
				continue
			}
			for i := a; i < b; i++ {
				u := float64(i-a+1) / float64(b-a+1)
				for _, t := range []track2{g.joints[j], g.raw[j]} {
					t.x[i] = (1-u)*t.x[a-1] + u*t.x[b]
					t.y[i] = (1-u)*t.y[a-1] + u*t.y[b]
				}
			}
		}
	}
}

// frameAt is the position in the window of the frame nearest to grid place i.
func (g *grid) frameAt(i float64) int {
	t := g.time(i) * g.factor
	best := 0
	for k := range g.frames {
		if math.Abs(g.frames[k].PTS-t) < math.Abs(g.frames[best].PTS-t) {
			best = k
		}
	}
	return best
}

// world point of joint j, median over grid a…b.
func (g *grid) worldIn(j, a, b int) [3]float64 {
	a, b = max(a, 0), min(b, g.n-1)
	var r [3]float64
	for k := range r {
		r[k] = median(g.world[j][k][a : b+1])
	}
	return r
}
