package deliver

import (
	"fmt"
	"net"
	"net/mail"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/net/idna"

	"tapeline/pipeline"
)

// labels are those of a domain, RFC 1123 2.1.
var labels = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*$`)

// domain is a host name in the letters of the DNS, "xn--…" where it needs that.
func domain(name string) (string, error) {
	d, err := idna.Lookup.ToASCII(strings.TrimSuffix(name, "."))
	if err != nil {
		return "", err
	}
	if len(d) <= 253 && labels.MatchString(d) {
		return d, nil
	}
	return "", fmt.Errorf("%q is not a domain", name)
}

func ascii(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r > unicode.MaxASCII })
}

// atomText is RFC 5322's atext but for letters and digits.
const atomText = "!#$%&'*+-/=?^_`{|}~"

// envelopeForm is true of an address that can stand between < and >: a local
// part of dot-atoms, of any letters (RFC 6531), and a domain in ASCII.
func envelopeForm(a string) bool {
	at := strings.LastIndexByte(a, '@')
	if at < 1 || len(a) > 254 || at > 64 || !utf8.ValidString(a) {
		return false
	}
	for _, atom := range strings.Split(a[:at], ".") {
		if atom == "" || strings.ContainsFunc(atom, func(r rune) bool {
			return !(unicode.IsLetter(r) || unicode.IsMark(r) || unicode.IsDigit(r) || strings.ContainsRune(atomText, r)) || hidden(r)
		}) {
			return false
		}
	}
	d, err := domain(a[at+1:])
	return err == nil && d == a[at+1:] && net.ParseIP(d) == nil
}

// hidden is true of what can't be seen, or changes how what stands around it
// is read: controls, and format characters, among them those that turn the
// direction.
func hidden(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Zl, r) || unicode.Is(unicode.Zp, r) ||
		unicode.Is(unicode.Co, r) || r == utf8.RuneError || unicode.Is(unicode.Other_Default_Ignorable_Code_Point, r) || unicode.Is(unicode.Variation_Selector, r)
}

// address checks one address and gives it as the envelope needs it. whose says
// in an error where it stood.
func address(a mail.Address, whose string) (mail.Address, error) {
	wrong := func(what string) (mail.Address, error) {
		return a, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: fmt.Sprintf("%s: %q %s", whose, oneLine(a.Address), what), Hint: "one address like ada@example.org"}
	}
	addr := strings.Trim(a.Address, " ")
	switch {
	case addr == "":
		return wrong("is empty")
	case strings.ContainsFunc(addr, hidden):
		return wrong("has a line break or a character that can't be seen")
	case strings.ContainsAny(addr, ",;") || strings.Count(addr, "@") > 1:
		return wrong("is more than one address")
	case strings.ContainsAny(addr, "<>\"()[]\\: ") || strings.Contains(addr, "=?"):
		return wrong("is not a plain address")
	}
	at := strings.LastIndexByte(addr, '@')
	if at < 1 {
		return wrong("is not an address")
	}
	d, err := domain(addr[at+1:])
	if err != nil {
		return wrong("has a domain that can't be")
	}
	if !strings.Contains(d, ".") && d != "localhost" {
		return wrong("has a domain without an end, like .org")
	}
	out := addr[:at] + "@" + d
	if !envelopeForm(out) {
		return wrong("is not an address")
	}
	name, err := plain(a.Name, whose, longestLabel)
	if err != nil {
		return a, err
	}
	if strings.ContainsAny(name, "@<>") { // a name that looks like another address
		name = ""
	}
	// net/mail leaves \ as it is in an encoded word, where RFC 2047 5 (3) has none.
	return mail.Address{Name: strings.ReplaceAll(name, `\`, ""), Address: out}, nil
}

// longestLabel is the most runes of a name or a line of the academy,
// longestNote of what the coach writes.
const (
	longestLabel = 200
	longestNote  = 10_000
)

// plain is a text of one line without what can't be seen. A line break in it,
// or too many runes, is an error: it is no slip of a keyboard.
func plain(s, whose string, most int) (string, error) {
	wrong := func(what string) (string, error) {
		return "", &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: whose + " " + what}
	}
	switch {
	case !utf8.ValidString(s):
		return wrong("is not UTF-8")
	case strings.ContainsFunc(s, unicode.IsControl):
		return wrong("has a line break or a control character")
	case utf8.RuneCountInString(s) > most:
		return wrong(fmt.Sprintf("is longer than %d letters", most))
	}
	s = strings.Map(func(r rune) rune {
		if hidden(r) {
			return -1
		}
		return r
	}, s)
	// What looks encoded (RFC 2047) would be decoded by who reads it in a header.
	return strings.ReplaceAll(strings.Join(strings.Fields(s), " "), "=?", "= ?"), nil
}

// lines is a text of several lines, each as plain makes it.
func lines(s, whose string) ([]string, error) {
	if n := utf8.RuneCountInString(s); n > longestNote {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: fmt.Sprintf("%s has %d letters", whose, n), Hint: fmt.Sprintf("at most %d", longestNote)}
	}
	var out []string
	for l := range strings.Lines(strings.ReplaceAll(s, "\r\n", "\n")) {
		l, err := plain(strings.ReplaceAll(strings.TrimRight(l, "\n"), "\t", " "), whose, longestNote)
		if err != nil {
			return nil, err
		}
		if l != "" {
			out = append(out, l)
		}
	}
	return out, nil
}
