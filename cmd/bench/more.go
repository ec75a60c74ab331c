package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"tapeline/detect/long/lesson"
)

const atOnce = 4 // clips that are read in one go

// sideBySide times four copies of a clip with one number of --jobs after the
// other, as many rounds as there would be pairs.
func (b *bench) sideBySide(list string) error {
	var numbers []int
	for _, s := range strings.Split(list, ",") {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			return fmt.Errorf("--jobs %q is no number", s)
		}
		numbers = append(numbers, n)
	}
	one, err := inputs[1].make(b.samples, b.cache)
	if err != nil {
		return err
	}
	var clips []string
	for i := range atOnce {
		p := filepath.Join(b.out, fmt.Sprintf("%s-%d.mp4", inputs[1].name, i+1))
		if err := os.Link(one, p); err != nil {
			return err
		}
		clips = append(clips, p)
	}
	runs := make([][]cost, len(numbers))
	for range b.pairs {
		for i, n := range numbers {
			args := append([]string{"read"}, clips...)
			c, err := timed(true, b.bin, append(args, "--height", "178cm", "--out", filepath.Join(b.out, "read"), "--force", "--jobs", strconv.Itoa(n))...)
			if err != nil {
				return err
			}
			runs[i] = append(runs[i], c)
			fmt.Fprintf(os.Stderr, "bench: --jobs %d: %.0f s\n", n, c.wall)
		}
	}
	fmt.Fprintf(b.w, "%d clips of %s, medians of %d rounds, in brackets least and most.\n\n", atOnce, inputs[1].name, b.pairs)
	fmt.Fprintln(b.w, "| --jobs | s a clip | clips an hour | processor s a clip | peak memory, MB |\n|---|---|---|---|---|")
	for i, n := range numbers {
		of := func(f func(cost) float64) figure { return figureOf(runs[i], f) }
		fmt.Fprintf(b.w, "| %d | %.1f | %.0f | %.1f | %.0f |\n", n, of(func(c cost) float64 { return c.wall / atOnce }),
			of(func(c cost) float64 { return 3600 * atOnce / c.wall }), of(func(c cost) float64 { return c.cpu / atOnce }), of(func(c cost) float64 { return c.peak }))
	}
	return nil
}

const shortName = "lesson-short"

// oneMinute is a recording that is just scanned as one.
func oneMinute() lesson.Shape {
	s := twentyMinutes
	s.Seconds, s.Swings = 75, 3
	return s
}

// longClip is nearly as long as a clip of one swing may be.
func longClip() input {
	in := inputs[1]
	in.name, in.long = in.name+"-long", 55
	return in
}

// memories compares the memory of a recording of one minute and of twenty, and
// of a clip and one nearly as long as a clip may be.
func (b *bench) memories() error {
	fmt.Fprintln(b.w, "| what | short, MB | long, MB | long ÷ short |\n|---|---|---|---|")
	var scans, reads []float64
	for _, r := range []struct {
		name string
		s    lesson.Shape
	}{{shortName, oneMinute()}, {lessonName, twentyMinutes}} {
		path, _, err := b.record(r.name, r.s)
		if err != nil {
			return err
		}
		c, _, err := b.scan(path)
		if err != nil {
			return err
		}
		scans = append(scans, c.peak)
	}
	for _, in := range []input{inputs[1], longClip()} {
		path, err := in.make(b.samples, b.cache)
		if err != nil {
			return err
		}
		c, err := timed(true, b.bin, "read", path, "--height", "178cm", "--out", filepath.Join(b.out, "read"), "--force")
		if err != nil {
			return err
		}
		reads = append(reads, c.peak)
	}
	fmt.Fprintf(b.w, "| scan, 75 s and 20 minutes | %.0f | %.0f | %.2f |\n", scans[0], scans[1], scans[1]/scans[0])
	fmt.Fprintf(b.w, "| read, 6 and 55 s | %.0f | %.0f | %.2f |\n", reads[0], reads[1], reads[1]/reads[0])
	return nil
}
