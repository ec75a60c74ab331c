package pose

import (
	"math"
	"testing"

	"tapeline/pipeline"
)

// The box of the batter holds the joints that the official runtime of another
// network reads in the same picture, and no other box does.
func TestPeople(t *testing.T) {
	n := open(t)
	for _, name := range frames {
		f := picture(t, name)
		want := reference(t, name+".heavy")
		hip := want.Landmarks[pipeline.LeftHip]
		for _, side := range []float64{float64(max(f.Width, f.Height)), 500, 1000} {
			found, err := n.People(f, []pipeline.Region{{CX: hip[0], CY: hip[1], Size: side, Rot: 1}}, .3)
			if err != nil {
				t.Fatal(err)
			}
			if len(found) == 0 {
				t.Errorf("%s, square of %.0f: nobody", name, side)
				continue
			}
			b := found[0].Box
			for _, j := range []int{pipeline.Nose, pipeline.LeftShoulder, pipeline.RightShoulder, pipeline.LeftHip, pipeline.LeftKnee, pipeline.RightKnee} { // a foot set back may stick out
				if p := want.Landmarks[j]; p[0] < b[0]-8 || p[0] > b[2]+8 || p[1] < b[1]-8 || p[1] > b[3]+8 {
					t.Errorf("%s, square of %.0f: joint %d at %.0f is outside %.0f", name, side, j, p[:2], b)
				}
			}
			for _, o := range found[1:] {
				if o.Score > .4 {
					t.Errorf("%s, square of %.0f: somebody else: %.2f at %.0f", name, side, o.Score, o.Box)
				}
			}
		}
		if _, err := n.People(f, []pipeline.Region{{CX: math.NaN(), CY: 1, Size: 10}}, .3); err == nil {
			t.Error("no square passed")
		}
	}
}

// Sources: the anchors of the official graph number 1917; the first lies in
// the middle of the first of 19×19 cells and is .1 wide and high, the last
// covers the picture's one cell with √(.95·1).
func TestPeopleAnchors(t *testing.T) {
	near := func(a, b [4]float64) bool {
		for i := range a {
			if math.Abs(a[i]-b[i]) > 1e-12 {
				return false
			}
		}
		return true
	}
	if peopleCount != 1917 || len(peopleAnchors) != 1917 {
		t.Fatalf("%d anchors", len(peopleAnchors))
	}
	s := math.Sqrt(.95)
	if !near(peopleAnchors[0], [4]float64{.5 / 19, .5 / 19, .1, .1}) || !near(peopleAnchors[1916], [4]float64{.5, .5, s, s}) {
		t.Errorf("%v … %v", peopleAnchors[0], peopleAnchors[1916])
	}
	if w := peopleAnchors[1]; math.Abs(w[2]/w[3]-2) > 1e-9 || math.Abs(w[2]*w[3]-.04) > 1e-9 {
		t.Errorf("second anchor %v is not twice as wide as high, of area .2²", w)
	}
	if w := peopleAnchors[1083]; math.Abs(w[2]-.35) > 1e-9 { // .2 + .75/5
		t.Errorf("first of the second layer: %v", w)
	}
}
