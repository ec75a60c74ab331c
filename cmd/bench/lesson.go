package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"tapeline/detect/long/lesson"
	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
)

const (
	lessonName = "lesson"
	floorsOf   = 4 // swings of the lesson whose floor is measured; it has two kinds
)

// twentyMinutes is a lesson as a phone records it: 1080p, 30 frames a second,
// 16 Mbit/s, no frame that refers to a later one (both from memory).
var twentyMinutes = lesson.Shape{Seconds: 1200, Rate: 30, Width: 1920, Height: 1080, Swings: 40,
	Codec: []string{"-c:v", "libx264", "-preset", "veryfast", "-b:v", "16M", "-maxrate", "20M", "-bufsize", "20M", "-bf", "0"}}

// timedLesson is the lesson that is timed, and its name.
func (b *bench) timedLesson() (string, lesson.Shape) {
	if b.minutes == 20 {
		return lessonName, twentyMinutes
	}
	s := twentyMinutes
	s.Seconds, s.Swings = 60*float64(b.minutes), 2*b.minutes
	return fmt.Sprintf("%s-%d", lessonName, b.minutes), s
}

// record makes a recording of a lesson, once.
func (b *bench) record(name string, s lesson.Shape) (string, lesson.Truth, error) {
	path := filepath.Join(b.cache, name+".mov")
	if w, err := lesson.Load(path); err == nil {
		if _, err := os.Stat(path); err == nil {
			return path, w, nil
		}
	}
	w, err := lesson.Make(context.Background(), b.samples, path+".part", s)
	if err == nil {
		err = os.Rename(path+".part", path)
	}
	if err == nil {
		err = w.Save(path)
	}
	return path, w, err
}

// scan times the scan of a recording and gives what it found.
func (b *bench) scan(path string, more ...string) (c cost, plan jobs.Plan, err error) {
	out := filepath.Join(b.out, "plan.json")
	// By a shell, as its output is wanted and timed keeps only complaints.
	c, err = timed(true, "sh", append([]string{"-c", `exec "$@" >"$0"`, out, b.bin, "scan", path, "--json"}, more...)...)
	if err != nil {
		return c, plan, err
	}
	raw, err := os.ReadFile(out)
	if err == nil {
		err = json.Unmarshal(raw, &plan)
	}
	return c, plan, err
}

// found says how much of what happens a scan has found.
func found(w lesson.Truth, plan jobs.Plan) string {
	var spans [][2]float64
	for _, c := range plan.Cuts {
		spans = append(spans, [2]float64{c.From, c.To})
	}
	missed := w.Missed(spans)
	s := fmt.Sprintf("%d of %d swings whole in one of %d cuts", len(w.Contacts)-len(missed), len(w.Contacts), len(plan.Cuts))
	if len(missed) > 0 {
		s += fmt.Sprintf(", missed at %.1f", missed)
	}
	return s
}

// scans times scan and plain decoding of a recording in turn.
func (b *bench) scans(path string) error {
	w, known := lesson.Load(path)
	for i := range b.pairs {
		a, plan, err := b.scan(path)
		if err != nil {
			return err
		}
		d, err := decode(path)
		if err != nil {
			return err
		}
		if i == 0 {
			fmt.Fprintf(b.w, "%.0f s of a lesson: ", plan.Seconds)
			if known == nil {
				fmt.Fprint(b.w, found(w, plan))
			} else {
				fmt.Fprintf(b.w, "%d cuts", len(plan.Cuts))
			}
			fmt.Fprintf(b.w, "\n\n%s", ratioHead)
		}
		printRatio(b.w, "scan ÷ decoding", a, d)
	}
	return nil
}

const ratioHead = "| what | a, s | b, s | a ÷ b | processor time, a ÷ b | peak memory of a, MB |\n|---|---|---|---|---|---|\n"

func printRatio(w interface{ Write([]byte) (int, error) }, what string, a, b cost) {
	fmt.Fprintf(w, "| %s | %.1f | %.1f | %.2f | %.2f | %.0f |\n", what, a.wall, b.wall, a.wall/b.wall, a.cpu/b.cpu, a.peak)
}

// timeLesson times the scan of the long lesson against its decoding, and a whole
// night against one decoding and the floor of its swings.
func (b *bench) timeLesson() error {
	path, w, err := b.record(b.timedLesson())
	if err != nil {
		return err
	}
	cuts := filepath.Join(b.out, "cuts")
	scan, plan, err := b.scan(path)
	if err != nil {
		return err
	}
	plain, err := decode(path)
	if err != nil {
		return err
	}
	fmt.Fprintf(b.w, "\nLesson of %.0f minutes, 1080p, 30 a second: %s.\n\n%s", plan.Seconds/60, found(w, plan), ratioHead)
	printRatio(b.w, "scan ÷ decoding once", scan, plain)
	night, err := b.night(path)
	if err != nil {
		return err
	}
	if _, plan, err = b.scan(path, "--cut", cuts); err != nil {
		return err
	}
	var of []string
	for _, c := range plan.Cuts {
		for _, at := range w.Contacts {
			if at > c.From && at < c.To {
				of = append(of, filepath.Join(cuts, c.File))
				break
			}
		}
	}
	if len(of) < floorsOf {
		return fmt.Errorf("only %d cuts with a swing", len(of))
	}
	var floors cost
	for i := range floorsOf {
		p, err := b.timePair(of[i*len(of)/floorsOf])
		if err != nil {
			return err
		}
		floors = floors.plus(p.floor)
	}
	each := float64(len(w.Contacts)) / floorsOf
	printRatio(b.w, fmt.Sprintf("night ÷ (decoding once + floor of %d swings, by %d of them)", len(w.Contacts), floorsOf), night,
		cost{wall: plain.wall + each*floors.wall, cpu: plain.cpu + each*floors.cpu})
	return nil
}

// night is what a whole "tapeline nightly" over a recording costs.
func (b *bench) night(path string) (c cost, err error) {
	dir := filepath.Join(b.out, "night")
	if err := os.MkdirAll(filepath.Join(dir, "work", "inbox"), 0o700); err != nil {
		return c, err
	}
	for name, text := range map[string]string{
		"tapeline.yaml": "work: " + filepath.Join(dir, "work") + "\nroster: " + filepath.Join(dir, "roster.csv") + "\nsettle: 1s\n",
		"roster.csv":    "id,first_name,height,consent_film\nb07,Ada,178cm,2026-01-01\nb12,Ben,178cm,2026-01-01\nc3,Cleo,178cm,2026-01-01\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			return c, err
		}
	}
	if err := os.Link(path, filepath.Join(dir, "work", "inbox", "lesson.mov")); err != nil {
		return c, err
	}
	out := filepath.Join(b.out, "night.json")
	c, err = timed(true, "sh", "-c", `exec "$@" >"$0"`, out, b.bin, "nightly", "--config", filepath.Join(dir, "tapeline.yaml"), "--json")
	var e *exec.ExitError
	if err != nil && !(errors.As(err, &e) && e.ExitCode() == int(pipeline.FaultPartial)) {
		return c, err
	}
	raw, err := os.ReadFile(out)
	if err != nil {
		return c, err
	}
	var sum jobs.Summary
	if err := json.Unmarshal(raw, &sum); err != nil {
		return c, err
	}
	var said []string
	for _, state := range []string{string(jobs.Done), jobs.Empty, string(jobs.Failed), string(jobs.Unplaced), string(jobs.Held)} {
		said = append(said, fmt.Sprintf("%s %d", state, sum.Count(state)))
	}
	fmt.Fprintf(os.Stderr, "bench: night: %s\n", strings.Join(said, ", "))
	return c, nil
}
