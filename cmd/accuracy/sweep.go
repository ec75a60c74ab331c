package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"tapeline/detect/coach"
	"tapeline/detect/swing/sim"
	"tapeline/pipeline"
)

// sweep changes one thing about the same swings, step by step.
type sweep struct {
	name, title, axis string
	steps             []sweepStep
	limit             string // what the program says in the shaded steps
	from, to          int
	timing            bool // the second panel shows times, not the foot
	meaning           string
}

type sweepStep struct {
	label string
	set   func(q *sim.Params, e *sim.Errors)
}

// Sweeps of the simulation. Everything else stays: chest side, 60 pictures a
// second, 1280 × 720.
var sweeps = []sweep{
	{name: "angle", title: "How far off the straight view the phone stands", axis: "degrees off",
		steps: each([]float64{0, 10, 20, 30, 40, 45}, "%g°", func(v float64, q *sim.Params, _ *sim.Errors) {
			q.YawOff = math.Copysign(v, float64(q.Seed%2)-.5) // half of them to either side
		}),
		limit: "said: oblique, for most", from: 3, to: 6,
		meaning: "The front foot suffers first: its error is two thirds larger at 30° and twice as large from 40° on. What lies along the line to the pitcher follows, and from 40° on the view is taken for the pitcher's every other time, where it can't be told at all. The eyes' fall errs little more, but from 20° on one of its bounds in six fails. The program reads about .7 of the true angle and says `oblique` over 15° of it: for one swing in three at 20°, four in five at 30°. By 30° a quarter of the foot's bounds fail."},
	{name: "rate", title: "Frames a second", axis: "frames a second", timing: true,
		steps: each([]float64{240, 120, 60, 30, 24}, "%g", func(v float64, q *sim.Params, _ *sim.Errors) { q.FPS = v }),
		limit: "said: low_frame_rate, under 50", from: 3, to: 5,
		meaning: "With sound the rate hardly matters. Without it contact is known to ± 35 to 60 ms at any rate, since the swing's middle is seen and not the hit; from 120 on those bounds are too narrow, as the table shows. Slower than 50, the bounds of plant and of a silent contact open (`low_frame_rate` under 50)."},
	{name: "lines", title: "Size of the picture, the batter filling two thirds of it", axis: "picture height, pixels",
		steps: each([]float64{1080, 720, 480, 360, 240}, "%g", func(v float64, q *sim.Params, e *sim.Errors) {
			q.Height, q.Width, q.Distance, e.Grain = int(v), int(v*16/9), 4.0, grain
		}),
		limit: "said: low_resolution, under 480", from: 3, to: 5,
		meaning: "The network looks at a batter through 256 × 256 pixels: a larger picture tells it no more. In a smaller one landmarks tremble by .65 pixels, which is measured, and the bounds open with it. What real encoders do to small pictures is not in here: see the real pixels below (`low_resolution` under 480)."},
	{name: "share", title: "The batter's share of the picture's height", axis: "share of 720 pixels",
		steps: each([]float64{80, 60, 40, 30, 20, 15}, "%g %%", func(v float64, q *sim.Params, e *sim.Errors) {
			q.FOV = 62
			focal := float64(q.Width) / 2 / math.Tan(q.FOV/2*math.Pi/180)
			q.Distance, e.Grain = q.Stature*focal/(v/100*float64(q.Height)), grain
		}),
		limit: "said: batter_small, under 200 pixels (28 %)", from: 4, to: 6,
		meaning: "Down to 40 % of the picture's height nothing is lost. Beyond, the foot goes first, and contact, because the sound's way grows with the distance and is guessed (`--distance` says it). `batter_small` under 200 pixels."},
	{name: "blur", title: "Exposure of a picture at 30 a second", axis: "seconds",
		steps:   []sweepStep{exposed("1/500", .06), exposed("1/250", .12), exposed("1/120", .25), exposed("1/60", .5), exposed("1/30", 1)},
		meaning: "Long exposures smear hands and bat; head and feet, which are slow, hardly, so that the measures stand it. That fast joints get worse in proportion is assumed, not measured; no warning tells of blur itself, `dark` tells of its usual cause."},
	{name: "noise", title: "The network's own error, as a multiple of the measured one", axis: "times the measured error",
		steps:   each([]float64{.5, 1, 1.5, 2, 3}, "%g", func(v float64, _ *sim.Params, e *sim.Errors) { e.Pose = v }),
		meaning: "Bounds are made for the error that was measured. Twice the error (loose clothes, odd light, an odd pose) pushes one eye drop in four and every second foot out of its bounds, and nothing but a dark or compressed picture is noticed."},
	{name: "hidden", title: "What is out of sight", axis: "",
		steps: []sweepStep{
			{"nothing", func(*sim.Params, *sim.Errors) {}},
			{"front foot", func(_ *sim.Params, e *sim.Errors) { e.HiddenFoot = true }},
			{"face", func(_ *sim.Params, e *sim.Errors) { e.HiddenFace = true }},
			{"from behind", func(q *sim.Params, _ *sim.Errors) { q.View = pipeline.ViewBack }},
		},
		limit: "said: foot_hidden", from: 1, to: 2,
		meaning: "From behind, the eyes' fall is taken from what heads usually do, and the bounds say so (`face_unseen`). A front foot that the network itself calls out of sight gives no foot measures and a wide plant (`foot_hidden`). A face hidden from a camera in front is guessed without a word, since the network is as sure of it as ever: keep the face in view."},
}

// grain is what few pixels add to a landmark, pixels: see sim.Errors.
const grain = .65

func each(at []float64, form string, set func(v float64, q *sim.Params, e *sim.Errors)) (steps []sweepStep) {
	for _, v := range at {
		steps = append(steps, sweepStep{fmt.Sprintf(form, v), func(q *sim.Params, e *sim.Errors) { set(v, q, e) }})
	}
	return steps
}

func exposed(label string, share float64) sweepStep {
	return sweepStep{label, func(q *sim.Params, _ *sim.Errors) { q.FPS, q.Exposure = 30, share }}
}

// swept is a step's account, and how many reports carry which warning.
type swept struct {
	score
	said map[string]int
}

// judged judges n swings at every step: the same swings, but for what the step
// changes. silent ones have no sound.
func (s sweep) judged(n int, seed int64, silent bool, rules []coach.Rule) []swept {
	out := make([]swept, len(s.steps))
	for k, step := range s.steps {
		swings := make([]judgedSwing, n)
		var wait sync.WaitGroup
		next := make(chan int)
		for range min(runtime.GOMAXPROCS(0), 4) {
			wait.Go(func() {
				for i := range next {
					rng := rand.New(rand.NewSource(seed*1_000_003 + int64(i)))
					q, e := sim.Random(rng), sim.Measured()
					q.Act, q.View, q.YawOff, q.Distance, q.FOV = sim.FullSwing, pipeline.ViewChest, 0, 4.2, 62
					q.Width, q.Height, q.FPS, q.Exposure, q.WalkIn, q.Ball = 1280, 720, 60, .25, 0, sim.Tee
					e.Mute, e.Others = 0, 0
					if silent {
						e.Mute = 1
					}
					step.set(&q, &e)
					t := sim.Swing(q)
					swings[i] = judge(t, sim.Track(t, e, rng))
				}
			})
		}
		for i := range n {
			next <- i
		}
		close(next)
		wait.Wait()
		out[k] = swept{tell(swings, rules), map[string]int{}}
		for _, w := range swings {
			if w.rep == nil {
				continue
			}
			seen := map[string]bool{}
			for _, x := range w.rep.Warnings {
				seen[x.Code] = true
			}
			for _, m := range w.rep.Chosen().Measures {
				for _, c := range m.Warnings {
					seen[c] = c == "face_unseen" || seen[c]
				}
			}
			for c, yes := range seen {
				if yes {
					out[k].said[c]++
				}
			}
		}
	}
	return out
}

// shown are the rows of a sweep's table.
var shown = []struct{ label, key, from, at string }{
	{"eye drop, cm", "eye_drop", "stance", "contact"},
	{"eyes forward, cm", "eye_forward", "stance", "contact"},
	{"head over back knee, cm", "head_over_back", "", "contact"},
	{"front foot open, °", "front_foot_open", "", "contact"},
	{"contact, ms", "event", "", "contact"},
	{"plant, ms", "event", "", "plant"},
}

// of finds the row over all views; an empty one if there is none.
func (s score) of(key, from, at string) row {
	for _, r := range s.Rows {
		if r.View == "all" && r.Key == key && r.From == from && r.At == at {
			return r
		}
	}
	return row{}
}

// cell is error, half-width and how many bounds hold.
func (r row) cell() string {
	if r.N == r.Nulls {
		return "–"
	}
	null := ""
	if r.Nulls > 0 {
		null = fmt.Sprintf(", %d can't tell", r.Nulls)
	}
	return fmt.Sprintf("%.1f ± %.1f, %d/%d%s", r.MAE, r.Half, r.Inside, r.Bounds, null)
}

func (s sweep) figure(loud, silent []swept) figure {
	f := figure{title: s.title, axis: s.axis, limit: s.limit, from: s.from, to: s.to, apart: s.axis == ""}
	for _, x := range s.steps {
		f.places = append(f.places, x.label)
	}
	line := func(scores []swept, name, key, from, at string, half bool) curve {
		c := curve{name: name}
		for _, s := range scores {
			r := s.of(key, from, at)
			switch {
			case r.N == r.Nulls:
				c.y = append(c.y, math.NaN())
			case half:
				c.y = append(c.y, r.Half)
			default:
				c.y = append(c.y, r.MAE)
			}
		}
		return c
	}
	f.panels = []panel{{unit: "cm, mean error", goal: 1, curves: []curve{
		line(loud, "eye drop", "eye_drop", "stance", "contact", false),
		line(loud, "eyes forward", "eye_forward", "stance", "contact", false),
		line(loud, "± of eye drop", "eye_drop", "stance", "contact", true)}}}
	if s.timing {
		f.panels = append(f.panels, panel{unit: "ms, mean error", curves: []curve{
			line(silent, "contact, silent", "event", "", "contact", false),
			line(loud, "plant", "event", "", "plant", false),
			line(loud, "with sound", "event", "", "contact", false)}})
	} else {
		f.panels = append(f.panels, panel{unit: "degrees, front foot at contact", goal: 15, curves: []curve{
			line(loud, "mean error", "front_foot_open", "", "contact", false),
			line(loud, "±", "front_foot_open", "", "contact", true)}})
	}
	return f
}

// runSweeps writes a figure for every sweep and the page about them into dir.
// pixels, a clip with its truth, is encoded anew and read as well; without it
// the readings kept in dir stand.
func runSweeps(dir string, n int, seed int64, bin, pixels, keep string, rules []coach.Rule) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	var readings []reading
	kept := filepath.Join(dir, "pixels.json")
	if pixels != "" {
		var err error
		if readings, err = readPixels(bin, pixels, keep); err != nil {
			return err
		}
		b, err := json.MarshalIndent(readings, "", " ")
		if err != nil {
			return err
		}
		if err := os.WriteFile(kept, append(b, '\n'), 0o644); err != nil {
			return err
		}
	} else if b, err := os.ReadFile(kept); err == nil {
		if err := json.Unmarshal(b, &readings); err != nil {
			return fmt.Errorf("%s: %w", kept, err)
		}
	} else if !errors.Is(err, os.ErrNotExist) {
		return err
	}

	var page bytes.Buffer
	fmt.Fprintf(&page, `# How far a picture may go wrong

Made by `+"`scripts/accuracy --sweep samples/docs`"+`. Shaded: where the program itself says that something is wrong. A cell is mean absolute error ± median half-width of the bounds, and how many bounds hold the truth.

## Simulated

%d swings a step, seed %d, the same ones at every step: from the chest side, 60 pictures a second, 1280 × 720, sound on, but for what is swept. They stand for real film as far as the errors laid on them do (see DEVELOPERS.md).
`, n, seed)
	draw := func(name string, f figure) error {
		var b bytes.Buffer
		f.svg(&b)
		fmt.Fprintf(&page, "\n![%s](%s.svg)\n", f.title, name)
		return os.WriteFile(filepath.Join(dir, name+".svg"), b.Bytes(), 0o644)
	}
	for _, s := range sweeps {
		loud := s.judged(n, seed, false, rules)
		var silent []swept
		if s.timing {
			silent = s.judged(n, seed, true, rules)
		}
		fmt.Fprintf(&page, "\n### %s\n\n%s\n", s.title, s.meaning)
		if err := draw(s.name, s.figure(loud, silent)); err != nil {
			return err
		}
		s.table(&page, loud, silent)
	}
	if len(readings) > 0 {
		fmt.Fprint(&page, "\n## Real pixels\n\nOne rendered clip, made worse by ffmpeg and read by the program: a single reading each, so a centimetre more or less is chance. The last row is what the program said.\n")
		for _, g := range pixelGroups {
			if err := draw("pixels_"+g.name, g.figure(readings)); err != nil {
				return err
			}
			g.table(&page, readings)
		}
	}
	return os.WriteFile(filepath.Join(dir, "SWEEPS.md"), page.Bytes(), 0o644)
}

func (s sweep) table(w io.Writer, loud, silent []swept) {
	rule := "|---"
	head := "\n| " + strings.ReplaceAll(s.axis, "|", "/") + " "
	for _, x := range s.steps {
		head += "| " + x.label + " "
		rule += "|---"
	}
	fmt.Fprintf(w, "%s|\n%s|\n", head, rule)
	line := func(label string, cell func(k int) string) {
		fmt.Fprintf(w, "| %s ", label)
		for k := range s.steps {
			fmt.Fprintf(w, "| %s ", cell(k))
		}
		fmt.Fprintln(w, "|")
	}
	for _, r := range shown {
		if r.key == "event" && r.at == "contact" && silent != nil {
			line("contact without sound, ms", func(k int) string { return silent[k].of(r.key, r.from, r.at).cell() })
		}
		line(r.label, func(k int) string { return loud[k].of(r.key, r.from, r.at).cell() })
	}
	line("swings not found", func(k int) string { return fmt.Sprint(loud[k].Unseen) })
	for _, c := range []string{"oblique", "foot_hidden", "face_unseen"} {
		if slices.ContainsFunc(loud, func(x swept) bool { return 4*x.said[c] > x.Swings }) {
			line("said `"+c+"`", func(k int) string { return fmt.Sprint(loud[k].said[c]) })
		}
	}
}

// variant is a way to make a clip worse.
type variant struct {
	name, label, filter string
	crf                 int
}

// One grey level in 255 of noise a dark picture keeps; ffmpeg's own scale.
var variants = map[string]variant{
	"base":   {"base", "as it is", "null", 18},
	"360":    {"360", "360", "scale=640:360:flags=area", 18},
	"240":    {"240", "240", "scale=426:240:flags=area", 18},
	"crf30":  {"crf30", "CRF 30", "null", 30},
	"crf40":  {"crf40", "CRF 40", "null", 40},
	"dark40": {"dark40", "40 % of the light", "lutyuv=y=16+(val-16)*0.4,noise=alls=6:allf=t:all_seed=1", 18},
	"dark15": {"dark15", "15 % of the light", "lutyuv=y=16+(val-16)*0.15,noise=alls=6:allf=t:all_seed=1", 18},
	"30fps":  {"30fps", "30 a second", "fps=30", 18},
	// Boxes over what the sample shows there.
	"foot": {"foot", "front foot", "drawbox=x=490:y=415:w=105:h=95:color=0x50584a:t=fill", 18},
	"face": {"face", "face", "drawbox=x=464:y=158:w=52:h=50:color=0x50584a:t=fill", 18},
}

// reading is what was read off one variant.
type reading struct {
	Variant  string    `json:"variant"`
	Warnings []string  `json:"warnings"`
	Values   []readOff `json:"values"`
}

type readOff struct {
	Key   string   `json:"key"`
	From  string   `json:"from,omitempty"`
	At    string   `json:"at"`
	Truth float64  `json:"truth"`
	Value *float64 `json:"value"`
	Lo    *float64 `json:"lo"`
	Hi    *float64 `json:"hi"`
}

type pixelGroup struct {
	name, title, axis string
	variants          []string
	limit             string
	from, to          int
	meaning           string
}

var pixelGroups = []pixelGroup{
	{"size", "Fewer pixels, real ones", "picture height, pixels", []string{"base", "360", "240"}, "said: low_resolution", 1, 3,
		"The sample is 540 lines high and its batter 314 pixels. At 240 lines (148 pixels) the eyes are within a centimetre of the full picture's reading and the head over the knee is 2.5 cm from it, inside bounds that open little."},
	{"compression", "Compression, real pixels", "H.264, constant rate factor", []string{"base", "crf30", "crf40"}, "said: compressed", 2, 3,
		"At CRF 40 (0.004 bits a pixel and picture) the encoder lets the head stand still while it moves, and the optical flow believes it. Under 0.01 bits the clip is called `compressed`."},
	{"darkness", "Darkness, real pixels", "of the light, with a sensor's noise", []string{"base", "dark40", "dark15"}, "said: dark", 2, 3,
		"Light alone costs little; what costs is the long exposure that a phone answers it with, which these copies lack. The bounds open by 4 cm under a mean grey level of 45 (`dark`)."},
	{"hidden", "Hidden behind a box, real pixels", "", []string{"base", "foot", "face"}, "said: foot_hidden", 1, 2,
		"A box over the front foot: the network scores it .26 of 1, in sight .88, and the program gives no foot (before it knew, it read a foot 60° open as 2°). A box over the face: the network stays sure, and what hangs on the eyes is wrong without a warning."},
	{"rate", "Half the frames, real pixels", "", []string{"base", "30fps"}, "said: low_frame_rate", 1, 2,
		"Every second picture left out: the eyes' fall is read a centimetre farther off, inside its bounds."},
}

// readPixels makes every variant of the clip in keep, unless it was read there
// before, and reads them one after the other.
func readPixels(bin, clip, keep string) (out []reading, err error) {
	t, err := readTruth(strings.TrimSuffix(clip, filepath.Ext(clip)) + ".truth.json")
	if err != nil {
		return nil, err
	}
	if keep == "" {
		if keep, err = os.MkdirTemp("", "sweep"); err != nil {
			return nil, err
		}
		defer os.RemoveAll(keep)
	}
	stem := strings.TrimSuffix(filepath.Base(clip), filepath.Ext(clip))
	var names []string
	for _, g := range pixelGroups {
		for _, v := range g.variants {
			if !slices.Contains(names, v) {
				names = append(names, v)
			}
		}
	}
	for _, name := range names {
		v := variants[name]
		worse := filepath.Join(keep, stem+"-"+name+".mp4")
		if _, err := os.Stat(worse); err != nil {
			b, err := exec.Command("ffmpeg", "-v", "error", "-nostdin", "-y", "-i", clip, "-map", "0", "-map_metadata", "-1", "-vf", v.filter,
				"-c:v", "libx264", "-preset", "medium", "-crf", fmt.Sprint(v.crf), "-c:a", "copy", worse).CombinedOutput()
			if err != nil {
				return nil, fmt.Errorf("%s: %w: %s", worse, err, b)
			}
		}
		tracks := ""
		if _, err := os.Stat(filepath.Join(keep, pipeline.FolderName(worse), pipeline.TrackFile)); err == nil {
			tracks = keep
		}
		rep, err := report(bin, worse, t, tracks, keep, "")
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		r := reading{Variant: name, Warnings: []string{}}
		for _, w := range rep.Warnings {
			r.Warnings = append(r.Warnings, w.Code)
		}
		truths, s := t.measures(), rep.Chosen()
		for _, k := range shown {
			o := readOff{Key: k.key, From: k.from, At: k.at}
			if k.key == "event" {
				o.Truth = t.Phases[k.at].T
				if e := s.Event(pipeline.EventKind(k.at)); e != nil {
					o.Value, o.Lo, o.Hi = e.T, e.Lo, e.Hi
				}
			} else {
				o.Truth = truths[kind{k.key, pipeline.EventKind(k.from), pipeline.EventKind(k.at)}]
				if m := s.Measure(k.key, pipeline.EventKind(k.from), pipeline.EventKind(k.at)); m != nil {
					o.Value, o.Lo, o.Hi = m.Value, m.Lo, m.Hi
				}
			}
			r.Values = append(r.Values, o)
		}
		out = append(out, r)
	}
	return out, nil
}

// off is how far a value is from the truth and half its bounds' width, times
// in ms; NaN where nothing was told.
func (o readOff) off() (off, half float64) {
	k := 1.0
	if o.Key == "event" {
		k = 1000
	}
	if o.Value == nil || o.Lo == nil || o.Hi == nil {
		return math.NaN(), math.NaN()
	}
	return k * (*o.Value - o.Truth), k * (*o.Hi - *o.Lo) / 2
}

func (g pixelGroup) readings(all []reading) (out []reading) {
	for _, v := range g.variants {
		for _, r := range all {
			if r.Variant == v {
				out = append(out, r)
			}
		}
	}
	return out
}

func (g pixelGroup) figure(all []reading) figure {
	f := figure{title: g.title, axis: g.axis, limit: g.limit, from: g.from, to: g.to, apart: g.name == "hidden"}
	line := func(name, key string, half bool) curve {
		c := curve{name: name}
		for _, r := range g.readings(all) {
			for _, v := range r.Values {
				if v.Key == key && v.At == "contact" {
					off, h := v.off()
					if half {
						off = h
					}
					c.y = append(c.y, math.Abs(off))
				}
			}
		}
		return c
	}
	for _, r := range g.readings(all) {
		f.places = append(f.places, variants[r.Variant].label)
	}
	f.panels = []panel{
		{unit: "cm, error of one reading", goal: 1, curves: []curve{line("eye drop", "eye_drop", false), line("eyes forward", "eye_forward", false), line("± of eye drop", "eye_drop", true)}},
		{unit: "degrees, front foot at contact", goal: 15, curves: []curve{line("error", "front_foot_open", false), line("±", "front_foot_open", true)}},
	}
	return f
}

func (g pixelGroup) table(w io.Writer, all []reading) {
	rs := g.readings(all)
	fmt.Fprintf(w, "\n%s\n\n| off the truth ± half-width ", g.meaning)
	for _, r := range rs {
		fmt.Fprintf(w, "| %s ", variants[r.Variant].label)
	}
	fmt.Fprintf(w, "|\n|---%s|\n", strings.Repeat("|---", len(rs)))
	for i, k := range shown {
		fmt.Fprintf(w, "| %s ", k.label)
		for _, r := range rs {
			off, half := r.Values[i].off()
			switch {
			case math.IsNaN(off):
				fmt.Fprint(w, "| can't tell ")
			case math.Abs(off) > 0 && (r.Values[i].Truth < *r.Values[i].Lo || r.Values[i].Truth > *r.Values[i].Hi):
				fmt.Fprintf(w, "| %+.1f ± %.1f **outside** ", off, half)
			default:
				fmt.Fprintf(w, "| %+.1f ± %.1f ", off, half)
			}
		}
		fmt.Fprintln(w, "|")
	}
	fmt.Fprint(w, "| said ")
	for _, r := range rs {
		said := "–"
		if len(r.Warnings) > 0 {
			said = strings.Join(r.Warnings, ", ")
		}
		fmt.Fprintf(w, "| %s ", said)
	}
	fmt.Fprintln(w, "|")
}
