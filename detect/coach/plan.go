package coach

import (
	_ "embed"
	"fmt"
	"math"
	"slices"

	"go.yaml.in/yaml/v3"

	p "tapeline/pipeline"
)

//go:embed drills.yaml
var embeddedDrills []byte

// stage is a rung of every ladder with the counts of its drills.
type stage struct {
	Stage  string `yaml:"stage"`
	From   int    `yaml:"from"`
	To     int    `yaml:"to"`
	Origin string `yaml:"origin"`
}

// drills is drills.yaml.
var drills = func() (d struct {
	Stages []stage `yaml:"stages"`
	Drills []struct {
		Drill string `yaml:"drill"`
		Stage string `yaml:"stage"`
	} `yaml:"drills"`
	Rest []int `yaml:"rest"`
	Keep struct {
		Stages []string `yaml:"stages"`
		Days   []int    `yaml:"days"`
	} `yaml:"keep"`
	Care []string `yaml:"care"`
}) {
	if err := yaml.Unmarshal(embeddedDrills, &d); err != nil {
		panic(err) // our own file, see the tests
	}
	return d
}()

// stageOf is the place of a drill's stage on the ladder, −1 for no drill.
func stageOf(drill string) int {
	for _, d := range drills.Drills {
		if d.Drill == drill {
			return slices.IndexFunc(drills.Stages, func(s stage) bool { return s.Stage == d.Stage })
		}
	}
	return -1
}

const longestLadder = 9

// ladderFits checks that a ladder climbs, ends live and asks for no code that
// its rule can't say.
func ladderFits(at string, l []Rung, codes map[string]bool) error {
	if len(l) > longestLadder {
		return fmt.Errorf("%s.ladder: more than %d drills", at, longestLadder)
	}
	last := 0
	for i, r := range l {
		key := fmt.Sprintf("%s.ladder[%d]", at, i)
		is := stageOf(r.Drill)
		switch {
		case is < 0:
			return fmt.Errorf("%s.drill: %s is no drill; there are %v", key, quoted(r.Drill), p.DrillCodes)
		case is < last:
			return fmt.Errorf("%s.drill: %s comes before the drill above it; a ladder goes from the mirror to live", key, r.Drill)
		}
		for i, c := range []string{r.If, r.Unless} {
			if c != "" && !codes[c] {
				return fmt.Errorf("%s.%s: %s is no code of the rule's chain", key, []string{"if", "unless"}[i], quoted(c))
			}
		}
		last = is
	}
	if n := len(l); n > 0 && (last != len(drills.Stages)-1 || l[n-1].If != "" || l[n-1].Unless != "") {
		return fmt.Errorf("%s.ladder: must end with live", at)
	}
	return nil
}

// plan is the ladder of a rule's fault with its week, nil if it has none.
func plan(r *Rule, chain []string) *p.Plan {
	out := climb(r, chain, nil)
	if out != nil {
		out.Days = week(len(out.Steps))
	}
	return out
}

// keep is what holds on to a rule's strength: the lower rungs of its ladder,
// all of them on few days; nil if it has none.
func keep(r *Rule) *p.Plan {
	out := climb(r, nil, drills.Keep.Stages)
	if out == nil {
		return nil
	}
	out.Days = make([][]int, 7)
	for d := range out.Days {
		out.Days[d] = []int{}
		for i := range out.Steps {
			if slices.Contains(drills.Keep.Days, d+1) {
				out.Days[d] = append(out.Days[d], i)
			}
		}
	}
	return out
}

// climb is the rule's ladder without days, of these stages or, nil, of all;
// nil if no rung is left.
func climb(r *Rule, chain, stages []string) *p.Plan {
	out := &p.Plan{Rule: r.Rule, Care: slices.Clone(drills.Care)}
	for _, g := range r.Ladder {
		s := drills.Stages[stageOf(g.Drill)]
		if g.If != "" && !slices.Contains(chain, g.If) || g.Unless != "" && slices.Contains(chain, g.Unless) ||
			stages != nil && !slices.Contains(stages, s.Stage) {
			continue
		}
		out.Steps = append(out.Steps, p.Step{Drill: g.Drill, From: s.From, To: s.To, Pass: r.Rule, Origin: s.Origin})
	}
	if len(out.Steps) == 0 {
		return nil
	}
	return out
}

// week spreads n steps over seven days, two a day at most: each day repeats
// the step before the one it has come to, the last step is taken on the last
// day only.
func week(n int) [][]int {
	days := make([][]int, 7)
	work := len(days) - len(drills.Rest)
	done := 0
	for d := range days {
		days[d] = []int{}
		if slices.Contains(drills.Rest, d+1) {
			continue
		}
		at := int(math.Round(float64(done) * float64(n-1) / float64(work-1)))
		if done++; done < work {
			at = min(at, n-2)
		}
		if at < 0 {
			continue
		}
		if at > 0 {
			days[d] = append(days[d], at-1)
		}
		days[d] = append(days[d], at)
	}
	return days
}
