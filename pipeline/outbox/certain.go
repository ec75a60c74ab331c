package outbox

import (
	"slices"
	"strings"

	"tapeline/pipeline"
)

// harmless are warnings of a report that take nothing from what it says: of the
// container and the sound, and that there was no stride.
var harmless = slices.Concat(pipeline.ClipCodes, pipeline.SoundCodes, []string{"sound_elsewhere", "no_stride"})

// Certain tells why a report says something that isn't certain, nil where all
// of it is. All of this must hold:
//
//   - the shown swing says something: a strength, or something to work on;
//   - nothing in it is "can't tell";
//   - every measure its findings rest on has a value with both bounds, and no
//     warning of its own (one is given where bounds are wide or something was
//     assumed); the coach's own findings rest on nothing;
//   - the side that the batter bats from was given, or inferred without doubt,
//     and no warning of the report takes anything from what was seen.
func Certain(rep *pipeline.Report) *Why {
	s := rep.Chosen()
	if s == nil {
		return &Why{NothingIn, ""}
	}
	for _, w := range rep.Warnings {
		if !slices.Contains(harmless, w.Code) {
			return &Why{Doubtful, w.Code}
		}
	}
	said := false
	for _, f := range s.Findings {
		if f.Kind == pipeline.CantTell {
			return &Why{Untold, f.Rule}
		}
		said = true
		for _, e := range f.Evidence {
			m := evidence(s, e)
			if m == nil || m.Value == nil || m.Lo == nil || m.Hi == nil || len(m.Warnings) > 0 {
				return &Why{Doubtful, f.Rule}
			}
		}
	}
	if !said {
		return &Why{NothingIn, ""}
	}
	return nil
}

// evidence is the measure that key@moment, or key@from-moment, names.
func evidence(s *pipeline.Swing, name string) *pipeline.Measure {
	key, moment, ok := strings.Cut(name, "@")
	if !ok {
		return nil
	}
	from, at, travels := strings.Cut(moment, "-")
	if !travels {
		from, at = "", moment
	}
	for i := range s.Measures {
		m := &s.Measures[i]
		if m.Key == key && string(m.At) == at && (string(m.From) == from || from == "" && m.From == pipeline.Stance) {
			return m
		}
	}
	return nil
}
