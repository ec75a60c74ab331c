// Command bench times tapeline against the least that its work could cost on
// the same machine. It is for developers; scripts/bench calls it.
//
// For each clip, made from the shipped samples, two things are timed in turn:
// (a) "tapeline read" from end to end, and (b) the floor, one thing after the
// other: the clip decoded twice by ffmpeg, the film that came of it encoded
// once by ffmpeg with the product's settings, and the networks run as often as
// reading ran them. The machine may be busy: what counts is the ratio of pairs.
//
// For the recording of a lesson they are (a) its scan and (b) one decoding,
// then (a) a whole "tapeline nightly" and (b) one decoding and the floor of its
// swings.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/detect/long/lesson"
	"tapeline/detect/pose"
)

func main() {
	if err := run(os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// bench is what all ways of measuring share.
type bench struct {
	w                        io.Writer
	bin, samples, cache, out string // out: a folder that is removed in the end
	pairs, minutes           int    // minutes: of the lesson
	nets                     *pose.Nets
}

func run(args []string, w io.Writer) error {
	b := bench{w: w}
	f := flag.NewFlagSet("bench", flag.ContinueOnError)
	f.StringVar(&b.bin, "tapeline", "tapeline", "the `program` to time")
	f.StringVar(&b.samples, "samples", "samples", "`folder` of the shipped samples")
	f.StringVar(&b.cache, "cache", filepath.Join(pose.DefaultDir(), "bench"), "`folder` of the clips made from them")
	f.IntVar(&b.pairs, "pairs", 5, "how often each clip is timed; the lesson is timed once")
	only := f.String("only", "", "`names` of what is timed, by commas; empty: all of "+strings.Join(all(), ","))
	f.IntVar(&b.minutes, "minutes", 20, "how long the timed lesson is, two swings a minute")
	recording := f.String("lesson", "", "scan another recording, `FILE`, against ffmpeg's plain decoding of it")
	making := f.Bool("make", false, "only make the clips that aren't there yet")
	jobs := f.String("jobs", "", "time four clips at once with each of these `numbers`, by commas, as --jobs")
	memory := f.Bool("memory", false, "compare the memory of short and long clips and recordings")
	browser := f.String("browser", "", "compare with the official runtime of the pose network, unpacked in `DIR`, in Chromium")
	frames := f.Int("frames", 20, "how many frames -browser compares")
	if err := f.Parse(args); err != nil {
		return err
	}
	if f.NArg() > 0 || b.pairs < 1 || b.minutes < 2 || *frames < 1 {
		f.Usage()
		return errors.New("what is wanted can't be told from its arguments")
	}
	names := all()
	if *only != "" {
		names = strings.Split(*only, ",")
		for _, n := range names {
			if !slices.Contains(all(), n) {
				return fmt.Errorf("%q is none of %s", n, strings.Join(all(), ","))
			}
		}
	}
	if err := os.MkdirAll(b.cache, 0o777); err != nil {
		return err
	}
	var err error
	if b.out, err = os.MkdirTemp(b.cache, "out-"); err != nil { // where an original can be linked
		return err
	}
	defer os.RemoveAll(b.out)
	fmt.Fprintf(w, "%s\n\n", machine())
	defer func() { fmt.Fprintf(w, "\nload at the end: %s\n", load()) }()
	switch {
	case *making:
		return b.makeAll(names)
	case *recording != "":
		return b.scans(*recording)
	case *jobs != "":
		return b.sideBySide(*jobs)
	case *memory:
		return b.memories()
	}
	if b.nets, err = pose.Open(pose.DefaultDir(), pose.Options{}); err != nil {
		return err
	}
	defer b.nets.Close()
	if *browser != "" {
		return b.compare(*browser, *frames)
	}
	return b.tables(names)
}

func all() (names []string) {
	for _, in := range inputs {
		names = append(names, in.name)
	}
	return append(names, lessonName)
}

// makeAll makes what is timed, so that it isn't made on the day.
func (b *bench) makeAll(names []string) error {
	for _, in := range inputs {
		if slices.Contains(names, in.name) {
			if _, err := in.make(b.samples, b.cache); err != nil {
				return fmt.Errorf("%s: %w", in.name, err)
			}
		}
	}
	if !slices.Contains(names, lessonName) {
		return nil
	}
	long, timed := b.timedLesson()
	for name, s := range map[string]lesson.Shape{long: timed, shortName: oneMinute()} {
		if _, _, err := b.record(name, s); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	_, err := longClip().make(b.samples, b.cache)
	return err
}

// tables times clips and the lesson.
func (b *bench) tables(names []string) error {
	b.foresee(names)
	var clips []timedClip
	for _, in := range inputs {
		if !slices.Contains(names, in.name) {
			continue
		}
		path, err := in.make(b.samples, b.cache)
		if err != nil {
			return fmt.Errorf("%s: %w", in.name, err)
		}
		c := timedClip{name: in.name}
		for i := range b.pairs {
			begun := time.Now()
			p, err := b.timePair(path)
			if err != nil {
				return fmt.Errorf("%s: %w", in.name, err)
			}
			c.pairs = append(c.pairs, p)
			b.took(in.name, begun)
			fmt.Fprintf(os.Stderr, "bench: %s, pair %d of %d: %.0f s; read ÷ floor %.2f, processor time %.2f\n", in.name, i+1, b.pairs,
				time.Since(begun).Seconds(), p.read.wall/p.floor.wall, p.read.cpu/p.floor.cpu)
		}
		clips = append(clips, c)
	}
	if len(clips) > 0 {
		fmt.Fprintf(b.w, "Medians of %d pairs, in brackets least and most.\n\n", b.pairs)
		printPairs(b.w, clips)
		printStages(b.w, clips)
	}
	if slices.Contains(names, lessonName) {
		begun := time.Now()
		if err := b.timeLesson(); err != nil {
			return fmt.Errorf("%s: %w", lessonName, err)
		}
		b.took(lessonName, begun)
	}
	return nil
}

// foresee says how long it will take, by what a pair took the last time here,
// or on two idle cores of a server processor where there is no last time.
func (b *bench) foresee(names []string) {
	last := b.lastTimes()
	total := 0.
	for _, n := range names {
		s := last[n]
		if s == 0 {
			s = usually[n]
		}
		if n != lessonName {
			s *= float64(b.pairs)
		}
		total += s
	}
	fmt.Fprintf(os.Stderr, "bench: this will take about %.0f minutes, and some more the first time, while clips are made\n", max(1, total/60))
}

// usually is how long a pair takes, seconds.
var usually = map[string]float64{"1080p240": 90, "1080p60": 90, "4k60": 240, "portrait": 60, lessonName: 3600}

func (b *bench) times() string { return filepath.Join(b.cache, "pairs.json") }

func (b *bench) lastTimes() map[string]float64 {
	last := map[string]float64{}
	if raw, err := os.ReadFile(b.times()); err == nil {
		_ = json.Unmarshal(raw, &last) // an estimate only
	}
	return last
}

func (b *bench) took(name string, begun time.Time) {
	last := b.lastTimes()
	last[name] = time.Since(begun).Seconds()
	if raw, err := json.Marshal(last); err == nil {
		_ = os.WriteFile(b.times(), raw, 0o666)
	}
}
