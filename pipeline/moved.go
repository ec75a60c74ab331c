package pipeline

import "math"

// Moved is one event or point that a coach put elsewhere than it was read.
type Moved struct {
	Event EventKind `json:"event,omitempty"`
	Part  string    `json:"part,omitempty"` // one of Parts, in Frame
	Frame int       `json:"frame"`
	// Found: it was read at all. Of an event Seconds is the coach's moment minus
	// the one that was read, capture time, and Held tells whether it lies within
	// the bounds that were given.
	Found   bool    `json:"found"`
	Seconds float64 `json:"seconds,omitempty"`
	Held    bool    `json:"held,omitempty"`
	// Of a point: where the coach put it from where it was read, pixels right and
	// down, and how far that is in CM; 0 where no height is known.
	Right float64 `json:"right_px,omitempty"`
	Down  float64 `json:"down_px,omitempty"`
	CM    float64 `json:"cm,omitempty"`
}

// Apart is how far a point was moved, pixels.
func (m Moved) Apart() float64 { return math.Hypot(m.Right, m.Down) }

// Moves lays what a coach corrected beside a report that was made without it.
// Events and points that lie in no swing of the report are left out.
func Moves(c Clip, rep *Report, hand *Coach) (out []Moved) {
	if hand == nil {
		return nil
	}
	for _, t := range hand.Times {
		s := windowOf(rep, c.FrameAt(t.T))
		if s == nil {
			continue
		}
		m := Moved{Event: t.Event, Frame: c.FrameAt(t.T)}
		if e := s.Event(t.Event); e != nil && e.T != nil {
			m.Found, m.Seconds = true, c.Capture(t.T-*e.T)
			m.Held = e.Lo != nil && e.Hi != nil && *e.Lo <= t.T && t.T <= *e.Hi
		}
		out = append(out, m)
	}
	for _, q := range hand.Points {
		s := windowOf(rep, q.Frame)
		if s == nil {
			continue
		}
		m := Moved{Part: q.Part, Frame: q.Frame}
		for i := range s.Path {
			f := &s.Path[i]
			at, ok := f.PartAt(q.Part)
			if f.Frame != q.Frame || !ok {
				continue
			}
			m.Found, m.Right, m.Down = true, q.At.X-at.X, q.At.Y-at.Y
			if px := s.Geometry.FeetPx; s.Geometry.Unit == "cm" && px > 0 {
				if q.Part == "eyes" && s.Geometry.EyesPx > 0 {
					px = s.Geometry.EyesPx
				}
				m.CM = m.Apart() / px
			}
		}
		out = append(out, m)
	}
	return out
}

// windowOf is the swing of a report in whose window a frame lies.
func windowOf(rep *Report, frame int) *Swing {
	for i := range rep.Swings {
		s := &rep.Swings[i]
		if n := len(s.Path); n > 0 && s.Path[0].Frame <= frame && frame <= s.Path[n-1].Frame {
			return s
		}
	}
	return nil
}

// PartAt is where one of Parts is drawn in the frame's own pixels; false where
// it isn't.
func (d *Drawn) PartAt(part string) (Point, bool) {
	at := map[string]Point{"eyes": d.Eyes, "front_heel": d.HeelFront, "front_toe": d.ToeFront, "back_heel": d.HeelBack, "back_toe": d.ToeBack,
		"front_knee": d.KneeFront, "back_knee": d.KneeBack, "front_hip": d.HipFront, "back_hip": d.HipBack, "hands": d.Hands}
	p, ok := at[part]
	if !ok || !d.Seen {
		return Point{}, false
	}
	return d.Camera.Invert(p), true
}
