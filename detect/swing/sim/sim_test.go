package sim

import (
	"encoding/json"
	"math"
	"math/rand"
	"os"
	"path/filepath"
	"testing"

	p "tapeline/pipeline"
)

// rendered is the truth file of a rendered sample.
type rendered struct {
	Image struct {
		Width, Height int
		FPS           float64
	}
	Params struct {
		Hand, View          string
		EyeDrop             float64 `json:"eye_drop_cm"`
		HeadFwd             float64 `json:"head_fwd_cm"`
		OpenPlant           float64 `json:"open_plant"`
		OpenContact         float64 `json:"open_contact"`
		BackRot             float64 `json:"back_rot"`
		Stride              float64 `json:"stride_m"`
		Load                float64 `json:"t_load"`
		Plant               float64 `json:"t_plant"`
		Delay               float64 `json:"contact_delay"`
		Dur, Stature, Shake float64
		Crouch              float64 `json:"stance_crouch"`
		BatLen              float64 `json:"bat_len"`
		Dist                float64 `json:"cam_dist"`
		CamH                float64 `json:"cam_h"`
		FOV                 float64 `json:"hfov"`
		YawOff              float64 `json:"yaw_off"`
		Figure              int
	}
	Frames []struct {
		T      float64
		Points map[string]struct {
			XYZ [3]float64
			Px  [2]float64
		}
		EyeDrop  float64       `json:"eye_drop_from_stance_cm"`
		FrontYaw float64       `json:"front_foot_yaw_deg"`
		BackYaw  float64       `json:"back_foot_yaw_deg"`
		Camera   [4][4]float64 `json:"camera"`
	}
}

func readRendered(t *testing.T, path string) *rendered {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r := &rendered{}
	if err := json.Unmarshal(b, r); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *rendered) params() Params {
	q, a := Usual(), r.Params
	q.Bats, q.View = p.Side(a.Hand), map[string]p.View{"open": p.ViewChest, "closed": p.ViewBack, "front": p.ViewPitcher, "rear": p.ViewCatcher}[a.View]
	q.EyeDrop, q.HeadFwd, q.OpenPlant, q.OpenHit, q.BackRot, q.StrideLen = a.EyeDrop, a.HeadFwd, a.OpenPlant, a.OpenContact, a.BackRot, a.Stride
	q.Load, q.Plant, q.Delay, q.Stature, q.Crouch, q.BatLen = a.Load, a.Plant, a.Delay, a.Stature, a.Crouch, a.BatLen
	q.Hold = a.Dur - (a.Plant + a.Delay + .32)
	q.Distance, q.CamHeight, q.FOV, q.YawOff, q.Figure = a.Dist, a.CamH, a.FOV, a.YawOff, a.Figure-1
	q.Width, q.Height, q.FPS, q.Shake = r.Image.Width, r.Image.Height, r.Image.FPS, 0
	return q
}

var renderedNames = map[int]string{
	p.Nose: "nose", p.LeftEye: "left_eye", p.RightEye: "right_eye", p.LeftEar: "left_ear", p.RightEar: "right_ear",
	p.MouthLeft: "left_mouth", p.MouthRight: "right_mouth", p.LeftShoulder: "left_shoulder", p.RightShoulder: "right_shoulder",
	p.LeftElbow: "left_elbow", p.RightElbow: "right_elbow", p.LeftWrist: "left_wrist", p.RightWrist: "right_wrist",
	p.LeftPinky: "left_pinky", p.RightPinky: "right_pinky", p.LeftIndex: "left_index", p.RightIndex: "right_index",
	p.LeftHip: "left_hip", p.RightHip: "right_hip", p.LeftKnee: "left_knee", p.RightKnee: "right_knee",
	p.LeftAnkle: "left_ankle", p.RightAnkle: "right_ankle", p.LeftHeel: "left_heel", p.RightHeel: "right_heel",
	p.LeftToe: "left_foot_index", p.RightToe: "right_foot_index",
}

// The rendered samples were moved by the same keys with a body of skin: told
// the same, every joint here lies within a centimetre of theirs in every frame.
func TestMovesLikeTheRenderedSamples(t *testing.T) {
	const tolerance = .010 // metres
	for _, name := range []string{"open_faults", "open_clean", "front_left"} {
		r := readRendered(t, filepath.Join("..", "..", "..", "samples", name+".truth.json"))
		tr := Swing(r.params())
		if len(tr.Frames) != len(r.Frames) {
			t.Fatalf("%s: %d frames; want %d", name, len(tr.Frames), len(r.Frames))
		}
		worst, where, at := 0.0, "", 0
		for i, f := range r.Frames {
			g := tr.Frames[i]
			for j, n := range renderedNames {
				if d := vec(g.Joints[j]).sub(f.Points[n].XYZ).norm(); d > worst {
					worst, where, at = d, n, i
				}
			}
			for n, v := range map[string]vec{"bat_knob": g.Knob, "bat_tip": g.Tip} {
				if d := v.sub(f.Points[n].XYZ).norm(); d > worst {
					worst, where, at = d, n, i
				}
			}
			if math.Abs(g.FrontYaw-f.FrontYaw) > .1 || math.Abs(g.BackYaw-f.BackYaw) > .1 {
				t.Fatalf("%s frame %d: feet at %.2f° %.2f°; want %.2f° %.2f°", name, i, g.FrontYaw, g.BackYaw, f.FrontYaw, f.BackYaw)
			}
			// The pinhole, with their camera.
			c := g.Camera
			for k := range 3 {
				c.Axes[k] = [3]float64{f.Camera[0][k], f.Camera[1][k], f.Camera[2][k]}
				c.Pos[k] = f.Camera[k][3]
			}
			for _, n := range []string{"nose", "left_ankle", "bat_tip"} {
				q, _ := c.Project(f.Points[n].XYZ)
				if math.Hypot(q.X-f.Points[n].Px[0], q.Y-f.Points[n].Px[1]) > .05 {
					t.Fatalf("%s frame %d: %s at %v; want %v", name, i, n, q, f.Points[n].Px)
				}
			}
		}
		t.Logf("%s: farthest %.1f mm, %s in frame %d", name, worst*1000, where, at)
		if worst > tolerance {
			t.Errorf("%s: %s is %.1f mm off in frame %d", name, where, worst*1000, at)
		}
	}
}

// The same parameters and seed give the same swing; the left-handed batter is
// the right-handed one in the mirror, seen from the mirrored place.
func TestMirror(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	for range 20 {
		q := Random(rng)
		q.Bats, q.Shake = p.BatsRight, 0
		a := Swing(q)
		q.Bats, q.YawOff = p.BatsLeft, -q.YawOff
		b := Swing(q)
		for k, v := range a.Measures {
			if math.Abs(b.Measures[k]-v) > 1e-6 {
				t.Fatalf("%v: %v and %v", k, v, b.Measures[k])
			}
		}
		for i := range a.Frames {
			x, y := a.Frames[i].Px[p.LeftKnee], b.Frames[i].Px[p.RightKnee]
			if math.Abs(x.X+y.X-float64(q.Width)) > 1e-6 || math.Abs(x.Y-y.Y) > 1e-6 {
				t.Fatalf("frame %d: %v and %v", i, x, y)
			}
		}
	}
}

// What was asked for is what comes out, and no limb is torn: drawn batters
// keep their bones, reach bat and ground within 3.5 cm and stand on the ground.
func TestRandomBatters(t *testing.T) {
	rng := rand.New(rand.NewSource(4))
	kinds := map[Step]int{}
	for i := range 80 {
		q := Random(rng)
		tr := Swing(q)
		kinds[q.Step]++
		var low, torn float64
		for _, f := range tr.Frames {
			torn = math.Max(torn, f.short)
			for j, v := range f.Joints {
				for _, x := range v {
					if math.IsNaN(x) {
						t.Fatalf("swing %d: joint %d is NaN", i, j)
					}
				}
				low = math.Min(low, v[2])
			}
		}
		if torn > .035 || low < -.02 {
			t.Errorf("swing %d: limb %.1f cm short, lowest point %.1f cm\n%+v", i, 100*torn, 100*low, q)
		}
		if !tr.Swung() {
			if len(tr.Measures) != 0 || len(tr.Phases) != 0 {
				t.Errorf("swing %d: no swing has measures", i)
			}
			continue
		}
		sway := 1.5 * q.Sway
		for k, want := range map[Key]float64{
			{"eye_drop", p.Stance, p.Contact}:    q.EyeDrop,
			{"eye_forward", p.Stance, p.Contact}: q.HeadFwd,
			{"front_foot_open", "", p.Contact}:   q.OpenHit,
			{"back_foot_turn", "", p.Contact}:    q.BackRot,
		} {
			if math.Abs(tr.Measures[k]-want) > sway+.05 {
				t.Errorf("swing %d: %v = %.2f; asked for %.2f", i, k, tr.Measures[k], want)
			}
		}
		for k, v := range tr.Measures {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("swing %d: %v = %v", i, k, v)
			}
		}
		if h, ok := tr.Measures[Key{"finish_hold", "", p.Finish}]; ok && q.WalkOut > 0 && math.Abs(h-q.Hold) > .35 {
			t.Errorf("swing %d: held %.2f; asked for %.2f", i, h, q.Hold)
		}
	}
	t.Log(kinds)
}
