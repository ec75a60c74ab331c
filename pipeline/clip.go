package pipeline

import "fmt"

// View names where the camera stands, by what it faces or whose place it is.
type View string

const (
	ViewUnknown View = ""
	ViewChest   View = "chest"   // the camera faces the batter's chest
	ViewBack    View = "back"    // the camera faces the batter's back
	ViewPitcher View = "pitcher" // from the mound
	ViewCatcher View = "catcher" // from behind the plate
)

// Side is a batting side: "R" (front side = left), "L" or unknown.
type Side string

const (
	SideUnknown Side = ""
	BatsRight   Side = "R"
	BatsLeft    Side = "L"
)

// Clip is what the container says of itself; nothing in it comes from pixels.
type Clip struct {
	ID          string    `json:"id"`   // SHA-256 of the file's bytes, hex
	Name        string    `json:"name"` // base name as given
	Path        string    `json:"-"`    // where the file is now; never saved
	Width       int       `json:"width"`
	Height      int       `json:"height"`   // both as displayed, after rotation
	Rotation    int       `json:"rotation"` // degrees clockwise the picture is turned for display: 0, 90, 180, 270
	Codec       string    `json:"codec"`
	PixelFormat string    `json:"pixel_format"`
	Limited     bool      `json:"-"`        // limited range, or none told, which is taken for it; never saved
	Matrix      string    `json:"matrix"`   // YUV matrix: "bt709", "bt601", "bt2020"
	Transfer    string    `json:"transfer"` // "sdr", "hlg", "pq"
	Duration    float64   `json:"duration_s"`
	CaptureRate float64   `json:"capture_rate"` // frames a second of capture time
	TimeFactor  float64   `json:"time_factor"`  // presentation ÷ capture time; 1 = real time, 8 = 240 fps stretched to 30
	HasAudio    bool      `json:"has_audio"`
	AudioStart  float64   `json:"audio_start_s"` // PTS of the first audio sample on the picture's clock
	PTS         []float64 `json:"pts"`           // presentation time of every frame shown, from the first
	Warnings    []Warning `json:"warnings"`
}

// Capture turns a span of presentation time into capture time, seconds.
func (c Clip) Capture(presentation float64) float64 {
	if c.TimeFactor <= 0 {
		return presentation
	}
	return presentation / c.TimeFactor
}

// FrameAt is the index of the frame nearest to presentation time t.
func (c Clip) FrameAt(t float64) int {
	best := 0
	for i, p := range c.PTS {
		if abs(p-t) < abs(c.PTS[best]-t) {
			best = i
		}
	}
	return best
}

func abs(v float64) float64 {
	if v < 0 {
		return -v
	}
	return v
}

// Frame is one decoded picture. Pix is packed 8-bit BGR (sRGB/BT.709 primaries,
// full range), row by row without padding, Width*Height*3 bytes; it is valid
// until the next call of Next. Scale is full-size pixels of the displayed clip
// a pixel of this picture (1 unless it was decoded small): what is found in
// Pix is multiplied by Scale before it enters a Track.
type Frame struct {
	Index  int
	PTS    float64
	Width  int
	Height int
	Scale  float64
	Pix    []byte
}

// Source gives the frames of a clip in order of presentation.
//
// Next has three outcomes: (frame, nil); (nil, io.EOF) after the last frame
// that the container promised; (nil, err) when the stream breaks before that.
type Source interface {
	Next() (*Frame, error)
	Close() error
}

// Warning says what may be wrong with a span of the clip. Code is a stable
// snake_case word; the sentence a person reads is made from it elsewhere.
type Warning struct {
	Code   string   `json:"code"`
	Detail string   `json:"detail"`
	From   *float64 `json:"from_s"`
	To     *float64 `json:"to_s"`
}

// Point is a place in the picture, pixels.
type Point struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// Given is what the user said about the clip; empty fields are inferred.
type Given struct {
	Bats     Side    `json:"bats,omitempty"`
	View     View    `json:"view,omitempty"`
	HeightCM float64 `json:"height_cm,omitempty"` // 0: unknown
	Swing    int     `json:"swing,omitempty"`     // 1-based; 0: the one best seen
	Batter   *Point  `json:"batter,omitempty"`    // a point on the batter in the first frame
	Distance float64 `json:"distance_m,omitempty"`
	// Marker is the colour "#rrggbb" of a sticker on the helmet, MarkerAt its
	// place in the first picture, whichever was said.
	Marker   string `json:"marker,omitempty"`
	MarkerAt *Point `json:"marker_at,omitempty"`
	Scale    *Span  `json:"scale,omitempty"`
	Level    Level  `json:"level,omitempty"`
	Sport    Sport  `json:"sport,omitempty"`
	Coach    *Coach `json:"coach,omitempty"`
}

// Marked tells whether the batter wears a marker.
func (g Given) Marked() bool { return g.Marker != "" || g.MarkerAt != nil }

// Span is a thing of known length in the first picture: its ends, pixels, and
// the length, cm.
type Span struct {
	From Point   `json:"from"`
	To   Point   `json:"to"`
	CM   float64 `json:"cm"`
}

// Fits checks the places the user gave against the picture's size. The error
// is an *Error with FaultUsage.
func (g Given) Fits(c Clip) error {
	in := func(what string, p Point) error {
		if p.X <= float64(c.Width) && p.Y <= float64(c.Height) {
			return nil
		}
		return &Error{Fault: FaultUsage, Path: c.Name, What: fmt.Sprintf("--%s: %g,%g lies outside the picture of %d×%d", what, p.X, p.Y, c.Width, c.Height),
			Hint: "count pixels from the top left of the picture as it is shown"}
	}
	if g.MarkerAt != nil {
		if err := in("marker", *g.MarkerAt); err != nil {
			return err
		}
	}
	if g.Scale == nil {
		return nil
	}
	if err := in("scale", g.Scale.From); err != nil {
		return err
	}
	return in("scale", g.Scale.To)
}
