package sheet

import (
	"math"
	"testing"

	"tapeline/overlay/internal/rendered"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// A centimetre is as long in the one's tiles as in the other's, and the ground
// lies at one height: the eyes' rows in stance and contact are where the
// renderer's own heights put them, whatever size a clip was decoded at.
func TestPairSharesOneScale(t *testing.T) {
	names := [2]string{"open_faults", "front_left"}
	var reps [2]*pipeline.Report
	var stills [2][]Still
	var truths [2]*rendered.Truth
	for i, n := range names {
		rep, clip := report(t, n)
		reps[i] = rep
		for _, k := range []pipeline.EventKind{pipeline.Contact, pipeline.Stance} {
			stills[i] = append(stills[i], dotted(rep, clip, k, float64(i+1)))
		}
		var err error
		if truths[i], err = rendered.Load("../../samples/" + n + ".truth.json"); err != nil {
			t.Fatal(err)
		}
	}
	pair, err := Pair(reps, stills, words.English(), 500, pipeline.Stance, pipeline.Plant, pipeline.Contact)
	if err != nil {
		t.Fatal(err)
	}
	var row, up [4]float64 // of the eyes: tile row, height above the ground in cm
	for i := range reps {
		if len(pair[i]) != 3 || pair[i][1].Event != pipeline.Plant || pair[i][1].Image != nil {
			t.Fatalf("%s: tiles %+v", names[i], pair[i])
		}
		for k, at := range map[int]pipeline.EventKind{0: pipeline.Stance, 2: pipeline.Contact} {
			tile := pair[i][k]
			if tile.Event != at || tile.Image.Bounds() != pair[0][0].Image.Bounds() || tile.Image.Bounds().Dx() != 500 {
				t.Errorf("%s: tile %d is %s of %v", names[i], k, tile.Event, tile.Image.Bounds())
			}
			_, y, n := redDot(tile.Image)
			if n == 0 {
				t.Fatalf("%s: no eyes at %s", names[i], at)
			}
			row[2*i+k/2] = y
			up[2*i+k/2] = truths[i].Frames[*reps[i].Chosen().Event(at).Frame].EyeHeight
		}
	}
	// One straight line takes heights to rows for both clips: that of the first
	// clip must hold for the second. 4 % of a height are perspective.
	perCM := (row[1] - row[0]) / (up[0] - up[1])
	for k := 2; k < 4; k++ {
		want := row[0] + (up[0]-up[k])*perCM
		if math.Abs(row[k]-want) > 0.04*up[k]*perCM {
			t.Errorf("%s: eyes %.1f cm up in row %.1f; by the other clip's scale of %.2f px/cm row %.1f", names[1], up[k], row[k], perCM, want)
		}
	}
}

// Without a common unit the eyes of the two stances lie in one row.
func TestPairWithoutCommonUnit(t *testing.T) {
	var reps [2]*pipeline.Report
	var stills [2][]Still
	for i, n := range []string{"open_faults", "front_left"} {
		rep, clip := report(t, n)
		reps[i], stills[i] = rep, []Still{dotted(rep, clip, pipeline.Stance, 1)}
	}
	g := &reps[1].Chosen().Geometry
	g.Unit, g.FeetPx = "pct_height", g.FeetPx*1.7
	pair, err := Pair(reps, stills, words.English(), 500, pipeline.Stance)
	if err != nil {
		t.Fatal(err)
	}
	_, a, _ := redDot(pair[0][0].Image)
	_, b, _ := redDot(pair[1][0].Image)
	if math.Abs(a-b) > 4 {
		t.Errorf("eyes in row %.1f and %.1f", a, b)
	}
	if _, err := Pair([2]*pipeline.Report{reps[0], {}}, stills, words.English(), 500, pipeline.Stance); err == nil {
		t.Error("a report without a swing was laid beside another")
	}
}
