package pipeline

// Level of play; bands and pitch speeds depend on it.
type Level string

const (
	LevelUnknown Level = "" // bands of all players, no pitch
	Youth        Level = "youth"
	Middle       Level = "middle"
	HighSchool   Level = "high_school"
	College      Level = "college"
)

// Levels from the youngest on.
var Levels = []Level{Youth, Middle, HighSchool, College}

// Sport is what is played; unknown counts as baseball.
type Sport string

const (
	SportUnknown Sport = ""
	Baseball     Sport = "baseball"
	Softball     Sport = "softball"
)

// Sports that are known.
var Sports = []Sport{Baseball, Softball}

// Coach is what the coach set by hand over what was worked out. All of it is
// optional.
type Coach struct {
	Times  []Timed  `json:"times,omitempty"`
	Points []Placed `json:"points,omitempty"`
	Palms  *Palms   `json:"palms,omitempty"`
	Notes  []string `json:"notes,omitempty"` // to print, in the coach's own words
	Drop   []string `json:"drop,omitempty"`  // rules whose findings are not said
	Add    []Added  `json:"add,omitempty"`   // findings in the coach's own words
	// First are rules whose findings go before the others of their kind, in this
	// order; each "coach" among them is the next of Add.
	First []string `json:"first,omitempty"`
	Say   []Said   `json:"say,omitempty"` // findings that stay, in other words
}

// Said is a rule's finding in the coach's own words: what it is found by and
// what it leads to stay. Words for a Strength are not said of a fault, nor the
// other way round.
type Said struct {
	Rule string `json:"rule"`
	Kind string `json:"kind"` // Strength, Priority or Secondary
	Text string `json:"text"`
}

// Place of a finding of Add in First: that of its "coach"; without one a
// strength or priority stands before all, a secondary behind.
func (c *Coach) Place(add int) int {
	n := 0
	for i, r := range c.First {
		if r == "coach" {
			if n == add {
				return i
			}
			n++
		}
	}
	if c.Add[add].Kind == Secondary {
		return len(c.First)
	}
	return -1
}

// Words are the coach's for a finding of a rule; "" where there are none.
func (c *Coach) Words(rule, kind string) string {
	for _, s := range c.Say {
		if s.Rule == rule && (s.Kind == Strength) == (kind == Strength) {
			return s.Text
		}
	}
	return ""
}

// Timed is a phase whose moment the coach corrected, presentation seconds.
type Timed struct {
	Event EventKind `json:"event"`
	T     float64   `json:"t"`
}

// Placed is a point of the body that the coach put right in one decoded frame,
// displayed picture pixels.
type Placed struct {
	Part  string `json:"part"` // one of Parts
	Frame int    `json:"frame"`
	At    Point  `json:"at"`
}

// Parts are the points a coach may put right; front is the pitcher's side.
var Parts = []string{"eyes", "front_heel", "front_toe", "back_heel", "back_toe", "front_knee", "back_knee", "front_hip", "back_hip", "front_ankle", "back_ankle", "hands"}

// Palms is the coach's verdict on the hands at contact: "up", "down" or "".
type Palms struct {
	Top    string `json:"top,omitempty"`    // the hand nearer the barrel
	Bottom string `json:"bottom,omitempty"` // the hand at the knob
}

// Added is a finding in the coach's own words. Kind is Strength, Priority or
// Secondary; a priority takes the place of the one that was found.
type Added struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}
