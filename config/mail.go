package config

import (
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Mail is how lessons are mailed. Without a host nothing is. The password is in
// none of the keys: it comes from TAPELINE_MAIL_PASSWORD or a file of its own.
type Mail struct {
	Host string `mapstructure:"host"`
	Port int    `mapstructure:"port"` // 0: 465 for tls, else 587
	TLS  string `mapstructure:"tls"`  // starttls, tls or, where the host is this machine, none
	User string `mapstructure:"user"`
	// PasswordFile holds the password on its one line; a relative path in a
	// file is relative to that file.
	PasswordFile string        `mapstructure:"password_file"`
	From         string        `mapstructure:"from"` // address of the coach
	ReplyTo      string        `mapstructure:"reply_to"`
	Name         string        `mapstructure:"name"`        // of the coach, beside From
	MaxBytes     string        `mapstructure:"max_bytes"`   // of the video and the stills, before they are encoded for mail
	PerHour      int           `mapstructure:"per_hour"`    // addresses written to within an hour
	Unsure       string        `mapstructure:"unsure"`      // ask or again
	Unsubscribe  string        `mapstructure:"unsubscribe"` // an https address
	Timeout      time.Duration `mapstructure:"timeout"`
}

// Academy is how an academy shows itself in its letters.
type Academy struct {
	Name   string `mapstructure:"name"`
	Colour string `mapstructure:"colour"` // #rrggbb
	Foot   string `mapstructure:"foot"`
}

// Leave is whether and how lessons leave.
type Leave struct {
	Mail    Mail    `mapstructure:"mail"`
	Academy Academy `mapstructure:"academy"`
	Release string  `mapstructure:"release"` // coach or auto
	Others  string  `mapstructure:"others"`  // ask, blur or allow
	// Keep is how long originals, lessons and their rows are kept, by the day
	// they were filmed: 400d; 0: for ever.
	Keep string `mapstructure:"keep"`
}

func defaultLeave() Leave {
	return Leave{Mail: Mail{TLS: "starttls", MaxBytes: "14MB", PerHour: 100, Unsure: "ask", Timeout: time.Minute}, Release: "coach", Others: "ask", Keep: "0"}
}

// passwordEnv is where the password may be.
const passwordEnv = "TAPELINE_MAIL_PASSWORD"

// Password is what TAPELINE_MAIL_PASSWORD says, else the first line of the
// file; empty where there is neither. The error names the file only.
func (m Mail) Password() (string, error) {
	if p := os.Getenv(passwordEnv); p != "" {
		return p, nil
	}
	if m.PasswordFile == "" {
		return "", nil
	}
	return secret("mail.password_file", m.PasswordFile)
}

// KeepDays is Keep in days, 0: for ever.
func (l Leave) KeepDays() (int, error) {
	m := keepForm.FindStringSubmatch(l.Keep)
	if m == nil {
		return 0, fmt.Errorf("%q is no number of days; write it like 400d, or 0 for ever", l.Keep)
	}
	n, err := strconv.Atoi(m[1])
	if err != nil || n > 36500 || n > 0 && m[2] == "" {
		return 0, fmt.Errorf("%q is no number of days; write it like 400d, or 0 for ever", l.Keep)
	}
	return n, nil
}

var (
	keepForm   = regexp.MustCompile(`^(\d{1,6})(d?)$`)
	colourForm = regexp.MustCompile(`^#[0-9a-fA-F]{6}$`)
)

func (l Leave) validate() error {
	m := l.Mail
	for _, k := range []struct {
		key, value string
		words      []string
	}{
		{"mail.tls", m.TLS, []string{"starttls", "tls", "none"}},
		{"mail.unsure", m.Unsure, []string{"ask", "again"}},
		{"release", l.Release, []string{"coach", "auto"}},
		{"others", l.Others, []string{"ask", "blur", "allow"}},
	} {
		if !slices.Contains(k.words, k.value) {
			return fmt.Errorf("%s: %q is not one of %s", k.key, k.value, strings.Join(k.words, ", "))
		}
	}
	for _, k := range []struct {
		key, value string
		most       int
	}{
		{"mail.host", m.Host, 253}, {"mail.user", m.User, 320}, {"mail.name", m.Name, 80}, {"academy.name", l.Academy.Name, 80}, {"academy.foot", l.Academy.Foot, 200},
	} {
		if len(k.value) > k.most || strings.ContainsFunc(k.value, unicode.IsControl) {
			return fmt.Errorf("%s: is no short line of text", k.key)
		}
	}
	for _, k := range []struct{ key, value string }{{"mail.from", m.From}, {"mail.reply_to", m.ReplyTo}} {
		if a, err := mail.ParseAddress(k.value); k.value != "" && (err != nil || a.Address != k.value) {
			return fmt.Errorf("%s: %q is no e-mail address", k.key, k.value)
		}
	}
	if l.Academy.Colour != "" && !colourForm.MatchString(l.Academy.Colour) {
		return fmt.Errorf("academy.colour: %q is no colour; write it like #0072b2", l.Academy.Colour)
	}
	if n, err := ParseBytes(m.MaxBytes); err != nil {
		return fmt.Errorf("mail.max_bytes: %w", err)
	} else if n < 1e6 || n > 100e6 {
		return fmt.Errorf("mail.max_bytes: %s is not between 1MB and 100MB", m.MaxBytes)
	}
	if m.PerHour < 1 || m.PerHour > 10000 {
		return fmt.Errorf("mail.per_hour: %d is not between 1 and 10000", m.PerHour)
	}
	if m.Timeout < time.Second || m.Timeout > 10*time.Minute {
		return fmt.Errorf("mail.timeout: %s is not between 1s and 10m; write it with its unit, like 30s", m.Timeout)
	}
	if m.Port < 0 || m.Port > 65535 {
		return fmt.Errorf("mail.port: %d is no port", m.Port)
	}
	if _, err := l.KeepDays(); err != nil {
		return fmt.Errorf("keep: %w", err)
	}
	if m.Unsubscribe != "" {
		if u, err := url.Parse(m.Unsubscribe); err != nil || u.Scheme != "https" || u.Host == "" || strings.ContainsFunc(m.Unsubscribe, unicode.IsSpace) {
			return fmt.Errorf("mail.unsubscribe: %q is no address that begins with https://", m.Unsubscribe)
		}
	}
	if m.Host == "" {
		return nil
	}
	if m.From == "" {
		return errors.New("mail.from: is empty; letters need the coach's address")
	}
	if ip := net.ParseIP(m.Host); m.TLS == "none" && m.Host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("mail.tls: none is only for a server on this machine, not %s", m.Host)
	}
	return nil
}
