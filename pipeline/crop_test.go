package pipeline

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// swingAt is a batter 200 px tall whose eyes are at x, y in the key frame,
// drawn in frames 10 to 19 by a camera that pans pan pixels a frame.
func swingAt(x, y, pan float64) *Swing {
	s := &Swing{Chosen: true, Geometry: Geometry{EyeLevel: Point{x, y}, GroundY: y + 172}}
	for i := range 10 {
		c := Identity()
		c.TX = pan * float64(i)
		s.Path = append(s.Path, Drawn{Frame: 10 + i, T: float64(10+i) / 30, Seen: true, Camera: c, Hands: Point{x + 30, y + 40}, Box: [4]float64{x - 40, y - 5, x + 50, y + 172}})
	}
	return s
}

func TestAroundHoldsBatterAndBat(t *testing.T) {
	c := Clip{Width: 1920, Height: 1080}
	r := Around(c, swingAt(900, 500, 0), 0, 100)
	in := func(r [4]int, p Point) bool {
		return p.X >= float64(r[0]) && p.Y >= float64(r[1]) && p.X <= float64(r[0]+r[2]) && p.Y <= float64(r[1]+r[3])
	}
	// The bat's tip, .48 of 200 px from the hands, in every direction.
	for a := 0.; a < 2*math.Pi; a += .1 {
		if p := (Point{930 + 96*math.Cos(a), 540 + 96*math.Sin(a)}); !in(r, p) {
			t.Errorf("the bat at %v is outside %v", p, r)
		}
	}
	if !in(r, Point{900, 500 + 180}) || !in(r, Point{860, 475}) {
		t.Errorf("feet or helmet are outside %v", r)
	}
	if r[2] > 400 || r[3] > 400 {
		t.Errorf("%v is much wider than a batter of 200 px", r)
	}
	// A camera that pans to the right sees the batter go left: the rectangle
	// holds both ends, of the frames that are shown.
	pan, part := Around(c, swingAt(900, 500, 20), 0, 100), Around(c, swingAt(900, 500, 20), 12, 14)
	if !in(pan, Point{930 + 96, 540}) || !in(pan, Point{930 - 9*20 - 96, 540}) || in(part, Point{930 - 9*20 - 96, 540}) || part[2] >= pan[2] {
		t.Errorf("panned: %v, part of it %v", pan, part)
	}
	if r := Around(c, &Swing{Path: []Drawn{{Frame: 1}}}, 0, 9); r != [4]int{0, 0, 1920, 1080} {
		t.Errorf("nobody seen: %v", r)
	}
}

func TestAroundLiesInThePicture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Clip{Width: rapid.IntRange(64, 4000).Draw(t, "w"), Height: rapid.IntRange(64, 4000).Draw(t, "h")}
		s := swingAt(rapid.Float64Range(-200, 4200).Draw(t, "x"), rapid.Float64Range(-200, 4200).Draw(t, "y"), rapid.Float64Range(-50, 50).Draw(t, "pan"))
		r := Around(c, s, 0, 50)
		if r[0] < 0 || r[1] < 0 || r[2] < 64&^1 || r[3] < 64&^1 || r[0]+r[2] > c.Width || r[1]+r[3] > c.Height {
			t.Fatalf("%v in %d×%d", r, c.Width, c.Height)
		}
		for _, v := range r {
			if v%2 != 0 {
				t.Fatalf("odd: %v", r)
			}
		}
		if min(r[2], r[3]) < min(cropLeast, c.Width&^1, c.Height&^1) {
			t.Fatalf("%v is too small to be enlarged", r)
		}
	})
}

// What is drawn at a place of the cropped key frame lies, in the cropped
// picture, where it lay in the whole one.
func TestCroppedKeepsPlaces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := func(lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, "v") }
		cam := Camera{A: f(.8, 1.2), B: f(-.2, .2), TX: f(-300, 300), TY: f(-300, 300), GX: f(-5, 5), GY: f(-5, 5), OK: true}
		open := 12.
		d := Drawn{Frame: 3, Seen: true, Camera: cam, Eyes: Point{f(0, 2000), f(0, 2000)}, Hands: Point{f(0, 2000), f(0, 2000)}, Marker: &Point{f(0, 2000), 5}, Open: &open, Box: [4]float64{1, 2, 3, 4}}
		rep := Report{Clip: ClipInfo{Width: 1920, Height: 1080}, Swings: []Swing{{Geometry: Geometry{EyeLevel: Point{500, 300}, GroundY: 800}, Path: []Drawn{d}}}}
		crop := [4]int{2 * rapid.IntRange(0, 400).Draw(t, "x"), 2 * rapid.IntRange(0, 300).Draw(t, "y"), 400, 500}
		out := rep.Cropped(crop)
		n := out.Swings[0].Path[0]
		for _, p := range [][2]Point{{d.Eyes, n.Eyes}, {d.Hands, n.Hands}, {*d.Marker, *n.Marker}} {
			was, is := d.Camera.Invert(p[0]), n.Camera.Invert(p[1])
			if math.Abs(was.X-float64(crop[0])-is.X) > 1e-6 || math.Abs(was.Y-float64(crop[1])-is.Y) > 1e-6 {
				t.Fatalf("%v became %v, cropped by %v", was, is, crop)
			}
		}
		if g := out.Swings[0].Geometry; g.EyeLevel.Y != 300-float64(crop[1]) || g.GroundY != 800-float64(crop[1]) || out.Clip.Width != 400 || out.Clip.Height != 500 {
			t.Fatalf("geometry %+v of %+v", g, out.Clip)
		}
		if *n.Open != open || !reflect.DeepEqual(rep.Swings[0].Path[0], d) {
			t.Fatal("the report itself was changed, or what was judged")
		}
	})
}

// Every place of a Drawn is moved: one more that is forgotten fails here.
func TestCroppedMovesEveryPlace(t *testing.T) {
	at := Point{100, 200}
	d := Drawn{Camera: Identity(), Marker: &Point{100, 200}}
	v := reflect.ValueOf(&d).Elem()
	for i := range v.NumField() {
		if v.Field(i).Type() == reflect.TypeFor[Point]() {
			v.Field(i).Set(reflect.ValueOf(at))
		}
	}
	n := reflect.ValueOf(d.less(Point{10, 20}))
	for i := range n.NumField() {
		if p, ok := n.Field(i).Interface().(Point); ok && p != (Point{90, 180}) {
			t.Errorf("%s stays at %v", n.Type().Field(i).Name, p)
		}
	}
}

func TestSilhouette(t *testing.T) {
	var p Pose
	put := func(x, y float64, js ...int) {
		for _, j := range js {
			p.Joints[j].X, p.Joints[j].Y = x, y
		}
	}
	put(100, 20, Nose, LeftEar, RightEar)
	put(100, 50, LeftShoulder, RightShoulder, LeftElbow, RightElbow, LeftWrist, RightWrist, LeftIndex, RightIndex)
	put(100, 110, LeftHip, RightHip)
	put(100, 160, LeftKnee, RightKnee)
	put(100, 205, LeftAnkle, RightAnkle, LeftHeel, RightHeel, LeftToe, RightToe)
	s := p.Silhouette()
	for _, in := range []Point{{100, 5}, {105, 80}, {98, 140}, {100, 208}} {
		if !s.Holds(in, 0) {
			t.Errorf("%v is outside", in)
		}
	}
	out := Point{135, 80}
	if s.Holds(out, 0) || !s.Holds(out, 25) || !s.Moved(Point{30, 0}).Holds(out, 0) {
		t.Errorf("%v: growing and moving are wrong", out)
	}
	if b := s.Box(); b[0] > 90 || b[0] < 60 || b[1] > 5 || b[3] < 205 || b[3] > 220 {
		t.Errorf("box %v", b)
	}
	if (Silhouette{}).Holds(Point{}, 1e9) {
		t.Error("nothing holds something")
	}
}
