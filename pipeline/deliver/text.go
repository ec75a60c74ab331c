package deliver

import (
	"fmt"
	"html"
	"math"
	"regexp"
	"strconv"
	"strings"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// text is what a letter says: one list of blocks, laid out twice, as plain
// lines and as HTML, so that both read the same.
type text struct {
	lang    words.Lang
	subject string
	band    string // over it all
	ground  string // of the band, #rrggbb
	title   string
	blocks  []block
}

// block is one piece of a letter.
type block struct {
	kind  kind
	text  string
	items []item
	link  string // behind the text; shown as it is
}

// item is one of a list; lead stands out.
type item struct{ lead, text string }

// both is an item in one line.
func (i item) both() string { return strings.TrimSpace(i.lead + " " + i.text) }

// plainly are items without a lead.
func plainly(texts ...string) (out []item) {
	for _, s := range texts {
		out = append(out, item{text: s})
	}
	return out
}

type kind int

const (
	para    kind = iota
	head         // a heading
	strong       // the one line of a part
	quote        // the coach's own words
	list         // items with dots
	steps        // items with numbers
	picture      // text says what it shows
	small        // what is printed small
)

// ownColour is the band's where the academy has none: the blue of the page's
// links.
const ownColour = "#00528a"

var colourForm = regexp.MustCompile(`^#[0-9a-fA-F]{6}$`)

// newText gathers what the letter says.
func newText(l *Letter, lang words.Lang) (*text, error) {
	s := l.Report.Chosen()
	if s == nil {
		return nil, fault("there is no swing to write about")
	}
	t := &text{lang: lang, band: l.Academy.Name, ground: l.Academy.Colour, title: lang.Page["title"]}
	day := lang.Date(l.Day)
	intro := fmt.Sprintf(lang.Mail["intro"], day)
	if l.FirstName != "" {
		t.title = fmt.Sprintf(lang.Page["title_name"], l.FirstName)
		intro = fmt.Sprintf(lang.Mail["intro_name"], l.FirstName, day)
	}
	t.subject = fmt.Sprintf(lang.Mail["subject"], t.title, day)
	t.add(para, lang.Mail["hello"])
	t.add(para, intro+" "+film(l, lang))
	t.add(picture, lang.Mail["alt"])
	good := lang.Praise(&l.Report, s)
	if len(good) > 0 {
		t.part(lang.Page["good"], list, good...)
	} else {
		t.part(lang.Page["good"], para, lang.Page["good_none"])
	}
	t.focus(&l.Report, s, good)
	t.doubts(s)
	t.plan(&l.Report, s)
	if err := t.coach(s.Notes, l.Note); err != nil {
		return nil, err
	}
	t.care(s)
	t.add(head, lang.Mail["reply"])
	t.add(para, lang.Mail["answer"])
	t.add(small, lang.Mail["stop"])
	if l.Unsubscribe != nil {
		t.blocks = append(t.blocks, block{kind: small, text: lang.Mail["stop_link"], link: l.Unsubscribe.String()})
	}
	t.add(small, l.Academy.Foot)
	return t, nil
}

// film says where the video is.
func film(l *Letter, lang words.Lang) string {
	if l.Film != "" {
		return lang.Mail["film_here"]
	}
	if s := lang.Mail[l.FilmWaits]; s != "" {
		return s
	}
	return lang.Mail["film_waits"]
}

func (t *text) add(k kind, s string) {
	if s != "" {
		t.blocks = append(t.blocks, block{kind: k, text: s})
	}
}

// part is a heading and what stands under it.
func (t *text) part(title string, k kind, items ...string) {
	t.add(head, title)
	if k == list || k == steps {
		t.blocks = append(t.blocks, block{kind: k, items: plainly(items...)})
		return
	}
	for _, s := range items {
		t.add(k, s)
	}
}

// focus is the one thing, and why: what was measured with its doubt, what it
// comes from and leads to.
func (t *text) focus(rep *pipeline.Report, s *pipeline.Swing, good []string) {
	f := t.lang.Focus(rep, s)
	t.add(head, f.Head)
	t.add(strong, f.Fix)
	t.add(para, strings.TrimSpace(f.Say+" "+f.Fact))
	if len(f.Chain) > 0 {
		t.add(para, t.lang.Page["chain"])
		var links []string
		for _, c := range f.Chain {
			links = append(links, words.Capital(c))
		}
		t.blocks = append(t.blocks, block{kind: steps, items: plainly(links...)})
	}
	if f.Cue != "" {
		t.add(para, t.lang.Page["cue"]+" "+f.Cue)
	}
	later := t.lang.Later(rep, s)
	if later != "" {
		t.add(para, t.lang.Page["also"]+" "+later)
	}
	if strings.ContainsAny(f.Fact+later+strings.Join(good, ""), "±–") {
		t.add(small, t.lang.Page["legend_bounds"])
	}
}

func (t *text) doubts(s *pipeline.Swing) {
	var items []string
	for _, d := range t.lang.Doubts(s) {
		names := strings.Join(d.Names, "; ")
		if strings.HasSuffix(d.Why, ":") {
			items = append(items, d.Why+" "+names+".")
		} else {
			items = append(items, d.Why+" ("+names+")")
		}
	}
	if len(items) > 0 {
		t.part(t.lang.Page["doubts"], list, items...)
	}
}

// plan is the ladder in short: how to set each drill up and what to do.
func (t *text) plan(rep *pipeline.Report, s *pipeline.Swing) {
	p := s.Plan
	if p == nil || len(p.Steps) == 0 {
		return
	}
	title, lead := t.lang.Page["plan"], t.lang.Page["ladder"]
	if s.Keep() != nil {
		title, lead = t.lang.Page["plan_keep"], t.lang.Page["ladder_keep"]
	}
	t.add(head, title)
	t.add(para, lead)
	var items []item
	var names []string
	safe := map[string]bool{}
	for _, st := range p.Steps {
		code := s.Drill(st)
		d, ok := t.lang.Drills[code]
		if !ok {
			d = words.Drill{Name: words.Named(nil, code)}
		}
		do := d.SetUp + " " + d.Do
		if m := s.Lower(); code == "mirror_tape_lower" && m != nil {
			do += " " + fmt.Sprintf(t.lang.Page["lower_lead"], words.Tight(t.lang.Lay(m)))
		}
		if do += " " + d.Look; d.Safety != "" && !safe[d.Safety] { // said once
			safe[d.Safety] = true
			do += " " + t.lang.Page["safety"] + " " + d.Safety
		}
		names = append(names, d.Name)
		lead := d.Name
		if times := t.lang.Times(st); times != "" {
			lead += ", " + times
		}
		items = append(items, item{lead + ":", strings.TrimSpace(do)})
	}
	t.blocks = append(t.blocks, block{kind: steps, items: items})
	t.week(p.Days, names)
}

// week says on which day to do which steps.
func (t *text) week(days [][]int, names []string) {
	var items []item
	for i, day := range days {
		var do []string
		for _, n := range day {
			if n >= 0 && n < len(names) {
				do = append(do, fmt.Sprintf(t.lang.Page["day_step"], n+1, names[n]))
			}
		}
		if len(do) == 0 {
			do = []string{t.lang.Page["day_off"]}
		}
		items = append(items, item{fmt.Sprintf(t.lang.Page["day"], i+1) + ":", strings.Join(do, "; ")})
	}
	if len(items) > 0 {
		t.add(strong, t.lang.Page["week"])
		t.blocks = append(t.blocks, block{kind: list, items: items})
	}
}

// coach is what the coach wrote: beside the clip, and to this family.
func (t *text) coach(notes []string, note string) error {
	var all []string
	for _, n := range append(notes[:len(notes):len(notes)], note) {
		l, err := lines(n, "the coach's note")
		if err != nil {
			return err
		}
		all = append(all, l...)
	}
	if len(all) > 0 {
		t.part(t.lang.Page["coach"], quote, all...)
	}
	return nil
}

// care are the cautions of the plan, and those of any lesson.
func (t *text) care(s *pipeline.Swing) {
	codes := []string{"local_rules"}
	if s.Plan != nil && len(s.Plan.Care) > 0 {
		codes = s.Plan.Care
	}
	var items []string
	for _, c := range codes {
		if c != "pain_stop" { // said below, with what it is not
			items = append(items, words.Named(t.lang.Care, c))
		}
	}
	t.part(t.lang.Page["care"], list, append(items, t.lang.Mail["doctor"], t.lang.Page["small_camera"], t.lang.Mail["share"])...)
}

// wide is where lines of plain text are broken, columns.
const wide = 72

// fold breaks a text at spaces; later lines begin with indent.
func fold(s, first, indent string) string {
	var out strings.Builder
	out.WriteString(first)
	at, empty := len([]rune(first)), true
	for _, w := range strings.Split(s, " ") {
		n := len([]rune(w))
		switch {
		case empty:
		case at+1+n > wide:
			out.WriteString("\r\n" + indent)
			at = len([]rune(indent))
		default:
			out.WriteByte(' ')
			at++
		}
		out.WriteString(w)
		at, empty = at+n, false
	}
	return out.String() + "\r\n"
}

// plain is the letter as plain text, CRLF.
func (t *text) plain() string {
	var out strings.Builder
	if t.band != "" {
		out.WriteString(fold(t.band, "", "") + "\r\n")
	}
	out.WriteString(fold(t.title, "", "") + strings.Repeat("=", min(wide, len([]rune(t.title)))) + "\r\n")
	for _, b := range t.blocks {
		out.WriteString("\r\n")
		switch b.kind {
		case head:
			out.WriteString(fold(b.text, "", "") + strings.Repeat("-", min(wide, len([]rune(b.text)))) + "\r\n")
		case quote:
			out.WriteString(fold(b.text, "> ", "> "))
		case picture:
			out.WriteString(fold(b.text+"]", "[", ""))
		case list:
			for _, s := range b.items {
				out.WriteString(fold(s.both(), "* ", "  "))
			}
		case steps:
			for n, s := range b.items {
				out.WriteString(fold(s.both(), fmt.Sprintf("%d. ", n+1), "   "))
			}
		default:
			out.WriteString(fold(b.text, "", ""))
		}
		if b.link != "" {
			out.WriteString(b.link + "\r\n")
		}
	}
	return out.String()
}

// The page in a mail program: one column, styles on the elements since many
// programs drop style sheets, and few of them, since each is one more that some
// program does not know; nothing from elsewhere. Ink and paper are the reader's
// own, so that a dark screen stays dark; only the band has its own.
const (
	face      = "font-family:system-ui,-apple-system,'Segoe UI',Roboto,Arial,sans-serif;"
	styleBand = face + "background-color:%[1]s;color:%[2]s;font-size:18px;line-height:1.3;padding:14px 16px;"
	styleText = face + "font-size:16px;line-height:1.5;padding:0 16px 16px;"
	styleNote = "border-left:4px solid %s;padding:0 0 0 12px;"
)

// html is the letter as a web page; source is that of the picture.
func (t *text) html(source string) string {
	var out strings.Builder
	w := func(format string, args ...any) { fmt.Fprintf(&out, format+"\r\n", args...) }
	e := html.EscapeString
	w(`<!DOCTYPE html>`)
	w(`<html lang="%s">`, t.lang.Code)
	w(`<head>`)
	w(`<meta charset="utf-8">`)
	w(`<meta name="viewport" content="width=device-width, initial-scale=1">`)
	w(`<meta name="color-scheme" content="light dark">`)
	w(`<meta name="supported-color-schemes" content="light dark">`)
	w(`<title>%s</title>`, e(t.title))
	w(`</head>`)
	w(`<body style="margin:0;">`)
	w(`<table role="presentation" width="100%%" cellpadding="0" cellspacing="0" border="0" style="max-width:600px;margin:0 auto;">`)
	if t.band != "" {
		w(`<tr><td bgcolor="%[1]s" style="`+styleBand+`"><strong>%[3]s</strong></td></tr>`, t.ground, ink(t.ground), e(t.band))
	}
	w(`<tr><td style="%s">`, styleText)
	w(`<h1 style="font-size:24px;line-height:1.25;">%s</h1>`, e(t.title))
	for _, b := range t.blocks {
		switch b.kind {
		case head:
			w(`<h2 style="font-size:19px;line-height:1.3;">%s</h2>`, e(b.text))
		case strong:
			w(`<p><strong>%s</strong></p>`, e(b.text))
		case quote:
			w(`<p style="%s">%s</p>`, fmt.Sprintf(styleNote, t.ground), e(b.text))
		case picture:
			w(`<p><img src="%s" alt="%s" width="568" style="max-width:100%%;"></p>`, source, e(b.text))
		case list, steps:
			tag := map[kind]string{list: "ul", steps: "ol"}[b.kind]
			w(`<%s style="padding:0 0 0 24px;">`, tag)
			for _, s := range b.items {
				lead := ""
				if s.lead != "" {
					lead = "<strong>" + e(s.lead) + "</strong> "
				}
				w(`<li style="padding:0 0 8px;">%s%s</li>`, lead, e(s.text))
			}
			w(`</%s>`, tag)
		default:
			style, link := "", ""
			if b.kind == small {
				style = ` style="font-size:14px;"`
			}
			if b.link != "" {
				link = fmt.Sprintf(` <a href="%s" style="word-break:break-all;">%s</a>`, e(b.link), e(b.link))
			}
			w(`<p%s>%s%s</p>`, style, e(b.text), link)
		}
	}
	w(`</td></tr>`)
	w(`</table>`)
	w(`</body>`)
	w(`</html>`)
	return out.String()
}

// ink is black or white, whichever stands out more from the ground. One of
// them always reaches 4.5 : 1, the least for text (WCAG 2.1, 1.4.3).
func ink(ground string) string {
	if contrast(ground, "#ffffff") >= contrast(ground, "#000000") {
		return "#ffffff"
	}
	return "#000000"
}

// contrast of two colours, 1 to 21: WCAG 2.1, definitions of contrast ratio
// and relative luminance.
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(colour string) float64 {
	n, _ := strconv.ParseUint(colour[1:], 16, 32) // colourForm
	linear := func(c uint64) float64 {
		v := float64(c&0xff) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(n>>16) + 0.7152*linear(n>>8) + 0.0722*linear(n)
}
