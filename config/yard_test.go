package config

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestYard(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	load := func(text string) (Config, error) {
		if err := os.WriteFile(File, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return Load(File)
	}
	c, err := load("work: w\ninbox: [a, b]\npoll: 30s\nroster: r.csv\nnightly: \"03:30\"\ntimezone: America/Chicago\nlimits: {time: 2m, memory: 1.5GB}\nmetrics: \"127.0.0.1:9100\"\nlog: {format: json}\n")
	if err != nil {
		t.Fatal(err)
	}
	night, _ := c.Night()
	mem, _ := ParseBytes(c.Limits.Memory)
	if c.Work != "w" || !slices.Equal(c.Inboxes(), []string{"a", "b"}) || c.Poll != 30*time.Second || c.Settle != 5*time.Second || c.Roster != "r.csv" ||
		night != 3*time.Hour+30*time.Minute || c.Limits.Time != 2*time.Minute || mem != 1.5e9 || c.Limits.Space != "2GB" || c.Log != (Log{"info", "json"}) {
		t.Errorf("%+v", c.Yard)
	}
	if got := Default().Inboxes(); !slices.Equal(got, []string{filepath.Join("tapeline-work", "inbox")}) {
		t.Errorf("%v", got)
	}
	t.Setenv("TAPELINE_INBOX", "x,y")
	t.Setenv("TAPELINE_SETTLE", "7s")
	if c, err := load("inbox: [a]\n"); err != nil || !slices.Equal(c.Inbox, []string{"x", "y"}) || c.Settle != 7*time.Second {
		t.Errorf("%+v, %v", c.Yard, err)
	}
	os.Unsetenv("TAPELINE_INBOX")
	os.Unsetenv("TAPELINE_SETTLE")
	for text, want := range map[string]string{
		"settle: 5": "settle: ", "settle: soon": "settle", "cap: 1s": "cap: ", "poll: 1ms": "poll: ", "nightly: \"25:00\"": "nightly: ", "timezone: Moon": "timezone: ",
		"jobs: 0": "jobs: ", "tries: 99": "tries: ", "limits: {memory: 3}": "limits.memory", "limits: {space: lots}": "limits.space: ",
		"metrics: \"0.0.0.0:9100\"": "metrics: ", "metrics: \":9100\"": "metrics: ", "log: {level: loud}": "log.level: ", "log: {fromat: json}": "fromat", "inbox: [\"\"]": "inbox: ",
	} {
		if _, err := load(text + "\n"); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want %q", text, err, want)
		}
	}
}
