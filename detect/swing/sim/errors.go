package sim

import (
	_ "embed"
	"encoding/json"
	"math"

	p "tapeline/pipeline"
)

//go:embed errors.json
var measured []byte

// spread is how a group of landmarks scatters, centimetres.
type spread struct {
	Clip, Phase   [2]float64
	Still, Moving float64
	World         [3]float64
}

const phases = 6

// bias of one view: [landmark][phase].
type bias struct {
	Clips []string
	Foot  [2]float64 // share of a foot's true heel→toe vector, across and down
	Px    [p.NumJoints][phases][2]float64
	World [p.NumJoints][phases][3]float64
}

var table = func() (t struct {
	About  []string
	Phases []string
	Groups map[string]spread
	Views  map[p.View]bias
}) {
	if err := json.Unmarshal(measured, &t); err != nil {
		panic(err)
	}
	return t
}()

// groupOf names the group of each landmark.
var groupOf = func() (g [p.NumJoints]string) {
	for n, js := range map[string][2]int{
		"face": {p.Nose, p.RightEyeOuter}, "ears": {p.LeftEar, p.RightEar}, "shoulders": {p.LeftShoulder, p.RightShoulder},
		"elbows": {p.LeftElbow, p.RightElbow}, "hands": {p.LeftWrist, p.RightThumb}, "hips": {p.LeftHip, p.RightHip},
		"knees": {p.LeftKnee, p.RightKnee}, "ankles": {p.LeftAnkle, p.RightAnkle}, "heels": {p.LeftHeel, p.RightHeel}, "toes": {p.LeftToe, p.RightToe},
	} {
		for j := js[0]; j <= js[1]; j++ {
			g[j] = n
		}
	}
	g[p.MouthLeft], g[p.MouthRight] = "face", "face"
	return g
}()

// Errors is how badly everything is seen. Bias and scatter of the network
// stand in errors.json; Pose multiplies them.
type Errors struct {
	Pose float64

	// World points: the network's own body is Stature tall (metres, mean and
	// sd) whoever it looks at: 1.52, 1.55, 1.59, 1.62, 1.62, 1.64 on six clips of
	// people 1.62–1.78 m tall. WorldClip and WorldPhase are the sd of a joint
	// from its view's mean, cm.
	Stature, StatureSD    float64
	WorldClip, WorldPhase [3]float64

	// Camera: what is left of the camera's motion, sd in cm at feet and eyes,
	// changing within CameraTau seconds. Measured on six clips shaken by 2–5
	// pixels: rms .06–.18 at the feet, .10–.20 at the eyes, never over .6.
	// In the share NoGround of clips the ground can't be followed, and the
	// parallax of a moving hand, Parallax at the eyes, stays in (single-layer
	// residuals of the same clips: .3–.8 cm).
	FeetX, FeetY, EyesX, EyesY, CameraTau float64
	NoGround, Parallax                    float64

	// Flow: the share of the head's own motion that flow sees, mean and sd,
	// drawn anew for stride, swing and after; measured: across .5–1.0, down
	// .5–1.05, of its turn in the picture .1–.5. FlowStep is each step's own
	// scatter, cm. FlowLost is the share of clips that lose it before contact,
	// FlowLostAfter after it (1 of 6 clips). From behind it follows the nape,
	// which tips up and forward as the eyes go down: measured 3 cm up and 4 cm
	// toward the pitcher beside the eyes' own way, plant to contact.
	FlowX, FlowXSD, FlowY, FlowYSD, FlowTurn, FlowTurnSD, FlowStep float64
	FlowLost, FlowLostAfter                                        float64

	// Energy = Base + Bat × the bat's sweep + Body × the body's, in grey
	// levels, fitted on six clips (R² .77–.91): Base .06–.35, Bat .05–.23,
	// Body .16–.42, scatter EnergySD of the value.
	BaseLo, BaseHi, Bat, BatSD, Body, BodySD, EnergySD float64

	// Sound: Phone is the sd of a phone's offset between sound and picture,
	// seconds (common practice, no source; on rendered clips the crack is
	// found within .5 ms). Mute is the share of clips without sound, Others
	// that of clips with somebody else's bat in them.
	Phone, Mute, Others float64

	// HiddenWrist is the share of clips whose front wrist the network loses
	// after contact, by Wander cm (2 of 3 chest clips: 14–25 cm).
	HiddenWrist, Wander float64
	// Swap is the share of clips with left and right legs exchanged for a
	// moment after contact that the repair misses. Seen on real film only;
	// the share is a guess.
	Swap float64

	// For sweeps only; the measured errors above leave them out.
	//
	// Grain is what few pixels add to a landmark, sd in the picture's own
	// pixels, half of it slow. Measured: one clip shrunk from 960 to 640 and 426
	// across is read .6–.75 pixels (rms, each axis) beside itself.
	Grain float64
	// HiddenFoot: the front foot is out of sight for the whole clip and guessed
	// by Wander; HiddenFace: the face is, though the batter looks at the camera.
	HiddenFoot, HiddenFace bool
}

// Measured are the errors of the network and the flow on rendered clips: the
// network's on 19 in four views (errors.json), the rest on six in three.
func Measured() Errors {
	return Errors{
		Pose:    1,
		Stature: 1.59, StatureSD: .045, WorldClip: [3]float64{2.8, 3.2, 5.1}, WorldPhase: [3]float64{1.4, 2.3, 4.5},
		FeetX: .13, FeetY: .08, EyesX: .12, EyesY: .16, CameraTau: .3, NoGround: .08, Parallax: .5,
		FlowX: .75, FlowXSD: .15, FlowY: .87, FlowYSD: .15, FlowTurn: .25, FlowTurnSD: .12, FlowStep: .06, FlowLost: .03, FlowLostAfter: .2,
		BaseLo: .06, BaseHi: .35, Bat: .15, BatSD: .06, Body: .32, BodySD: .1, EnergySD: .15,
		Phone: .005, Mute: .1, Others: .1,
		HiddenWrist: .5, Wander: 12, Swap: .03,
	}
}

// Perfect sees everything as it is.
func Perfect() Errors {
	return Errors{FlowX: 1, FlowY: 1, FlowTurn: 1, Bat: .17, Body: .33, BaseLo: .1, BaseHi: .1}
}

// biasOf a view. A view that errors.json lacks borrows from the opposite one with the depth's sign turned: what was
// too far is too near from the other side, as chest and back confirm. An
// unseen face is dealt with in ghost.
func biasOf(v p.View) bias {
	if b, ok := table.Views[v]; ok {
		return b
	}
	b := table.Views[map[p.View]p.View{p.ViewBack: p.ViewChest, p.ViewCatcher: p.ViewPitcher}[v]]
	for j := range b.World {
		for k := range b.World[j] {
			b.World[j][k][2] *= -1
		}
	}
	return b
}

// phaseOf places a moment of the swing's own clock among the phases:
// 0 stance … 5 after, linear between.
func (b *batter) phaseOf(t float64) float64 {
	at := [phases]float64{b.l, (b.l + b.pl) / 2, b.pl, (b.pl + b.c) / 2, b.c, b.c + .12}
	for i := 1; i < phases; i++ {
		if t < at[i] {
			return float64(i-1) + math.Max(0, (t-at[i-1])/(at[i]-at[i-1]))
		}
	}
	return phases - 1
}
