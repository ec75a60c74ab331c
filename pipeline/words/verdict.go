package words

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"tapeline/pipeline"
)

// Verdict is the word for where a measure stands against its band: the same
// in every output. Empty without a band, or where the measure can't be told.
func (l Lang) Verdict(m *pipeline.Measure, b *pipeline.Band) string {
	return l.Standing[verdict(m, b, b.Stands(m))]
}

// Judged is Verdict where the findings judged, which may have seen more than
// the bounds.
func (l Lang) Judged(m *pipeline.Measure, b *pipeline.Band, s pipeline.Stand) string {
	return l.Standing[verdict(m, b, s)]
}

// verdict is a key of Standing. A limit within narrow bounds is a close call,
// within wide ones nothing is sure.
func verdict(m *pipeline.Measure, b *pipeline.Band, s pipeline.Stand) string {
	switch s {
	case pipeline.Inside:
		return "inside"
	case pipeline.Outside:
		if b != nil && b.Min != nil && m != nil && m.Value != nil && *m.Value < *b.Min {
			return "little"
		}
		return "outside"
	case pipeline.Between:
		if Vague(m) {
			return "cant_tell"
		}
		return "close"
	}
	return ""
}

// Limit writes one end of a band: with as many decimals as it has, one where
// it was converted.
func (l Lang) Limit(v float64, unit string) string { return l.Short(v, unit, l.limitDecimals(v, unit)) }

func (l Lang) limitDecimals(v float64, unit string) int {
	x, to := l.To(v, unit)
	d := 0
	if unit == "ratio" {
		d = 1
	}
	for d < 2 && math.Abs(x-rounded(x, d)) > 1e-6 {
		d++
	}
	if to != unit {
		d = min(d, 1)
		if math.Abs(rounded(x, 1)-rounded(x, 0)) < 1e-6 {
			d = 0
		}
	}
	return d
}

// rounded is v as Number writes it.
func rounded(v float64, decimals int) float64 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'f', decimals, 64), 64) // a number it is
	return r
}

// risen are the measures that count downward: what, as it is written, went up
// is said to rise.
var risen = []string{"eye_drop", "head_drop", "marker_drop"}

// Against writes a measure like Value, with more decimals where the rounded
// bounds would stand elsewhere against the rounded limits of the band than the
// measure does.
func (l Lang) Against(m *pipeline.Measure, b *pipeline.Band) string {
	if m == nil || m.Value == nil {
		if m != nil && m.Lo != nil && m.Hi != nil {
			return l.Range(*m.Lo, *m.Hi, m.Unit)
		}
		return l.Cards["cant_tell"]
	}
	if m.Lo == nil || m.Hi == nil {
		return l.Short(*m.Value, m.Unit, l.Decimals(m.Unit, 1))
	}
	top, _ := l.To(*m.Hi, m.Unit)
	if slices.Contains(risen, m.Key) && *m.Value < 0 && rounded(top, l.Decimals(m.Unit, (*m.Hi-*m.Lo)/2)) <= 0 {
		up, down := *m, b
		v, lo, hi := -*m.Value, -*m.Hi, -*m.Lo
		up.Key, up.Value, up.Lo, up.Hi = "", &v, &lo, &hi
		if b != nil {
			turned := *b
			turned.Min, turned.Max = negative(b.Max), negative(b.Min)
			down = &turned
		}
		return fmt.Sprintf(l.Cards["rises"], l.Against(&up, down))
	}
	up, down := *m.Hi-*m.Value, *m.Value-*m.Lo
	wide := math.Max(up, down)
	switch {
	case Vague(m):
		return l.span(*m.Lo, *m.Hi, m.Unit, l.keeps(m, b, l.Decimals(m.Unit, (*m.Hi-*m.Lo)/2), false))
	case wide > 0 && math.Min(up, down) < 0.5*wide, b.Stands(even(m, wide)) != b.Stands(m):
		d := l.keeps(m, b, l.Decimals(m.Unit, wide), false)
		return l.Short(*m.Value, m.Unit, d) + " (" + l.span(*m.Lo, *m.Hi, m.Unit, d) + ")"
	}
	return l.doubtful(*m.Value, wide, m.Unit, l.keeps(m, b, l.Decimals(m.Unit, wide), true))
}

// even is m with the same half width on both sides.
func even(m *pipeline.Measure, half float64) *pipeline.Measure {
	out, lo, hi := *m, *m.Value-half, *m.Value+half
	out.Lo, out.Hi = &lo, &hi
	return &out
}

func negative(v *float64) *float64 {
	if v == nil {
		return nil
	}
	n := -*v
	return &n
}

// keeps is d, or up to two decimals more, so that what is read off the written
// numbers stands where the measure stands; half: they are a value and a half
// width, else the bounds.
func (l Lang) keeps(m *pipeline.Measure, b *pipeline.Band, d int, half bool) int {
	if b == nil || b.Unit != m.Unit {
		return d
	}
	limits := *b
	for _, end := range []**float64{&limits.Min, &limits.Max} {
		if *end != nil {
			x, _ := l.To(**end, m.Unit)
			x = rounded(x, l.limitDecimals(**end, m.Unit))
			*end = &x
		}
	}
	to := func(v float64, d int) float64 {
		x, _ := l.To(v, m.Unit)
		return rounded(x, d)
	}
	for more := range 3 {
		read := *m
		lo, hi := to(*m.Lo, d+more), to(*m.Hi, d+more)
		if half {
			v, w := to(*m.Value, d+more), to(math.Max(*m.Hi-*m.Value, *m.Value-*m.Lo), d+more)
			lo, hi = rounded(v-w, d+more), rounded(v+w, d+more)
		}
		read.Lo, read.Hi = &lo, &hi
		if limits.Stands(&read) == b.Stands(m) {
			return d + more
		}
	}
	return d
}

// Places is how many decimals a table writes a measure and its bounds with:
// Against for where the numbers are exact.
func (l Lang) Places(m *pipeline.Measure, b *pipeline.Band) int {
	d := l.Decimals(m.Unit, 0)
	if m.Value == nil || m.Lo == nil || m.Hi == nil {
		return d
	}
	return l.keeps(m, b, d, false)
}

func (l Lang) span(lo, hi float64, unit string, d int) string {
	a, b := l.Bare(lo, unit, d), l.Bare(hi, unit, d)
	_, unit = l.To(0, unit)
	if strings.HasPrefix(a, "−") || strings.HasPrefix(b, "−") {
		return l.fill(l.Units[unit].Short, fmt.Sprintf(l.Cards["range"], a, b))
	}
	return l.fill(l.Units[unit].Short, a+"–"+b)
}

func (l Lang) doubtful(v, doubt float64, unit string, d int) string {
	v, _ = l.To(v, unit)
	doubt, unit = l.To(doubt, unit)
	return l.fill(l.Units[unit].Short, l.Number(v, d)+" ±"+l.Number(doubt, d))
}

// Better says what a change brought that surely went toward its band, for the
// list of good things: "Eyes sink 7 cm less than on 3 May 2026". Empty for any
// other change.
func (l Lang) Better(c *pipeline.Change, b *pipeline.Band) string {
	if !b.Course(c).Better() {
		return ""
	}
	d, doubt := c.Difference(), 0.0
	if half, ok := c.Doubt(); ok {
		doubt = half
	}
	way := "more"
	if d < 0 {
		way = "less"
	}
	amount := strings.ReplaceAll(l.Short(math.Abs(d), c.After.Unit, l.Decimals(c.After.Unit, doubt)), " ", "\u00a0")
	if s := l.Gains[b.Rule+"_"+way]; s != "" {
		return fmt.Sprintf(s, amount, l.Date(c.Day))
	}
	return fmt.Sprintf(l.Gains[way], amount, l.Date(c.Day), l.MeasureName(&c.After))
}
