package main

import (
	"bytes"
	"errors"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
)

// What status says of several machines in each state: who is there, and why
// nothing goes on.
func TestMachinesTold(t *testing.T) {
	at := time.Date(2026, 5, 3, 17, 4, 5, 0, time.UTC)
	worker := func(name, role string, process int, silent float64) machine {
		w := jobs.Worker{ID: name + role + string(rune('a'+process)), Name: name, Role: role, Process: process, State: jobs.Working, Began: at, Seen: at, Silent: silent}
		if role != jobs.RoleOffice {
			w.Jobs = 1
		}
		return machine{Worker: w, Silence: !w.Lives(time.Minute)}
	}
	office, reader, twin := worker("barn", jobs.RoleOffice, 11, 3), worker("cage", jobs.RoleReader, 12, 4), worker("cage", jobs.RoleReader, 13, 5)
	away := func(m machine, trouble string) machine {
		m.Trouble, m.Since = trouble, at
		return m
	}
	cut := func(m machine, hand int, state string) machine {
		m.Silence, m.Hand, m.State = true, hand, state
		return m
	}
	busy := reader
	busy.Hand, busy.Clips = 1, []string{"0a1b2c3d"}
	draining := reader
	draining.State = jobs.Draining
	for name, c := range map[string]struct {
		all  []machine
		want []string // patterns of lines, all of them
	}{
		"well":            {[]machine{office, busy, twin}, []string{`^barn +office +11 +at work +0 +2026-05-03 17:04:05 +2026-05-03 17:04:05$`, `^cage +reads +12 +at work +1: 0a1b2c3d `, `^cage +reads +13 +at work +0 `}},
		"both":            {[]machine{worker("barn", jobs.RoleBoth, 11, 0)}, []string{`^barn +office, reads +11 `}},
		"nobody":          {nil, []string{`^No office runs`, `^No machine reads`}},
		"no office":       {[]machine{busy}, []string{`^No office runs`, `^cage +reads`}},
		"the office died": {[]machine{cut(office, 0, jobs.Working), reader}, []string{`^No office runs`, `^barn +office +11 +no sign of life +0`, `^cage`}},
		"no reader":       {[]machine{office, draining}, []string{`^No machine reads`, `^barn`, `^cage +reads +12 +stopping`}},
		"no bucket": {[]machine{away(office, jobs.NoDepot), away(reader, jobs.NoDepot), away(twin, jobs.NoSpace)}, []string{
			`^The store of files .* can't be reached.* \(barn since 2026-05-03 17:04:05, cage \(12\) since 2026-05-03 17:04:05\)$`, `^No clip can be read: the disk is too full. \(cage \(13\) since .*\)$`, `^barn`, `^cage`, `^cage`}},
		"cut off": {[]machine{office, reader, cut(twin, 1, jobs.Gone), cut(worker("loft", jobs.RoleBoth, 14, 99), 2, jobs.Working)}, []string{`^barn`, `^cage`, `^cage +reads +13 +gone, others took over +-`, `^loft +office, reads +14 +no sign of life +2`,
			`^cage \(process 13\) was cut off, .*: 1\. Start "tapeline work" there once, which ends this line, or, when nothing runs there, delete workers/ in`, `^loft \(process 14\) was cut off, .*: 2\. Start "tapeline watch" there once, which ends this line, or, .* delete staging/ in`}},
	} {
		y, err := openYard("", speech{})
		if err != nil {
			t.Fatal(err)
		}
		y.c.Timezone = "UTC"
		var out bytes.Buffer
		y.tellSnags(&out, y.snags(c.all), c.all)
		y.tellMachines(&out, c.all)
		lines := slices.DeleteFunc(strings.Split(out.String(), "\n"), func(l string) bool { return l == "" || strings.HasPrefix(l, "Machine ") })
		ok := len(lines) == len(c.want)
		for i, p := range c.want {
			ok = ok && regexp.MustCompile(p).MatchString(lines[i])
		}
		if !ok {
			t.Errorf("%s:\n%s\nwant\n%s", name, strings.Join(lines, "\n"), strings.Join(c.want, "\n"))
		}
	}
}

// Where the database is away status says so in one line, at once.
func TestStatusWithoutDatabase(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	_ = l.Close()
	dir := t.TempDir()
	conf := filepath.Join(dir, "tapeline.yaml")
	if err := os.WriteFile(conf, []byte("work: "+dir+"\nstore: postgres://coach@"+addr+"/barn?sslmode=disable\nclips: file://"+dir+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	err = status(t.Context(), streams{out: &bytes.Buffer{}, err: &bytes.Buffer{}}, []string{"--config", conf})
	var e *pipeline.Error
	if !errors.As(err, &e) || e.Fault != pipeline.FaultLedger || !strings.HasPrefix(e.Error(), `"postgres `+addr+` barn": the database can't be reached (connection refused)`) || strings.ContainsAny(e.Error(), "\n") || strings.Contains(e.Error(), "coach") {
		t.Errorf("%v", err)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("it took %v", took)
	}
}
