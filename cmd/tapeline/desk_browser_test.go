package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tapeline/config"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/desk"
	"tapeline/pipeline/jobs"
)

// tab is a browser's tab at the desk.
type tab struct {
	t    testing.TB
	base string // http://127.0.0.1:…
	id   string // of the lesson that is opened
	ctx  context.Context
}

// chrome is a browser of this size that has come into the desk.
func (b *deskBarn) chrome(wide, high int) *tab {
	b.t.Helper()
	return openTab(b.t, b.out.address(), b.id(), wide, high)
}

// chromium is where the browser is.
func chromium(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not there; scripts/setup --dev installs it")
	}
	return path
}

// openTab comes in by the address that a desk has printed.
func openTab(tb testing.TB, address, id string, wide, high int) *tab {
	tb.Helper()
	path := chromium(tb)
	ctx, stop := chromedp.NewContext(context.Background(), chromedp.WithAllocatorOptions(chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.WindowSize(wide, high),
		chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("disable-dev-shm-usage", true)))
	tb.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		tb.Fatal(err)
	}
	base, _, _ := strings.Cut(address, "/enter")
	t := &tab{tb, base, id, ctx}
	t.do(chromedp.EmulateViewport(int64(wide), int64(high)), chromedp.Navigate(address))
	return t
}

// do takes steps, half a minute at most.
func (t *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	t.t.Helper()
	ctx, stop := context.WithTimeout(t.ctx, 30*time.Second)
	defer stop()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.t.Fatal(err)
	}
}

// eval is the value of an expression in the page.
func eval[T any](t *tab, expression string) T {
	t.t.Helper()
	ctx, stop := context.WithTimeout(t.ctx, 30*time.Second)
	defer stop()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		t.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression to be true.
func (t *tab) until(expression string) {
	t.t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		ctx, stop := context.WithTimeout(t.ctx, 10*time.Second)
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		stop()
		if ok && err == nil { // between two pages there is an error
			return
		}
		if time.Now().After(end) {
			t.t.Fatalf("never: %s; it says %q", expression, eval[string](t, `(document.getElementById("say")||document.body).textContent`))
		}
	}
}

// lesson opens the sample's lesson and waits for its picture.
func (t *tab) lesson() {
	t.t.Helper()
	t.do(chromedp.Navigate(t.base + "/lesson/" + t.id))
	t.until(`document.querySelector("#picture[data-frame]")`)
}

// settled waits until what was changed is judged.
func (t *tab) settled(change func()) {
	t.t.Helper()
	was := eval[string](t, `document.body.dataset.judged`)
	change()
	t.until(fmt.Sprintf(`document.body.dataset.judged !== %q`, was))
}

// shoot keeps a picture of the page where somebody asks for it.
func (t *tab) shoot(name string) {
	t.t.Helper()
	dir := os.Getenv("DESK_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(t.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o666); err != nil {
		t.t.Fatal(err)
	}
}

// tabTo presses the tab key until an element has the focus, and says where it
// can be seen.
func (t *tab) tabTo(selector string) {
	t.t.Helper()
	for range 80 {
		t.do(chromedp.KeyEvent(kb.Tab))
		if eval[bool](t, fmt.Sprintf(`!!document.activeElement && document.activeElement.matches(%q)`, selector)) {
			if !eval[bool](t, `(() => { const e = document.activeElement, b = e.querySelector("b"), s = getComputedStyle(e), z = b && getComputedStyle(b); return s.outlineStyle !== "none" || !!z && z.outlineStyle !== "none"; })()`) {
				t.t.Errorf("the focus on %s can't be seen", selector)
			}
			return
		}
	}
	t.t.Fatalf("no tab leads to %s", selector)
}

// With the keyboard alone a coach steps, moves a point, says things otherwise,
// writes a note and saves; a note is spoken; somebody else who saves first loses
// nothing, nor does the coach.
func TestDeskByKeys(t *testing.T) {
	b := newDesk(t).open()
	tab := b.chrome(1000, 800)
	tab.tabTo(`h3 a`)
	tab.do(chromedp.KeyEvent(kb.Enter))
	tab.until(`document.querySelector("#picture[data-frame]")`)
	shown := func(n int) {
		t.Helper()
		tab.until(fmt.Sprintf(`document.getElementById("picture").dataset.frame === "%d"`, n))
	}
	contact := frameOf(b.report(), pipeline.Contact)
	shown(contact)
	tab.tabTo("#film")
	tab.do(chromedp.KeyEvent(kb.ArrowLeft))
	shown(contact - 1)
	tab.do(chromedp.KeyEvent(kb.ArrowRight, chromedp.KeyModifiers(chromedp.ModifierShift)))
	shown(contact + 9)
	tab.tabTo("[data-kind=finish]") // whose picture is shown then
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.Enter)) })
	if got := eval[int](tab, `+document.querySelector("[data-kind=finish]").getAttribute("aria-valuenow")`); got != contact+9 {
		t.Errorf("the peg hangs at picture %d, want %d, where the coach came from", got, contact+9)
	}
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.Delete)) })
	tab.do(chromedp.Focus("#film"))
	tab.do(chromedp.KeyEvent("1"))
	stance := frameOf(b.report(), pipeline.Stance)
	shown(stance)
	tab.do(chromedp.KeyEvent("p"))
	tab.tabTo("[role=button].handle")
	eyes := eval[[]float64](tab, `document.querySelector(".handle").at`)
	for range 3 {
		tab.settled(func() { tab.do(chromedp.KeyEvent(kb.ArrowDown)) })
	}
	if now := eval[[]float64](tab, `document.querySelector(".handle").at`); math.Abs(now[0]-eyes[0]) > .11 || math.Abs(now[1]-eyes[1]-3) > .11 {
		t.Errorf("the eyes went from %v to %v", eyes, now)
	}
	if !eval[bool](tab, `!document.getElementById("lens").hidden`) {
		t.Error("there is no magnifier")
	}

	// What is said.
	tab.tabTo(`[data-kind=priority] .bar button:last-child`)
	dropped := eval[string](tab, `document.querySelector("[data-kind=priority]").dataset.rule`)
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.Enter)) })
	tab.until(fmt.Sprintf(`document.querySelector("#findings .gone[data-rule=%s]") && document.activeElement.id === "own-text"`, dropped))
	tab.do(chromedp.KeyEvent("Wait for it."))
	tab.tabTo("#own-add")
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.Enter)) })
	tab.until(`document.querySelector("[data-kind=priority] p").textContent.includes("Wait for it.")`)
	tab.tabTo("[data-key=height]")
	tab.do(chromedp.KeyEvent("150cm"))
	tab.settled(func() { tab.tabTo("[data-key=level]") })
	tab.until(`document.getElementById("about").textContent.includes("150 cm")`)
	tab.tabTo("#note")
	tab.do(chromedp.KeyEvent("Great <b>week</b>, Ada."))
	tab.do(chromedp.KeyEvent("s", chromedp.KeyModifiers(chromedp.ModifierCtrl)))
	tab.until(`document.getElementById("say").textContent.startsWith("Saved")`)
	c := b.clip()
	side, err := config.ReadSidecar(paperOf(&c).Notes)
	if err != nil || side.Height != "150cm" || len(side.Points) != 1 || side.Points[0].Part != "eyes" || side.Points[0].Frame != stance || !slices.Equal(side.Findings.Drop, []string{dropped}) ||
		len(side.Findings.Add) != 1 || side.Findings.Add[0].Text != "Wait for it." || !slices.Equal(side.Notes, []string{"Great <b>week</b>, Ada."}) {
		t.Errorf("%+v %v", side, err)
	}
	// What can't be judged is said, and kept nowhere.
	tab.do(chromedp.Focus("[data-key=height]"))
	tab.do(chromedp.SetValue("[data-key=height]", "tall"))
	tab.settled(func() {
		eval[bool](tab, `document.querySelector("[data-key=height]").dispatchEvent(new Event("change"))`)
	})
	tab.until(`document.getElementById("say").textContent.includes("is not a height")`)
	tab.do(chromedp.Click("#save"))
	tab.until(`document.getElementById("say").textContent.includes("is not a height")`)
	tab.settled(func() { tab.do(chromedp.Click("#undo")) })

	// A known length, between two points of the first picture.
	tab.do(chromedp.Click("#length"))
	shown(0)
	tab.do(chromedp.Focus(".handle"))
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.ArrowLeft, chromedp.KeyModifiers(chromedp.ModifierShift))) })
	if got := eval[string](tab, `document.querySelector("[data-key=scale]").value`); got != "374,459,576,459=17in" {
		t.Errorf("the known length is %q", got)
	}
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.Delete)) })

	// A spoken note.
	tab.do(chromedp.Click("#record"))
	tab.until(`document.getElementById("record").textContent.startsWith("Stop")`)
	time.Sleep(700 * time.Millisecond)
	tab.do(chromedp.Click("#record"))
	tab.until(`document.getElementById("say").textContent.startsWith("The voice note is kept")`)
	voice, err := clip.Voice(t.Context(), voiceBeside(c.Original()))
	if s := clip.VoiceSeconds(voice); err != nil || s < .2 || s > 20 || b.clip().Voice != ".m4a" {
		t.Errorf("%.1f s, %q, %v", s, b.clip().Voice, err)
	}

	// Somebody else saves first.
	raw, err := paperOf(&c).Read()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := paperOf(&c).Write([]byte("bats: R\n"), desk.TagOf(raw), "Pat", time.Now()); err != nil {
		t.Fatal(err)
	}
	tab.settled(func() {
		tab.do(chromedp.SetValue("[data-key=view]", "chest"))
		eval[bool](tab, `document.querySelector("[data-key=view]").dispatchEvent(new Event("change"))`)
	})
	tab.do(chromedp.Click("#save"))
	tab.until(`document.activeElement.id === "theirs" && document.getElementById("conflict").textContent.startsWith("Pat saved other changes")`)
	if b, _ := paperOf(&c).Read(); string(b) != "bats: R\n" {
		t.Errorf("theirs was written over: %s", b)
	}
	tab.shoot("conflict")
	tab.do(chromedp.Click("#mine"))
	tab.until(`document.getElementById("say").textContent.startsWith("Saved")`)
	side, err = config.ReadSidecar(paperOf(&c).Notes)
	past, err2 := paperOf(&c).Versions()
	if err != nil || err2 != nil || side.View != "chest" || side.Height != "150cm" || side.Bats != "" || !slices.ContainsFunc(past, func(v desk.Version) bool { return v.Who == "Pat" && v.Notes == "bats: R\n" }) {
		t.Errorf("%+v %v, %d versions", side, err, len(past))
	}
	if n := eval[int](tab, `document.querySelectorAll("#findings b b, #note b, h1 b, h1 script").length`); n != 0 {
		t.Errorf("%d elements were made of words", n)
	}
}

// Everything that is known of a lesson can be said on its page, and which of its
// swings is meant; what it says can be said otherwise, left out and put in
// another order. Each is judged at once and kept as it was said.
func TestDeskFields(t *testing.T) {
	b := newDesk(t)
	c := b.clip()
	text, err := pipeline.MarshalTrack(twice(sampleTrack(t), c.Hash))
	if err == nil {
		err = os.WriteFile(filepath.Join(c.Final, pipeline.TrackFile), text, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	b.open()
	tab := b.chrome(1280, 900)
	tab.lesson()
	set := func(key, value string) {
		t.Helper()
		tab.settled(func() {
			if !eval[bool](tab, fmt.Sprintf(`(() => { const f = document.querySelector('[data-key="%s"]'); f.value = %q; f.dispatchEvent(new Event("change")); return f.value === %[2]q; })()`, key, value)) {
				t.Errorf("%s can't be set to %q", key, value)
			}
		})
	}
	peg := `+document.querySelector("[data-kind=contact]").getAttribute("aria-valuenow")`
	first := eval[int](tab, peg)
	other := "2"
	if eval[string](tab, `[...document.getElementById("swing").options].map((o) => o.value).join()`) != ",1,2" {
		t.Fatal("the page doesn't offer both swings")
	}
	if first > 99 {
		other = "1"
	}
	set("swing", other)
	if now := eval[int](tab, peg); now == first || (now-first)%100 != 0 {
		t.Errorf("contact of one swing at picture %d, of the other at %d; they are 100 apart", first, now)
	}
	tab.until(fmt.Sprintf(`document.getElementById("where").textContent.startsWith("picture " + %s + " ")`, peg))

	// A peg is dragged with the mouse, too.
	was := eval[int](tab, peg)
	at := eval[struct{ X, Y float64 }](tab, `(() => { const p = document.querySelector("[data-kind=contact]"); p.scrollIntoView({block: "center", behavior: "instant"}); const r = p.querySelector("b").getBoundingClientRect(); return {X: r.x + r.width / 2, Y: r.y + r.height / 2}; })()`)
	tab.settled(func() { tab.do(chromedp.DragAndDropXY(at.X, at.Y, at.X-40, at.Y)) })
	if now := eval[int](tab, peg); now >= was {
		t.Errorf("contact's peg was dragged to the left and hangs at picture %d, before at %d", now, was)
	}
	tab.settled(func() { tab.do(chromedp.Click("#undo")) })
	if now := eval[int](tab, peg); now != was {
		t.Errorf("undone it hangs at picture %d, want %d", now, was)
	}

	// Findings: one in other words, the last one first, one left out and back.
	click := func(rule, button string) {
		t.Helper()
		if !eval[bool](tab, fmt.Sprintf(`(() => { const l = document.querySelector("#findings li[data-rule='%s']"), b = [...l.querySelectorAll("button")].find((b) => b.textContent === %q); if (b) b.click(); return !!b; })()`, rule, button)) {
			t.Errorf("%s has no %q", rule, button)
		}
	}
	rules := eval[[]string](tab, `[...document.querySelectorAll("#findings li")].filter((l) => l.dataset.kind !== "cant_tell" && !l.classList.contains("gone")).map((l) => l.dataset.rule)`)
	if len(rules) < 2 {
		t.Fatalf("%q is too little to put in another order", rules)
	}
	d := b.y.text.Desk
	// The second thing to work on becomes the first, by its button; then the
	// coach's own, which comes before both, goes between them, by the keys.
	last, before := rules[len(rules)-1], rules[len(rules)-2]
	said := func() []string {
		return eval[[]string](tab, `[...document.querySelectorAll("#findings li")].filter((l) => l.dataset.kind !== "cant_tell" && !l.classList.contains("gone")).map((l) => l.dataset.rule)`)
	}
	tab.settled(func() { click(last, d["move_up"]) })
	order := slices.Concat(rules[:len(rules)-2], []string{last, before})
	if got := said(); !slices.Equal(got, order) {
		t.Errorf("it says %q, want %q", got, order)
	}
	tab.do(chromedp.SetValue("#own-text", "Wait for it."))
	tab.settled(func() { tab.do(chromedp.Click("#own-add")) })
	tab.do(chromedp.Focus(`#findings li[data-rule=coach] button`))
	tab.settled(func() { tab.do(chromedp.KeyEvent(kb.ArrowDown, chromedp.KeyModifiers(chromedp.ModifierAlt))) })
	if got := said(); !slices.Equal(got, slices.Concat(rules[:len(rules)-2], []string{last, "coach"})) {
		t.Errorf("it says %q", got)
	}
	if !eval[bool](tab, fmt.Sprintf(`document.activeElement.textContent === %q && document.activeElement.closest("li").dataset.rule === "coach"`, d["move_up"])) {
		t.Error("what was moved has lost the focus")
	}
	click(rules[0], d["edit"])
	tab.settled(func() {
		eval[bool](tab, `(() => { const a = document.querySelector("#findings textarea"); a.value = "Stay as tall as you start."; a.nextSibling.firstChild.click(); return true; })()`)
	})
	tab.until(`[...document.querySelectorAll("#findings li p")].some((p) => p.textContent.includes("Stay as tall as you start."))`)
	tab.settled(func() { click(rules[0], d["drop"]) })
	tab.settled(func() { click(rules[0], d["say_again"]) })

	// What stands there already is no change.
	if eval[string](tab, `document.querySelector("[data-key=player]").value + " " + document.querySelector("[data-key=date]").value`) != "b07 "+c.Day {
		t.Error("the page doesn't show whose it is and of which day")
	}
	for key, value := range map[string]string{"player": "b08", "date": "2026-03-01", "bats": "R", "view": "chest", "height": "160cm", "level": "youth", "sport": "softball", "scale": "10,20,30,40=17in", "palms.top": "up", "palms.bottom": "down"} {
		set(key, value)
	}
	if about := eval[string](tab, `document.getElementById("about").textContent`); !strings.Contains(about, "160 cm") {
		t.Errorf("judged as %q", about)
	}
	tab.shoot("fields")
	tab.do(chromedp.Click("#save"))
	tab.until(`document.getElementById("say").textContent.startsWith("Saved")`)
	side, err := config.ReadSidecar(paperOf(&c).Notes)
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(side.Swing) != other || side.Player != "b08" || side.Date != "2026-03-01" || side.Bats != "R" || side.View != "chest" || side.Height != "160cm" || side.Level != "youth" ||
		side.Sport != "softball" || side.Scale != "10,20,30,40=17in" || side.Palms.Top != "up" || side.Palms.Bottom != "down" {
		t.Errorf("kept: %+v", side)
	}
	f := side.Findings
	if !slices.Equal(f.First, slices.Concat(order[:len(order)-1], []string{"coach", before})) || len(f.Add) != 1 || len(f.Say) != 1 || f.Say[0].Rule != rules[0] || f.Say[0].Text != "Stay as tall as you start." || len(f.Drop) != 0 {
		t.Errorf("kept of what it says: %+v", f)
	}
	// The next lesson: there is none, so it is the list.
	tab.do(chromedp.Focus("#film"), chromedp.KeyEvent("n"))
	tab.until(`location.pathname === "/"`)
}

// twice is a track with its swing once more, two seconds and a hundred pictures
// later.
func twice(track pipeline.Track, id string) pipeline.Track {
	const later, pictures = 2, 100
	track.Clip.ID = id
	for _, t := range track.Clip.PTS[:pictures] {
		track.Clip.PTS = append(track.Clip.PTS, t+later)
	}
	track.Clip.Duration += later
	w := track.Windows[0]
	w.From, w.To, w.Key, w.Burst = w.From+later, w.To+later, w.Key+pictures, w.Burst+later
	w.Frames = slices.Clone(w.Frames)
	for i := range w.Frames {
		w.Frames[i].Index += pictures
		w.Frames[i].PTS += later
	}
	track.Windows = append(track.Windows, w)
	o := track.Onsets[0]
	o.T += later
	track.Onsets = append(track.Onsets, o)
	return track
}

// Two lessons are chosen in the list; the coach sees who gets what; the one that
// may go is released and reaches the family's mail server, the other says why it
// doesn't. A third is held.
func TestDeskReleases(t *testing.T) {
	b := newDesk(t)
	b.drop("b08", "swing") // there is no consent to mail
	b.again()
	// b07's looks like a clip of somebody who bats from the other side.
	rep := b.report()
	rep.Warnings = append(rep.Warnings, pipeline.Warning{Code: "bats_doubtful"})
	text, err := pipeline.MarshalReport(rep)
	if err == nil {
		err = os.WriteFile(filepath.Join(b.clip().Final, pipeline.ReportFile), text, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	b.open()
	tab := b.chrome(1280, 900)
	for _, box := range []string{"b07", "b08"} {
		eval[bool](tab, fmt.Sprintf(`[...document.querySelectorAll(".lesson")].find((l) => l.textContent.includes("(%s)")).querySelector("input").click(), true`, box))
	}
	tab.do(chromedp.Click("#pick button"))
	tab.until(`document.querySelectorAll("tbody tr").length === 2`)
	page := eval[string](tab, `document.querySelector("tbody").innerText`)
	for _, want := range []string{"Ada (b07)", "a***@example.org", "other batting side", "I have looked: it is Ada (b07).", "Ben (b08)", "no consent to mail"} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is not in %q", want, page)
		}
	}
	if strings.Contains(page, "guardian") {
		t.Errorf("addresses can be read over a shoulder: %q", page)
	}
	tab.shoot("release")
	gone := func() { tab.until(`location.pathname === "/" && document.readyState === "complete"`) }
	tab.do(chromedp.Click("button[value=release]"))
	gone()
	state := func(player string) string {
		return eval[string](tab, fmt.Sprintf(`([...document.querySelectorAll(".lesson")].find((l) => l.textContent.includes("(%s)")) || {}).innerText || ""`, player))
	}
	told := func(ada, ben string) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); !strings.Contains(state("b07"), ada) || !strings.Contains(state("b08"), ben); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%q\n%q", state("b07"), state("b08"))
			}
			tab.do(chromedp.Navigate(b.base + "/"))
		}
	}
	told("perhaps it is another player's clip", "no consent")
	b.send()
	if n := len(b.mails.Received()); n != 0 {
		t.Fatalf("%d messages left that nobody named", n)
	}
	tab.do(chromedp.Navigate(b.base+"/release?id="+b.id()+"&id="+b.other("b08")), chromedp.Click("[name=named]"), chromedp.Click("button[value=release]"))
	gone()
	told("· released", "no consent")
	if !eval[bool](tab, `document.querySelector(".look").innerText.includes("(b08)")`) {
		t.Error("what could not go is not among what needs a look")
	}
	b.send()
	got := b.mails.Received()
	if len(got) != 1 || !slices.Equal(got[0].To, []string{"ada.guardian@example.org"}) {
		t.Fatalf("%d messages: %+v", len(got), got)
	}
	tab.do(chromedp.Navigate(b.base + "/"))
	if s := state("b07"); !strings.Contains(s, "· sent") {
		t.Errorf("%q", s)
	}
	// What is corrected and not made again doesn't leave: the letter would say
	// what the coach has put right.
	c := b.clip()
	if _, err := b.shelf.Save(t.Context(), c.Hash, []byte(`{"bats":"R"}`), desk.TagOf(nil), "Kim"); err != nil {
		t.Fatal(err)
	}
	tab.do(chromedp.Navigate(b.base + "/release?id=" + c.Hash))
	if page := eval[string](tab, `document.querySelector("tbody").innerText`); !strings.Contains(page, "make the video again first") {
		t.Errorf("%q", page)
	}
	tab.do(chromedp.Click("[name=again]"), chromedp.Click("button[value=release]"))
	gone()
	for end := time.Now().Add(20 * time.Second); !strings.Contains(state("b07"), "make the video again first") && !strings.Contains(state("b07"), "not made again"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%q", state("b07"))
		}
		tab.do(chromedp.Navigate(b.base + "/"))
	}
	b.send()
	if n := len(b.mails.Received()); n != 1 {
		t.Errorf("%d messages", n)
	}
	tab.do(chromedp.Navigate(b.base+"/release?id="+c.Hash), chromedp.Click("button[value=hold]"))
	tab.until(`document.body.innerText.includes("held back")`)
}

// other is the clip of another player.
func (b *deskBarn) other(player string) string {
	b.t.Helper()
	all, err := b.st.Clips(context.Background(), "")
	if err != nil {
		b.t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(c jobs.Clip) bool { return c.Player == player })
	if i < 0 {
		b.t.Fatal("no clip of ", player)
	}
	return all[i].Hash
}

// send hands what is released to the mail server.
func (b *deskBarn) send() {
	b.t.Helper()
	p, err := b.y.openPost(context.Background(), slog.New(slog.DiscardHandler))
	if err != nil {
		b.t.Fatal(err)
	}
	defer p.Close()
	if _, err := p.box.Send(context.Background(), nil); err != nil {
		b.t.Fatal(err)
	}
}

// report is the lesson's as it lies in its folder.
func (b *deskBarn) report() (rep pipeline.Report) {
	b.t.Helper()
	c := b.clip()
	text, err := os.ReadFile(filepath.Join(c.Final, pipeline.ReportFile))
	if err == nil {
		err = json.Unmarshal(text, &rep)
	}
	if err != nil {
		b.t.Fatal(err)
	}
	return rep
}

func frameOf(rep pipeline.Report, k pipeline.EventKind) int {
	return *rep.Chosen().Event(k).Frame
}

// media makes the browser ask for light or dark.
func (t *tab) media(scheme string) {
	t.t.Helper()
	features := []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}
	if _, err := chromedp.Call(t.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: features}); err != nil {
		t.t.Fatal(err)
	}
}

// Nothing on any page keeps somebody from using it, in light and dark and at the
// width of a phone, as far as axe-core can tell (WCAG 2.2 A and AA); and it does
// see what does.
func TestDeskForAll(t *testing.T) {
	axe, err := os.ReadFile(filepath.Join(cmp.Or(os.Getenv("TAPELINE_HOME"), pose.DefaultDir()), "axe", "axe.min.js"))
	if err != nil {
		t.Skip("axe-core is not there; scripts/setup --dev fetches it")
	}
	b := newDesk(t)
	b.drop("b09", "swing") // whose name is no name but a script
	b.again()
	b.open()
	tab := b.chrome(1280, 900)
	type broken struct {
		ID, Impact, Help string
		Nodes            []struct{ HTML, FailureSummary string }
	}
	look := func(page string) (out []broken) {
		t.Helper()
		if !eval[bool](tab, `!!window.axe`) {
			eval[bool](tab, string(axe)+";true")
		}
		return eval[[]broken](tab, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then((r) => r.violations.map((v) => ({ID: v.id, Impact: v.impact, Help: v.help, Nodes: v.nodes.map((n) => ({HTML: n.html, FailureSummary: n.failureSummary}))})))`)
	}
	for _, c := range []struct {
		page, scheme string
		wide, high   int64
	}{{"list", "light", 1280, 900}, {"lesson", "light", 1280, 900}, {"lesson", "dark", 390, 844}, {"list", "dark", 390, 844}, {"release", "dark", 390, 844}} {
		name := fmt.Sprintf("%s-%s-%d", c.page, c.scheme, c.wide)
		tab.do(chromedp.EmulateViewport(c.wide, c.high))
		tab.media(c.scheme)
		switch c.page {
		case "list":
			tab.do(chromedp.Navigate(b.base + "/"))
		case "release":
			tab.do(chromedp.Navigate(b.base + "/release?id=" + b.id()))
		default:
			tab.lesson()
			tab.do(chromedp.Click("#points"))
		}
		for _, v := range look(name) {
			for _, n := range v.Nodes {
				t.Errorf("%s: %s (%s): %s: %s", name, v.ID, v.Impact, n.HTML, n.FailureSummary)
			}
		}
		if over := eval[int](tab, `document.documentElement.scrollWidth - window.innerWidth`); over > 0 {
			t.Errorf("%s: %d pixels wider than the window", name, over)
		}
		if over := eval[[]string](tab, `(() => {
			const all = [...document.querySelectorAll(".peg b, .peg span")].map((e) => [e.parentElement.dataset.kind + " " + e.tagName, e.getBoundingClientRect()]), out = [];
			all.forEach(([a, r], i) => all.slice(i + 1).forEach(([b, q]) => { if (r.left < q.right && q.left < r.right && r.top < q.bottom && q.top < r.bottom) out.push(a + " on " + b); }));
			return out; })()`); len(over) > 0 {
			t.Errorf("%s: %q", name, over)
		}
		tab.shoot(name)
	}
	tab.do(chromedp.Navigate(b.base + "/"))
	eval[bool](tab, `document.querySelector(".find button").textContent = "";true`)
	if found := look("broken"); len(found) != 1 || found[0].ID != "button-name" {
		t.Errorf("a button without a name: %+v", found)
	}
}

// drop puts a clip of the sample's length into a player's inbox; its bytes are
// its own.
func (b *deskBarn) drop(player, name string) {
	b.t.Helper()
	sample, err := os.ReadFile("../../samples/open_clean.mp4")
	if err != nil {
		b.t.Fatal(err)
	}
	p := filepath.Join(b.dir, "inbox", player, name+".mp4")
	if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, sample, 0o600)); err != nil {
		b.t.Fatal(err)
	}
}
