// Command accuracy compares what tapeline reads off rendered clips with where
// everything truly was. It is for developers; scripts/accuracy calls it.
//
// For every X.mp4 with X.truth.json beside it, the clip is read with nothing
// given but the batter's height, and a Markdown table is printed. With
// --simulate N there are no clips: N simulated swings are seen as badly as the
// network sees, and judged.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"

	"tapeline/detect/coach"
	"tapeline/detect/swing"
	"tapeline/pipeline"
)

func main() {
	if err := run(os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "accuracy:", err)
		os.Exit(1)
	}
}

func run(args []string, w io.Writer) error {
	f := flag.NewFlagSet("accuracy", flag.ContinueOnError)
	bin := f.String("tapeline", "tapeline", "the `program` to try")
	tracks := f.String("tracks", "", "judge the tracks saved in `DIR` by an earlier --keep; no clip is read")
	keep := f.String("keep", "", "keep the lessons in `DIR`")
	quality := f.String("quality", "", "`quick or best`")
	strict := f.Bool("strict", false, "fail when a limit is broken")
	simulated := f.Int("simulate", 0, "judge `N` simulated swings; no folder is read")
	seed := f.Int64("seed", 1, "of the simulated swings")
	clean := f.Bool("clean", false, "simulate swings without a fault only")
	sweepTo := f.String("sweep", "", "write how errors grow, figures and a page, into `DIR`; --simulate gives the swings a step, 60 without")
	pixels := f.String("pixels", "", "with --sweep, encode `CLIP` anew in worse ways and read it, too; --keep keeps the readings")
	errs := f.Bool("errors", false, "print the network's errors over the folders' clips, whose tracks lie in --tracks, as the simulation needs them")
	corrected := f.String("corrections", "", "judge the tracks in `DIR` that \"tapeline corrections\" wrote, against what coaches put right")
	asJSON := f.Bool("json", false, "print the account of all swings as JSON, nothing else")
	if err := f.Parse(args); err != nil {
		return err
	}
	if *errs {
		return measureErrors(w, *tracks, f.Args())
	}
	rules, err := coach.Rules(nil)
	if err != nil {
		return err
	}
	if *corrected != "" {
		return measureCorrections(w, *corrected, rules)
	}
	if *sweepTo != "" {
		n := *simulated
		if n == 0 {
			n = 60
		}
		return runSweeps(*sweepTo, n, *seed, *bin, *pixels, *keep, rules)
	}
	if *simulated > 0 {
		s := tell(simulate(*simulated, *seed, *clean), rules)
		if *asJSON {
			return s.json(w)
		}
		fmt.Fprintf(w, "# %d simulated swings, seed %d\n\n", *simulated, *seed)
		s.markdown(w)
		s.compared(w)
		return nil
	}
	full := w
	if *asJSON {
		w = io.Discard
	}
	if f.NArg() != 1 {
		return fmt.Errorf("which folder of clips?")
	}
	clips, err := filepath.Glob(filepath.Join(f.Arg(0), "*.truth.json"))
	if err != nil {
		return err
	}
	if len(clips) == 0 {
		return fmt.Errorf("no *.truth.json in %s", f.Arg(0))
	}
	out := *keep
	if out == "" && *tracks == "" {
		if out, err = os.MkdirTemp("", "accuracy"); err != nil {
			return err
		}
		defer os.RemoveAll(out)
	}

	var total tally
	var all []judgedClip
	for _, path := range clips {
		name := strings.TrimSuffix(filepath.Base(path), ".truth.json")
		t, err := readTruth(path)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "\n## %s\n\n", name)
		rep, err := report(*bin, filepath.Join(f.Arg(0), name+".mp4"), t, *tracks, out, *quality)
		if err != nil {
			fmt.Fprintf(w, "%v\n", err)
			total.failed++
			continue
		}
		total.add(table(w, t, rep))
		if rep.Chosen() != nil {
			all = append(all, judgedClip{name, t, rep})
		}
	}
	total.add(apart(w, all))
	var swings []judgedSwing
	for _, c := range all {
		swings = append(swings, c.swing())
	}
	s := tell(swings, rules)
	if *asJSON {
		if err := s.json(full); err != nil {
			return err
		}
	}
	fmt.Fprint(w, "\n## All clips\n\n")
	s.markdown(w)
	s.compared(w)
	fmt.Fprintf(w, "\n%d of %d bounds hold the truth; %d of %d limits kept; %d of %d clips read.\n",
		total.inside, total.bounds, total.kept, total.limits, len(clips)-total.failed, len(clips))
	if *strict && (total.kept < total.limits || total.failed > 0) {
		return fmt.Errorf("limits broken")
	}
	return nil
}

// report reads the clip, or judges its saved track.
func report(bin, clip string, t *truth, tracks, out, quality string) (rep pipeline.Report, err error) {
	if tracks != "" {
		b, err := os.ReadFile(filepath.Join(tracks, pipeline.FolderName(clip), pipeline.TrackFile))
		if err != nil {
			return rep, err
		}
		track, err := pipeline.ParseTrack(b)
		if err != nil {
			return rep, err
		}
		given := track.Given
		given.HeightCM = 100 * t.Params.Stature
		return swing.Judge(track, given)
	}
	args := []string{"read", clip, "--height", fmt.Sprintf("%gcm", 100*t.Params.Stature), "--out", out, "--force", "--json"}
	if quality != "" {
		args = append(args, "--quality", quality)
	}
	cmd := exec.Command(bin, args...)
	var complaint strings.Builder
	cmd.Stderr = &complaint
	b, err := cmd.Output()
	if err != nil {
		lines := strings.Split(strings.TrimSpace(complaint.String()), "\n")
		return rep, fmt.Errorf("not read: %s (%w)", lines[len(lines)-1], err)
	}
	line := struct{ Report *pipeline.Report }{&rep}
	return rep, json.Unmarshal(b, &line)
}

// tally counts how often bounds held and limits were kept.
type tally struct{ bounds, inside, limits, kept, failed int }

func (a *tally) add(b tally) {
	a.bounds += b.bounds
	a.inside += b.inside
	a.limits += b.limits
	a.kept += b.kept
	a.failed += b.failed
}

// limit is how far off a value may be: the goals set for the rendered clips.
// From the pitcher's side, travel along the line of sight may be null. ok is
// false where no goal was set.
func limit(key string, sideOn bool) (most float64, ok bool) {
	switch key {
	case "eye_drop", "head_drop":
		return 1.5, true
	case "eye_forward":
		return 2.5, sideOn
	case "head_over_back":
		return 4, sideOn
	}
	return 0, false
}

// widest half-width of front_foot_open, degrees.
const widestFoot = 25

// table prints one clip.
func table(w io.Writer, t *truth, rep pipeline.Report) (sum tally) {
	s := rep.Chosen()
	if s == nil {
		fmt.Fprintln(w, "no swing")
		sum.failed++
		return sum
	}
	fmt.Fprintf(w, "bats %s, view %s; true: bats %s, view %s; %d swing(s)\n\n", rep.Batter.Bats, rep.Batter.View, t.Params.Hand, t.Params.View, len(rep.Swings))
	verdict := func(kept bool) string {
		sum.limits++
		if kept {
			sum.kept++
			return "kept"
		}
		return "**broken**"
	}
	inside := func(v float64, lo, hi *float64) string {
		if lo == nil || hi == nil {
			return "–"
		}
		sum.bounds++
		if *lo <= v && v <= *hi {
			sum.inside++
			return "yes"
		}
		return "**no**"
	}

	rate := float64(t.Image.FPS)
	fmt.Fprint(w, "| event | truth s | value s | off, frames | lo | hi | half-width, frames | inside | limit |\n|---|---|---|---|---|---|---|---|---|\n")
	for _, k := range pipeline.EventKinds {
		p, ok := t.Phases[string(k)]
		if !ok {
			continue
		}
		e := s.Event(k)
		most := map[pipeline.EventKind]float64{pipeline.Contact: 1, pipeline.Plant: 2}[k]
		if e == nil || e.T == nil {
			lim := "–"
			if most > 0 {
				lim = verdict(false)
			}
			fmt.Fprintf(w, "| %s | %.3f | can't tell | – | – | – | – | – | %s |\n", k, p.T, lim)
			continue
		}
		off, half, lim := (*e.T-p.T)*rate, "–", "–"
		if e.Lo != nil && e.Hi != nil {
			half = fmt.Sprintf("%.1f", (*e.Hi-*e.Lo)/2*rate)
		}
		if most > 0 {
			lim = fmt.Sprintf("≤ %g: %s", most, verdict(math.Abs(off) <= most+1e-9))
		}
		in := "–"
		if k != pipeline.Stance { // the truth's is just its first frame
			in = inside(p.T, e.Lo, e.Hi)
		}
		fmt.Fprintf(w, "| %s | %.3f | %.3f | %+.1f | %s | %s | %s | %s | %s |\n", k, p.T, *e.T, off, num(e.Lo, 3), num(e.Hi, 3), half, in, lim)
	}

	fmt.Fprint(w, "\n| measure | truth | value | off | lo | hi | inside | limit |\n|---|---|---|---|---|---|---|---|\n")
	truths := t.measures()
	kinds := make([]kind, 0, len(truths))
	for k := range truths {
		kinds = append(kinds, k)
	}
	order := map[pipeline.EventKind]int{}
	for i, k := range pipeline.EventKinds {
		order[k] = i
	}
	sort.Slice(kinds, func(i, j int) bool {
		a, b := kinds[i], kinds[j]
		if a.key != b.key {
			return a.key < b.key
		}
		if a.at != b.at {
			return order[a.at] < order[b.at]
		}
		return order[a.from] < order[b.from]
	})
	for _, k := range kinds {
		label := k.key
		if k.from != "" {
			label += fmt.Sprintf(" %s→%s", k.from, k.at)
		} else {
			label += " @" + string(k.at)
		}
		v := truths[k]
		m := s.Measure(k.key, k.from, k.at)
		if m == nil {
			fmt.Fprintf(w, "| %s | %.2f | not in the report | – | – | – | – | – |\n", label, v)
			continue
		}
		if m.Unit == "pct_height" && !strings.HasSuffix(m.Key, "_pct") {
			v /= t.Params.Stature // cm over m is percent
		}
		off, lim := "–", "–"
		most, goal := limit(k.key, t.sideOn())
		if m.Value != nil {
			off = fmt.Sprintf("%+.2f", *m.Value-v)
			if goal {
				lim = fmt.Sprintf("≤ %g: %s", most, verdict(math.Abs(*m.Value-v) <= most))
			}
		} else if goal {
			lim = verdict(false)
		}
		in := inside(v, m.Lo, m.Hi)
		switch {
		case k.key == "front_foot_open" && k.from == "":
			lim = fmt.Sprintf("inside, ± ≤ %d°: %s", widestFoot, verdict(in == "yes" && (*m.Hi-*m.Lo)/2 <= widestFoot))
		case !t.sideOn() && (k.key == "eye_forward" || k.key == "head_over_back"):
			lim = "null or inside: " + verdict(m.Value == nil || in == "yes")
		}
		value := num(m.Value, 2)
		if m.Value == nil {
			value = "null: " + strings.Join(m.Warnings, ", ")
		}
		fmt.Fprintf(w, "| %s, %s | %.2f | %s | %s | %s | %s | %s | %s |\n", label, m.Unit, v, value, off, num(m.Lo, 2), num(m.Hi, 2), in, lim)
	}
	return sum
}

type judgedClip struct {
	name string
	t    *truth
	rep  pipeline.Report
}

// swing is the clip's as one of many.
func (c judgedClip) swing() judgedSwing {
	p := c.t.Params
	w := judgedSwing{bats: pipeline.Side(p.Hand), stature: p.Stature, swung: true, fps: float64(c.t.Image.FPS), sound: c.t.Audio != nil, truths: c.t.measures(), events: map[pipeline.EventKind]float64{}, rep: &c.rep}
	w.view = renderedView[p.View]
	for k, v := range c.t.Phases {
		w.events[pipeline.EventKind(k)] = v.T
	}
	return w
}

// apart looks at every two clips of one view and side whose truths differ
// clearly, and prints whether the bounds tell them apart.
func apart(w io.Writer, clips []judgedClip) (sum tally) {
	const S, C = pipeline.Stance, pipeline.Contact
	told := []struct {
		k     kind
		clear float64 // difference of the truths that must be told
	}{{kind{"eye_drop", S, C}, 6}, {kind{"eye_forward", S, C}, 8}, {kind{"front_foot_open", "", C}, 40}}
	head := false
	for i, a := range clips {
		for _, b := range clips[i+1:] {
			if a.t.Params.View != b.t.Params.View || a.t.Params.Hand != b.t.Params.Hand || !a.t.sideOn() {
				continue
			}
			for _, x := range told {
				va, vb := a.t.measures()[x.k], b.t.measures()[x.k]
				if math.Abs(va-vb) < x.clear {
					continue
				}
				if !head {
					fmt.Fprint(w, "\n## Told apart\n\n| measure at contact | clip | truth | bounds | clip | truth | bounds | limit |\n|---|---|---|---|---|---|---|---|\n")
					head = true
				}
				ma, mb := a.rep.Chosen().Measure(x.k.key, x.k.from, x.k.at), b.rep.Chosen().Measure(x.k.key, x.k.from, x.k.at)
				sum.limits++
				limit := "**overlap or null**"
				if ma != nil && mb != nil && ma.Value != nil && mb.Value != nil && (*ma.Hi < *mb.Lo || *mb.Hi < *ma.Lo) {
					sum.kept++
					limit = "apart"
				}
				fmt.Fprintf(w, "| %s | %s | %.1f | %s | %s | %.1f | %s | %s |\n", x.k.key, a.name, va, span(ma), b.name, vb, span(mb), limit)
			}
		}
	}
	return sum
}

func span(m *pipeline.Measure) string {
	if m == nil {
		return "–"
	}
	return num(m.Lo, 1) + " … " + num(m.Hi, 1)
}

func num(v *float64, decimals int) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%.*f", decimals, *v)
}
