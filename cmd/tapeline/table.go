package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// printTable prints the shown swing: its phases, its measures with bounds,
// what can't be told and why, what is worth saying.
func printTable(w io.Writer, l words.Lang, rep pipeline.Report) {
	s := rep.Chosen()
	if s == nil {
		return
	}
	fmt.Fprintf(w, "%s: %s, %s, %s, %s\n", rep.Clip.Name, fmt.Sprintf(l.Table["swing"], s.Index, len(rep.Swings)),
		l.Bats[rep.Batter.Bats], lower(l.Views[rep.Batter.View]), known(l, rep.Batter))
	if s.Geometry.Unit == "pct_height" {
		fmt.Fprintln(w, l.Table["percent"])
	}

	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "\n%s\t%s\t%s\n", l.Table["phase"], l.Table["frame"], l.Table["in_the_clip"])
	for _, e := range s.Events {
		if e.T == nil {
			fmt.Fprintf(t, "%s\t–\t%s: %s\n", l.Events[e.Kind], l.Cards["cant_tell"], reason(l, e.Reason))
			continue
		}
		frame := ""
		if e.Frame != nil {
			frame = fmt.Sprint(*e.Frame)
		}
		fmt.Fprintf(t, "%s\t%s\t%s%s\n", l.Events[e.Kind], frame, l.Long(*e.T, "s", 3), bounds(l, e.Lo, e.Hi, "s", 3))
	}
	t.Flush()

	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "\n%s\t%s\n", l.Table["measure"], l.Table["value"])
	for i := range s.Measures {
		m := &s.Measures[i]
		fmt.Fprintf(t, "%s\t%s%s\n", l.MeasureName(m), value(l, m), balls(l, m, rep.Batter.Sport))
	}
	t.Flush()

	if len(s.Findings) > 0 {
		fmt.Fprintln(w)
	}
	for _, f := range s.Findings {
		if text := finding(l, f); text != "" {
			fmt.Fprintln(w, text)
		}
	}
	for _, line := range doubts(l, s) {
		fmt.Fprintln(w, line)
	}
	if len(rep.Warnings) > 0 {
		fmt.Fprintln(w)
	}
	for _, x := range rep.Warnings {
		fmt.Fprintf(w, "%s %s\n", l.Table["note"], l.Warning(x))
	}
}

func printOutputs(w io.Writer, dir string) {
	fmt.Fprintln(w)
	for _, n := range pipeline.Outputs {
		fmt.Fprintln(w, filepath.Join(dir, n))
	}
}

// value writes "7.9 cm (7.1 … 8.6)", or that it can't be told, with what is
// known of it and why.
func value(l words.Lang, m *pipeline.Measure) string {
	d := l.Decimals(m.Unit, 0)
	if m.Value != nil {
		return l.Long(*m.Value, m.Unit, d) + bounds(l, m.Lo, m.Hi, m.Unit, d)
	}
	text := l.Cards["cant_tell"]
	if m.Lo != nil && m.Hi != nil {
		text += bounds(l, m.Lo, m.Hi, m.Unit, d)
	}
	for i, code := range m.Warnings {
		text += []string{": ", " "}[min(i, 1)] + l.Warning(pipeline.Warning{Code: code})
	}
	return text
}

// balls adds to the eyes' fall until contact what it is in balls, where it
// is surely a fall and no vague one.
func balls(l words.Lang, m *pipeline.Measure, sport pipeline.Sport) string {
	if m.Key != "eye_drop" || m.From != pipeline.Stance || m.At != pipeline.Contact || m.Unit != "cm" ||
		m.Value == nil || m.Lo == nil || *m.Lo <= 0 || words.Vague(m) {
		return ""
	}
	if text := l.Balls(*m.Value, sport); text != "" {
		return ", " + text
	}
	return ""
}

func bounds(l words.Lang, lo, hi *float64, unit string, decimals int) string {
	if lo == nil || hi == nil {
		return ""
	}
	return fmt.Sprintf(" (%s … %s)", l.Bare(*lo, unit, decimals), l.Bare(*hi, unit, decimals))
}

func finding(l words.Lang, f pipeline.Finding) string {
	w, ok := l.Findings[f.Rule]
	if !ok {
		w = words.Finding{Good: reason(l, f.Rule), Say: reason(l, f.Rule)}
	}
	switch f.Kind {
	case pipeline.Strength:
		return l.Cards["good"] + " " + w.Good
	case pipeline.Priority:
		text := l.Cards["first"] + " " + w.Fix + ". " + w.Say
		if w.Cue != "" {
			text += " “" + w.Cue + "”"
		}
		return text + "\n" + l.Cards["drill"] + " " + w.Drill
	case pipeline.Secondary:
		return l.Table["also"] + " " + w.Say
	}
	return "" // doubts says it
}

// doubts says what could not be judged, by reason: measures whose bounds hold
// the limit, and measures that can't be told, each with what would help.
func doubts(l words.Lang, s *pipeline.Swing) []string {
	var reasons []string
	names := map[string][]string{}
	for _, f := range s.Findings {
		if f.Kind != pipeline.CantTell {
			continue
		}
		why, name := "", reason(l, f.Rule)
		if m := evidence(s, f); m != nil {
			name = l.MeasureName(m)
			if m.Value == nil && len(m.Warnings) > 0 {
				why = m.Warnings[0]
			}
		}
		if names[why] == nil {
			reasons = append(reasons, why)
		}
		names[why] = append(names[why], name)
	}
	var out []string
	for _, why := range reasons {
		head := l.Table["close"]
		if why != "" {
			head = l.Table["cant_tell"] + " " + reason(l, why)
		}
		out = append(out, head)
		for _, n := range names[why] {
			out = append(out, "  "+n)
		}
	}
	return out
}

// evidence is the measure a finding rests on, nil if the swing lacks it.
func evidence(s *pipeline.Swing, f pipeline.Finding) *pipeline.Measure {
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

// known says how tall the batter is and which of side and view were not given.
func known(l words.Lang, b pipeline.Batter) string {
	text := l.Table["no_height"]
	if b.HeightCM != nil {
		text = fmt.Sprintf(l.Table["tall"], l.Tall(*b.HeightCM))
	}
	var found []string
	for _, what := range b.Inferred {
		if name, ok := l.Table[what]; ok { // a height is never worked out
			found = append(found, name)
		}
	}
	if len(found) > 0 {
		text += " (" + fmt.Sprintf(l.Table["worked_out"], strings.Join(found, ", ")) + ")"
	}
	return text
}

// reason is the sentence for a code, or the code in plain letters.
func reason(l words.Lang, code string) string {
	return l.Warning(pipeline.Warning{Code: code})
}

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
