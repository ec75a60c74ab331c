package sheet

import (
	"math"
	"slices"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Pair is the stills of two swings at one scale: a length of the ground frame
// is as long in the one's tiles as in the other's, and the ground lies at one
// height. Where one knows centimetres and the other only percent of height both
// are brought to one height of the eyes in the stance. Tiles come in the order of events; a still that is
// missing leaves a tile without Image.
func Pair(reps [2]*pipeline.Report, stills [2][]Still, lang words.Lang, w int, events ...pipeline.EventKind) (out [2][]Tile, err error) {
	var unit [2]float64 // pixels a unit
	var crops [2][4]float64
	var span overlay.Span // the ground's: above and below, units; Hi is below
	wide := 0.0
	for _, rep := range reps {
		if rep.Chosen() == nil {
			return out, overlay.ErrNoSwing
		}
	}
	mixed := reps[0].Chosen().Geometry.Unit != reps[1].Chosen().Geometry.Unit
	for i, rep := range reps {
		sw := rep.Chosen()
		stills[i] = slices.DeleteFunc(ordered(sw, stills[i]), func(s Still) bool {
			return !slices.Contains(events, s.Event) || s.Frame == nil || s.Frame.Bounds().Empty()
		})
		g := sw.Geometry
		unit[i] = math.Max(1e-6, g.FeetPx)
		if mixed {
			unit[i] = math.Max(1e-6, g.GroundY-g.EyeLevel.Y)
		}
		crops[i] = cropOf(stills[i], g)
		wide = math.Max(wide, (crops[i][2]-crops[i][0])/unit[i])
		span.Lo = math.Max(span.Lo, (g.GroundY-crops[i][1])/unit[i])
		span.Hi = math.Max(span.Hi, (crops[i][3]-g.GroundY)/unit[i])
	}
	h := int(float64(w) * (span.Lo + span.Hi) / wide)
	for i, rep := range reps {
		sw := rep.Chosen()
		x, ground := (crops[i][0]+crops[i][2])/2, sw.Geometry.GroundY
		crop := [4]float64{x - wide/2*unit[i], ground - span.Lo*unit[i], x + wide/2*unit[i], ground + span.Hi*unit[i]}
		look, faces := overlay.NewLook(rep, sw, lang), overlay.NewFaces()
		for _, e := range events {
			t := Tile{Event: e}
			for _, s := range stills[i] {
				if s.Event == e {
					t = Tile{e, look.Clock(when(sw, s)), eyes(sw, s, lang), marked(look, sw, s, crop, w, h, float64(w)*0.08, faces)}
				}
			}
			out[i] = append(out[i], t)
		}
	}
	return out, nil
}
