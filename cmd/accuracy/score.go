package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strings"

	"tapeline/detect/coach"
	"tapeline/pipeline"
)

// judgedSwing is one swing with what is true of it and what was made of it.
type judgedSwing struct {
	bats    pipeline.Side
	view    pipeline.View
	stature float64 // metres
	swung   bool    // a full swing
	fps     float64
	sound   bool // the ball's sound is in the clip
	truths  map[kind]float64
	events  map[pipeline.EventKind]float64
	rep     *pipeline.Report // nil: no swing was found
}

// row is one measure over many swings, or one event (unit "ms").
type row struct {
	View   string  `json:"view"` // "all" or a view
	Key    string  `json:"key"`
	From   string  `json:"from,omitempty"`
	At     string  `json:"at,omitempty"`
	Unit   string  `json:"unit"`
	N      int     `json:"n"`     // truths
	Nulls  int     `json:"nulls"` // of them without a value
	MAE    float64 `json:"mean_absolute_error"`
	P90    float64 `json:"absolute_error_p90"`
	Bias   float64 `json:"bias"`
	Inside int     `json:"inside"` // truths inside the bounds
	Bounds int     `json:"bounds"` // values with bounds
	Lo     float64 `json:"wilson_lo"`
	Hi     float64 `json:"wilson_hi"`
	Half   float64 `json:"half_width_median"`

	errs, halves []float64
}

// ruling is one rule over many swings.
type ruling struct {
	View   string `json:"view"`
	Rule   string `json:"rule"`
	Good   int    `json:"good"`   // truth inside the band
	False  int    `json:"false"`  // of them called a fault
	Fault  int    `json:"fault"`  // truth outside the band
	Found  int    `json:"found"`  // of them called one
	Unsure int    `json:"unsure"` // of them "can't tell"
	Missed int    `json:"missed"` // of them neither
}

// score is the whole account.
type score struct {
	Swings     int `json:"swings"`
	Unseen     int `json:"unseen"`      // full swings not found
	None       int `json:"none"`        // clips without a full swing
	NoneCalled int `json:"none_called"` // of them called one
	WrongBats  int `json:"wrong_bats"`
	WrongView  int `json:"wrong_view"`
	Clean      int `json:"clean"`       // swings without a fault in truth
	CleanFault int `json:"clean_fault"` // of them with one found
	// Shares of the timing goals, [kept, of].
	Contact60   [2]int   `json:"contact_within_1_frame_60fps"`
	ContactLoud [2]int   `json:"contact_within_8ms_with_sound"`
	Plant       [2]int   `json:"plant_within_2_frames"`
	Rows        []row    `json:"measures"`
	Rulings     []ruling `json:"faults"`
}

// wilson is the 95 % score interval of k out of n.
// Source: Wilson 1927, J. Am. Stat. Assoc. 22:209.
func wilson(k, n int) (lo, hi float64) {
	if n == 0 {
		return 0, 1
	}
	const z = 1.959964
	p, m := float64(k)/float64(n), float64(n)
	c := (p + z*z/(2*m)) / (1 + z*z/m)
	h := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return c - h, c + h
}

// quantile of v, linear between; NaN of none.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	sort.Float64s(s)
	x := q * float64(len(s)-1)
	i := min(int(x), len(s)-1)
	j := min(i+1, len(s)-1)
	return s[i] + (x-float64(i))*(s[j]-s[i])
}

// tell adds up the swings, over all views and each view by itself.
func tell(swings []judgedSwing, rules []coach.Rule) score {
	s := score{Swings: len(swings)}
	rows := map[string]*row{}
	rulings := map[string]*ruling{}
	get := func(view, key, from, at, unit string) *row {
		id := view + "/" + key + "/" + from + "/" + at
		if rows[id] == nil {
			rows[id] = &row{View: view, Key: key, From: from, At: at, Unit: unit}
		}
		return rows[id]
	}
	add := func(view pipeline.View, key, from, at, unit string, truth, k float64, v, lo, hi *float64) {
		for _, view := range []string{"all", string(view)} {
			r := get(view, key, from, at, unit)
			r.N++
			if v == nil {
				r.Nulls++
				continue
			}
			r.errs = append(r.errs, k*(*v-truth))
			if lo == nil || hi == nil {
				continue
			}
			r.Bounds++
			r.halves = append(r.halves, k*(*hi-*lo)/2)
			if *lo <= truth && truth <= *hi {
				r.Inside++
			}
		}
	}
	count := func(pair *[2]int, ok bool) {
		pair[1]++
		if ok {
			pair[0]++
		}
	}
	for _, w := range swings {
		var got *pipeline.Swing
		if w.rep != nil {
			got = w.rep.Chosen()
		}
		if !w.swung {
			s.None++
			if got != nil {
				s.NoneCalled++
			}
			continue
		}
		if got == nil {
			s.Unseen++
			continue
		}
		if w.rep.Batter.Bats != w.bats {
			s.WrongBats++
		}
		if w.rep.Batter.View != w.view {
			s.WrongView++
		}
		for k, t := range w.events {
			if k == pipeline.Stance { // an interval, no moment
				continue
			}
			e := got.Event(k)
			if e == nil {
				e = &pipeline.Event{}
			}
			add(w.view, "event", "", string(k), "ms", t, 1000, e.T, e.Lo, e.Hi)
			off := math.Inf(1)
			if e.T != nil {
				off = math.Abs(*e.T - t)
			}
			switch k {
			case pipeline.Contact:
				if w.fps == 60 {
					count(&s.Contact60, off <= 1.0/60+1e-9)
				}
				if w.sound {
					count(&s.ContactLoud, off <= .008)
				}
			case pipeline.Plant:
				count(&s.Plant, off <= 2/w.fps+1e-9)
			}
		}
		for k, t := range w.truths {
			m := got.Measure(k.key, k.from, k.at)
			if m == nil {
				continue
			}
			if m.Unit == "pct_height" && !strings.HasSuffix(k.key, "_pct") {
				t /= w.stature // cm over m is percent
			}
			add(w.view, k.key, string(k.from), string(k.at), m.Unit, t, 1, m.Value, m.Lo, m.Hi)
		}
		s.judgeRules(w, got, rules, rulings)
	}
	for _, r := range rows {
		r.finish()
		s.Rows = append(s.Rows, *r)
	}
	order := func(v string) int { return slices.Index([]string{"all", "chest", "back", "pitcher", "catcher"}, v) }
	keys := append([]string{"event"}, pipeline.MeasureKeys...)
	when := func(k string) int { return slices.Index(pipeline.EventKinds, pipeline.EventKind(k)) }
	sort.Slice(s.Rows, func(i, j int) bool {
		a, b := s.Rows[i], s.Rows[j]
		for _, c := range [][2]int{{order(a.View), order(b.View)}, {slices.Index(keys, a.Key), slices.Index(keys, b.Key)}, {when(a.At), when(b.At)}, {when(a.From), when(b.From)}} {
			if c[0] != c[1] {
				return c[0] < c[1]
			}
		}
		return a.Key < b.Key
	})
	for _, r := range rulings {
		s.Rulings = append(s.Rulings, *r)
	}
	place := func(n string) int { return slices.IndexFunc(rules, func(r coach.Rule) bool { return r.Rule == n }) }
	sort.Slice(s.Rulings, func(i, j int) bool {
		a, b := s.Rulings[i], s.Rulings[j]
		if order(a.View) != order(b.View) {
			return order(a.View) < order(b.View)
		}
		return place(a.Rule) < place(b.Rule)
	})
	return s
}

func (r *row) finish() {
	abs := make([]float64, len(r.errs))
	for i, e := range r.errs {
		abs[i] = math.Abs(e)
		r.MAE += abs[i] / float64(len(abs))
		r.Bias += e / float64(len(abs))
	}
	if len(abs) > 0 {
		r.P90 = quantile(abs, .9)
	}
	if len(r.halves) > 0 {
		r.Half = quantile(r.halves, .5)
	}
	r.Lo, r.Hi = wilson(r.Inside, r.Bounds)
}

// judgeRules holds every rule's verdict against the truth; one rule at a time,
// since a report names two faults at most.
func (s *score) judgeRules(w judgedSwing, got *pipeline.Swing, rules []coach.Rule, out map[string]*ruling) {
	faults, called := 0, false
	for _, r := range rules {
		t, ok := w.truths[kind{r.Measure, r.From, r.At}]
		if !ok {
			continue
		}
		one := pipeline.Report{Swings: []pipeline.Swing{{Measures: got.Measures}}}
		coach.Find(&one, []coach.Rule{r})
		verdict := ""
		for _, f := range one.Swings[0].Findings {
			verdict = f.Kind
		}
		bad := (r.Max != nil && t > *r.Max) || (r.Min != nil && t < *r.Min)
		for _, view := range []string{"all", string(w.view)} {
			id := view + "/" + r.Rule
			if out[id] == nil {
				out[id] = &ruling{View: view, Rule: r.Rule}
			}
			o := out[id]
			switch {
			case !bad:
				o.Good++
				if verdict == pipeline.Priority {
					o.False++
				}
			default:
				o.Fault++
				switch verdict {
				case pipeline.Priority:
					o.Found++
				case pipeline.CantTell:
					o.Unsure++
				default:
					o.Missed++
				}
			}
		}
		if bad {
			faults++
		}
		called = called || verdict == pipeline.Priority
	}
	if faults == 0 {
		s.Clean++
		if called {
			s.CleanFault++
		}
	}
}

// markdown prints the account.
func (s score) markdown(w io.Writer) {
	fmt.Fprintf(w, "%d swings. Of %d full ones %d not found; of %d that are none %d called one. Batting side wrong %d, view wrong %d.\n",
		s.Swings, s.Swings-s.None, s.Unseen, s.None, s.NoneCalled, s.WrongBats, s.WrongView)
	fmt.Fprintf(w, "Faults found in %d of %d swings that have none.\n", s.CleanFault, s.Clean)
	fmt.Fprintf(w, "Contact within a frame at 60 fps %d of %d; within 8 ms with sound %d of %d; plant within two frames %d of %d.\n",
		s.Contact60[0], s.Contact60[1], s.ContactLoud[0], s.ContactLoud[1], s.Plant[0], s.Plant[1])
	view := ""
	for _, r := range s.Rows {
		if r.View != view {
			view = r.View
			fmt.Fprintf(w, "\n### View: %s\n\n| measure | unit | n | null | mean abs. error | 90 %% | bias | inside | Wilson 95 %% | half-width |\n|---|---|---|---|---|---|---|---|---|---|\n", view)
		}
		name := r.Key
		if r.From != "" {
			name += " " + r.From + "→" + r.At
		} else {
			name += " @" + r.At
		}
		if r.N == r.Nulls {
			fmt.Fprintf(w, "| %s | %s | %d | %d | – | – | – | – | – | – |\n", name, r.Unit, r.N, r.Nulls)
			continue
		}
		mark := ""
		if r.Hi < .95 {
			mark = " **low**"
		} else if r.Lo > .95 {
			mark = " high"
		}
		fmt.Fprintf(w, "| %s | %s | %d | %d | %.3g | %.3g | %+.3g | %.3f%s | %.2f–%.2f | %.3g |\n", name, r.Unit, r.N, r.Nulls, r.MAE, r.P90, r.Bias,
			float64(r.Inside)/math.Max(1, float64(r.Bounds)), mark, r.Lo, r.Hi, r.Half)
	}
	view = ""
	for _, r := range s.Rulings {
		if r.View != view {
			view = r.View
			fmt.Fprintf(w, "\n### Faults, view: %s\n\n| rule | no fault | false | fault | found | can't tell | missed |\n|---|---|---|---|---|---|---|\n", view)
		}
		fmt.Fprintf(w, "| %s | %d | %d | %d | %d | %d | %d |\n", r.Rule, r.Good, r.False, r.Fault, r.Found, r.Unsure, r.Missed)
	}
}

func (s score) json(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(s)
}
