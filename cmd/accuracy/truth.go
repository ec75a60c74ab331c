package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"sort"

	"tapeline/pipeline"
)

// truth is X.truth.json beside a rendered clip: where everything really was.
// World: metres, x to the pitcher, y across, z up.
type truth struct {
	Image  struct{ Width, Height, FPS int }
	Params struct {
		Hand    string
		View    string // "open", "closed", "front", "rear"
		Stature float64
	}
	FrontSide string `json:"front_side"`
	Phases    map[string]struct {
		Frame int
		T     float64
	}
	Audio *struct {
		Crack float64 `json:"crack_arrival_t"`
	}
	Frames []struct {
		T      float64
		Points map[string]struct{ XYZ [3]float64 }
		// Since frame 0, cm; yaw 0° square, 90° at the pitcher.
		EyeDrop    float64 `json:"eye_drop_from_stance_cm"`
		EyeForward float64 `json:"eye_forward_from_stance_cm"`
		FrontYaw   float64 `json:"front_foot_yaw_deg"`
		BackYaw    float64 `json:"back_foot_yaw_deg"`
	}
}

func readTruth(path string) (*truth, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	t := &truth{}
	if err := json.Unmarshal(b, t); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if len(t.Frames) < 2 || t.Params.Stature <= 0 || t.FrontSide == "" {
		return nil, fmt.Errorf("%s: not a truth file", path)
	}
	c, ok := t.Phases["contact"]
	if !ok {
		return nil, fmt.Errorf("%s: no contact", path)
	}
	// The renderer's extension is a key of its animation, .06 s after contact;
	// by definition it is where both arms are longest.
	if e, ok := t.Phases["extension"]; ok {
		e.T = t.longest(c.T, c.T+.15)
		t.Phases["extension"] = e
	}
	return t, nil
}

// sides: whether the camera looks across the line to the pitcher.
func (t *truth) sideOn() bool { return t.Params.View == "open" || t.Params.View == "closed" }

// at mixes a number of the two frames around time s.
func (t *truth) at(s float64, f func(i int) float64) float64 {
	n := len(t.Frames)
	i := sort.Search(n, func(i int) bool { return t.Frames[i].T >= s })
	switch {
	case i == 0:
		return f(0)
	case i == n:
		return f(n - 1)
	}
	a, b := t.Frames[i-1].T, t.Frames[i].T
	w := (s - a) / (b - a)
	return (1-w)*f(i-1) + w*f(i)
}

type vec [3]float64

func (a vec) sub(b vec) vec     { return vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }
func (a vec) dot(b vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a vec) norm() float64     { return math.Sqrt(a.dot(a)) }

// point is the middle of the named points at time s, cm.
func (t *truth) point(s float64, names ...string) (p vec) {
	for k := range p {
		p[k] = t.at(s, func(i int) float64 {
			sum := 0.0
			for _, n := range names {
				sum += t.Frames[i].Points[n].XYZ[k]
			}
			return 100 * sum / float64(len(names))
		})
	}
	return p
}

// longest is when between from and to both arms, shoulder to wrist, are longest:
// the top of the parabola through the best frame and its neighbours, seconds.
func (t *truth) longest(from, to float64) float64 {
	arms := make([]float64, len(t.Frames))
	best := -1
	for i, f := range t.Frames {
		for _, side := range []string{"left", "right"} {
			arms[i] += vec(f.Points[side+"_shoulder"].XYZ).sub(f.Points[side+"_wrist"].XYZ).norm()
		}
		if f.T >= from-1e-9 && f.T <= to && (best < 0 || arms[i] > arms[best]) {
			best = i
		}
	}
	if best < 1 || best > len(arms)-2 {
		return from
	}
	a, b, c := arms[best-1], arms[best], arms[best+1]
	at := t.Frames[best].T
	if bow := a - 2*b + c; bow < 0 {
		at += (a - c) / (2 * bow) * (t.Frames[best+1].T - at)
	}
	return math.Max(at, from)
}

// flexion is 180° less the angle a–b–c.
func flexion(a, b, c vec) float64 {
	u, v := a.sub(b), c.sub(b)
	return 180 - math.Acos(u.dot(v)/u.norm()/v.norm())*180/math.Pi
}

// kind addresses a measure.
type kind struct {
	key      string
	from, at pipeline.EventKind
}

// measures gives the true value of every measure this file can tell, by the
// definitions of the measures, in cm, degrees, seconds and ratios.
func (t *truth) measures() map[kind]float64 {
	front, back := t.FrontSide, "right"
	if front == "right" {
		back = "left"
	}
	when := func(k pipeline.EventKind) float64 { return t.Phases[string(k)].T }
	has := func(k pipeline.EventKind) bool { _, ok := t.Phases[string(k)]; return ok }
	eyes := func(s float64) vec { return t.point(s, "left_eye", "right_eye") }
	ears := func(s float64) vec { return t.point(s, "left_ear", "right_ear") }
	frontYaw := func(k pipeline.EventKind) float64 {
		return t.at(when(k), func(i int) float64 { return t.Frames[i].FrontYaw })
	}

	const S, P, C, F = pipeline.Stance, pipeline.Plant, pipeline.Contact, pipeline.Finish
	m := map[kind]float64{}
	for _, at := range []pipeline.EventKind{P, C, F} {
		if !has(at) {
			continue
		}
		m[kind{"eye_drop", S, at}] = t.at(when(at), func(i int) float64 { return t.Frames[i].EyeDrop }) -
			t.at(when(S), func(i int) float64 { return t.Frames[i].EyeDrop })
		m[kind{"head_drop", S, at}] = ears(when(S))[2] - ears(when(at))[2]
	}
	m[kind{"start_lower", "", S}] = m[kind{"head_drop", S, C}] / 2 // null where it isn't the cure
	forward := func(from, at pipeline.EventKind) {
		f := func(i int) float64 { return t.Frames[i].EyeForward }
		m[kind{"eye_forward", from, at}] = t.at(when(at), f) - t.at(when(from), f)
	}
	forward(S, C)
	if has(P) {
		forward(S, P)
		forward(P, C)
		m[kind{"front_foot_open", "", P}] = frontYaw(P)
		m[kind{"front_foot_open", P, C}] = frontYaw(C) - frontYaw(P)
		foot := func(s float64) vec { return t.point(s, front+"_ankle", front+"_heel", front+"_foot_index") }
		stride := foot(when(P)).sub(foot(when(S)))[0]
		m[kind{"stride_length", S, P}] = stride
		m[kind{"stride_length_pct", S, P}] = stride / t.Params.Stature
	}
	m[kind{"front_foot_open", "", C}] = frontYaw(C)
	for _, at := range []pipeline.EventKind{C, F} {
		if has(at) {
			m[kind{"back_foot_turn", "", at}] = t.at(when(at), func(i int) float64 { return t.Frames[i].BackYaw })
		}
	}

	knee, other := t.point(when(C), back+"_knee"), t.point(when(C), front+"_knee")
	over := eyes(when(C))[0] - knee[0]
	m[kind{"head_over_back", "", C}] = over
	m[kind{"head_over_back_ratio", "", C}] = over / (other[0] - knee[0])
	gap := other.sub(knee).norm()
	m[kind{"knee_gap", "", C}] = gap
	m[kind{"knee_gap", S, C}] = gap - t.point(when(S), front+"_knee").sub(t.point(when(S), back+"_knee")).norm()
	for _, side := range []struct{ name, key string }{{front, "stance_knee_front"}, {back, "stance_knee_back"}} {
		s := when(S)
		m[kind{side.key, "", S}] = flexion(t.point(s, side.name+"_hip"), t.point(s, side.name+"_knee"), t.point(s, side.name+"_ankle"))
	}
	// The back line runs from the back toe to the ears, in the plane of x and up.
	toe, head := t.point(when(C), back+"_foot_index"), ears(when(C))
	dx, dz := head[0]-toe[0], head[2]-toe[2]
	m[kind{"back_line_tilt", "", C}] = math.Atan2(dx, dz) * 180 / math.Pi
	bend := 0.0
	for _, p := range []vec{knee, t.point(when(C), back+"_hip")} {
		bend = math.Max(bend, math.Abs(dx*(p[2]-toe[2])-dz*(p[0]-toe[0]))/math.Hypot(dx, dz))
	}
	m[kind{"back_line_bend", "", C}] = bend
	// Highest less lowest place of the eyes from stance to contact; farthest
	// the ears get, in x and up, in the 0.3 s after contact.
	low, high, far := math.Inf(1), math.Inf(-1), 0.0
	for _, f := range t.Frames {
		if f.T >= when(S) && f.T <= when(C) {
			low, high = math.Min(low, f.EyeDrop), math.Max(high, f.EyeDrop)
		}
		if f.T >= when(C) && f.T <= when(C)+.3 {
			d := ears(f.T).sub(head)
			far = math.Max(far, math.Hypot(d[0], d[2]))
		}
	}
	m[kind{"eye_drop_peak", S, C}] = high - low
	if t.Frames[len(t.Frames)-1].T >= when(C)+.3 {
		m[kind{"head_after", "", C}] = far
	}
	m[kind{"eye_height", "", S}] = eyes(when(S))[2]
	m[kind{"back_foot_turn_heel", "", C}] = t.point(when(C), back+"_heel")[2] - t.point(when(C), back+"_foot_index")[2]
	m[kind{"hands_start", "", S}] = t.point(when(S), "left_wrist", "right_wrist")[2] - t.point(when(S), back+"_shoulder")[2]
	return m
}
