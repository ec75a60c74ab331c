package config

import (
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Yard is what "watch" and "nightly" need: where clips are dropped and how they
// are worked through. Durations are written with their unit, 5s or 10m.
type Yard struct {
	// Work is the folder below which lie, where nothing else is said, inbox/,
	// archive/, unplaced/, failed/, lessons/ and store.db.
	Work string `mapstructure:"work"`
	// Inbox are the folders clips are dropped in; empty: inbox in Work.
	Inbox []string `mapstructure:"inbox"`
	// Poll is how often the inbox is looked at, for network folders that don't
	// tell of changes; 0: they tell.
	Poll time.Duration `mapstructure:"poll"`
	// Settle is how long a file must have been quiet, Cap after how long one
	// that never is is tried.
	Settle time.Duration `mapstructure:"settle"`
	Cap    time.Duration `mapstructure:"cap"`
	// Roster is the file of ReadRoster; a relative path in a file is relative
	// to that file.
	Roster string `mapstructure:"roster"`
	// Nightly is when the night's run begins, "02:00", in Timezone, a name like
	// America/Chicago or Local.
	Nightly  string `mapstructure:"nightly"`
	Timezone string `mapstructure:"timezone"`
	Jobs     int    `mapstructure:"jobs"`  // readings at once; 0, with Clips: other machines read
	Tries    int    `mapstructure:"tries"` // of one clip, before it goes to failed/
	Limits   Limits `mapstructure:"limits"`
	// Metrics is host:port on this machine for /healthz and /metrics; empty:
	// off.
	Metrics string `mapstructure:"metrics"`
	Log     Log    `mapstructure:"log"`
}

// Limits of one reading, and of the disk.
type Limits struct {
	Time   time.Duration `mapstructure:"time"`
	Memory string        `mapstructure:"memory"` // see ParseBytes
	Space  string        `mapstructure:"space"`  // stays free; with less no work is taken
}

// Log of the daemon, one line an event, on standard error.
type Log struct {
	Level  string `mapstructure:"level"`  // debug, info, warn or error
	Format string `mapstructure:"format"` // text or json
}

func defaultYard() Yard {
	return Yard{Work: "tapeline-work", Settle: 5 * time.Second, Cap: 10 * time.Minute, Nightly: "02:00", Timezone: "Local", Jobs: 1, Tries: 3,
		Limits: Limits{Time: 15 * time.Minute, Memory: "3GB", Space: "2GB"}, Log: Log{Level: "info", Format: "text"}}
}

// Inboxes are the folders clips are dropped in.
func (y Yard) Inboxes() []string {
	if len(y.Inbox) > 0 {
		return y.Inbox
	}
	return []string{filepath.Join(y.Work, "inbox")}
}

// Zone is the time zone of the nights.
func (y Yard) Zone() (*time.Location, error) {
	if y.Timezone == "Local" {
		return time.Local, nil
	}
	return time.LoadLocation(y.Timezone)
}

// Night is when the night's run begins, since midnight.
func (y Yard) Night() (time.Duration, error) {
	t, err := time.Parse("15:04", y.Nightly)
	if err != nil {
		return 0, fmt.Errorf("%q is no time of day; write it like 02:00", y.Nightly)
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
}

func (y Yard) validate() error {
	if strings.TrimSpace(y.Work) == "" {
		return errors.New("work: is empty")
	}
	if slices.Contains(y.Inbox, "") {
		return errors.New("inbox: one of the folders is empty")
	}
	for _, d := range []struct {
		key       string
		is        time.Duration
		low, high time.Duration
	}{
		{"poll", y.Poll, time.Second, time.Hour}, {"settle", y.Settle, time.Second, time.Hour}, {"cap", y.Cap, y.Settle, 24 * time.Hour},
		{"limits.time", y.Limits.Time, 10 * time.Second, 12 * time.Hour},
	} {
		if d.key == "poll" && d.is == 0 {
			continue
		}
		if d.is < d.low || d.is > d.high {
			return fmt.Errorf("%s: %s is not between %s and %s; write it with its unit, like 30s or 10m", d.key, d.is, d.low, d.high)
		}
	}
	if _, err := y.Night(); err != nil {
		return fmt.Errorf("nightly: %w", err)
	}
	if _, err := y.Zone(); err != nil || y.Timezone == "" {
		return fmt.Errorf("timezone: %q is not known; write it like America/Chicago, or Local", y.Timezone)
	}
	if y.Jobs < 0 || y.Jobs > 32 {
		return fmt.Errorf("jobs: %d is not between 1 and 32", y.Jobs)
	}
	if y.Tries < 1 || y.Tries > 32 {
		return fmt.Errorf("tries: %d is not between 1 and 32", y.Tries)
	}
	for key, s := range map[string]string{"limits.memory": y.Limits.Memory, "limits.space": y.Limits.Space} {
		if _, err := ParseBytes(s); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	if y.Metrics != "" {
		host, port, err := net.SplitHostPort(y.Metrics)
		n, e := strconv.Atoi(port)
		ip := net.ParseIP(host)
		if err != nil || e != nil || n < 1 || n > 65535 || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return fmt.Errorf("metrics: %q is no place on this machine alone; write it like 127.0.0.1:9100", y.Metrics)
		}
	}
	if !slices.Contains([]string{"debug", "info", "warn", "error"}, y.Log.Level) {
		return fmt.Errorf("log.level: %q is not one of debug, info, warn, error", y.Log.Level)
	}
	if !slices.Contains([]string{"text", "json"}, y.Log.Format) {
		return fmt.Errorf("log.format: %q is not one of text, json", y.Log.Format)
	}
	return nil
}

var amount = regexp.MustCompile(`^(\d{1,6}(?:\.\d+)?)\s*(MB|GB)$`)

// ParseBytes reads "500MB" or "3GB", of a thousand each.
func ParseBytes(s string) (int64, error) {
	m := amount.FindStringSubmatch(strings.TrimSpace(s))
	if m == nil {
		return 0, fmt.Errorf("%q is no amount; write it like 500MB or 3GB", s)
	}
	f, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		return 0, err
	}
	if m[2] == "GB" {
		f *= 1000
	}
	return int64(f * 1e6), nil
}
