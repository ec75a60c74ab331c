package pipeline

// TrackSchema is the version of track.json; a reader refuses any other.
const TrackSchema = 1

// The 33 landmarks in the order of the BlazePose topology (Bazarevsky et al.
// 2020, arXiv:2006.10204). Left and right are the person's own.
const (
	Nose = iota
	LeftEyeInner
	LeftEye
	LeftEyeOuter
	RightEyeInner
	RightEye
	RightEyeOuter
	LeftEar
	RightEar
	MouthLeft
	MouthRight
	LeftShoulder
	RightShoulder
	LeftElbow
	RightElbow
	LeftWrist
	RightWrist
	LeftPinky
	RightPinky
	LeftIndex
	RightIndex
	LeftThumb
	RightThumb
	LeftHip
	RightHip
	LeftKnee
	RightKnee
	LeftAnkle
	RightAnkle
	LeftHeel
	RightHeel
	LeftToe // "foot index"
	RightToe
	NumJoints
)

// Landmark is one point of a pose. X, Y in pixels of the displayed picture at
// full size; Score 0…1 is the network's own visibility, which stays high in
// blur and must not be trusted alone.
type Landmark struct {
	X     float64 `json:"x"`
	Y     float64 `json:"y"`
	Score float64 `json:"s"`
}

// World is a landmark in metres around the hip centre, axes of the camera:
// x right, y down, z away from the camera.
type World struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	Z float64 `json:"z"`
}

// Region is the rotated square the network looked at: centre and side in
// pixels, Rot in radians, clockwise positive.
type Region struct {
	CX   float64 `json:"cx"`
	CY   float64 `json:"cy"`
	Size float64 `json:"size"`
	Rot  float64 `json:"rot"`
}

// Pose is the network's reading of one person in one frame, unsmoothed.
type Pose struct {
	Net    string              `json:"net"`   // "full" or "heavy"
	Score  float64             `json:"score"` // that there is a person in the region, 0…1
	Joints [NumJoints]Landmark `json:"joints"`
	World  [NumJoints]World    `json:"world"`
	Region Region              `json:"region"`
	// Spread is the standard deviation of each joint over jittered regions,
	// pixels; nil where only one region was read.
	Spread *[NumJoints]float64 `json:"spread,omitempty"`
	// Odd lists the joints whose bone suddenly has another length than before.
	Odd []int `json:"odd,omitempty"`
	// Swapped: left and right were exchanged by the repair.
	Swapped bool `json:"swapped,omitempty"`
}

// Camera maps a frame's pixels into those of its window's key frame:
//
//	x' = A·x − B·y + TX + GX
//	y' = B·x + A·y + TY + GY
//
// A, B, TX, TY is the similarity of the far background; GX, GY what the ground
// around the feet moves beyond it (parallax of a hand that moves).
type Camera struct {
	A       float64 `json:"a"`
	B       float64 `json:"b"`
	TX      float64 `json:"tx"`
	TY      float64 `json:"ty"`
	GX      float64 `json:"gx"`
	GY      float64 `json:"gy"`
	Inliers int     `json:"inliers"` // background points that agreed
	Ground  int     `json:"ground"`  // ground points behind GX, GY; 0: none seen, the last GX, GY kept
	RMS     float64 `json:"rms"`     // of the inliers, pixels
	// Key numbers the key frame this map was made against after re-keying
	// (maps are always composed back to the first key). OK is false when no
	// background could be followed and the last map was kept.
	Key int  `json:"key"`
	OK  bool `json:"ok"`
}

// Identity is the map of a camera that did not move.
func Identity() Camera { return Camera{A: 1, OK: true} }

// Apply maps a point of the frame into the key frame.
func (c Camera) Apply(p Point) Point {
	return Point{c.A*p.X - c.B*p.Y + c.TX + c.GX, c.B*p.X + c.A*p.Y + c.TY + c.GY}
}

// Invert maps a point of the key frame back into the frame.
func (c Camera) Invert(p Point) Point {
	d := c.A*c.A + c.B*c.B
	x, y := p.X-c.TX-c.GX, p.Y-c.TY-c.GY
	return Point{(c.A*x + c.B*y) / d, (c.A*y - c.B*x) / d}
}

// HeadStep is how the head moved from the previous frame of the window to
// this one, in raw picture pixels (the camera's motion still in it), followed
// by optical flow inside a circle on the head: corners with their middle at
// (CX, CY) in the previous frame moved by (DX, DY) on average and turned by
// Rot about that middle (radians, clockwise positive as y points down), so
// any point p of the head moved by (DX, DY) + Rot × (p − (CX, CY)):
//
//	dx = DX − Rot·(p.Y − CY)
//	dy = DY + Rot·(p.X − CX)
type HeadStep struct {
	DX     float64 `json:"dx"`
	DY     float64 `json:"dy"`
	CX     float64 `json:"cx"`
	CY     float64 `json:"cy"`
	Rot    float64 `json:"rot"`
	Points int     `json:"points"` // corners that survived the forward–backward check; 0: lost, all else 0
	RMS    float64 `json:"rms"`    // spread of their vectors about that motion, pixels
}

// Seen is all that was read from one decoded frame of a window.
type Seen struct {
	Index  int      `json:"frame"`
	PTS    float64  `json:"t"`
	Pose   *Pose    `json:"pose"` // nil: nobody seen, or this frame was not looked at
	Camera Camera   `json:"camera"`
	Head   HeadStep `json:"head"`
	// Energy is the motion left after the camera's is removed, everywhere:
	// Σ max(0, |difference| − 12) over grey levels, divided by the picture's
	// pixels. EnergyBat counts only what lies around the hands and beyond the
	// body. Both belong to the span between the previous frame and this one.
	Energy    float64 `json:"energy"`
	EnergyBat float64 `json:"energy_bat"`
	// BatAt is the middle of what EnergyBat counts, pixels of this frame; nil
	// where it counts nothing.
	BatAt *Point `json:"bat_at,omitempty"`
	// Ball is the place of a small fast bright blob near the hands, if one
	// was found; nil otherwise.
	Ball *Point `json:"ball,omitempty"`
	// Marker is the middle of the sticker on the helmet, to a part of a pixel;
	// nil where it was not seen or none was named.
	Marker *Point `json:"marker,omitempty"`
}

// Onset is a sharp sound: T is presentation time at the microphone (distance
// not yet corrected), Strength its peak over the median level of the track, Sharp the
// seconds from 10 % to peak.
type Onset struct {
	T        float64 `json:"t"`
	Strength float64 `json:"strength"`
	Sharp    float64 `json:"sharp"`
}

// Window is one span of the clip in which somebody may have swung a bat.
type Window struct {
	From   float64 `json:"from_s"`
	To     float64 `json:"to_s"`
	Key    int     `json:"key"` // frame index of the camera's key frame
	Frames []Seen  `json:"frames"`
	// Burst is the presentation time of the fastest hands as the scan saw
	// it; HandSpeed that speed in body heights a second of capture time,
	// HandTravel the way of the hands over 0.2 s around it, body heights.
	Burst      float64 `json:"burst_s"`
	HandSpeed  float64 `json:"hand_speed"`
	HandTravel float64 `json:"hand_travel"`
	// Plate is home plate where it was surely seen; nil otherwise.
	Plate *PlateSeen `json:"plate,omitempty"`
}

// PlateSeen is home plate in the pixels of a window's key frame, full size.
type PlateSeen struct {
	Corners [5]Point `json:"corners"`   // in the order of field.Plate
	Middle  Point    `json:"middle"`    // of the shape, on the ground
	PxPerCM float64  `json:"px_per_cm"` // of what lies across the view at the middle
	// How far the camera looks down and leans, by the plate's shape for a usual
	// phone (field.Camera), and where the plate points: 0 away from the camera,
	// 90 to the right. Degrees.
	Pitch float64 `json:"pitch_deg"`
	Roll  float64 `json:"roll_deg"`
	Yaw   float64 `json:"yaw_deg"`
	// Standard deviations: of PxPerCM, relative, and of Pitch, degrees.
	ScaleSD float64 `json:"scale_sd"`
	PitchSD float64 `json:"pitch_sd_deg"`
}

// Model names a network file that was used.
type Model struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Track is all that judging needs: with it the video is never opened again.
type Track struct {
	Schema   int       `json:"schema"`
	Clip     Clip      `json:"clip"`
	Given    Given     `json:"given"`
	Models   []Model   `json:"models"`
	Windows  []Window  `json:"windows"`
	Onsets   []Onset   `json:"onsets"`
	People   int       `json:"people"` // most people seen at once
	Warnings []Warning `json:"warnings"`
}
