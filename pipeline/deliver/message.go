package deliver

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/mail"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// idForm is what a Letter's ID looks like.
var idForm = regexp.MustCompile(`^[0-9a-f]{32}$`)

// dayForm is a day that may stand in a file's name.
var dayForm = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}$`)

// Compose writes the message of a letter. The same letter and files give the
// same bytes, so that a second copy is known as one by its Message-ID and its
// hash. What can't be sent safely is an error of one line (*pipeline.Error):
// line breaks in what is one line, addresses that are two, texts without end.
// What merely can't be seen is taken out of names and notes.
func Compose(l Letter) (*Message, error) {
	l, err := clean(l)
	if err != nil {
		return nil, err
	}
	lang, err := words.For(l.Lang)
	if err != nil {
		return nil, fault("%v", err)
	}
	if l.Imperial {
		lang = lang.In(words.Imperial)
	}
	t, err := newText(&l, lang)
	if err != nil {
		return nil, err
	}
	home := l.From.Address[strings.LastIndexByte(l.From.Address, '@')+1:]
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent(), gomail.WithEncoding(gomail.EncodingQP))
	out := &Message{ID: l.ID + "@" + home, From: l.From.Address}
	m.FromMailAddress(&l.From)
	out.To = recipients(m, l.To)
	if l.ReplyTo.Address != "" {
		m.ReplyToMailAddress(&l.ReplyTo)
	}
	m.Subject(t.subject)
	m.SetDateWithValue(l.At.UTC())
	m.SetMessageIDWithValue(out.ID)
	m.SetGenHeader(gomail.Header("Auto-Submitted"), "auto-generated") // RFC 3834: no holiday notes, please
	m.SetGenHeader(gomail.HeaderContentLang, lang.Code)
	if l.Unsubscribe != nil {
		m.SetGenHeader(gomail.HeaderListUnsubscribe, "<"+l.Unsubscribe.String()+">")
		m.SetGenHeader(gomail.HeaderListUnsubscribePost, "List-Unsubscribe=One-Click") // RFC 8058
	}
	picture := "stills." + out.ID
	m.SetBodyString(gomail.TypeTextPlain, t.plain())
	m.AddAlternativeString(gomail.TypeTextHTML, t.html("cid:"+picture))
	if err := files(m, &l, picture); err != nil {
		return nil, err
	}
	var raw bytes.Buffer
	if _, err := m.WriteTo(&raw); err != nil {
		return nil, fault("the message can't be written: %v", err)
	}
	if out.Raw, err = settled(raw.Bytes(), l.ID); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(out.Raw)
	out.Hash = hex.EncodeToString(sum[:])
	return out, nil
}

func fault(format string, args ...any) *pipeline.Error {
	return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: fmt.Sprintf(format, args...)}
}

// clean is the letter with every text as it may go out.
func clean(l Letter) (Letter, error) {
	var err error
	if !idForm.MatchString(l.ID) {
		return l, &pipeline.Error{Fault: pipeline.FaultInternal, Step: "mail", What: "a letter has no proper number"}
	}
	if l.At.IsZero() {
		return l, &pipeline.Error{Fault: pipeline.FaultInternal, Step: "mail", What: "a letter has no date"}
	}
	if l.From, err = address(l.From, "the sender"); err != nil {
		return l, err
	}
	if l.ReplyTo.Address != "" {
		if l.ReplyTo, err = address(l.ReplyTo, "the address for answers"); err != nil {
			return l, err
		}
	}
	for _, a := range []mail.Address{l.From, l.ReplyTo} {
		if !ascii(a.Address) {
			return l, fault("%q can't be a sender: its part before the @ has letters that many servers refuse", a.Address)
		}
	}
	if len(l.To) == 0 {
		return l, fault("a letter goes to nobody")
	}
	l.To = slices.Clone(l.To)
	seen := map[string]bool{}
	for i := range l.To {
		if l.To[i], err = address(l.To[i], "a guardian's address"); err != nil {
			return l, err
		}
		seen[strings.ToLower(l.To[i].Address)] = true
	}
	if len(seen) != len(l.To) {
		return l, fault("a letter goes to the same address twice")
	}
	for _, x := range []struct {
		s     *string
		whose string
	}{
		{&l.FirstName, "the player's first name"}, {&l.Academy.Name, "the academy's name"},
		{&l.Academy.Foot, "the academy's last line"}, {&l.Academy.Colour, "the academy's colour"},
	} {
		if *x.s, err = plain(*x.s, x.whose, longestLabel); err != nil {
			return l, err
		}
	}
	if !pipeline.IsName(l.FirstName) {
		return l, fault("the player's first name is too long")
	}
	if l.Academy.Colour == "" {
		l.Academy.Colour = ownColour
	}
	if !colourForm.MatchString(l.Academy.Colour) {
		return l, fault("%q is no colour like #0a5fb4", l.Academy.Colour)
	}
	if _, err := time.Parse(time.DateOnly, l.Day); err != nil || !dayForm.MatchString(l.Day) {
		return l, fault("%q is no day like 2026-05-03", oneLine(l.Day))
	}
	if l.Report.Swings, err = spoken(l.Report.Swings); err != nil {
		return l, err
	}
	if u := l.Unsubscribe; u != nil {
		if l.Unsubscribe, err = oneClick(u); err != nil {
			return l, err
		}
	}
	return l, nil
}

// spoken are the swings with what the coach said of their findings as it may
// go out.
func spoken(swings []pipeline.Swing) ([]pipeline.Swing, error) {
	swings = slices.Clone(swings)
	for i := range swings {
		s := &swings[i]
		s.Findings = slices.Clone(s.Findings)
		for j := range s.Findings {
			said, err := lines(s.Findings[j].Text, "what the coach said of a finding")
			if err != nil {
				return nil, err
			}
			s.Findings[j].Text = strings.Join(said, " ")
		}
	}
	return swings, nil
}

// longestURL leaves room for a header line of 998 bytes, RFC 5322.
const longestURL = 900

// oneClick is the address for leaving the list, as a header can hold it.
func oneClick(u *url.URL) (*url.URL, error) {
	wrong := func(what string) (*url.URL, error) {
		return nil, fault("the address to unsubscribe at %s", what)
	}
	if u.Scheme != "https" || u.Hostname() == "" || u.User != nil {
		return wrong("is not https://HOST/…")
	}
	host, err := domain(u.Hostname())
	if err != nil {
		return wrong("has no proper host")
	}
	v := *u
	v.Host = host
	if p := u.Port(); p != "" {
		v.Host += ":" + p
	}
	s := v.String()
	if len(s) > longestURL || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' || strings.ContainsRune(`<>",`, r) }) {
		return wrong("is too long, or has characters that must be written as %XX")
	}
	return &v, nil
}

// recipients writes To and gives the addresses of the envelope. An address
// with letters beyond ASCII before its @ can't stand in a header that every
// server may read: it is written as an empty group of its name, as RFC 6857
// does it, and only the envelope has it.
func recipients(m *gomail.Msg, to []mail.Address) (envelope []string) {
	var shown []string
	for _, a := range to {
		envelope = append(envelope, a.Address)
		if ascii(a.Address) {
			shown = append(shown, a.String())
			continue
		}
		name := a.Name
		if name == "" {
			name = a.Address
		}
		phrase := (&mail.Address{Name: name, Address: "x@x"}).String()
		shown = append(shown, strings.TrimSuffix(phrase, "<x@x>")+":;")
	}
	m.SetGenHeader("To", shown...)
	return envelope
}

// files puts picture, film and captions in. Their names say the day and
// nothing about the player.
func files(m *gomail.Msg, l *Letter, picture string) error {
	read := func(path string) ([]byte, error) {
		b, err := os.ReadFile(path)
		if err == nil && len(b) == 0 {
			err = fmt.Errorf("the file is empty")
		}
		if err != nil {
			return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: "mail", Path: path, What: "what is to leave can't be read", Err: err}
		}
		return b, nil
	}
	b, err := read(l.Sheet)
	if err != nil {
		return err
	}
	ext, kind := ".jpg", "image/jpeg"
	if filepath.Ext(l.Sheet) == ".png" {
		ext, kind = ".png", "image/png"
	}
	m.EmbedReadSeeker("stills-"+l.Day+ext, bytes.NewReader(b), gomail.WithFileContentID("<"+picture+">"), gomail.WithFileContentType(gomail.ContentType(kind)))
	for _, f := range []struct{ path, name, kind string }{{l.Film, "swing-" + l.Day + ".mp4", "video/mp4"}, {l.Captions, "swing-" + l.Day + ".vtt", "text/vtt"}} {
		if f.path == "" || l.Film == "" { // captions of no film
			continue
		}
		if b, err = read(f.path); err != nil {
			return err
		}
		m.AttachReadSeeker(f.name, bytes.NewReader(b), gomail.WithFileContentType(gomail.ContentType(f.kind)))
	}
	return nil
}

// boundaryForm finds the boundaries where go-mail writes them: it makes them
// up anew each time and has a way to set one only, for all levels.
var boundaryForm = regexp.MustCompile(`(?m)^Content-Type: multipart/[a-z]+;\r\n boundary=([0-9a-f]{60})\r$`)

// settled gives the message the same boundaries every time, and looks at it
// once more: nothing of it may be read otherwise than it was meant.
func settled(raw []byte, id string) ([]byte, error) {
	for i, b := range boundaryForm.FindAllSubmatch(raw, -1) {
		sum := sha256.Sum256(fmt.Appendf(nil, "boundary %d of %s", i, id))
		raw = bytes.ReplaceAll(raw, b[1], []byte(hex.EncodeToString(sum[:]))[:len(b[1])])
	}
	odd := func(what string) ([]byte, error) {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: "mail", What: "the message would have " + what}
	}
	for line := range bytes.Lines(raw) {
		text, whole := bytes.CutSuffix(line, []byte("\r\n"))
		switch {
		case !whole || bytes.ContainsAny(text, "\r\n\x00"):
			return odd("a line that does not end as RFC 5322 wants it")
		case len(text) > 998:
			return odd("a line of more than 998 bytes")
		case bytes.ContainsFunc(text, func(r rune) bool { return r > '~' }):
			return odd("bytes beyond ASCII")
		}
	}
	return raw, nil
}
