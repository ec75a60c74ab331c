package sim

import (
	p "tapeline/pipeline"
)

// Act is what the batter does.
type Act string

const (
	FullSwing  Act = "swing"
	CheckSwing Act = "check"  // starts the hands and holds up
	Waggle     Act = "waggle" // moves the bat, never swings
)

// Step is what the front foot does before the swing.
type Step string

const (
	Stride  Step = "stride"
	ToeTap  Step = "toe_tap" // touches beside the back foot, then strides
	LegKick Step = "leg_kick"
	NoStep  Step = "none" // the foot stays
)

// Ball is what is hit.
type Ball string

const (
	Pitch Ball = "pitch"
	Tee   Ball = "tee"
	Dry   Ball = "none"
)

// Params describe one batter, one swing and one camera. Angles in degrees,
// lengths in metres except where centimetres are said, times in seconds.
type Params struct {
	Seed int64 `json:"seed"` // of the camera's shake and the batter's sway

	Bats      p.Side  `json:"bats"`
	Stature   float64 `json:"stature_m"`
	Figure    int     `json:"figure"`     // 0, 1, 2: which adult's proportions
	HeadScale float64 `json:"head_scale"` // 1 = adult
	LegScale  float64 `json:"leg_scale"`  // 1 = adult, before the stature is restored

	Act        Act     `json:"act"`
	Step       Step    `json:"step"`
	Ball       Ball    `json:"ball"`
	EyeDrop    float64 `json:"eye_drop_cm"` // of the eyes' middle, stance to contact
	HeadFwd    float64 `json:"head_fwd_cm"`
	AtPlant    float64 `json:"share_at_plant"` // of EyeDrop and HeadFwd
	Nod        float64 `json:"nod"`            // pitch of the head, stance to contact
	OpenPlant  float64 `json:"open_plant"`
	OpenHit    float64 `json:"open_contact"`
	BackRot    float64 `json:"back_rot"`
	StrideLen  float64 `json:"stride_m"`
	StrideDir  float64 `json:"stride_dir"`   // + away from the plate
	StanceOpen float64 `json:"stance_open"`  // of the line through the feet, + front foot away from the plate
	Crouch     float64 `json:"crouch_m"`     // of a batter 1.78 m tall
	HandsUp    float64 `json:"hands_up_m"`   // over the usual start
	After      float64 `json:"after_fwd_cm"` // of the head in the .3 s after contact
	HeadStill  float64 `json:"head_still"`   // 0: the head turns after contact as the body does, 1: it stays
	Sway       float64 `json:"sway_cm"`      // of the head while it waits
	WaggleBat  float64 `json:"waggle"`       // size of the bat's waggle before the load, 1 = 25°
	Size       float64 `json:"size"`         // of the stance against one 1.78 m tall
	BatLen     float64 `json:"bat_m"`
	Slowed     float64 `json:"slowed"` // share of speed the bat loses at contact

	WalkIn  float64 `json:"walk_in"`  // walking before
	Lead    float64 `json:"lead"`     // waiting in the stance
	Load    float64 `json:"t_load"`   // Load, Plant: from the end of Lead on
	Plant   float64 `json:"t_plant"`  //
	Delay   float64 `json:"delay"`    // plant to contact
	Hold    float64 `json:"hold"`     // of the finish; then the batter walks off
	WalkOut float64 `json:"walk_out"` // walking after

	View      p.View  `json:"view"`
	YawOff    float64 `json:"yaw_off"` // about the vertical, anticlockwise from above
	Distance  float64 `json:"distance_m"`
	CamHeight float64 `json:"cam_height_m"`
	Target    float64 `json:"target_m"` // height looked at
	FOV       float64 `json:"fov"`      // along the longer side
	Shake     float64 `json:"shake"`    // 1: about 5 pixels at 960
	Width     int     `json:"width"`
	Height    int     `json:"height"`
	FPS       float64 `json:"fps"`
	Exposure  float64 `json:"exposure"` // share of a frame's time
}

// Usual is a clean right-handed swing filmed from the chest side.
func Usual() Params {
	return Params{
		Bats: p.BatsRight, Stature: 1.78, HeadScale: 1, LegScale: 1,
		Act: FullSwing, Step: Stride, Ball: Pitch,
		EyeDrop: 1, AtPlant: .62, Nod: 18, OpenPlant: 15, OpenHit: 15, BackRot: 70, StrideLen: .24, Crouch: .19, Size: 1, BatLen: .84,
		Load: .45, Plant: 1, Delay: .165, Hold: .265,
		View: p.ViewChest, Distance: 3.7, CamHeight: 1.25, Target: 1.02, FOV: 62, Shake: 1, Width: 960, Height: 540, FPS: 60, Exposure: .25,
	}
}

// zero is when the swing's own clock starts, loadAt … finishAt are on the
// clip's clock.
func (q Params) zero() float64      { return q.WalkIn + q.Lead }
func (q Params) loadAt() float64    { return q.zero() + q.Load }
func (q Params) plantAt() float64   { return q.zero() + q.Plant }
func (q Params) contactAt() float64 { return q.plantAt() + q.Delay }
func (q Params) finishAt() float64  { return q.contactAt() + .32/(1-q.Slowed) }
func (q Params) duration() float64  { return q.finishAt() + q.Hold + q.WalkOut }
