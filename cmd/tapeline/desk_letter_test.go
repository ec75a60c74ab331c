package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tapeline/config"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/deliver/mailpittest"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/words"
)

// letterID is the SHA-256 of samples/front_left.mp4.
const letterID = "9d08a4e4"

// barnDoor runs the program beside one work folder.
type barnDoor struct {
	t    *testing.T
	dir  string
	work string
}

func (d *barnDoor) run(args ...string) string {
	d.t.Helper()
	ctx, stop := context.WithTimeout(d.t.Context(), 5*time.Minute)
	defer stop()
	cmd := exec.CommandContext(ctx, "tapeline", args...)
	cmd.Dir = d.dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		d.t.Fatalf("tapeline %s: %v: %s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// desk serves one until the test ends; its address.
func (d *barnDoor) desk() string {
	d.t.Helper()
	cmd := exec.Command("tapeline", "desk", "--coach", "Kim")
	out := &said{}
	cmd.Dir, cmd.Stdout, cmd.Stderr = d.dir, out, d.t.Output()
	if err := cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGINT)
		if err := cmd.Wait(); err != nil && cmd.ProcessState.ExitCode() != int(pipeline.FaultInterrupted) {
			d.t.Errorf("the desk ended with %v", err)
		}
	})
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); {
		if a := out.address(); a != "" {
			return a
		}
	}
	d.t.Fatal("the desk prints no address")
	return ""
}

func (d *barnDoor) lesson() (dir string, rep pipeline.Report) {
	d.t.Helper()
	all, err := filepath.Glob(filepath.Join(d.work, jobs.LessonsDir, "b07", "*-"+letterID))
	if err != nil || len(all) != 1 {
		d.t.Fatalf("lessons %v %v", all, err)
	}
	return all[0], reportIn(d.t, all[0])
}

func reportIn(t *testing.T, dir string) (rep pipeline.Report) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
	if err == nil {
		err = json.Unmarshal(b, &rep)
	}
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

// rendered is the truth of a rendered sample: where the batter's front foot was
// in space, how far the eyes had dropped, and the camera that saw it.
type rendered struct {
	Image struct{ Width, Height int }
	Focal float64 `json:"focal_px"`
	Side  string  `json:"front_side"`

	Frames []struct {
		Drop   float64       `json:"eye_drop_from_stance_cm"`
		Yaw    float64       `json:"front_foot_yaw_deg"`
		Camera [4][4]float64 // to the world; it looks along −z, y up
		Points map[string]struct {
			Px  [2]float64
			XYZ [3]float64 `json:"xyz"`
		}
	}
}

// seen is where a point in space lies in a frame's picture: a pinhole.
func (r *rendered) seen(frame int, at [3]float64) (x, y float64) {
	m := r.Frames[frame].Camera
	var c [3]float64
	for i := range c {
		for j := range at {
			c[i] += m[j][i] * (at[j] - m[j][3])
		}
	}
	return float64(r.Image.Width)/2 - r.Focal*c[0]/c[2], float64(r.Image.Height)/2 + r.Focal*c[1]/c[2]
}

// foot is the front foot of a frame as it was and, from the same heel, turned
// open by yaw degrees: 0 square to the pitch, 90 toward the pitcher.
func (r *rendered) foot(frame int, yaw float64) (heel, toe, turned [3]float64) {
	p := r.Frames[frame].Points
	heel, toe = p[r.Side+"_heel"].XYZ, p[r.Side+"_foot_index"].XYZ
	dx, dy := toe[0]-heel[0], toe[1]-heel[1]
	sin, cos := math.Sincos(yaw * math.Pi / 180)
	long := math.Hypot(dx, dy)
	return heel, toe, [3]float64{heel[0] + long*sin, heel[1] + long*math.Copysign(cos, dy), toe[2]}
}

// From the clip that is dropped to the letter that arrived, with nothing made up
// in between: the program reads it in processes of its own, a coach looks at it
// in a browser and lets it go, a mail server takes it. Then contact is moved by
// two pictures and the front foot's toe is dragged to where the foot would have
// it that is turned far more open: the numbers follow, the video is made
// again, only then it leaves again, and a reading from the beginning keeps them.
func TestDeskToTheLetter(t *testing.T) {
	t.Parallel() // long, with waits in it
	pit := mailpittest.Start(t)
	chromium(t)
	if _, err := os.Stat(filepath.Join(pose.DefaultDir(), "models")); err != nil {
		t.Skip("the networks are not there; scripts/setup makes them")
	}
	dir := t.TempDir()
	d := &barnDoor{t, dir, filepath.Join(dir, "barn")}
	sample, err := os.ReadFile("../../samples/front_left.mp4")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"roster.csv":               "id,first_name,bats,height,guardian_email,consent_film,consent_mail\nb07,Ada,L,178cm,ada.guardian@example.org,2026-01-10,2026-01-10\n",
		config.File:                fmt.Sprintf("work: barn\nroster: roster.csv\nsettle: 1s\npose: {quality: quick}\nmail: {host: 127.0.0.1, port: %d, tls: none, from: coach@example.org}\n", pit.SMTP),
		"barn/inbox/b07/swing.mp4": string(sample),
	} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var truth rendered
	if b, err := os.ReadFile("../../samples/front_left.truth.json"); err != nil || json.Unmarshal(b, &truth) != nil {
		t.Fatal("no truth of the sample: ", err)
	}
	begun := time.Now()
	lap := func(what string) { t.Logf("%4.1f s  %s", time.Since(begun).Seconds(), what) }

	d.run("nightly")
	lap("read")
	lesson, first := d.lesson()
	text := words.English()
	tab := openTab(t, d.desk(), first.Clip.ID, 1280, 2200)
	release := func() {
		t.Helper()
		tab.do(chromedp.Navigate(tab.base + "/"))
		tab.do(chromedp.Click(".tick input"), chromedp.Click("#pick button"))
		tab.until(`(document.querySelector("tbody") || {innerText: ""}).innerText.includes("a***@example.org")`)
		if eval[bool](tab, `document.querySelector("[name=again]").checked`) {
			t.Error("again is asked for without being asked")
		}
	}
	listed := func(want string) {
		t.Helper()
		for end := time.Now().Add(8 * time.Minute); ; time.Sleep(100 * time.Millisecond) {
			tab.do(chromedp.Navigate(tab.base + "/"))
			page := eval[string](tab, `document.querySelector(".lesson").innerText`)
			if strings.Contains(page, want) {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("never %q: %s", want, page)
			}
		}
	}
	went := func(n int) []mailpittest.Message {
		t.Helper()
		got := pit.Got(t)
		if len(got) != n {
			t.Fatalf("%d messages lie there, not %d", len(got), n)
		}
		return got
	}

	letGo := func(first ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		tab.do(append(first, chromedp.Click("button[value=release]"))...)
		tab.until(`location.pathname === "/" && document.readyState === "complete"`)
	}

	// Without a correction.
	release()
	letGo()
	listed("· released")
	went(0) // it leaves with the next sending
	d.run("nightly")
	listed("· sent")
	letters := []mailpittest.Message{went(1)[0]}
	d.run("send") // nothing twice
	went(1)
	lap("released as it was read")

	// Contact two pictures later, with the keys.
	tab.lesson()
	contact, plant := frameOf(first, pipeline.Contact), frameOf(first, pipeline.Plant)
	tab.do(chromedp.Focus(`[data-kind=contact]`))
	for range 2 {
		tab.settled(func() { tab.do(chromedp.KeyEvent(kb.ArrowRight)) })
	}
	// The foot's two ends, with the mouse.
	tab.do(chromedp.Focus(`[data-kind=plant]`))
	tab.until(fmt.Sprintf(`+document.getElementById("picture").dataset.frame === %d`, plant))
	const open = 65
	heel, toe, turned := truth.foot(plant, open)
	if x, y := truth.seen(plant, toe); math.Hypot(x-truth.Frames[plant].Points[truth.Side+"_foot_index"].Px[0], y-truth.Frames[plant].Points[truth.Side+"_foot_index"].Px[1]) > .1 {
		t.Fatalf("the toe is seen at %.1f, %.1f, not where the renderer has it", x, y)
	}
	tab.do(chromedp.Click("#points"))
	type place struct{ X, Y float64 }
	drag := func(part string, at [3]float64) {
		t.Helper()
		x, y := truth.seen(plant, at)
		from := eval[place](tab, fmt.Sprintf(`(() => { const r = document.querySelector(".mark[data-part=%s]").getBoundingClientRect(); return {X: r.x + r.width / 2, Y: r.y + r.height / 2}; })()`, part))
		to := eval[place](tab, fmt.Sprintf(`(() => { const r = document.getElementById("picture").getBoundingClientRect(), s = r.width / %d; return {X: r.x + %g * s, Y: r.y + %g * s}; })()`, truth.Image.Width, x, y))
		tab.settled(func() { tab.do(chromedp.DragAndDropXY(from.X, from.Y, to.X, to.Y)) })
	}
	drag("front_toe", turned)
	one := eval[[]string](tab, `[...document.querySelectorAll("#rows tr.changed th")].map((h) => h.textContent)`)
	drag("front_heel", heel)
	tab.shoot("letter-corrected")
	// Taken back and done again, both come to the same.
	now := eval[string](tab, `document.getElementById("rows").innerText`)
	tab.settled(func() { tab.do(chromedp.Click("#undo")) })
	if eval[string](tab, `document.getElementById("rows").innerText`) == now {
		t.Error("undoing changes no number")
	}
	tab.settled(func() { tab.do(chromedp.Click("#redo")) })
	tab.until(fmt.Sprintf(`document.getElementById("rows").innerText === %q`, now))
	tab.do(chromedp.Click("#save"))
	tab.until(`document.getElementById("save").disabled`)
	shown := eval[map[string]string](tab, `Object.fromEntries([...document.querySelectorAll("#rows tr")].map((r) => [r.children[0].textContent, r.children[2].firstChild.textContent]))`)
	changed := eval[[]string](tab, `[...document.querySelectorAll("#rows tr.changed th")].map((h) => h.textContent)`)

	// What is kept is what was done.
	original := filepath.Join(d.work, jobs.ArchiveDir, "b07", filepath.Base(lesson)+".mp4")
	side, err := config.ReadSidecar(config.SidecarPath(original))
	if err != nil {
		t.Fatal(err)
	}
	probed, err := clip.Probe(t.Context(), original)
	if err != nil {
		t.Fatal(err)
	}
	late := probed.PTS[contact+2]
	if len(side.Times) != 1 || side.Times["contact"] != late || len(side.Points) != 2 {
		t.Fatalf("kept: %+v", side)
	}
	for i, at := range [][3]float64{turned, heel} {
		x, y := truth.seen(plant, at)
		if p := side.Points[i]; p.Part != []string{"front_toe", "front_heel"}[i] || p.Frame != plant || math.Hypot(p.At[0]-x, p.At[1]-y) > 1.5 {
			t.Errorf("kept %+v, dragged to %.1f, %.1f", p, x, y)
		}
	}

	// Before it is made again it doesn't leave, whatever is said.
	release()
	if page := eval[string](tab, `document.querySelector("tbody").innerText`); !strings.Contains(page, text.Desk["why_not_redrawn"]) {
		t.Errorf("%q", page)
	}
	letGo(chromedp.Click("[name=again]"))
	d.run("send")
	went(1)
	tab.lesson()
	tab.do(chromedp.Click("#redraw"))
	tab.until(`!document.getElementById("progress").hidden`)
	d.run("nightly")
	tab.until(fmt.Sprintf(`document.getElementById("say").textContent.startsWith(%q)`, text.Desk["redrawn"]))
	went(1) // nobody has said so
	lap("made again")

	// The numbers are those of the geometry, on the page and in the report.
	_, second := d.lesson()
	if judged, err := os.ReadFile(filepath.Join(lesson, pipeline.ReportFile)); err != nil || d.run("judge", lesson) != string(judged) {
		t.Error("judged once more it is another report: ", err)
	}
	s := second.Chosen()
	if e := s.Event(pipeline.Contact); e.T == nil || math.Abs(*e.T-late) > 1e-4 || e.Reason != "coach" {
		t.Errorf("contact at %v (%s), want %.4f s", e.T, e.Reason, late)
	}
	number := func(rep *pipeline.Report, key string, from, at pipeline.EventKind) *pipeline.Measure {
		m := rep.Chosen().Measure(key, from, at)
		if m == nil || m.Value == nil {
			t.Fatalf("%s at %s can't be told", key, at)
		}
		return m
	}
	before, after := number(&first, "front_foot_open", "", pipeline.Plant), number(&second, "front_foot_open", "", pipeline.Plant)
	t.Logf("the foot %.1f° (%.1f to %.1f), then %.1f° (%.1f to %.1f); true %.1f°, then %d°", *before.Value, *before.Lo, *before.Hi, *after.Value, *after.Lo, *after.Hi, truth.Frames[plant].Yaw, open)
	if *after.Lo > open || *after.Hi < open || math.Abs(*after.Value-open) > 12 || *after.Value-*before.Value < 15 {
		t.Errorf("the front foot was open %.1f°, is %.1f° (%.1f to %.1f) and was turned to %d°", *before.Value, *after.Value, *after.Lo, *after.Hi, open)
	}
	if m := number(&second, "eye_drop", pipeline.Stance, pipeline.Contact); *m.Lo > truth.Frames[contact+2].Drop || *m.Hi < truth.Frames[contact+2].Drop {
		t.Errorf("the eyes dropped %.1f cm (%.1f to %.1f), truly %.1f cm two pictures later", *m.Value, *m.Lo, *m.Hi, truth.Frames[contact+2].Drop)
	}
	for i := range s.Measures {
		m := &s.Measures[i]
		if got, ok := shown[text.MeasureName(m)]; ok && slices.Contains(changed, text.MeasureName(m)) && got != text.Against(m, second.Band(m)) {
			t.Errorf("%s is shown as %q, want %q", text.MeasureName(m), got, text.Against(m, second.Band(m)))
		}
	}
	if foot := text.MeasureName(after); !slices.Contains(one, foot) || !slices.Contains(changed, foot) {
		t.Errorf("changed by the toe alone: %q; by all: %q", one, changed)
	}
	tab.lesson()
	if n := eval[int](tab, `document.querySelectorAll("#rows tr.changed").length`); n != 0 {
		t.Errorf("%d numbers differ from the lesson that was made by them", n)
	}
	clock := fmt.Sprintf("−%.3f s", late-probed.PTS[plant])
	tab.do(chromedp.Focus(`[data-kind=plant]`))
	tab.until(fmt.Sprintf(`document.getElementById("where").textContent.includes(%q)`, clock))

	// Now it leaves again, with what was put right.
	release()
	letGo(chromedp.Click("[name=again]"))
	listed("· released")
	d.run("send")
	listed("· sent")
	for _, m := range went(2) {
		if m.ID != letters[0].ID {
			letters = append(letters, m)
		}
	}
	lap("released as it was corrected")
	var films [][]byte
	for i, m := range letters {
		if len(m.To) != 1 || m.To[0].Address != "ada.guardian@example.org" || m.From.Address != "coach@example.org" || !strings.Contains(m.Subject, "Ada") || len(m.Inline) != 1 {
			t.Errorf("letter %d: %+v", i, m)
		}
		for _, a := range m.Attachments {
			if a.ContentType != "video/mp4" {
				continue
			}
			film := pit.Part(t, m.ID, a.PartID)
			path := filepath.Join(t.TempDir(), "film.mp4")
			if err := os.WriteFile(path, film, 0o600); err != nil {
				t.Fatal(err)
			}
			if c, err := clip.Probe(t.Context(), path); err != nil || c.Duration < 5 {
				t.Errorf("the film of letter %d: %.1f s, %v", i, c.Duration, err)
			}
			films = append(films, film)
		}
	}
	if len(films) != 2 || slices.Equal(films[0], films[1]) {
		t.Errorf("%d films, or twice the same", len(films))
	}
	// What there is to work on, and by which number.
	fix, said := strings.ToLower(text.Findings["front_foot_open"].Fix), fmt.Sprintf("%.0f ±", *after.Value)
	for i, m := range letters {
		plain := strings.ToLower(strings.Join(strings.Fields(m.Text), " ")) // some of its spaces don't break
		if got := strings.Contains(plain, fix) && strings.Contains(plain, said); fix == "" || got != (i == 1) {
			t.Errorf("letter %d says %q and %q: %v\n%s", i, fix, said, got, m.Text)
		}
	}

	// Read from the beginning, with what lies beside it: the same numbers.
	again := filepath.Join(dir, "again")
	d.run("read", original, "--out", again, "--bats", "L", "--height", "178cm")
	if rep := reportIn(t, filepath.Join(again, filepath.Base(lesson))); !reflect.DeepEqual(rep.Swings, second.Swings) {
		t.Errorf("read anew: contact %+v, want %+v", rep.Chosen().Event(pipeline.Contact), s.Event(pipeline.Contact))
	}
	lap("read anew")
}
