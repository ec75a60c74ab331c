package page

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"strings"

	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

//go:embed page.html
var pageHTML string

//go:embed page.css
var pageCSS string

var pageTemplate = template.Must(template.New("page").Parse(pageHTML))

// Make writes lesson.html of the chosen swing; see New.
func Make(rep *pipeline.Report, stills []sheet.Still, lang words.Lang, opt Options) ([]byte, error) {
	l, err := New(rep, stills, lang, opt)
	if err != nil {
		return nil, err
	}
	return l.HTML()
}

// HTML is the lesson as one file that asks for nothing elsewhere: styles and
// pictures stand in it, no script is needed and the policy in its head allows
// none.
func (l *Lesson) HTML() ([]byte, error) {
	css := pageCSS + "@page { size: A4; }\n"
	if l.letter() { // a little shorter
		css = pageCSS + "@page { size: letter; }\n@media print { html { font-size: 8.3pt; } .stills img { max-height: 37mm; } svg { max-height: 58mm; } }\n"
	}
	sum := sha256.Sum256([]byte(css))
	view := struct {
		*Lesson
		Style  template.CSS
		Policy string
		Curves template.HTML
	}{Lesson: l, Style: template.CSS(css),
		Policy: fmt.Sprintf("default-src 'none'; img-src data:; style-src 'sha256-%s'; base-uri 'none'; form-action 'none'", base64.StdEncoding.EncodeToString(sum[:]))}
	if l.curves != nil {
		view.Curves = template.HTML(svgOf(l.curves))
	}
	var b bytes.Buffer
	if err := pageTemplate.Execute(&b, view); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	return b.Bytes(), nil
}

// letter is the paper of who measures in inches; all others print on A4.
func (l *Lesson) letter() bool { return l.lang.System() == words.Imperial }

// W, Lang, Glossary, Mark, Small, Src and Join are for the template.
func (l *Lesson) W(key string) string    { return l.w(key) }
func (l *Lesson) Lang() string           { return l.lang.Code }
func (l *Lesson) Glossary() []words.Term { return l.lang.Glossary }
func (l *Lesson) Mark(i int) int         { return i + 1 }

// Small is the small print.
func (l *Lesson) Small() (out []string) {
	for _, key := range []string{"small_camera", "small_bands", "small_doctor", "small_rules", "small_consent"} {
		out = append(out, l.w(key))
	}
	return out
}

// Src is the picture as an address that holds it.
func (s Still) Src() template.URL {
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(s.JPEG))
}

// Whole marks what may not break within, after an en dash for one.
func (l *Lesson) Whole(s string) template.HTML {
	var out []string
	for _, part := range strings.Split(s, " ") {
		safe := template.HTMLEscapeString(part)
		if strings.ContainsAny(part, "–\u00a0") {
			safe = `<span class="v">` + safe + `</span>`
		}
		out = append(out, safe)
	}
	return template.HTML(strings.Join(out, " "))
}

// Join puts a list in one line.
func (l *Lesson) Join(list []string) string { return strings.Join(list, "; ") }
