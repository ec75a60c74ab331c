package overlay

import (
	"errors"
	"fmt"
	"image"
	"image/draw"
	"math"
	"sort"
	"strings"
	"sync"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// FilmOptions is what only the user knows. Date is ISO, 2026-05-03; empty
// fields are left out of the card.
type FilmOptions struct {
	FirstName string
	Date      string
	Voice     float64 // length of the coach's voice note, seconds; the end card waits for it
}

// Part says which passage of the film a shot belongs to.
type Part int

// The passages, in order. Holds lie inside the slow passage.
const (
	TitleCard Part = iota
	RealSpeed
	Slow
	Hold
	EndCard
)

var partNames = [...]string{"title", "real", "slow", "hold", "end"}

func (p Part) String() string { return partNames[p] }

// Shot is one output frame. Source is the decoded frame under it, −1 on a
// card; within a Pass (1 or 2; 0 on a card) it never goes back. T is the
// presentation time shown, seconds.
type Shot struct {
	Source int
	T      float64
	Pass   int
	Part   Part
	At     pipeline.EventKind // the event held, on a Hold

	caption string
	marks   marks   // what lies on the picture
	valued  marks   // which of them carry their value
	fresh   marks   // which are just appearing
	in      float64 // how far they have, 0…1
}

type marks uint8

const (
	markTape marks = 1 << iota
	markEyes
	markPlumb
	markFoot
	markLower
	markRing
)

// Sound is a stretch of the clip's own sound: From to To, presentation
// seconds, begins at At seconds of the film.
type Sound struct{ At, From, To float64 }

// Film is the lesson of one swing: what is shown when, and how it is painted.
// After NewFilm it is only read; Paint may be called from several goroutines.
type Film struct {
	rep   *pipeline.Report
	clip  pipeline.Clip
	swing *pipeline.Swing
	look  *Look
	text  words.Lang
	opts  FilmOptions
	lay   layout
	shots []Shot
	sound []Sound
	pool  sync.Pool // of *worker

	traceFrom, traceTo float64
	plate              *image.RGBA
	traceY             func(float64) float64
}

type worker struct {
	faces *Faces
	base  *image.RGBA // decoded frame index, scaled
	index int
	layer *image.RGBA // what lies on a picture; transparent between two frames
}

const (
	rate       = 30
	slowdown   = 4.0
	perWord    = 0.35 // seconds a word (design's reading speed)
	holdLeast  = 2.0
	longest    = 44.5 // seconds of film
	realLong   = 6.0  // seconds of the real-time passage, capture time
	appearTime = 0.3
	afterVoice = 0.5 // seconds of the end card after the last word
)

// ErrNoSwing is returned when the report has no swing to show.
var ErrNoSwing = errors.New("overlay: the report has no chosen swing")

// NewFilm plans the film of the chosen swing. The clip's PTS decide which
// decoded frame is shown when.
func NewFilm(rep *pipeline.Report, clip pipeline.Clip, text words.Lang, opts FilmOptions) (*Film, error) {
	sw := rep.Chosen()
	if sw == nil {
		return nil, ErrNoSwing
	}
	if len(clip.PTS) == 0 || clip.Width <= 0 || clip.Height <= 0 {
		return nil, fmt.Errorf("overlay: clip %q has no frames", clip.Name)
	}
	f := &Film{rep: rep, clip: clip, swing: sw, look: NewLook(rep, sw, text), text: text, opts: opts}
	f.pool.New = func() any { return &worker{faces: NewFaces()} }
	f.plan()
	faces := NewFaces()
	var captions, phases []string
	seen := map[string]bool{}
	for _, s := range f.shots {
		if s.Source >= 0 && !seen[s.caption] {
			seen[s.caption], captions = true, append(captions, s.caption)
		}
	}
	for _, k := range pipeline.EventKinds {
		phases = append(phases, f.phaseText(text.Events[k], -0.88*f.look.factor))
	}
	f.lay = newLayout(clip.Width, clip.Height, captions, phases, faces)
	l := f.lay
	f.look.Print(func(s string) float64 { return faces.Width(s, l.em, false) / l.scale },
		Span{float64(clip.Width) * 0.06, float64(clip.Width) * 0.94})
	r := l.trace
	f.plate, f.traceY = tracePlate(f.look, f.traceFrom, f.traceTo, r.Dx(), r.Dy(), math.Max(2, f.lay.em*0.07))
	return f, nil
}

// Size of the canvas in pixels, both even.
func (f *Film) Size() (w, h int) { return f.lay.w, f.lay.h }

// leastText is how high letters must be to be read after strong compression,
// pixels of the video (judged on a phone).
const leastText = 22

// LeastHeight is how high the canvas must stay, scaled down as a whole, for its
// words to be read.
func (f *Film) LeastHeight() int {
	return int(math.Ceil(leastText * float64(f.lay.h) / f.lay.em))
}

// FPS is the rate of the output frames.
func (f *Film) FPS() int { return rate }

// Shots lists the output frames in order.
func (f *Film) Shots() []Shot { return f.shots }

// Sound lists the stretches of the clip's sound; empty for a clip that does
// not play in real time.
func (f *Film) Sound() []Sound { return f.sound }

// nearest decoded frame to presentation time t.
func (f *Film) nearest(t float64) int {
	p := f.clip.PTS
	i := sort.SearchFloat64s(p, t)
	if i == len(p) || i > 0 && t-p[i-1] <= p[i]-t {
		i--
	}
	return i
}

type step struct {
	caption string
	mark    marks
	long    float64 // seconds
}

type hold struct {
	at    pipeline.EventKind
	t     float64
	frame int
	steps []step
}

func (h hold) long() (s float64) {
	for _, p := range h.steps {
		s += p.long
	}
	return s
}

// holds says where the film stops and what appears there, one thing after
// another.
func (f *Film) holds() []hold {
	var out []hold
	for _, k := range []pipeline.EventKind{pipeline.Stance, pipeline.Plant, pipeline.Contact, pipeline.Finish} {
		e := f.swing.Event(k)
		if e == nil || e.T == nil {
			continue
		}
		h := hold{at: k, t: *e.T, frame: f.nearest(*e.T)}
		add := func(caption string, m marks) { h.steps = append(h.steps, step{caption: caption, mark: m}) }
		if k == pipeline.Stance {
			add(f.tapeCaption(), markTape)
		} else if m := f.swing.Measure("eye_drop", pipeline.Stance, k); m != nil && k != pipeline.Finish {
			add(f.text.Eyes(m), markEyes)
		}
		if m := f.swing.Lower(); m != nil && k == pipeline.Stance {
			add(f.text.Lower(m), markLower)
		}
		// What can't be seen from here is passed over; the sheet's table says so.
		if m := f.swing.Measure("front_foot_open", "", k); m != nil && (m.Value != nil || m.Lo != nil && m.Hi != nil) {
			add(f.text.Foot(m), markFoot)
		}
		if m := f.swing.Measure("head_over_back", "", k); m != nil && m.Value != nil && k == pipeline.Contact {
			_, standing := f.look.at("head_over_back_ratio", "", k)
			add(f.text.Head(m, standing == CantTell), markPlumb)
		}
		if k == pipeline.Finish {
			if m := f.swing.Measure("finish_hold", "", k); m != nil && m.Value != nil {
				add(f.text.Hold(m), markEyes)
			} else if m := f.swing.Measure("eye_drop", pipeline.Stance, k); m != nil && m.Value != nil {
				add(f.text.Eyes(m), markEyes)
			}
		}
		if len(h.steps) == 0 {
			add(f.text.Events[k], 0)
		}
		out = append(out, h)
	}
	f.say(out)
	for _, h := range out {
		for i := range h.steps {
			h.steps[i].long = math.Max(1.2, appearTime+perWord*float64(words.Count(h.steps[i].caption)))
		}
		if d := holdLeast - h.long(); d > 0 {
			h.steps[len(h.steps)-1].long += d
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].t < out[j].t })
	return out
}

// mostGood is how many good things are said in the film: time is short.
const mostGood = 3

// say adds the findings as captions, each to the hold that its evidence belongs
// to, or, having none there, to the last.
func (f *Film) say(holds []hold) {
	if len(holds) == 0 {
		return
	}
	good := 0
	for _, x := range f.swing.Findings {
		text := f.text.Said(x)
		if x.Kind == pipeline.Strength {
			good++
		}
		if text == "" || x.Kind == pipeline.Strength && good > mostGood {
			continue
		}
		h := &holds[len(holds)-1]
		for i := range holds {
			// key@moment, or key@from-moment
			if len(x.Evidence) > 0 && strings.HasSuffix(x.Evidence[0], string(holds[i].at)) {
				h = &holds[i]
			}
		}
		h.steps = append(h.steps, step{caption: text})
	}
}

// Language is the code of the language the film is in, "en".
func (f *Film) Language() string { return f.text.Code }

// Caption is a text of the film and when it stands there, seconds of the film.
// A card's lines are lines of its text.
type Caption struct {
	From, To float64
	Text     string
}

// Captions are all texts that are read in the strip and on the cards, in order,
// to the frame; one ends where the next begins.
func (f *Film) Captions() []Caption {
	var out []Caption
	for i, s := range f.shots {
		text := s.caption
		switch s.Part {
		case TitleCard:
			text = f.titleCard().text()
		case EndCard:
			text = f.endCard().text()
		}
		from, to := float64(i)/rate, float64(i+1)/rate
		if n := len(out); n > 0 && out[n-1].Text == text {
			out[n-1].To = to
		} else {
			out = append(out, Caption{from, to, text})
		}
	}
	return out
}

// SlowFrom is when the slow passage begins, seconds of the film; a voice note
// begins there.
func (f *Film) SlowFrom() float64 {
	for i, s := range f.shots {
		if s.Pass == 2 {
			return float64(i) / rate
		}
	}
	return float64(len(f.shots)) / rate
}

func (f *Film) tapeCaption() string {
	m := eyeHeight(f.swing)
	if m == nil {
		return f.text.Captions["tape"]
	}
	if m.Unit == "pct_height" {
		return fmt.Sprintf(f.text.Captions["tape_at_pct"], f.text.Short(*m.Value, m.Unit, 0))
	}
	return fmt.Sprintf(f.text.Captions["tape_at"], f.text.Value(m))
}

// plan fills shots and sound.
func (f *Film) plan() {
	tf := f.look.factor
	last := f.clip.PTS[len(f.clip.PTS)-1]
	when := func(kinds ...pipeline.EventKind) (float64, bool) {
		for _, k := range kinds {
			if e := f.swing.Event(k); e != nil && e.T != nil {
				return *e.T, true
			}
		}
		return 0, false
	}
	first, end := f.clip.PTS[0], last
	if p := f.swing.Path; len(p) > 0 {
		first, end = p[0].T, p[len(p)-1].T
	}
	from, to := first, end
	if t, ok := when(pipeline.Load, pipeline.Stride, pipeline.Plant, pipeline.Launch, pipeline.Contact); ok {
		from = math.Max(f.clip.PTS[0], t-0.2*tf)
	}
	if t, ok := when(pipeline.Finish); ok {
		to = t
	} else if t, ok := when(pipeline.Extension, pipeline.Contact); ok {
		to = math.Min(last, t+0.4*tf)
	}
	stance, standing := when(pipeline.Stance)
	if standing && stance < from && from-stance <= 0.5*tf {
		from = stance
	}
	to = math.Max(to, from)
	f.traceFrom, f.traceTo = from, math.Max(to, from+0.05*tf)

	holds := f.holds()
	endLong := math.Max(holdLeast, perWord*float64(words.Count(f.endWords()))) + 0.5
	realFrom := math.Max(f.clip.PTS[0], from-0.5*tf)
	if standing && stance < realFrom {
		realFrom = math.Max(f.clip.PTS[0], stance-0.1*tf)
	}
	realTo := math.Min(last, to+0.7*tf)
	realFrom = math.Max(realFrom, realTo-realLong*tf)

	budget := longest - 1 - endLong - (realTo-realFrom)/tf
	for _, h := range holds {
		budget -= h.long()
	}
	from, pace := f.pace(from, to, budget)

	for i := 0; i < rate; i++ {
		f.shots = append(f.shots, Shot{Source: -1, Part: TitleCard})
	}
	if tf == 1 && f.clip.HasAudio {
		f.sound = append(f.sound, Sound{At: 1, From: realFrom, To: realTo})
	}
	for i := 0; ; i++ {
		t := realFrom + float64(i)*tf/rate
		if t > realTo {
			break
		}
		f.shots = append(f.shots, Shot{Source: f.nearest(t), T: t, Pass: 1, Part: RealSpeed, caption: f.text.Captions["real"], marks: markTape})
	}
	t := from
	move := func(until float64) {
		for ; t < until-1e-9; t += pace(t) * tf / rate {
			speed := "slower"
			switch v := pace(t); {
			case v <= 1/slowdown:
				speed = "slow"
			case v >= 1:
				speed = "real"
			}
			f.shots = append(f.shots, Shot{Source: f.nearest(t), T: t, Pass: 2, Part: Slow, caption: f.text.Captions[speed],
				marks: markTape | markEyes | markPlumb | markFoot | markRing, valued: markEyes})
		}
		t = until
	}
	for _, h := range holds {
		if h.t > to+1e-9 {
			break
		}
		if h.t >= from {
			move(h.t)
		}
		f.hold(h)
		if h.t >= from {
			t += pace(t) * tf / rate
		}
	}
	move(to)
	if f.opts.Voice > 0 {
		endLong = math.Max(endLong, f.SlowFrom()+f.opts.Voice+afterVoice-float64(len(f.shots))/rate)
	}
	for i := 0; i < int(math.Round(endLong*rate)); i++ {
		f.shots = append(f.shots, Shot{Source: -1, Part: EndCard})
	}
	// Rounding at the joints must not send the decoder back.
	top := 0
	for i := range f.shots {
		if s := &f.shots[i]; s.Pass == 2 {
			s.Source = max(s.Source, top)
			top = s.Source
		}
	}
}

func (f *Film) hold(h hold) {
	shown := markTape | markRing
	for _, st := range h.steps {
		shown |= st.mark
		for i := 0; i < int(math.Round(st.long*rate)); i++ {
			f.shots = append(f.shots, Shot{Source: h.frame, T: h.t, Pass: 2, Part: Hold, At: h.at, caption: st.caption,
				marks: shown, valued: shown, fresh: st.mark, in: math.Min(1, float64(i+1)/(appearTime*rate))})
		}
	}
}

// pace gives the speed at presentation time t. It is a quarter, unless the
// moving part would not fit the budget (seconds of film): then what lies more
// than 0.1 s before the plant and 0.3 s after contact goes by faster, up to
// real speed, and in the end the start is cut.
func (f *Film) pace(from, to, budget float64) (float64, func(float64) float64) {
	tf := f.look.factor
	quarter := func(float64) float64 { return 1 / slowdown }
	if (to-from)/tf*slowdown <= budget {
		return from, quarter
	}
	a, b := from, to
	if e := f.swing.Event(pipeline.Plant); e != nil && e.T != nil {
		a = clamp(*e.T-0.1*tf, from, to)
	} else if f.look.contact != nil {
		a = clamp(*f.look.contact-0.4*tf, from, to)
	}
	if f.look.contact != nil {
		b = clamp(*f.look.contact+0.3*tf, a, to)
	}
	core := (b - a) / tf * slowdown
	rest := (a - from + to - b) / tf
	spare := budget - core
	if spare > 0 && rest/spare <= 1 {
		v := rest / spare
		return from, func(t float64) float64 {
			if t >= a && t < b {
				return 1 / slowdown
			}
			return math.Max(v, 1/slowdown)
		}
	}
	// Everything outside the core at real speed and still too long.
	if keep := spare - (to-b)/tf; keep > 0 {
		from = math.Max(from, a-keep*tf)
		return from, func(t float64) float64 {
			if t >= a && t < b {
				return 1 / slowdown
			}
			return 1
		}
	}
	from = math.Max(from, a-0.2*tf)
	v := math.Max(1/slowdown, (to-from)/tf/math.Max(budget, 1))
	return from, func(float64) float64 { return v }
}

func (f *Film) phaseText(name string, t float64) string {
	if f.look.contact != nil {
		t += *f.look.contact
	}
	if c := f.look.Clock(t); c != "" {
		return name + "  " + c
	}
	return name
}

// Words that the end card has for what is good or to work on, and for the drill
// with its head: 20 with the other heads.
const (
	cardWords = 5
	cardDrill = 7
)

// Advice is what the end card says: what is good, the one priority and its
// drill, or what keeps the best of it, or what to film better; or plainly that
// there is nothing to say.
func Advice(rep *pipeline.Report, sw *pipeline.Swing, text words.Lang) Card {
	find := func(kind string) (out []pipeline.Finding) {
		for _, f := range sw.Findings {
			if f.Kind == kind {
				out = append(out, f)
			}
		}
		return out
	}
	c := text.Cards
	var lines []CardLine
	add := func(head, body string) {
		if body != "" {
			lines = append(lines, CardLine{c[head], true}, CardLine{body, false})
		}
	}
	good, first, kept, drill := find(pipeline.Strength), find(pipeline.Priority), sw.Keep(), text.Drill(sw)
	switch {
	case kept != nil:
		add("good", text.Good(*kept, cardWords))
	case len(good) > 0:
		add("good", text.Good(good[0], cardWords))
	}
	if len(first) > 0 {
		// The coach's own priority has the room of the drill that it lacks.
		room := cardWords
		if drill == "" {
			room += cardDrill
		}
		add("first", text.Fix(first[0], room))
		add("drill", drill)
	} else if drill != "" {
		add("keep", drill)
	} else if len(good) > 1 { // room for a second good word
		if s := text.Good(good[1], cardWords); s != "" {
			lines = append(lines, CardLine{s, false})
		}
	}
	switch unsure := len(find(pipeline.CantTell)) > 0; {
	case len(sw.Findings) == 0:
		lines = append(lines, CardLine{c["no_findings"], false})
	case len(lines) == 0 && unsure:
		if m := sw.Measure("eye_drop", pipeline.Stance, pipeline.Contact); m != nil && m.Value != nil {
			add("seen", text.Eyes(m))
		}
		lines = append(lines, CardLine{c["unsure_all"], false})
		better, _ := text.NextClip(rep, sw)
		add("next", better)
	case len(first) == 0 && unsure:
		lines = append(lines, CardLine{c["unsure"], false})
	case len(first) == 0 && len(find(pipeline.Secondary)) == 0:
		lines = append(lines, CardLine{c["in_band"], false})
	}
	return Card{lines}
}

func (f *Film) endCard() Card { return Advice(f.rep, f.swing, f.text) }

func (f *Film) endWords() string { return f.endCard().text() }

func (f *Film) titleCard() Card {
	c := f.text.Cards
	name := f.opts.FirstName
	if name == "" {
		name = c["nobody"]
	}
	lines := []CardLine{{name, true}}
	if f.opts.Date != "" {
		lines = append(lines, CardLine{f.text.Date(f.opts.Date), false})
	}
	return Card{append(lines, CardLine{f.text.Views[f.rep.Batter.View], false})}
}

// Scene says what lies on the output frame of a shot.
func (f *Film) Scene(s Shot) Scene {
	switch s.Part {
	case TitleCard:
		return Scene{Marks: []Mark{f.titleCard()}}
	case EndCard:
		return Scene{Marks: []Mark{f.endCard()}}
	}
	out := Scene{At: s.T}
	d := f.look.Drawn(s.Source)
	if d != nil {
		out.Marks = f.pictureMarks(s, d)
	}
	l := f.lay
	phase := s.At
	if phase == "" {
		phase = f.look.Phase(s.T)
	}
	ph := Words{Text: f.phaseText(f.text.Events[phase], s.T-f.contactOr(0)), X: l.left, Y: l.first, Quiet: true}
	if phase == "" {
		ph.Text = f.look.Clock(s.T)
	}
	w := f.pool.Get().(*worker)
	defer f.pool.Put(w)
	ph.Lines, ph.Size = w.faces.fit(ph.Text, l.em, false, float64(l.w)-2*l.left, 1)
	cp := Words{Text: s.caption, X: l.column, Y: l.first}
	cp.Lines, cp.Size = w.faces.fit(glue(s.caption), l.em, true, l.caption, max(1, l.rows-1))
	if l.rows > 1 {
		ph.Y += float64(l.rows-1) * l.em * leading
		if len(cp.Lines) < l.rows-1 {
			cp.Y += float64(l.rows-1-len(cp.Lines)) * l.em * leading / 2
		}
	}
	tr := Trace{At: -1, plate: f.plate, origin: l.trace.Min, y: f.traceY}
	if s.T >= f.traceFrom && s.T <= f.traceTo {
		tr.At = (s.T - f.traceFrom) / (f.traceTo - f.traceFrom)
		if d != nil {
			tr.Drop, tr.Known = d.Drop, true
		}
	}
	out.Marks = append(out.Marks, cp, ph, tr)
	return out
}

func (f *Film) contactOr(t float64) float64 {
	if f.look.contact != nil {
		return *f.look.contact
	}
	return t
}

func (f *Film) pictureMarks(s Shot, d *pipeline.Drawn) []Mark {
	var out []Mark
	alpha := func(m marks) float64 {
		if s.fresh&m != 0 {
			return s.in
		}
		return 1
	}
	if s.marks&markTape != 0 {
		t := f.look.Tape(d)
		t.Alpha = alpha(markTape)
		out = append(out, t)
	}
	if s.marks&markPlumb != 0 {
		if p := f.look.Plumb(d, s.At, s.valued&markPlumb != 0); p != nil {
			p.Alpha = alpha(markPlumb)
			out = append(out, *p)
		}
	}
	if s.marks&markLower != 0 {
		if l := f.look.Lower(d); l != nil {
			l.Alpha = alpha(markLower)
			out = append(out, *l)
		}
	}
	if s.marks&markRing != 0 {
		if r := f.look.Ring(d); r != nil {
			out = append(out, *r)
		}
	}
	// The chalk belongs to a foot that stands: from the plant on.
	if e := f.swing.Event(pipeline.Plant); s.marks&markFoot != 0 && e != nil && e.T != nil && s.T >= *e.T-1e-6 {
		if c := f.look.Foot(d, s.At, s.valued&markFoot != 0); c != nil {
			c.Alpha = alpha(markFoot)
			out = append(out, *c)
		}
	}
	if s.marks&markEyes != 0 {
		e := f.look.EyeLine(d, s.At, s.valued&markEyes != 0)
		e.Alpha = alpha(markEyes)
		out = append(out, e)
	}
	return out
}

// Paint makes the output frame of a shot. frame is the decoded picture
// shot.Source, nil for cards; it is not kept.
func (f *Film) Paint(frame *pipeline.Frame, shot Shot) (*image.RGBA, error) {
	w := f.pool.Get().(*worker)
	defer f.pool.Put(w)
	img := image.NewRGBA(image.Rect(0, 0, f.lay.w, f.lay.h))
	cam := pipeline.Identity()
	if shot.Source >= 0 {
		if frame == nil {
			return nil, fmt.Errorf("overlay: shot at %.3f s needs frame %d", shot.T, shot.Source)
		}
		if len(frame.Pix) < frame.Width*frame.Height*3 || frame.Width <= 0 || frame.Height <= 0 {
			return nil, fmt.Errorf("overlay: frame %d has %d bytes for %d×%d", frame.Index, len(frame.Pix), frame.Width, frame.Height)
		}
		// A slow or held passage shows the same decoded frame many times.
		if w.base == nil || w.index != shot.Source {
			if w.base == nil {
				w.base = image.NewRGBA(f.lay.pic)
			}
			scale(w.base, frame)
			w.index = shot.Source
		}
		copy(img.Pix, w.base.Pix)
		strip := image.Rect(0, f.lay.pic.Max.Y, f.lay.w, f.lay.h)
		draw.Draw(img, strip, image.NewUniform(Board), image.Point{}, draw.Src)
		if d := f.look.Drawn(shot.Source); d != nil {
			cam = d.Camera
		}
	}
	c := NewCanvas(img, f.lay.pic, cam, f.lay.scale, pipeline.Point{}, f.lay.em, w.faces)
	f.Scene(shot).Paint(c)
	return img, nil
}
