package outbox

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

func TestSendOnce(t *testing.T) {
	h, s := withServer(t)
	h.family("b07", "Ada", "a@example.org", "b@example.org")
	h.family("c12", "Ben", "c@example.org")
	one, two := h.lesson("b07", "one"), h.lesson("c12", "two")
	o := New(h.o)
	if it := h.stand(o, one); it.State != Waits || it.Why.Reason != ForCoach || len(it.To) != 2 {
		t.Errorf("%+v", it)
	}
	if run := h.send(o); len(run.Outcomes) != 0 {
		t.Errorf("sent without a word: %+v", run)
	}
	h.released(o, one)
	h.released(o, two)
	if _, err := h.release(o, one, Word{}); reason(err) != IsReleased {
		t.Errorf("released twice: %v", err)
	}
	var told [][2]int
	run, err := o.Send(context.Background(), func(n, of int) { told = append(told, [2]int{n, of}) })
	if err != nil || run.Count(ledger.Sent) != 2 || len(told) != 2 || told[1] != [2]int{2, 2} {
		t.Fatalf("%+v, %v, %v", run, err, told)
	}
	if s.Opened() != 1 || len(s.Received()) != 2 {
		t.Errorf("%d connections, %d messages", s.Opened(), len(s.Received()))
	}
	for _, a := range []string{"a@example.org", "b@example.org"} {
		if got(s, one.Clip, a) != 1 || got(s, two.Clip, a) != 0 {
			t.Errorf("%s got %d and %d", a, got(s, one.Clip, a), got(s, two.Clip, a))
		}
	}
	h.send(o)
	if _, err := h.release(o, one, Word{}); reason(err) != IsSent {
		t.Errorf("%v", err)
	}
	if len(s.Received()) != 2 {
		t.Error("sent twice")
	}
	// On the coach's word once more, as another message.
	if _, err := h.release(o, one, Word{Again: true}); err != nil {
		t.Fatal(err)
	}
	h.send(o)
	if got(s, one.Clip, "a@example.org") != 2 {
		t.Error("not sent again")
	}
	all, _ := h.book.Releases(t.Context(), "b07")
	if len(all) != 2 || all[0].ID == all[1].ID || all[1].Letters[0].Code != 250 || all[1].Letters[0].Hash == "" || all[1].Letters[0].MessageID != all[1].ID+"@test" {
		t.Errorf("%+v", all)
	}
}

// Everything is looked at again before the first byte leaves.
func TestCheckedAtTheLastMoment(t *testing.T) {
	for name, c := range map[string]struct {
		change func(h *house, o *Outbox, l ledger.Lesson)
		why    string
	}{
		"mail withdrawn":   {func(h *house, _ *Outbox, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Mail = never }) }, NoMail},
		"film withdrawn":   {func(h *house, _ *Outbox, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Film = never }) }, NoFilm},
		"no guardian":      {func(h *house, _ *Outbox, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Guardians = nil }) }, NoGuardian},
		"renamed":          {func(h *house, _ *Outbox, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Name = "Cleo" }) }, Renamed},
		"gone":             {func(h *house, _ *Outbox, _ ledger.Lesson) { delete(h.roster, "b07") }, Unknown},
		"another family":   {func(h *house, _ *Outbox, _ ledger.Lesson) { h.family("b07", "Ada", "x@example.org") }, Strangers},
		"one more address": {func(h *house, _ *Outbox, _ ledger.Lesson) { h.family("b07", "Ada", "a@example.org", "x@example.org") }, Strangers},
		"held":             {func(_ *house, o *Outbox, l ledger.Lesson) { _ = o.Hold(context.Background(), []ledger.Lesson{l}) }, Held},
		"corrected": {func(_ *house, o *Outbox, l ledger.Lesson) {
			o.o.Outdated = func(x *ledger.Lesson) bool { return x.Clip == l.Clip }
		}, NotRedrawn},
		"report rewritten": {func(_ *house, _ *Outbox, l ledger.Lesson) { touch(l.Folder, pipeline.ReportFile) }, Changed},
		"film rewritten": {func(_ *house, _ *Outbox, l ledger.Lesson) {
			touch(l.Folder, pipeline.LeavingDir, pipeline.LeavingFilmFile)
		}, Changed},
		"list rewritten": {func(_ *house, _ *Outbox, l ledger.Lesson) { touch(l.Folder, pipeline.LeavingDir, pipeline.LeavingFile) }, Changed},
		"lesson removed": {func(_ *house, _ *Outbox, l ledger.Lesson) { os.RemoveAll(l.Folder) }, NoLesson},
		"moved": {func(h *house, _ *Outbox, l ledger.Lesson) {
			h.family("c12", "Ben", "c@example.org")
			_, _ = h.book.Record(context.Background(), ledger.Entry{Player: "c12", Name: "Ben", Folder: l.Folder, Report: certain(l.Clip), At: h.now})
		}, Moved},
	} {
		// Before the run, and while the server has answered DATA already.
		for _, at := range []string{"before", "begun"} {
			t.Run(name+"/"+at, func(t *testing.T) {
				h, s := withServer(t)
				h.family("b07", "Ada", "a@example.org", "b@example.org")
				l := h.lesson("b07", "one")
				o := New(h.o)
				r := h.released(o, l)
				if at == "before" {
					c.change(h, o, l)
				} else {
					hook = func(stage string) {
						if stage == at {
							hook = func(string) {}
							c.change(h, o, l)
						}
					}
					defer func() { hook = func(string) {} }()
				}
				h.send(o)
				h.send(o)
				if n := len(s.Received()); n != 0 {
					t.Fatalf("%d messages left", n)
				}
				all, _ := h.book.Releases(t.Context(), "")
				if all[0].ID != r.ID || all[0].State != ledger.Stopped || all[0].Reason != c.why {
					t.Errorf("%s, %s; want stopped, %s", all[0].State, all[0].Reason, c.why)
				}
				for _, x := range all[0].Letters {
					if x.State != ledger.Pending || x.Phase != "" || x.Tries != 0 {
						t.Errorf("%+v", x)
					}
				}
			})
		}
	}
}

func touch(path ...string) {
	p := filepath.Join(path...)
	b, err := os.ReadFile(p)
	if err != nil {
		panic(err)
	}
	if b[0] == '{' {
		b = append([]byte("{ "), b[1:]...)
	} else {
		b[0] ^= 1
	}
	if err := os.WriteFile(p, b, 0o600); err != nil {
		panic(err)
	}
}

// Without consent, guardian, name or files no release is possible at all.
func TestNoRelease(t *testing.T) {
	for name, c := range map[string]struct {
		change func(h *house, l ledger.Lesson)
		why    string
	}{
		"mail never given": {func(h *house, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Mail = never }) }, NoMail},
		"film not that day": {func(h *house, _ ledger.Lesson) {
			h.set("b07", func(f *Family) { f.Film = func(d time.Time) bool { return d.After(noon) } })
			h.pass(48 * time.Hour)
		}, NoFilm},
		"no guardian": {func(h *house, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Guardians = nil }) }, NoGuardian},
		"renamed":     {func(h *house, _ ledger.Lesson) { h.set("b07", func(f *Family) { f.Name = "Cleo" }) }, Renamed},
		"roster bad":  {func(h *house, _ ledger.Lesson) { h.gone = errors.New("line 3") }, NoRoster},
		"strangers":   {func(h *house, _ ledger.Lesson) { h.family("b07", "Ada", "x@example.org") }, Strangers},
		"no files":    {func(_ *house, l ledger.Lesson) { os.RemoveAll(l.Folder) }, NoLesson},
	} {
		t.Run(name, func(t *testing.T) {
			h, _ := withServer(t)
			h.family("b07", "Ada", "a@example.org")
			l := h.lesson("b07", "one")
			o := New(h.o)
			c.change(h, l)
			if _, err := h.release(o, l, Word{Again: true}); reason(err) != c.why {
				t.Errorf("%v; want %s", err, c.why)
			}
			if it := h.stand(o, l); it.State != Waits || it.Why.Reason != c.why {
				t.Errorf("%s %v; want %s", it.State, it.Why, c.why)
			}
		})
	}
	h, _ := withServer(t)
	h.family("b07", "Ada", "a@example.org")
	l := h.lesson("b07", "one")
	h.family("b07", "Ada", "x@example.org")
	if _, err := h.release(New(h.o), l, Word{NewAddress: true}); err != nil {
		t.Errorf("the coach knows the new address: %v", err)
	}
}

// Others in the picture need the coach's word, which holds for one release.
func TestOthers(t *testing.T) {
	h, _ := withServer(t)
	h.family("b07", "Ada", "a@example.org")
	seen[clipOf("crowd")] = 7
	defer delete(seen, clipOf("crowd"))
	l := h.lesson("b07", "crowd")
	o := New(h.o)
	if _, err := h.release(o, l, Word{}); reason(err) != OthersSeen {
		t.Errorf("%v", err)
	}
	if it := h.stand(o, l); it.Why.Reason != OthersSeen || it.Why.Detail != "7/30" {
		t.Errorf("%+v", it.Why)
	}
	if r, err := o.Ready(t.Context(), l, OthersAllow, nil); err != nil || r.Leaving.Others != OthersAllow {
		t.Errorf("%+v, %v", r.Leaving, err)
	}
	// Looking at it that way released nothing, and the next one asks again.
	if _, err := h.release(o, l, Word{}); reason(err) != OthersSeen {
		t.Errorf("%v", err)
	}
	r, err := o.Ready(t.Context(), l, OthersBlur, nil)
	if err != nil || r.Leaving.Blurred != 7 {
		t.Fatalf("%+v, %v", r.Leaving, err)
	}
	if _, err := o.Release(t.Context(), r, Word{By: ledger.ByCoach}); err != nil {
		t.Error(err)
	}
}

// What looks like the other batting side leaves only where it was named itself.
func TestOtherSide(t *testing.T) {
	h, _ := withServer(t)
	h.family("b07", "Ada", "a@example.org")
	rep := certain(clipOf("other"))
	rep.Warnings = []pipeline.Warning{{Code: "bats_doubtful"}}
	l := h.unpacked("b07", rep)
	o := New(h.o)
	if _, err := h.release(o, l, Word{}); reason(err) != OtherSide {
		t.Errorf("by the player: %v", err)
	}
	if _, err := h.release(o, l, Word{By: ledger.ByRule, Named: true}); err == nil {
		t.Error("released by the rule")
	}
	if _, err := h.release(o, l, Word{By: ledger.ByCoach, Named: true}); err != nil {
		t.Error(err)
	}
}

func TestByRule(t *testing.T) {
	for name, c := range map[string]struct {
		change func(rep *pipeline.Report)
		why    string
	}{
		"certain": {func(*pipeline.Report) {}, ""},
		"can't tell": {func(r *pipeline.Report) {
			r.Swings[0].Findings = append(r.Swings[0].Findings, pipeline.Finding{Rule: "x", Kind: pipeline.CantTell})
		}, Untold},
		"a null":             {func(r *pipeline.Report) { r.Swings[0].Measures[0].Value = nil }, Doubtful},
		"no bound":           {func(r *pipeline.Report) { r.Swings[0].Measures[0].Lo = nil }, Doubtful},
		"warned":             {func(r *pipeline.Report) { r.Swings[0].Measures[0].Warnings = []string{"foot_ambiguous"} }, Doubtful},
		"no measure":         {func(r *pipeline.Report) { r.Swings[0].Findings[0].Evidence = []string{"eye_drop@plant"} }, Doubtful},
		"another travel":     {func(r *pipeline.Report) { r.Swings[0].Findings[0].Evidence = []string{"eye_drop@plant-contact"} }, Doubtful},
		"side in doubt":      {func(r *pipeline.Report) { r.Warnings = []pipeline.Warning{{Code: "bats_doubtful"}} }, Doubtful},
		"others in picture":  {func(r *pipeline.Report) { r.Warnings = []pipeline.Warning{{Code: "others_in_picture"}} }, Doubtful},
		"says nothing":       {func(r *pipeline.Report) { r.Swings[0].Findings = nil }, NothingIn},
		"shows no swing":     {func(r *pipeline.Report) { r.Swings[0].Chosen = false }, NothingIn},
		"sound went unheard": {func(r *pipeline.Report) { r.Warnings = []pipeline.Warning{{Code: "audio_not_read"}} }, ""},
		"of another's swings": {func(r *pipeline.Report) {
			r.Swings = append(r.Swings, pipeline.Swing{Index: 2, Findings: []pipeline.Finding{{Kind: pipeline.CantTell}}})
		}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			h, _ := withServer(t)
			h.o.Auto = true
			h.family("b07", "Ada", "a@example.org")
			rep := certain(clipOf("one"))
			c.change(&rep)
			l := h.unpacked("b07", rep)
			o := New(h.o)
			n, err := o.Prepare(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			it := h.stand(o, l)
			if c.why == "" && (n != 1 || it.State != ledger.Released || it.Release.By != ledger.ByRule) || c.why != "" && (n != 0 || it.State != Waits || it.Why.Reason != c.why) {
				t.Errorf("%d released; %s, %v", n, it.State, it.Why)
			}
			if c.why != "" { // the coach may all the same
				if _, err := h.release(o, l, Word{Named: true}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	// What lay there before, what was held and what was stopped wait for the coach.
	h, _ := withServer(t)
	h.o.Auto = true
	h.family("b07", "Ada", "a@example.org")
	old := h.lesson("b07", "old")
	h.pass(freshFor + time.Hour)
	held, stopped := h.lesson("b07", "held"), h.lesson("b07", "stopped")
	o := New(h.o)
	if err := o.Hold(t.Context(), []ledger.Lesson{held}); err != nil {
		t.Fatal(err)
	}
	// Not even where the hold came while the rule was looking.
	late := h.lesson("b07", "late")
	r, err := o.Ready(t.Context(), late, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := o.Hold(t.Context(), []ledger.Lesson{late}); err != nil {
		t.Fatal(err)
	}
	if _, err := o.Release(t.Context(), r, Word{By: ledger.ByRule}); reason(err) != Held || h.stand(o, late).State != HeldNow {
		t.Errorf("released by the rule though held: %v", err)
	}
	h.released(o, stopped)
	touch(stopped.Folder, pipeline.ReportFile)
	h.send(o)
	if n, err := o.Prepare(t.Context()); n != 0 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
	if a, b, c := h.stand(o, old), h.stand(o, held), h.stand(o, stopped); a.Why.Reason != TooOld || b.State != HeldNow || c.State != Waits || c.Why.Reason != Changed {
		t.Errorf("%v, %v, %v", a.Why, b.State, c.Why)
	}
	// By default the rule releases nothing.
	h.o.Auto = false
	h.lesson("b07", "new")
	if n, err := New(h.o).Prepare(t.Context()); n != 0 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
}

// Made anew after its code was given to another child a lesson is nobody's
// until the coach says whose address that is.
func TestMadeAnewForAnotherChild(t *testing.T) {
	h, _ := withServer(t)
	h.family("b07", "Ada", "a@example.org")
	l := h.lesson("b07", "one")
	h.family("b07", "Cleo", "c@example.org")
	r, err := h.book.Record(t.Context(), ledger.Entry{Player: "b07", Name: "Cleo", Guardians: []string{"c@example.org"}, Folder: l.Folder, Report: certain(l.Clip), At: h.now})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.release(New(h.o), r.Lesson, Word{}); reason(err) != Strangers {
		t.Errorf("%v; want %s", err, Strangers)
	}
}

// A server that repeats an address in its answer doesn't show it.
func TestMaskedAnswer(t *testing.T) {
	if got, want := masked("5.1.1 <Ada.Parent@example.org>: no ada.parent@EXAMPLE.org here", []string{"ada.parent@example.org"}), "5.1.1 <a***@example.org>: no a***@example.org here"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	h, _ := withServer(t, smtptest.Rcpt550)
	h.family("b07", "Ada", "a.b@example.org")
	l := h.lesson("b07", "one")
	o := New(h.o)
	h.released(o, l)
	h.send(o)
	if it := h.stand(o, l); it.State != ledger.Refused || strings.Contains(it.Why.Detail+it.Release.Letters[0].Answer, "a.b@") {
		t.Errorf("%s, %v, %+v", it.State, it.Why, it.Release.Letters)
	}
}

// A preview says what keeps the letter back; without consent to film no film is
// looked at for it.
func TestPreview(t *testing.T) {
	h, s := withServer(t)
	h.family("b07", "Ada", "a@example.org")
	l := h.lesson("b07", "one")
	o := New(h.o)
	preview := func() (string, bool, error) {
		m, _, why, err := o.Preview(t.Context(), l, "See you Tuesday.", nil)
		if why == nil {
			why = &Why{}
		}
		return why.Reason, m != nil, err
	}
	if why, made, err := preview(); why != "" || !made || err != nil {
		t.Errorf("%q, %v, %v", why, made, err)
	}
	h.set("b07", func(f *Family) { f.Mail = never })
	if why, made, err := preview(); why != NoMail || !made || err != nil {
		t.Errorf("without consent to mail: %q, %v, %v", why, made, err)
	}
	h.set("b07", func(f *Family) { f.Film = never })
	if _, made, err := preview(); made || reason(err) != NoFilm {
		t.Errorf("without consent to film: %v, %v", made, err)
	}
	if len(s.Received()) != 0 {
		t.Error("it was sent")
	}
}

func TestBackoff(t *testing.T) {
	h, s := withServer(t, smtptest.Rcpt450)
	h.family("b07", "Ada", "a@example.org")
	l := h.lesson("b07", "one")
	o := New(h.o)
	h.released(o, l)
	run := h.send(o)
	if run.Count(ledger.Released) != 1 || run.Outcomes[0].Why.Reason != NotNow {
		t.Fatalf("%+v", run)
	}
	h.pass(4 * time.Minute)
	if run := h.send(o); run.Left != 1 || len(s.Received()) != 0 || !run.Next.Equal(noon.Add(5*time.Minute)) {
		t.Errorf("too early: %+v", run)
	}
	h.pass(time.Minute)
	if run := h.send(o); run.Count(ledger.Sent) != 1 || got(s, l.Clip, "a@example.org") != 1 {
		t.Errorf("%+v", run)
	}

	// A server that never takes it: a day, growing waits, then it is said.
	h, s = withServer(t)
	h.family("b07", "Ada", "a@example.org")
	l = h.lesson("b07", "one")
	o = New(h.o)
	h.released(o, l)
	tries := 0
	for end := h.now.Add(30 * time.Hour); h.now.Before(end) && h.stand(o, l).State == ledger.Released; h.pass(5 * time.Minute) {
		s.Then(smtptest.End451)
		tries += len(h.send(o).Outcomes)
	}
	it := h.stand(o, l)
	if it.State != ledger.Refused || it.Why.Reason != TooLate || len(s.Received()) != 0 {
		t.Errorf("%s, %v", it.State, it.Why)
	}
	if tries < 8 || tries > 14 {
		t.Errorf("%d tries in a day", tries)
	}

	// 5xx is not tried again; the other guardian has it.
	h, s = withServer(t, smtptest.RcptMixed)
	h.family("b07", "Ada", "a@example.org", "b@example.org")
	l = h.lesson("b07", "one")
	o = New(h.o)
	h.released(o, l)
	h.send(o)
	h.pass(time.Hour)
	h.send(o)
	it = h.stand(o, l)
	if it.State != ledger.Refused || it.Why.Reason != PartTaken || got(s, l.Clip, "b@example.org") != 1 || got(s, l.Clip, "a@example.org") != 0 {
		t.Errorf("%s, %v, %+v", it.State, it.Why, s.Received())
	}
	// Released again for the corrected address only.
	h.set("b07", func(f *Family) { f.Guardians = []string{"mended@example.org", "b@example.org"} })
	if _, err := h.release(o, l, Word{}); reason(err) != Strangers {
		t.Errorf("%v", err)
	}
	if _, err := h.release(o, l, Word{NewAddress: true}); err != nil {
		t.Fatal(err)
	}
	h.send(o)
	if got(s, l.Clip, "mended@example.org") != 1 || got(s, l.Clip, "b@example.org") != 1 || h.stand(o, l).State != ledger.Sent {
		t.Errorf("%+v", h.stand(o, l))
	}
}

// Nobody there: the release waits with its reason, and a day later it is over.
func TestNoServer(t *testing.T) {
	h := newHouse(t, t.TempDir(), 0)
	defer h.book.Close()
	h.family("b07", "Ada", "a@example.org")
	one, two := h.lesson("b07", "one"), h.lesson("b07", "two")
	o := New(h.o)
	h.released(o, one)
	h.released(o, two)
	dials := 0
	was := h.o.Dial
	h.o.Dial = func(ctx context.Context) (deliver.Line, error) { dials++; return was(ctx) }
	o = New(h.o)
	run := h.send(o)
	if run.Blocked == nil || run.Blocked.Reason != NoServer || dials != 1 || run.Count(ledger.Released) != 2 {
		t.Errorf("%d dials, %+v", dials, run)
	}
	all, _ := h.book.Releases(t.Context(), "")
	if len(all[0].Letters)+len(all[1].Letters) != 0 {
		t.Error("a dead connection cost a try")
	}
	if it := h.stand(o, one); it.State != ledger.Released || it.Why.Reason != NoServer {
		t.Errorf("%+v", it)
	}
	h.pass(25 * time.Hour)
	if run := h.send(o); run.Count(ledger.Refused) != 2 || run.Outcomes[0].Why.Reason != TooLate {
		t.Errorf("%+v", run)
	}
	h.o.Dial = nil
	if _, err := New(h.o).Send(t.Context(), nil); reason(err) != NoMailSet {
		t.Errorf("%v", err)
	}
}

// A connection that the server closed between two messages costs neither a try.
func TestClosedBetween(t *testing.T) {
	h, s := withServer(t, smtptest.Closes, smtptest.None)
	h.family("b07", "Ada", "a@example.org")
	one, two := h.lesson("b07", "one"), h.lesson("b07", "two")
	o := New(h.o)
	h.released(o, one)
	h.released(o, two)
	if run := h.send(o); run.Count(ledger.Sent) != 2 || s.Opened() != 2 {
		t.Errorf("%d connections; %+v", s.Opened(), run)
	}
	all, _ := h.book.Releases(t.Context(), "")
	for _, r := range all {
		if r.Letters[0].Tries != 0 {
			t.Errorf("%+v", r.Letters)
		}
	}
}

func TestPerHour(t *testing.T) {
	h, s := withServer(t)
	h.o.PerHour = 3
	h.family("b07", "Ada", "a@example.org", "b@example.org")
	h.family("c12", "Ben", "c@example.org", "d@example.org")
	o := New(h.o)
	h.released(o, h.lesson("b07", "one"))
	h.pass(time.Second) // in that order
	two := h.lesson("c12", "two")
	h.released(o, two)
	if run := h.send(o); run.Count(ledger.Sent) != 1 || run.Left != 1 || !run.Next.Equal(noon.Add(time.Hour+time.Second)) {
		t.Errorf("%+v", run)
	}
	if it := h.stand(o, two); it.State != ledger.Released || it.Why.Reason != PerHour {
		t.Errorf("%+v", it)
	}
	h.pass(59 * time.Minute)
	h.send(o)
	if len(s.Received()) != 1 {
		t.Error("more than the hour allows")
	}
	h.pass(2 * time.Minute)
	if run := h.send(o); run.Count(ledger.Sent) != 1 || len(s.Received()) != 2 {
		t.Errorf("%+v", run)
	}
	// A family larger than the limit is written to all the same, alone.
	h.o.PerHour = 1
	o = New(h.o)
	h.pass(2 * time.Hour)
	h.released(o, h.lesson("b07", "three"))
	if run := h.send(o); run.Count(ledger.Sent) != 1 {
		t.Errorf("%+v", run)
	}
}

func TestUnsure(t *testing.T) {
	for _, again := range []bool{false, true} {
		h, s := withServer(t, smtptest.DropKept)
		h.o.Again = again
		h.family("b07", "Ada", "a@example.org")
		l := h.lesson("b07", "one")
		o := New(h.o)
		first := h.released(o, l)
		h.send(o)
		h.pass(time.Hour)
		h.send(o)
		it, n := h.stand(o, l), got(s, l.Clip, "a@example.org")
		if !again {
			if it.State != ledger.Unsure || n != 1 {
				t.Fatalf("%s, %d copies", it.State, n)
			}
			if _, err := h.release(o, l, Word{}); reason(err) != IsUnsure {
				t.Errorf("%v", err)
			}
			r, err := h.release(o, l, Word{Again: true})
			if err != nil || r.ID != first.ID {
				t.Fatalf("%+v, %v", r, err)
			}
			h.send(o)
			it, n = h.stand(o, l), got(s, l.Clip, "a@example.org")
		}
		if it.State != ledger.Sent || n != 2 {
			t.Errorf("again %v: %s, %d copies", again, it.State, n)
		}
		for _, m := range s.Received() { // the same message, shown once
			if string(m.Raw) != string(s.Received()[0].Raw) {
				t.Error("the second copy is another message")
			}
		}
	}
}

func TestOneSender(t *testing.T) {
	h, _ := withServer(t)
	h.family("b07", "Ada", "a@example.org")
	o, other := New(h.o), New(h.o)
	h.released(o, h.lesson("b07", "one"))
	hook = func(stage string) {
		if stage == "begun" {
			if _, err := other.Send(t.Context(), nil); !errors.Is(err, ErrBusy) {
				t.Errorf("two send at once: %v", err)
			}
		}
	}
	defer func() { hook = func(string) {} }()
	h.send(o)
}

func TestMask(t *testing.T) {
	for a, want := range map[string]string{"ada.parent@example.org": "a***@example.org", "é@bücher.example": "é***@bücher.example", "odd": "***", "@x": "***@x"} {
		if got := Mask(a); got != want {
			t.Errorf("%s: %s", a, got)
		}
	}
}

func TestFind(t *testing.T) {
	dir := t.TempDir()
	all := []ledger.Lesson{{Clip: "abcd1111", Player: "b07", Folder: dir}, {Clip: "abcd2222", Player: "b07"}, {Clip: "ef012345", Player: "abcd"}}
	for name, want := range map[string]string{"b07": "2", "abcd1": "1", "ABCD1": "1", dir: "1", "abc": "none", "abcd": "many", "ef01": "1", "zzzz": "none", filepath.Join(dir, "..", filepath.Base(dir)): "1"} {
		out, none, many := Find(all, name)
		is := map[bool]string{true: "none", false: string(rune('0' + len(out)))}[none]
		if many {
			is = "many"
		}
		if is != want {
			t.Errorf("%s: %s; want %s", name, is, want)
		}
	}
}

// Whatever can be told of a lesson there are words for.
func TestWords(t *testing.T) {
	l := words.English()
	for _, code := range slices.Concat(Reasons, States, []string{ledger.Stopped, ledger.Pending, ledger.Taken}) {
		if l.Outbox[code] == "" {
			t.Errorf("no words for %q", code)
		}
	}
}
