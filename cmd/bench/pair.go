package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

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

// timedClip is what was measured of a clip.
type timedClip struct {
	name  string
	pairs []pair
}

func (c timedClip) of(f func(pair) float64) figure { return figureOf(c.pairs, f) }

func (b *bench) timePair(path string) (p pair, err error) {
	out, trace := filepath.Join(b.out, "read"), filepath.Join(b.out, "trace.json")
	if p.read, err = timed(true, b.bin, "read", path, "--height", "178cm", "--out", out, "--force", "--trace", trace); err != nil {
		return p, err
	}
	if p.stages, err = stagesOf(trace); err != nil {
		return p, err
	}
	for range 2 {
		c, err := decode(path)
		if err != nil {
			return p, err
		}
		p.decode = p.decode.plus(c)
	}
	if p.encode, err = timeEncode(filepath.Join(out, pipeline.FolderName(path), pipeline.LessonFile), b.out); err != nil {
		return p, err
	}
	if p.nets, err = timeNets(b.nets, path, p.stages); err != nil {
		return p, err
	}
	p.floor = p.decode.plus(p.encode).plus(p.nets)
	return p, nil
}

// decode is what ffmpeg's plain decoding of a clip costs.
func decode(path string) (cost, error) {
	return timed(true, "ffmpeg", "-nostdin", "-v", "error", "-i", path, "-map", "0:V:0", "-f", "null", "-")
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

func printPairs(w io.Writer, clips []timedClip) {
	fmt.Fprintln(w, "| clip | read, s | floor, s | of it decoding, encoding, networks | read ÷ floor | processor time, read ÷ floor | peak memory, MB |")
	fmt.Fprintln(w, "|---|---|---|---|---|---|---|")
	for _, c := range clips {
		fmt.Fprintf(w, "| %s | %.1f | %.1f | %.1f, %.1f, %.1f | %.2f | %.2f | %.0f |\n", c.name,
			c.of(func(p pair) float64 { return p.read.wall }), c.of(func(p pair) float64 { return p.floor.wall }),
			c.of(func(p pair) float64 { return p.decode.wall }).mid, c.of(func(p pair) float64 { return p.encode.wall }).mid, c.of(func(p pair) float64 { return p.nets.wall }).mid,
			c.of(func(p pair) float64 { return p.read.wall / p.floor.wall }), c.of(func(p pair) float64 { return p.read.cpu / p.floor.cpu }),
			c.of(func(p pair) float64 { return p.read.peak }))
	}
}

// printStages tells where the time of reading went, by its trace.
func printStages(w io.Writer, clips []timedClip) {
	fmt.Fprint(w, "\nWhere the time went, seconds by the clock, in brackets how often; what runs side by side counts in each, and a wait for the processor too.\n\n| stage |")
	for _, c := range clips {
		fmt.Fprintf(w, " %s |", c.name)
	}
	fmt.Fprintln(w, "\n|---|"+strings.Repeat("---|", len(clips)))
	for _, name := range stageNames(clips) {
		fmt.Fprintf(w, "| %s |", name)
		for _, c := range clips {
			n := c.of(func(p pair) float64 { return float64(p.stages[name].times) }).mid
			if n == 0 {
				fmt.Fprint(w, " |")
				continue
			}
			fmt.Fprintf(w, " %.1f (%.0f) |", c.of(func(p pair) float64 { return p.stages[name].seconds }).mid, n)
		}
		fmt.Fprintln(w)
	}
}

// stageNames are the names of all stages, those first that take longest.
func stageNames(clips []timedClip) []string {
	longest := map[string]float64{}
	for _, c := range clips {
		for _, p := range c.pairs {
			for name, s := range p.stages {
				longest[name] = max(longest[name], s.seconds)
			}
		}
	}
	return slices.SortedFunc(maps.Keys(longest), func(a, b string) int {
		return cmp.Or(cmp.Compare(longest[b], longest[a]), strings.Compare(a, b))
	})
}
