package pipeline

import (
	"math"
	"slices"
)

// Stand is where a measure stands against its band.
type Stand string

const (
	Inside  Stand = "inside"  // all of its bounds
	Outside Stand = "outside" // all of its bounds
	Between Stand = "between" // its bounds hold the limit
	Untold  Stand = "untold"  // it can't be told
)

// Stands holds a measure against the band as the rules do: by the whole of its
// 95 % bounds.
func (b *Band) Stands(m *Measure) Stand {
	if b == nil || m == nil || m.Value == nil || m.Lo == nil || m.Hi == nil || m.Unit != b.Unit {
		return Untold
	}
	least, most := math.Inf(-1), math.Inf(1)
	if b.Min != nil {
		least = *b.Min
	}
	if b.Max != nil {
		most = *b.Max
	}
	switch {
	case *m.Lo >= least && *m.Hi <= most:
		return Inside
	case *m.Hi < least, *m.Lo > most:
		return Outside
	}
	return Between
}

// Band is what a rule holds m against; nil where none does.
func (r *Report) Band(m *Measure) *Band {
	for i := range r.Bands {
		if b := &r.Bands[i]; b.Key == m.Key && b.From == m.From && b.At == m.At {
			return b
		}
	}
	return nil
}

// Course is which way a change went, seen from the band.
type Course string

const (
	NoCourse Course = ""        // no band, or no sure change
	Changed  Course = "changed" // as far from the band as before
	Closer   Course = "closer"
	NowFine  Course = "now_fine" // closer, and all of its bounds inside
	Further  Course = "further"
)

// Better is true where a change surely went toward the band.
func (c Course) Better() bool { return c == Closer || c == NowFine }

// Course tells by the distances of both values from the band which way a
// change went that is larger than its doubt. From one side of the band to the
// other the difference of the distances must be larger than the doubt, too.
func (b *Band) Course(c *Change) Course {
	if b == nil || c == nil || !c.Larger || c.Before.Unit != b.Unit || c.After.Unit != b.Unit {
		return NoCourse
	}
	before, after := b.beyond(*c.Before.Value), b.beyond(*c.After.Value)
	less := math.Abs(before) - math.Abs(after)
	if doubt, _ := c.Doubt(); before*after < 0 && math.Abs(less) <= doubt {
		return Changed
	}
	switch {
	case less < 0:
		return Further
	case less > 0 && b.Stands(&c.After) == Inside:
		return NowFine
	case less > 0:
		return Closer
	}
	return Changed
}

// beyond is how far v lies above the band, or below it as a negative number.
func (b *Band) beyond(v float64) float64 {
	switch {
	case b.Max != nil && v > *b.Max:
		return v - *b.Max
	case b.Min != nil && v < *b.Min:
		return v - *b.Min
	}
	return 0
}

// Compare lays a measure beside the same of an earlier swing. ok is false where
// they are not the same measure in the same unit, or one can't be told.
//
// Larger is true iff the difference is more than √(h₁²+h₂²), h the 95 % half
// widths: the rule for the difference of two independent readings. Of lopsided
// bounds the side that looks at the other value counts. A value without bounds
// has no known doubt, so nothing is larger than it.
func Compare(before, after *Measure) (c Change, ok bool) {
	if before == nil || after == nil || before.Value == nil || after.Value == nil ||
		before.Key != after.Key || before.From != after.From || before.At != after.At || before.Unit != after.Unit {
		return c, false
	}
	c = Change{Before: *before, After: *after}
	d := c.Difference()
	if math.IsNaN(d) || math.IsInf(d, 0) {
		return Change{}, false
	}
	doubt, known := c.Doubt()
	c.Larger = known && math.Abs(d) > doubt
	return c, true
}

// Difference is after − before, in the measures' unit. Of a Change that Compare
// made.
func (c *Change) Difference() float64 { return *c.After.Value - *c.Before.Value }

// Doubt is the 95 % half width of the difference; ok is false where the bounds
// of one are not known.
func (c *Change) Doubt() (half float64, ok bool) {
	a, okA := toward(&c.Before, *c.After.Value)
	b, okB := toward(&c.After, *c.Before.Value)
	return math.Hypot(a, b), okA && okB
}

// toward is the half width of m's bounds on the side of v; the wider one where
// v is m's own value.
func toward(m *Measure, v float64) (half float64, ok bool) {
	if m.Lo == nil || m.Hi == nil {
		return 0, false
	}
	up, down := math.Max(0, *m.Hi-*m.Value), math.Max(0, *m.Value-*m.Lo)
	switch {
	case v > *m.Value:
		half = up
	case v < *m.Value:
		half = down
	default:
		half = math.Max(up, down)
	}
	return half, !math.IsNaN(half)
}

// everyView are the measures that look alike from every side: what goes up and
// down, and time. The rest is seen, or hidden, by where the camera stands.
var everyView = []string{"eye_height", "eye_drop", "eye_drop_peak", "head_drop", "marker_drop", "finish_hold"}

// Apart says why a measure of two swings is not compared.
type Apart string

const (
	OtherView Apart = "other_view" // they were filmed from different sides
	OtherUnit Apart = "other_unit" // one has centimetres, the other percent of height
	NotTold   Apart = "not_told"   // in one of them, or both
)

// Left is a measure that two swings have and that is not compared.
type Left struct {
	Before Measure `json:"before"`
	After  Measure `json:"after"`
	Why    Apart   `json:"why"`
}

// Since lays the measures of a swing beside those of an earlier one, filmed on
// day, in the order of the later. Where they were not seen from the same side
// only what looks alike from every one is compared; left tells what was not,
// and why.
func Since(day string, before, after *Swing, sameView bool) (changes []Change, left []Left) {
	if before == nil || after == nil {
		return nil, nil
	}
	for i := range after.Measures {
		m := &after.Measures[i]
		was := before.Measure(m.Key, m.From, m.At)
		if was == nil {
			continue
		}
		c, ok := Compare(was, m)
		switch {
		case ok && (sameView || slices.Contains(everyView, m.Key)):
			c.Day = day
			changes = append(changes, c)
		case ok:
			left = append(left, Left{*was, *m, OtherView})
		case was.Unit != m.Unit:
			left = append(left, Left{*was, *m, OtherUnit})
		default:
			left = append(left, Left{*was, *m, NotTold})
		}
	}
	return changes, left
}
