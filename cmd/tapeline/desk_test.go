package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/desk"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// sampleTrack is what was seen in samples/open_faults.mp4.
func sampleTrack(t testing.TB) pipeline.Track {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "open_faults.track.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	track, err := pipeline.ParseTrack(b)
	if err != nil {
		t.Fatal(err)
	}
	return track
}

// deskBarn is a work folder with the sample's lesson in it, and a desk on it.
type deskBarn struct {
	t         testing.TB
	y         *yard
	st        *jobs.Store
	dir       string
	shelf     *deskShelf
	base      string // http://127.0.0.1:…
	out       *said
	mails     *smtptest.Server
	reads     int // readings since the beginning
	seen      int // those that did not begin with a saved track
	strangers int // pictures of thirty in which somebody else is seen
}

// said is what the desk prints.
type said struct {
	mu sync.Mutex
	b  strings.Builder
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

var addressForm = regexp.MustCompile(`http://[^\s]+/enter\?token=[0-9a-f]{64}`)

// address is the last one printed.
func (s *said) address() string {
	for range 200 {
		s.mu.Lock()
		all := addressForm.FindAllString(s.b.String(), -1)
		s.mu.Unlock()
		if len(all) > 0 {
			return all[len(all)-1]
		}
		time.Sleep(5 * time.Millisecond)
	}
	return ""
}

const barnRoster = "id,first_name,bats,height,guardian_email,consent_film,consent_mail\n" +
	"b07,Ada,R,178cm,ada.guardian@example.org,2026-01-10,2026-01-10\n" +
	"b08,Ben,L,150cm,ben.guardian@example.org,2026-01-10,\n" +
	"b09,<b>Cleo</b><script>x()</script>,R,150cm,,2026-01-10,\n" +
	"b10,Dana,R,150cm,,,\n"

// newDesk reads the sample as b07's; more clips come in more.
func newDesk(t testing.TB) *deskBarn {
	t.Helper()
	dir := t.TempDir()
	b := &deskBarn{t: t, dir: filepath.Join(dir, "barn"), out: &said{}, mails: smtptest.New(t)}
	conf, roster := filepath.Join(dir, "tapeline.yaml"), filepath.Join(dir, "roster.csv")
	for path, text := range map[string]string{roster: barnRoster, conf: "work: " + b.dir + "\nroster: " + roster + "\nsettle: 1s\nlimits: {space: 1MB}\n" +
		fmt.Sprintf("mail: {host: 127.0.0.1, port: %d, tls: none, from: coach@example.org}\n", b.mails.Port())} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	sample, err := os.ReadFile("../../samples/open_faults.mp4")
	if err != nil {
		t.Fatal(err)
	}
	p := filepath.Join(b.dir, "inbox", "b07", "swing.mp4")
	if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, sample, 0o600)); err != nil {
		t.Fatal(err)
	}
	if b.y, err = openYard(conf, speech{}); err != nil {
		t.Fatal(err)
	}
	if b.st, err = b.y.store(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.st.Close() })
	track := sampleTrack(t)
	real := runChild
	t.Cleanup(func() { runChild = real })
	runChild = func(c jobs.Child, ctx context.Context) error { return b.read(ctx, c, track) }
	b.again()
	return b
}

// again does what waits.
func (b *deskBarn) again() jobs.Summary {
	b.t.Helper()
	e, err := b.y.engine(b.st, nil, nil, slog.New(slog.DiscardHandler))
	if err != nil {
		b.t.Fatal(err)
	}
	sum, err := e.Once(context.Background())
	if err != nil {
		b.t.Fatal(err)
	}
	return sum
}

// read is a reading without networks and without painting: what was seen is
// the sample's, everything else is real.
func (b *deskBarn) read(ctx context.Context, c jobs.Child, track pipeline.Track) error {
	if c.Args[0] == "pack" {
		return packedByHand(c.Args[len(c.Args)-1], c.In, b.strangers)
	}
	b.reads++
	arg := func(name string) string {
		if i := slices.Index(c.Args, name); i >= 0 {
			return c.Args[i+1]
		}
		return ""
	}
	path := c.Args[len(c.Args)-1]
	shelf := b.shelf
	if shelf == nil {
		var err error
		if shelf, err = openShelf(ctx, b.y, slog.New(slog.DiscardHandler)); err != nil {
			return err
		}
		defer shelf.Close()
	}
	p := shelf.player(arg("--player"))
	given, _, err := beside(path, b.y.known(p), &givenFlags{}, aside{player: p.ID}, shelf.rules)
	if err != nil {
		return &jobs.Slip{Reason: jobs.BadNotes, Detail: err.Error()}
	}
	st := rooms(options{out: arg("--out"), text: b.y.text, rules: shelf.rules, track: arg("--track")}).Stages(aside{})
	st.See = func(_ context.Context, c pipeline.Clip, given pipeline.Given, _ pipeline.Progress) (pipeline.Track, error) {
		if t, ok := seenBefore(arg("--track"), c, given); ok {
			return t, nil
		}
		b.seen++
		t := track
		t.Clip.ID = c.ID
		return t, nil
	}
	st.Show = func(_ context.Context, _ pipeline.Clip, _ *pipeline.Report, dir string, tell pipeline.Progress) error {
		tell.Tell("paint", 1, 2)
		img := image.NewRGBA(image.Rect(0, 0, 360, 720))
		for i := range img.Bounds().Dx() {
			img.Set(i, 2*i, color.White)
		}
		f, err := os.Create(filepath.Join(dir, pipeline.SheetFile))
		if err != nil {
			return err
		}
		if err := errors.Join(png.Encode(f, img), f.Close()); err != nil {
			return err
		}
		for _, n := range []string{pipeline.LessonFile, pipeline.CaptionsFile, pipeline.PageFile, pipeline.PaperFile} {
			if err := os.WriteFile(filepath.Join(dir, n), []byte(n), 0o600); err != nil {
				return err
			}
		}
		return nil
	}
	if _, err := (pipeline.Runner{Stages: st, Given: given, Tell: c.Tell}).Read(ctx, path); err != nil {
		return &jobs.Slip{Reason: jobs.BadNotes, Detail: err.Error()}
	}
	return nil
}

// open serves a desk and gives its handler's address.
func (b *deskBarn) open() *deskBarn {
	b.t.Helper()
	var err error
	if b.shelf, err = openShelf(b.t.Context(), b.y, slog.New(slog.NewTextHandler(b.t.Output(), nil))); err != nil {
		b.t.Fatal(err)
	}
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.t.Fatal(err)
	}
	b.base = "http://" + at.Addr().String()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- serveDesk(ctx, b.out, b.y, door{deskFlags: deskFlags{coach: "Kim"}}, b.shelf, at)
	}()
	b.t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			b.t.Error(err)
		}
		b.shelf.Close()
	})
	return b
}

// browser is a plain client that has come in.
func (b *deskBarn) browser() *http.Client {
	b.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		b.t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Timeout: 20 * time.Second}
	r, err := c.Get(b.out.address())
	if err != nil {
		b.t.Fatal(err)
	}
	text, err := io.ReadAll(r.Body)
	r.Body.Close()
	if err != nil || r.StatusCode != http.StatusOK {
		b.t.Fatalf("came in: %s %s %v", r.Status, text, err)
	}
	return c
}

// id of the sample's lesson.
func (b *deskBarn) id() string {
	return "2a0606c5a7d22bdb48d0ef86d403c1cbf59efb31e3c2230285dedf725a3beaf2"
}

func (b *deskBarn) clip() jobs.Clip {
	b.t.Helper()
	c, _, err := b.st.Clip(context.Background(), b.id())
	if err != nil {
		b.t.Fatal(err)
	}
	return c
}

// What was corrected comes out with how far it was moved, without a name, a word
// or a picture; and the developers' tool reads it.
func TestCorrections(t *testing.T) {
	b := newDesk(t)
	var out, errs bytes.Buffer
	conf := filepath.Join(filepath.Dir(b.dir), "tapeline.yaml")
	tell := func(args ...string) string {
		t.Helper()
		out.Reset()
		if code := run(append([]string{"corrections", "--config", conf}, args...), strings.NewReader(""), &out, &errs); code != 0 {
			t.Fatalf("%d: %s", code, errs.String())
		}
		return out.String()
	}
	if got := tell(); !strings.Contains(got, "No lesson was corrected yet.") {
		t.Error(got)
	}
	b.open()
	track := sampleTrack(t)
	rep := b.report()
	contact, plant := frameOf(rep, pipeline.Contact), frameOf(rep, pipeline.Plant)
	var toe pipeline.Point
	before, err := judging(b.shelf.rules)(track, b.y.known(b.shelf.player("b07")))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range before.Chosen().Path {
		if f.Frame == plant {
			toe, _ = f.PartAt("front_toe")
		}
	}
	notes := fmt.Sprintf(`{"times":{"contact":%v},"points":[{"part":"front_toe","frame":%d,"at":[%v,%v]}],"notes":["Great week, Ada."],"findings":{"add":[{"kind":"priority","text":"Ada, wait."}]}}`,
		track.Clip.PTS[contact+2], plant, toe.X+30, toe.Y)
	if _, err := b.shelf.Save(t.Context(), b.id(), []byte(notes), desk.TagOf(nil), "Kim"); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "bench")
	got := tell("--out", dir)
	cm := 30 / before.Chosen().Geometry.FeetPx
	late := track.Clip.PTS[contact+2] - *before.Chosen().Event(pipeline.Contact).T
	for _, want := range []string{"Lessons with corrections: 1.", fmt.Sprintf("Contact    1      %.3f s", late), fmt.Sprintf("front toe  1      %.1f cm", cm)} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not in\n%s", want, got)
		}
	}
	var told struct {
		Lessons []struct{ Moved []pipeline.Moved }
	}
	if err := json.Unmarshal([]byte(tell("--json")), &told); err != nil || len(told.Lessons) != 1 || len(told.Lessons[0].Moved) != 2 || told.Lessons[0].Moved[1].Right < 29.9 || told.Lessons[0].Moved[1].Right > 30.1 {
		t.Errorf("%+v %v", told, err)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*", "*"))
	if err != nil || len(files) != 4 {
		t.Fatalf("%v %v", files, err)
	}
	for _, f := range append(files, filepath.Join(dir, movedFile)) {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"Ada", "b07", "Great", "wait", "swing.mp4", b.dir} {
			if bytes.Contains(text, []byte(word)) {
				t.Errorf("%s tells %q", filepath.Base(f), word)
			}
		}
		if st, _ := os.Stat(f); st.Mode().Perm() != 0o600 {
			t.Errorf("%s is open to all", f)
		}
	}
	// The saved track, judged with what was corrected, is the report after.
	t1, err := openTrack(filepath.Dir(files[0]))
	if err != nil {
		t.Fatal(err)
	}
	if t1.Given.Coach != nil {
		t.Errorf("the track knows what was corrected: %+v", t1.Given.Coach)
	}
	var hand pipeline.Coach
	text, err := os.ReadFile(filepath.Join(filepath.Dir(files[0]), correctedFile))
	if err != nil || json.Unmarshal(text, &hand) != nil {
		t.Fatal(err)
	}
	given := t1.Given
	given.Coach = &hand
	own := t1
	own.Given = given
	again, err := judging(b.shelf.rules)(own, given)
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(filepath.Join(filepath.Dir(files[0]), afterFile))
	if err != nil {
		t.Fatal(err)
	}
	if text, err := pipeline.MarshalReport(again); err != nil || !bytes.Equal(text, want) {
		t.Errorf("another report: %v", err)
	}
}

// What was corrected and not made again doesn't leave by a word on the command
// line either; made again, it does.
func TestReleaseAwaitsRedraw(t *testing.T) {
	b := newDesk(t).open()
	c := b.clip()
	if _, err := b.shelf.Save(t.Context(), c.Hash, []byte(`{"bats":"R"}`), desk.TagOf(nil), "Kim"); err != nil {
		t.Fatal(err)
	}
	release := func() (int, string) {
		var out bytes.Buffer
		code := run([]string{"release", c.Short(), "--yes", "--config", filepath.Join(filepath.Dir(b.dir), "tapeline.yaml")}, strings.NewReader(""), &out, &out)
		return code, out.String()
	}
	if code, said := release(); code != int(pipeline.FaultPartial) || !strings.Contains(said, b.y.text.Outbox["not_redrawn"]) {
		t.Errorf("%d: %s", code, said)
	}
	b.send()
	if n := len(b.mails.Received()); n != 0 {
		t.Errorf("%d messages left", n)
	}
	if err := b.shelf.Redraw(t.Context(), c.Hash, "Kim"); err != nil {
		t.Fatal(err)
	}
	if b.again(); b.seen != 1 || b.reads != 2 {
		t.Errorf("the networks looked %d times in %d readings", b.seen, b.reads)
	}
	if code, said := release(); code != 0 {
		t.Errorf("made again: %d: %s", code, said)
	}
	b.send()
	if n := len(b.mails.Received()); n != 1 {
		t.Errorf("%d messages left", n)
	}
}

// A lesson that was put under the wrong player goes to the right one with all
// that lies beside it, and to nobody who may not be filmed.
func TestDeskMoves(t *testing.T) {
	b := newDesk(t).open()
	ctx := t.Context()
	was := b.clip()
	save := func(notes string) error {
		raw, err := paperOf(&was).Read()
		if err != nil {
			t.Fatal(err)
		}
		_, err = b.shelf.Save(ctx, was.Hash, []byte(notes), desk.TagOf(raw), "Kim")
		return err
	}
	for _, nobody := range []string{"b10", "zz9"} {
		if err := save(fmt.Sprintf(`{"player":%q}`, nobody)); err == nil || !strings.Contains(err.Error(), "no such player, or there is no consent") {
			t.Errorf("%s: %v", nobody, err)
		}
	}
	for _, wrong := range []string{`{"times":{"contact":99}}`, `{"times":{"plant":1.2,"contact":1.1}}`, `{"date":"2999-01-01"}`, `{"hieght":"150cm"}`, `{"findings":{"drop":["no_rule"]}}`, `{"scale":"1,1,5000,5000=17in"}`} {
		if err := save(wrong); err == nil {
			t.Errorf("%s was kept", wrong)
		}
	}
	if raw, _ := paperOf(&was).Read(); raw != nil {
		t.Fatalf("kept: %s", raw)
	}
	if err := save(`{"player":"b08","notes":["Great week."]}`); err != nil {
		t.Fatal(err)
	}
	if err := b.shelf.Redraw(ctx, was.Hash, "Kim"); err != nil {
		t.Fatal(err)
	}
	if err := save(`{"player":"b09"}`); err == nil || !strings.Contains(err.Error(), "being made") {
		t.Errorf("while it is on its way: %v", err)
	}
	if err := b.shelf.Redraw(ctx, was.Hash, "Kim"); err == nil || !strings.Contains(err.Error(), "being made") {
		t.Errorf("twice: %v", err)
	}
	b.again()
	now := b.clip()
	if now.State != jobs.Done || now.Player != "b08" || filepath.Base(now.Lies) != "b08" || filepath.Base(filepath.Dir(now.Final)) != "b08" {
		t.Fatalf("%+v", now)
	}
	for _, gone := range []string{was.Final, was.Original(), paperOf(&was).Notes, paperOf(&was).History} {
		if _, err := os.Lstat(gone); err == nil {
			t.Errorf("left behind: %s", gone)
		}
	}
	past, err := paperOf(&now).Versions()
	if err != nil || len(past) != 1 || past[0].Who != "Kim" {
		t.Errorf("%+v %v", past, err)
	}
	if rep := b.report(); rep.Batter.HeightCM == nil || *rep.Batter.HeightCM != 150 || rep.Batter.Bats != pipeline.BatsLeft {
		t.Errorf("judged as somebody else: %+v", rep.Batter)
	}
	all, err := b.shelf.ledger.Heads(ctx)
	if err != nil || len(all) != 1 || all[0].Player != "b08" || all[0].Folder != now.Final {
		t.Errorf("%+v %v", all, err)
	}
	items, err := b.shelf.Items(ctx)
	if err != nil || len(items) != 1 || items[0].Player != "b08" || items[0].FirstName != "Ben" || items[0].Mended || items[0].Out.State != "out_held" {
		t.Errorf("%+v %v", items, err)
	}

	// A lesson that was read without the work folder is told of; it has no page.
	other := b.report()
	other.Clip.ID = strings.Repeat("ab", 32)
	if _, err := b.shelf.ledger.Record(ctx, ledger.Entry{Player: "b07", Name: "Ada", Day: "2026-05-03", Folder: t.TempDir(), Report: other, At: time.Now()}); err != nil {
		t.Fatal(err)
	}
	if items, err = b.shelf.Items(ctx); err != nil || len(items) != 2 {
		t.Errorf("%+v %v", items, err)
	}
	for _, it := range items {
		if it.Open != (it.ID == now.Hash) || it.Swing == nil {
			t.Errorf("%+v", it)
		}
	}
	// Notes that can't be read are said, and nothing is written over them; an
	// original that is gone is not made anew.
	if err := os.WriteFile(paperOf(&now).Notes, []byte("hieght: 150cm\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	web := b.browser()
	page := func() string {
		r, err := web.Get(b.base + "/lesson/" + now.Hash)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		text, _ := io.ReadAll(r.Body)
		return fmt.Sprint(r.StatusCode, " ", string(text))
	}
	if p := page(); !strings.HasPrefix(p, "422 ") || !strings.Contains(p, "no key is called &#34;hieght&#34;") || strings.Contains(p, b.dir) {
		t.Error(p)
	}
	if err := errors.Join(os.Remove(paperOf(&now).Notes), os.Rename(now.Original(), now.Original()+".away")); err != nil {
		t.Fatal(err)
	}
	if p := page(); !strings.HasPrefix(p, "200 ") || !strings.Contains(p, `"here":false`) {
		t.Error(p)
	}
	raw := desk.TagOf(nil)
	_, err = b.shelf.Save(ctx, now.Hash, []byte(`{"bats":"L"}`), raw, "Kim")
	for what, err := range map[string]error{"saved": err, "made anew": b.shelf.Redraw(ctx, now.Hash, "Kim"), "spoken": b.shelf.SetVoice(ctx, now.Hash, nil, "Kim")} {
		if err == nil || !strings.Contains(err.Error(), "not here") {
			t.Errorf("%s without its original: %v", what, err)
		}
	}
	if c := b.clip(); c.State != jobs.Done {
		t.Errorf("%+v", c)
	}
}
