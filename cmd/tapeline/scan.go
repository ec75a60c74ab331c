package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"tapeline/config"
	"tapeline/detect/card"
	"tapeline/detect/long"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/words"
)

var scanCommand = command{
	name:  "scan",
	about: "find what may be swings in the recording of a lesson",
	usage: `usage: tapeline scan RECORDING [flags]

Looks through the recording of a whole lesson for what may be swings and lists
them: when, whose by the number cards in it, whether there was a sharp sound.
Nobody is looked for yet: as many as half may be somebody passing or a card being
held up; reading a cut ("tapeline read") tells. "tapeline watch" and "nightly" do
all of this by themselves with every recording of more than a minute.

  --cut DIR       cut them out into DIR, a new or empty folder, each as a clip
                  that can be read or dropped into a player's folder, and the
                  list as plan.json
  --cards         look for number cards only
  --json          the list as one JSON object
  --staged        for "tapeline watch": progress goes to standard error as JSON
                  lines
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es

Notes beside the recording, RECORDING.yaml, may tell what the camera saw (view,
distance, capture, level, sport); they go with the cuts.
`,
}

func init() { scanCommand.run = scan }

func scan(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("scan", flag.ContinueOnError)
	var dir, conf string
	var asJSON, staged, onlyCards bool
	var sp speech
	f.StringVar(&dir, "cut", "", "")
	f.BoolVar(&onlyCards, "cards", false, "")
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	f.BoolVar(&asJSON, "json", false, "")
	f.BoolVar(&staged, "staged", false, "")
	names, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(names) != 1 {
		return usage("scan: which recording? one at a time")
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	text, err := sp.over(c)
	if err != nil {
		return err
	}
	p := newBar(s.err, filepath.Base(names[0]))
	tell := p.tell
	if staged {
		tell = tellSteps(s.err)
	}
	look := scanning
	if onlyCards {
		look = lookForCards
	}
	plan, err := look(ctx, names[0], dir, tell)
	p.end()
	if ctx.Err() != nil {
		return &pipeline.Error{Fault: pipeline.FaultInterrupted, Step: "scan", What: "interrupted"}
	}
	if err != nil {
		if asJSON { // for whoever runs it as a child
			var e *pipeline.Error
			if errors.As(err, &e) {
				_ = json.NewEncoder(s.out).Encode(map[string]any{"error": map[string]any{"exit": int(e.Fault), "step": e.Step, "what": e.What, "hint": e.Hint}})
			}
		}
		return err
	}
	if asJSON {
		return json.NewEncoder(s.out).Encode(plan)
	}
	printPlan(s, text, plan)
	return nil
}

// scanning looks through a recording and, with a folder named, cuts it apart.
func scanning(ctx context.Context, path, dir string, tell pipeline.Progress) (jobs.Plan, error) {
	var plan jobs.Plan
	side, err := readSidecar(config.SidecarPath(path))
	if err != nil {
		return plan, err
	}
	c, err := clip.Probe(ctx, path)
	if err != nil {
		return plan, err
	}
	if side.Capture > 0 {
		slow, ok := clip.Captured(c, side.Capture)
		if !ok {
			return plan, usage("it plays at %.4g frames a second, so capture: %g in its notes can't be what it was filmed at", c.CaptureRate/c.TimeFactor, side.Capture)
		}
		c = slow
	}
	if dir != "" { // told before the long work
		if err := emptyDir(dir); err != nil {
			return plan, err
		}
	}
	r, err := scanned(ctx, c, tell)
	if err != nil {
		return plan, err
	}
	plan = jobs.Plan{Seconds: c.Duration, Cuts: pieces(r, long.BurstDoubt*c.TimeFactor), Cards: owned(r.Players)}
	if dir == "" {
		return plan, nil
	}
	if err := cutOut(ctx, c, dir, &plan, cutNotes(side, plan), tell); err != nil {
		for _, x := range plan.Cuts {
			if x.File != "" {
				_ = os.Remove(filepath.Join(dir, x.File))
				_ = os.Remove(config.SidecarPath(filepath.Join(dir, x.File)))
			}
		}
		return plan, err
	}
	return plan, nil
}

// lookForCards is a plan of nothing but the number cards in a clip or recording.
func lookForCards(ctx context.Context, path, dir string, _ pipeline.Progress) (plan jobs.Plan, err error) {
	c, err := clip.Probe(ctx, path)
	if err != nil {
		return plan, err
	}
	plan.Seconds = c.Duration
	if plan.Cards, err = cardsIn(ctx, c); err != nil || dir == "" {
		return plan, err
	}
	if err := emptyDir(dir); err != nil {
		return plan, err
	}
	if err := jobs.WritePlan(dir, plan); err != nil {
		return plan, &pipeline.Error{Fault: pipeline.FaultOutput, Step: "scan", Path: dir, What: "can't be written", Hint: "check the folder and the space left", Err: err}
	}
	return plan, nil
}

// least is the shortest part, seconds, in which there may be a swing: the
// samples' take 1.2 from the first move to the finish.
const least = 1.2

// pieces are a scan's candidates; one in which a card was shown is two, so that
// nobody gets the swing of who stood there before. A piece without a burst of its
// own, whose time may be off by doubt seconds, has no swing: that was the card
// being held up, or what came before it.
func pieces(r long.Recording, doubt float64) (out []jobs.Cut) {
	for _, c := range r.Candidates {
		from := c.From
		add := func(to float64) {
			if i := slices.IndexFunc(c.Bursts, func(t float64) bool { return t >= from-doubt && t < to+doubt }); i >= 0 && to-from >= least {
				out = append(out, jobs.Cut{From: from, To: to, At: min(max(c.Bursts[i], from), to), Heard: c.Heard})
			}
			from = to
		}
		for _, p := range r.Players {
			if p.From > from && p.From < c.To {
				add(p.From)
			}
		}
		add(c.To)
	}
	return out
}

// cutOut cuts the pieces of a plan out into a folder and writes the plan there.
func cutOut(ctx context.Context, c pipeline.Clip, dir string, plan *jobs.Plan, notes []byte, tell pipeline.Progress) error {
	faulty := func(err error) error {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "scan", Path: dir, What: "can't be written", Hint: "check the folder and the space left", Err: err}
	}
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var telling sync.Mutex
	done := 0
	one := func(i int) (err error) {
		defer pipeline.Catch(&err)
		x := &plan.Cuts[i]
		x.File = fmt.Sprintf("%s-%03d-%s.mov", pipeline.FolderName(c.Path), i+1, jobs.Clock(x.From))
		path := filepath.Join(dir, x.File)
		at, err := clip.Cut(ctx, c, x.From, x.To, path)
		if err != nil {
			return err
		}
		if x.From = at; x.At < at {
			x.At = at
		}
		if err := mark(path, fmt.Sprintf("cut from %.3f s", at)); err != nil {
			return faulty(err)
		}
		if len(notes) > 0 {
			if err := os.WriteFile(config.SidecarPath(path), notes, 0o600); err != nil {
				return faulty(err)
			}
		}
		telling.Lock()
		defer telling.Unlock()
		done++
		tell.Tell("cut", done, len(plan.Cuts))
		return nil
	}
	tell.Tell("cut", 0, len(plan.Cuts))
	all := make([]int, len(plan.Cuts))
	for i := range all {
		all[i] = i
	}
	// Two at a time, as each is copying here and looking at the copy there.
	pipeline.AtOnce(all, 2, func(int) string { return "" }, func() (func(int), func()) {
		return func(i int) {
			if ctx.Err() == nil {
				if err := one(i); err != nil {
					stop(err) // the first one counts
				}
			}
		}, func() {}
	})()
	if err := context.Cause(ctx); err != nil {
		return err
	}
	if err := jobs.WritePlan(dir, *plan); err != nil {
		return faulty(err)
	}
	return nil
}

// mark appends a box that is skipped by whoever reads the file (ISO/IEC
// 14496-12 §8.1.2, "free"), so that no two cuts are the same bytes: a clip is
// known by them.
func mark(path, text string) error {
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	b := append(binary.BigEndian.AppendUint32(nil, uint32(8+len(text))), "free"+text...)
	_, err = f.Write(b)
	return errors.Join(err, f.Close())
}

// cutNotes are the notes that hold for every cut of a recording: what the camera
// saw and, where it is of one player, of whom.
func cutNotes(side config.Sidecar, plan jobs.Plan) []byte {
	n := config.Sidecar{View: side.View, Distance: side.Distance, Level: side.Level, Sport: side.Sport}
	if len(plan.Cards)+len(side.Players) == 0 {
		n.Height, n.Bats, n.Marker, n.Name = side.Height, side.Bats, side.Marker, side.Name
	}
	b, _ := n.Bytes() // it has been read
	return b
}

// emptyDir makes a folder, or takes one that is empty.
func emptyDir(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, os.ErrNotExist):
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "scan", Path: dir, What: "can't be created", Hint: "name another folder", Err: err}
		}
	case err != nil:
		return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "scan", Path: dir, What: "can't be read", Hint: "name another folder", Err: err}
	case len(entries) > 0:
		return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "scan", Path: dir, What: "is not empty", Hint: "name a new folder"}
	}
	return nil
}

func printPlan(s streams, text words.Lang, plan jobs.Plan) {
	t := text.Work
	if len(plan.Cuts) == 0 {
		fmt.Fprintln(s.out, t["no_candidates"])
		return
	}
	fmt.Fprintf(s.out, "%4s  %-17s %-12s %s\n", "", t["when"], t["player"], t["sound"])
	for i, c := range plan.Cuts {
		heard := ""
		if c.Heard {
			heard = t["heard"]
		}
		var whose []string
		for _, p := range plan.Cards {
			if c.At >= p.From && (c.At < p.To || p.To == 0) {
				whose = append(whose, p.Player)
			}
		}
		fmt.Fprintf(s.out, "%4d  %-17s %-12s %s\n", i+1, clock(c.From)+" – "+clock(c.To), strings.Join(whose, "/"), heard)
	}
	fmt.Fprintf(s.out, "\n"+t["candidates"]+"\n", len(plan.Cuts))
	if plan.Cuts[0].File != "" {
		fmt.Fprintln(s.out, t["cut_out"])
	}
}

// clock writes seconds as 0:12:31.
func clock(seconds float64) string {
	n := int(seconds)
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}

// owned puts spans as the queue knows them: one in which several cards were
// shown at once is there once for each, so that nobody gets it unasked.
func owned(spans []card.Span) []jobs.Span {
	out := []jobs.Span{}
	for _, s := range spans {
		if s.Player != "" {
			s.Of = []string{s.Player}
		}
		for _, id := range s.Of {
			out = append(out, jobs.Span{From: s.From, To: s.To, Player: id})
		}
	}
	return out
}
