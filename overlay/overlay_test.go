package overlay

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	xdraw "golang.org/x/image/draw"

	"tapeline/overlay/internal/rendered"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

var regen = flag.Bool("regen", false, "write the golden files anew")

func truth(t testing.TB, name string) *rendered.Truth {
	t.Helper()
	tr, err := rendered.Load("../samples/" + name + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func film(t testing.TB, rep *pipeline.Report, clip pipeline.Clip) *Film {
	t.Helper()
	f, err := NewFilm(rep, clip, words.English(), FilmOptions{FirstName: "Robin", Date: "2026-05-03"})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func sample(t testing.TB, name string, doubt float64) *Film {
	rep, clip := truth(t, name).Report(doubt)
	return film(t, rep, clip)
}

func paint(t testing.TB, f *Film, s Shot) *image.RGBA {
	t.Helper()
	var fr *pipeline.Frame
	if s.Source >= 0 {
		fr = rendered.Plain(s.Source, f.clip.Width, f.clip.Height)
	}
	img, err := f.Paint(fr, s)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// last shot of a part at an event.
func last(t testing.TB, f *Film, p Part, at pipeline.EventKind) Shot {
	t.Helper()
	for i := len(f.shots) - 1; i >= 0; i-- {
		if s := f.shots[i]; s.Part == p && s.At == at {
			return s
		}
	}
	t.Fatalf("no shot of %v at %q", p, at)
	return Shot{}
}

// What is drawn where, as text.
func TestScenes(t *testing.T) {
	for _, c := range []struct {
		clip  string
		doubt float64
	}{{"open_faults", 8}, {"front_left", 25}} {
		f := sample(t, c.clip, c.doubt)
		var b strings.Builder
		w, h := f.Size()
		fmt.Fprintf(&b, "canvas %d×%d, %d shots\n", w, h, len(f.Shots()))
		var prev Shot
		for i, s := range f.Shots() {
			// The last shot of every passage, hold and step has all its marks.
			if i > 0 && (s.Part != prev.Part || s.At != prev.At || s.caption != prev.caption) {
				fmt.Fprintf(&b, "%v %s frame %d ", prev.Part, prev.At, prev.Source)
				b.WriteString(f.Scene(prev).String())
			}
			prev = s
		}
		b.WriteString(f.Scene(prev).String())
		path := filepath.Join("testdata", c.clip+".scenes.txt")
		if *regen {
			if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Split(b.String(), "\n")
		for i, w := range strings.Split(string(want), "\n") {
			if i >= len(got) || got[i] != w {
				t.Errorf("%s line %d:\n got %q\nwant %q", path, i+1, append(got, "")[min(i, len(got))], w)
				break
			}
		}
	}
}

// A few pictures, compared with tolerance: processors round differently.
func TestPictures(t *testing.T) {
	sure, wide := sample(t, "open_faults", 8), sample(t, "front_left", 25)
	for _, c := range []struct {
		name string
		f    *Film
		shot Shot
	}{
		{"contact", sure, last(t, sure, Hold, pipeline.Contact)},
		{"fan_portrait", wide, last(t, wide, Hold, pipeline.Plant)},
		{"start_lower", sure, last(t, sure, Hold, pipeline.Stance)},
		{"end_card", sure, last(t, sure, EndCard, "")},
	} {
		compare(t, c.name, paint(t, c.f, c.shot))
	}
}

func compare(t *testing.T, name string, got *image.RGBA) {
	t.Helper()
	path := filepath.Join("testdata", name+".png")
	if *regen {
		var b bytes.Buffer
		if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, got); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	want, err := png.Decode(file)
	if err != nil {
		t.Fatal(err)
	}
	if want.Bounds() != got.Bounds() {
		t.Fatalf("%s: %v, want %v", name, got.Bounds(), want.Bounds())
	}
	b := got.Bounds()
	diff := image.NewGray(b)
	sum, off := 0, 0
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			g := got.RGBAAt(x, y)
			r, gg, bb, _ := want.At(x, y).RGBA()
			d := max(dist(g.R, r), dist(g.G, gg), dist(g.B, bb))
			sum += d
			if d > 24 {
				off++
			}
			diff.SetGray(x, y, color.Gray{Y: uint8(min(255, d*4))})
		}
	}
	n := b.Dx() * b.Dy()
	if float64(sum)/float64(n) > 0.5 || float64(off)/float64(n) > 0.001 {
		dir, _ := os.MkdirTemp("", "overlay-"+name)
		for k, im := range map[string]image.Image{"got": got, "diff": diff} {
			if o, err := os.Create(filepath.Join(dir, k+".png")); err == nil {
				png.Encode(o, im)
				o.Close()
			}
		}
		t.Errorf("%s: mean difference %.2f, %d of %d pixels far off; see %s", name, float64(sum)/float64(n), off, n, dir)
	}
}

func dist(a uint8, b uint32) int {
	d := int(a) - int(b>>8)
	return max(d, -d)
}

// The order and lengths of DESIGN's annotated video.
func TestFilmStructure(t *testing.T) {
	f := sample(t, "open_faults", 8)
	shots := f.Shots()
	count := map[Part]int{}
	prev, order := TitleCard, []Part{TitleCard}
	held := map[pipeline.EventKind]int{}
	caps := map[string]int{}
	for _, s := range shots {
		count[s.Part]++
		if s.Part != prev && s.Part != Hold && !(prev == Hold && s.Part == Slow) {
			order = append(order, s.Part)
		}
		prev = s.Part
		if s.Part == Hold {
			held[s.At]++
			caps[string(s.At)+s.caption]++
		}
		if n := words.Count(s.caption); n > 7 {
			t.Errorf("caption %q has %d words", s.caption, n)
		}
		if s.Part == RealSpeed && s.marks != markTape {
			t.Error("real speed shows more than the tape")
		}
	}
	if got := fmt.Sprint(order); got != "[title real slow end]" && got != "[title real end]" {
		t.Errorf("passages %s", got)
	}
	if count[TitleCard] != 30 {
		t.Errorf("title card of %d frames, want one second", count[TitleCard])
	}
	if d := float64(count[RealSpeed]) / 30; math.Abs(d-1.65) > 0.07 {
		t.Errorf("real-time passage lasts %.2f s, the clip 1.65", d)
	}
	for _, k := range []pipeline.EventKind{pipeline.Stance, pipeline.Plant, pipeline.Contact, pipeline.Finish} {
		if held[k] < 60 {
			t.Errorf("%s is held %d frames, want 2 s", k, held[k])
		}
	}
	for c, n := range caps {
		if need := 0.35 * float64(words.Count(c)); float64(n)/30 < need-0.02 {
			t.Errorf("%q stands %.2f s, want %.2f", c, float64(n)/30, need)
		}
	}
	// A quarter speed: the same piece of clip takes four times as long.
	var slow []Shot
	for _, s := range shots {
		if s.Part == Slow {
			slow = append(slow, s)
		}
	}
	if d := slow[1].T - slow[0].T; math.Abs(d-1.0/120) > 1e-9 {
		t.Errorf("a slow frame advances %.5f s, want 1/120", d)
	}
	if s := f.Sound(); len(s) != 1 || s[0].At != 1 || math.Abs(s[0].To-s[0].From-float64(count[RealSpeed])/30) > 0.05 {
		t.Errorf("sound %v", s)
	}
	if n := words.Count(f.endWords()); n > 20 {
		t.Errorf("end card has %d words", n)
	}
}

// Whatever the swing, the film stays under 45 s, decodes forward only, and
// shows real time in capture time.
func TestFilmBounds(t *testing.T) {
	for _, c := range []struct {
		name           string
		rate, long     float64
		factor, jitter float64
		lead           float64 // load before contact, capture seconds
		drop           []pipeline.EventKind
	}{
		{name: "30 fps", rate: 30, long: 3, factor: 1, lead: 0.6},
		{name: "slow motion 240 as 30", rate: 30, long: 24, factor: 8, lead: 0.6},
		{name: "variable rate", rate: 60, long: 3, factor: 1, jitter: 0.9, lead: 0.6},
		{name: "long waggle", rate: 60, long: 40, factor: 1, lead: 12},
		{name: "slow motion, long", rate: 30, long: 240, factor: 8, lead: 15},
		{name: "no stride", rate: 60, long: 3, factor: 1, lead: 0.6, drop: []pipeline.EventKind{pipeline.Stride, pipeline.Plant}},
		{name: "contact only", rate: 60, long: 3, factor: 1, lead: 0.6, drop: []pipeline.EventKind{pipeline.Stance, pipeline.Load, pipeline.Stride, pipeline.Plant, pipeline.Launch, pipeline.Extension, pipeline.Finish}},
		{name: "no events", rate: 60, long: 3, factor: 1, lead: 0.6, drop: pipeline.EventKinds},
	} {
		t.Run(c.name, func(t *testing.T) {
			rep, clip := truth(t, "open_faults").Report(8)
			sw := &rep.Swings[0]
			sw.Findings = muchToSay
			clip.PTS, clip.TimeFactor, rep.Clip.TimeFactor = nil, c.factor, c.factor
			old := sw.Path
			sw.Path = nil
			for i := 0; float64(i)/c.rate < c.long; i++ {
				p := (float64(i) + c.jitter*grain(1, uint32(i))) / c.rate
				clip.PTS = append(clip.PTS, p)
				d := old[i*len(old)/int(c.rate*c.long+1)]
				d.Frame, d.T = i, p
				sw.Path = append(sw.Path, d)
			}
			contact := c.long - 1.2*c.factor
			at := map[pipeline.EventKind]float64{
				pipeline.Stance: math.Max(0, contact-(c.lead+0.5)*c.factor), pipeline.Load: contact - c.lead*c.factor,
				pipeline.Plant: contact - 0.17*c.factor, pipeline.Contact: contact, pipeline.Extension: contact + 0.06*c.factor, pipeline.Finish: contact + 0.35*c.factor,
			}
			for _, k := range c.drop {
				delete(at, k)
			}
			sw.Events = nil
			for _, k := range pipeline.EventKinds {
				if v, ok := at[k]; ok {
					sw.Events = append(sw.Events, pipeline.Event{Kind: k, T: &v})
				}
			}
			f := film(t, rep, clip)
			if s := float64(len(f.Shots())) / 30; s >= 45 {
				t.Errorf("%.1f s", s)
			}
			top := map[int]int{}
			var real []Shot
			for i, s := range f.Shots() {
				if s.Source >= len(clip.PTS) || (s.Source < 0) != (s.Pass == 0) {
					t.Fatalf("shot %d: %+v", i, s)
				}
				if s.Source < 0 {
					continue
				}
				if s.Source < top[s.Pass] {
					t.Fatalf("shot %d goes back from frame %d to %d", i, top[s.Pass], s.Source)
				}
				top[s.Pass] = s.Source
				if s.Part == RealSpeed {
					real = append(real, s)
				}
				for j := range clip.PTS {
					if math.Abs(clip.PTS[j]-s.T) < math.Abs(clip.PTS[s.Source]-s.T)-1e-9 && s.Part == RealSpeed {
						t.Fatalf("shot %d at %.3f s shows frame %d, frame %d is nearer", i, s.T, s.Source, j)
					}
				}
			}
			span := (real[len(real)-1].T - real[0].T) / c.factor
			if d := float64(len(real)-1) / 30; math.Abs(d-span) > 0.001 {
				t.Errorf("%.3f s of capture time shown in %.3f s", span, d)
			}
			if (len(f.Sound()) > 0) != (c.factor == 1) {
				t.Errorf("sound %v at time factor %v", f.Sound(), c.factor)
			}
			for i, s := range f.Shots()[1:] {
				if was := f.Shots()[i]; s.Part == Slow && was.Part == Slow {
					say, step := f.text.Captions["slower"], (s.T-was.T)/c.factor*rate
					switch {
					case step < 1/slowdown+1e-6:
						say = f.text.Captions["slow"]
					case step > 1-1e-6:
						say = f.text.Captions["real"]
					}
					if was.caption != say {
						t.Fatalf("shot %d goes on by %.3f frames of real time and says %q", i, step, was.caption)
					}
				}
			}
			for _, s := range f.Shots() { // nothing panics, whatever is missing
				_ = f.Scene(s).String()
			}
		})
	}
}

// Sizes: at most 1920×1080 or 1080×1920 with the strip, even, text at least
// 5 % of the height in landscape and 3 % in portrait and inside the inner 90 %
// (SMPTE ST 2046-1).
func TestLayout(t *testing.T) {
	captions := []string{"Head 8 cm ahead of back knee", "Eyes 7.9 cm below the tape", "Quarter speed"}
	phases := []string{"Extension  −0.88 s"}
	faces := NewFaces()
	for _, s := range [][2]int{{1920, 1080}, {3840, 2160}, {1280, 720}, {960, 540}, {640, 480}, {426, 320}, {1080, 1920}, {540, 960}, {720, 1280}, {480, 640}, {1000, 1000}, {2560, 1080}} {
		l := newLayout(s[0], s[1], captions, phases, faces)
		maxW, maxH, em := 1920, 1080, 0.05
		if s[1] >= s[0] {
			maxW, maxH, em = 1080, 1920, 0.03
		}
		if l.w > maxW || l.h > maxH || l.w%2+l.h%2 != 0 {
			t.Errorf("%v: canvas %d×%d", s, l.w, l.h)
		}
		if l.em < em*float64(l.h) {
			t.Errorf("%v: text of %.0f px on %d", s, l.em, l.h)
		}
		if strip := float64(l.h-l.pic.Dy()) / float64(l.h); strip < 0.13 || strip > 0.2 {
			t.Errorf("%v: strip is %.1f %%", s, 100*strip)
		}
		if a, b := float64(l.pic.Dx())/float64(l.pic.Dy()), float64(s[0])/float64(s[1]); math.Abs(a/b-1) > 0.01 {
			t.Errorf("%v: picture %v is out of shape", s, l.pic)
		}
		bottom := l.first + float64(l.rows-1)*l.em*leading + 0.22*l.em
		if bottom > 0.955*float64(l.h) || bottom > float64(l.trace.Min.Y)+0.1*l.em || l.first-0.75*l.em < float64(l.pic.Max.Y) {
			t.Errorf("%v: text from %.0f to %.0f, picture ends %d, trace begins %d of %d", s, l.first-0.75*l.em, bottom, l.pic.Max.Y, l.trace.Min.Y, l.h)
		}
		for _, c := range captions {
			for _, line := range faces.wrap(c, l.em, true, l.caption) {
				if w := l.column + faces.Width(line, l.em, true); w > 0.951*float64(l.w) {
					t.Errorf("%v: %q reaches %.0f of %d", s, line, w, l.w)
				}
			}
		}
	}
}

// Contrast against values worked from WCAG 2.1's formula: blue 0072B2 on black
// 4.05, yellow F0E442 on white 1.32, black on white 21.
func TestContrast(t *testing.T) {
	black, white := color.RGBA{0, 0, 0, 255}, color.RGBA{255, 255, 255, 255}
	for _, c := range []struct {
		a, b color.RGBA
		want float64
	}{{color.RGBA{0, 0x72, 0xb2, 255}, black, 4.05}, {color.RGBA{0xf0, 0xe4, 0x42, 255}, white, 1.32}, {black, white, 21}} {
		if got := Contrast(c.a, c.b); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%v on %v: %.3f, want %.2f", c.a, c.b, got, c.want)
		}
	}
	over := func(top, under color.RGBA, a float64) color.RGBA {
		m := func(x, y uint8) uint8 { return uint8(a*float64(x) + (1-a)*float64(y)) }
		return color.RGBA{m(top.R, under.R), m(top.G, under.G), m(top.B, under.B), 255}
	}
	for _, c := range []struct {
		what string
		a, b color.RGBA
		need float64
	}{
		{"ink on the tape over black", Ink, over(Paper, black, tapeAlpha*0.92), 4.5},
		{"ink on the tape over white", Ink, over(Paper, white, tapeAlpha*0.92), 4.5},
		{"ink on a label over black", Ink, over(Paper, black, 0.94), 4.5},
		{"caption on the strip", Chalk, Board, 4.5},
		{"phase on the strip", Quiet, Board, 4.5},
		{"tape heading on the sheet", Paper, Board, 4.5},
		{"chalk and its casing", Chalk, Casing, 3},
		{"pencil and its casing", Lead, Chalk, 3},
		{"cord and its casing", Paper, Casing, 3},
		{"bob and its casing", Brass, Casing, 3},
		{"tape line on the strip", Paper, Board, 3},
		{"outside mark and its casing", outsideColor, Ink, 3},
		{"casing of the inside mark on paper", Ink, Paper, 3},
	} {
		if got := Contrast(c.a, c.b); got < c.need {
			t.Errorf("%s: %.2f, want %.1f", c.what, got, c.need)
		}
	}
}

// The chalk lies in the ground plane: its circle is the picture, through the
// renderer's own camera, of a circle on the ground.
func TestChalkLiesOnTheGround(t *testing.T) {
	for _, name := range []string{"open_faults", "front_left"} {
		tr := truth(t, name)
		rep, clip := tr.Report(8)
		f := film(t, rep, clip)
		i := tr.Phases["plant"].Frame
		d := f.look.Drawn(i)
		mark := f.look.Foot(d, pipeline.Plant, true)
		heel := tr.Frames[i].Points[tr.Front+"_heel"].Xyz
		heel[2] = 0
		k := f.look.foot / 100 // metres a foot length
		origin := d.Camera.Apply(tr.Project(i, heel))
		for a := -20.0; a <= 90; a += 10 {
			s, c := math.Sincos(a * math.Pi / 180)
			for _, r := range []float64{1, arcAt} {
				on := d.Camera.Apply(tr.Project(i, [3]float64{heel[0] + r*k*s, heel[1] + r*k*c*tr.TowardPlate(), 0}))
				got := mark.on(a, r)
				dx, dy := got.X-mark.Heel.X-(on.X-origin.X), got.Y-mark.Heel.Y-(on.Y-origin.Y)
				// Geometry is a weak perspective: lines that meet far away stay
				// parallel, which leaves up to a fifth of the radius. A circle laid
				// flat on the screen would be off by two thirds.
				if e := math.Hypot(dx, dy); e > 0.2*r*k*100*f.swing.Geometry.FeetPx {
					t.Errorf("%s: yaw %.0f°, %.2f feet from the heel: %.1f px off the ground", name, a, r, e)
				}
			}
		}
		// The axis goes through the toe of the rendered foot.
		toe := pipeline.Point{X: d.ToeFront.X - d.HeelFront.X, Y: d.ToeFront.Y - d.HeelFront.Y}
		axis := mark.on(*mark.Open, 1)
		ax, ay := axis.X-mark.Heel.X, axis.Y-mark.Heel.Y
		if off := math.Abs(toe.X*ay-toe.Y*ax) / math.Hypot(ax, ay); off > 0.15*math.Hypot(toe.X, toe.Y) {
			t.Errorf("%s: the toe is %.1f px off the chalk axis", name, off)
		}
	}
}

// The tape is nailed to the ground: when the camera moves, the strip moves
// with the world in the picture.
func TestTapeFollowsTheGround(t *testing.T) {
	rep, clip := truth(t, "open_clean").Report(8)
	for i := range rep.Swings[0].Path {
		rep.Swings[0].Path[i].Camera = pipeline.Identity()
	}
	edge := func(f *Film, frame int) (float64, float64) {
		s := Shot{Source: frame, T: f.clip.PTS[frame], Pass: 1, Part: RealSpeed, marks: markTape}
		img := paint(t, f, s)
		row := func(x int) float64 {
			for y := f.lay.pic.Max.Y - 1; y > 0; y-- { // from below to the strip's lower edge
				if c := img.RGBAAt(x, y); int(c.R)-int(c.B) > 40 {
					return float64(y + 1)
				}
			}
			return math.NaN()
		}
		return row(60), row(f.lay.w - 60)
	}
	f := film(t, rep, clip)
	l0, r0 := edge(f, 10)
	want := f.swing.Geometry.EyeLevel.Y * f.lay.scale
	if math.Abs(l0-want) > 1.5 || math.Abs(r0-want) > 1.5 {
		t.Fatalf("tape ends at %.0f and %.0f, want %.1f", l0, r0, want)
	}
	const turn = 0.03
	p := &rep.Swings[0].Path[10]
	p.Camera = pipeline.Camera{A: math.Cos(turn), B: math.Sin(turn), TX: 7, TY: -12, OK: true}
	f = film(t, rep, clip)
	l1, r1 := edge(f, 10)
	at := func(x float64) float64 { // the level line of the key frame, in the frame, at canvas column x
		a := p.Camera.Invert(pipeline.Point{X: 0, Y: f.swing.Geometry.EyeLevel.Y})
		b := p.Camera.Invert(pipeline.Point{X: 960, Y: f.swing.Geometry.EyeLevel.Y})
		return (a.Y + (x/f.lay.scale-a.X)/(b.X-a.X)*(b.Y-a.Y)) * f.lay.scale
	}
	if w := float64(f.lay.w - 60); math.Abs(l1-at(60)) > 2 || math.Abs(r1-at(w)) > 2 {
		t.Errorf("tape ends at %.0f and %.0f, want %.1f and %.1f", l1, r1, at(60), at(w))
	}
}

// Nothing covers the batter: inside the body only hairlines are painted, also
// where the batter fills the picture and no value has room beside.
func TestNothingCoversTheBatter(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	for _, name := range []string{"open_faults", "front_left", "close"} {
		file, near := name, name == "close"
		if near {
			file = "open_faults"
		}
		rep, clip := truth(t, file).Report(25)
		for i := range rep.Swings[0].Path {
			if d := &rep.Swings[0].Path[i]; near {
				d.Box[0], d.Box[2] = 25, 935
			}
		}
		f := film(t, rep, clip)
		for i, s := range f.Shots() {
			if s.Source < 0 || i%7 != 0 && s.Part != Hold {
				continue
			}
			if s.Part == Hold && s.in < 1 {
				continue
			}
			if s.Part == Hold && f.Shots()[i+1].caption == s.caption && f.Shots()[i+1].Part == Hold {
				continue // the last of each step is enough
			}
			d := f.look.Drawn(s.Source)
			bare := s
			bare.marks, bare.valued = 0, 0
			a, b := paint(t, f, s), paint(t, f, bare)
			c := NewCanvas(a, f.lay.pic, d.Camera, f.lay.scale, pipeline.Point{}, f.lay.em, NewFaces())
			// Head and trunk: eyes to hips, as wide as the shoulders are.
			lo := c.At(pipeline.Point{X: math.Min(d.Eyes.X, math.Min(d.HipFront.X, d.HipBack.X)) - f.look.height*0.06, Y: d.Eyes.Y - f.look.height*0.07})
			hi := c.At(pipeline.Point{X: math.Max(d.Eyes.X, math.Max(d.HipFront.X, d.HipBack.X)) + f.look.height*0.06, Y: math.Max(d.HipFront.Y, d.HipBack.Y)})
			if near {
				lo = c.At(pipeline.Point{X: d.Box[0] + 45, Y: d.Eyes.Y - f.look.height*0.07})
				hi = c.At(pipeline.Point{X: d.Box[2] - 45, Y: math.Max(d.HipFront.Y, d.HipBack.Y)})
			}
			n, changed := 0, 0
			for y := int(lo.Y); y < int(hi.Y); y++ {
				for x := int(lo.X); x < int(hi.X); x++ {
					n++
					if p, q := a.RGBAAt(x, y), b.RGBAAt(x, y); max(dist(p.R, uint32(q.R)<<8), dist(p.B, uint32(q.B)<<8)) > 12 {
						changed++
					}
				}
			}
			if part := float64(changed) / float64(n); part > map[bool]float64{false: 0.08, true: 0.03}[near] {
				t.Errorf("%s shot %d (%v %s %q): %.1f %% of head and trunk is painted over", name, i, s.Part, s.At, s.caption, 100*part)
			}
		}
	}
}

// A value that can't be told is drawn as a dashed fan between its bounds.
func TestUncertainLooksUncertain(t *testing.T) {
	f := sample(t, "open_faults", 8)
	d := *f.look.Drawn(70)
	if m := f.look.Foot(&d, pipeline.Contact, true); m.wide() {
		t.Error("±8° is drawn as uncertain")
	}
	d.Open = nil
	if m := f.look.Foot(&d, pipeline.Contact, true); m == nil || !m.wide() || !strings.Contains(m.String(), "open=? bounds=52..68") || !strings.Contains(m.String(), "dashed") {
		t.Errorf("open can't be told: %v", m)
	}
	d.OpenLo = nil
	if m := f.look.Foot(&d, pipeline.Contact, true); m != nil {
		t.Errorf("nothing known of the foot, yet %v", m)
	}
	f.swing.Measure("head_over_back", "", pipeline.Contact).Value = nil
	if p := f.look.Plumb(&d, pipeline.Contact, true); !p.Doubted || p.Label.Text != "" {
		t.Errorf("plumb %v", p)
	}
	if p := sample(t, "front_left", 8).look.Plumb(&d, pipeline.Contact, true); p != nil {
		t.Errorf("from the pitcher's side there is no plumb, got %v", p)
	}
}

func TestFilmErrors(t *testing.T) {
	rep, clip := truth(t, "open_clean").Report(8)
	f := film(t, rep, clip)
	s := last(t, f, Hold, pipeline.Contact)
	if _, err := f.Paint(nil, s); err == nil {
		t.Error("a shot without its frame was painted")
	}
	if _, err := f.Paint(&pipeline.Frame{Width: 960, Height: 540, Pix: make([]byte, 5)}, s); err == nil {
		t.Error("a frame with too few bytes was painted")
	}
	if _, err := NewFilm(rep, pipeline.Clip{Width: 9, Height: 9}, words.English(), FilmOptions{}); err == nil {
		t.Error("a clip without frames made a film")
	}
	rep.Swings = nil
	if _, err := NewFilm(rep, clip, words.English(), FilmOptions{}); err != ErrNoSwing {
		t.Errorf("no swing: %v", err)
	}
	// A frame on which nobody was seen has no marks but keeps its strip.
	rep, clip = truth(t, "open_clean").Report(8)
	for i := range rep.Swings[0].Path {
		rep.Swings[0].Path[i].Seen = false
	}
	f = film(t, rep, clip)
	if got := f.Scene(last(t, f, Hold, pipeline.Contact)).String(); strings.Contains(got, "tape y") || !strings.Contains(got, "phase \"Contact") {
		t.Errorf("nobody seen: %s", got)
	}
}

func TestEndCards(t *testing.T) {
	w := words.English()
	sw := &pipeline.Swing{}
	find := func(kinds ...string) Card {
		sw.Findings = nil
		for _, k := range kinds {
			sw.Findings = append(sw.Findings, pipeline.Finding{Rule: "eye_drop", Kind: k})
		}
		return Advice(&pipeline.Report{Warnings: []pipeline.Warning{{Code: "dark"}}}, sw, w)
	}
	planned := func(drill string, kinds ...string) Card {
		sw.Plan = &pipeline.Plan{Rule: "eye_drop", Steps: []pipeline.Step{{Drill: drill}, {Drill: "live"}}}
		defer func() { sw.Plan = nil }()
		return find(kinds...)
	}
	said := func(f ...pipeline.Finding) Card {
		return Advice(&pipeline.Report{}, &pipeline.Swing{Findings: f, Plan: &pipeline.Plan{Rule: "eye_drop", Steps: []pipeline.Step{{Drill: "tee_freeze"}}}}, w)
	}
	for _, c := range []struct {
		card Card
		want string
	}{
		{find(), `card "No findings in this swing."`},
		{find(pipeline.CantTell), `card "Nothing is sure enough to judge." "Next clip:" "use brighter light"`},
		{find(pipeline.Strength), `card "Good:" "eyes stay near the tape" "Nothing that was measured needs work."`},
		{find(pipeline.Strength, pipeline.Strength, pipeline.CantTell), `card "Good:" "eyes stay near the tape" "eyes stay near the tape" "The rest is too unsure to judge."`},
		{find(pipeline.Priority, pipeline.CantTell), `card "Work on:" "eyes sink below the tape"`},
		{planned("tee_freeze", pipeline.Priority, pipeline.CantTell), `card "Work on:" "eyes sink below the tape" "Drill:" "Tee, freeze at contact"`},
		{planned("tee_freeze", pipeline.Strength, pipeline.Priority), `card "Good:" "eyes stay near the tape" "Work on:" "eyes sink below the tape" "Drill:" "Tee, freeze at contact"`},
		{planned("tee_freeze", pipeline.Strength, pipeline.CantTell), `card "Good:" "eyes stay near the tape" "Keep it:" "Tee, freeze at contact" "` + w.Cards["unsure"] + `"`},
		{planned("tee_freeze", pipeline.Strength), `card "Good:" "eyes stay near the tape" "Keep it:" "Tee, freeze at contact" "` + w.Cards["in_band"] + `"`},
		// The drill keeps what the card names, whatever else is praised.
		{said(pipeline.Finding{Rule: "coach", Kind: pipeline.Strength, Text: "Calm feet."}, pipeline.Finding{Rule: "eye_drop", Kind: pipeline.Strength}),
			`card "Good:" "eyes stay near the tape" "Keep it:" "Tee, freeze at contact" "` + w.Cards["in_band"] + `"`},
	} {
		if c.card.String() != c.want {
			t.Errorf("got %s, want %s", c.card, c.want)
		}
	}
}

// Workers may paint at the same time (run with -race).
func TestPaintTogether(t *testing.T) {
	f := sample(t, "open_clean", 8)
	s := last(t, f, Hold, pipeline.Contact)
	done := make(chan *image.RGBA, 4)
	for range 4 {
		go func() {
			img, _ := f.Paint(rendered.Plain(s.Source, 960, 540), s)
			done <- img
		}()
	}
	first := <-done
	for range 3 {
		if !bytes.Equal(first.Pix, (<-done).Pix) {
			t.Error("two workers painted different pictures")
		}
	}
}

// The fast scaler against x/image/draw, enlarging and shrinking.
func TestScale(t *testing.T) {
	for _, c := range [][4]int{{96, 54, 165, 93}, {192, 108, 165, 93}, {384, 216, 165, 93}, {50, 70, 50, 70}, {1, 1, 4, 4}} {
		f := rendered.Plain(0, c[0], c[1])
		src := image.NewRGBA(image.Rect(0, 0, c[0], c[1]))
		for i := 0; i < c[0]*c[1]; i++ {
			x, y := float64(i%c[0])/float64(c[0]), float64(i/c[0])/float64(c[1])
			r, g, b := byte(127+100*math.Sin(9*x+4*y)), byte(255*x), byte(255*y*x)
			f.Pix[i*3], f.Pix[i*3+1], f.Pix[i*3+2] = b, g, r
			src.SetRGBA(i%c[0], i/c[0], color.RGBA{r, g, b, 255})
		}
		got, want := image.NewRGBA(image.Rect(0, 0, c[2], c[3])), image.NewRGBA(image.Rect(0, 0, c[2], c[3]))
		scale(got, f)
		xdraw.ApproxBiLinear.Scale(want, want.Bounds(), src, src.Bounds(), xdraw.Src, nil)
		for i := range got.Pix {
			if d := int(got.Pix[i]) - int(want.Pix[i]); d > 3 || d < -3 {
				t.Fatalf("%v: byte %d is %d, x/image/draw has %d", c, i, got.Pix[i], want.Pix[i])
			}
		}
	}
}

func BenchmarkPaint1080p(b *testing.B) {
	f := large(b)
	s := last(b, f, Hold, pipeline.Contact)
	fr := rendered.Plain(s.Source, 1920, 1080)
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		// Every frame a new one: the worst case, 240 fps at a quarter speed.
		s.Source = 60 + i%2
		if _, err := f.Paint(fr, s); err != nil {
			b.Fatal(err)
		}
	}
}

// large is a film of 1080 rows.
func large(b *testing.B) *Film {
	rep, clip := truth(b, "open_faults").Report(8)
	// The same swing as if filmed at twice the size.
	sw := &rep.Swings[0]
	clip.Width, clip.Height, rep.Clip.Width, rep.Clip.Height = 1920, 1080, 1920, 1080
	up := func(p *pipeline.Point) { p.X, p.Y = 2*p.X, 2*p.Y }
	g := &sw.Geometry
	for _, p := range []*pipeline.Point{&g.GroundX, &g.GroundZ, &g.EyeLevel} {
		up(p)
	}
	g.GroundY, g.EyesPx, g.FeetPx = 2*g.GroundY, 2*g.EyesPx, 2*g.FeetPx
	for i := range sw.Path {
		d := &sw.Path[i]
		d.Camera.TX, d.Camera.TY = 2*d.Camera.TX, 2*d.Camera.TY
		for _, p := range []*pipeline.Point{&d.Eyes, &d.Head, &d.Hands, &d.HeelFront, &d.ToeFront, &d.HeelBack, &d.ToeBack, &d.KneeFront, &d.KneeBack, &d.HipFront, &d.HipBack} {
			up(p)
		}
		for j := range d.Box {
			d.Box[j] *= 2
		}
	}
	return film(b, rep, clip)
}

// A value above the head never slides down onto it, however little room there
// is above; with room it is there.
func TestValueStaysAboveTheHead(t *testing.T) {
	for y, want := range map[float64]bool{300: true, 150: true, 60: true, 35: false, 5: false} {
		img := image.NewRGBA(image.Rect(0, 0, 400, 400))
		c := NewCanvas(img, img.Bounds(), pipeline.Identity(), 1, pipeline.Point{}, 30, NewFaces())
		Label{Text: "3–11 cm", Note: "fine", Standing: Inside, Room: 300}.paint(c, pipeline.Point{X: 200, Y: y}, 1)
		drawn, lowest := false, 0
		for i := 3; i < len(img.Pix); i += 4 {
			if img.Pix[i] != 0 {
				drawn, lowest = true, i/img.Stride
			}
		}
		if drawn != want {
			t.Errorf("anchor at %v: drawn %v, want %v", y, drawn, want)
		}
		if float64(lowest) > y+c.Em*0.5 {
			t.Errorf("anchor at %v: drawn down to %d", y, lowest)
		}
	}
}
