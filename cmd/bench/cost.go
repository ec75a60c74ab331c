package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// cost of some work.
type cost struct {
	wall, cpu float64 // seconds
	peak      float64 // MB resident at once in all its processes, where measured
}

func (c cost) plus(d cost) cost { return cost{c.wall + d.wall, c.cpu + d.cpu, max(c.peak, d.peak)} }

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

// used is this process's own processor time, seconds.
func used() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// figure is a median with the least and the most.
type figure struct{ mid, least, most float64 }

// Format writes all three in the verb of the median.
func (f figure) Format(s fmt.State, verb rune) {
	one := fmt.FormatString(s, verb)
	fmt.Fprintf(s, one+" ("+one+"–"+one+")", f.mid, f.least, f.most)
}

func figureOf[T any](all []T, of func(T) float64) figure {
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

// machine says what it is measured on.
func machine() string {
	model := "unknown processor"
	if b, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for l := range strings.Lines(string(b)) {
			if k, v, ok := strings.Cut(l, ":"); ok && strings.TrimSpace(k) == "model name" {
				model = strings.TrimSpace(v)
				break
			}
		}
	}
	return fmt.Sprintf("%s, %d cores, %s/%s, %s, load %s", model, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, time.Now().Format("2006-01-02"), load())
}
