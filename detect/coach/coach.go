// Package coach chooses what to say. Of each swing:
//
//  1. every measure is held against its rule's band (rules.yaml, with an
//     academy's own file over it), that of the batter's level and sport;
//  2. what lies inside and matters is praised, what surely lies outside is a
//     fault, what can't be told is said to be so;
//  3. one fault is the priority, with what it comes from and leads to, one more
//     may stand beside it;
//  4. the coach's own hand goes over that;
//  5. the priority gets its ladder of drills and its week (drills.yaml); where
//     there is none, the best strength gets a short one that keeps it.
//
// It writes codes; words live elsewhere.
package coach

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"

	p "tapeline/pipeline"
	"tapeline/pipeline/field"
)

// coachRule is the Rule of a finding in the coach's own words.
const coachRule = "coach"

// Advise writes into the report all that it says beyond measures: level,
// sport and their pitch, the bands, and into every swing findings and plan.
// given.Coach goes over the swing that is shown; findings it drops are dropped
// from every swing.
func Advise(r *p.Report, given p.Given, rules []Rule) {
	r.Batter.Level, r.Batter.Sport = given.Level, given.Sport
	r.Pitch = nil
	if pitch, ok := field.Pitch(given.Level, given.Sport); ok {
		r.Pitch = &pitch
	}
	r.Bands = make([]p.Band, len(rules))
	for i := range rules {
		r.Bands[i] = rules[i].band(given.Level, given.Sport)
	}
	var hand p.Coach
	if given.Coach != nil {
		hand = *given.Coach
	}
	for i := range r.Swings {
		s := &r.Swings[i]
		if !s.Chosen {
			hand := p.Coach{Drop: hand.Drop}
			find(s, rules, given.Level, given.Sport, hand)
			continue
		}
		find(s, rules, given.Level, given.Sport, hand)
		s.Palms = hand.Palms
	}
}

// Droppable checks that every rule which the coach wants unsaid, said first or
// said otherwise exists; the error is one line.
func Droppable(hand *p.Coach, rules []Rule) error {
	if hand == nil {
		return nil
	}
	there := func(name string) bool {
		return slices.ContainsFunc(rules, func(r Rule) bool { return r.Rule == name })
	}
	for i, d := range hand.Drop {
		if !there(d) {
			return fmt.Errorf("findings.drop[%d]: there is no rule %q", i, d)
		}
	}
	own := 0
	for i, d := range hand.First {
		if d == coachRule {
			if own++; own > len(hand.Add) {
				return fmt.Errorf("findings.first[%d]: findings.add has %d of your own, not %d", i, len(hand.Add), own)
			}
		} else if !there(d) {
			return fmt.Errorf("findings.first[%d]: there is no rule %q", i, d)
		}
	}
	for i, d := range hand.Say {
		if !there(d.Rule) {
			return fmt.Errorf("findings.say[%d].rule: there is no rule %q", i, d.Rule)
		}
	}
	return nil
}

// Find writes findings and plan into every swing of the report by the rules
// alone: strengths first, then at most one priority and one secondary fault,
// then what can't be told.
func Find(r *p.Report, rules []Rule) {
	for i := range r.Swings {
		find(&r.Swings[i], rules, r.Batter.Level, r.Batter.Sport, p.Coach{})
	}
}

// verdict of one rule on one measure.
type verdict int

const (
	silent verdict = iota
	inside
	outside
	unsure
)

// A batter whose height was not given is this tall, metres: centimetres a
// percent of height. Common practice, no source.
const (
	leastHeight = 1.2
	mostHeight  = 2.0
)

// hold holds the whole 95 % interval of a measure against a band in unit; over
// is how far the near end of the interval lies outside. A band in cm holds for
// percent of height too, as far as every height agrees.
func hold(m *p.Measure, unit string, least, most *float64) (v verdict, over float64) {
	if m == nil {
		return silent, 0
	}
	if m.Value == nil || m.Lo == nil || m.Hi == nil {
		return unsure, 0
	}
	lo, hi := *m.Lo, *m.Hi
	if unit == "cm" && m.Unit == "pct_height" {
		lo, hi = math.Min(lo*leastHeight, lo*mostHeight), math.Max(hi*leastHeight, hi*mostHeight)
	} else if m.Unit != unit {
		return unsure, 0
	}
	switch {
	case most != nil && lo > *most:
		return outside, lo - *most
	case least != nil && hi < *least:
		return outside, *least - hi
	case (most == nil || hi <= *most) && (least == nil || lo >= *least):
		return inside, 0
	}
	return unsure, 0
}

// fault is a rule whose measure surely lies outside its band; the heavier the
// more it matters.
type fault struct {
	rule   *Rule
	weight float64
}

// judged is a swing held against all rules that are said.
type judged struct {
	swing  *p.Swing
	good   []*Rule
	faults []fault // heaviest first
	dark   []*Rule
}

func judge(s *p.Swing, rules []Rule, level p.Level, sport p.Sport, drop []string) judged {
	j := judged{swing: s}
	for i := range rules {
		r := &rules[i]
		if slices.Contains(drop, r.Rule) {
			continue
		}
		m, l := s.Measure(r.Measure, r.From, r.At), r.limit(level, sport)
		switch v, over := hold(m, r.Unit, l.Min, l.Max); v {
		case inside:
			if praised, _ := hold(m, r.Unit, r.PraiseMin, r.PraiseMax); r.Praise && praised == inside {
				j.good = append(j.good, r)
			}
		case outside:
			j.faults = append(j.faults, fault{r, r.Effect * (1 + over/r.Step)})
		case unsure:
			j.dark = append(j.dark, r)
		}
	}
	// Beside its cause a consequence that happens to hold is no praise.
	j.good = slices.DeleteFunc(j.good, func(r *Rule) bool { return slices.ContainsFunc(r.Follows, j.faulty) })
	sort.SliceStable(j.good, func(a, b int) bool { return j.good[a].Effect > j.good[b].Effect })
	sort.SliceStable(j.faults, func(a, b int) bool { return j.faults[a].weight > j.faults[b].weight })
	return j
}

// place is where the coach's order has a rule; behind all of it where it is not
// in there.
func place(first []string, rule string) int {
	if i := slices.Index(first, rule); i >= 0 {
		return i
	}
	return len(first)
}

// order puts the rules that the coach named first, in that order, before the
// others of their kind.
func (j *judged) order(first []string) {
	slices.SortStableFunc(j.good, func(a, b *Rule) int { return place(first, a.Rule) - place(first, b.Rule) })
	slices.SortStableFunc(j.faults, func(a, b fault) int { return place(first, a.rule.Rule) - place(first, b.rule.Rule) })
}

// said is a finding with its place in the coach's order.
type said struct {
	p.Finding
	rule  *Rule // nil: the coach's own
	place int
}

// inOrder puts what is said in the coach's order where that has room for the
// coach's own findings; else these stand where their kind puts them.
func inOrder(all []said, first []string) []said {
	if slices.Contains(first, coachRule) {
		slices.SortStableFunc(all, func(a, b said) int { return a.place - b.place })
	}
	return all
}

func (j *judged) faulty(rule string) bool {
	return slices.ContainsFunc(j.faults, func(f fault) bool { return f.rule.Rule == rule })
}

// holds tells whether a condition of a chain is met.
func (j *judged) holds(c Condition) bool {
	if c.Rule != "" {
		return j.faulty(c.Rule)
	}
	m := j.swing.Measure(c.Measure, c.From, c.At)
	if c.Of == "" {
		v, _ := hold(m, p.MeasureForms[c.Measure].Unit, c.Min, c.Max)
		return v == inside
	}
	// The values: most of what both are in doubt of is the same doubt.
	of := j.swing.Measure(c.Of, c.From, c.At)
	if m == nil || of == nil || m.Value == nil || of.Value == nil || m.Unit != of.Unit {
		return false
	}
	return (c.Over == nil || *m.Value > *c.Over**of.Value) && (c.Upto == nil || *m.Value <= *c.Upto**of.Value)
}

// chain is what a fault comes from and leads to.
func (j *judged) chain(r *Rule) (out []string) {
	for _, l := range r.Chain {
		if !slices.ContainsFunc(l.When, func(c Condition) bool { return !j.holds(c) }) {
			out = append(out, l.Code)
		}
	}
	return out
}

// leading are the faults that are no mere consequence of another one.
func (j *judged) leading() (out []fault) {
	for _, f := range j.faults {
		if !slices.ContainsFunc(f.rule.Follows, j.faulty) {
			out = append(out, f)
		}
	}
	return out
}

func find(s *p.Swing, rules []Rule, level p.Level, sport p.Sport, hand p.Coach) {
	j := judge(s, rules, level, sport, hand.Drop)
	j.order(hand.First)
	s.Findings, s.Plan = []p.Finding{}, nil
	s.Notes = slices.Clone(hand.Notes)
	say := func(kind string, f p.Finding) {
		f.Kind = kind
		s.Findings = append(s.Findings, f)
	}

	var good, first, second, found []said
	for i, a := range hand.Add {
		f := said{p.Finding{Rule: coachRule, Evidence: []string{}, Text: a.Text}, nil, hand.Place(i)}
		switch a.Kind {
		case p.Strength:
			good = append(good, f)
		case p.Priority:
			first = append(first, f)
		default:
			second = append(second, f)
		}
	}
	for _, r := range j.good {
		f := said{r.finding(), r, place(hand.First, r.Rule)}
		f.Text = cmp.Or(hand.Words(r.Rule, p.Strength), r.Good)
		good = append(good, f)
	}
	for _, f := range inOrder(good, hand.First) {
		say(p.Strength, f.Finding)
	}
	for _, l := range j.leading() {
		f := said{l.rule.finding(), l.rule, place(hand.First, l.rule.Rule)}
		f.Text = cmp.Or(hand.Words(l.rule.Rule, p.Priority), l.rule.Say)
		found = append(found, f)
	}
	n := 0 // found before the coach's secondary
	if len(first) == 0 {
		n = min(1, len(found))
	}
	faults := inOrder(slices.Concat(first, found[:n], second, found[n:]), hand.First)
	if len(faults) == 0 && len(j.good) > 0 {
		s.Plan = keep(j.good[0])
	}
	for i, f := range faults {
		switch {
		case i == 0:
			if f.rule != nil {
				f.Chain = j.chain(f.rule)
				s.Plan = plan(f.rule, f.Chain)
			}
			say(p.Priority, f.Finding)
		case i == 1:
			say(p.Secondary, f.Finding)
		case f.rule == nil: // printed all the same
			s.Notes = append(s.Notes, f.Text)
		}
	}
	for _, r := range j.dark {
		say(p.CantTell, r.finding())
	}
}

// finding of the rule: its evidence names the measure as key@moment, or
// key@from-moment where the travel doesn't start at the stance.
func (r *Rule) finding() p.Finding {
	e := fmt.Sprintf("%s@%s", r.Measure, r.At)
	if r.From != "" && r.From != p.Stance {
		e = fmt.Sprintf("%s@%s-%s", r.Measure, r.From, r.At)
	}
	return p.Finding{Rule: r.Rule, Evidence: []string{e}}
}
