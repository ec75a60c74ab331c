package words

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Units is the system a reader's lengths are written in. Whatever is passed to
// this room, and every file of numbers, stays in centimetres.
type Units string

const (
	Metric   Units = "metric"
	Imperial Units = "imperial"
)

// Systems of units there are.
var Systems = []Units{Metric, Imperial}

// Inch and foot are exact by the international yard and pound agreement of
// 1959.
const (
	inch = 2.54   // cm
	foot = 0.3048 // m
)

// In gives the same language with lengths in the reader's units: inches in
// place of centimetres, feet in place of metres. Lengths that stand in a
// sentence of drills and cautions, "{4 m}", are written out.
func (l Lang) In(u Units) Lang {
	l.imperial = u == Imperial
	raw := languages[l.Code]
	l.Care, l.Drills = maps.Clone(raw.Care), maps.Clone(raw.Drills)
	for k, s := range l.Care {
		l.Care[k] = l.lengths(s)
	}
	for k, d := range l.Drills {
		l.Drills[k] = Drill{d.Name, l.lengths(d.SetUp), l.lengths(d.Do), l.lengths(d.Look), l.lengths(d.Safety)}
	}
	return l
}

// System is that of the units lengths are written in.
func (l Lang) System() Units {
	if l.imperial {
		return Imperial
	}
	return Metric
}

var braces = regexp.MustCompile(`\{(\d+(?:\.\d+)?) (c?m)\}`)

// lengths writes out the lengths in braces; metres become feet rounded up,
// because they are room to keep clear.
func (l Lang) lengths(s string) string {
	return braces.ReplaceAllStringFunc(s, func(b string) string {
		m := braces.FindStringSubmatch(b)
		v, _ := strconv.ParseFloat(m[1], 64) // the pattern is a number
		switch {
		case m[2] == "cm":
			return l.Tape(v)
		case l.imperial:
			return l.fill(l.Units["ft"].Long, l.Number(math.Ceil(v/foot), 0))
		}
		_, part, _ := strings.Cut(m[1], ".")
		return l.fill(l.Units["m"].Long, l.Number(v, len(part)))
	})
}

// To converts a value to the unit a reader sees, a key of Units: centimetres
// to inches, metres to feet; all else stays.
func (l Lang) To(v float64, unit string) (float64, string) {
	switch {
	case l.imperial && unit == "cm":
		return v / inch, "in"
	case l.imperial && unit == "m":
		return v / foot, "ft"
	}
	return v, unit
}

// Decimals is how many decimals a value with this doubt deserves; value and
// doubt are in unit, the decimals are of what the reader sees.
func (l Lang) Decimals(unit string, doubt float64) int {
	doubt, unit = l.To(doubt, unit)
	switch {
	case unit == "s" || unit == "ratio":
		return 2
	case unit == "deg" || doubt >= 1:
		return 0
	}
	return 1
}

// Bare writes a value in the reader's unit without naming the unit.
func (l Lang) Bare(v float64, unit string, decimals int) string {
	v, _ = l.To(v, unit)
	return l.Number(v, decimals)
}

// Tall writes the height of a person, cm: "170 cm", "5 ft 7 in", to the half
// inch.
func (l Lang) Tall(cm float64) string {
	if !l.imperial {
		return l.Short(cm, "cm", 0)
	}
	half := int(math.Round(cm / inch * 2))
	rest := half % 24
	return fmt.Sprintf(l.Table["feet_inches"], half/24, l.Number(float64(rest)/2, rest%2))
}

// Tape writes a length to lay off with a tape measure, cm: to the half
// centimetre, or to the quarter inch, "1½ in".
func (l Lang) Tape(cm float64) string {
	if !l.imperial {
		half := math.Round(cm * 2)
		return l.Short(half/2, "cm", int(math.Abs(half))%2)
	}
	quarters := int(math.Round(math.Abs(cm) / inch * 4))
	n := strconv.Itoa(quarters / 4)
	if part := []string{"", "¼", "½", "¾"}[quarters%4]; part != "" {
		n = strings.TrimPrefix(n+part, "0") // "10¼" keeps its own
	}
	if cm < 0 && quarters > 0 {
		n = "−" + n
	}
	return l.fill(l.Units["in"].Short, n)
}
