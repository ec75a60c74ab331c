package swing

import (
	"encoding/json"
	"math"
	"math/rand"
	"os"
	"path/filepath"
	"testing"

	p "tapeline/pipeline"
)

// truth is what the renderer wrote beside a sample: where everything truly
// was. World: metres, +X to the pitcher, Z up.
type truth struct {
	Image struct {
		Width, Height int
		FPS           float64
		Frames        int
	}
	Params map[string]any
	Phases map[string]struct {
		T float64
	}
	FrontSide string `json:"front_side"`
	Audio     *struct {
		Crack float64 `json:"crack_arrival_t"`
	}
	Frames []struct {
		T      float64
		Points map[string]struct {
			Px  [2]float64
			XYZ v3
		}
		EyeDrop    float64       `json:"eye_drop_from_stance_cm"`
		EyeForward float64       `json:"eye_forward_from_stance_cm"`
		FrontYaw   float64       `json:"front_foot_yaw_deg"`
		BackYaw    float64       `json:"back_foot_yaw_deg"`
		PxEyes     float64       `json:"px_per_cm_at_eyes"`
		Camera     [4][4]float64 `json:"camera"`
	}
}

func loadTruth(t testing.TB, name string) *truth {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "samples", name+".truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	tr := &truth{}
	if err := json.Unmarshal(b, tr); err != nil {
		t.Fatal(err)
	}
	return tr
}

var truthNames = map[int]string{
	p.Nose: "nose", p.LeftEye: "left_eye", p.RightEye: "right_eye", p.LeftEar: "left_ear", p.RightEar: "right_ear",
	p.MouthLeft: "left_mouth", p.MouthRight: "right_mouth", p.LeftShoulder: "left_shoulder", p.RightShoulder: "right_shoulder",
	p.LeftElbow: "left_elbow", p.RightElbow: "right_elbow", p.LeftWrist: "left_wrist", p.RightWrist: "right_wrist",
	p.LeftPinky: "left_pinky", p.RightPinky: "right_pinky", p.LeftIndex: "left_index", p.RightIndex: "right_index",
	p.LeftHip: "left_hip", p.RightHip: "right_hip", p.LeftKnee: "left_knee", p.RightKnee: "right_knee",
	p.LeftAnkle: "left_ankle", p.RightAnkle: "right_ankle", p.LeftHeel: "left_heel", p.RightHeel: "right_heel",
	p.LeftToe: "left_foot_index", p.RightToe: "right_foot_index",
}

// simulate makes the track an ideal network would give: true points plus
// Gaussian noise of sd pixels, true camera, true head steps, bat energy from
// the bat's true speed.
func simulate(tr *truth, sd float64, seed int64) p.Track {
	rng := rand.New(rand.NewSource(seed))
	W, H := float64(tr.Image.Width), float64(tr.Image.Height)
	clip := p.Clip{ID: "sim", Name: "sim.mp4", Width: tr.Image.Width, Height: tr.Image.Height, CaptureRate: tr.Image.FPS, TimeFactor: 1, Duration: float64(tr.Image.Frames) / tr.Image.FPS}
	out := p.Track{Schema: p.TrackSchema}
	hfov, _ := tr.Params["hfov"].(float64)
	f := math.Max(W, H) / 2 / math.Tan(rad(hfov/2))
	project := func(cam [4][4]float64, x v3) p.Point {
		var d, q v3
		for k := range d {
			d[k] = x[k] - cam[k][3]
		}
		for k := range q { // camera axes: x right, y up, −z forward
			q[k] = cam[0][k]*d[0] + cam[1][k]*d[1] + cam[2][k]*d[2]
		}
		return p.Point{X: W/2 + f*q[0]/-q[2], Y: H/2 - f*q[1]/-q[2]}
	}
	camAxes := func(cam [4][4]float64, v v3) v3 {
		var q v3
		for k := range q {
			q[k] = cam[0][k]*v[0] + cam[1][k]*v[1] + cam[2][k]*v[2]
		}
		return v3{q[0], -q[1], -q[2]}
	}
	contact := tr.Phases["contact"].T
	w := p.Window{To: clip.Duration, Burst: contact, HandSpeed: 3, HandTravel: .4}
	// The true similarity between a frame and frame 0 for points at the
	// batter's depth: two points suffice.
	mapTo := func(i int) p.Camera {
		a3, b3 := v3{-.5, .6, 1.2}, v3{.7, .6, .2}
		a0, b0 := project(tr.Frames[0].Camera, a3), project(tr.Frames[0].Camera, b3)
		a1, b1 := project(tr.Frames[i].Camera, a3), project(tr.Frames[i].Camera, b3)
		ux, uy := b1.X-a1.X, b1.Y-a1.Y
		vx, vy := b0.X-a0.X, b0.Y-a0.Y
		d := ux*ux + uy*uy
		c := p.Camera{A: (ux*vx + uy*vy) / d, B: (ux*vy - uy*vx) / d, OK: true, Ground: 20, Inliers: 200}
		c.TX, c.TY = a0.X-(c.A*a1.X-c.B*a1.Y), a0.Y-(c.B*a1.X+c.A*a1.Y)
		return c
	}
	for i := range tr.Frames {
		fr := &tr.Frames[i]
		clip.PTS = append(clip.PTS, fr.T)
		pose := &p.Pose{Net: "heavy", Score: 1}
		hips := half(fr.Points["left_hip"].XYZ, fr.Points["right_hip"].XYZ)
		for j := 0; j < p.NumJoints; j++ {
			n := truthNames[j]
			switch j {
			case p.LeftEyeInner, p.LeftEyeOuter:
				n = "left_eye"
			case p.RightEyeInner, p.RightEyeOuter:
				n = "right_eye"
			case p.LeftThumb:
				n = "left_index"
			case p.RightThumb:
				n = "right_index"
			}
			q := fr.Points[n]
			// The network marks heel and toe inside the shoe.
			if o, ok := map[int]string{p.LeftHeel: "left_foot_index", p.LeftToe: "left_heel", p.RightHeel: "right_foot_index", p.RightToe: "right_heel"}[j]; ok {
				e := fr.Points[o]
				w := footShapes[map[string]p.View{"open": p.ViewChest, "closed": p.ViewBack, "front": p.ViewPitcher, "rear": p.ViewCatcher}[tr.Params["view"].(string)]]
				for k, seen := range []float64{w.across, w.down} {
					q.Px[k] += (1 - seen) / 2 * (e.Px[k] - q.Px[k])
				}
			}
			pose.Joints[j] = p.Landmark{X: q.Px[0] + sd*rng.NormFloat64(), Y: q.Px[1] + sd*rng.NormFloat64(), Score: 1}
			v := camAxes(fr.Camera, sub(q.XYZ, hips))
			pose.World[j] = p.World{X: v[0], Y: v[1], Z: v[2]}
		}
		s := p.Seen{Index: i, PTS: fr.T, Pose: pose, Camera: mapTo(i)}
		if i > 0 {
			a, b := tr.Frames[i-1].Points, fr.Points
			l0, l1, e0, e1 := a["eye_mid"].Px, b["eye_mid"].Px, a["nose"].Px, b["nose"].Px
			ang := math.Atan2(e1[1]-l1[1], e1[0]-l1[0]) - math.Atan2(e0[1]-l0[1], e0[0]-l0[0])
			s.Head = p.HeadStep{DX: l1[0] - l0[0], DY: l1[1] - l0[1], CX: l0[0], CY: l0[1], Rot: ang, Points: 40}
			t0, t1 := a["bat_tip"].XYZ, b["bat_tip"].XYZ
			s.Energy = norm(sub(t1, t0)) + .01
		}
		w.Frames = append(w.Frames, s)
	}
	out.Clip, out.Windows = clip, []p.Window{w}
	if tr.Audio != nil {
		out.Onsets = []p.Onset{{T: tr.Audio.Crack, Strength: 50, Sharp: .001}}
	}
	return out
}
