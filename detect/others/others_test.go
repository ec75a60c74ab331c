package others

import (
	"testing"

	"tapeline/detect/pose"
	"tapeline/pipeline"
)

// seeing gives what a network would see: boxes by score, cut to each square.
type seeing []pose.Somebody

func (s seeing) People(_ *pipeline.Frame, squares []pipeline.Region, least float64) (out []pose.Somebody, err error) {
	for _, q := range squares {
		b := sides(q)
		for _, p := range s {
			c := [4]float64{max(p.Box[0], b[0]), max(p.Box[1], b[1]), min(p.Box[2], b[2]), min(p.Box[3], b[3])}
			if p.Score >= least && c[2]-c[0] > 5 && c[3]-c[1] > 5 {
				out = append(out, pose.Somebody{Score: p.Score, Box: c})
			}
		}
	}
	return out, nil
}

// column is a batter as a thick line, 200 px tall.
func column(x, y float64) pipeline.Silhouette {
	return pipeline.Silhouette{{A: pipeline.Point{X: x, Y: y + 20}, B: pipeline.Point{X: x, Y: y + 180}, R: 20}}
}

func TestLook(t *testing.T) {
	part := [4]float64{100, 100, 500, 500}
	batter := column(300, 200)
	for _, c := range []struct {
		name string
		who  pose.Somebody
		want bool
	}{
		{"the batter", pose.Somebody{Score: .9, Box: [4]float64{270, 195, 330, 405}}, false},
		{"the batter with his bat", pose.Somebody{Score: .9, Box: [4]float64{250, 150, 370, 410}}, false},
		{"the batter's legs", pose.Somebody{Score: .6, Box: [4]float64{275, 300, 330, 400}}, false},
		{"beside the batter", pose.Somebody{Score: .6, Box: [4]float64{400, 200, 470, 400}}, true},
		{"small, touching the batter", pose.Somebody{Score: .6, Box: [4]float64{312, 330, 345, 400}}, true},
		{"cut by the part's edge", pose.Somebody{Score: .6, Box: [4]float64{470, 200, 560, 420}}, true},
		{"outside", pose.Somebody{Score: .9, Box: [4]float64{510, 200, 580, 420}}, false},
		{"too doubtful", pose.Somebody{Score: .1, Box: [4]float64{400, 200, 470, 400}}, false},
	} {
		found, err := Look(seeing{c.who}, &pipeline.Frame{}, part, batter)
		if err != nil {
			t.Fatal(err)
		}
		if (len(found) == 1) != c.want || len(found) > 1 {
			t.Errorf("%s: %v", c.name, found)
		}
	}
	// Squares cut a batter of whom little is known into pieces that no
	// silhouette explains: none of them is somebody.
	if found, _ := Look(seeing{{Score: .9, Box: [4]float64{150, 120, 450, 480}}}, &pipeline.Frame{}, part, pipeline.Silhouette{{A: pipeline.Point{X: 300, Y: 130}, B: pipeline.Point{X: 300, Y: 470}, R: 60}}); len(found) > 0 {
		t.Errorf("pieces of the batter: %v", found)
	}
}

// frames at 30 a second, a camera that moves a pixel a frame to the right.
func frames(found ...[]Found) (out []Frame) {
	for i, f := range found {
		cam := pipeline.Identity()
		cam.TX = float64(i)
		for k := range f {
			f[k].Box[0] -= float64(i)
			f[k].Box[2] -= float64(i)
		}
		out = append(out, Frame{T: float64(i) / 30, Camera: cam, Found: f})
	}
	return out
}

func at(x, score float64) []Found {
	return []Found{{Score: score, Box: [4]float64{x, 100, x + 40, 200}}}
}

func TestJoin(t *testing.T) {
	none := []Found(nil)
	// Sure once, doubtful before and after, missed between: there all the time.
	veils := Join(frames(none, at(50, .25), none, at(50, .45), none, none, at(52, .22), none))
	for i, v := range veils {
		if len(v) != 1 {
			t.Fatalf("frame %d: %v", i, v)
		}
		if b := v[0].Box; b[0] > 50-float64(i) || b[2] < 92-float64(i) || b[1] > 100 || b[3] < 200 || v[0].Tall < 100 {
			t.Errorf("frame %d: %v does not cover somebody", i, v)
		}
	}
	// Long before the first sight and long after the last nobody is made up.
	long := make([][]Found, 100)
	long[50], long[51] = at(50, .5), at(50, .45)
	veils = Join(frames(long...))
	if len(veils[10]) != 0 || len(veils[90]) != 0 || len(veils[40]) != 1 || len(veils[60]) != 1 {
		t.Error("lingers wrongly")
	}
	for name, f := range map[string][]Frame{
		"only doubts":         frames(at(50, .3), at(50, .35), at(50, .39)),
		"one glimpse":         frames(none, at(50, .45), none),
		"at different places": frames(at(50, .45), at(300, .3), at(150, .3)),
	} {
		for i, v := range Join(f) {
			if len(v) > 0 {
				t.Errorf("%s: frame %d: %v", name, i, v)
			}
		}
	}
	doubt := make([][]Found, 30)
	doubt[2], doubt[8], doubt[15], doubt[20] = at(50, .25), at(50, .31), at(50, .22), at(50, .28)
	if v := Join(frames(doubt...)); len(v[2]) != 1 || len(v[12]) != 1 {
		t.Error("who is doubted for long is nobody")
	}
	if v := Join(frames(none, at(50, .6), none)); len(v[1]) != 1 {
		t.Error("one sure sight is not enough")
	}
	// Two people are two, and one who leaves a moment is not followed to another.
	v := Join(frames(append(at(50, .5), at(300, .5)...), append(at(50, .5), at(300, .5)...)))
	if len(v[0]) != 2 || len(v[1]) != 2 {
		t.Errorf("two people: %v", v)
	}
	if len(Join(nil)) != 0 {
		t.Error("nothing")
	}
}
