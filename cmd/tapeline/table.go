package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"unicode"
	"unicode/utf8"

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
	if len(s.Notes) > 0 {
		fmt.Fprintf(w, "\n%s:\n", l.Page["coach"])
		for _, n := range s.Notes {
			fmt.Fprintln(w, "  "+strings.Join(strings.Fields(n), " "))
		}
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
		if s.Unasked(m) {
			continue
		}
		fmt.Fprintf(t, "%s\t%s%s\n", l.MeasureName(m), value(l, m, rep.Band(m)), balls(l, m, rep.Batter.Sport))
	}
	t.Flush()

	if len(s.Findings) > 0 {
		fmt.Fprintln(w)
	}
	for _, f := range s.Findings {
		if text := finding(l, s, f); text != "" {
			fmt.Fprintln(w, text)
		}
	}
	if drill := l.Drill(s); s.Keep() != nil && drill != "" {
		fmt.Fprintln(w, l.Cards["keep"]+" "+drill)
	}
	if better, _ := l.NextClip(&rep, s); better != "" {
		fmt.Fprintln(w, l.Cards["next"]+" "+better)
	}
	for _, d := range l.Doubts(s) {
		fmt.Fprintln(w, d.Why)
		for _, n := range d.Names {
			fmt.Fprintln(w, "  "+n)
		}
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
func value(l words.Lang, m *pipeline.Measure, b *pipeline.Band) string {
	d := l.Places(m, b)
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

// finding says one finding; what could not be judged Doubts says.
func finding(l words.Lang, s *pipeline.Swing, f pipeline.Finding) string {
	w, ok := l.Findings[f.Rule]
	switch {
	case f.Text != "": // somebody's own words
		w = words.Finding{Good: f.Text, Fix: strings.TrimSuffix(f.Text, "."), Say: f.Text}
	case !ok:
		w = words.Finding{Good: reason(l, f.Rule), Say: reason(l, f.Rule)}
	}
	switch f.Kind {
	case pipeline.Strength:
		return l.Cards["good"] + " " + w.Good
	case pipeline.Priority:
		text := l.Cards["first"] + " " + w.Fix + "."
		if f.Text == "" {
			text += " " + w.Say
		}
		if w.Cue != "" {
			text += " “" + w.Cue + "”"
		}
		if chain := chained(l, f.Chain); chain != "" {
			text += "\n  " + chain
		}
		if m := s.Lower(); f.Rule == "eye_drop" && m != nil && m.Unit == "cm" {
			text += "\n  " + fmt.Sprintf(l.Page["lower_lead"], l.Lay(m))
		}
		if drill := l.Drill(s); drill != "" && s.Plan.Rule == f.Rule {
			text += "\n" + l.Cards["drill"] + " " + drill
		}
		return text
	case pipeline.Secondary:
		return l.Table["also"] + " " + w.Say
	}
	return ""
}

// chained is one sentence of what leads to what.
func chained(l words.Lang, codes []string) string {
	var parts []string
	for _, c := range codes {
		if part := l.Chains[c]; part != "" {
			parts = append(parts, part)
		}
	}
	if len(parts) == 0 {
		return ""
	}
	text := strings.Join(parts, "; ") + "."
	r, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(r)) + text[n:]
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
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToLower(r)) + s[n:]
}
