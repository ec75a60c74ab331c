package swing

import (
	"math"

	p "tapeline/pipeline"
)

// eyePoints are the six points the network puts on the two eyes.
var eyePoints = []int{p.LeftEyeInner, p.LeftEye, p.LeftEyeOuter, p.RightEyeInner, p.RightEye, p.RightEyeOuter}

// path is one point of the head through the swing, key frame pixels on the
// grid, by the network alone and by optical flow from an anchor on.
type path struct {
	net  track2
	flow track2 // equals net up to the anchor
	lost bool   // the flow broke between anchor and contact
}

// joined is the two in one: network before the anchor, flow until release, then a
// slide of .1 s back to the network (the face has turned by then).
func (h *path) joined(g *grid, anchor, release float64) track2 {
	r := newTrack2(g.n)
	for i := range r.x {
		u := 0.0 // share of the flow
		if f := float64(i); f > anchor {
			u = 1
			if f >= release {
				u = math.Max(0, 1-(f-release)*g.dt/.1)
			}
		}
		r.x[i] = u*h.flow.x[i] + (1-u)*h.net.x[i]
		r.y[i] = u*h.flow.y[i] + (1-u)*h.net.y[i]
	}
	return r
}

// eyesNet is (mean of the six eye points + nose) / 2; earsNet the mean of both.
func eyesNet(g *grid) track2 {
	var e []track2
	for _, j := range eyePoints {
		e = append(e, g.joints[j])
	}
	return mid(mid(e...), g.joints[p.Nose]).low(8, g.fs)
}

func earsNet(g *grid) track2 {
	return mid(g.joints[p.LeftEar], g.joints[p.RightEar]).low(8, g.fs)
}

// follow carries a point of the head from grid place anchor on by the head's
// steps: the network pulls the head up near contact, the flow does not.
func follow(g *grid, net track2, anchor, contact float64) path {
	a := g.clamp(anchor)
	h := path{net: net, flow: newTrack2(g.n)}
	copy(h.flow.x, net.x)
	copy(h.flow.y, net.y)
	at := net.medianIn(a-g.span(.05), a+g.span(.016))
	fa := g.frameAt(float64(a))
	raw := g.frames[fa].Camera.Invert(at)
	type sample struct {
		t float64
		q p.Point
	}
	s := []sample{{g.frames[fa].PTS / g.factor, at}}
	lastCam := g.frames[fa].Camera
	for f := fa + 1; f < len(g.frames); f++ {
		st, cam := g.frames[f].Head, g.frames[f].Camera
		t := g.frames[f].PTS / g.factor
		if st.Points == 0 {
			if t <= g.time(contact)+g.dt/2 {
				h.lost = true
			}
			// Only the camera moves it.
			raw = cam.Invert(lastCam.Apply(raw))
		} else {
			raw = p.Point{X: raw.X + st.DX - st.Rot*(raw.Y-st.CY), Y: raw.Y + st.DY + st.Rot*(raw.X-st.CX)}
		}
		lastCam = cam
		s = append(s, sample{t, cam.Apply(raw)})
	}
	k := 0
	for i := a; i < g.n; i++ {
		t := g.time(float64(i))
		for k+1 < len(s)-1 && s[k+1].t <= t {
			k++
		}
		if k+1 >= len(s) {
			h.flow.x[i], h.flow.y[i] = s[k].q.X, s[k].q.Y
			continue
		}
		u := math.Min(math.Max((t-s[k].t)/(s[k+1].t-s[k].t), 0), 1)
		h.flow.x[i] = (1-u)*s[k].q.X + u*s[k+1].q.X
		h.flow.y[i] = (1-u)*s[k].q.Y + u*s[k+1].q.Y
	}
	return h
}

// lerp is the point at fractional grid index i.
func (s track2) lerp(i float64) p.Point {
	n := len(s.x)
	i = math.Min(math.Max(i, 0), float64(n-1))
	k := min(int(i), n-2)
	u := i - float64(k)
	return p.Point{X: (1-u)*s.x[k] + u*s.x[k+1], Y: (1-u)*s.y[k] + u*s.y[k+1]}
}

// nodPrior: on the way to contact a batter tips the head by 2–4 cm (eyes
// against ears) to look at the ball. Common practice, no source. nodNetSD is the
// doubt (one standard deviation) of the network's own reading, which is drawn
// to an upright head: 1.2–2.1 cm short on rendered swings.
const (
	nodPrior   = 3.0
	nodPriorSD = 1.1
	nodNetSD   = 1.5
)

// nod is how much farther the eyes fell than the ears between the anchor and
// contact, cm, with its 95 % half width: what the network sees, weighed with
// what is usual.
func nod(net float64) (v, half float64) {
	a, b := 1/(nodPriorSD*nodPriorSD), 1/(nodNetSD*nodNetSD)
	return (a*nodPrior + b*net) / (a + b), 1.96 / math.Sqrt(a+b)
}
