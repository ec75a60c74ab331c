package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestLeave(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	load := func(text string) (Config, error) {
		if err := os.WriteFile(File, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return Load(File)
	}
	c, err := load("mail: {host: mail.example.org, from: coach@example.org, password_file: secret, per_hour: 40, timeout: 20s, unsubscribe: \"https://example.org/u\"}\n" +
		"academy: {name: Millbrook Hitting Barn, colour: \"#0072b2\"}\nrelease: auto\nothers: blur\nkeep: 400d\n")
	if err != nil {
		t.Fatal(err)
	}
	days, _ := c.KeepDays()
	if c.Mail.TLS != "starttls" || c.Mail.PerHour != 40 || c.Mail.Timeout != 20*time.Second || c.Mail.MaxBytes != "14MB" || c.Mail.Unsure != "ask" || c.Release != "auto" || c.Others != "blur" || days != 400 {
		t.Errorf("%+v", c.Leave)
	}
	if d := Default(); d.Release != "coach" || d.Others != "ask" || d.Mail.Host != "" {
		t.Errorf("%+v", d.Leave)
	}

	if _, err := c.Mail.Password(); err == nil || !strings.Contains(err.Error(), "can't be read") {
		t.Errorf("no file: %v", err)
	}
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("pass word\r\nmore\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Mail.Password(); err == nil || !strings.Contains(err.Error(), "chmod 600") || strings.Contains(err.Error(), "pass word") {
		t.Errorf("open to all: %v", err)
	}
	os.Chmod(secret, 0o600)
	if p, err := c.Mail.Password(); p != "pass word" || err != nil {
		t.Errorf("%q, %v", p, err)
	}
	t.Setenv("TAPELINE_MAIL_PASSWORD", "other")
	if p, err := c.Mail.Password(); p != "other" || err != nil {
		t.Errorf("%q, %v", p, err)
	}
	if c, err := load("mail: {host: localhost, from: c@example.org, tls: none}\nkeep: \"0\"\n"); err != nil {
		t.Error(err)
	} else if n, err := c.KeepDays(); n != 0 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
	t.Setenv("TAPELINE_MAIL_PER_HOUR", "7")
	if c, err := load("mail: {per_hour: 9}\n"); err != nil || c.Mail.PerHour != 7 {
		t.Errorf("%d, %v", c.Mail.PerHour, err)
	}
	t.Setenv("TAPELINE_MAIL_PER_HOUR", "many")
	if _, err := load("lang: en\n"); err == nil || !strings.Contains(err.Error(), "mail.per_hour: \"many\" is not a whole number") {
		t.Error(err)
	}
	os.Unsetenv("TAPELINE_MAIL_PER_HOUR")
	for text, want := range map[string]string{
		"mail: {host: mail.example.org}":                                 "mail.from: ",
		"mail: {host: mail.example.org, from: c@example.org, tls: none}": "mail.tls: ",
		"mail: {host: 192.0.2.1, from: c@example.org, tls: none}":        "mail.tls: ",
		"mail: {tls: maybe}":                                             "mail.tls: ",
		"mail: {password: secret}":                                       "mail.password",
		"mail: {from: \"a@example.org, b@example.org\"}":                 "mail.from: ",
		"mail: {from: \"A <a@example.org>\"}":                            "mail.from: ",
		"mail: {name: \"a\\nBcc: x\"}":                                   "mail.name: ",
		"mail: {max_bytes: 14}":                                          "mail.max_bytes",
		"mail: {max_bytes: 500MB}":                                       "mail.max_bytes: ",
		"mail: {per_hour: 0}":                                            "mail.per_hour: ",
		"mail: {unsure: perhaps}":                                        "mail.unsure: ",
		"mail: {unsubscribe: \"http://example.org\"}":                    "mail.unsubscribe: ",
		"mail: {timeout: 1h}":                                            "mail.timeout: ",
		"mail: {port: 70000}":                                            "mail.port: ",
		"academy: {colour: blue}":                                        "academy.colour: ",
		"release: always":                                                "release: ",
		"others: show":                                                   "others: ",
		"keep: 400":                                                      "keep",
		"keep: \"400\"":                                                  "keep: ",
		"keep: 1y":                                                       "keep: ",
	} {
		if _, err := load(text + "\n"); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want %q", text, err, want)
		}
	}
}
