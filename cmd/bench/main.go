// Command bench times tapeline against the least that its work could cost on
// the same machine. It is for developers; scripts/bench calls it.
//
// For each clip, made from the shipped samples, two things are timed in turn:
// (a) "tapeline read" from end to end, and (b) the floor, one thing after the
// other: the clip decoded twice by ffmpeg, the film that came of it encoded
// once by ffmpeg with the product's settings, and the networks run as often as
// reading ran them. The machine may be busy: what counts is the ratio of pairs.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"tapeline/detect/long"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

func main() {
	if err := run(os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(args []string, w io.Writer) error {
	f := flag.NewFlagSet("bench", flag.ContinueOnError)
	bin := f.String("tapeline", "tapeline", "the `program` to time")
	samples := f.String("samples", "samples", "`folder` of the shipped samples")
	cache := f.String("cache", filepath.Join(pose.DefaultDir(), "bench"), "`folder` of the clips made from them")
	pairs := f.Int("pairs", 5, "how often each clip is timed")
	only := f.String("only", "", "`names` of clips, by commas; empty: all")
	lesson := f.String("lesson", "", "scan the recording of a lesson, `FILE`, against ffmpeg's plain decode of it, once")
	if err := f.Parse(args); err != nil {
		return err
	}
	work, err := os.MkdirTemp("", "tapeline-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	if *lesson != "" {
		return timeLesson(w, *lesson)
	}
	nets, err := pose.Open(pose.DefaultDir(), pose.Options{})
	if err != nil {
		return err
	}
	defer nets.Close()
	fmt.Fprintf(w, "%d cores, load %s, %s; medians of %d pairs, in brackets least and most\n\n", runtime.NumCPU(), load(), time.Now().Format("2006-01-02"), *pairs)
	fmt.Fprintln(w, "| clip | read, s | floor, s | read ÷ floor | processor time, read ÷ floor | peak memory of read, MB |")
	fmt.Fprintln(w, "|---|---|---|---|---|---|")
	var stages strings.Builder
	for _, in := range inputs {
		if *only != "" && !slices.Contains(strings.Split(*only, ","), in.name) {
			continue
		}
		path, err := in.make(*samples, *cache)
		if err != nil {
			return fmt.Errorf("%s: %w", in.name, err)
		}
		var all []pair
		for range *pairs {
			p, err := timePair(*bin, path, work, nets)
			if err != nil {
				return fmt.Errorf("%s: %w", in.name, err)
			}
			all = append(all, p)
		}
		of := func(f func(pair) float64) figure { return figureOf(all, f) }
		fmt.Fprintf(w, "| %s | %.1f | %.1f | %.2f | %.2f | %.0f |\n", in.name,
			of(func(p pair) float64 { return p.read.wall }), of(func(p pair) float64 { return p.floor.wall }),
			of(func(p pair) float64 { return p.read.wall / p.floor.wall }),
			of(func(p pair) float64 { return p.read.cpu / p.floor.cpu }), of(func(p pair) float64 { return p.read.peak }))
		fmt.Fprintf(&stages, "\n%s: of the floor decoding %.1f, encoding %.1f, networks %.1f s\n", in.name,
			of(func(p pair) float64 { return p.decode.wall }), of(func(p pair) float64 { return p.encode.wall }), of(func(p pair) float64 { return p.nets.wall }))
		for _, name := range names(all) {
			fmt.Fprintf(&stages, "  %-24s %6.2f s in %.0f\n", name, of(func(p pair) float64 { return p.stages[name].seconds }).mid, of(func(p pair) float64 { return float64(p.stages[name].times) }).mid)
		}
	}
	fmt.Fprintf(w, "\nload at the end: %s\n%s", load(), stages.String())
	return nil
}

// cost of some work.
type cost struct {
	wall, cpu float64 // seconds
	peak      float64 // MB resident at once in all its processes, where measured
}

func (c cost) plus(d cost) cost { return cost{c.wall + d.wall, c.cpu + d.cpu, max(c.peak, d.peak)} }

// stage is what a trace says of the spans of one name.
type stage struct {
	seconds float64
	times   int
}

// pair is one reading and one floor after it.
type pair struct {
	read, floor          cost
	decode, encode, nets cost // of the floor
	stages               map[string]stage
}

func timePair(bin, path, work string, nets *pose.Nets) (p pair, err error) {
	out, trace := filepath.Join(work, "out"), filepath.Join(work, "trace.json")
	if p.read, err = timed(true, bin, "read", path, "--height", "178cm", "--out", out, "--force", "--trace", trace); err != nil {
		return p, err
	}
	if p.stages, err = stagesOf(trace); err != nil {
		return p, err
	}
	for range 2 {
		c, err := timed(false, "ffmpeg", "-nostdin", "-v", "error", "-i", path, "-map", "0:V:0", "-f", "null", "-")
		if err != nil {
			return p, err
		}
		p.decode = p.decode.plus(c)
	}
	if p.encode, err = timeEncode(filepath.Join(out, pipeline.FolderName(path), pipeline.LessonFile), work); err != nil {
		return p, err
	}
	if p.nets, err = timeNets(nets, path, p.stages); err != nil {
		return p, err
	}
	p.floor = p.decode.plus(p.encode).plus(p.nets)
	return p, nil
}

// timed runs a program. Its processor time is that of all its children, its
// peak what they and it had resident at once, looked at ten times a second.
func timed(memory bool, name string, args ...string) (c cost, err error) {
	cmd := exec.Command(name, args...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return c, err
	}
	stop, peak := make(chan struct{}), make(chan float64, 1)
	go func() {
		most := 0.0
		for {
			select {
			case <-stop:
				peak <- most
				return
			case <-time.After(100 * time.Millisecond):
				if memory {
					most = max(most, resident(cmd.Process.Pid))
				}
			}
		}
	}()
	err = cmd.Wait()
	c.wall = time.Since(start).Seconds()
	close(stop)
	c.peak = <-peak
	c.cpu = (cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Seconds()
	if err != nil {
		return c, fmt.Errorf("%s: %w: %s", filepath.Base(name), err, errs.String())
	}
	return c, nil
}

// resident is the memory of a process and of all under it, MB; what several
// share is counted once (Pss of proc(5)).
func resident(root int) (mb float64) {
	parent := map[int]int{}
	dirs, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, d := range dirs {
		b, err := os.ReadFile(d)
		if err != nil {
			continue // it has ended
		}
		// pid (name) state ppid …
		s := string(b)
		pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(d)))
		if rest := strings.Fields(s[strings.LastIndexByte(s, ')')+1:]); len(rest) > 1 {
			parent[pid], _ = strconv.Atoi(rest[1])
		}
	}
	for pid := range parent {
		for p := pid; p > 1; p = parent[p] {
			if p == root {
				mb += pss(pid)
				break
			}
		}
	}
	return mb
}

func pss(pid int) float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/smaps_rollup", pid))
	if err != nil {
		return 0 // it has ended
	}
	for l := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(l, "Pss:"); ok {
			kb, _ := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 64)
			return kb / 1e3
		}
	}
	return 0
}

// timeEncode encodes the film's own frames, decoded before, as the product
// does.
func timeEncode(film, work string) (c cost, err error) {
	v, err := clip.Probe(context.Background(), film)
	if err != nil {
		return c, err
	}
	raw := filepath.Join(work, "film.yuv")
	defer os.Remove(raw)
	if _, err := timed(false, "ffmpeg", "-nostdin", "-v", "error", "-y", "-i", film, "-map", "0:v:0", "-pix_fmt", "yuv420p", "-f", "rawvideo", raw); err != nil {
		return c, err
	}
	fps := int(v.CaptureRate + .5)
	level, err := clip.Level(v.Width, v.Height, fps)
	if err != nil {
		return c, err
	}
	args := append([]string{"-nostdin", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", fmt.Sprintf("%dx%d", v.Width, v.Height), "-r", strconv.Itoa(fps), "-i", raw}, clip.CodecArgs(level, fps)...)
	return timed(false, "ffmpeg", append(args, "-f", "mp4", filepath.Join(work, "floor.mp4"))...)
}

// timeNets runs each network as often as the reading did, on what it has
// looked at once.
func timeNets(nets *pose.Nets, path string, ran map[string]stage) (c cost, err error) {
	ctx := context.Background()
	v, err := clip.Probe(ctx, path)
	if err != nil {
		return c, err
	}
	src, err := clip.Open(ctx, v, clip.Options{MaxSide: 1280})
	if err != nil {
		return c, err
	}
	defer src.Close()
	f, err := src.Next()
	if err != nil {
		return c, err
	}
	middle := pipeline.Region{CX: float64(v.Width) / 2, CY: float64(v.Height) / 2, Size: float64(v.Height)}
	if _, err = nets.Detect(f); err != nil {
		return c, err
	}
	for _, net := range []string{pose.Full, pose.Heavy} {
		if _, err = nets.Read(net, f, middle); err != nil {
			return c, err
		}
	}
	before, start := used(), time.Now()
	for _, net := range []string{"detector", pose.Full, pose.Heavy} {
		for range ran[net].times {
			if err := nets.Again(net); err != nil {
				return c, err
			}
		}
	}
	return cost{wall: time.Since(start).Seconds(), cpu: used() - before}, nil
}

// used is this process's own processor time, seconds.
func used() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

func stagesOf(path string) (map[string]stage, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var f pipeline.TraceFile
	if err := json.Unmarshal(b, &f); err != nil {
		return nil, err
	}
	out := map[string]stage{}
	for _, e := range f.Events {
		if e.Phase == "X" {
			s := out[e.Name]
			out[e.Name] = stage{s.seconds + e.Dur/1e6, s.times + 1}
		}
	}
	return out, nil
}

// names of all stages, the longest first.
func names(all []pair) (out []string) {
	for name := range all[0].stages {
		out = append(out, name)
	}
	slices.SortFunc(out, func(a, b string) int {
		if x, y := all[0].stages[a].seconds, all[0].stages[b].seconds; x != y {
			return int(1e6 * (y - x))
		}
		return strings.Compare(a, b)
	})
	return out
}

// figure is a median with the least and the most.
type figure struct{ mid, least, most float64 }

// Format writes all three in the verb of the median.
func (f figure) Format(s fmt.State, verb rune) {
	one := fmt.FormatString(s, verb)
	fmt.Fprintf(s, one+" ("+one+"–"+one+")", f.mid, f.least, f.most)
}

func figureOf(all []pair, of func(pair) float64) figure {
	var v []float64
	for _, p := range all {
		v = append(v, of(p))
	}
	slices.Sort(v)
	n := len(v)
	return figure{(v[(n-1)/2] + v[n/2]) / 2, v[0], v[n-1]}
}

// load of the machine over one, five and fifteen minutes.
func load() string {
	b, err := os.ReadFile("/proc/loadavg")
	if s := strings.Fields(string(b)); err == nil && len(s) >= 3 {
		return strings.Join(s[:3], " ")
	}
	return "not known"
}

// timeLesson scans a long recording, and has ffmpeg decode it.
func timeLesson(w io.Writer, path string) error {
	ctx := context.Background()
	c, err := clip.Probe(ctx, path)
	if err != nil {
		return err
	}
	o := long.Options{Clip: c, Open: func(ctx context.Context, maxSide int, rate float64) (pipeline.Source, error) {
		return clip.Open(ctx, c, clip.Options{MaxSide: maxSide, Rate: rate})
	}}
	if c.HasAudio {
		o.Sound = func(ctx context.Context, rate, size int, each func(samples []float32, start float64) error) error {
			return clip.EachSound(ctx, c, rate, size, each)
		}
	}
	start := time.Now()
	found, err := long.Scan(ctx, o)
	if err != nil {
		return err
	}
	scan := time.Since(start).Seconds()
	plain, err := timed(false, "ffmpeg", "-nostdin", "-v", "error", "-i", path, "-map", "0:V:0", "-f", "null", "-")
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "%.0f s of a lesson, %d cores, load %s: scanned in %.1f s (%d candidates), decoded by ffmpeg in %.1f s: %.2f\n",
		c.Duration, runtime.NumCPU(), load(), scan, len(found.Candidates), plain.wall, scan/plain.wall)
	return nil
}
