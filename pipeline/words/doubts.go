package words

import (
	"fmt"
	"slices"

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
