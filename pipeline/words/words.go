// Package words holds every sentence a person reads: names of the phases,
// captions, names of measures with their explanation, warnings, findings and
// cards. A language is one file with one table; english.go shows how. Code
// elsewhere passes keys, codes and numbers, never text.
package words

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"tapeline/pipeline"
	"tapeline/pipeline/field"
)

// Lang is one language. Every map of a table must have the keys of the
// English one; a test compares them.
type Lang struct {
	Code    string // "en"
	Decimal string // decimal sign

	Events   map[pipeline.EventKind]string
	Moments  map[pipeline.EventKind]Moment
	Views    map[pipeline.View]string
	Bats     map[pipeline.Side]string
	Units    map[string]Unit
	Captions map[string]string // at most 7 words each when filled in
	Cards    map[string]string
	Table    map[string]string // of the printed table
	Measures map[string]Measure
	Findings map[string]Finding
	Warnings map[string]string // sentence by code
	Help     map[string]string // what to film differently, at most 3 words, by code of Warnings
	Standing map[string]string // where a value stands, one or two words
	Gains    map[string]string // what is better: amount, day; without a rule of its own also the measure
	Drills   map[string]Drill  // by code of the drill plan
	Care     map[string]string // a caution by code, a whole sentence
	Chains   map[string]string // what leads to what, a clause by code
	Page     map[string]string // of the lesson's page
	Progress map[string]string // of progress, comparisons and exports
	// Work are the words of the inbox and its queue: states, reasons.
	Work map[string]string
	Mail map[string]string // of the letter to a family
	// Outbox are the words of releasing and sending: states, reasons, questions.
	Outbox map[string]string
	// Leaving are the words of what may leave of a lesson.
	Leaving map[string]string
	// Desk are the words of the coach's desk.
	Desk map[string]string
	// NumberCards are the words of the sheet of number cards.
	NumberCards map[string]string
	Glossary    []Term // words of the trade, explained
	Months      [12]string
	DateForm    string // "%[1]d %[2]s %[3]d": day, month, year

	imperial bool // see In
}

// Moment is a phase within a sentence: "at contact", "stance", "to contact".
type Moment struct{ At, From, To string }

// Unit is how an amount is written: Short in a caption, Long in a table. %s
// is the number.
type Unit struct{ Short, Long string }

// Measure names one measure and says what it is in one sentence.
type Measure struct{ Name, Explain string }

// Drill is one step of the ladder: what to set up, what to do, what passing
// it looks like. A whole sentence each but for Name, of at most 6 words.
type Drill struct{ Name, SetUp, Do, Look, Safety string }

// Term is a word of the trade and what it means.
type Term struct{ Word, Meaning string }

// Finding has the words of one rule. Good, of at most 5 words, and Fix go on the
// end card, which has at most 20 words with its headings, and behind their
// heading into a caption of at most 7.
type Finding struct {
	Good string // what is right, for a strength
	Fix  string // what to work on, for a priority
	Say  string // a full sentence of what was seen
	Cue  string // what to think of while doing it
}

var languages = map[string]Lang{}

// For finds a language by its code ("en").
func For(code string) (Lang, error) {
	if l, ok := languages[code]; ok {
		return l.In(Metric), nil
	}
	return Lang{}, fmt.Errorf("no words for language %q; there are %s", code, strings.Join(Codes(), ", "))
}

// English is the language every other is measured against.
func English() Lang { return english.In(Metric) }

// Codes lists the languages there are, sorted.
func Codes() []string {
	var out []string
	for c := range languages {
		out = append(out, c)
	}
	sort.Strings(out)
	return out
}

// Number writes v with so many decimals and a true minus sign.
func (l Lang) Number(v float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if strings.Trim(s, "0.") != "" && v < 0 {
		s = "−" + s
	}
	return strings.Replace(s, ".", l.Decimal, 1)
}

// Short writes a number with its unit as in a caption: "7.9 cm". The number is
// in unit, the decimals are those of the reader's unit.
func (l Lang) Short(v float64, unit string, decimals int) string {
	v, unit = l.To(v, unit)
	return l.fill(l.Units[unit].Short, l.Number(v, decimals))
}

// Long writes a number with its unit as in a table: "4.4 % of height".
func (l Lang) Long(v float64, unit string, decimals int) string {
	v, unit = l.To(v, unit)
	return l.fill(l.Units[unit].Long, l.Number(v, decimals))
}

func (l Lang) fill(form, number string) string {
	if form == "" {
		return number
	}
	return fmt.Sprintf(form, number)
}

// Doubtful writes a number with its half width: "7.9 ±0.8 cm".
func (l Lang) Doubtful(v, doubt float64, unit string) string {
	return l.doubtful(v, doubt, unit, l.Decimals(unit, doubt))
}

// vague holds for each unit the half width of bounds below which a value may
// be written with its ± however small the value is itself.
var vague = map[string]float64{"cm": 2, "pct_height": 2, "deg": 10, "ratio": 0.1, "s": 0.1}

// Vague is true where a measure's doubt is so large beside its value that only
// the bounds should be said.
func Vague(m *pipeline.Measure) bool {
	if m == nil || m.Value == nil || m.Lo == nil || m.Hi == nil {
		return false
	}
	doubt := (*m.Hi - *m.Lo) / 2
	if m.Unit == "deg" && doubt > 15 { // more than a coach would call a number
		return true
	}
	return doubt > vague[m.Unit] && doubt > 0.5*math.Abs(*m.Value)
}

// Value writes a measure: "7.9 ±0.8 cm", "3–11 cm" where the doubt is large
// beside the value, "50° (32–90°)" where the bounds are lopsided, "rises 2 ±1
// cm" of a drop that surely is none, or the words for "can't tell". Beside a
// band: Against.
func (l Lang) Value(m *pipeline.Measure) string { return l.Against(m, nil) }

// BallWidth is how wide the sport's ball is: "7.4 cm".
func (l Lang) BallWidth(sport pipeline.Sport) string {
	width, _ := ball(sport)
	return l.Short(width, "cm", 1)
}

// ball is the width of the sport's ball, cm, and its key.
func ball(sport pipeline.Sport) (width float64, key string) {
	if sport == pipeline.Softball {
		return field.Softball12, "softball"
	}
	return field.Baseball, "baseball"
}

// Balls says how many widths of the sport's ball a length of so many
// centimetres has, to the nearest half, "about 1 baseball wide"; below a
// quarter it says nothing.
func (l Lang) Balls(cm float64, sport pipeline.Sport) string {
	width, ball := ball(sport)
	switch halves := math.Round(2 * cm / width); {
	case halves < 1:
		return ""
	case halves == 1:
		return l.Table["half_"+ball]
	case halves == 2:
		return l.Table["one_"+ball]
	default:
		return fmt.Sprintf(l.Table[ball+"s"], l.Number(halves/2, int(halves)%2))
	}
}

// Range writes bounds: "15–60°".
func (l Lang) Range(lo, hi float64, unit string) string {
	return l.span(lo, hi, unit, l.Decimals(unit, (hi-lo)/2))
}

// Time writes seconds before or after contact in capture time, "−0.17 s";
// doubt is the half width of the bounds of contact. Past 20 ms of doubt it is
// written to a tenth.
func (l Lang) Time(sec, doubt float64) string {
	d := 2
	if doubt > 0.02 {
		d = 1
	}
	n := l.Number(sec, d)
	if !strings.HasPrefix(n, "−") && strings.Trim(n, "0.,") != "" {
		n = "+" + n
	}
	return l.fill(l.Units["s"].Short, n)
}

// Warning is the sentence for a code; a code without one is shown as it is.
func (l Lang) Warning(w pipeline.Warning) string {
	s, ok := l.Warnings[w.Code]
	if !ok {
		s = strings.ReplaceAll(w.Code, "_", " ")
	}
	if w.Detail == "" {
		return s
	}
	// The detail belongs to what was seen, not to the advice after it.
	if seen, advice, ok := strings.Cut(s, "."); ok {
		return seen + " (" + w.Detail + ")." + advice
	}
	return s + " (" + w.Detail + ")"
}

// Why is the sentence for a reason of the queue with its detail behind it.
func (l Lang) Why(reason, detail string) string {
	s, ok := l.Work[reason]
	if !ok {
		s = strings.ReplaceAll(reason, "_", " ")
	}
	if detail = strings.Join(strings.Fields(detail), " "); detail != "" {
		s += " (" + detail + ")"
	}
	return s
}

// ownMoment are the measures whose name already says when.
var ownMoment = map[string]bool{
	"eye_height": true, "head_after": true, "finish_hold": true, "stance_knee_front": true, "stance_knee_back": true,
	"hands_start": true, "hands_start_ratio": true, "stride_length": true, "stride_length_pct": true,
	"start_lower": true, "tape_height": true, "start_lower_knee_front": true, "start_lower_knee_back": true,
	"start_lower_more_front": true, "start_lower_more_back": true, "decision_time": true,
}

// MeasureName names a measure with its span: "eye drop, stance to contact".
func (l Lang) MeasureName(m *pipeline.Measure) string {
	name := l.Measures[m.Key].Name
	if name == "" {
		name = strings.ReplaceAll(m.Key, "_", " ")
	}
	switch {
	case ownMoment[m.Key]:
		return name
	case m.From != "" && m.At != "":
		return name + ", " + l.Moments[m.From].From + " " + l.Moments[m.At].To
	case m.At != "":
		return name + ", " + l.Moments[m.At].At
	}
	return name
}

// Date writes 2026-05-03 as a person would; anything else is left as it is.
func (l Lang) Date(iso string) string {
	var y, m, d int
	if n, _ := fmt.Sscanf(iso, "%d-%d-%d", &y, &m, &d); n != 3 || m < 1 || m > 12 {
		return iso
	}
	return fmt.Sprintf(l.DateForm, d, l.Months[m-1], y)
}

// Eyes is the caption for a fall of the eyes. "At the tape" is said only when
// the bounds reach zero and nowhere far from it.
func (l Lang) Eyes(m *pipeline.Measure) string {
	return l.eyes(m, "eyes_level", "eyes_below", "eyes_above", "eyes_unsure", "eyes_cant_tell")
}

// EyesShort is the same for the narrow space under a still.
func (l Lang) EyesShort(m *pipeline.Measure) string {
	return l.eyes(m, "still_level", "still_lower", "still_higher", "still_lower", "still_cant_tell")
}

func (l Lang) eyes(m *pipeline.Measure, level, below, above, unsure, untold string) string {
	if m == nil || m.Value == nil {
		return l.Captions[untold]
	}
	amount, near, zero := l.amount(m, 3)
	switch {
	case zero && near:
		return l.Captions[level]
	case zero && math.Max(math.Abs(*m.Lo), math.Abs(*m.Hi)) <= 6:
		return l.Captions["eyes_near"]
	case zero: // the bounds, as the label beside it has them
		return fmt.Sprintf(l.Captions[unsure], l.Range(*m.Lo, *m.Hi, m.Unit))
	case *m.Value > 0:
		return fmt.Sprintf(l.Captions[below], amount)
	}
	return fmt.Sprintf(l.Captions[above], amount)
}

// amount writes a measure without its sign, its bounds where they are lopsided
// or wide; near: the bounds stay within limit of zero; zero: they reach it.
func (l Lang) amount(m *pipeline.Measure, limit float64) (s string, near, zero bool) {
	v := math.Abs(*m.Value)
	if m.Lo == nil || m.Hi == nil {
		return l.Short(v, m.Unit, l.Decimals(m.Unit, 1)), v <= limit, false
	}
	lo, hi := *m.Lo, *m.Hi
	near, zero = math.Max(math.Abs(lo), math.Abs(hi)) <= limit, lo <= 0 && hi >= 0
	if *m.Value < 0 {
		lo, hi = -hi, -lo
	}
	if Vague(m) {
		return l.Range(math.Max(0, lo), hi, m.Unit), near, zero
	}
	return l.Short(v, m.Unit, l.Decimals(m.Unit, (hi-lo)/2)), near, zero
}

// Foot is the caption for the front foot's turn: 0° square, 90° at the
// pitcher. Where its doubt is large only the bounds are said.
func (l Lang) Foot(m *pipeline.Measure) string {
	switch {
	case m == nil || m.Value == nil && (m.Lo == nil || m.Hi == nil):
		return l.Captions["foot_cant_tell"]
	case (m.Value == nil || Vague(m)) && *m.Lo <= 5 && *m.Hi > 5:
		return fmt.Sprintf(l.Captions["foot_most"], l.Short(*m.Hi, "deg", 0))
	case m.Value == nil || Vague(m):
		return fmt.Sprintf(l.Captions["foot_range"], l.Range(*m.Lo, *m.Hi, "deg"))
	}
	v := *m.Value
	switch {
	case v > 5:
		return fmt.Sprintf(l.Captions["foot_open"], l.Short(v, "deg", 0))
	case v < -5:
		return fmt.Sprintf(l.Captions["foot_closed"], l.Short(-v, "deg", 0))
	}
	return l.Captions["foot_square"]
}

// Head is the caption for the head against the plumb line; unsure says that
// its place can't be judged, so that "over" would be too much.
func (l Lang) Head(m *pipeline.Measure, unsure bool) string {
	if m == nil || m.Value == nil {
		return l.Captions["head_cant_tell"]
	}
	amount, near, zero := l.amount(m, 6)
	switch {
	case zero && near && unsure:
		return l.Captions["head_near"]
	case zero && near:
		return l.Captions["head_over"]
	case zero:
		return fmt.Sprintf(l.Captions["head_unsure"], l.Range(*m.Lo, *m.Hi, m.Unit))
	case *m.Value > 0:
		return fmt.Sprintf(l.Captions["head_ahead"], amount)
	}
	return fmt.Sprintf(l.Captions["head_behind"], amount)
}

// Hold is the caption for the finish.
func (l Lang) Hold(m *pipeline.Measure) string {
	if m == nil || m.Value == nil {
		return l.Captions["finish_cant_tell"]
	}
	return fmt.Sprintf(l.Captions["finish_held"], l.Short(*m.Value, "s", 1))
}

// Lower is the caption for how much lower to start.
func (l Lang) Lower(m *pipeline.Measure) string { return fmt.Sprintf(l.Captions["lower"], l.Lay(m)) }

// Lay is the value of a measure as something to lay off with a tape measure,
// or its bounds where only they should be said.
func (l Lang) Lay(m *pipeline.Measure) string {
	switch {
	case Vague(m):
		return l.Range(math.Max(0, *m.Lo), *m.Hi, m.Unit)
	case m.Unit == "cm":
		return l.Tape(*m.Value)
	}
	return l.Short(*m.Value, m.Unit, l.Decimals(m.Unit, 1))
}

// Good and Fix are a finding's few words. The coach's own text is cut to at
// most so many; an ellipsis says so.
func (l Lang) Good(f pipeline.Finding, most int) string {
	return l.brief(f, l.Findings[f.Rule].Good, most)
}

// Fix: see Good.
func (l Lang) Fix(f pipeline.Finding, most int) string {
	return l.brief(f, l.Findings[f.Rule].Fix, most)
}

func (l Lang) brief(f pipeline.Finding, ours string, most int) string {
	if f.Text != "" {
		return Cut(f.Text, most)
	}
	return ours
}

// Cut keeps at most so many words of a text, on one line; an ellipsis says
// that there were more.
func Cut(text string, most int) string {
	w := strings.Fields(text)
	if len(w) <= most {
		return strings.Join(w, " ")
	}
	return strings.TrimRight(strings.Join(w[:most], " "), ".,;:!?") + "…"
}

// Said is the caption of a finding, at most 7 words; "" for what can't be told.
func (l Lang) Said(f pipeline.Finding) string {
	head, text := "", ""
	switch f.Kind {
	case pipeline.Strength:
		head, text = l.Cards["good"], l.Good(f, 5)
	case pipeline.Priority:
		head, text = l.Cards["first"], l.Fix(f, 5)
	case pipeline.Secondary:
		head, text = l.Table["also"], l.Fix(f, 5)
	}
	if text == "" {
		return ""
	}
	return head + " " + text
}

// Count is the number of words of a caption as a reader sees them.
func Count(s string) int { return len(strings.Fields(s)) }
