package pipeline

import "strings"

// ReportSchema is the version of report.json.
const ReportSchema = 1

// EventKind names a phase of the swing.
type EventKind string

const (
	Stance    EventKind = "stance"
	Load      EventKind = "load"
	Stride    EventKind = "stride"
	Plant     EventKind = "plant"
	Launch    EventKind = "launch"
	Contact   EventKind = "contact"
	Extension EventKind = "extension"
	Finish    EventKind = "finish"
)

// EventKinds in the order they happen.
var EventKinds = []EventKind{Stance, Load, Stride, Plant, Launch, Contact, Extension, Finish}

// Event is one phase: T in presentation seconds (nil: it did not happen or
// can't be told, Reason says which), Lo and Hi its 95 % bounds, Frame the
// nearest decoded frame. Reason is a snake_case code of how it was found.
type Event struct {
	Kind   EventKind `json:"kind"`
	T      *float64  `json:"t"`
	Lo     *float64  `json:"lo"`
	Hi     *float64  `json:"hi"`
	Frame  *int      `json:"frame"`
	Reason string    `json:"reason"`
}

// Measure is one number with its doubt. From is set for travels only. Value
// nil means it can't be told; Warnings then say why (codes).
type Measure struct {
	Key      string    `json:"key"`
	From     EventKind `json:"from,omitempty"`
	At       EventKind `json:"at,omitempty"`
	Unit     string    `json:"unit"` // "cm", "deg", "ratio", "pct_height", "s"
	Value    *float64  `json:"value"`
	Lo       *float64  `json:"lo"`
	Hi       *float64  `json:"hi"`
	Frames   []int     `json:"frames"` // decoded frames it was read from
	Warnings []string  `json:"warnings"`
}

// Finding is one thing worth saying; its words live elsewhere.
type Finding struct {
	Rule     string   `json:"rule"`
	Kind     string   `json:"kind"` // "strength", "priority", "secondary", "cant_tell"
	Evidence []string `json:"evidence"`
	// Chain lists codes of what leads to it and what it leads to, the cause
	// first.
	Chain []string `json:"chain,omitempty"`
	// Text is the coach's own; its Rule is "coach".
	Text string `json:"text,omitempty"`
}

// Band is what a rule holds a measure against. Origin is P (published), C
// (computed), K (common practice, no source) or M (memory).
type Band struct {
	Rule   string    `json:"rule"`
	Key    string    `json:"key"`
	From   EventKind `json:"from,omitempty"`
	At     EventKind `json:"at,omitempty"`
	Unit   string    `json:"unit"`
	Min    *float64  `json:"min"`
	Max    *float64  `json:"max"`
	Origin string    `json:"origin"`
	// Setting: an academy may choose it; Own: this one did.
	Setting bool `json:"setting"`
	Own     bool `json:"own,omitempty"`
}

// Pitch is the pitch that time to decide is worked out for. Flight is
// (Rubber − Extension) ÷ speed, seconds from release to the plate.
type Pitch struct {
	Level     Level   `json:"level"`
	Sport     Sport   `json:"sport"`
	MPH       float64 `json:"speed_mph"`
	RubberFT  float64 `json:"rubber_ft"`
	Extension float64 `json:"extension_ft"` // how far in front of the rubber the ball leaves the hand
	Flight    float64 `json:"flight_s"`
	Origin    string  `json:"origin"`
}

// Plan is the ladder of drills for one finding and its week: to work on the
// priority or, where there is none, to keep a strength. It has no words.
type Plan struct {
	Rule  string   `json:"rule"`
	Steps []Step   `json:"steps"` // from the mirror to live
	Days  [][]int  `json:"days"`  // seven lists of indices into Steps; an empty one is a day off
	Care  []string `json:"care"`  // codes of cautions to print
}

// Step is one rung: Drill names its words; do it From to To times; it is
// passed when the measure lies inside the band of Pass. Origin is where the
// counts come from, as in Band.
type Step struct {
	Drill string `json:"drill"`
	From  int    `json:"from"`
	To    int    `json:"to"`
	Pass  string `json:"pass"` // a rule; its Band says the measure and the limit

	Origin string `json:"origin"`
}

// Kinds of a Finding.
const (
	Strength  = "strength"
	Priority  = "priority"
	Secondary = "secondary"
	CantTell  = "cant_tell"
)

// ClipInfo, Batter: the fixed head of report.json.
type ClipInfo struct {
	ID          string  `json:"id"`
	Name        string  `json:"name"`
	Width       int     `json:"width"`
	Height      int     `json:"height"`
	Rotation    int     `json:"rotation"`
	Duration    float64 `json:"duration_s"`
	CaptureRate float64 `json:"capture_rate"`
	TimeFactor  float64 `json:"time_factor"`
}

type Batter struct {
	Bats      Side     `json:"bats"`
	View      View     `json:"view"`
	ViewAngle *float64 `json:"view_angle_deg"` // camera off the named view, + toward the pitcher's side
	HeightCM  *float64 `json:"height_cm"`
	Level     Level    `json:"level,omitempty"`
	Sport     Sport    `json:"sport,omitempty"`
	Inferred  []string `json:"inferred"` // which of "bats", "view", "height_cm" were not given
}

// Geometry lays marks on the picture: a weak-perspective map of the ground
// frame at the batter, in pixels of the swing's key frame a unit ("cm", or
// "pct_height" when no height is known).
type Geometry struct {
	Unit string `json:"unit"`
	// GroundX and GroundZ are the picture vectors of one unit along x (toward
	// the pitcher) and z (toward the plate) on the ground at the feet.
	GroundX Point `json:"ground_x"`
	GroundZ Point `json:"ground_z"`
	// EyesPx and FeetPx are pixels a unit upright at the eyes and at the feet.
	EyesPx float64 `json:"eyes_px"`
	FeetPx float64 `json:"feet_px"`
	// Elevation is how far the camera looks down at the feet, degrees.
	Elevation float64 `json:"elevation_deg"`
	// EyeLevel is the middle of the eyes in the stance, GroundY the row of the
	// ground under the feet, key frame pixels.
	EyeLevel Point   `json:"eye_level"`
	GroundY  float64 `json:"ground_y"`
	// Key is the frame whose pixels these are.
	Key int `json:"key_frame"`
}

// Drawn is what painting needs of one frame. Points are in key frame pixels,
// smoothed so that marks don't tremble; Camera maps the frame into the key
// frame. Seen false: no marks on this frame.
type Drawn struct {
	Frame     int
	T         float64 // presentation seconds
	Seen      bool
	Camera    Camera
	Eyes      Point      // middle of the eyes
	Nose      Point      // shows which way the face looks
	Head      Point      // middle of the ears
	Drop      float64    // of the eyes since the stance, Geometry.Unit
	DropDoubt float64    // half width of its 95 % bounds
	HeelFront Point      // front foot
	ToeFront  Point      //
	HeelBack  Point      // back foot
	ToeBack   Point      //
	KneeFront Point      //
	KneeBack  Point      //
	HipFront  Point      //
	HipBack   Point      //
	Hands     Point      // middle of the wrists
	Energy    float64    // of the bat since the frame before, see Seen.EnergyBat
	Marker    *Point     // the sticker on the helmet, where there is one
	Open      *float64   // front foot yaw, degrees; nil: can't be told
	OpenLo    *float64   // its 95 % bounds
	OpenHi    *float64   //
	Box       [4]float64 // x0, y0, x1, y1 around the body, key frame pixels
}

// Swing is one swing judged.
type Swing struct {
	Index    int       `json:"index"`
	Chosen   bool      `json:"chosen"`
	Events   []Event   `json:"events"`
	Measures []Measure `json:"measures"`
	Findings []Finding `json:"findings"`
	Geometry Geometry  `json:"geometry"`
	Plan     *Plan     `json:"plan,omitempty"`  // for the priority, or for what to keep
	Palms    *Palms    `json:"palms,omitempty"` // the coach's verdict
	Notes    []string  `json:"notes,omitempty"` // the coach's own words
	Path     []Drawn   `json:"-"`               // one entry a decoded frame of the swing's window, in order
}

// Report is what judging says of a clip.
type Report struct {
	Schema   int       `json:"schema"`
	Clip     ClipInfo  `json:"clip"`
	Batter   Batter    `json:"batter"`
	Bands    []Band    `json:"bands,omitempty"`
	Pitch    *Pitch    `json:"pitch,omitempty"`
	Swings   []Swing   `json:"swings"`
	Warnings []Warning `json:"warnings"`
}

// Change is one measure of this lesson beside the same of an earlier one.
// Larger: the difference is more than the doubt of both together.
type Change struct {
	Before Measure `json:"before"`
	After  Measure `json:"after"`
	Day    string  `json:"day"` // of the earlier lesson, 2006-01-02
	Larger bool    `json:"larger"`
}

// Event of that kind, nil if the swing has none.
func (s *Swing) Event(k EventKind) *Event {
	for i := range s.Events {
		if s.Events[i].Kind == k {
			return &s.Events[i]
		}
	}
	return nil
}

// Measure by key, span and moment, nil if there is none.
func (s *Swing) Measure(key string, from, at EventKind) *Measure {
	for i := range s.Measures {
		if m := &s.Measures[i]; m.Key == key && m.From == from && m.At == at {
			return m
		}
	}
	return nil
}

// Lower is how much lower to start, where that is advised: the eyes' fall is a
// finding, and enough of it comes from the legs. Else nil.
func (s *Swing) Lower() *Measure {
	for _, f := range s.Findings {
		if f.Rule == "eye_drop" && (f.Kind == Priority || f.Kind == Secondary) {
			if m := s.Measure("start_lower", "", Stance); m != nil && m.Value != nil {
				return m
			}
		}
	}
	return nil
}

// Keep is the strength to hold on to in a swing that has nothing to work on:
// that of the plan, else the first. Nil where something is to be worked on or
// nothing was praised.
func (s *Swing) Keep() (best *Finding) {
	for i := range s.Findings {
		switch f := &s.Findings[i]; {
		case f.Kind == Priority || f.Kind == Secondary:
			return nil
		case f.Kind == Strength && (best == nil || s.Plan != nil && f.Rule == s.Plan.Rule):
			best = f
		}
	}
	return best
}

// Drill is the drill of a step. The mirror's that goes down by a length is done
// without, where no length is known.
func (s *Swing) Drill(st Step) string {
	if m := s.Lower(); st.Drill == "mirror_tape_lower" && (m == nil || m.Unit != "cm") {
		return "mirror_tape"
	}
	return st.Drill
}

// Unasked is true of a measure that tells how to start lower in a swing where
// that isn't advised: a number for nobody to act on, or no number.
func (s *Swing) Unasked(m *Measure) bool {
	return (strings.HasPrefix(m.Key, "start_lower") || m.Key == "tape_height") && (s.Lower() == nil || m.Value == nil)
}

// Chosen is the swing to show, nil when there is none.
func (r *Report) Chosen() *Swing {
	for i := range r.Swings {
		if r.Swings[i].Chosen {
			return &r.Swings[i]
		}
	}
	return nil
}
