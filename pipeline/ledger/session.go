package ledger

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tapeline/pipeline"
)

// Spread is one measure over the swings of a day, seen from one side. Less
// variation from swing to swing is itself skill (Nakata et al. 2012, J.
// Strength Cond. Res. 26:2632).
type Spread struct {
	Key      string             `json:"key"`
	From     pipeline.EventKind `json:"from,omitempty"`
	At       pipeline.EventKind `json:"at,omitempty"`
	Unit     string             `json:"unit"`
	Swings   int                `json:"swings"` // that tell it
	Untold   int                `json:"untold"` // swings of the day that can't
	Median   float64            `json:"median"`
	Least    float64            `json:"least"`
	Most     float64            `json:"most"`
	SD       *float64           `json:"sd"`       // of the swings; nil for one swing
	DoubtSD  float64            `json:"doubt_sd"` // standard deviation of one reading, root mean square
	Varies   *bool              `json:"varies"`   // the swings differ by more than the doubt explains; nil: too few
	Band     *pipeline.Band     `json:"band"`     // of the day's last lesson
	InBand   *int               `json:"in_band"`  // swings whose whole bounds lie inside; nil without a band
	OutBand  *int               `json:"out_band"` // swings whose whole bounds lie outside
	Readings []pipeline.Measure `json:"-"`        // in order
}

// Group is the lessons of one view and batting side.
type Group struct {
	View    pipeline.View
	Bats    pipeline.Side
	Lessons []Lesson
}

// Groups sorts lessons by view and batting side, the group with most lessons
// first: only what was seen from the same place is laid side by side.
func Groups(lessons []Lesson) (out []Group) {
	for _, l := range lessons {
		i := slices.IndexFunc(out, func(g Group) bool { return g.View == l.View && g.Bats == l.Bats })
		if i < 0 {
			out = append(out, Group{View: l.View, Bats: l.Bats})
			i = len(out) - 1
		}
		out[i].Lessons = append(out[i].Lessons, l)
	}
	slices.SortStableFunc(out, func(a, b Group) int { return len(b.Lessons) - len(a.Lessons) })
	return out
}

// Session is the middle and the spread of every measure over all swings of the
// group's lessons on a day, in the order of pipeline.MeasureKeys.
//
// Varies is Cochran's test of homogeneity at 5 %: Σ(xᵢ−x̄)²/σᵢ² against χ² of
// n−1 degrees of freedom, x̄ weighted by 1/σᵢ², σᵢ a reading's half width ÷ 1.96
// (Cochran 1954, Biometrics 10:101). Errors that all swings of a clip share
// make it say "varies" too seldom, never too often.
func (g Group) Session(day string) (out []Spread, swings int) {
	type span struct {
		key      string
		from, at pipeline.EventKind
		unit     string
	}
	at := map[span]int{}
	for _, l := range g.Lessons {
		if l.Day != day {
			continue
		}
		for _, s := range l.Swings {
			swings++
			for _, m := range s.Measures {
				k := span{m.Key, m.From, m.At, m.Unit}
				i, ok := at[k]
				if !ok {
					i = len(out)
					at[k] = i
					out = append(out, Spread{Key: m.Key, From: m.From, At: m.At, Unit: m.Unit})
				}
				if b := l.Band(&m); b != nil {
					out[i].Band = b
				}
				if m.Value != nil && m.Lo != nil && m.Hi != nil {
					out[i].Readings = append(out[i].Readings, m)
				}
			}
		}
	}
	out = slices.DeleteFunc(out, func(s Spread) bool { return len(s.Readings) == 0 })
	for i := range out {
		out[i].Untold = swings - len(out[i].Readings)
		out[i].work()
	}
	slices.SortStableFunc(out, func(a, b Spread) int {
		return slices.Index(pipeline.MeasureKeys, a.Key) - slices.Index(pipeline.MeasureKeys, b.Key)
	})
	return out, swings
}

// half95 is how many standard deviations a 95 % half width is.
const half95 = 1.96

func (s *Spread) work() {
	n := len(s.Readings)
	s.Swings = n
	values, weights := make([]float64, n), make([]float64, n)
	for i, m := range s.Readings {
		sd := (*m.Hi - *m.Lo) / 2 / half95
		values[i], weights[i] = *m.Value, 1/(sd*sd)
		s.DoubtSD += sd * sd / float64(n)
	}
	s.DoubtSD = math.Sqrt(s.DoubtSD)
	sorted := slices.Sorted(slices.Values(values))
	s.Least, s.Most = sorted[0], sorted[n-1]
	s.Median = (sorted[(n-1)/2] + sorted[n/2]) / 2
	if s.Band != nil {
		in, off := 0, 0
		for _, m := range s.Readings {
			switch s.Band.Stands(&m) {
			case pipeline.Inside:
				in++
			case pipeline.Outside:
				off++
			}
		}
		s.InBand, s.OutBand = &in, &off
	}
	if n < 2 {
		return
	}
	sd := stat.StdDev(values, nil)
	s.SD = &sd
	if slices.ContainsFunc(weights, func(w float64) bool { return math.IsInf(w, 0) || math.IsNaN(w) }) {
		return // a reading without doubt can't be weighed
	}
	mean, q := stat.Mean(values, weights), 0.0
	for i, v := range values {
		q += weights[i] * (v - mean) * (v - mean)
	}
	varies := q > distuv.ChiSquared{K: float64(n - 1)}.Quantile(0.95)
	s.Varies = &varies
}
