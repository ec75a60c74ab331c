package coach

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	p "tapeline/pipeline"
	"tapeline/pipeline/words"
)

// A new rule, as text to be spoiled.
const added = "rule: wide, measure: stride_length, from: stance, at: plant, unit: cm, max: 90, effect: 1, step: 10, say: Too wide."

// Every mistake in an academy's file is one line that names file and place.
func TestOwnRulesAreStrict(t *testing.T) {
	list := func(s string) string { return "rules: [{" + s + "}]" }
	change := func(old, new string) string { return list(strings.Replace(added, old, new, 1)) }
	for _, c := range []struct{ yaml, want string }{
		{"", "rules: holds none"},
		{"rules: []", "rules: holds none"},
		{"rules: 3", "rules: is not a list"},
		{"- rules", "not a file of rules: is not a group of keys with their values"},
		{"rules: [", "line 1: did not find expected node content"},
		{"rulez: []", "rulez: unknown key"},
		{list("rule: eye_drop, max: 7") + "\n---\nrules: []", "holds more than one document"},
		{list("max: 7"), "rules[0].rule: nothing is no rule's name; small letters, digits and _"},
		{list("rule: Eye Drop, max: 7"), `rules[0].rule: "Eye Drop" is no rule's name; small letters, digits and _`},
		{list("rule: coach, max: 7"), "rules.coach: the name stands for the coach's own words"},
		{"rules: [{rule: eye_drop, max: 7}, {rule: eye_drop, max: 8}]", "rules.eye_drop: stands twice"},
		{list("rule: eye_drop, maxx: 7"), "rules.eye_drop.maxx: unknown key"},
		{list("rule: eye_drop, own: true"), "rules.eye_drop.own: unknown key"},
		{list("rule: eye_drop, max: seven"), `rules.eye_drop.max: "seven" is not a number`},
		{list("rule: eye_drop, max: '7'"), `rules.eye_drop.max: "7" is not a number`},
		{list("rule: eye_drop, max: .nan"), "rules.eye_drop.max: NaN is no number to judge by"},
		{list("rule: eye_drop, max: .inf"), "rules.eye_drop.max: +Inf is no number to judge by"},
		{list("rule: eye_drop, max: 7, min: 7"), "rules.eye_drop.min: 7 is not below max 7"},
		{list("rule: eye_drop, max: 7, origin: Z"), `rules.eye_drop.origin: "Z" is not P, C, K or M`},
		{list("rule: eye_drop, max: 7, setting: 1"), `rules.eye_drop.setting: "1" is not true or false`},
		{list("rule: eye_drop, levels: {youth: {}}"), "rules.eye_drop.levels.youth: min or max is needed"},
		{list("rule: eye_drop, levels: {youth: {max: x}}"), `rules.eye_drop.levels.youth.max: "x" is not a number`},
		{list("rule: eye_drop, levels: {youth: {most: 7}}"), "rules.eye_drop.levels.youth.most: unknown key"},
		{list("rule: eye_drop, levels: {major: {max: 7}}"), "rules.eye_drop.levels.major: no such level; there are [youth middle high_school college]"},
		{list("rule: eye_drop, levels: 7"), `rules.eye_drop.levels: "7" is not a group of keys with their values`},
		{list("rule: eye_drop, sports: {cricket: {max: 7}}"), "rules.eye_drop.sports.cricket: no such sport; there are [baseball softball]"},
		{list("rule: eye_drop, sports: {softball: {max: 7, min: 9}}"), "rules.eye_drop.sports.softball.min: 9 is not below max 7"},
		{list("rule: eye_drop, unit: deg, max: 7"), "rules.eye_drop.unit: can't be changed in a shipped rule; add one of another name"},
		{list("rule: eye_drop, measure: head_drop"), "rules.eye_drop.measure: can't be changed in a shipped rule; add one of another name"},
		{list("rule: eye_drop, effect: 0"), "rules.eye_drop.effect: must be more than 0"},
		{list("rule: eye_drop, step: -1"), "rules.eye_drop.step: must be more than 0"},
		{list("rule: eye_drop, effect: .inf"), "rules.eye_drop.effect: +Inf is no number to judge by"},
		{list("rule: head_after, praise: false, praise_max: 2"), "rules.head_after.praise_max: means nothing without praise: true"},
		{list("rule: eye_drop, follows: [eyes]"), `rules.eye_drop.follows[0]: there is no rule "eyes"`},
		{list("rule: front_foot_open, follows: [front_foot_open_contact]"), "rules.front_foot_open.follows: comes round to itself"},
		{list("rule: eye_drop, chain: [{code: from_magic}]"), `rules.eye_drop.chain[0].code: "from_magic" is no code of a chain; there are [` + strings.Join(p.ChainCodes, " ") + "]"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{rule: eyes}]}], ladder: []"), `rules.eye_drop.chain[0].when[0].rule: there is no rule "eyes"`},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{rule: head_after, max: 1}]}], ladder: []"), "rules.eye_drop.chain[0].when[0]: a rule's fault has no other condition beside it"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: eyes, at: contact, max: 1}]}]"), `rules.eye_drop.chain[0].when[0].measure: "eyes" is no measure; there are [` + strings.Join(p.MeasureKeys, " ") + "]"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, at: hit, max: 1}]}]"), `rules.eye_drop.chain[0].when[0].at: "hit" is no phase; there are [stance load stride plant launch contact extension finish]`},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, from: stance, at: contact}]}]"), "rules.eye_drop.chain[0].when[0]: needs min or max, or the measure `of` with over or upto"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, from: stance, at: contact, over: 1}]}]"), "rules.eye_drop.chain[0].when[0]: needs min or max, or the measure `of` with over or upto"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, from: stance, at: contact, of: finish_hold, over: 1}]}]"), `rules.eye_drop.chain[0].when[0].of: "finish_hold" is no measure in cm`},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, from: stance, at: contact, max: .nan}]}]"), "rules.eye_drop.chain[0].when[0].max: NaN is no number to judge by"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, at: contact, max: 1}]}]"), "rules.eye_drop.chain[0].when[0].at: head_drop is not measured at contact; it is from stance to plant, from stance to contact, from stance to finish"},
		{list("rule: eye_drop, chain: [{code: from_nod, when: [{measure: head_drop, from: stance, at: finish, of: eye_forward, over: 1}]}]"), "rules.eye_drop.chain[0].when[0].of: eye_forward is not measured from stance to finish"},
		{list("rule: eye_drop, ladder: [{drill: push_ups}]"), `rules.eye_drop.ladder[0].drill: "push_ups" is no drill; there are [` + strings.Join(p.DrillCodes, " ") + "]"},
		{list("rule: eye_drop, ladder: [{drill: live}, {drill: mirror_tape}]"), "rules.eye_drop.ladder[1].drill: mirror_tape comes before the drill above it; a ladder goes from the mirror to live"},
		{list("rule: eye_drop, ladder: [{drill: mirror_tape}]"), "rules.eye_drop.ladder: must end with live"},
		{list("rule: eye_drop, ladder: [{drill: tee_hold}, {drill: live, if: from_nod}]"), "rules.eye_drop.ladder: must end with live"},
		{list("rule: eye_drop, ladder: [{drill: mirror_tape, if: to_all_arms}, {drill: live}]"), `rules.eye_drop.ladder[0].if: "to_all_arms" is no code of the rule's chain`},
		{list("rule: eye_drop, chain: []"), `rules.eye_drop.ladder[0].if: "from_body_sinks" is no code of the rule's chain`},
		{list("rule: eye_drop, ladder: [" + strings.Repeat("{drill: tee_hold}, ", 9) + "{drill: live}]"), "rules.eye_drop.ladder: more than 9 drills"},
		{change("stride_length", "stride"), `rules.wide.measure: "stride" is no measure; there are [` + strings.Join(p.MeasureKeys, " ") + "]"},
		{change("measure: stride_length, ", ""), `rules.wide.measure: nothing is no measure; there are [` + strings.Join(p.MeasureKeys, " ") + "]"},
		{change("at: plant, ", ""), `rules.wide.at: nothing is no phase; there are [stance load stride plant launch contact extension finish]`},
		{change("from: stance", "from: start"), `rules.wide.from: "start" is no phase; there are [stance load stride plant launch contact extension finish]`},
		{change("at: plant", "at: launch"), "rules.wide.at: stride_length is not measured from stance to launch; it is from stance to plant"},
		{change("unit: cm", "unit: deg"), `rules.wide.unit: stride_length is measured in "cm", not "deg"`},
		{change("unit: cm, ", ""), `rules.wide.unit: stride_length is measured in "cm", not nothing`},
		{change("max: 90, ", ""), "rules.wide: min or max is needed"},
		{change("effect: 1, ", ""), "rules.wide.effect: must be more than 0"},
		{change(", say: Too wide.", ""), "rules.wide.say: a new rule needs its sentence"},
		{change("say: Too wide.", "say: "+strings.Repeat("w", 201)), "rules.wide.say: is longer than 200 characters"},
		{change("say: Too wide.", `say: "Too\nwide."`), "rules.wide.say: holds characters that can't be printed"},
		{change("step: 10", "step: 10, praise: true"), "rules.wide.good: a new rule needs its sentence"},
		{"rules: [{" + added + "}, {rule: wide, max: 80}]", "rules.wide: stands twice"},
	} {
		file := filepath.Join(t.TempDir(), "barn.yaml")
		if err := os.WriteFile(file, []byte(c.yaml), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := RulesFile(file)
		var e *p.Error
		if !errors.As(err, &e) {
			t.Errorf("%s\n  %v, want %s", c.yaml, err, c.want)
			continue
		}
		if e.Fault != p.FaultUsage || e.Path != file || e.What != c.want || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "barn.yaml") {
			t.Errorf("%s\n  got  %s\n  want %s", c.yaml, e.What, c.want)
		}
	}
	for path, want := range map[string]string{"no.yaml": "the rules can't be read", t.TempDir(): "is no file of rules"} {
		if _, err := RulesFile(path); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", path, err, want)
		}
	}
	big := filepath.Join(t.TempDir(), "big.yaml")
	if err := os.WriteFile(big, make([]byte, ownLimit+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := RulesFile(big); err == nil || !strings.Contains(err.Error(), "too large") {
		t.Errorf("%v", err)
	}
}

// What an academy sets holds, the rest stays as it was shipped.
func TestOwnRules(t *testing.T) {
	was := shipped(t)
	same, err := RulesFile("")
	if err != nil || !reflect.DeepEqual(same, was) {
		t.Errorf("without a file the rules are not the shipped ones: %v", err)
	}
	rules, err := Rules([]byte(`
rules:
  - {rule: eye_drop, max: 6, min: -6, levels: {youth: {max: 7, origin: M, setting: false}}}
  - {rule: head_after, effect: 3}
  - {rule: front_foot_open, praise: false, chain: [], sports: {softball: {max: 40}}}
  - {rule: wide, measure: stride_length, from: stance, at: plant, unit: cm, max: 90, effect: 1, step: 10, praise: true, say: Too wide., good: Fine stride.}
`))
	if err != nil {
		t.Fatal(err)
	}
	if len(rules) != len(was)+1 {
		t.Fatalf("%d rules", len(rules))
	}
	for i, r := range rules {
		switch r.Rule {
		case "eye_drop":
			base, youth := r.limit("", ""), r.limit(p.Youth, p.Softball)
			if *base.Max != 6 || *base.Min != -6 || base.Origin != "K" || !base.Setting || !base.own {
				t.Errorf("%+v", base)
			}
			if *youth.Max != 7 || youth.Min != nil || youth.Origin != "M" || youth.Setting || !youth.own {
				t.Errorf("%+v", youth)
			}
			if r.Effect != was[i].Effect || len(r.Chain) != len(was[i].Chain) || !r.Praise {
				t.Errorf("lost: %+v", r)
			}
		case "head_after":
			if r.Effect != 3 || r.own || r.band("", "").Own {
				t.Errorf("%+v", r)
			}
		case "front_foot_open":
			if r.Praise || len(r.Chain) != 0 || r.limit("", "").own || !r.limit("", p.Softball).own || *r.limit(p.Youth, p.Baseball).Max != 35 {
				t.Errorf("%+v", r)
			}
		case "wide":
			if b := r.band("", ""); !b.Own || !b.Setting || b.Origin != "K" || b.Key != "stride_length" {
				t.Errorf("%+v", b)
			}
			for _, c := range []struct {
				lo, hi     float64
				kind, text string
			}{{91, 99, p.Priority, "Too wide."}, {70, 80, p.Strength, "Fine stride."}, {80, 99, p.CantTell, ""}} {
				rep := p.Report{Swings: []p.Swing{{Measures: []p.Measure{measured(r, "cm", c.lo, c.hi)}}}}
				Find(&rep, rules)
				if f := rep.Swings[0].Findings[0]; f.Rule != "wide" || f.Kind != c.kind || f.Text != c.text {
					t.Errorf("%+v", f)
				}
				if rep.Swings[0].Plan != nil {
					t.Error("a plan without a ladder")
				}
			}
		default:
			if !reflect.DeepEqual(r, was[i]) {
				t.Errorf("%s changed: %+v", r.Rule, r)
			}
		}
	}
	// No sport named is baseball.
	diamond, err := Rules([]byte("rules: [{rule: eye_drop, sports: {baseball: {max: 6}}}]"))
	if err != nil || *diamond[0].limit("", "").Max != 6 || *diamond[0].limit("", p.Softball).Max != 5 {
		t.Errorf("%v %+v", err, diamond[0])
	}
	// It takes the place of all bands that were there, for levels and sports too.
	raws, _, err := overlay([]map[string]any{{"rule": "a", "max": 5, "levels": map[string]any{"youth": 1}, "sports": map[string]any{"softball": 1}}},
		[]byte("rules: [{rule: a, min: 3}]"))
	if want := map[string]any{"rule": "a", "min": 3, "origin": "K", "setting": true}; err != nil || !reflect.DeepEqual(raws[0], want) {
		t.Errorf("%v %v", err, raws[0])
	}
	raws, _, err = overlay([]map[string]any{{"rule": "a", "max": 5, "levels": map[string]any{"youth": 1, "middle": 2}}},
		[]byte("rules: [{rule: a, levels: {youth: {max: 3}}}]"))
	if want := map[string]any{"youth": map[string]any{"max": 3, "origin": "K", "setting": true}, "middle": 2}; err != nil || raws[0]["max"] != 5 || !reflect.DeepEqual(raws[0]["levels"], want) {
		t.Errorf("%v %v", err, raws[0])
	}
	// A new band of an academy is for all levels but those it names itself.
	twice, err := Rules([]byte("rules: [{rule: eye_drop, levels: {youth: {max: 9}}}]"))
	if err != nil || *twice[0].limit("", "").Max != 5 || *twice[0].limit(p.Youth, "").Max != 9 {
		t.Errorf("%v %+v", err, twice[0])
	}
}

// The shipped bands: common practice, no source; an academy's to change.
func TestShippedBands(t *testing.T) {
	type band struct {
		measure  string
		from, at p.EventKind
		min, max string
		unit     string
	}
	want := map[string]band{
		"eye_drop":                {"eye_drop", p.Stance, p.Contact, "-", "5", "cm"},
		"front_foot_open":         {"front_foot_open", "", p.Plant, "-", "30", "deg"},
		"front_foot_open_contact": {"front_foot_open", "", p.Contact, "-", "45", "deg"},
		"head_forward":            {"eye_forward", p.Plant, p.Contact, "-", "3", "cm"},
		"head_drifts":             {"eye_forward", p.Stance, p.Plant, "-", "8", "cm"},
		"head_over_back":          {"head_over_back_ratio", "", p.Contact, "-", "0.2", "ratio"},
		"hands_start":             {"hands_start", "", p.Stance, "0", "-", "cm"},
		"head_after":              {"head_after", "", p.Contact, "-", "4", "cm"},
		"finish_hold":             {"finish_hold", "", p.Finish, "0.5", "-", "s"},
	}
	write := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	for _, r := range shipped(t) {
		b := r.band(p.HighSchool, p.Softball)
		if got := (band{b.Key, b.From, b.At, write(b.Min), write(b.Max), b.Unit}); got != want[r.Rule] {
			t.Errorf("%s: %+v, want %+v", r.Rule, got, want[r.Rule])
		}
	}
}

// The shipped file: every limit is an academy's setting without a source
// (none is a published norm), and every code is listed and has words.
func TestShippedRules(t *testing.T) {
	var names []string
	used := map[string]bool{}
	for _, r := range shipped(t) {
		names = append(names, r.Rule)
		everywhere(func(l p.Level, s p.Sport) {
			if b := r.band(l, s); b.Origin != "K" || !b.Setting || b.Own {
				t.Errorf("%s: %+v", r.Rule, b)
			}
		})
		for _, l := range r.Chain {
			used[l.Code] = true
			if consequence := strings.HasPrefix(l.Code, "to_"); !consequence && len(l.When) == 0 {
				t.Errorf("%s: %s is said to be the cause without being measured", r.Rule, l.Code)
			}
		}
		for _, g := range r.Ladder {
			used[g.Drill] = true
		}
	}
	if !reflect.DeepEqual(names, p.RuleCodes) {
		t.Errorf("rules %v, listed %v", names, p.RuleCodes)
	}
	var list []string
	for _, d := range drills.Drills {
		list = append(list, d.Drill)
	}
	if !reflect.DeepEqual(list, p.DrillCodes) {
		t.Errorf("drills %v, listed %v", list, p.DrillCodes)
	}
	if !reflect.DeepEqual(drills.Care, p.CareCodes) {
		t.Errorf("cautions %v, listed %v", drills.Care, p.CareCodes)
	}
	for _, c := range append(append([]string{}, p.ChainCodes...), p.DrillCodes...) {
		if !used[c] {
			t.Errorf("%s is said by no rule", c)
		}
	}
}

func TestCodesHaveWords(t *testing.T) {
	for _, lang := range words.Codes() {
		l, err := words.For(lang)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range p.RuleCodes {
			if _, ok := l.Findings[c]; !ok {
				t.Errorf("%s: no words for rule %s", lang, c)
			}
		}
		for _, c := range p.DrillCodes {
			if l.Drills[c] == (words.Drill{}) {
				t.Errorf("%s: no words for drill %s", lang, c)
			}
		}
		for _, c := range p.CareCodes {
			if l.Care[c] == "" {
				t.Errorf("%s: no words for caution %s", lang, c)
			}
		}
		for _, c := range p.ChainCodes {
			if l.Chains[c] == "" {
				t.Errorf("%s: no words for %s", lang, c)
			}
		}
	}
}
