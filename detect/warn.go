package detect

import (
	"fmt"
	"math"

	"tapeline/pipeline"
)

const (
	lowSide     = 480  // shorter side of a picture with few details, pixels
	smallBatter = 200. // body height at which a centimetre is about a pixel, pixels
	lowRate     = 50.  // frames a second
	darkLuma    = 45.  // mean grey level
	movedMuch   = .12  // of the longer side
	unseenShare = .3   // of a window's frames without ground points
	lostTime    = .12  // seconds without a pose worth a word
)

// warn says what may be wrong with the facts. Details are numbers and units
// only: the sentences around them exist in several languages.
func warn(t *pipeline.Track, s *scanned) []pipeline.Warning {
	var out []pipeline.Warning
	add := func(code, detail string, from, to *float64) {
		out = append(out, pipeline.Warning{Code: code, Detail: detail, From: from, To: to})
	}
	c := t.Clip
	if m := min(c.Width, c.Height); m > 0 && m < lowSide {
		add("low_resolution", fmt.Sprintf("%d×%d px", c.Width, c.Height), nil, nil)
	}
	if c.CaptureRate > 0 && c.CaptureRate < lowRate {
		add("low_frame_rate", fmt.Sprintf("%.3g/s", c.CaptureRate), nil, nil)
	}
	if l := median(s.luma); len(s.luma) > 0 && l < darkLuma {
		add("dark", fmt.Sprintf("%.0f/255", l), nil, nil)
	}
	if t.People > 1 {
		add("others_in_picture", fmt.Sprint(t.People), nil, nil)
	}
	for i := range t.Windows {
		w := &t.Windows[i]
		from, to := w.From, w.To
		var hs []float64
		unseen, still, reach := 0, 0, 0.0
		mid := pipeline.Point{X: float64(c.Width) / 2, Y: float64(c.Height) / 2}
		for k := range w.Frames {
			f := &w.Frames[k]
			if f.Pose != nil {
				hs = append(hs, f.Pose.Height())
			}
			if f.Camera.Ground == 0 {
				unseen++
			}
			if !f.Camera.OK {
				still++
			}
			m := f.Camera.Apply(mid)
			reach = math.Max(reach, math.Hypot(m.X-mid.X, m.Y-mid.Y))
		}
		n := float64(len(w.Frames))
		if h := median(hs); len(hs) > 0 && h < smallBatter {
			add("batter_small", fmt.Sprintf("%.0f px", h), &from, &to)
		}
		if reach > movedMuch*float64(max(c.Width, c.Height)) {
			add("camera_moved_much", fmt.Sprintf("%.0f px", reach), &from, &to)
		}
		if float64(unseen) > unseenShare*n {
			add("camera_ground_unseen", fmt.Sprintf("%d/%d", unseen, len(w.Frames)), &from, &to)
		}
		if float64(still) > .1*n {
			add("camera_lost", fmt.Sprintf("%d/%d", still, len(w.Frames)), &from, &to)
		}
		for _, g := range lost(w.Frames, c) {
			add("lost_batter", fmt.Sprintf("%.2f s", c.Capture(g.to-g.from)), &g.from, &g.to)
		}
	}
	return out
}

// lost are the spans without a pose that are longer than sampling leaves.
func lost(fs []pipeline.Seen, c pipeline.Clip) []span {
	var out []span
	if len(fs) == 0 {
		return nil
	}
	last := fs[0].PTS
	check := func(to float64) {
		if c.Capture(to-last) > lostTime {
			out = append(out, span{last, to})
		}
	}
	for i := range fs {
		if fs[i].Pose != nil {
			check(fs[i].PTS)
			last = fs[i].PTS
		}
	}
	check(fs[len(fs)-1].PTS)
	return out
}
