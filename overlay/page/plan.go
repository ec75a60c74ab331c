package page

import (
	"fmt"
	"slices"
	"strings"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Plan is the ladder and its week.
type Plan struct {
	Cue   string
	Steps []Step
	Days  []Day
	Care  []string
}

// Step is one rung. Pass is what passing it looks like in numbers; Safety of
// several steps that say the same stands at the first.
type Step struct {
	Number                             int
	Name, SetUp, Do, Count, Pass, Look string
	Safety                             string
}

// Day is one day's work; no Items is a day off.
type Day struct {
	Name  string
	Items []string
}

func (l *Lesson) plan() {
	p := l.sw.Plan
	if p == nil || len(p.Steps) == 0 {
		return
	}
	out := &Plan{Cue: l.lang.Findings[p.Rule].Cue}
	var said []string
	for i, s := range p.Steps {
		d, ok := l.lang.Drills[s.Drill]
		if !ok {
			d = words.Drill{Name: named(nil, s.Drill)}
		}
		step := Step{Number: i + 1, Name: d.Name, SetUp: d.SetUp, Do: d.Do, Look: d.Look, Count: l.count(s), Pass: l.pass(s)}
		if !slices.Contains(said, d.Safety) {
			step.Safety = d.Safety
			said = append(said, d.Safety)
		}
		out.Steps = append(out.Steps, step)
	}
	for i, day := range p.Days {
		d := Day{Name: l.say("day", i+1)}
		for _, n := range day {
			if n >= 0 && n < len(out.Steps) {
				d.Items = append(d.Items, l.say("day_step", n+1, out.Steps[n].Name))
			}
		}
		out.Days = append(out.Days, d)
	}
	for _, c := range p.Care {
		out.Care = append(out.Care, named(l.lang.Care, c))
	}
	l.Plan = out
}

func (l *Lesson) count(s pipeline.Step) string {
	switch {
	case s.From <= 0 && s.To <= 0:
		return ""
	case s.From == s.To || s.From <= 0:
		return l.say("count", fmt.Sprint(s.To))
	}
	return l.say("count", fmt.Sprintf("%d–%d", s.From, s.To))
}

// pass is the measure of a step and its limit.
func (l *Lesson) pass(s pipeline.Step) string {
	b := l.bandOf(s.Pass)
	limit := l.limits(b)
	if limit == "" {
		return ""
	}
	name := l.lang.MeasureName(&pipeline.Measure{Key: b.Key, From: b.From, At: b.At})
	return l.say("pass", strings.TrimSuffix(name, "."), limit)
}
