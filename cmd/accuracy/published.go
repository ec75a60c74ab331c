package main

import (
	"fmt"
	"io"
	"math"
)

// published are accuracies of others on like work, each with its source. They
// were measured on other people, other movements and other cameras: they give
// the order of size, not a contest.
var published = []struct {
	what, value, source string
	ours                func(s score) string
}{
	{"knee flexion, pose network against motion capture, walking, one camera", "5.6° mean abs. error", "Stenum 2021, PLoS Comput. Biol. 17(4):e1008935",
		func(s score) string { return s.mean("°", 1, "stance_knee_front", "stance_knee_back") + " (stance)" }},
	{"knee flexion, squat: true side view; all views", "−2.3 ± 6.4°; −13.9 ± 15.1°", "Cosoli 2026",
		func(s score) string { return s.bias("stance_knee_front", "stance_knee_back") + " (stance)" }},
	{"events of a step, walking", "0.02 s", "Stenum 2021, as above",
		func(s score) string {
			return "contact " + s.when("contact") + ", plant " + s.when("plant")
		}},
	{"joints in space, pose network with several cameras", "47 % of errors under 20 mm, 80 % under 30 mm", "Nakano 2020",
		func(s score) string {
			return s.under(2, "eye_drop", "head_drop", "eye_forward") + " under 20 mm, " + s.under(3, "eye_drop", "head_drop", "eye_forward") + " under 30 mm (head's travel, one camera)"
		}},
	{"events of another sport's swing within its tolerance", "76.1 % of 8 events", "GolfDB 2019",
		func(s score) string {
			return share(s.Contact60) + " of contacts within a frame at 60 a second, " + share(s.Plant) + " of plants within two"
		}},
	{"the pose network's own landmarks, PCK@0.2", "96.4–97.5 %", "MediaPipe pose documentation, BlazePose heavy", func(score) string { return "the network used here" }},
}

func share(p [2]int) string {
	if p[1] == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100*float64(p[0])/float64(p[1]))
}

// errors of the named measures over all views.
func (s score) errors(keys ...string) (out []float64) {
	for _, r := range s.Rows {
		for _, k := range keys {
			if r.View == "all" && r.Key == k {
				out = append(out, r.errs...)
			}
		}
	}
	return out
}

// mean absolute error of the named measures.
func (s score) mean(unit string, k float64, keys ...string) string {
	e := s.errors(keys...)
	if len(e) == 0 {
		return "–"
	}
	sum := 0.0
	for _, v := range e {
		sum += math.Abs(v)
	}
	return fmt.Sprintf("%.1f%s", k*sum/float64(len(e)), unit)
}

// bias and its standard deviation, degrees.
func (s score) bias(keys ...string) string {
	e := s.errors(keys...)
	if len(e) < 2 {
		return "–"
	}
	m := 0.0
	for _, v := range e {
		m += v / float64(len(e))
	}
	return fmt.Sprintf("%+.1f ± %.1f°", m, sd(e))
}

// when is the mean absolute error of an event, seconds.
func (s score) when(at string) string {
	if r := s.of("event", "", at); r.N > r.Nulls {
		return fmt.Sprintf("%.3f s", r.MAE/1000)
	}
	return "–"
}

// under is the share of errors below most.
func (s score) under(most float64, keys ...string) string {
	e, n := s.errors(keys...), 0
	for _, v := range e {
		if math.Abs(v) < most {
			n++
		}
	}
	return share([2]int{n, len(e)})
}

func (s score) compared(w io.Writer) {
	fmt.Fprint(w, "\n### Beside what others publish\n\nOther people, movements and cameras: an order of size.\n\n| what | published | source | here |\n|---|---|---|---|\n")
	for _, p := range published {
		fmt.Fprintf(w, "| %s | %s | %s | %s |\n", p.what, p.value, p.source, p.ours(s))
	}
}
