package page

import (
	"fmt"
	"slices"
	"strings"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// w is a label of the page.
func (l *Lesson) w(key string) string { return l.lang.Page[key] }

// say fills a sentence of the page.
func (l *Lesson) say(key string, args ...any) string { return fmt.Sprintf(l.w(key), args...) }

// value writes a measure so that no line breaks within it.
func (l *Lesson) value(m *pipeline.Measure) string {
	return words.Tight(l.lang.Against(m, l.rep.Band(m)))
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
		l.About = append(l.About, words.Capital(l.lang.Bats[b.Bats]))
	}
	l.About = append(l.About, l.lang.Views[b.View])
	if b.HeightCM != nil {
		l.About = append(l.About, l.lang.Tall(*b.HeightCM))
	}
	if len(l.rep.Swings) > 1 {
		l.About = append(l.About, words.Capital(fmt.Sprintf(l.lang.Table["swing"], l.sw.Index, len(l.rep.Swings))))
	}
}

func (l *Lesson) findings() {
	l.Good, l.Also = l.lang.Praise(l.rep, l.sw), l.lang.Later(l.rep, l.sw)
	f := l.lang.Focus(l.rep, l.sw)
	l.Head = f.Head
	if f.Fix == "" {
		l.Rest = f.Say
		return
	}
	l.Focus = &Focus{Fix: f.Fix, Say: f.Say, Fact: f.Fact, Cue: f.Cue}
	for _, c := range f.Chain {
		l.Focus.Chain = append(l.Focus.Chain, Link{c, c == f.Fix})
	}
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
		flight := words.Tight(l.lang.Short(p.Flight, "s", 2))
		text := l.say("why_flight", l.lang.Number(p.MPH, 0), l.w("level_"+string(p.Level)), flight)
		if m := l.keyed("decision_time"); m != nil {
			text += " " + l.say("why_decide", words.Tight(l.lang.Short(p.Flight-*m.Value, "s", 2)), l.value(m))
		}
		note(text, l.say("note_flight", feet(p.RubberFT), feet(p.Extension), l.lang.Number(p.MPH, 0), flight, l.w("origin_"+p.Origin)))
	}
	if m := l.keyed("eye_travel"); m != nil && !words.Vague(m) {
		amount, formula := l.value(m), l.w("note_travel")
		if m.Unit == "cm" {
			formula += " " + l.say("note_ball", words.Tight(l.lang.BallWidth(l.rep.Batter.Sport)))
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
	down := words.Tight(l.lang.Lay(m))
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
			r.Band, r.Standing = l.lang.Limits(b), l.standing(m, b)
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
		return l.lang.Judged(m, b, words.Judged(f))
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
			verdict = l.say("change_course", words.Capital(l.lang.Progress[string(course)]))
		case c.Larger:
			verdict = l.w("change_larger")
		}
		l.Since = append(l.Since, Change{
			Name: l.lang.MeasureName(&c.After),
			Then: l.say("change_then", l.value(&c.Before), l.lang.Date(c.Day)),
			Now:  l.value(&c.After), Verdict: verdict,
		})
		if s := l.lang.Better(c, band); s != "" {
			l.Good = append(l.Good, words.Capital(s)+".")
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
	return words.Capital(strings.Join(out, ", "))
}
