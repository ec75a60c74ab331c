package words

import (
	"fmt"
	"os"
	"reflect"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"

	"tapeline/pipeline"
)

// Every language has exactly the keys of the English table, and nothing empty.
func TestLanguagesAreComplete(t *testing.T) {
	for _, code := range Codes() {
		l, err := For(code)
		if err != nil {
			t.Fatal(err)
		}
		for _, gap := range gaps(l) {
			t.Errorf("%s: %s", code, gap)
		}
		for _, k := range pipeline.EventKinds {
			if l.Events[k] == "" {
				t.Errorf("%s: no word for %s", code, k)
			}
		}
	}
	if _, err := For("xx"); err == nil {
		t.Error("a language without a table was found")
	}
	// The comparison itself sees what is missing, extra and empty.
	bad := English()
	bad.Bats = map[pipeline.Side]string{pipeline.SideUnknown: "", pipeline.BatsLeft: "left %s", "S": "both"}
	bad.Decimal = ""
	bad.Glossary = bad.Glossary[1:]
	last := len(bad.Glossary)
	if got, want := gaps(bad), []string{
		"Bats[L]: \"left %s\" has other slots than \"bats left\"", "Bats[R] is missing", "Bats[S] has no English", "Bats[] is empty", "Decimal is empty",
		fmt.Sprintf("Glossary[%d].Meaning is missing", last), fmt.Sprintf("Glossary[%d].Word is missing", last),
	}; !slices.Equal(got, want) {
		t.Errorf("gaps are %q, want %q", got, want)
	}
	if a, b := slots("%s %d 5 %%"), slots("%[2]d %[1]s"); !slices.Equal(a, b) {
		t.Errorf("slots %v and %v", a, b)
	}
}

// gaps are the places in which a table differs from the English one.
func gaps(l Lang) (out []string) {
	want, got := map[string]string{}, map[string]string{}
	walk(English(), func(where, s string) { want[where] = s })
	walk(l, func(where, s string) { got[where] = s })
	for k, w := range want {
		switch s, ok := got[k]; {
		case !ok:
			out = append(out, k+" is missing")
		case s == "":
			out = append(out, k+" is empty")
		case !slices.Equal(slots(w), slots(s)):
			out = append(out, fmt.Sprintf("%s: %q has other slots than %q", k, s, w))
		}
	}
	for k := range got {
		if _, ok := want[k]; !ok {
			out = append(out, k+" has no English")
		}
	}
	sort.Strings(out)
	return out
}

// walk visits every text of a language with its place, "Drills[live].Name".
func walk(l Lang, visit func(where, text string)) {
	var into func(where string, v reflect.Value)
	into = func(where string, v reflect.Value) {
		switch v.Kind() {
		case reflect.String:
			visit(where, v.String())
		case reflect.Map:
			for _, k := range v.MapKeys() {
				into(fmt.Sprintf("%s[%v]", where, k), v.MapIndex(k))
			}
		case reflect.Slice, reflect.Array:
			for i := range v.Len() {
				into(fmt.Sprintf("%s[%d]", where, i), v.Index(i))
			}
		case reflect.Struct:
			for i := range v.NumField() {
				if f := v.Type().Field(i); f.IsExported() {
					name := f.Name
					if where != "" {
						name = where + "." + name
					}
					into(name, v.Field(i))
				}
			}
		}
	}
	into("", reflect.ValueOf(l))
}

// slots are the verbs of a text in the order of their arguments: "1s", "2d".
func slots(s string) (out []string) {
	n := 0
	for _, m := range regexp.MustCompile(`%(?:\[(\d+)\])?([a-z%])`).FindAllStringSubmatch(s, -1) {
		if m[2] == "%" {
			continue
		}
		n++
		if m[1] != "" {
			n, _ = strconv.Atoi(m[1])
		}
		out = append(out, fmt.Sprint(n, m[2]))
	}
	sort.Strings(out)
	return out
}

// Whatever other rooms can emit has its words.
func TestCodesHaveWords(t *testing.T) {
	rules, err := os.ReadFile("../../detect/coach/rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`rule: (\w+)`).FindAllSubmatch(rules, -1)
	if len(names) == 0 {
		t.Fatal("no rules found")
	}
	for _, code := range Codes() {
		l, _ := For(code)
		for _, m := range names {
			if _, ok := l.Findings[string(m[1])]; !ok {
				t.Errorf("%s: no words for rule %s", code, m[1])
			}
		}
		for _, list := range [][]string{pipeline.WarningCodes, pipeline.ReasonCodes, pipeline.MeasureCodes} {
			for _, c := range list {
				if l.Warnings[c] == "" {
					t.Errorf("%s: no sentence for %s", code, c)
				}
			}
		}
		for c := range l.Warnings {
			if !slices.Contains(slices.Concat(pipeline.WarningCodes, pipeline.ReasonCodes, pipeline.MeasureCodes), c) {
				t.Errorf("%s: the sentence for %s belongs to no code", code, c)
			}
		}
		for c, help := range l.Help {
			if l.Warnings[c] == "" || Count(help) > 3 {
				t.Errorf("%s: help %q for %s", code, help, c)
			}
		}
		for _, k := range pipeline.MeasureKeys {
			if l.Measures[k].Name == "" {
				t.Errorf("%s: no name for %s", code, k)
			}
		}
	}
}

func measure(v, lo, hi float64, unit string) *pipeline.Measure {
	return &pipeline.Measure{Value: &v, Lo: &lo, Hi: &hi, Unit: unit}
}

// Captions have at most 7 words however long their numbers are.
func TestCaptionsAreShort(t *testing.T) {
	for _, code := range Codes() {
		for _, u := range Systems {
			l, _ := For(code)
			l = l.In(u)
			wide := measure(-123.4, -133.3, -113.5, "cm")
			open := measure(-88, -90, -86, "deg")
			all := []string{
				l.Eyes(wide), l.Eyes(measure(123.4, 122.5, 124.3, "pct_height")), l.Eyes(measure(0, -1, 1, "cm")),
				l.Eyes(measure(12.2, 1, 31, "cm")), l.Eyes(measure(1, -9, 11, "cm")), l.Eyes(measure(2, -1, 5, "cm")), l.Eyes(nil),
				l.EyesShort(wide), l.EyesShort(measure(12.2, 1, 31, "cm")), l.EyesShort(measure(0, -1, 1, "cm")), l.EyesShort(nil),
				l.Foot(open), l.Foot(measure(88, 80, 96, "deg")), l.Foot(measure(0, -9, 9, "deg")), l.Foot(nil),
				l.Foot(&pipeline.Measure{Lo: open.Lo, Hi: wide.Hi}), l.Foot(measure(0, -4, 4, "deg")), l.Foot(measure(50, 20, 88, "deg")),
				l.Head(wide, false), l.Head(measure(123.4, 122, 125, "cm"), false), l.Head(measure(1, -19, 21, "cm"), false), l.Head(measure(0, -1, 1, "cm"), false), l.Head(nil, false),
				l.Head(measure(-12.2, -31, -1, "cm"), false), l.Head(measure(0, -1, 1, "cm"), true), l.Head(measure(12.2, 1, 31, "cm"), false),
				l.Hold(nil), l.Hold(measure(12.34, 12, 13, "s")),
				fmt.Sprintf(l.Captions["tape_at"], l.Value(measure(148, 145, 151, "cm"))),
				fmt.Sprintf(l.Captions["tape_at_pct"], l.Short(87.2, "pct_height", 0)),
			}
			for k, s := range l.Captions {
				if !strings.Contains(s, "%") {
					all = append(all, s)
				} else if n := Count(s); n > 7 {
					t.Errorf("%s: %s is too long before it is filled in: %q", code, k, s)
				}
			}
			for _, s := range all {
				if n := Count(s); n == 0 || n > 7 {
					t.Errorf("%s: %q has %d words", code, s, n)
				}
			}
		}
	}
}

// The captions of findings have at most 7 words too.
func TestFindingsFitCaptions(t *testing.T) {
	for _, code := range Codes() {
		l, _ := For(code)
		for rule, f := range l.Findings {
			for _, s := range []string{l.Cards["good"] + " " + f.Good, l.Cards["first"] + " " + f.Fix, l.Table["also"] + " " + f.Fix} {
				if n := Count(s); n > 7 {
					t.Errorf("%s: %s: %q has %d words", code, rule, s, n)
				}
			}
		}
	}
}

// An end card has at most 20 words whichever findings and drills meet on it.
func TestEndCardIsShort(t *testing.T) {
	for _, code := range Codes() {
		l, _ := For(code)
		longest := func(what string, most int, all []string) (n int) {
			for _, s := range all {
				if Count(s) > most {
					t.Errorf("%s: %s %q has more than %d words", code, what, s, most)
				}
				n = max(n, Count(s))
			}
			return n
		}
		var names, goods, helps []string
		for _, d := range l.Drills {
			names = append(names, d.Name)
		}
		for _, f := range l.Findings {
			goods = append(goods, f.Good)
		}
		for _, s := range l.Help {
			helps = append(helps, s)
		}
		drill, good, help := longest("drill", 6, names), longest("praise", 5, goods), longest("help", 3, append(helps, l.Cards["closer"]))
		rest := max(Count(l.Cards["unsure"]), Count(l.Cards["in_band"]))
		if n := Count(l.Cards["good"]+" "+l.Cards["keep"]) + good + drill + rest; n > 20 {
			t.Errorf("%s: what to keep: %d words", code, n)
		}
		if n := Count(l.Cards["seen"]+" "+l.Cards["unsure_all"]+" "+l.Cards["next"]) + 7 + help; n > 20 {
			t.Errorf("%s: the next clip: %d words", code, n)
		}
		heads := Count(l.Cards["good"]+" "+l.Cards["first"]+" "+l.Cards["drill"]) + drill
		for a, good := range l.Findings {
			for b, first := range l.Findings {
				if n := heads + Count(good.Good) + Count(first.Fix); n > 20 {
					t.Errorf("%s: good %s with priority %s: %d words", code, a, b, n)
				}
				for _, rest := range []string{"unsure", "in_band"} {
					if n := Count(l.Cards["good"]+" "+l.Cards[rest]) + Count(good.Good) + Count(first.Good); n > 20 {
						t.Errorf("%s: good %s and %s: %d words", code, a, b, n)
					}
				}
			}
		}
	}
}

// The clip's first drill has one name, that of its plan's first step.
func TestDrill(t *testing.T) {
	l := English()
	s := &pipeline.Swing{}
	if got := l.Drill(s); got != "" {
		t.Errorf("without a plan: %q", got)
	}
	for code, want := range map[string]string{"tee_high": "High tee", "mirror_tape_lower": "Mirror, tape at eye level", "bunt_often": "bunt often"} {
		s.Plan = &pipeline.Plan{Steps: []pipeline.Step{{Drill: code}, {Drill: "live"}}}
		if got := l.Drill(s); got != want {
			t.Errorf("%s: %q, want %q", code, got, want)
		}
	}
	// With a length to go down, lower.
	m := measure(4, 3, 5, "cm")
	m.Key, m.At = "start_lower", pipeline.Stance
	s.Measures, s.Findings = []pipeline.Measure{*m}, []pipeline.Finding{{Rule: "eye_drop", Kind: pipeline.Priority}}
	s.Plan.Steps[0].Drill = "mirror_tape_lower"
	if got := l.Drill(s); got != "Mirror, start lower" {
		t.Errorf("with a length: %q", got)
	}
}

// The one thing to film better: what most doubts ask for; only where nothing
// at all was judged.
func TestNextClip(t *testing.T) {
	l := English()
	at := func(kind string, codes ...string) (pipeline.Finding, pipeline.Measure) {
		key := strings.Join(append([]string{"m"}, codes...), "_")
		return pipeline.Finding{Rule: key, Kind: kind, Evidence: []string{key + "@contact"}}, pipeline.Measure{Key: key, At: pipeline.Contact, Warnings: codes}
	}
	swing := func(kind string, codes ...[]string) *pipeline.Swing {
		s := &pipeline.Swing{}
		for _, c := range codes {
			f, m := at(kind, c...)
			s.Findings, s.Measures = append(s.Findings, f), append(s.Measures, m)
		}
		return s
	}
	for _, c := range []struct {
		name     string
		s        *pipeline.Swing
		warnings []string
		want     string
	}{
		{"nothing said", swing(pipeline.CantTell), []string{"dark"}, ""},
		{"something is praised", swing(pipeline.Strength, []string{"along_view"}), nil, ""},
		{"something to work on", swing(pipeline.Priority, []string{"along_view"}), nil, ""},
		{"most", swing(pipeline.CantTell, []string{"clip_ends_early"}, []string{"along_view"}, []string{"nod_assumed", "along_view"}), nil, "along_view"},
		{"the first of as many", swing(pipeline.CantTell, []string{"clip_ends_early"}, []string{"along_view"}), nil, "clip_ends_early"},
		{"what nobody can do better", swing(pipeline.CantTell, []string{"nod_assumed"}, []string{"nod_assumed", "face_unseen"}), nil, "face_unseen"},
		{"the clip's", swing(pipeline.CantTell, []string{}), []string{"others_in_picture", "dark"}, "dark"},
		{"the clip's with a measure's", swing(pipeline.CantTell, []string{"stance_cut"}, []string{"clip_ends_early"}), []string{"clip_ends_early"}, "clip_ends_early"},
	} {
		rep := &pipeline.Report{}
		for _, w := range c.warnings {
			rep.Warnings = append(rep.Warnings, pipeline.Warning{Code: w})
		}
		short, why := l.NextClip(rep, c.s)
		if short != l.Help[c.want] || why != l.Warnings[c.want] {
			t.Errorf("%s: %q %q, want those of %q", c.name, short, why, c.want)
		}
	}
	if short, why := l.NextClip(&pipeline.Report{}, swing(pipeline.CantTell, []string{})); short != "go closer" || !strings.HasSuffix(why, "tells more.") {
		t.Errorf("only wide bounds: %q %q", short, why)
	}
}

// What the coach wrote is shown whole where it fits, and marked where it was cut.
func TestCut(t *testing.T) {
	l := English()
	for _, c := range []struct{ got, want string }{
		{Cut("hands  stay\nback", 5), "hands stay back"},
		{Cut("one two three four five", 5), "one two three four five"},
		{Cut("one two, three four", 2), "one two…"},
		{l.Said(pipeline.Finding{Rule: "coach", Kind: pipeline.Priority, Text: "Wait for it, then go through the middle."}), "Work on: Wait for it, then go…"},
		{l.Said(pipeline.Finding{Rule: "coach", Kind: pipeline.Strength, Text: "Nice calm feet"}), "Good: Nice calm feet"},
		{l.Said(pipeline.Finding{Rule: "hands_start", Kind: pipeline.Secondary}), "Also: hands start too low"},
		{l.Said(pipeline.Finding{Rule: "hands_start", Kind: pipeline.CantTell}), ""},
		{l.Lower(measure(3.94, 2.6, 5.3, "cm")), "Start 4 cm lower"},
		{l.Lower(measure(2.6, .6, 7.9, "cm")), "Start 1–8 cm lower"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestNumbers(t *testing.T) {
	l := English()
	lo, hi := 15.0, 60.0
	for _, c := range []struct{ got, want string }{
		{l.Number(-0.04, 1), "0.0"},
		{l.Number(-0.17, 2), "−0.17"},
		{l.Value(measure(7.94, 7.1, 8.78, "cm")), "7.9 ±0.8 cm"},
		{l.Value(measure(7.94, 5.9, 9.98, "cm")), "8 ±2 cm"},
		{l.Value(measure(30, 28, 45, "deg")), "30° (28–45°)"},
		{l.Value(&pipeline.Measure{Lo: &lo, Hi: &hi, Unit: "deg"}), "15–60°"},
		{l.Value(&pipeline.Measure{Unit: "cm"}), "can't tell"},
		{l.Value(nil), "can't tell"},
		{l.Range(-20, 35, "deg"), "−20 to 35°"},
		{l.Time(-0.166, 0.005), "−0.17 s"},
		{l.Time(-0.166, 0.033), "−0.2 s"},
		{l.Time(0.32, 0.01), "+0.32 s"},
		{l.Time(-0.001, 0.01), "0.00 s"},
		{l.Long(4.4, "pct_height", 1), "4.4 % of height"},
		{l.Date("2026-05-03"), "3 May 2026"},
		{l.Date("spring"), "spring"},
		{l.Eyes(measure(7.94, 7.1, 8.8, "cm")), "Eyes 7.9 cm below the tape"},
		{l.Eyes(measure(-3, -3.8, -2.2, "cm")), "Eyes 3.0 cm above the tape"},
		{l.Eyes(measure(0.7, -0.1, 1.5, "cm")), "Eyes stay at the tape"},
		{l.Eyes(measure(2, -1, 5, "cm")), "Eyes near the tape"},
		{l.Eyes(measure(5.6, 1.5, 14.6, "cm")), "Eyes 2–15 cm below the tape"},
		{l.Eyes(measure(5.6, -1.5, 14.6, "cm")), "Eyes −2 to 15 cm below tape"},
		{l.Head(measure(-4, -9, -1, "cm"), false), "Head 1–9 cm behind back knee"},
		{l.Head(measure(1, -3, 4, "cm"), false), "Head over the back knee"},
		{l.Head(measure(1, -3, 4, "cm"), true), "Head near the back knee"},
		{l.Value(measure(7, 2.8, 11.1, "cm")), "3–11 cm"},
		{l.Value(measure(-4, -10, 2, "cm")), "−10 to 2 cm"},
		{l.Value(measure(0.4, -0.9, 1.7, "cm")), "0 ±1 cm"},
		{l.Balls(1.5, ""), ""},
		{l.Balls(2.2, ""), "about half a baseball wide"},
		{l.Balls(8.9, ""), "about 1 baseball wide"},
		{l.Balls(11.8, ""), "about 1.5 baseballs wide"},
		{l.Balls(15.6, ""), "about 2 baseballs wide"},
		{l.Balls(9.7, pipeline.Softball), "about 1 softball wide"}, // 12 in round: 9.7 cm across
		{l.Balls(5, pipeline.Softball), "about half a softball wide"},
		{l.Balls(14.6, pipeline.Softball), "about 1.5 softballs wide"},
		{l.MeasureName(&pipeline.Measure{Key: "eye_drop", From: "stance", At: "contact"}), "Eye drop, stance to contact"},
		{l.Warning(pipeline.Warning{Code: "no_such_code", Detail: "x"}), "no such code (x)"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
	comma := English()
	comma.Decimal = ","
	if got := comma.Value(measure(7.94, 7.1, 8.78, "cm")); got != "7,9 ±0,8 cm" {
		t.Errorf("decimal comma: %q", got)
	}
}
