package words

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"tapeline/pipeline"
)

// What is said of a lesson's findings and plan, the same on the page and in the
// letter.

// Named is the entry of a table, or the code in plain letters.
func Named(table map[string]string, code string) string {
	if s := table[code]; s != "" {
		return s
	}
	return strings.ReplaceAll(code, "_", " ")
}

// Tight keeps a number with its doubt and unit together: behind the first
// figure it breaks before a bracket only.
func Tight(s string) string {
	parts := strings.Split(s, " (")
	for i, p := range parts {
		if at := strings.IndexFunc(p, unicode.IsDigit); at >= 0 {
			parts[i] = p[:at] + strings.ReplaceAll(p[at:], " ", "\u00a0")
		}
	}
	return strings.Join(parts, " (")
}

// Capital begins a text with a capital letter.
func Capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// Sentences joins captions, each with a full stop.
func Sentences(lines []string) string {
	var out []string
	for _, s := range lines {
		if s != "" {
			out = append(out, strings.TrimSuffix(s, ".")+".")
		}
	}
	return strings.Join(out, " ")
}

func bandOf(rep *pipeline.Report, rule string) *pipeline.Band {
	for i := range rep.Bands {
		if b := &rep.Bands[i]; b.Rule == rule {
			return b
		}
	}
	return nil
}

// Limits writes a band: "at most 5 cm"; "" without one.
func (l Lang) Limits(b *pipeline.Band) string {
	amount := func(v float64) string { return Tight(l.Limit(v, b.Unit)) }
	switch {
	case b == nil:
		return ""
	case b.Min == nil && b.Max == nil:
		return ""
	case b.Min == nil:
		return fmt.Sprintf(l.Page["at_most"], amount(*b.Max))
	case b.Max == nil:
		return fmt.Sprintf(l.Page["at_least"], amount(*b.Min))
	}
	return fmt.Sprintf(l.Cards["range"], amount(*b.Min), amount(*b.Max))
}

// measured is what a finding rests on: "8.3 ±1.7 cm, about 1 baseball wide".
func (l Lang) measured(rep *pipeline.Report, s *pipeline.Swing, f pipeline.Finding) string {
	m := Evidence(s, f)
	if m == nil || m.Value == nil {
		return ""
	}
	out := Tight(l.Against(m, rep.Band(m)))
	if f.Rule == "eye_drop" && m.Unit == "cm" && !Vague(m) {
		if balls := l.Balls(*m.Value, rep.Batter.Sport); balls != "" {
			out += ", " + balls
		}
	}
	return out
}

// Judged is where a finding says that its measure stands.
func Judged(f pipeline.Finding) pipeline.Stand {
	return map[string]pipeline.Stand{pipeline.Strength: pipeline.Inside, pipeline.Priority: pipeline.Outside,
		pipeline.Secondary: pipeline.Outside, pipeline.CantTell: pipeline.Between}[f.Kind]
}

// Fact is the value a finding rests on, where it stands, and the band it is
// held against: "8 ±2 cm — too much (fine: at most 5 cm)."; "" without a value.
func (l Lang) Fact(rep *pipeline.Report, s *pipeline.Swing, f pipeline.Finding) string {
	band := bandOf(rep, f.Rule)
	v, limits, stand := l.measured(rep, s, f), l.Limits(band), Judged(f)
	switch word := l.Judged(Evidence(s, f), band, stand); {
	case v == "":
		return ""
	case limits == "" || word == "":
		return fmt.Sprintf(l.Page["fact"], v)
	case stand == pipeline.Inside:
		return fmt.Sprintf(l.Page["fact_fine"], v, word, limits)
	default:
		return fmt.Sprintf(l.Page["fact_stands"], v, word, limits)
	}
}

// Praise is what is good, a text with its fact for each strength.
func (l Lang) Praise(rep *pipeline.Report, s *pipeline.Swing) (out []string) {
	for _, f := range s.Findings {
		if f.Kind != pipeline.Strength {
			continue
		}
		text := f.Text
		if text == "" {
			text = Capital(l.rule(f.Rule, l.Findings[f.Rule].Good)) + "."
		}
		if fact := l.Fact(rep, s, f); fact != "" {
			text += " " + fact
		}
		out = append(out, text)
	}
	return out
}

func (l Lang) rule(code, words string) string { return Named(map[string]string{code: words}, code) }

// Later is the second thing to work on, "" if there is none.
func (l Lang) Later(rep *pipeline.Report, s *pipeline.Swing) string {
	for _, f := range s.Findings {
		switch {
		case f.Kind != pipeline.Secondary:
		case f.Text != "":
			return f.Text
		default:
			return Sentences([]string{l.rule(f.Rule, l.Findings[f.Rule].Say), strings.TrimSuffix(l.Fact(rep, s, f), ".")})
		}
	}
	return ""
}

// Focus is the one thing to work on with the heading over it; where there is
// none, the best strength to keep; where nothing is sure, what to film better.
// Without Fix there is nothing to say but Say.
type Focus struct {
	Head, Fix, Say, Fact, Cue string
	Chain                     []string // the cause first; Fix is one of them
}

// Focus of a swing.
func (l Lang) Focus(rep *pipeline.Report, s *pipeline.Swing) Focus {
	unsure := false
	for _, f := range s.Findings {
		switch f.Kind {
		case pipeline.Priority:
			out := Focus{Head: l.Page["work"], Fix: f.Text, Fact: l.Fact(rep, s, f)}
			if w := l.Findings[f.Rule]; f.Text == "" {
				out.Fix, out.Say, out.Cue = Capital(l.rule(f.Rule, w.Fix)), w.Say, w.Cue
			}
			out.Chain = l.chain(f, out.Fix)
			return out
		case pipeline.CantTell:
			unsure = true
		}
	}
	rest := l.Cards["in_band"]
	if unsure {
		rest = l.Cards["unsure"]
	}
	better, why := l.NextClip(rep, s)
	switch kept := s.Keep(); {
	case kept != nil:
		out := Focus{Head: l.Page["keep"], Fix: kept.Text, Say: rest}
		if w := l.Findings[kept.Rule]; kept.Text == "" {
			out.Fix, out.Cue = Capital(l.rule(kept.Rule, w.Good)), w.Cue
		}
		return out
	case better != "":
		return Focus{Head: l.Page["film"], Fix: Capital(better), Say: l.Cards["unsure_all"] + " " + why}
	}
	return Focus{Head: l.Page["work_none"], Say: l.Cards["no_findings"]}
}

// chain puts the fault between what it comes from and what it leads to.
func (l Lang) chain(f pipeline.Finding, fault string) []string {
	if len(f.Chain) == 0 {
		return nil
	}
	var from, to []string
	for _, c := range f.Chain {
		if strings.HasPrefix(c, "from_") {
			from = append(from, Named(l.Chains, c))
		} else {
			to = append(to, Named(l.Chains, c))
		}
	}
	return append(append(from, fault), to...)
}

// Times is how often a step is done: "10–15 times".
func (l Lang) Times(st pipeline.Step) string {
	switch {
	case st.From <= 0 && st.To <= 0:
		return ""
	case st.From == st.To || st.From <= 0:
		return fmt.Sprintf(l.Page["count"], fmt.Sprint(st.To))
	}
	return fmt.Sprintf(l.Page["count"], fmt.Sprintf("%d–%d", st.From, st.To))
}

// Pass is the measure of a step and its limit, "(eye drop: at most 5 cm)".
func (l Lang) Pass(rep *pipeline.Report, st pipeline.Step) string {
	b := bandOf(rep, st.Pass)
	limit := l.Limits(b)
	if limit == "" {
		return ""
	}
	name := l.MeasureName(&pipeline.Measure{Key: b.Key, From: b.From, At: b.At})
	return fmt.Sprintf(l.Page["pass"], strings.TrimSuffix(name, "."), limit)
}
