package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// printTable prints the shown swing: its phases, its measures with bounds,
// what can't be told and why, what is worth saying.
func printTable(w io.Writer, rep pipeline.Report) {
	l := words.English()
	s := rep.Chosen()
	if s == nil {
		return
	}
	fmt.Fprintf(w, "%s: swing %d of %d, %s, %s%s\n", rep.Clip.Name, s.Index, len(rep.Swings),
		l.Bats[rep.Batter.Bats], lower(l.Views[rep.Batter.View]), inferred(rep.Batter))

	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprint(t, "\nPhase\tframe\tin the clip\n")
	for _, e := range s.Events {
		if e.T == nil {
			fmt.Fprintf(t, "%s\t–\t%s: %s\n", l.Events[e.Kind], l.Cards["cant_tell"], reason(l, e.Reason))
			continue
		}
		frame := ""
		if e.Frame != nil {
			frame = fmt.Sprint(*e.Frame)
		}
		fmt.Fprintf(t, "%s\t%s\t%s%s\n", l.Events[e.Kind], frame, l.Long(*e.T, "s", 3), bounds(l, e.Lo, e.Hi, 3))
	}
	t.Flush()

	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprint(t, "\nMeasure\tvalue (95 % bounds)\n")
	for i := range s.Measures {
		m := &s.Measures[i]
		fmt.Fprintf(t, "%s\t%s\n", l.MeasureName(m), value(l, m))
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
	if len(rep.Warnings) > 0 {
		fmt.Fprintln(w)
	}
	for _, x := range rep.Warnings {
		fmt.Fprintf(w, "Note: %s\n", l.Warning(x))
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
	d := words.Decimals(m.Unit, 0)
	if m.Value != nil {
		return l.Long(*m.Value, m.Unit, d) + bounds(l, m.Lo, m.Hi, d)
	}
	text := l.Cards["cant_tell"]
	if m.Lo != nil && m.Hi != nil {
		text += bounds(l, m.Lo, m.Hi, d)
	}
	for i, code := range m.Warnings {
		text += []string{": ", " "}[min(i, 1)] + l.Warning(pipeline.Warning{Code: code})
	}
	return text
}

func bounds(l words.Lang, lo, hi *float64, decimals int) string {
	if lo == nil || hi == nil {
		return ""
	}
	return fmt.Sprintf(" (%s … %s)", l.Number(*lo, decimals), l.Number(*hi, decimals))
}

func finding(l words.Lang, f pipeline.Finding) string {
	w, ok := l.Findings[f.Rule]
	if !ok {
		w = words.Finding{Good: reason(l, f.Rule), Say: reason(l, f.Rule), Doubt: reason(l, f.Rule)}
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
		return "Also: " + w.Say
	}
	return "Can't tell: " + w.Doubt
}

func inferred(b pipeline.Batter) string {
	text := ""
	if b.HeightCM != nil {
		text = fmt.Sprintf(", %.0f cm tall", *b.HeightCM)
	}
	if len(b.Inferred) > 0 {
		text += " (worked out from the picture: " + strings.ReplaceAll(strings.Join(b.Inferred, ", "), "_cm", "") + ")"
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
