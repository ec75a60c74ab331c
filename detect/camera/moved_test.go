package camera

import (
	"context"
	"encoding/json"
	"errors"
	"image"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

// sample is a rendered clip at 30 frames a second and where the batter truly
// is in it, to a tenth of a second after contact.
type sample struct {
	frames  []*pipeline.Frame
	poses   []pipeline.Pose
	eyes    []pipeline.Point
	pxCM    float64 // pixels a centimetre at the eyes
	contact float64 // in frames
	fps     float64
}

func load(t *testing.T, name string) *sample {
	t.Helper()
	base := filepath.Join("..", "..", "samples", name)
	b, err := os.ReadFile(base + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	var truth struct {
		Image  struct{ FPS float64 }
		Phases struct{ Contact struct{ T float64 } }
		Frames []struct {
			Points map[string]struct{ Px [2]float64 }
			PxEyes float64 `json:"px_per_cm_at_eyes"`
		}
	}
	if err := json.Unmarshal(b, &truth); err != nil {
		t.Fatal(err)
	}
	c, err := clip.Probe(context.Background(), base+".mp4")
	if err != nil {
		t.Fatal(err)
	}
	src, err := clip.Open(context.Background(), c, clip.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	step := int(math.Round(truth.Image.FPS / 30))
	s := &sample{fps: 30, contact: truth.Phases.Contact.T * 30, pxCM: truth.Frames[0].PxEyes}
	for {
		f, err := src.Next()
		if errors.Is(err, io.EOF) {
			return s
		}
		if err != nil {
			t.Fatal(err)
		}
		if f.Index%step != 0 || float64(f.Index) > truth.Image.FPS*(truth.Phases.Contact.T+.1) {
			continue
		}
		own := *f
		own.Pix = append([]byte(nil), f.Pix...)
		at := truth.Frames[f.Index].Points
		point := func(n string) pipeline.Point { return pipeline.Point{X: at[n].Px[0], Y: at[n].Px[1]} }
		p := pipeline.Pose{Score: 1}
		for j, n := range map[int]string{pipeline.Nose: "nose", pipeline.LeftEar: "left_ear", pipeline.LeftShoulder: "left_shoulder", pipeline.LeftElbow: "left_elbow",
			pipeline.LeftWrist: "left_wrist", pipeline.LeftIndex: "left_wrist", pipeline.LeftHip: "left_hip", pipeline.LeftKnee: "left_knee",
			pipeline.LeftAnkle: "left_ankle", pipeline.LeftHeel: "left_heel", pipeline.LeftToe: "left_foot_index"} {
			q := point(n)
			p.Joints[j] = pipeline.Landmark{X: q.X, Y: q.Y, Score: 1}
			if j != pipeline.Nose {
				q = point("right" + n[len("left"):])
				p.Joints[j+1] = pipeline.Landmark{X: q.X, Y: q.Y, Score: 1}
			}
		}
		s.frames, s.poses, s.eyes = append(s.frames, &own), append(s.poses, p), append(s.eyes, point("eye_mid"))
	}
}

// margin is what is cut off on each side, so that a moved picture is full.
const marginX, marginY = 110, 32

// moved is a frame as a camera would have it that has moved by m (pixel of the
// frame → pixel of the moved one), the margins cut off.
func moved(t *testing.T, f *pipeline.Frame, m pipeline.Camera) *pipeline.Frame {
	src, err := gocv.NewMatFromBytes(f.Height, f.Width, gocv.MatTypeCV8UC3, f.Pix)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	a, dst := gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F), gocv.NewMat()
	defer a.Close()
	defer dst.Close()
	o := m.Apply(pipeline.Point{X: .5, Y: .5}) // OpenCV's centres are whole numbers
	for k, v := range []float64{m.A, -m.B, o.X - .5 - marginX, m.B, m.A, o.Y - .5 - marginY} {
		a.SetDoubleAt(k/3, k%3, v)
	}
	size := image.Pt(f.Width-2*marginX, f.Height-2*marginY)
	gocv.WarpAffine(src, &dst, a, size)
	return &pipeline.Frame{Index: f.Index, PTS: f.PTS, Width: size.X, Height: size.Y, Scale: 1, Pix: dst.ToBytes()}
}

// about is a camera's turn (radians), zoom and shift as a map of a picture of
// 960 × 540 about its middle.
func about(zoom, angle, x, y float64) pipeline.Camera {
	s, c := math.Sincos(angle)
	m := pipeline.Camera{A: zoom * c, B: zoom * s, OK: true}
	o := m.Apply(pipeline.Point{X: 480, Y: 270})
	m.TX, m.TY = 480-o.X+x, 270-o.Y+y
	return m
}

// A rendered swing filmed once more by a camera that moves in an exactly known
// way: the map back to the first frame is found, and the eyes fall as far as
// without it. (Turning and zooming only: parallax has its test in
// TestKnownMotion.)
func TestMovedSwing(t *testing.T) {
	const width = 960
	s := load(t, "open_faults")
	still := func(float64) pipeline.Camera { return about(1, 0, 0, 0) }
	see := func(motion func(t float64) pipeline.Camera) (maps []pipeline.Camera, fall float64) {
		f := open(t)
		var ys []float64
		for i, fr := range s.frames {
			m := motion(float64(i) / s.fps)
			pose := s.poses[i]
			shift := func(q pipeline.Point) pipeline.Point {
				q = m.Apply(q)
				return pipeline.Point{X: q.X - marginX, Y: q.Y - marginY}
			}
			for j := range pose.Joints {
				q := shift(pipeline.Point{X: pose.Joints[j].X, Y: pose.Joints[j].Y})
				pose.Joints[j].X, pose.Joints[j].Y = q.X, q.Y
			}
			c, err := f.Step(moved(t, fr, m), &pose)
			if err != nil {
				t.Fatal(err)
			}
			if !c.OK {
				t.Errorf("frame %d: lost", i)
			}
			maps = append(maps, c)
			ys = append(ys, c.Apply(shift(s.eyes[i])).Y)
		}
		k := int(s.contact)
		u := s.contact - float64(k)
		return maps, ((1-u)*ys[k] + u*ys[k+1] - ys[0]) / s.pxCM
	}
	base, fall := see(still)
	wave := func(t, hz, phase float64) float64 { return math.Sin(2*math.Pi*hz*t+phase) - math.Sin(phase) }
	for _, c := range []struct {
		name   string
		motion func(t float64) pipeline.Camera
	}{
		{"pan of a tenth of the width in two seconds", func(t float64) pipeline.Camera {
			return about(1, 0, -.1*width*math.Min(t/2, 1), 0)
		}},
		{"zoom by 8 % in two seconds", func(t float64) pipeline.Camera { return about(1+.08*math.Min(t/2, 1), 0, 0, 0) }},
		{"knock of 1.5 % within two frames", func(t float64) pipeline.Camera {
			k := math.Min(1, math.Max(0, (t-.8)*s.fps/2))
			return about(1, .004*k, .015*width*k, -.008*width*k)
		}},
		{"shake of 3 %", func(t float64) pipeline.Camera {
			x := .7*wave(t, 1.1, .4) + .22*wave(t, 2.7, 2) + .08*wave(t, 6.3, 1)
			y := .7*wave(t, .9, 1.8) + .22*wave(t, 3.1, .3) + .08*wave(t, 7.1, 4)
			return about(1, .006*wave(t, 1.7, 3), .03*width*x/1.4, .5*.03*width*y/1.4)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			maps, got := see(c.motion)
			worst := 0.
			for i := range maps {
				m := c.motion(float64(i) / s.fps)
				for _, q := range []pipeline.Point{s.eyes[i], {X: 300, Y: 120}, {X: 640, Y: 300}, s.poses[i].Mean(pipeline.LeftToe, pipeline.RightToe)} {
					a := m.Apply(q)
					a = maps[i].Apply(pipeline.Point{X: a.X - marginX, Y: a.Y - marginY})
					b := base[i].Apply(pipeline.Point{X: q.X - marginX, Y: q.Y - marginY})
					worst = math.Max(worst, math.Hypot(a.X-b.X, a.Y-b.Y))
				}
			}
			t.Logf("map off by %.2f px at most (%d keys), the eyes fall %.2f cm, %.2f without", worst, maps[len(maps)-1].Key+1, got, fall)
			if worst > 1.5 { // .8 cm at the eyes
				t.Errorf("map off by %.2f px", worst)
			}
			if math.Abs(got-fall) > .3 { // .7 would do
				t.Errorf("the eyes fall %.2f cm instead of %.2f", got, fall)
			}
		})
	}
}
