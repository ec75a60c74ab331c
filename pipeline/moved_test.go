package pipeline

import (
	"math"
	"testing"
)

// A correction is laid beside the swing in whose window it lies; what is in none
// is left out.
func TestMoves(t *testing.T) {
	num := func(v float64) *float64 { return &v }
	c := Clip{TimeFactor: 8} // slow motion: an eighth of the time
	for i := range 40 {
		c.PTS = append(c.PTS, float64(i)/30)
	}
	moved := Camera{A: 1, TX: 100, OK: true}
	rep := &Report{Swings: []Swing{
		{Events: []Event{{Kind: Contact, T: num(c.PTS[5]), Lo: num(c.PTS[4]), Hi: num(c.PTS[7])}, {Kind: Plant, Reason: "no_stride"}}, Geometry: Geometry{Unit: "cm", EyesPx: 4, FeetPx: 5},
			Path: []Drawn{{Frame: 2, Seen: true, Camera: moved, Eyes: Point{110, 20}, ToeFront: Point{150, 80}}, {Frame: 3}, {Frame: 9}}},
		{Events: []Event{{Kind: Contact, T: num(c.PTS[25])}}, Geometry: Geometry{Unit: "pct_height", FeetPx: 5}, Path: []Drawn{{Frame: 20, Seen: true, Camera: Identity(), HeelBack: Point{1, 1}}, {Frame: 30}}},
	}}
	got := Moves(c, rep, &Coach{
		Times:  []Timed{{Contact, c.PTS[7]}, {Plant, c.PTS[3]}, {Contact, c.PTS[8]}, {Contact, c.PTS[24]}, {Contact, c.PTS[35]}},
		Points: []Placed{{"eyes", 2, Point{13, 24}}, {"front_toe", 2, Point{50, 90}}, {"front_toe", 3, Point{50, 90}}, {"front_ankle", 2, Point{1, 1}}, {"back_heel", 20, Point{4, 5}}, {"eyes", 35, Point{1, 1}}},
	})
	want := []Moved{
		{Event: Contact, Frame: 7, Found: true, Seconds: 2. / 30 / 8, Held: true}, {Event: Plant, Frame: 3}, {Event: Contact, Frame: 8, Found: true, Seconds: 3. / 30 / 8},
		{Event: Contact, Frame: 24, Found: true, Seconds: -1. / 30 / 8},
		{Part: "eyes", Frame: 2, Found: true, Right: 3, Down: 4, CM: 1.25}, {Part: "front_toe", Frame: 2, Found: true, Down: 10, CM: 2}, {Part: "front_toe", Frame: 3}, {Part: "front_ankle", Frame: 2},
		{Part: "back_heel", Frame: 20, Found: true, Right: 3, Down: 4},
	}
	if len(got) != len(want) {
		t.Fatalf("%+v", got)
	}
	for i, g := range got {
		w := want[i]
		near := math.Abs(g.Seconds-w.Seconds)+math.Abs(g.Right-w.Right)+math.Abs(g.Down-w.Down)+math.Abs(g.CM-w.CM) < 1e-9
		g.Seconds, g.Right, g.Down, g.CM = w.Seconds, w.Right, w.Down, w.CM
		if !near || g != w {
			t.Errorf("%d: %+v, want %+v", i, got[i], w)
		}
	}
	if Moves(c, rep, nil) != nil {
		t.Error("nobody moved something")
	}
}
