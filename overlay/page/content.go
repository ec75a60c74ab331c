package page

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// w is a label of the page.
func (l *Lesson) w(key string) string { return l.lang.Page[key] }

// say fills a sentence of the page.
func (l *Lesson) say(key string, args ...any) string { return fmt.Sprintf(l.w(key), args...) }

// named is the entry of a table of sentences, or the code in plain letters.
func named(table map[string]string, code string) string {
	if s := table[code]; s != "" {
		return s
	}
	return strings.ReplaceAll(code, "_", " ")
}

// value writes a measure so that no line breaks within it.
func (l *Lesson) value(m *pipeline.Measure) string {
	return tight(l.lang.Against(m, l.rep.Band(m)))
}

// tight keeps a number with its doubt and unit together: behind the first
// figure it breaks before a bracket only.
func tight(s string) string {
	parts := strings.Split(s, " (")
	for i, p := range parts {
		if at := strings.IndexFunc(p, unicode.IsDigit); at >= 0 {
			parts[i] = p[:at] + strings.ReplaceAll(p[at:], " ", "\u00a0")
		}
	}
	return strings.Join(parts, " (")
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// sentences joins captions, each with a full stop.
func sentences(lines []string) string {
	var out []string
	for _, s := range lines {
		if s != "" {
			out = append(out, strings.TrimSuffix(s, ".")+".")
		}
	}
	return strings.Join(out, " ")
}

func (l *Lesson) head(opt Options) {
	l.Title = l.w("title")
	if opt.FirstName != "" {
		l.Title = l.say("title_name", opt.FirstName)
	}
	b := l.rep.Batter
	if opt.Date != "" {
		l.About = append(l.About, l.lang.Date(opt.Date))
	}
	if b.Bats != pipeline.SideUnknown {
		l.About = append(l.About, capital(l.lang.Bats[b.Bats]))
	}
	l.About = append(l.About, l.lang.Views[b.View])
	if b.HeightCM != nil {
		l.About = append(l.About, l.lang.Tall(*b.HeightCM))
	}
	if len(l.rep.Swings) > 1 {
		l.About = append(l.About, capital(fmt.Sprintf(l.lang.Table["swing"], l.sw.Index, len(l.rep.Swings))))
	}
}

func (l *Lesson) bandOf(rule string) *pipeline.Band {
	for i := range l.rep.Bands {
		if b := &l.rep.Bands[i]; b.Rule == rule {
			return b
		}
	}
	return nil
}

// limits writes a band: "at most 5 cm".
func (l *Lesson) limits(b *pipeline.Band) string {
	amount := func(v float64) string { return tight(l.lang.Limit(v, b.Unit)) }
	switch {
	case b == nil:
		return ""
	case b.Min == nil && b.Max == nil:
		return ""
	case b.Min == nil:
		return l.say("at_most", amount(*b.Max))
	case b.Max == nil:
		return l.say("at_least", amount(*b.Min))
	}
	return fmt.Sprintf(l.lang.Cards["range"], amount(*b.Min), amount(*b.Max))
}

// measured is what a finding rests on: "8.3 ±1.7 cm, about 1 baseball wide".
func (l *Lesson) measured(f pipeline.Finding) string {
	m := words.Evidence(l.sw, f)
	if m == nil || m.Value == nil {
		return ""
	}
	s := l.value(m)
	if f.Rule == "eye_drop" && m.Unit == "cm" && !words.Vague(m) {
		if balls := l.lang.Balls(*m.Value, l.rep.Batter.Sport); balls != "" {
			s += ", " + balls
		}
	}
	return s
}

// judged is where a finding says that its measure stands.
func judged(f pipeline.Finding) pipeline.Stand {
	return map[string]pipeline.Stand{pipeline.Strength: pipeline.Inside, pipeline.Priority: pipeline.Outside,
		pipeline.Secondary: pipeline.Outside, pipeline.CantTell: pipeline.Between}[f.Kind]
}

// fact is a value, where it stands, and the band it is held against: "8 ±2 cm
// — too much (fine: at most 5 cm)."
func (l *Lesson) fact(f pipeline.Finding) string {
	band := l.bandOf(f.Rule)
	v, limits, stand := l.measured(f), l.limits(band), judged(f)
	switch word := l.lang.Judged(words.Evidence(l.sw, f), band, stand); {
	case v == "":
		return ""
	case limits == "" || word == "":
		return l.say("fact", v)
	case stand == pipeline.Inside:
		return l.say("fact_fine", v, word, limits)
	default:
		return l.say("fact_stands", v, word, limits)
	}
}

func (l *Lesson) findings() {
	unsure := false
	for _, f := range l.sw.Findings {
		w := l.lang.Findings[f.Rule]
		switch f.Kind {
		case pipeline.Strength:
			text := f.Text
			if text == "" {
				text = capital(named(map[string]string{f.Rule: w.Good}, f.Rule)) + "."
			}
			if fact := l.fact(f); fact != "" {
				text += " " + fact
			}
			l.Good = append(l.Good, text)
		case pipeline.Priority:
			if l.Focus != nil {
				continue
			}
			l.Focus = &Focus{Fix: f.Text}
			if f.Text == "" {
				l.Focus = &Focus{Fix: capital(named(map[string]string{f.Rule: w.Fix}, f.Rule)), Say: w.Say, Cue: w.Cue}
			}
			l.Focus.Fact = l.fact(f)
			l.Focus.Chain = l.chain(f, l.Focus.Fix)
		case pipeline.Secondary:
			if l.Also != "" {
				continue
			}
			l.Also = f.Text
			if l.Also == "" {
				l.Also = sentences([]string{named(map[string]string{f.Rule: w.Say}, f.Rule), strings.TrimSuffix(l.fact(f), ".")})
			}
		case pipeline.CantTell:
			unsure = true
		}
	}
	l.Head = l.w("work")
	if l.Focus != nil {
		return
	}
	l.Head = l.w("work_none")
	rest := l.lang.Cards["in_band"]
	if unsure {
		rest = l.lang.Cards["unsure"]
	}
	better, why := l.lang.NextClip(l.rep, l.sw)
	switch kept := l.sw.Keep(); {
	case kept != nil:
		l.Head, l.Focus = l.w("keep"), &Focus{Fix: kept.Text, Say: rest}
		if kept.Text == "" {
			w := l.lang.Findings[kept.Rule]
			l.Focus.Fix, l.Focus.Cue = capital(named(map[string]string{kept.Rule: w.Good}, kept.Rule)), w.Cue
		}
	case better != "":
		l.Head, l.Focus = l.w("film"), &Focus{Fix: capital(better), Say: l.lang.Cards["unsure_all"] + " " + why}
	default:
		l.Rest = l.lang.Cards["no_findings"]
	}
}

// chain puts the fault between what it comes from and what it leads to.
func (l *Lesson) chain(f pipeline.Finding, fault string) []Link {
	if len(f.Chain) == 0 {
		return nil
	}
	var from, to []Link
	for _, c := range f.Chain {
		if strings.HasPrefix(c, "from_") {
			from = append(from, Link{Text: named(l.lang.Chains, c)})
		} else {
			to = append(to, Link{Text: named(l.lang.Chains, c)})
		}
	}
	return slices.Concat(from, []Link{{fault, true}}, to)
}

// keyed is the first measure of that key that has a value, whatever its span.
func (l *Lesson) keyed(key string) *pipeline.Measure {
	for i := range l.sw.Measures {
		if m := &l.sw.Measures[i]; m.Key == key && m.Value != nil {
			return m
		}
	}
	return nil
}

// why says in numbers what is at stake; each has its formula in Notes.
func (l *Lesson) why() {
	note := func(text, formula string) {
		l.Notes = append(l.Notes, formula)
		l.Why = append(l.Why, text)
	}
	feet := func(v float64) string { return strings.TrimSuffix(l.lang.Number(v, 1), l.lang.Decimal+"0") }
	if p := l.rep.Pitch; p != nil && p.Flight > 0 {
		flight := tight(l.lang.Short(p.Flight, "s", 2))
		text := l.say("why_flight", l.lang.Number(p.MPH, 0), l.w("level_"+string(p.Level)), flight)
		if m := l.keyed("decision_time"); m != nil {
			text += " " + l.say("why_decide", tight(l.lang.Short(p.Flight-*m.Value, "s", 2)), l.value(m))
		}
		note(text, l.say("note_flight", feet(p.RubberFT), feet(p.Extension), l.lang.Number(p.MPH, 0), flight, l.w("origin_"+p.Origin)))
	}
	if m := l.keyed("eye_travel"); m != nil && !words.Vague(m) {
		amount, formula := l.value(m), l.w("note_travel")
		if m.Unit == "cm" {
			formula += " " + l.say("note_ball", tight(l.lang.BallWidth(l.rep.Batter.Sport)))
			if balls := l.lang.Balls(*m.Value, l.rep.Batter.Sport); balls != "" {
				amount += ", " + balls
			}
		}
		note(l.say("why_travel", amount), formula)
	}
}

func (l *Lesson) lower() {
	m := l.sw.Lower()
	if m == nil || m.Unit != "cm" {
		return
	}
	down := tight(l.lang.Lay(m))
	out := &Lower{Lead: l.say("lower_lead", down)}
	front, back := l.keyed("start_lower_more_front"), l.keyed("start_lower_more_back")
	if front != nil && back != nil {
		out.Lines = append(out.Lines, l.say("lower_knees", l.value(front), l.value(back)))
	}
	out.Lines = append(out.Lines, l.say("lower_tape", down))
	if h := l.keyed("tape_height"); h != nil {
		out.Lines = append(out.Lines, l.say("lower_height", l.value(h)))
	}
	l.Lower = out
}

// rows are all measures, those with a band apart; how to start lower only where
// that is advised.
func (l *Lesson) rows() {
	var whose []string
	for i := range l.sw.Measures {
		m := &l.sw.Measures[i]
		if l.sw.Unasked(m) {
			continue
		}
		r := Row{Name: l.lang.MeasureName(m), Explain: l.lang.Measures[m.Key].Explain, Value: l.value(m)}
		if b := l.rep.Band(m); b != nil {
			r.Band, r.Standing = l.limits(b), l.standing(m, b)
			key := "origin_" + b.Origin
			if b.Own {
				key = "origin_own"
			}
			if key != "origin_K" { // said once, below
				r.Whose = l.w(key)
			}
			if !slices.Contains(whose, key) {
				whose = append(whose, key)
			}
		}
		if r.Band != "" {
			l.Rows = append(l.Rows, r)
		} else {
			l.More = append(l.More, r)
		}
	}
	l.Legend = append(l.Legend, l.w("legend_bounds"))
	slices.Sort(whose)
	for _, key := range whose {
		if s := l.w("legend_" + key); s != "" {
			l.Legend = append(l.Legend, s)
		}
	}
	if l.sw.Geometry.Unit == "pct_height" {
		l.Legend = append(l.Legend, l.w("legend_percent"))
	}
}

// standing says where a measure stands as far as the findings say it: a fault
// that nobody is to work on now stays unsaid, and so does one that the coach
// took out.
func (l *Lesson) standing(m *pipeline.Measure, b *pipeline.Band) string {
	for _, f := range l.sw.Findings {
		if words.Evidence(l.sw, f) != m {
			continue
		}
		if m.Value == nil {
			return "" // the value says so
		}
		return l.lang.Judged(m, b, judged(f))
	}
	if b.Stands(m) == pipeline.Inside {
		return l.lang.Verdict(m, b)
	}
	return ""
}

func (l *Lesson) doubts() {
	l.Doubts = l.lang.Doubts(l.sw)
	for _, w := range l.rep.Warnings {
		l.Clip = append(l.Clip, l.lang.Warning(w))
	}
}

func (l *Lesson) since(changes []pipeline.Change) {
	for i := range changes {
		c := &changes[i]
		band := l.rep.Band(&c.After)
		verdict := l.w("change_same")
		switch course := band.Course(c); {
		case c.Before.Value == nil || c.After.Value == nil:
			verdict = l.w("change_unknown")
		case course != pipeline.NoCourse && course != pipeline.Changed:
			verdict = l.say("change_course", capital(l.lang.Progress[string(course)]))
		case c.Larger:
			verdict = l.w("change_larger")
		}
		l.Since = append(l.Since, Change{
			Name: l.lang.MeasureName(&c.After),
			Then: l.say("change_then", l.value(&c.Before), l.lang.Date(c.Day)),
			Now:  l.value(&c.After), Verdict: verdict,
		})
		if s := l.lang.Better(c, band); s != "" {
			l.Good = append(l.Good, capital(s)+".")
		}
	}
}

func (l *Lesson) palms() string {
	p := l.sw.Palms
	if p == nil || p.Top == "" && p.Bottom == "" {
		return l.lang.Cards["hands_eye"]
	}
	var out []string
	for _, h := range [][2]string{{"top", p.Top}, {"bottom", p.Bottom}} {
		if h[1] != "" {
			out = append(out, l.w("palm_"+h[0]+"_"+h[1]))
		}
	}
	return capital(strings.Join(out, ", "))
}
