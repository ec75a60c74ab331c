package page

import (
	"fmt"
	"slices"
	"strings"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Plan is the ladder and its week; Lead says how to climb it.
type Plan struct {
	Title string
	Lead  string
	Cue   string
	Steps []Step
	Days  []Day
	Care  []string
	From  []string // where the counts come from
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

// lowerDrill is the mirror's drill that says "by the length in this plan".
const lowerDrill = "mirror_tape_lower"

func (l *Lesson) plan() {
	p := l.sw.Plan
	if p == nil || len(p.Steps) == 0 {
		return
	}
	out := &Plan{Title: l.w("plan"), Lead: l.w("ladder"), Cue: l.lang.Findings[p.Rule].Cue}
	if l.sw.Keep() != nil {
		out.Title, out.Lead = l.w("plan_keep"), l.w("ladder_keep")
	}
	var said []string
	for i, s := range p.Steps {
		s.Drill = l.sw.Drill(s)
		d, ok := l.lang.Drills[s.Drill]
		if !ok {
			d = words.Drill{Name: words.Named(nil, s.Drill)}
		}
		step := Step{Number: i + 1, Name: d.Name, SetUp: d.SetUp, Do: d.Do, Look: d.Look, Count: l.lang.Times(s), Pass: l.lang.Pass(l.rep, s)}
		if s.Drill == lowerDrill {
			step.Do += " " + l.Lower.Lead
		}
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
	out.From = l.countsFrom(p.Steps)
	for _, c := range p.Care {
		out.Care = append(out.Care, words.Named(l.lang.Care, c))
	}
	l.Plan = out
}

// countsFrom says whose the counts are, by origin.
func (l *Lesson) countsFrom(steps []pipeline.Step) (out []string) {
	var order []string
	of := map[string][]string{}
	for i, s := range steps {
		if of[s.Origin] == nil {
			order = append(order, s.Origin)
		}
		of[s.Origin] = append(of[s.Origin], fmt.Sprint(i+1))
	}
	for _, o := range order {
		from := l.w("counts_" + o) // where it was published
		if from == "" {
			from = l.w("origin_" + o)
		}
		out = append(out, l.say("counts_from", strings.Join(of[o], ", "), from))
	}
	return out
}
