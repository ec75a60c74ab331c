package main

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/piglig/go-qr"
	"github.com/rogpeppe/go-internal/testscript"

	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/schema"
	"tapeline/pipeline/words"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"tapeline": program})
}

func TestScripts(t *testing.T) {
	samples, err := filepath.Abs("../../samples")
	if err != nil {
		t.Fatal(err)
	}
	bin, err := exec.LookPath("tapeline")
	if err != nil {
		t.Fatal(err)
	}
	home := pose.DefaultDir()
	post := &mails{t: t, at: map[string]*smtptest.Server{}}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("SAMPLES", samples)
			e.Setenv("TAPELINE_HOME", home)
			e.Setenv("HOME_OF_SETUP", home)
			e.Setenv("BIN", filepath.Dir(bin)) // holds tapeline alone
			q, err := go_qr.EncodeText(pipeline.CardText("b07"), go_qr.Medium)
			if err != nil {
				return err
			}
			card := filepath.Join(e.WorkDir, ".card.png")
			e.Setenv("CARD", card)
			return q.PNG(go_qr.NewQrCodeImgConfig(8, 4), card)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"code":       code,
			"complains":  complains,
			"interrupt":  interrupt,
			"patch":      patch,
			"valid":      valid,
			"holds":      holds,
			"agree":      agree,
			"intime":     intime,
			"units":      units,
			"nothing":    nothing,
			"swung":      swung,
			"picture":    picture,
			"mode":       mode,
			"mailserver": post.server,
			"mailed":     post.mailed,
			"packed":     packedFor,
		},
	})
}

// code N tapeline …: runs it and wants that exit code.
func code(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N tapeline …")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		got = exit.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d; want %d", got, want)
	}
}

// complains TEXT: standard error ends in one line of complaint with the text.
func complains(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: complains TEXT")
	}
	text := ts.ReadFile("stderr")
	var lines []string
	for l := range strings.Lines(text) {
		if strings.HasPrefix(l, "tapeline: ") {
			lines = append(lines, l)
		}
	}
	if len(lines) != 1 || !strings.HasSuffix(text, lines[0]) || !strings.Contains(lines[0], args[0]) || strings.Contains(text, "goroutine") {
		ts.Fatalf("standard error %q; want one line of complaint with %q", text, args[0])
	}
}

// interrupt SIGNAL GLOB tapeline …: sends the signal as soon as a file matches
// and wants exit code 130.
func interrupt(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: interrupt SIGNAL GLOB tapeline …")
	}
	sig, ok := map[string]syscall.Signal{"INT": syscall.SIGINT, "TERM": syscall.SIGTERM}[args[0]]
	if !ok {
		ts.Fatalf("no signal %s", args[0])
	}
	cmd := exec.Command(filepath.Join(ts.Getenv("BIN"), args[2]), args[3:]...)
	cmd.Dir = ts.MkAbs(".")
	cmd.Env = append(os.Environ(), "TAPELINE_HOME="+ts.Getenv("TAPELINE_HOME"))
	var errs bytes.Buffer
	cmd.Stderr = &errs
	ts.Check(cmd.Start())
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		if m, _ := filepath.Glob(ts.MkAbs(args[1])); len(m) > 0 {
			break
		}
		if time.Now().After(end) {
			cmd.Process.Kill()
			cmd.Wait()
			ts.Fatalf("no file %s; %s", args[1], errs.String())
		}
	}
	ts.Check(cmd.Process.Signal(sig))
	began := time.Now()
	err := cmd.Wait()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 130 {
		ts.Fatalf("ended with %v; want exit code 130; %s", err, errs.String())
	}
	if d := time.Since(began); d > 10*time.Second {
		ts.Fatalf("took %v to stop", d)
	}
	if n := strings.Count(errs.String(), "tapeline: "); n != 1 {
		ts.Fatalf("%d lines of complaint: %s", n, errs.String())
	}
}

// patch IN OUT MARK OFFSET HEX: copies IN to OUT with other bytes behind the
// first MARK; with "zero" for HEX everything from there on becomes 0.
func patch(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 5 {
		ts.Fatalf("usage: patch IN OUT MARK OFFSET HEX")
	}
	b := []byte(ts.ReadFile(args[0]))
	offset, err := strconv.Atoi(args[3])
	ts.Check(err)
	i := bytes.Index(b, []byte(args[2]))
	if i < 0 {
		ts.Fatalf("no %q in %s", args[2], args[0])
	}
	if at := b[i+len(args[2])+offset:]; args[4] == "zero" {
		clear(at)
	} else {
		with, err := hex.DecodeString(args[4])
		ts.Check(err)
		copy(at, with)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b, 0o666))
}

// valid report|track FILE: the file keeps to its schema, and there are words
// for every key and code of a report.
func valid(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: valid report|track FILE")
	}
	check := map[string]func([]byte) error{"report": schema.Report, "track": schema.Track}[args[0]]
	b := []byte(ts.ReadFile(args[1]))
	ts.Check(check(b))
	if args[0] != "report" {
		return
	}
	var rep pipeline.Report
	ts.Check(json.Unmarshal(b, &rep))
	l := words.English()
	say := func(kind, code string, ok bool) {
		if !ok {
			ts.Fatalf("no words for %s %q", kind, code)
		}
	}
	for _, w := range rep.Warnings {
		_, ok := l.Warnings[w.Code]
		say("warning", w.Code, ok)
	}
	for _, s := range rep.Swings {
		for _, m := range s.Measures {
			_, ok := l.Measures[m.Key]
			say("measure", m.Key, ok)
			for _, c := range m.Warnings {
				_, ok := l.Warnings[c]
				say("warning", c, ok)
			}
		}
		for _, f := range s.Findings {
			_, ok := l.Findings[f.Rule]
			say("finding", f.Rule, ok)
		}
	}
}

// nothing DIR…: none of the folders is there, and no draft is left in the
// working folder.
func nothing(ts *testscript.TestScript, neg bool, args []string) {
	for _, d := range args {
		if _, err := os.Lstat(ts.MkAbs(d)); err == nil {
			ts.Fatalf("%s was left behind", d)
		}
	}
	for _, glob := range []string{".tapeline-*", "*/.tapeline-*", "*/.encode-*", "*/*/.encode-*"} {
		if m, _ := filepath.Glob(ts.MkAbs(glob)); len(m) > 0 {
			ts.Fatalf("left behind: %v", m)
		}
	}
}

// readReport is the report in a file.
func readReport(ts *testscript.TestScript, file string) (rep pipeline.Report) {
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(file)), &rep))
	return rep
}

func within(v float64, lo, hi *float64) bool { return lo != nil && hi != nil && *lo <= v && v <= *hi }

// holds FILE SWING KEY FROM AT VALUE UNIT: the swing's measure is told in that
// unit and its bounds hold the value.
func holds(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 7 {
		ts.Fatalf("usage: [!] holds FILE SWING KEY FROM AT VALUE UNIT")
	}
	rep := readReport(ts, args[0])
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	v, err := strconv.ParseFloat(args[5], 64)
	ts.Check(err)
	if n < 1 || n > len(rep.Swings) {
		ts.Fatalf("%d swings", len(rep.Swings))
	}
	m := rep.Swings[n-1].Measure(args[2], pipeline.EventKind(args[3]), pipeline.EventKind(args[4]))
	if m == nil || m.Value == nil || m.Unit != args[6] {
		ts.Fatalf("%s is not told in %s: %+v", args[2], args[6], m)
	}
	if within(v, m.Lo, m.Hi) == neg {
		ts.Fatalf("%s is %.2f (%.2f … %.2f)", args[2], *m.Value, *m.Lo, *m.Hi)
	}
}

// agree N A B: of the measures that the shown swings of two reports tell, at
// least N, each value is within the other's bounds.
func agree(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: agree N A B")
	}
	least, err := strconv.Atoi(args[0])
	ts.Check(err)
	a, b := readReport(ts, args[1]), readReport(ts, args[2])
	told := 0
	for _, m := range a.Chosen().Measures {
		o := b.Chosen().Measure(m.Key, m.From, m.At)
		if o == nil || o.Unit != m.Unit {
			ts.Fatalf("%s %s-%s is in one report only: %+v, %+v", m.Key, m.From, m.At, m, o)
		}
		if m.Value == nil || o.Value == nil {
			continue
		}
		told++
		if !within(*m.Value, o.Lo, o.Hi) || !within(*o.Value, m.Lo, m.Hi) {
			ts.Fatalf("%s %s-%s: %.2f (%.2f … %.2f) and %.2f (%.2f … %.2f)", m.Key, m.From, m.At, *m.Value, *m.Lo, *m.Hi, *o.Value, *o.Lo, *o.Hi)
		}
	}
	if told < least {
		ts.Fatalf("%d measures told; want %d", told, least)
	}
}

// intime A B EVENT…: the events of the shown swings happen at the same capture
// time, each within the other's bounds.
func intime(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: intime A B EVENT…")
	}
	a, b := readReport(ts, args[0]), readReport(ts, args[1])
	for _, k := range args[2:] {
		e, o := a.Chosen().Event(pipeline.EventKind(k)), b.Chosen().Event(pipeline.EventKind(k))
		if e == nil || o == nil || e.T == nil || o.T == nil {
			ts.Fatalf("%s is not told in both: %+v, %+v", k, e, o)
		}
		toA := a.Clip.TimeFactor / b.Clip.TimeFactor
		if !within(*o.T*toA, e.Lo, e.Hi) || !within(*e.T/toA, o.Lo, o.Hi) {
			ts.Fatalf("%s at %.3f s of %g and %.3f s of %g times capture time", k, *e.T, a.Clip.TimeFactor, *o.T, b.Clip.TimeFactor)
		}
	}
}

// units FILE UNIT…: the measures told have these units, all of them and no
// others.
func units(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: units FILE UNIT…")
	}
	found := map[string]bool{}
	rep := readReport(ts, args[0])
	for _, m := range rep.Chosen().Measures {
		if m.Value != nil {
			found[m.Unit] = true
		}
	}
	got, want := slices.Sorted(maps.Keys(found)), slices.Sorted(slices.Values(args[1:]))
	if !slices.Equal(got, want) {
		ts.Fatalf("units %v; want %v", got, want)
	}
}
