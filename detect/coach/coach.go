// Package coach chooses what to say: it holds each measure against a band kept
// as data and writes findings into the report. Words live elsewhere.
package coach

import (
	_ "embed"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"go.yaml.in/yaml/v3"

	p "tapeline/pipeline"
)

//go:embed rules.yaml
var embedded []byte

// Rule is one line of the rules file. Min and Max bound the band in Unit; at
// least one is set. Effect weighs a fault against others. Origin is where the
// limit comes from: P published, C computed, K common practice, M memory.
// Setting marks a limit that an academy chooses for itself; like Origin it is
// for who reads or edits the file, and nothing is judged by it.
type Rule struct {
	Rule    string      `yaml:"rule"`
	Measure string      `yaml:"measure"`
	From    p.EventKind `yaml:"from"`
	At      p.EventKind `yaml:"at"`
	Unit    string      `yaml:"unit"`
	Min     *float64    `yaml:"min"`
	Max     *float64    `yaml:"max"`
	Effect  float64     `yaml:"effect"`
	Praise  bool        `yaml:"praise"`
	Origin  string      `yaml:"origin"`
	Setting bool        `yaml:"setting"`
}

// Rules reads a rules file strictly; nil gives the shipped ones.
func Rules(data []byte) ([]Rule, error) {
	if data == nil {
		data = embedded
	}
	var f struct {
		Rules []Rule `yaml:"rules"`
	}
	d := yaml.NewDecoder(strings.NewReader(string(data)))
	d.KnownFields(true)
	if err := d.Decode(&f); err != nil {
		return nil, fmt.Errorf("rules: %w", err)
	}
	seen := map[string]bool{}
	for i, r := range f.Rules {
		at := fmt.Sprintf("rules[%d] %q", i, r.Rule)
		switch {
		case r.Rule == "" || r.Measure == "" || r.Unit == "":
			return nil, fmt.Errorf("%s: rule, measure and unit are needed", at)
		case r.Min == nil && r.Max == nil:
			return nil, fmt.Errorf("%s: min or max is needed", at)
		case r.Min != nil && r.Max != nil && *r.Min >= *r.Max:
			return nil, fmt.Errorf("%s: min must be below max", at)
		case !(r.Effect > 0):
			return nil, fmt.Errorf("%s: effect must be over 0", at)
		case !slices.Contains([]string{"P", "C", "K", "M"}, r.Origin):
			return nil, fmt.Errorf("%s: origin must be P, C, K or M", at)
		case seen[r.Rule]:
			return nil, fmt.Errorf("%s: stands twice", at)
		}
		seen[r.Rule] = true
	}
	return f.Rules, nil
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

// judge holds the whole 95 % interval against the band; over is how far the
// near end of the interval lies outside, in units of the band's limit. A limit
// in cm holds for percent of height too, as far as every height agrees.
func (r Rule) judge(m *p.Measure) (v verdict, over float64) {
	if m == nil {
		return silent, 0
	}
	if m.Value == nil {
		return unsure, 0
	}
	lo, hi := *m.Lo, *m.Hi
	if r.Unit == "cm" && m.Unit == "pct_height" {
		lo, hi = math.Min(lo*leastHeight, lo*mostHeight), math.Max(hi*leastHeight, hi*mostHeight)
	} else if m.Unit != r.Unit {
		return unsure, 0
	}
	ref := 1.0
	if r.Max != nil {
		ref = math.Max(math.Abs(*r.Max), 1e-9)
	} else if *r.Min != 0 {
		ref = math.Abs(*r.Min)
	}
	switch {
	case r.Max != nil && lo > *r.Max:
		return outside, (lo - *r.Max) / ref
	case r.Min != nil && hi < *r.Min:
		return outside, (*r.Min - hi) / ref
	case (r.Max == nil || hi <= *r.Max) && (r.Min == nil || lo >= *r.Min):
		return inside, 0
	}
	return unsure, 0
}

// Find writes findings into every swing of the report: strengths first, then
// at most one priority and one secondary fault, then what can't be told.
func Find(r *p.Report, rules []Rule) {
	for i := range r.Swings {
		find(&r.Swings[i], rules)
	}
}

func find(s *p.Swing, rules []Rule) {
	type fault struct {
		f p.Finding
		w float64
	}
	var good, dark []p.Finding
	var faults []fault
	for _, r := range rules {
		v, over := r.judge(s.Measure(r.Measure, r.From, r.At))
		f := p.Finding{Rule: r.Rule, Evidence: []string{evidence(r)}}
		switch v {
		case inside:
			if r.Praise {
				f.Kind = p.Strength
				good = append(good, f)
			}
		case outside:
			faults = append(faults, fault{f, r.Effect * (1 + over)})
		case unsure:
			f.Kind = p.CantTell
			dark = append(dark, f)
		}
	}
	sort.SliceStable(faults, func(i, j int) bool { return faults[i].w > faults[j].w })
	s.Findings = append([]p.Finding{}, good...)
	for i, k := range []string{p.Priority, p.Secondary} {
		if i < len(faults) {
			faults[i].f.Kind = k
			s.Findings = append(s.Findings, faults[i].f)
		}
	}
	s.Findings = append(s.Findings, dark...)
}

// evidence names the measure as key@moment, or key@from-moment where the
// travel doesn't start at the stance.
func evidence(r Rule) string {
	if r.From != "" && r.From != p.Stance {
		return fmt.Sprintf("%s@%s-%s", r.Measure, r.From, r.At)
	}
	return fmt.Sprintf("%s@%s", r.Measure, r.At)
}
