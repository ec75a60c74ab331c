package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"tapeline/config"
	"tapeline/detect/coach"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/words"
)

var readCommand = command{
	name:  "read",
	about: "make a lesson of each clip",
	usage: `usage: tapeline read CLIP… [flags]

Makes, for each clip, the folder OUT/<clip name>/ with
  lesson.mp4   the annotated video: once at real speed, then slow with holds
  lesson.vtt   its captions
  sheet.png    stills of the phases on one page
  lesson.html  the page for player and parents: what is good, what to work on,
               drills; needs no network and prints on one sheet
  lesson.pdf   the same on paper
  report.json  events and measures with their bounds
  track.json   what was seen, for "tapeline judge"
All of them appear at once or not at all. A table of the shown swing goes to
standard output, progress to standard error.

What is known of the batter and the camera (the rest is worked out):
  --height H      standing height: 170cm, 1.70m, 67in, 5ft7in; without it
                  lengths are in percent of body height
  --bats R|L      the side the batter bats from
  --level L       youth, middle, high_school or college: the pitch that time to
                  decide is worked out for, and limits set for this level
  --sport S       baseball or softball (default baseball)
  --view V        what the camera faces or where it stands: chest, back,
                  pitcher, catcher
  --batter X,Y    a point on the batter in the first picture, pixels from its
                  top left, when several people are in view
  --marker M      a bright sticker on the helmet to follow besides the eyes: its
                  colour (orange, green, #ff8000) or its place x,y in the first
                  picture
  --scale S       a known length in the first picture, across the view and near
                  the batter: x1,y1,x2,y2=17in; with a height both are used
  --swing N       which swing of the clip to show, from 1 (default: the one
                  best seen)
  --capture N     frames a second it was filmed at, for slow motion that does
                  not say so itself: 240
  --distance D    from phone to batter, 5m or 16ft; sharpens what the sound
                  tells of contact
  --name NAME     first name for the card at the start of the video; for several
                  clips only with --player
  --date DATE     day it was filmed, for that card: 2026-05-03
  --player ID     the player's code, like b07: the lesson is remembered in the
                  ledger, see "tapeline help progress"; without --date the day
                  of reading is taken and marked as assumed

A file beside the clip with its name, CLIP.yaml beside CLIP.mov, may say the
same by the same words, and what the coach puts right: times, points, palms,
notes, findings (see README, "The coach's hand"). Flags win over it. A voice note
CLIP.m4a, .wav or .mp3 is laid under the slow part of the video.

How:
  --quality Q     best or quick: the network that finds the body (default best;
                  quick is four times as fast and a few centimetres worse)
  --out DIR       where the lessons go (default lessons)
  --ledger FILE   the ledger (default ledger.db where the lessons go)
  --force         replace a lesson that is there; other files in its folder stay
  --json          one JSON object a clip on standard output instead of tables
  --lang L        language of what is read: en or es (default en)
  --units U       metric or imperial: inches and feet in place of centimetres
                  and metres, but for report.json (default metric)
  --jobs N        clips read at once, 1 to 16 (default 1: one clip alone keeps
                  two processors busy); each needs its own memory
  --trace FILE    when what was worked on, a span a stage, for a browser's trace
                  viewer: where the time went
  --staged        for "tapeline watch": the first name comes on standard input,
                  progress goes to standard error as JSON lines, and whoever
                  puts the lesson in its place writes the ledger
  --track FILE    with --staged: what was seen in the clip before, where it was
                  seen by the same batter, marker and camera
  --config FILE   configuration (default tapeline.yaml, if it is there)
`,
}

func init() { readCommand.run = read }

// options of one call of read beyond what is Given.
type options struct {
	out     string
	force   bool
	quality string // "quick" or "best"
	home    string // where the set-up put the models; empty: its default
	ledger  string // its file, as the flag says
	book    book
	text    words.Lang
	rules   []coach.Rule

	hardware bool // may decode the film's pictures

	track string // a saved track of the only clip; empty: it is read anew
}

// mostJobs is how many clips may be read at once.
const mostJobs = 16

// stages are the real rooms; tests put others in their place.
var stages = rooms

func read(ctx context.Context, s streams, args []string) (failed error) {
	f := flag.NewFlagSet("read", flag.ContinueOnError)
	var g givenFlags
	var o options
	var by aside
	var conf, trace string
	var jobsAtOnce int
	var asJSON, staged bool
	var sp speech
	g.add(f)
	sp.add(f)
	f.StringVar(&o.out, "out", "", "")
	f.StringVar(&o.quality, "quality", "", "")
	f.StringVar(&by.name, "name", "", "")
	f.StringVar(&by.date, "date", "", "")
	f.StringVar(&by.player, "player", "", "")
	f.StringVar(&o.ledger, "ledger", "", "")
	f.Float64Var(&by.capture, "capture", 0, "")
	f.BoolVar(&o.force, "force", false, "")
	f.BoolVar(&asJSON, "json", false, "")
	f.BoolVar(&staged, "staged", false, "")
	f.StringVar(&o.track, "track", "", "")
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&trace, "trace", "", "")
	f.IntVar(&jobsAtOnce, "jobs", 1, "")
	clips, err := parse(f, args)
	if err != nil {
		return err
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	if _, err := g.over(configured(c)); err != nil {
		return err
	}
	if o.text, err = sp.over(c); err != nil {
		return err
	}
	if o.rules, err = coach.RulesFile(c.Rules); err != nil {
		return err
	}
	o.home, o.hardware = c.Home, c.Hardware()
	if o.out == "" {
		o.out = c.Out
	}
	if o.book, err = bookOf(o.ledger, c, o.out); err != nil {
		return err
	}
	if o.quality == "" {
		o.quality = c.Pose.Quality
	}
	if !slices.Contains(config.Qualities, o.quality) {
		return usage("--quality: %q is not best or quick", o.quality)
	}
	if err := by.check(); err != nil {
		return err
	}
	if !(by.capture >= 0 && by.capture <= clip.MaxRate) {
		return usage("--capture: %g frames a second is no camera", by.capture)
	}
	if jobsAtOnce < 1 || jobsAtOnce > mostJobs {
		return usage("--jobs: %d clips at once; 1 to %d", jobsAtOnce, mostJobs)
	}
	if len(clips) == 0 {
		return usage("read: which clip?")
	}
	if len(clips) > 1 && by.name != "" && by.player == "" {
		return usage("read: --name %s is for one clip, not %d; with --player they are all of that player", by.name, len(clips))
	}
	if err := distinct(clips); err != nil {
		return err
	}

	if staged {
		name, err := io.ReadAll(io.LimitReader(s.in, 200))
		if err != nil {
			return usage("--staged: standard input can't be read")
		}
		by.name = strings.TrimSpace(string(name))
	}

	if trace != "" {
		tr := pipeline.NewTrace()
		ctx = pipeline.WithTrace(ctx, tr)
		defer func() { failed = errors.Join(failed, writeTrace(trace, tr)) }()
	}
	all := make([]*reading, len(clips))
	for i, path := range clips {
		r := &reading{path: path, done: make(chan struct{})}
		r.given, r.by, r.err = beside(path, configured(c), &g, by, o.rules)
		all[i] = r
	}
	w := worker{ctx: ctx, o: o, staged: staged, ledger: &sync.Mutex{}, progress: s.err}
	next := func(r *reading) { <-r.done }
	if jobsAtOnce == 1 {
		w.rooms = stages(o)
		defer w.rooms.Close()
		next = w.read
	} else {
		s.err = &locked{w: s.err}
		w.progress = s.err
		working, cancel := context.WithCancel(ctx)
		w.ctx = working
		finished := pipeline.AtOnce(all, jobsAtOnce, func(r *reading) string { return r.by.player }, func() (func(*reading), func()) {
			mine := w
			mine.rooms = stages(o)
			return mine.read, mine.rooms.Close
		})
		defer finished() // after the cancelling
		defer cancel()
	}
	var faults []error
	for _, r := range all {
		next(r)
		dir := filepath.Join(o.out, r.lesson.Name)
		if asJSON {
			if err := printJSON(s.out, r.path, dir, r.lesson, r.made, r.kept, r.err); err != nil {
				return err
			}
		} else if r.made {
			printTable(s.out, o.text, r.lesson.Report)
			printOutputs(s.out, dir)
			r.kept.print(s.out, o.text)
		}
		if r.err != nil {
			faults = append(faults, r.err)
			if ctx.Err() != nil {
				break
			}
			if len(clips) > 1 {
				complain(s.err, r.err)
			}
		}
	}
	return summary(faults, len(clips))
}

// reading is one clip of a call and what came of it, which may be looked at
// once done is closed.
type reading struct {
	path  string
	given pipeline.Given
	by    aside

	lesson pipeline.Lesson
	made   bool
	kept   *keep
	err    error
	done   chan struct{}
}

// worker reads clips, one after the other, in rooms of its own.
type worker struct {
	ctx      context.Context
	o        options
	rooms    house
	staged   bool
	ledger   *sync.Mutex // of all workers
	progress io.Writer
}

// read makes the lesson of one clip and has the ledger remember it.
func (w *worker) read(r *reading) {
	defer close(r.done)
	defer pipeline.Catch(&r.err)
	if r.err != nil {
		return
	}
	remembered := r.by.player != ""
	if remembered { // a bad ledger is told before the long work
		w.ledger.Lock()
		r.err = w.o.book.ready(w.ctx)
		w.ledger.Unlock()
		if r.err != nil {
			return
		}
	}
	p := newBar(w.progress, filepath.Base(r.path))
	tell := p.tell
	if w.staged {
		tell = tellSteps(w.progress)
	}
	r.lesson, r.err = pipeline.Runner{Stages: w.rooms.Stages(r.by), Given: r.given, Tell: tell}.Read(w.ctx, r.path)
	p.end()
	if r.made = r.err == nil; r.made && remembered && !w.staged {
		w.ledger.Lock()
		defer w.ledger.Unlock()
		r.kept, r.err = remember(w.ctx, w.o.book, r.by, filepath.Join(w.o.out, r.lesson.Name), r.lesson.Report)
	}
}

// locked is a writer for several goroutines; no terminal, so that no two bars
// are drawn over each other.
type locked struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *locked) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

// writeTrace leaves nothing half written at path.
func writeTrace(path string, tr *pipeline.Trace) error {
	var b bytes.Buffer
	if err := tr.Write(&b); err != nil {
		return err
	}
	return writeFile(path, b.Bytes())
}

// tellSteps writes progress as JSON lines, one for each hundredth of a step.
func tellSteps(w io.Writer) pipeline.Progress {
	step, percent := "", -1
	return func(s string, done, total int) {
		if p := 100 * done / max(total, 1); s != step || p != percent {
			step, percent = s, p
			b, _ := json.Marshal(jobs.Step{Step: s, Done: done, Total: total})
			_, _ = w.Write(append(b, '\n'))
		}
	}
}

// summary is the error of the whole call: that of the only clip, the common
// one of all, or FaultPartial when some were read.
func summary(faults []error, clips int) error {
	if len(faults) == 0 {
		return nil
	}
	last := faults[len(faults)-1]
	var e *pipeline.Error
	if clips == 1 || errors.As(last, &e) && e.Fault == pipeline.FaultInterrupted {
		return last
	}
	ledgers := 0
	for _, f := range faults {
		if errors.As(f, &e) && e.Fault == pipeline.FaultLedger {
			ledgers++
		}
	}
	if ledgers == len(faults) {
		return &pipeline.Error{Fault: pipeline.FaultLedger, What: fmt.Sprintf("%d of %d clips are not in the ledger", ledgers, clips)}
	}
	if unread := len(faults) - ledgers; unread < clips {
		return &pipeline.Error{Fault: pipeline.FaultPartial, What: fmt.Sprintf("%d of %d clips could not be read", unread, clips)}
	}
	errors.As(faults[0], &e)
	return &pipeline.Error{Fault: e.Fault, What: fmt.Sprintf("none of the %d clips could be read", clips)}
}

// distinct refuses clips whose lessons would land in one folder.
func distinct(clips []string) error {
	seen := map[string]string{}
	for _, c := range clips {
		n := pipeline.FolderName(c)
		if other, ok := seen[n]; ok {
			return usage("%q and %q would both go to the folder %q; read them one at a time into different --out folders", other, c, n)
		}
		seen[n] = c
	}
	return nil
}

// jsonFault is an error as --json tells it.
type jsonFault struct {
	Exit int    `json:"exit"`
	Step string `json:"step"`
	What string `json:"what"`
	Hint string `json:"hint"`
}

// printJSON prints one line for a clip: its outputs and report where it was
// made, what the ledger keeps of it, its error.
func printJSON(w io.Writer, path, dir string, l pipeline.Lesson, made bool, kept *keep, err error) error {
	type outputs struct {
		Lesson   string `json:"lesson"`
		Captions string `json:"captions"`
		Sheet    string `json:"sheet"`
		Page     string `json:"page"`
		Paper    string `json:"paper"`
		Report   string `json:"report"`
		Track    string `json:"track"`
	}
	line := struct {
		Clip    string          `json:"clip"`
		Outputs *outputs        `json:"outputs,omitempty"`
		Report  json.RawMessage `json:"report,omitempty"` // as in report.json
		Ledger  *keep           `json:"ledger,omitempty"`
		Error   *jsonFault      `json:"error,omitempty"`
	}{Clip: path, Ledger: kept}
	var e *pipeline.Error
	if errors.As(err, &e) {
		line.Error = &jsonFault{int(e.Fault), e.Step, e.What, e.Hint}
	}
	if made {
		in := func(n string) string { return filepath.Join(dir, n) }
		line.Outputs = &outputs{in(pipeline.LessonFile), in(pipeline.CaptionsFile), in(pipeline.SheetFile), in(pipeline.PageFile), in(pipeline.PaperFile), in(pipeline.ReportFile), in(pipeline.TrackFile)}
		if line.Report, err = pipeline.MarshalReport(l.Report); err != nil {
			return err
		}
	}
	b, err := json.Marshal(line)
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}
