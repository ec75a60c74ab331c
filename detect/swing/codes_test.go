package swing

import (
	"slices"
	"testing"

	p "tapeline/pipeline"
)

// Whatever the judge emits has a place in the lists that the words are made
// from.
func TestCodesAreKnown(t *testing.T) {
	for _, name := range []string{"open_faults", "open_clean", "front_left"} {
		tr := loadTruth(t, name)
		for _, cut := range []struct{ from, to int }{{0, 1 << 30}, {tr.Image.Frames * 55 / 100, 1 << 30}, {0, tr.Image.Frames * 80 / 100}} {
			k := simulate(tr, 1, 2)
			w := &k.Windows[0]
			w.Frames = w.Frames[min(cut.from, len(w.Frames)):min(cut.to, len(w.Frames))]
			r, err := Judge(k, p.Given{HeightCM: 178})
			if err != nil {
				continue
			}
			for _, x := range r.Warnings {
				if !slices.Contains(p.WarningCodes, x.Code) {
					t.Errorf("warning %q is not listed", x.Code)
				}
			}
			for _, s := range r.Swings {
				for _, e := range s.Events {
					if !slices.Contains(p.ReasonCodes, e.Reason) {
						t.Errorf("reason %q of %s is not listed", e.Reason, e.Kind)
					}
				}
				seen := map[string]bool{}
				for _, m := range s.Measures {
					if !slices.Contains(p.MeasureKeys, m.Key) {
						t.Errorf("measure %q is not listed", m.Key)
					}
					id := m.Key + "/" + string(m.From) + "/" + string(m.At)
					if seen[id] {
						t.Errorf("%s stands twice", id)
					}
					seen[id] = true
					if m.Value == nil && len(m.Warnings) == 0 {
						t.Errorf("%s is null without a warning", id)
					}
					if m.Value != nil && !(*m.Lo <= *m.Value && *m.Value <= *m.Hi) {
						t.Errorf("%s: value %v outside its own bounds %v … %v", id, *m.Value, *m.Lo, *m.Hi)
					}
					for _, c := range m.Warnings {
						if !slices.Contains(p.MeasureCodes, c) {
							t.Errorf("measure warning %q is not listed", c)
						}
					}
				}
			}
		}
	}
}
