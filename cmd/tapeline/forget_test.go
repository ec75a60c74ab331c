package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// What must not be found of the player that is forgotten.
const (
	lostCode    = "zq7lost9"
	lostName    = "Quillonia"
	lostAddress = "quill.guardian@example.org"
	lostPixels  = "pixels of nobody else 9f83"
)

// lostBarn is a work folder in which there is about everything there can be of
// a player, and something of another.
func lostBarn(t *testing.T, conf string, port int) string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "tapeline.yaml")
	write := func(text string, name ...string) {
		t.Helper()
		p := filepath.Join(append([]string{dir}, name...)...)
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	write("id,first_name,guardian_email,consent_film,consent_mail\n"+lostCode+","+lostName+","+lostAddress+",2026-01-10,2026-01-10\nc12,Ben,ben@example.org,2026-01-10,2026-01-10\n", "roster.csv")
	write(fmt.Sprintf("work: %s\nout: %s\nroster: %s\nsettle: 1s\nlimits: {space: 1MB}\nmail: {host: 127.0.0.1, port: %d, tls: none, from: coach@example.org, timeout: 5s}\n%s",
		filepath.Join(dir, "barn"), filepath.Join(dir, "barn", "out"), filepath.Join(dir, "roster.csv"), port, conf), "tapeline.yaml")
	write(lostPixels+" one", "barn", "inbox", lostCode, "one.mov")
	write("date: 2026-04-12\n", "barn", "inbox", lostCode, "one.yaml")
	write("voice of "+lostPixels, "barn", "inbox", lostCode, "one.m4a")
	write(lostPixels+" by name", "barn", "inbox", lostCode+"_two.mov")
	write(lostPixels+" broken", "barn", "inbox", lostCode, "broken.mov")
	write(lostPixels+" of two", "barn", "inbox", lostCode, "c12_whose.mov")
	write("the other's own", "barn", "inbox", "c12", "own.mov")
	yardOnce(t, path)
	write(lostPixels+" one", "barn", "inbox", lostCode, "again.mov") // the same bytes
	write("date: 2026-04-13\n", "barn", "inbox", lostCode, "again.yaml")
	yardOnce(t, path)
	if code := say(t, "release", lostCode, "--yes", "--config", path); code != 0 {
		t.Fatalf("release: %d", code)
	}
	if code := say(t, "send", "--config", path); code != 0 {
		t.Fatalf("send: %d", code)
	}
	book := filepath.Join(dir, "barn", "lessons", ledger.File)
	for _, args := range [][]string{{"export", "--ledger", book}, {"export", "--ledger", book, "--json"}} {
		var out bytes.Buffer
		if code := run(args, nil, &out, &out); code != 0 {
			t.Fatalf("%v: %s", args, out.String())
		}
		write(out.String(), "barn", fmt.Sprintf("export-%d.%s", len(args), map[int]string{3: "csv", 4: "json"}[len(args)]))
	}
	if !strings.Contains(read2(t, filepath.Join(dir, "barn", "export-3.csv")), lostCode) {
		t.Fatal("the export does not name the player")
	}
	lessons, _ := filepath.Glob(filepath.Join(dir, "barn", "lessons", lostCode, "*"))
	if len(lessons) != 2 {
		t.Fatalf("lessons %v", lessons)
	}
	if code := say(t, "preview", lessons[0], "--config", path); code != 0 {
		t.Fatalf("preview: %d", code)
	}
	write("a picture", "barn", "out", "progress-"+lostCode+".png")
	write("a picture", "barn", "out", "compare.png")
	write(lostPixels+" just dropped", "barn", "inbox", lostCode, "late.mov")
	write("player: "+lostCode+"\n", "barn", "inbox", "anywhere.yaml")
	write(lostPixels+" just dropped", "barn", "inbox", "anywhere.mov")
	write("another's, whose code begins alike", "barn", "inbox", "c12", "stays.mov")
	return path
}

func read2(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// say runs a command and shows what it said where it fails the test.
func say(t *testing.T, args ...string) int {
	t.Helper()
	var out bytes.Buffer
	code := run(args, strings.NewReader(""), &out, &out)
	t.Logf("%s: %d\n%s", strings.Join(args, " "), code, out.String())
	return code
}

// yardOnce reads everything that waits with fakes for the children.
func yardOnce(t *testing.T, conf string) {
	t.Helper()
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := y.store(t.Context(), true)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	d, err := y.depot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if d != nil {
		defer d.Close()
	}
	e, err := y.engine(st, d, nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.Once(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// fakeChildren read and pack without looking at pictures.
func fakeChildren(t *testing.T) {
	real := runChild
	t.Cleanup(func() { runChild = real })
	runChild = func(c jobs.Child, ctx context.Context) error {
		last := c.Args[len(c.Args)-1]
		switch c.Args[0] {
		case "read":
			if b, err := os.ReadFile(last); err != nil || strings.Contains(string(b), "broken") {
				return &jobs.Slip{Reason: jobs.Unread, Detail: "of " + lostCode}
			}
			out := c.Args[slices.Index(c.Args, "--out")+1]
			return errors.Join(fakeLesson(out, last), withSwing(filepath.Join(out, "lesson", pipeline.ReportFile)))
		case "pack":
			return packedByHand(last, c.In, 0)
		}
		t.Errorf("an unknown child %v", c.Args)
		return errors.New("unknown")
	}
}

// withSwing gives a report a swing to write about.
func withSwing(path string) error {
	rep, err := openReportPlain(path)
	if err != nil {
		return err
	}
	rep.Swings = []pipeline.Swing{{Index: 1, Chosen: true, Findings: []pipeline.Finding{{Rule: "eye_drop", Kind: pipeline.Strength, Evidence: []string{}}}}}
	b, err := pipeline.MarshalReport(rep)
	if err != nil {
		return err
	}
	return os.WriteFile(path, b, 0o666)
}

func openReportPlain(path string) (rep pipeline.Report, err error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return rep, err
	}
	return rep, json.Unmarshal(b, &rep)
}

// found are the places below a folder where something of the player is.
func found(t *testing.T, root string) (out []string) {
	t.Helper()
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if strings.Contains(d.Name(), lostCode) {
			out = append(out, path)
		}
		if d.IsDir() {
			return nil
		}
		b, err := os.ReadFile(path)
		for _, w := range []string{lostCode, lostName, lostAddress, lostPixels} {
			if bytes.Contains(b, []byte(w)) {
				out = append(out, path+": "+w)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestForget(t *testing.T) {
	fakeChildren(t)
	server := smtptest.New(t)
	conf := lostBarn(t, "", server.Port())
	barn := filepath.Join(filepath.Dir(conf), "barn")
	if n := len(found(t, barn)); n < 20 {
		t.Fatalf("there is little to forget: %d places", n)
	}
	// Not without being asked, nor while another tapeline is at work.
	if code := say(t, "forget", lostCode, "--config", conf); code != int(pipeline.FaultUsage) {
		t.Errorf("without a yes: %d", code)
	}
	unlock, err := jobs.Lock(t.Context(), barn)
	if err != nil {
		t.Fatal(err)
	}
	if code := say(t, "forget", lostCode, "--yes", "--config", conf); code != int(pipeline.FaultOutput) {
		t.Errorf("beside the daemon: %d", code)
	}
	unlock()
	for _, args := range [][]string{{"forget"}, {"forget", "Quill"}, {"forget", lostCode, "c12"}} {
		if code := say(t, args...); code != int(pipeline.FaultUsage) {
			t.Errorf("%v: %d", args, code)
		}
	}
	if len(found(t, barn)) < 20 {
		t.Fatal("something was removed")
	}

	var out bytes.Buffer
	if code := run([]string{"forget", lostCode, "--yes", "--config", conf}, strings.NewReader(""), &out, &out); code != 0 {
		t.Fatalf("%d: %s", code, out.String())
	}
	for _, want := range []string{"lessons 2, originals 7, letters 2,", "mail that was sent already (letters: 2)", "take the line of " + lostCode} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
	for _, f := range found(t, barn) {
		t.Errorf("left: %s", f)
	}
	// The other's is there, whole.
	for _, glob := range []string{"lessons/c12/*/lesson.mp4", "archive/c12/*.mov", "inbox/c12/stays.mov"} {
		if m, _ := filepath.Glob(filepath.Join(barn, glob)); len(m) != 1 {
			t.Errorf("%s: %v", glob, m)
		}
	}
	book, err := ledger.Open(t.Context(), filepath.Join(barn, "lessons", ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	all, _ := book.Heads(t.Context())
	stones, _ := book.Tombstones(t.Context())
	if len(all) != 1 || all[0].Player != "c12" || len(stones) != 1 || stones[0].Lessons != 2 || stones[0].Clips != 7 || stones[0].Letters != 2 || stones[0].Why != "forgotten" {
		t.Errorf("%+v, %+v", all, stones)
	}
	// Once more finds nothing and sets no second stone.
	out.Reset()
	if code := run([]string{"forget", lostCode, "--yes", "--config", conf}, strings.NewReader(""), &out, &out); code != 0 || !strings.Contains(out.String(), "Nothing of this player") {
		t.Errorf("%d: %s", code, out.String())
	}
	if stones, _ := book.Tombstones(t.Context()); len(stones) != 1 {
		t.Errorf("%+v", stones)
	}
	// And the next night doesn't bring it back.
	yardOnce(t, conf)
	for _, f := range found(t, barn) {
		t.Errorf("came back: %s", f)
	}
}

// The day of a lesson that says none is the academy's, not that of a container's
// clock: in the ledger and in the reading, which looks for lessons of other days.
func TestDayOfTheZone(t *testing.T) {
	dir := t.TempDir()
	conf := filepath.Join(dir, "tapeline.yaml")
	rep, err := pipeline.MarshalReport(pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: "late"}})
	if err != nil {
		t.Fatal(err)
	}
	for n, text := range map[string]string{conf: fmt.Sprintf("work: %s\nroster: %s\ntimezone: America/Chicago\n", dir, filepath.Join(dir, "roster.csv")),
		filepath.Join(dir, "roster.csv"): "id\nb07\n", filepath.Join(dir, pipeline.ReportFile): string(rep)} {
		if err := os.WriteFile(n, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	o, err := y.options(nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	real := now
	t.Cleanup(func() { now = real })
	now = func() time.Time { return time.Date(2026, 5, 4, 2, 30, 0, 0, time.UTC) }
	if err := o.Record(t.Context(), jobs.Clip{Hash: "late", Player: "b07"}, dir, nil); err != nil {
		t.Fatal(err)
	}
	at, err := y.ledger()
	if err != nil {
		t.Fatal(err)
	}
	book, err := at.open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if all, err := book.Heads(t.Context()); err != nil || len(all) != 1 || all[0].Day != "2026-05-03" || !all[0].DayAssumed {
		t.Errorf("%+v, %v", all, err)
	}
	if env, err := y.environment(); err != nil || !slices.Contains(env, "TZ=America/Chicago") {
		t.Errorf("%v, %v", env, err)
	}
}

// Who stands in the wrong folder isn't told that nothing was found; what "read"
// remembers among the lessons is forgotten with the rest, where it lies.
func TestForgetWhere(t *testing.T) {
	t.Chdir(t.TempDir())
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	forget := func(want int, args ...string) string {
		t.Helper()
		var out bytes.Buffer
		if code := run(append([]string{"forget", lostCode, "--yes"}, args...), strings.NewReader(""), &out, &out); code != want {
			t.Errorf("%d, want %d: %s", code, want, out.String())
		}
		return out.String()
	}
	empty := forget(int(pipeline.FaultLedger))
	for _, want := range []string{filepath.Join(here, "tapeline-work", "lessons", ledger.File), filepath.Join(here, "tapeline-work", jobs.StoreFile), filepath.Join(here, "lessons", ledger.File), "there is no tapeline.yaml here", "nothing removed"} {
		if !strings.Contains(empty, want) {
			t.Errorf("%q is not in %s", want, empty)
		}
	}
	if strings.Count(empty, "\n") != 1 {
		t.Errorf("more than one line: %s", empty)
	}
	if left, _ := os.ReadDir(here); len(left) > 0 {
		t.Errorf("it made %v", left)
	}
	if err := os.WriteFile("tapeline.yaml", []byte("work: elsewhere\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if configured := forget(int(pipeline.FaultLedger)); !strings.Contains(configured, filepath.Join(here, "elsewhere", jobs.StoreFile)) || !strings.Contains(configured, "is it the configuration") {
		t.Error(configured)
	}

	// Read by hand: its ledger lies among the lessons, its folder is told from here.
	folder := filepath.Join("lessons", "one")
	rep := pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: "one's bytes"}}
	b, err := json.Marshal(rep)
	if err != nil {
		t.Fatal(err)
	}
	for _, clips := range []string{"", "clips: file://" + here + "/files\n"} {
		if err := os.WriteFile("tapeline.yaml", []byte("work: elsewhere\n"+clips), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, dir := range []string{folder, "files"} {
			if err := os.MkdirAll(dir, 0o700); err != nil {
				t.Fatal(err)
			}
		}
		for _, n := range []string{pipeline.ReportFile, pipeline.LessonFile} {
			if err := os.WriteFile(filepath.Join(folder, n), b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		gone := rep
		gone.Clip.ID = "another's bytes"
		book, err := ledger.Create(t.Context(), filepath.Join("lessons", ledger.File))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range []ledger.Entry{{Folder: folder, Report: rep}, {Folder: filepath.Join("lessons", "taken away"), Report: gone}} {
			e.Player, e.Name, e.At = lostCode, lostName, time.Now()
			if _, err := book.Record(t.Context(), e); err != nil {
				t.Fatal(err)
			}
		}
		if err := book.Close(); err != nil {
			t.Fatal(err)
		}
		if all := forget(0); !strings.Contains(all, "lessons 2,") || !strings.Contains(all, "taken away") {
			t.Errorf("%q: %s", clips, all)
		}
		if exists(folder) {
			t.Errorf("%q: the lesson is there still", clips)
		}
		for _, f := range found(t, here) {
			t.Errorf("%q: left: %s", clips, f)
		}
		if again := forget(0); !strings.Contains(again, "Nothing of this player") {
			t.Error(again)
		}
	}

	// What is remembered in a ledger that tells folders from the work folder is
	// found where it lies.
	if err := os.WriteFile("tapeline.yaml", []byte("work: elsewhere\nclips: file://"+here+"/files\nledger: shared.db\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := load("")
	if err != nil {
		t.Fatal(err)
	}
	at, err := bookOf("", c, c.Out)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := remember(t.Context(), at, aside{player: lostCode, name: lostName}, folder, rep); err != nil {
		t.Fatal(err)
	}
	shared, err := at.open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer shared.Close()
	if l, ok, err := shared.Head(t.Context(), rep.Clip.ID); err != nil || !ok || l.Folder != filepath.Join(here, folder) {
		t.Errorf("%+v, %t, %v", l, ok, err)
	}
}

// A clip that was put under the wrong player and put right since is not his:
// it stays, and the coach is told where it lies.
func TestForgetPutRight(t *testing.T) {
	fakeChildren(t)
	server := smtptest.New(t)
	conf := lostBarn(t, "", server.Port())
	barn := filepath.Join(filepath.Dir(conf), "barn")
	book, err := ledger.Open(t.Context(), filepath.Join(barn, "lessons", ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	var moved ledger.Lesson
	all, _ := book.Heads(t.Context())
	for _, l := range all {
		if l.Player == lostCode {
			rep, err := openReportPlain(filepath.Join(l.Folder, pipeline.ReportFile))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := book.Record(t.Context(), ledger.Entry{Player: "c12", Name: "Ben", Day: l.Day, Folder: l.Folder, Report: rep, At: time.Now()}); err != nil {
				t.Fatal(err)
			}
			moved = l
			break
		}
	}
	var out bytes.Buffer
	if code := run([]string{"forget", lostCode, "--yes", "--config", conf}, strings.NewReader(""), &out, &out); code != 0 {
		t.Fatalf("%d: %s", code, out.String())
	}
	if _, err := os.Stat(filepath.Join(moved.Folder, pipeline.LessonFile)); err != nil {
		t.Error("the other's lesson is gone")
	}
	originals, _ := filepath.Glob(filepath.Join(barn, "archive", lostCode, "*-"+moved.Clip[:8]+".mov"))
	if len(originals) != 1 || !strings.Contains(out.String(), originals[0]) || !strings.Contains(out.String(), moved.Folder) {
		t.Errorf("%v\n%s", originals, out.String())
	}
	if heads, _ := book.Heads(t.Context()); len(heads) != 2 {
		t.Errorf("%+v", heads)
	}
}

// waning is a context that ends when it has been asked so often.
type waning struct {
	context.Context
	end  func()
	left atomic.Int64
}

func (w *waning) Err() error {
	if w.left.Add(-1) < 0 {
		w.end()
	}
	return w.Context.Err()
}

// Cut off anywhere, another run ends it.
func TestForgetCutOff(t *testing.T) {
	fakeChildren(t)
	server := smtptest.New(t)
	conf := lostBarn(t, "", server.Port())
	barn := filepath.Join(filepath.Dir(conf), "barn")
	keep := filepath.Join(t.TempDir(), "barn")
	if err := os.CopyFS(keep, os.DirFS(barn)); err != nil {
		t.Fatal(err)
	}
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	broke := 0
	for n := int64(0); n < 40; n += 3 {
		if err := errors.Join(os.RemoveAll(barn), os.CopyFS(barn, os.DirFS(keep))); err != nil {
			t.Fatal(err)
		}
		ctx, end := context.WithCancel(t.Context())
		w := &waning{Context: ctx, end: end}
		w.left.Store(n)
		if _, err := y.forgets(w, lostCode); err != nil {
			broke++
		}
		end()
		if _, err := y.forgets(t.Context(), lostCode); err != nil {
			t.Fatal(err)
		}
		for _, f := range found(t, barn) {
			t.Errorf("after %d: left %s", n, f)
		}
	}
	if broke < 5 {
		t.Errorf("cut off %d times", broke)
	}
}

// What was kept long enough goes at night, what is younger stays.
func TestKeep(t *testing.T) {
	fakeChildren(t)
	server := smtptest.New(t)
	conf := lostBarn(t, "keep: 30d\n", server.Port())
	barn := filepath.Join(filepath.Dir(conf), "barn")
	real := now
	t.Cleanup(func() { now = real })
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := y.store(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	p, err := y.openPost(t.Context(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	// One lesson is of 12 April; the rest of today.
	lessons, originals, err := p.retire(t.Context(), st, p.book)
	if err != nil || lessons != 1 || originals != 2 { // and its copy
		t.Errorf("%d lessons, %d originals, %v", lessons, originals, err)
	}
	left, _ := filepath.Glob(filepath.Join(barn, "lessons", "*", "*"))
	all, _ := p.book.Heads(t.Context())
	if len(left) != 2 || len(all) != 2 {
		t.Errorf("%v, %+v", left, all)
	}
	now = func() time.Time { return real().AddDate(0, 0, 40) }
	if lessons, _, err := p.retire(t.Context(), st, p.book); err != nil || lessons != 2 {
		t.Errorf("%d, %v", lessons, err)
	}
	if left, _ := filepath.Glob(filepath.Join(barn, "archive", "*", "*")); len(left) != 0 {
		t.Errorf("%v", left)
	}
	if players, _ := p.book.Players(t.Context()); len(players) != 0 {
		t.Errorf("%+v", players)
	}
	y.c.Keep = "0"
	if lessons, originals, err := p.retire(t.Context(), st, p.book); lessons+originals != 0 || err != nil {
		t.Errorf("for ever: %d, %d, %v", lessons, originals, err)
	}
}

// A short code inside the letters of an embedded picture names nobody.
func TestTraces(t *testing.T) {
	y := &yard{work: t.TempDir()}
	for name, text := range map[string]string{
		"lesson.html": `<img src="data:image/png;base64,LRqAb12Dj3">`,
		"named.html":  `<p>b12, two swings</p>`,
		"longer.txt":  "b123 and b12-2",
		"folder.txt":  "lessons/b12/2026-05-03",
	} {
		if err := os.WriteFile(filepath.Join(y.work, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out forgotten
	if err := y.traces("b12", "", &out); err != nil {
		t.Fatal(err)
	}
	if want := []string{filepath.Join(y.work, "folder.txt"), filepath.Join(y.work, "named.html")}; !slices.Equal(out.Mentions, want) {
		t.Errorf("%v", out.Mentions)
	}
}
