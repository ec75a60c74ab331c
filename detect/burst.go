package detect

import (
	"math"
	"sort"

	"tapeline/pipeline"
)

// gate is what hands must reach: body heights a second of capture time, and
// body heights within travelTime.
type gate struct{ speed, travel float64 }

// On 24 spans of rendered and real clips swings had 2.45…5.1 heights a second
// and at least .29 heights in .2 s; waggles and standing at most 1.13 and .15.
var (
	swings = gate{1.7, .22}
	doubts = gate{1.2, .16} // more than a waggle: worth a look with the better network
)

const (
	travelTime = .2  // seconds
	swingApart = .8  // bursts closer than this are one swing, seconds
	handsApart = .4  // wrists farther apart than this don't hold one bat, body heights
	burstTime  = .03 // seconds from the first to the last fast sample
	gap        = .13 // seconds without a sample that break a path
	smoothing  = .0166
	// smoothing is the σ in seconds of a Gaussian whose response has fallen to
	// one half (two passes of −3 dB) at about 11 Hz and −3 dB at 8 Hz.
)

// sample is one reading of a person in the scan.
type sample struct {
	t, pts float64 // capture and presentation seconds
	frame  int
	pose   pipeline.Pose
	next   pipeline.Region // where to look in the following frame
}

// hand is where somebody's hands are: mid-wrists minus mid-hips, and how far
// the wrists are apart; body heights.
type hand struct {
	t, x, y, apart float64
}

// burst is a span of fast hands.
type burst struct {
	t, pts float64 // capture and presentation seconds of the highest speed
	speed  float64 // body heights a second
	travel float64 // body heights within travelTime
	apart  float64 // of the wrists, median on the way to the peak
	who    int     // index of the person
}

// rank orders bursts by how much they look like a swing: fast, both hands
// together.
func (b burst) rank() float64 { return b.speed * (1 - b.apart/(2*handsApart)) }

// stature is the median of a person's height as drawn in the picture, pixels.
func stature(ss []sample) float64 {
	hs := make([]float64, len(ss))
	for i := range ss {
		hs[i] = ss[i].pose.Height()
	}
	return median(hs)
}

// hands are the paths of the hands, broken where nobody was seen for a while.
func hands(ss []sample) [][]hand {
	h := stature(ss)
	if h <= 0 {
		return nil
	}
	var out [][]hand
	for i := range ss {
		p := &ss[i].pose
		w := p.Mean(pipeline.LeftWrist, pipeline.RightWrist)
		m := p.Mean(pipeline.LeftHip, pipeline.RightHip)
		l, r := p.Joints[pipeline.LeftWrist], p.Joints[pipeline.RightWrist]
		a := hand{ss[i].t, (w.X - m.X) / h, (w.Y - m.Y) / h, math.Hypot(l.X-r.X, l.Y-r.Y) / h}
		if i == 0 || ss[i].t-ss[i-1].t > gap {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], a)
	}
	return out
}

// smooth takes out what is faster than hands move (Gaussian).
func smooth(mid []hand) []hand {
	out := append([]hand(nil), mid...)
	for i := range mid {
		var sw, sx, sy float64
		for k := max(0, i-4); k < min(len(mid), i+5); k++ {
			d := (mid[k].t - mid[i].t) / smoothing
			w := math.Exp(-d * d / 2)
			sw, sx, sy = sw+w, sx+w*mid[k].x, sy+w*mid[k].y
		}
		out[i].x, out[i].y = sx/sw, sy/sw
	}
	return out
}

// calm takes single wild readings out (median of three).
func calm(in []hand) []hand {
	out := append([]hand(nil), in...)
	for i := 1; i+1 < len(in); i++ {
		out[i].x = median([]float64{in[i-1].x, in[i].x, in[i+1].x})
		out[i].y = median([]float64{in[i-1].y, in[i].y, in[i+1].y})
	}
	return out
}

// bursts are the spans of one path in which the hands pass a gate, in order of
// time. The speed is that of the calmed path, so that one wild reading is no
// burst; the travel isn't: calming cuts off the ends of a short way.
func bursts(path []hand, g gate) []burst {
	p := smooth(path)
	v := speeds(smooth(calm(path)))
	n := len(p)
	var out []burst
	for i := 0; i < n; i++ {
		if v[i] < g.speed {
			continue
		}
		top, j := i, i
		for ; j < n && v[j] >= g.speed; j++ {
			if v[j] > v[top] {
				top = j
			}
		}
		b := burst{t: p[top].t, speed: v[top], travel: travel(p, p[top].t), apart: apart(p, p[top].t)}
		if j-i >= 2 && p[j-1].t-p[i].t > burstTime && b.travel >= g.travel && b.apart <= handsApart {
			out = append(out, b)
		}
		i = j
	}
	return out
}

// speeds of a path, body heights a second, by central differences.
func speeds(p []hand) []float64 {
	v := make([]float64, len(p))
	for i := 1; i+1 < len(p); i++ {
		v[i] = math.Hypot(p[i+1].x-p[i-1].x, p[i+1].y-p[i-1].y) / (p[i+1].t - p[i-1].t)
	}
	return v
}

// fastest are the highest speed of a path and the travel there.
func fastest(path []hand) (speed, way float64) {
	p := smooth(path)
	for i, v := range speeds(smooth(calm(path))) {
		if v > speed {
			speed, way = v, travel(p, p[i].t)
		}
	}
	return speed, way
}

// travel is the farthest the hands get within travelTime around t.
func travel(p []hand, t float64) float64 {
	far := 0.0
	for i := range p {
		for k := i + 1; k < len(p) && p[k].t-p[i].t <= travelTime+1e-6; k++ {
			if p[i].t <= t && p[k].t >= t {
				far = math.Max(far, math.Hypot(p[k].x-p[i].x, p[k].y-p[i].y))
			}
		}
	}
	return far
}

// apart is the median distance of the wrists from .15 s before t to .05 after.
func apart(p []hand, t float64) float64 {
	var d []float64
	for _, h := range p {
		if h.t > t-.15 && h.t < t+.05 {
			d = append(d, h.apart)
		}
	}
	return median(d)
}

// merge leaves of bursts that belong to one swing the one that ranks highest,
// in order of time.
func merge(bs []burst) []burst {
	left := append([]burst(nil), bs...)
	sort.SliceStable(left, func(i, j int) bool { return left[i].rank() > left[j].rank() })
	var out []burst
	for _, b := range left {
		if !near(out, b) {
			out = append(out, b)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].t < out[j].t })
	return out
}

// near tells whether a burst belongs to the swing of one of bs.
func near(bs []burst, b burst) bool {
	for _, o := range bs {
		if math.Abs(b.t-o.t) < swingApart {
			return true
		}
	}
	return false
}

// span is a window in presentation seconds.
type span struct{ from, to float64 }

// Capture seconds looked at before and after a burst.
const (
	before = 1.8
	after  = 1.6
)

// spans are the windows of bursts in order of time: clipped to the clip and
// half way to the neighbours.
func spans(bs []burst, c pipeline.Clip) []span {
	k := c.TimeFactor
	if k <= 0 {
		k = 1
	}
	first, last := 0.0, c.Duration
	if n := len(c.PTS); n > 0 {
		first, last = c.PTS[0], c.PTS[n-1]
	}
	out := make([]span, len(bs))
	for i, b := range bs {
		out[i] = span{math.Max(first, b.pts-before*k), math.Min(last, b.pts+after*k)}
		if i > 0 {
			out[i].from = math.Max(out[i].from, (bs[i-1].pts+b.pts)/2)
		}
		if i+1 < len(bs) {
			out[i].to = math.Min(out[i].to, (b.pts+bs[i+1].pts)/2)
		}
	}
	return out
}

func median(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	n := len(s)
	if n == 0 {
		return 0
	}
	return (s[(n-1)/2] + s[n/2]) / 2
}
