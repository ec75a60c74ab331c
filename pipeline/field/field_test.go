package field

import (
	"math"
	"testing"
)

// Official Baseball Rules: plate 17 in = 431.8 mm; ball 9–9¼ in round, which
// is 72.8–74.8 mm across (computed). Softball: 96–98 mm, from memory.
func TestSizes(t *testing.T) {
	if math.Abs(PlateWidth-43.18) > 1e-9 {
		t.Errorf("plate %v", PlateWidth)
	}
	if w := Plate[1][0] - Plate[4][0]; math.Abs(w-43.18) > 1e-9 {
		t.Errorf("plate's corners are %v apart", w)
	}
	if Baseball < 7.28 || Baseball > 7.48 {
		t.Errorf("baseball %v", Baseball)
	}
	if Softball12 < 9.6 || Softball12 > 9.8 {
		t.Errorf("softball %v", Softball12)
	}
	// The apex of a 12-12-17 triangle is 90.199°, not 90 (computed): no corner
	// coordinates can satisfy the rules' drawing exactly.
	if a := math.Acos((144+144-289)/288.0) * 180 / math.Pi; math.Abs(a-90.199) > .001 {
		t.Errorf("apex %v", a)
	}
	if rear := math.Hypot(Plate[1][0], Plate[1][1]) / 2.54; math.Abs(rear-12) > .03 {
		t.Errorf("rear edge %v in", rear)
	}
}
