package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/outbox"
)

// mails are the mail servers of a script, by its working folder.
type mails struct {
	t  *testing.T
	mu sync.Mutex
	at map[string]*smtptest.Server
}

// server [FAULT…]: starts a mail server that fails so, and sets MAILPORT.
func (m *mails) server(ts *testscript.TestScript, neg bool, args []string) {
	if neg {
		ts.Fatalf("usage: mailserver [FAULT…]")
	}
	var script []smtptest.Fault
	for _, a := range args {
		script = append(script, smtptest.Fault(a))
	}
	s := smtptest.New(m.t, script...)
	m.mu.Lock()
	m.at[ts.MkAbs(".")] = s
	m.mu.Unlock()
	ts.Setenv("MAILPORT", strconv.Itoa(s.Port()))
	ts.Setenv("TAPELINE_MAIL_PORT", strconv.Itoa(s.Port()))
}

// mailed N [ADDRESS]: so many messages were taken, for the address.
func (m *mails) mailed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) > 2 {
		ts.Fatalf("usage: mailed N [ADDRESS]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	m.mu.Lock()
	s := m.at[ts.MkAbs(".")]
	m.mu.Unlock()
	n := 0
	for _, r := range s.Received() {
		if len(args) == 1 || strings.Contains(strings.Join(r.To, " "), args[1]) {
			n++
		}
	}
	if n != want {
		ts.Fatalf("%d messages; want %d: %v", n, want, s.Met())
	}
}

// packedFor LESSON NAME [SEEN]: makes what may leave of a lesson without
// looking at a film, which shows others in SEEN of 30 pictures.
func packedFor(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 || len(args) > 3 {
		ts.Fatalf("usage: packed LESSON NAME [SEEN]")
	}
	seen := 0
	if len(args) == 3 {
		n, err := strconv.Atoi(args[2])
		ts.Check(err)
		seen = n
	}
	ts.Check(packedByHand(ts.MkAbs(args[0]), args[1], seen))
}

func packedByHand(lesson, name string, seen int) error {
	report, err := os.ReadFile(filepath.Join(lesson, pipeline.ReportFile))
	if err != nil {
		return err
	}
	var rep pipeline.Report
	if err := json.Unmarshal(report, &rep); err != nil {
		return err
	}
	sum := func(b []byte) string { s := sha256.Sum256(b); return hex.EncodeToString(s[:]) }
	dir := filepath.Join(lesson, pipeline.LeavingDir)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	var still bytes.Buffer
	if err := jpeg.Encode(&still, image.NewRGBA(image.Rect(0, 0, 64, 48)), nil); err != nil {
		return err
	}
	lv := pipeline.Leaving{Schema: pipeline.LeavingSchema, Clip: rep.Clip.ID, Report: sum(report), Name: name, Others: "ask", Looked: 30, Seen: seen, Files: map[string]string{}}
	for n, b := range map[string][]byte{pipeline.LeavingSheetFile: still.Bytes(), pipeline.LeavingFilmFile: bytes.Repeat([]byte("film of "+rep.Clip.ID+"\n"), 2000), pipeline.LeavingCaptionsFile: []byte("WEBVTT\n\n00:00:00.000 --> 00:00:01.000\nStance\n")} {
		lv.Files[n] = sum(b)
		err = errors.Join(err, os.WriteFile(filepath.Join(dir, n), b, 0o600))
	}
	b, e := json.Marshal(lv)
	return errors.Join(err, e, os.WriteFile(filepath.Join(dir, pipeline.LeavingFile), b, 0o600))
}

// The daemon packs what is new, sends what is released without anybody calling
// it, and tells how many stand where.
func TestTend(t *testing.T) {
	fakeChildren(t)
	server := smtptest.New(t, smtptest.Rcpt450, smtptest.None)
	dir := t.TempDir()
	conf := filepath.Join(dir, "tapeline.yaml")
	for path, text := range map[string]string{
		conf:                             fmt.Sprintf("work: %s\nroster: roster.csv\nsettle: 1s\nlimits: {space: 1MB}\nmail: {host: 127.0.0.1, port: %d, tls: none, from: coach@example.org, timeout: 5s}\n", filepath.Join(dir, "barn"), server.Port()),
		filepath.Join(dir, "roster.csv"): "id,first_name,guardian_email,consent_film,consent_mail\nb07,Ada,a@example.org,2026-01-10,2026-01-10\nc12,Ben,b@example.org,2026-01-10,\n",
		filepath.Join(dir, "barn", "inbox", "b07", "one.mov"):     "one",
		filepath.Join(dir, "barn", "inbox", "b07", "two.mov"):     "two",
		filepath.Join(dir, "barn", "inbox", "c12", "no_mail.mov"): "three",
	} {
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	yardOnce(t, conf)
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := y.store(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	p, err := y.makePost(t.Context(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	tended := func(until func() bool) {
		t.Helper()
		ctx, end := context.WithTimeout(t.Context(), 20*time.Second)
		done := make(chan struct{})
		go func() { defer close(done); p.tend(ctx, st, p.log(io.Discard)) }()
		for ctx.Err() == nil && !until() {
			time.Sleep(10 * time.Millisecond)
		}
		if ctx.Err() != nil {
			t.Error("nothing came of it")
		}
		end()
		<-done
	}
	packs := func() int {
		m, _ := filepath.Glob(filepath.Join(dir, "barn", "lessons", "*", "*", pipeline.LeavingDir, pipeline.LeavingFile))
		return len(m)
	}
	tended(func() bool { return packs() == 2 }) // none for who may not be mailed
	if len(server.Received()) != 0 {
		t.Error("sent without a word")
	}
	if code := say(t, "release", "--all", "--yes", "--config", conf); code != int(pipeline.FaultPartial) {
		t.Errorf("release: %d", code)
	}
	tended(func() bool { return len(server.Received()) == 1 })
	w := httptest.NewRecorder()
	p.measured(http.NotFoundHandler()).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	for _, want := range []string{`tapeline_lessons{state="sent"} 1`, `tapeline_lessons{state="released"} 1`, `tapeline_lessons{state="waits"} 1`} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("%q is not in\n%s", want, w.Body.String())
		}
	}
	if strings.Contains(w.Body.String(), "b07") {
		t.Error("metrics tell whose")
	}
	var out bytes.Buffer
	if code := run([]string{"status", "--config", conf}, nil, &out, &out); code != 0 || !strings.Contains(out.String(), "Lesson: sent") || !strings.Contains(out.String(), "Lesson: released") {
		t.Errorf("%d: %s", code, out.String())
	}
	// Greylisted: told when it is tried again, and delivered then.
	out.Reset()
	if code := run([]string{"waiting", "--config", conf}, nil, &out, &out); code != 0 || !strings.Contains(out.String(), "next try") {
		t.Errorf("%d: %s", code, out.String())
	}
	real := now
	t.Cleanup(func() { now = real })
	now = func() time.Time { return real().Add(6 * time.Minute) }
	out.Reset()
	if code := run([]string{"nightly", "--json", "--config", conf}, nil, &out, io.Discard); code != 0 || !strings.Contains(strings.ReplaceAll(out.String(), " ", ""), `"state":"sent"`) || len(server.Received()) != 2 {
		t.Errorf("%d: %s", code, out.String())
	}
}

func TestCheckMail(t *testing.T) {
	server := smtptest.NewWith(t, smtptest.Options{User: "coach", Password: "right"}, smtptest.None)
	closed := smtptest.New(t)
	closed.Close()
	dir := t.TempDir()
	conf := filepath.Join(dir, "tapeline.yaml")
	for name, c := range map[string]struct{ mail, password, code, says string }{
		"right":       {fmt.Sprintf("{host: 127.0.0.1, port: %d, tls: none, user: coach, from: c@example.org}", server.Port()), "right", "", "it takes letters"},
		"wrong":       {fmt.Sprintf("{host: 127.0.0.1, port: %d, tls: none, user: coach, from: c@example.org}", server.Port()), "wr0ng", "settings", "does not take user and password"},
		"no password": {fmt.Sprintf("{host: 127.0.0.1, port: %d, tls: none, user: coach, from: c@example.org}", server.Port()), "", "password", "TAPELINE_MAIL_PASSWORD"},
		"nobody":      {fmt.Sprintf("{host: 127.0.0.1, port: %d, tls: none, from: c@example.org}", closed.Port()), "", "server", "does not answer"},
		"no TLS":      {fmt.Sprintf("{host: 127.0.0.1, port: %d, tls: starttls, from: c@example.org}", server.Port()), "", "settings", "STARTTLS"},
		"none":        {"{}", "", "no_host", "lessons lie in the folder"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Setenv("TAPELINE_MAIL_PASSWORD", c.password)
			if err := os.WriteFile(conf, []byte("mail: "+c.mail+"\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			y, err := openYard(conf, speech{})
			if err != nil {
				t.Fatal(err)
			}
			k := &checking{text: y.text}
			k.mail(t.Context(), y)
			got := k.all[0]
			if got.Code != c.code || !strings.Contains(got.Detail+got.Do, c.says) {
				t.Errorf("%+v", got)
			}
			if c.password != "" && strings.Contains(fmt.Sprint(k.all), c.password) && c.password != "right" {
				t.Error("the password is told")
			}
		})
	}
	if len(server.Received()) != 0 {
		t.Error("checking sent something")
	}
	roster := filepath.Join(dir, "roster.csv")
	text := fmt.Sprintf("roster: %s\nmail: {host: 127.0.0.1, port: %d, tls: none, from: c@example.org}\n", roster, smtptest.New(t).Port())
	list := "id,guardian_email,consent_film,consent_mail\nb07,a@example.org,2026-01-10,2026-01-10\nc12,b@example.org,2026-01-10,\nd01,,2026-01-10,2026-01-10\ne05,,,\n"
	if err := errors.Join(os.WriteFile(conf, []byte(text), 0o600), os.WriteFile(roster, []byte(list), 0o600)); err != nil {
		t.Fatal(err)
	}
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	k := &checking{text: y.text}
	k.mail(t.Context(), y)
	if len(k.all) != 3 || k.all[0].State != isRight || k.all[1].About != "c12, d01" || k.all[1].Do == "" || k.all[2].Check != "keep" {
		t.Errorf("%+v", k.all)
	}
}

// What looks like the other batting side than was given may be another child's
// clip: it leaves only where the lesson itself is named.
func TestReleaseOtherSide(t *testing.T) {
	fakeChildren(t)
	dir := t.TempDir()
	conf := filepath.Join(dir, "tapeline.yaml")
	for path, text := range map[string]string{
		conf:                             fmt.Sprintf("work: %s\nroster: roster.csv\nsettle: 1s\nlimits: {space: 1MB}\nmail: {host: 127.0.0.1, port: %d, tls: none, from: coach@example.org, timeout: 5s}\n", filepath.Join(dir, "barn"), smtptest.New(t).Port()),
		filepath.Join(dir, "roster.csv"): "id,first_name,guardian_email,consent_film,consent_mail\nb07,Ada,a@example.org,2026-01-10,2026-01-10\nc12,Ben,b@example.org,2026-01-10,2026-01-10\n",
		filepath.Join(dir, "barn", "inbox", "b07", "one.mov"): "one",
		filepath.Join(dir, "barn", "inbox", "c12", "two.mov"): "two",
	} {
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	yardOnce(t, conf)
	reports, _ := filepath.Glob(filepath.Join(dir, "barn", "lessons", "c12", "*", pipeline.ReportFile))
	if len(reports) != 1 {
		t.Fatal(reports)
	}
	var rep map[string]any
	b, err := os.ReadFile(reports[0])
	if err == nil {
		err = json.Unmarshal(b, &rep)
	}
	rep["warnings"] = []pipeline.Warning{{Code: "bats_doubtful"}}
	b, e := json.Marshal(rep)
	if err := errors.Join(err, e, os.WriteFile(reports[0], b, 0o600)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		which         []string
		leaving, stay int
	}{{[]string{"--all"}, 1, 1}, {[]string{"c12"}, 0, 1}, {[]string{filepath.Dir(reports[0])}, 1, 0}} {
		var out, errs bytes.Buffer
		run(append([]string{"release", "--dry-run", "--json", "--config", conf}, c.which...), nil, &out, &errs)
		var got struct {
			Leaves []leaves `json:"leaving"`
			Stay   []leaves `json:"not_leaving"`
		}
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Fatal(err, out.String(), errs.String())
		}
		if len(got.Leaves) != c.leaving || len(got.Stay) != c.stay || c.stay > 0 && got.Stay[0].Why.Reason != outbox.OtherSide {
			t.Errorf("%v: %s", c.which, out.String())
		}
	}
	var out bytes.Buffer
	if run([]string{"release", "--dry-run", "--config", conf, filepath.Dir(reports[0])}, nil, &out, &out); !strings.Contains(out.String(), "other batting side") {
		t.Error(out.String())
	}
}
