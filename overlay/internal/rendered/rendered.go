// Package rendered makes a report of a rendered clip from its truth, so that
// painting is tested against the renderer's own camera and not against
// anything that was read from pixels. For tests only.
package rendered

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"

	"tapeline/pipeline"
)

// Truth is the part of a clip's truth file that is used here. Points of the
// world are metres, +X to the pitcher, Z up, the plate at the origin.
type Truth struct {
	Image struct{ Width, Height, Fps int }
	Focal float64 `json:"focal_px"`
	Front string  `json:"front_side"`
	// Params holds what the renderer was asked for.
	Params struct{ View string }
	Phases map[string]struct {
		Frame int
		T     float64
	}
	Frames []struct {
		T      float64
		Points map[string]struct {
			Px  [2]float64
			Xyz [3]float64
		}
		Drop      float64 `json:"eye_drop_from_stance_cm"`
		EyeHeight float64 `json:"eye_height_cm"`
		Yaw       float64 `json:"front_foot_yaw_deg"`
		PxEyes    float64 `json:"px_per_cm_at_eyes"`
		Camera    [4][4]float64
	}
}

// Load reads a truth file.
func Load(path string) (*Truth, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var t Truth
	if err := json.Unmarshal(b, &t); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &t, nil
}

// Project takes a world point to the pixels of frame i by the renderer's
// camera (columns right, up, back; then its place).
func (t *Truth) Project(i int, p [3]float64) pipeline.Point {
	c := t.Frames[i].Camera
	var q [3]float64
	for k := range q {
		for r := 0; r < 3; r++ {
			q[k] += c[r][k] * (p[r] - c[r][3])
		}
	}
	return pipeline.Point{
		X: float64(t.Image.Width)/2 - t.Focal*q[0]/q[2],
		Y: float64(t.Image.Height)/2 + t.Focal*q[1]/q[2],
	}
}

// TowardPlate is the sign of world Y from this batter to the plate.
func (t *Truth) TowardPlate() float64 {
	if t.Front == "right" {
		return 1
	}
	return -1
}

// Back is the side that is not in front.
func (t *Truth) Back() string {
	if t.Front == "right" {
		return "left"
	}
	return "right"
}

func similarity(a, b []pipeline.Point) pipeline.Camera {
	n := float64(len(a))
	var ma, mb pipeline.Point
	for i := range a {
		ma.X, ma.Y, mb.X, mb.Y = ma.X+a[i].X/n, ma.Y+a[i].Y/n, mb.X+b[i].X/n, mb.Y+b[i].Y/n
	}
	var dot, cross, sq float64
	for i := range a {
		x, y, u, v := a[i].X-ma.X, a[i].Y-ma.Y, b[i].X-mb.X, b[i].Y-mb.Y
		dot, cross, sq = dot+x*u+y*v, cross+x*v-y*u, sq+x*x+y*y
	}
	A, B := dot/sq, cross/sq
	return pipeline.Camera{A: A, B: B, TX: mb.X - A*ma.X + B*ma.Y, TY: mb.Y - B*ma.X - A*ma.Y, OK: true}
}

// Report is what a perfect judge would say; doubt is the half width of the
// foot's bounds, degrees.
func (t *Truth) Report(doubt float64) (*pipeline.Report, pipeline.Clip) {
	p := func(v float64) *float64 { return &v }
	front, back := t.Front, t.Back()
	clip := pipeline.Clip{Name: "clip.mp4", Width: t.Image.Width, Height: t.Image.Height, TimeFactor: 1, HasAudio: true}
	sw := pipeline.Swing{Index: 1, Chosen: true}
	first := t.Frames[0]
	a, b := first.Points[front+"_heel"].Xyz, first.Points[back+"_heel"].Xyz
	mid := [3]float64{(a[0] + b[0]) / 2, (a[1] + b[1]) / 2, 0}
	step := func(x, y, z float64) pipeline.Point {
		o, q := t.Project(0, mid), t.Project(0, [3]float64{mid[0] + x, mid[1] + y, mid[2] + z})
		return pipeline.Point{X: q.X - o.X, Y: q.Y - o.Y}
	}
	eyes := first.Points["eye_mid"].Px
	sw.Geometry = pipeline.Geometry{
		Unit: "cm", GroundX: step(0.01, 0, 0), GroundZ: step(0, 0.01*t.TowardPlate(), 0),
		EyesPx: first.PxEyes, FeetPx: -step(0, 0, 0.01).Y,
		EyeLevel: pipeline.Point{X: eyes[0], Y: eyes[1]}, GroundY: t.Project(0, mid).Y,
	}
	for i, f := range t.Frames {
		clip.PTS = append(clip.PTS, f.T)
		var here, key []pipeline.Point
		for _, x := range []float64{-2, 2} {
			for _, z := range []float64{0, 1, 2} {
				w := [3]float64{x, mid[1], z}
				here, key = append(here, t.Project(i, w)), append(key, t.Project(0, w))
			}
		}
		cam := similarity(here, key)
		at := func(n string) pipeline.Point {
			q := f.Points[n].Px
			return cam.Apply(pipeline.Point{X: q[0], Y: q[1]})
		}
		half := func(a, b string) pipeline.Point {
			p, q := at(a), at(b)
			return pipeline.Point{X: (p.X + q.X) / 2, Y: (p.Y + q.Y) / 2}
		}
		d := pipeline.Drawn{
			Frame: i, T: f.T, Seen: true, Camera: cam, Eyes: at("eye_mid"), Nose: at("nose"),
			Head: half("left_ear", "right_ear"), Hands: half("left_wrist", "right_wrist"),
			Drop: f.Drop, DropDoubt: 0.8,
			HeelFront: at(front + "_heel"), ToeFront: at(front + "_foot_index"),
			HeelBack: at(back + "_heel"), ToeBack: at(back + "_foot_index"),
			KneeFront: at(front + "_knee"), KneeBack: at(back + "_knee"),
			HipFront: at(front + "_hip"), HipBack: at(back + "_hip"),
			Open: p(f.Yaw), OpenLo: p(f.Yaw - doubt), OpenHi: p(f.Yaw + doubt),
			Box: [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)},
		}
		for n := range f.Points {
			if strings.HasPrefix(n, "bat_") || n == "ball" {
				continue
			}
			q := at(n)
			d.Box = [4]float64{math.Min(d.Box[0], q.X), math.Min(d.Box[1], q.Y), math.Max(d.Box[2], q.X), math.Max(d.Box[3], q.Y)}
		}
		sw.Path = append(sw.Path, d)
	}
	for _, k := range pipeline.EventKinds {
		if ph, ok := t.Phases[string(k)]; ok {
			frame := ph.Frame
			sw.Events = append(sw.Events, pipeline.Event{Kind: k, T: p(ph.T), Lo: p(ph.T - .01), Hi: p(ph.T + .01), Frame: &frame})
		}
	}
	add := func(key string, from, at pipeline.EventKind, unit string, v, d float64) {
		sw.Measures = append(sw.Measures, pipeline.Measure{Key: key, From: from, At: at, Unit: unit, Value: p(v), Lo: p(v - d), Hi: p(v + d)})
	}
	plant, contact := t.Frames[t.Phases["plant"].Frame], t.Frames[t.Phases["contact"].Frame]
	add("eye_height", "", pipeline.Stance, "cm", first.EyeHeight, 3)
	add("eye_drop", pipeline.Stance, pipeline.Plant, "cm", plant.Drop, 0.8)
	add("eye_drop", pipeline.Stance, pipeline.Contact, "cm", contact.Drop, 0.8)
	ears := func(f int) float64 {
		return 50 * (t.Frames[f].Points["left_ear"].Xyz[2] + t.Frames[f].Points["right_ear"].Xyz[2])
	}
	sunk := ears(0) - ears(t.Phases["contact"].Frame)
	add("head_drop", pipeline.Stance, pipeline.Contact, "cm", sunk, 2.6)
	add("start_lower", "", pipeline.Stance, "cm", sunk/2, 1.3)
	add("front_foot_open", "", pipeline.Plant, "deg", plant.Yaw, doubt)
	add("front_foot_open", "", pipeline.Contact, "deg", contact.Yaw, doubt)
	view := pipeline.ViewChest
	if t.Params.View == "front" {
		view = pipeline.ViewPitcher
		sw.Measures = append(sw.Measures, pipeline.Measure{Key: "head_over_back", At: pipeline.Contact, Unit: "cm", Warnings: []string{"view"}})
	} else {
		add("head_over_back", "", pipeline.Contact, "cm", 100*(contact.Points["eye_mid"].Xyz[0]-contact.Points[back+"_knee"].Xyz[0]), 2.4)
	}
	add("finish_hold", "", pipeline.Finish, "s", 0.6, 0.1)
	sw.Findings = []pipeline.Finding{
		{Rule: "finish_hold", Kind: pipeline.Strength, Evidence: []string{"finish_hold@finish"}},
		{Rule: "eye_drop", Kind: pipeline.Priority, Evidence: []string{"eye_drop@contact"}},
		{Rule: "front_foot_open", Kind: pipeline.CantTell, Evidence: []string{"front_foot_open@plant"}},
	}
	sw.Plan = &pipeline.Plan{Rule: "eye_drop", Steps: []pipeline.Step{{Drill: "mirror_tape"}, {Drill: "tee_freeze"}}}
	return &pipeline.Report{
		Schema: pipeline.ReportSchema,
		Clip:   pipeline.ClipInfo{Name: clip.Name, Width: clip.Width, Height: clip.Height, TimeFactor: 1},
		Batter: pipeline.Batter{View: view, HeightCM: p(178)},
		Swings: []pipeline.Swing{sw},
	}, clip
}

// Plain is a decoded frame without a picture: soft grey steps, so that
// whatever was painted stands out.
func Plain(index int, w, h int) *pipeline.Frame {
	f := &pipeline.Frame{Index: index, Width: w, Height: h, Scale: 1, Pix: make([]byte, w*h*3)}
	for y := 0; y < h; y++ {
		v := byte(90 + 60*y/h)
		for x := 0; x < w*3; x++ {
			f.Pix[y*w*3+x] = v
		}
	}
	return f
}
