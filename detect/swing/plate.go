package swing

import (
	"math"

	p "tapeline/pipeline"
	"tapeline/pipeline/field"
)

// Half widths (95 %) of what the plate says: of the usual focal length,
// relative; of the feet's points, how far above the ground they lie, cm; of
// the hips, how far before or behind the feet they are, cm; of the plate
// itself, relative: worn edges, a throw-down plate. Common practice, no source.
const (
	plateFocal = .15
	plateFoot  = 3.
	plateHips  = 14.
	plateSize  = .02
)

// footHeight is how far above the ground the network's points of the foot lie,
// cm: measured on rendered swings in four views, 3.3 in the middle. hipHeight is
// the hips' over the ground in a stance, cm; it hardly counts.
const (
	footHeight = 3.
	hipHeight  = 80.
	hipsBehind = 8. // the feet, seen from the plate, cm: of simulated and rendered stances in the middle
)

// plate weighs in home plate: its shape says how the ground lies, the ground
// how much nearer or farther the feet are, key frame pixels, and the hips stand
// above them. apart as weigh has it.
func (s *scale) plate(seen p.PlateSeen, feet p.Point) (apart float64) {
	at := func(pitch, up float64) float64 {
		c := s.camera(seen, pitch)
		near := c.Nearer(p.Point{X: feet.X, Y: feet.Y + up*seen.PxPerCM}, seen.Middle)
		k := seen.PxPerCM * near
		farther := math.Copysign(hipsBehind*math.Sin(rad(seen.Yaw)), -math.Log(near))
		return k / (1 + (farther-hipHeight*math.Sin(c.Pitch))*k/s.focal)
	}
	px := at(seen.Pitch, footHeight)
	// Looking down less, the horizon lies nearer and the ratio is farther from 1.
	flat, foot := at(seen.Pitch-1.96*seen.PitchSD, footHeight), at(seen.Pitch, footHeight+plateFoot)
	if px <= 0 || flat <= 0 || foot <= 0 {
		return 0
	}
	half := rms(1.96*seen.ScaleSD, plateSize, math.Log(flat/px), math.Log(foot/px),
		plateFocal*(px/seen.PxPerCM-1), plateHips*px/s.focal)
	return s.weigh(px/s.at(p.LeftHip, p.RightHip), half)
}

// camera that saw the plate, looking down by pitch degrees.
func (s *scale) camera(seen p.PlateSeen, pitch float64) field.Camera {
	return field.Camera{Focal: s.focal, CX: s.cx, CY: s.cy, Pitch: rad(pitch), Roll: rad(seen.Roll)}
}

// Degrees. platePoints: a plate that points another way than this batter stands
// by more is another's, or none; stances are read to 20° and stand open or
// closed by as much. plateAim is the half width (95 %) of the camera's direction
// by the plate: 1° on rendered clips, and a plate may lie a little askew.
const (
	platePoints = 40
	plateAim    = 4
)

// plateAzimuth is where the camera stands by home plate, degrees: the plate
// points at the pitcher.
func (s *sides) plateAzimuth(seen p.PlateSeen) float64 { return wrap(s.mirror*seen.Yaw - 90) }

// beside tells whether home plate lies the way the batter stands.
func (s *sides) beside(seen p.PlateSeen) bool {
	return math.Abs(wrap(s.plateAzimuth(seen)-s.azimuth)) <= platePoints
}

// aim takes the camera's direction and height from home plate.
func (s *sides) aim(seen p.PlateSeen, sc *scale, feet p.Point) {
	if !s.beside(seen) {
		return
	}
	s.azimuth, s.azDoubt = s.plateAzimuth(seen), plateAim
	if tilt := deg(sc.camera(seen, seen.Pitch).Tilt(feet)); tilt > 0 {
		s.elevation, s.elDoubt = tilt, math.Hypot(1.96*seen.PitchSD, 1)
	}
}

// feetIn is the middle of both feet over grid a…b, key frame pixels.
func (g *grid) feetIn(a, b int) p.Point {
	return mid(g.joints[p.LeftHeel], g.joints[p.RightHeel], g.joints[p.LeftToe], g.joints[p.RightToe]).medianIn(a, b)
}
