package coach

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"github.com/go-viper/mapstructure/v2"
	"go.yaml.in/yaml/v3"

	p "tapeline/pipeline"
)

//go:embed rules.yaml
var embedded []byte

// Rule is one rule of the file; rules.yaml explains every key. Min and Max
// bound the band in Unit; at least one is set. Origin is where the limit comes
// from: P published, C computed, K common practice, M memory.
type Rule struct {
	Rule    string      `mapstructure:"rule"`
	Measure string      `mapstructure:"measure"`
	From    p.EventKind `mapstructure:"from"`
	At      p.EventKind `mapstructure:"at"`
	Unit    string      `mapstructure:"unit"`
	Min     *float64    `mapstructure:"min"`
	Max     *float64    `mapstructure:"max"`
	Origin  string      `mapstructure:"origin"`
	Setting bool        `mapstructure:"setting"`

	Levels map[p.Level]Limit `mapstructure:"levels"`
	Sports map[p.Sport]Limit `mapstructure:"sports"`

	Effect    float64  `mapstructure:"effect"`
	Step      float64  `mapstructure:"step"`
	Praise    bool     `mapstructure:"praise"`
	PraiseMin *float64 `mapstructure:"praise_min"`
	PraiseMax *float64 `mapstructure:"praise_max"`
	Follows   []string `mapstructure:"follows"`
	Chain     []Link   `mapstructure:"chain"`
	Ladder    []Rung   `mapstructure:"ladder"`

	// Say and Good are the words of a rule that an academy added.
	Say  string `mapstructure:"say"`
	Good string `mapstructure:"good"`

	own   bool // the band is the academy's
	added bool // the rule is the academy's
}

// Limit is a band for one level or sport, with its own origin.
type Limit struct {
	Min     *float64 `mapstructure:"min"`
	Max     *float64 `mapstructure:"max"`
	Origin  string   `mapstructure:"origin"`
	Setting bool     `mapstructure:"setting"`

	own bool
}

// Link is one code of a chain of causes; it is said when all of When holds.
type Link struct {
	Code string      `mapstructure:"code"`
	When []Condition `mapstructure:"when"`
}

// Condition is the fault of another rule, or a measure: its interval inside
// Min and Max (in its own unit), or its value Over or up to Upto times the
// value of the measure Of at the same moment.
type Condition struct {
	Rule    string      `mapstructure:"rule"`
	Measure string      `mapstructure:"measure"`
	From    p.EventKind `mapstructure:"from"`
	At      p.EventKind `mapstructure:"at"`
	Min     *float64    `mapstructure:"min"`
	Max     *float64    `mapstructure:"max"`
	Of      string      `mapstructure:"of"`
	Over    *float64    `mapstructure:"over"`
	Upto    *float64    `mapstructure:"upto"`
}

// Rung is one drill of a ladder, taken when its codes were said or not.
type Rung struct {
	Drill  string `mapstructure:"drill"`
	If     string `mapstructure:"if"`
	Unless string `mapstructure:"unless"`
}

// ownLimit is the largest file of rules that is read, bytes.
const ownLimit = 1 << 18

// RulesFile gives the shipped rules under those of an academy's file; an empty
// path gives the shipped ones. The error is a *pipeline.Error of one line that
// names the file and the dotted path.
func RulesFile(path string) ([]Rule, error) {
	if path == "" {
		return Rules(nil)
	}
	fail := func(what string, err error) error {
		return &p.Error{Fault: p.FaultUsage, Step: "judge", Path: path, What: what, Err: err}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fail("the rules can't be read", err)
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || !st.Mode().IsRegular() {
		return nil, fail("is no file of rules", err)
	}
	b, err := io.ReadAll(io.LimitReader(f, ownLimit+1))
	if err != nil {
		return nil, fail("the rules can't be read", err)
	}
	if len(b) > ownLimit {
		return nil, fail("is too large for rules", nil)
	}
	rules, err := Rules(b)
	if err != nil {
		return nil, fail(err.Error(), err)
	}
	return rules, nil
}

// Rules reads an academy's own rules strictly and lays them over the shipped
// ones; nil gives the shipped ones. The error is one line that begins with the
// dotted path of what is wrong.
func Rules(own []byte) ([]Rule, error) {
	raws, err := raw(embedded)
	if err != nil {
		return nil, fmt.Errorf("rules.yaml: %w", err)
	}
	shipped := len(raws)
	var marks map[string]map[string]any // own keys by rule
	if own != nil {
		if raws, marks, err = overlay(raws, own); err != nil {
			return nil, err
		}
	}
	rules := make([]Rule, len(raws))
	for i, m := range raws {
		at := "rules." + m["rule"].(string)
		if err := decode(at, m, &rules[i]); err != nil {
			return nil, err
		}
		rules[i].mark(marks[rules[i].Rule])
		rules[i].added = i >= shipped
		if err := rules[i].check(at); err != nil {
			return nil, err
		}
	}
	return rules, related(rules)
}

// raw reads a file of rules down to the keys of each; every one has a name.
func raw(b []byte) ([]map[string]any, error) {
	var doc any
	d := yaml.NewDecoder(bytes.NewReader(b))
	if err := d.Decode(&doc); err != nil && !errors.Is(err, io.EOF) {
		return nil, errors.New(strings.TrimPrefix(strings.Join(strings.Fields(err.Error()), " "), "yaml: "))
	}
	if err := d.Decode(new(any)); !errors.Is(err, io.EOF) {
		return nil, errors.New("holds more than one document")
	}
	var f struct {
		Rules []map[string]any `mapstructure:"rules"`
	}
	if err := decode("", doc, &f); err != nil {
		return nil, err
	}
	if len(f.Rules) == 0 {
		return nil, errors.New("rules: holds none")
	}
	seen := map[string]bool{}
	for i, m := range f.Rules {
		name, ok := m["rule"].(string)
		switch {
		case !ok || !codeForm.MatchString(name):
			return nil, fmt.Errorf("rules[%d].rule: %v is no rule's name; small letters, digits and _", i, quoted(m["rule"]))
		case name == coachRule:
			return nil, fmt.Errorf("rules.%s: the name stands for the coach's own words", name)
		case seen[name]:
			return nil, fmt.Errorf("rules.%s: stands twice", name)
		}
		seen[name] = true
	}
	return f.Rules, nil
}

var codeForm = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

func quoted(v any) string {
	if v == nil || fmt.Sprint(v) == "" {
		return "nothing"
	}
	return fmt.Sprintf("%q", fmt.Sprint(v))
}

// fixed are the keys that make a shipped rule what its words say.
var fixed = []string{"measure", "from", "at", "unit", "say", "good"}

// overlay lays an academy's rules over the shipped ones by name and adds its
// new ones at the end; own are its keys by rule.
func overlay(shipped []map[string]any, b []byte) (out []map[string]any, own map[string]map[string]any, err error) {
	mine, err := raw(b)
	if err != nil {
		return nil, nil, err
	}
	out, own = slices.Clone(shipped), map[string]map[string]any{}
	for _, m := range mine {
		name := m["rule"].(string)
		own[name] = m
		fill(m)
		i := slices.IndexFunc(out, func(s map[string]any) bool { return s["rule"] == name })
		if i < 0 {
			out = append(out, m)
			continue
		}
		for _, k := range fixed {
			if _, ok := m[k]; ok {
				return nil, nil, fmt.Errorf("rules.%s.%s: can't be changed in a shipped rule; add one of another name", name, k)
			}
		}
		merged := maps.Clone(out[i])
		if limits(m) {
			for _, k := range []string{"min", "max", "origin", "setting", "levels", "sports"} {
				delete(merged, k)
			}
		}
		for k, v := range m {
			if was, ok := merged[k].(map[string]any); ok { // levels, sports
				if is, ok := v.(map[string]any); ok {
					was = maps.Clone(was)
					maps.Copy(was, is)
					v = was
				}
			}
			merged[k] = v
		}
		out[i] = merged
	}
	return out, own, nil
}

func limits(m map[string]any) bool {
	_, lo := m["min"]
	_, hi := m["max"]
	return lo || hi
}

// fill says of an academy's own limits what it need not say itself: they are
// its setting, and common practice.
func fill(m map[string]any) {
	if limits(m) {
		for k, v := range map[string]any{"origin": "K", "setting": true} {
			if _, ok := m[k]; !ok {
				m[k] = v
			}
		}
	}
	for _, k := range []string{"levels", "sports"} {
		by, _ := m[k].(map[string]any)
		for _, v := range by {
			if l, ok := v.(map[string]any); ok {
				fill(l)
			}
		}
	}
}

// mark notes which limits the academy's keys set.
func (r *Rule) mark(keys map[string]any) {
	r.own = limits(keys)
	levels, _ := keys["levels"].(map[string]any)
	for k := range levels {
		l := r.Levels[p.Level(k)]
		l.own = true
		r.Levels[p.Level(k)] = l
	}
	sports, _ := keys["sports"].(map[string]any)
	for k := range sports {
		l := r.Sports[p.Sport(k)]
		l.own = true
		r.Sports[p.Sport(k)] = l
	}
}

// decode fills out from v strictly; the error is the first one by its path.
func decode(at string, v, out any) error {
	d, err := mapstructure.NewDecoder(&mapstructure.DecoderConfig{Result: out, ErrorUnused: true})
	if err != nil {
		return err
	}
	if err = d.Decode(v); err == nil {
		return nil
	}
	var lines []string
	leaves(err, func(e *mapstructure.DecodeError) { lines = append(lines, located(at, e)) })
	if len(lines) == 0 {
		return fmt.Errorf("%s: %s", at, strings.Join(strings.Fields(err.Error()), " "))
	}
	slices.Sort(lines)
	return errors.New(lines[0])
}

// leaves calls f for the innermost errors that know their place.
func leaves(err error, f func(*mapstructure.DecodeError)) (found bool) {
	switch u := err.(type) {
	case interface{ Unwrap() []error }:
		for _, e := range u.Unwrap() {
			found = leaves(e, f) || found
		}
	case interface{ Unwrap() error }:
		if u.Unwrap() != nil {
			found = leaves(u.Unwrap(), f)
		}
	}
	if e, ok := err.(*mapstructure.DecodeError); ok && !found {
		f(e)
		found = true
	}
	return found
}

// kinds as a person names them.
var kinds = map[reflect.Kind]string{reflect.Float64: "a number", reflect.Int: "a whole number", reflect.Bool: "true or false", reflect.String: "text",
	reflect.Map: "a group of keys with their values"}

var inKey = regexp.MustCompile(`\[([a-z]\w*)\]`)

func located(at string, e *mapstructure.DecodeError) string {
	path := at
	if e.Name() != "" {
		path = strings.TrimPrefix(at+"."+inKey.ReplaceAllString(e.Name(), ".$1"), ".")
	}
	what := e.Unwrap().Error()
	var odd *mapstructure.UnconvertibleTypeError
	switch keys, unknown := strings.CutPrefix(what, "has invalid keys: "); {
	case unknown:
		first, _, _ := strings.Cut(keys, ",")
		return strings.TrimPrefix(path+"."+first, ".") + ": unknown key"
	case errors.As(e, &odd):
		what = fmt.Sprintf("%v is not %s", quoted(odd.Value), kinds[odd.Expected.Kind()])
	case strings.HasPrefix(what, "source data must be"):
		what = "is not a list"
	case strings.HasPrefix(what, "expected a map"):
		what = "is not " + kinds[reflect.Map]
	}
	if path == "" {
		return "not a file of rules: " + what
	}
	return path + ": " + what
}

// number is one of a rule's, nil where it isn't set.
type number struct {
	key string
	v   *float64
}

// finite refuses numbers that YAML knows and no swing has.
func finite(at string, all ...number) error {
	for _, n := range all {
		if n.v != nil && (math.IsNaN(*n.v) || math.IsInf(*n.v, 0)) {
			return fmt.Errorf("%s.%s: %g is no number to judge by", at, n.key, *n.v)
		}
	}
	return nil
}

var origins = []string{"P", "C", "K", "M"}

// longestSaid is how long the sentence of an added rule may be, runes.
const longestSaid = 200

// check a rule by itself; at is its dotted path.
func (r *Rule) check(at string) error {
	bad := func(key, form string, args ...any) error {
		return fmt.Errorf(at+"."+key+": "+form, args...)
	}
	if err := known(at, r.Measure, r.From, r.At); err != nil {
		return err
	}
	if unit := p.MeasureForms[r.Measure].Unit; r.Unit != unit {
		return bad("unit", "%s is measured in %s, not %s", r.Measure, quoted(unit), quoted(r.Unit))
	}
	if err := (Limit{r.Min, r.Max, r.Origin, r.Setting, r.own}).check(at); err != nil {
		return err
	}
	for _, k := range slices.Sorted(maps.Keys(r.Levels)) {
		if !slices.Contains(p.Levels, k) {
			return bad("levels."+string(k), "no such level; there are %v", p.Levels)
		}
		if err := r.Levels[k].check(at + ".levels." + string(k)); err != nil {
			return err
		}
	}
	for _, k := range slices.Sorted(maps.Keys(r.Sports)) {
		if !slices.Contains(p.Sports, k) {
			return bad("sports."+string(k), "no such sport; there are %v", p.Sports)
		}
		if err := r.Sports[k].check(at + ".sports." + string(k)); err != nil {
			return err
		}
	}
	numbers := []number{{"effect", &r.Effect}, {"step", &r.Step}, {"praise_min", r.PraiseMin}, {"praise_max", r.PraiseMax}}
	if err := finite(at, numbers...); err != nil {
		return err
	}
	for i, n := range numbers {
		switch praise := i > 1; {
		case n.v != nil && praise && !r.Praise:
			return bad(n.key, "means nothing without praise: true")
		case !praise && *n.v <= 0:
			return bad(n.key, "must be more than 0")
		}
	}
	for _, s := range []struct {
		key, text string
		needed    bool
	}{{"say", r.Say, r.added}, {"good", r.Good, r.added && r.Praise}} {
		switch {
		case s.needed && strings.TrimSpace(s.text) == "":
			return bad(s.key, "a new rule needs its sentence")
		case len([]rune(s.text)) > longestSaid:
			return bad(s.key, "is longer than %d characters", longestSaid)
		case strings.ContainsFunc(s.text, unicode.IsControl):
			return bad(s.key, "holds characters that can't be printed")
		}
	}
	codes := map[string]bool{}
	for i, l := range r.Chain {
		key := fmt.Sprintf("chain[%d]", i)
		if !slices.Contains(p.ChainCodes, l.Code) {
			return bad(key+".code", "%s is no code of a chain; there are %v", quoted(l.Code), p.ChainCodes)
		}
		codes[l.Code] = true
		for j, c := range l.When {
			if err := c.check(fmt.Sprintf("%s.%s.when[%d]", at, key, j)); err != nil {
				return err
			}
		}
	}
	return ladderFits(at, r.Ladder, codes)
}

// known checks that a measure is taken at a moment.
func known(at, measure string, from, to p.EventKind) error {
	form, ok := p.MeasureForms[measure]
	if !ok {
		return fmt.Errorf("%s.measure: %s is no measure; there are %v", at, quoted(measure), p.MeasureKeys)
	}
	for i, k := range []p.EventKind{to, from} {
		if (k != "" || i == 0) && !slices.Contains(p.EventKinds, k) {
			return fmt.Errorf("%s.%s: %s is no phase; there are %v", at, []string{"at", "from"}[i], quoted(k), p.EventKinds)
		}
	}
	if is := (p.Moment{From: from, At: to}); !slices.Contains(form.Moments, is) {
		var all []string
		for _, m := range form.Moments {
			all = append(all, moment(m))
		}
		return fmt.Errorf("%s.at: %s is not measured %s; it is %s", at, measure, moment(is), strings.Join(all, ", "))
	}
	return nil
}

func moment(m p.Moment) string {
	if m.From == "" {
		return "at " + string(m.At)
	}
	return fmt.Sprintf("from %s to %s", m.From, m.At)
}

func (l Limit) check(at string) error {
	if l.Min == nil && l.Max == nil {
		return fmt.Errorf("%s: min or max is needed", at)
	}
	if err := finite(at, number{"min", l.Min}, number{"max", l.Max}); err != nil {
		return err
	}
	if l.Min != nil && l.Max != nil && *l.Min >= *l.Max {
		return fmt.Errorf("%s.min: %g is not below max %g", at, *l.Min, *l.Max)
	}
	if !slices.Contains(origins, l.Origin) {
		return fmt.Errorf("%s.origin: %s is not P, C, K or M", at, quoted(l.Origin))
	}
	return nil
}

func (c Condition) check(at string) error {
	if c.Rule != "" {
		if c != (Condition{Rule: c.Rule}) {
			return fmt.Errorf("%s: a rule's fault has no other condition beside it", at)
		}
		return nil
	}
	if err := known(at, c.Measure, c.From, c.At); err != nil {
		return err
	}
	share, band := c.Over != nil || c.Upto != nil, c.Min != nil || c.Max != nil
	switch {
	case share == band, share != (c.Of != ""):
		return fmt.Errorf("%s: needs min or max, or the measure `of` with over or upto", at)
	case share && p.MeasureForms[c.Of].Unit != p.MeasureForms[c.Measure].Unit:
		return fmt.Errorf("%s.of: %s is no measure in %s", at, quoted(c.Of), p.MeasureForms[c.Measure].Unit)
	case share && !slices.Contains(p.MeasureForms[c.Of].Moments, p.Moment{From: c.From, At: c.At}):
		return fmt.Errorf("%s.of: %s is not measured %s", at, c.Of, moment(p.Moment{From: c.From, At: c.At}))
	}
	return finite(at, number{"min", c.Min}, number{"max", c.Max}, number{"over", c.Over}, number{"upto", c.Upto})
}

// related checks what rules say of each other: every one that is named exists,
// and none follows itself, however far around.
func related(rules []Rule) error {
	byName := map[string]*Rule{}
	for i := range rules {
		byName[rules[i].Rule] = &rules[i]
	}
	var follows func(r *Rule, seen []string) bool
	follows = func(r *Rule, seen []string) bool {
		if slices.Contains(seen, r.Rule) {
			return r.Rule == seen[0]
		}
		for _, f := range r.Follows {
			if follows(byName[f], append(slices.Clone(seen), r.Rule)) {
				return true
			}
		}
		return false
	}
	for _, r := range rules {
		for i, f := range r.Follows {
			if byName[f] == nil {
				return fmt.Errorf("rules.%s.follows[%d]: there is no rule %s", r.Rule, i, quoted(f))
			}
		}
		for i, l := range r.Chain {
			for j, c := range l.When {
				if c.Rule != "" && byName[c.Rule] == nil {
					return fmt.Errorf("rules.%s.chain[%d].when[%d].rule: there is no rule %s", r.Rule, i, j, quoted(c.Rule))
				}
			}
		}
	}
	for i := range rules {
		if follows(&rules[i], nil) {
			return fmt.Errorf("rules.%s.follows: comes round to itself", rules[i].Rule)
		}
	}
	return nil
}

// limit is the band for a level and sport: the level's before the sport's
// before that of all.
func (r *Rule) limit(level p.Level, sport p.Sport) Limit {
	if sport == p.SportUnknown {
		sport = p.Baseball
	}
	l, ok := r.Levels[level]
	s, of := r.Sports[sport]
	switch {
	case of && s.own && !l.own: // what the academy set goes before what was shipped
		return s
	case ok:
		return l
	case of:
		return s
	}
	return Limit{r.Min, r.Max, r.Origin, r.Setting, r.own}
}

// band is what the report says of the rule's limit.
func (r *Rule) band(level p.Level, sport p.Sport) p.Band {
	l := r.limit(level, sport)
	return p.Band{Rule: r.Rule, Key: r.Measure, From: r.From, At: r.At, Unit: r.Unit,
		Min: l.Min, Max: l.Max, Origin: l.Origin, Setting: l.Setting, Own: l.own}
}
