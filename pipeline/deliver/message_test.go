package deliver

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net/mail"
	"net/textproto"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

var regen = flag.Bool("regen", false, "write the golden letters anew")

const sampleFilm = "../../samples/open_clean.mp4"

// tester is what making a letter needs; a property's T has it too.
type tester interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}

// report is that of a rendered clip, saved for the page's tests.
func report(t tester, name string) pipeline.Report {
	t.Helper()
	b, ok := reports.Load(name)
	if !ok {
		file, err := os.ReadFile(filepath.Join("../../overlay/page/testdata", name+".json"))
		if err != nil {
			t.Fatal(err)
		}
		var in struct{ Report json.RawMessage } // its paths are large
		if err := json.Unmarshal(file, &in); err != nil {
			t.Fatal(err)
		}
		b, _ = reports.LoadOrStore(name, []byte(in.Report))
	}
	var out pipeline.Report
	if err := json.Unmarshal(b.([]byte), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

var reports sync.Map

// letter is one with everything in it.
func letter(t tester, dir string) Letter {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 640, 360))
	for i := range img.Pix {
		img.Pix[i] = uint8(i / 640 * 7 / 10)
	}
	img.SetGray(1, 1, color.Gray{255})
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	sheet, captions := filepath.Join(dir, "stills.jpg"), filepath.Join(dir, "swing.vtt")
	for path, data := range map[string][]byte{sheet: b.Bytes(), captions: []byte("WEBVTT\n\n00:00:00.000 --> 00:00:02.000\nThe tape marks your eyes\n")} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return Letter{
		ID: "0123456789abcdef0123456789abcdef", At: time.Date(2026, 5, 4, 17, 30, 0, 0, time.FixedZone("", -4*3600)), Lang: "en",
		FirstName: "Ada", Day: "2026-05-03", To: []mail.Address{{Address: "guardian@home.example"}},
		From:        mail.Address{Name: "Coach José Núñez", Address: "coach@millbrook.example"},
		ReplyTo:     mail.Address{Address: "desk@millbrook.example"},
		Academy:     Academy{Name: "Millbrook Hitting Barn", Colour: "#0a5f38", Foot: "Millbrook Hitting Barn, 1 Mill Lane"},
		Unsubscribe: &url.URL{Scheme: "https", Host: "millbrook.example", Path: "/stop/1234"},
		Report:      report(t, "open_faults"), Note: "Ada worked hard on Saturday.\n\nSee you on Monday — bring the <blue> helmet & a smile.",
		Sheet: sheet, Film: sampleFilm, Captions: captions,
	}
}

// leaf is a part that holds something.
type leaf struct {
	path   string // of the kinds above: "mixed/related/alternative"
	header textproto.MIMEHeader
	body   []byte // decoded
	raw    []byte
}

// take a message apart.
func apart(t tester, raw []byte) (mail.Header, []leaf) {
	t.Helper()
	m, err := mail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	var out []leaf
	var walk func(path, kind string, body io.Reader)
	walk = func(path, kind string, body io.Reader) {
		media, params, err := mime.ParseMediaType(kind)
		if err != nil || !strings.HasPrefix(media, "multipart/") {
			t.Fatal(kind, err)
		}
		path = strings.TrimPrefix(path+"/"+strings.TrimPrefix(media, "multipart/"), "/")
		r := multipart.NewReader(body, params["boundary"])
		for {
			p, err := r.NextRawPart()
			if err == io.EOF {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if k := p.Header.Get("Content-Type"); strings.HasPrefix(k, "multipart/") {
				walk(path, k, p)
				continue
			}
			b, err := io.ReadAll(p)
			if err != nil {
				t.Fatal(err)
			}
			l := leaf{path: path, header: p.Header, raw: b}
			switch enc := p.Header.Get("Content-Transfer-Encoding"); enc {
			case "base64":
				l.body, err = base64.StdEncoding.DecodeString(strings.ReplaceAll(string(b), "\r\n", ""))
			case "quoted-printable":
				l.body, err = io.ReadAll(quotedprintable.NewReader(bytes.NewReader(b)))
			default:
				t.Fatal("encoding", enc)
			}
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, l)
		}
	}
	walk("", m.Header.Get("Content-Type"), m.Body)
	return m.Header, out
}

func compose(t tester, l Letter) *Message {
	t.Helper()
	m, err := Compose(l)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// sound checks what holds for every message: RFC 5322, 2045 and 2046.
func sound(t tester, m *Message) (mail.Header, []leaf) {
	t.Helper()
	for line := range bytes.Lines(m.Raw) {
		if !bytes.HasSuffix(line, []byte("\r\n")) || len(line) > 1000 || bytes.ContainsAny(line[:len(line)-2], "\r\n\x00") || bytes.ContainsFunc(line, func(r rune) bool { return r > '~' }) {
			t.Errorf("the line %q", line)
		}
	}
	head, _, _ := bytes.Cut(m.Raw, []byte("\r\n\r\n"))
	seen := map[string]bool{}
	for _, line := range strings.Split(string(head), "\r\n") {
		if strings.HasPrefix(line, " ") {
			continue
		}
		name, _, _ := strings.Cut(line, ":")
		if seen[name] || !slices.Contains([]string{"Auto-Submitted", "Content-Language", "Content-Type", "Date", "From", "List-Unsubscribe", "List-Unsubscribe-Post", "Message-ID", "MIME-Version", "Reply-To", "Subject", "To"}, name) {
			t.Errorf("the header line %q", line)
		}
		seen[name] = true
	}
	h, parts := apart(t, m.Raw)
	for _, p := range parts {
		if strings.HasSuffix(p.path, "related/alternative") != (p.header.Get("Content-Disposition") == "") {
			t.Errorf("%s is in %s", p.header, p.path)
		}
		for line := range strings.SplitSeq(string(p.raw), "\r\n") {
			if len(line) > 76 { // RFC 2045 6.7 (5), 6.8
				t.Errorf("a line of %d in %s", len(line), p.header)
			}
		}
	}
	return h, parts
}

func TestMessage(t *testing.T) {
	l := letter(t, t.TempDir())
	m := compose(t, l)
	h, parts := sound(t, m)
	var d mime.WordDecoder
	subject, err := d.DecodeHeader(h.Get("Subject"))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string][2]string{
		"subject": {subject, "Batting lesson for Ada, 3 May 2026"},
		"id":      {h.Get("Message-Id"), "<0123456789abcdef0123456789abcdef@millbrook.example>"},
		"id too":  {m.ID, "0123456789abcdef0123456789abcdef@millbrook.example"},
		"date":    {h.Get("Date"), "Mon, 04 May 2026 21:30:00 +0000"},
		"auto":    {h.Get("Auto-Submitted"), "auto-generated"},
		"leave":   {h.Get("List-Unsubscribe"), "<https://millbrook.example/stop/1234>"},
		"post":    {h.Get("List-Unsubscribe-Post"), "List-Unsubscribe=One-Click"},
		"mime":    {h.Get("Mime-Version"), "1.0"},
		"to":      {h.Get("To"), "<guardian@home.example>"},
		"reply":   {h.Get("Reply-To"), "<desk@millbrook.example>"},
		"lang":    {h.Get("Content-Language"), "en"},
		"from":    {m.From, "coach@millbrook.example"},
		"rcpt":    {strings.Join(m.To, " "), "guardian@home.example"},
	} {
		if c[0] != c[1] {
			t.Errorf("%s: %q, want %q", name, c[0], c[1])
		}
	}
	if from, err := h.AddressList("From"); err != nil || from[0].Name != "Coach José Núñez" || !strings.Contains(h.Get("From"), "=?utf-8?q?") {
		t.Errorf("From is %q: %v", h.Get("From"), err)
	}
	want := []struct{ path, kind, file string }{
		{"mixed/related/alternative", "text/plain", ""}, {"mixed/related/alternative", "text/html", ""},
		{"mixed/related", "image/jpeg", "stills-2026-05-03.jpg"}, {"mixed", "video/mp4", "swing-2026-05-03.mp4"}, {"mixed", "text/vtt", "swing-2026-05-03.vtt"},
	}
	if len(parts) != len(want) {
		t.Fatalf("%d parts", len(parts))
	}
	for i, w := range want {
		kind, params, err := mime.ParseMediaType(parts[i].header.Get("Content-Type"))
		if err != nil || parts[i].path != w.path || kind != w.kind || w.file == "" && params["charset"] != "UTF-8" {
			t.Errorf("part %d: %s %s %v, %v", i, parts[i].path, kind, params, err)
		}
		if w.file != "" {
			place, params, err := mime.ParseMediaType(parts[i].header.Get("Content-Disposition"))
			if err != nil || params["filename"] != w.file || (place == "inline") != (w.kind == "image/jpeg") {
				t.Errorf("part %d: %s %v, %v", i, place, params, err)
			}
		}
	}
	if id := parts[2].header.Get("Content-Id"); id != "<stills."+m.ID+">" || !strings.Contains(string(parts[1].body), `src="cid:`+strings.Trim(id, "<>")+`"`) {
		t.Errorf("the picture is %s", id)
	}
	for i, path := range map[int]string{2: l.Sheet, 3: l.Film, 4: l.Captions} {
		if b, _ := os.ReadFile(path); !bytes.Equal(b, parts[i].body) {
			t.Errorf("%s came out otherwise", path)
		}
	}
}

// Every way to leave something out.
func TestLess(t *testing.T) {
	l := letter(t, t.TempDir())
	l.FirstName, l.Film, l.FilmWaits, l.Unsubscribe, l.ReplyTo, l.Academy, l.Note = "", "", "film_too_large", nil, mail.Address{}, Academy{}, ""
	m := compose(t, l)
	h, parts := sound(t, m)
	if len(parts) != 3 {
		t.Errorf("%d parts", len(parts))
	}
	for _, name := range []string{"List-Unsubscribe", "List-Unsubscribe-Post", "Reply-To"} {
		if h.Get(name) != "" {
			t.Errorf("%s is %q", name, h.Get(name))
		}
	}
	if s := h.Get("Subject"); s != "Batting lesson, 3 May 2026" {
		t.Errorf("subject %q", s)
	}
	text := flat(string(parts[0].body))
	for _, w := range []string{"The video is too large for e-mail. It waits with your coach."} {
		if !strings.Contains(text, w) {
			t.Errorf("no %q", w)
		}
	}
	if strings.Contains(string(m.Raw), "Ada") || strings.Contains(text, "From your coach") {
		t.Error("somebody is named, or a note is headed that there isn't")
	}
	l.FilmWaits = "odd"
	if text := string(sound2(t, compose(t, l))); !strings.Contains(text, "The video waits with your coach.") {
		t.Error("an unknown reason gives no line")
	}
}

func sound2(t tester, m *Message) []byte {
	_, parts := sound(t, m)
	return parts[0].body
}

func flat(s string) string { return strings.Join(strings.Fields(s), " ") }

// marks are what plain text shows a list, a heading, a quote or a picture by.
var marks = regexp.MustCompile(`(?m)^(?:\* |\d+\. |> |\[|=+\r?$|-+\r?$)|\]\r?$`)

// shown are the words of a web page in their order, those for a picture that
// isn't loaded included, its title left out.
func shown(t tester, page string) string {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		switch {
		case n.Type == html.ElementNode && n.Data == "title":
			return
		case n.Type == html.TextNode:
			out.WriteString(n.Data + " ")
		}
		for _, a := range n.Attr {
			if a.Key == "alt" {
				out.WriteString(a.Val + " ")
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(doc)
	return flat(out.String())
}

// Both parts say the same, in every language and for every kind of lesson.
func TestPartsReadTheSame(t *testing.T) {
	for _, lang := range words.Codes() {
		for _, name := range []string{"open_faults", "open_clean", "front_left"} {
			l := letter(t, t.TempDir())
			l.Lang, l.Report, l.Imperial = lang, report(t, name), name == "open_clean"
			m := compose(t, l)
			_, parts := sound(t, m)
			plain, page := flat(marks.ReplaceAllString(string(parts[0].body), "")), shown(t, string(parts[1].body))
			if plain != page {
				t.Errorf("%s %s:\n%s\n%s", lang, name, plain, page)
			}
			for line := range strings.SplitSeq(string(parts[0].body), "\r\n") {
				if n := len([]rune(line)); n > wide && strings.Contains(strings.TrimSpace(line), " ") {
					t.Errorf("%d columns: %q", n, line)
				}
			}
			if lang != "en" {
				l.Lang = "en"
				_, other := sound(t, compose(t, l))
				if bytes.Equal(other[0].body, parts[0].body) {
					t.Errorf("%s is English", lang)
				}
			}
		}
	}
}

// What a coach has looked at once; -regen writes it anew.
func TestGoldenLetters(t *testing.T) {
	for _, lang := range words.Codes() {
		l := letter(t, t.TempDir())
		l.Lang = lang
		_, parts := sound(t, compose(t, l))
		for i, ext := range []string{".txt", ".html"} {
			path := filepath.Join("testdata", "letter."+lang+ext)
			got := bytes.ReplaceAll(parts[i].body, []byte("\r\n"), []byte("\n"))
			if *regen {
				if err := os.MkdirAll("testdata", 0o777); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, got, 0o666); err != nil {
					t.Fatal(err)
				}
			}
			if want, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%s: %v; the letter reads\n%s", path, err, got)
			}
		}
	}
}

// Numbers come with their doubt, and what can't be told is said.
func TestLetterSaysHowSure(t *testing.T) {
	l := letter(t, t.TempDir())
	_, parts := sound(t, compose(t, l))
	text := flat(string(parts[0].body))
	s := l.Report.Chosen()
	lang := words.English()
	n := 0
	for _, f := range s.Findings {
		if fact := lang.Fact(&l.Report, s, f); fact != "" && f.Kind != pipeline.CantTell {
			n++
			if !strings.Contains(text, strings.TrimSuffix(flat(fact), ".")) {
				t.Errorf("no %q", fact)
			}
		}
	}
	if n < 2 || !strings.Contains(text, "±") {
		t.Errorf("%d facts", n)
	}
	l.Report = report(t, "front_left")
	s = l.Report.Chosen()
	text = flat(string(sound2(t, compose(t, l))))
	doubts := lang.Doubts(s)
	for _, d := range doubts {
		if !strings.Contains(text, flat(d.Why)) {
			t.Errorf("no %q", d.Why)
		}
	}
	if len(doubts) == 0 {
		t.Error("nothing is in doubt")
	}
}

// The same letter is the same bytes, whatever the clock and the zone.
func TestSameBytes(t *testing.T) {
	dir := t.TempDir()
	l := letter(t, dir)
	a := compose(t, l)
	l.At = l.At.In(time.UTC)
	b := compose(t, l)
	if !bytes.Equal(a.Raw, b.Raw) || a.Hash != b.Hash || len(a.Hash) != 64 {
		t.Error("two messages of one letter differ")
	}
	l.ID = strings.Repeat("f", 32)
	if c := compose(t, l); c.Hash == a.Hash || c.ID == a.ID {
		t.Error("two letters are one message")
	}
}

// The page fetches nothing and runs nothing.
func TestNothingFromElsewhere(t *testing.T) {
	_, parts := sound(t, compose(t, letter(t, t.TempDir())))
	inert(t, string(parts[1].body), "https://millbrook.example/stop/1234")
}

func inert(t tester, page, link string) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if !slices.Contains([]string{"html", "head", "meta", "title", "body", "table", "tbody", "tr", "td", "h1", "h2", "p", "strong", "ul", "ol", "li", "img", "a"}, n.Data) {
			t.Errorf("an element %q", n.Data)
		}
		for _, a := range n.Attr {
			switch {
			case a.Key == "src" && strings.HasPrefix(a.Val, "cid:"):
			case a.Key == "href" && a.Val == link:
			case strings.HasPrefix(a.Key, "on"), a.Key == "src", a.Key == "href", strings.Contains(a.Val, "url("), a.Key == "http-equiv":
				t.Errorf("%s=%q", a.Key, a.Val)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	to := func(a string) func(*Letter) {
		return func(l *Letter) { l.To = []mail.Address{{Address: a}} }
	}
	for name, c := range map[string]struct {
		change func(*Letter)
		want   string
	}{
		"two addresses":            {to("ada@home.example, eve@else.example"), "more than one address"},
		"two addresses, semicolon": {to("ada@home.example;eve@else.example"), "more than one address"},
		"a header":                 {to("ada@home.example\nBcc: eve@else.example"), "line break"},
		"a header with CR":         {to("ada@home.example\rBcc: eve@else.example"), "line break"},
		"a route":                  {to("@else.example:ada@home.example"), "more than one address"},
		"percent":                  {to("eve%else.example"), "not an address"},
		"a name inside":            {to("Eve <eve@else.example>"), "not a plain address"},
		"a comment":                {to("ada(eve)@home.example"), "not a plain address"},
		"quoted":                   {to(`"ada eve"@home.example`), "not a plain address"},
		"turned":                   {to("ada@home\u202e.example"), "can't be seen"},
		"no domain":                {to("ada@"), "domain"},
		"a dot first":              {to("ada@.home.example"), "domain"},
		"a long label":             {to("ada@" + strings.Repeat("a", 64) + ".example"), "domain"},
		"no end":                   {to("ada@home"), "without an end"},
		"a number":                 {to("ada@[192.0.2.1]"), "not a plain address"},
		"dots":                     {to("a..b@home.example"), "not an address"},
		"empty":                    {to(""), "empty"},
		"too long":                 {to(strings.Repeat("a", 65) + "@home.example"), "not an address"},
		"nobody":                   {func(l *Letter) { l.To = nil }, "nobody"},
		"twice":                    {func(l *Letter) { l.To = append(l.To, mail.Address{Address: "GUARDIAN@Home.example"}) }, "twice"},
		"wide sender":              {func(l *Letter) { l.From.Address = "josé@millbrook.example" }, "can't be a sender"},
		"two senders":              {func(l *Letter) { l.From.Address = "a@b.example,c@d.example" }, "more than one"},
		"sender's name":            {func(l *Letter) { l.From.Name = "Coach\r\nBcc: eve@else.example" }, "line break"},
		"answers":                  {func(l *Letter) { l.ReplyTo.Address = "x\n@b.example" }, "line break"},
		"name":                     {func(l *Letter) { l.FirstName = "Ada\r\nBcc: eve@else.example" }, "first name"},
		"long name":                {func(l *Letter) { l.FirstName = strings.Repeat("a", 41) }, "first name"},
		"name of odd bytes":        {func(l *Letter) { l.FirstName = "A\xffda" }, "UTF-8"},
		"academy":                  {func(l *Letter) { l.Academy.Name = "Barn\nBcc: x" }, "academy's name"},
		"foot":                     {func(l *Letter) { l.Academy.Foot = "Lane\x00" }, "academy's last line"},
		"colour":                   {func(l *Letter) { l.Academy.Colour = "red;background:url(x)" }, "no colour"},
		"note of 5 MB":             {func(l *Letter) { l.Note = strings.Repeat("word ", 1<<20) }, "5242880 letters"},
		"note with a control":      {func(l *Letter) { l.Note = "hello\x1b[31m" }, "control"},
		"finding with a control":   {func(l *Letter) { l.Report.Chosen().Findings[0].Text = "no\x00" }, "said of a finding"},
		"encoded":                  {to("=?utf-8?q?=0ABcc?=@home.example"), "not a plain address"},
		"note in the report":       {func(l *Letter) { l.Report.Chosen().Notes = []string{strings.Repeat("x", 10_001)} }, "10001 letters"},
		"day":                      {func(l *Letter) { l.Day = "2026-05-03\nx" }, "no day"},
		"other day":                {func(l *Letter) { l.Day = "Ada" }, "no day"},
		"language":                 {func(l *Letter) { l.Lang = "xx" }, "no words"},
		"number":                   {func(l *Letter) { l.ID = "1>\r\nBcc: x" }, "number"},
		"no date":                  {func(l *Letter) { l.At = time.Time{} }, "date"},
		"http":                     {func(l *Letter) { l.Unsubscribe.Scheme = "http" }, "https"},
		"mailto":                   {func(l *Letter) { l.Unsubscribe = &url.URL{Scheme: "mailto", Opaque: "x@y.example"} }, "https"},
		"long link":                {func(l *Letter) { l.Unsubscribe.Path = "/" + strings.Repeat("x", 999) }, "too long"},
		"link with a line":         {func(l *Letter) { l.Unsubscribe.Opaque = "//a/\r\nBcc:x" }, "%XX"},
		"no picture":               {func(l *Letter) { l.Sheet = "" }, "can't be read"},
		"no film":                  {func(l *Letter) { l.Film = "testdata/none.mp4" }, "can't be read"},
		"no swing":                 {func(l *Letter) { l.Report.Swings = nil }, "no swing"},
	} {
		t.Run(name, func(t *testing.T) {
			l := letter(t, t.TempDir())
			c.change(&l)
			m, err := Compose(l)
			var pe *pipeline.Error
			if m != nil || !errors.As(err, &pe) || !strings.Contains(err.Error(), c.want) || strings.ContainsAny(err.Error(), "\r\n") || len(err.Error()) > 400 {
				t.Errorf("%v", err)
			}
		})
	}
}

func TestNeutralised(t *testing.T) {
	l := letter(t, t.TempDir())
	l.FirstName = "A\u202ed\u200ba"                              // turned, and a space of no width
	l.From.Name = "desk@bank.example <eve@else.example>"         // a name that looks like an address
	l.To = []mail.Address{{Address: " Guardian@Bücher.example"}} // another alphabet's domain
	l.Note = "<script>alert(1)</script>\r\nSecond\u2066 line"
	m := compose(t, l)
	h, parts := sound(t, m)
	if s := h.Get("Subject"); s != "Batting lesson for Ada, 3 May 2026" {
		t.Errorf("subject %q", s)
	}
	l.FirstName, l.From.Name = "=?utf-8?q?=0ABcc:_x?=", `Jos\é`
	other, _ := sound(t, compose(t, l))
	if list, err := other.AddressList("From"); err != nil || list[0].Name != "José" {
		t.Errorf("%q: %v", other.Get("From"), err)
	}
	var d mime.WordDecoder
	if s, err := d.DecodeHeader(other.Get("Subject")); err != nil || s != "Batting lesson for = ?utf-8?q?=0ABcc:_x?=, 3 May 2026" {
		t.Errorf("subject %q, %v", s, err)
	}
	if s := h.Get("From"); s != "<coach@millbrook.example>" {
		t.Errorf("from %q", s)
	}
	if m.To[0] != "Guardian@xn--bcher-kva.example" || h.Get("To") != "<Guardian@xn--bcher-kva.example>" {
		t.Errorf("to %q, %q", m.To, h.Get("To"))
	}
	page := string(parts[1].body)
	inert(t, page, "https://millbrook.example/stop/1234")
	if !strings.Contains(page, "&lt;script&gt;") || !strings.Contains(flat(string(parts[0].body)), "> Second line") {
		t.Error("the note is not as it was written")
	}
}

// An address with letters beyond ASCII is in the envelope only; the header has
// an empty group, which every server may read.
func TestWideAddress(t *testing.T) {
	l := letter(t, t.TempDir())
	l.To = []mail.Address{{Name: "María, la mamá", Address: "maría@home.example"}, {Name: "Ben", Address: "ben@home.example"}, {Address: "ñ@home.example"}}
	m := compose(t, l)
	h, _ := sound(t, m)
	if !slices.Equal(m.To, []string{"maría@home.example", "ben@home.example", "ñ@home.example"}) {
		t.Errorf("envelope %q", m.To)
	}
	list, err := h.AddressList("To")
	if err != nil || len(list) != 1 || list[0].Address != "ben@home.example" {
		t.Errorf("%q is %v, %v", h.Get("To"), list, err)
	}
	var d mime.WordDecoder
	if s, err := d.DecodeHeader(h.Get("To")); err != nil || !strings.Contains(s, "María, la mamá :;") || !strings.Contains(s, "ñ@home.example :;") {
		t.Errorf("%q %v", s, err)
	}
}

// Whatever is written into a letter, it becomes one clear line or a message
// with the headers, parts, files and addresses that it was to have.
func TestNoInjection(t *testing.T) {
	base := letter(t, t.TempDir())
	base.Film, base.Captions = "", ""
	tricks := []string{"\r\n", "\n", "\r", "\x00", "\u2028", "\u0085", "\u202e", "\u200b", "\ufeff", "\r\nBcc: eve@else.example", "\nSubject: x", "\r\n\r\n<b>", ".\r\n", "\r\n.\r\n",
		"<eve@else.example>", ", eve@else.example", "eve@else.example", ";", ":", "\"", "\\", "(", ")", "=?utf-8?q?=0ABcc:_x?=", "=?utf-8?b?DQpCY2M6IHg=?=", "--boundary", "</p><script>", "\" onload=\"x", "&#10;", "%0a", "ñ", "日本", "é", "👩‍👧", "\xff", " ", "\t"}
	piece := rapid.OneOf(rapid.SampledFrom(tricks), rapid.StringMatching(`[a-zA-Z.@ -]{0,8}`), rapid.StringN(0, 6, 20))
	odd := rapid.Map(rapid.SliceOfN(piece, 0, 6), func(p []string) string { return strings.Join(p, "") })
	made, wrong := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		l := base
		l.Report = report(t, "open_faults")
		l.To = slices.Clone(base.To)
		u := *base.Unsubscribe
		l.Unsubscribe = &u
		for n := rapid.IntRange(1, 2).Draw(t, "n"); n > 0; n-- {
			s := odd.Draw(t, "text")
			switch rapid.SampledFrom([]string{"name", "to", "to2", "toname", "from", "fromname", "reply", "academy", "foot", "colour", "note", "notes", "finding", "url", "query", "day", "lang", "waits"}).Draw(t, "where") {
			case "name":
				l.FirstName = s
			case "to":
				l.To[0].Address += s
			case "to2":
				l.To = append(l.To, mail.Address{Address: s + "@home.example"})
			case "toname":
				l.To[0].Name = s
			case "from":
				l.From.Address = s + l.From.Address
			case "fromname":
				l.From.Name = s
			case "reply":
				l.ReplyTo.Address = s
			case "academy":
				l.Academy.Name = s
			case "foot":
				l.Academy.Foot = s
			case "colour":
				l.Academy.Colour += s
			case "note":
				l.Note = s
			case "notes":
				l.Report.Chosen().Notes = []string{s}
			case "finding":
				l.Report.Chosen().Findings[0].Text = s
			case "url":
				l.Unsubscribe.Path = s
			case "query":
				l.Unsubscribe.RawQuery = s
			case "day":
				l.Day += s
			case "lang":
				l.Lang += s
			case "waits":
				l.FilmWaits = s
			}
		}
		m, err := Compose(l)
		if err != nil {
			wrong++
			var pe *pipeline.Error
			if !errors.As(err, &pe) || strings.ContainsFunc(err.Error(), func(r rune) bool { return r < ' ' }) {
				t.Errorf("%q", err.Error())
			}
			return
		}
		made++
		h, parts := sound(t, m)
		if len(m.To) != len(l.To) || len(parts) != 3 {
			t.Errorf("to %q, %d parts", m.To, len(parts))
		}
		list, err := h.AddressList("To")
		if err != nil && !strings.Contains(h.Get("To"), ":;") {
			t.Errorf("%q: %v", h.Get("To"), err)
		}
		for _, a := range list {
			if !slices.Contains(m.To, a.Address) {
				t.Errorf("%s is not in the envelope %q", a, m.To)
			}
		}
		for _, a := range m.To {
			if !envelopeForm(a) {
				t.Errorf("the envelope has %q", a)
			}
		}
		var d mime.WordDecoder
		for _, name := range []string{"Subject", "From", "To", "Reply-To"} {
			if s, err := d.DecodeHeader(h.Get(name)); err != nil || strings.ContainsFunc(s, hidden) {
				t.Errorf("%s is %q, %v", name, s, err)
			}
		}
		for _, name := range []string{"From", "Reply-To"} {
			if list, err := h.AddressList(name); h.Get(name) != "" && (err != nil || len(list) != 1) {
				t.Errorf("%s is %q", name, h.Get(name))
			}
		}
		for _, p := range parts {
			if _, params, _ := mime.ParseMediaType(p.header.Get("Content-Disposition")); params["filename"] != "" && params["filename"] != "stills-2026-05-03.jpg" {
				t.Errorf("a file %q", params["filename"])
			}
		}
		link := ""
		if l.Unsubscribe != nil {
			link = strings.Trim(h.Get("List-Unsubscribe"), "<>")
			if v, err := url.Parse(link); err != nil || v.Scheme != "https" || v.Host != "millbrook.example" {
				t.Errorf("the link is %q", link)
			}
		}
		inert(t, string(parts[1].body), link)
		if strings.ContainsFunc(flat(string(parts[0].body)), hidden) {
			t.Errorf("something can't be seen in %q", parts[0].body)
		}
	})
	if made == 0 || wrong == 0 {
		t.Errorf("%d made, %d refused", made, wrong)
	}
}

// The band's words can be read on any colour. Values worked
// out by hand from the definition in WCAG 2.1.
func TestInk(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#ffffff", "#000000", 21}, {"#0072B2", "#000000", 4.05}, {"#F0E442", "#ffffff", 1.32}, {"#777777", "#ffffff", 4.48}} {
		if got := contrast(c.a, c.b); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%s on %s: %.3f, want %.2f", c.a, c.b, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		ground := fmt.Sprintf("#%06x", rapid.IntRange(0, 0xffffff).Draw(t, "rgb"))
		if c := contrast(ground, ink(ground)); c < 4.5 {
			t.Errorf("%s: %.2f", ground, c)
		}
	})
}
