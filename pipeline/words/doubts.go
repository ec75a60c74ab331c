package words

import (
	"fmt"
	"slices"
	"strings"

	"tapeline/pipeline"
)

// Doubt is why some measures could not be judged, a sentence with what would
// help, and the names of these measures.
type Doubt struct {
	Why   string
	Names []string
}

// Doubts says by reason what could not be judged in a swing: measures that
// can't be told, and those whose bounds hold the limit.
func (l Lang) Doubts(s *pipeline.Swing) []Doubt {
	var order []string
	names := map[string][]string{}
	for _, f := range s.Findings {
		if f.Kind != pipeline.CantTell {
			continue
		}
		why, name := "", l.Warning(pipeline.Warning{Code: f.Rule})
		if m := Evidence(s, f); m != nil {
			name = l.MeasureName(m)
			if m.Value == nil && len(m.Warnings) > 0 {
				why = m.Warnings[0]
			}
		}
		if names[why] == nil {
			order = append(order, why)
		}
		names[why] = append(names[why], name)
	}
	var out []Doubt
	for _, why := range order {
		head := l.Table["close"]
		if why != "" {
			head = l.Table["cant_tell"] + " " + l.Warning(pipeline.Warning{Code: why})
		}
		out = append(out, Doubt{head, names[why]})
	}
	return out
}

// Drill names the drill that the swing's plan begins with, "" without a plan.
func (l Lang) Drill(s *pipeline.Swing) string {
	if s.Plan == nil || len(s.Plan.Steps) == 0 {
		return ""
	}
	code := s.Drill(s.Plan.Steps[0])
	if d, ok := l.Drills[code]; ok {
		return d.Name
	}
	return strings.ReplaceAll(code, "_", " ")
}

// NextClip says the one thing to film better where nothing in the swing could be
// judged for sure, in at most 3 words and in a sentence: what most measures in
// doubt ask for, or the clip's warnings. Both are empty where something was
// judged, or nothing was asked.
func (l Lang) NextClip(rep *pipeline.Report, s *pipeline.Swing) (short, why string) {
	var order []string
	count := map[string]int{}
	ask := func(code string) {
		if l.Help[code] == "" {
			return
		}
		if count[code] == 0 {
			order = append(order, code)
		}
		count[code]++
	}
	doubts := false
	for _, f := range s.Findings {
		if f.Kind != pipeline.CantTell {
			return "", ""
		}
		doubts = true
		if m := Evidence(s, f); m != nil {
			for _, code := range m.Warnings {
				ask(code)
			}
		}
	}
	if !doubts {
		return "", ""
	}
	for _, w := range rep.Warnings {
		ask(w.Code)
	}
	if len(order) == 0 {
		return l.Cards["closer"], strings.TrimSuffix(l.Table["close"], ":") + "."
	}
	best := order[0]
	for _, code := range order {
		if count[code] > count[best] {
			best = code
		}
	}
	return l.Help[best], l.Warnings[best]
}

// Evidence is the measure a finding rests on, nil if the swing lacks it.
func Evidence(s *pipeline.Swing, f pipeline.Finding) *pipeline.Measure {
	for i := range s.Measures {
		m := &s.Measures[i]
		key := m.Key + "@" + string(m.At)
		if m.From != "" && m.From != pipeline.Stance {
			key = fmt.Sprintf("%s@%s-%s", m.Key, m.From, m.At)
		}
		if slices.Contains(f.Evidence, key) {
			return m
		}
	}
	return nil
}
