package main

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"sort"

	"tapeline/overlay"
	"tapeline/overlay/page"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/words"
)

// showing is what a lesson is shown with besides its report.
type showing struct {
	text  words.Lang
	card  overlay.FilmOptions
	voice []float32 // the coach's note, as clip.Voice gives it

	hardware bool // the film's pictures may come from the machine's video hardware

	changes []pipeline.Change // since the player's lesson before
}

// show paints the lesson's video and its sheet into dir and writes its page.
func (by showing) show(ctx context.Context, c pipeline.Clip, rep *pipeline.Report, dir string, tell pipeline.Progress) error {
	debug.FreeOSMemory() // of seeing nothing is wanted any more; processes follow that need it
	text, card := by.text, by.card
	card.Voice = clip.VoiceSeconds(by.voice)
	film, err := overlay.NewFilm(rep, c, text, card)
	if err != nil {
		return err
	}
	events := shownEvents(rep)
	want := clip.Wanted{Hardware: by.hardware, MaxSide: stillSide, Part: sheet.Part(rep, unseen(rep, events))}
	for _, e := range events {
		want.Stills = append(want.Stills, *e.Frame)
	}
	want.Stills = slices.Compact(want.Stills)
	return paint(ctx, c, film, want, by.voice, filepath.Join(dir, pipeline.LessonFile), tell, func(pictures []clip.Still) error {
		if err := writeFile(filepath.Join(dir, pipeline.CaptionsFile), clip.WebVTT(captions(film))); err != nil {
			return err
		}
		stills := unseen(rep, events)
		for i := range stills {
			// Behind the end of a clip whose last pictures are missing, the last one.
			at := min(sort.Search(len(pictures), func(k int) bool { return pictures[k].Frame >= *events[i].Frame }), len(pictures)-1)
			if at < 0 {
				return errNoPicture
			}
			p := pictures[at]
			stills[i] = still(rep, events[i], p.Frame)
			stills[i].Frame, stills[i].Origin, stills[i].Scale = p.Image, p.Origin, p.Scale
		}
		span := pipeline.Tracing(ctx).Begin("show", "sheet")
		img, err := sheet.Make(rep, stills, text, sheet.Head{FirstName: card.FirstName, Date: card.Date})
		if err == nil {
			err = writePNG(filepath.Join(dir, pipeline.SheetFile), img)
		}
		span.End()
		if err != nil {
			return err
		}
		defer pipeline.Tracing(ctx).Begin("show", "page").End()
		return by.write(rep, stills, dir)
	})
}

// write lays out what is read: the page and the paper.
func (by showing) write(rep *pipeline.Report, stills []sheet.Still, dir string) error {
	lesson, err := page.New(rep, stills, by.text, page.Options{FirstName: by.card.FirstName, Date: by.card.Date, Changes: by.changes})
	if err != nil {
		return err
	}
	for _, f := range []struct {
		name string
		make func() ([]byte, error)
	}{{pipeline.PageFile, lesson.HTML}, {pipeline.PaperFile, lesson.PDF}} {
		b, err := f.make()
		if err != nil {
			return err
		}
		if err := writeFile(filepath.Join(dir, f.name), b); err != nil {
			return err
		}
	}
	return nil
}

// stillSide is the longest side a still is decoded at, pixels: the hands are
// enlarged from it, and up to eight are held in memory.
const stillSide = 3840

// stillsOf decodes the pictures at the events of the shown swing.
func stillsOf(ctx context.Context, c pipeline.Clip, rep *pipeline.Report) ([]sheet.Still, error) {
	return stillsFrom(&reel{ctx: ctx, clip: c, maxSide: stillSide}, rep)
}

func stillsFrom(reel *reel, rep *pipeline.Report) (stills []sheet.Still, err error) {
	events := shownEvents(rep)
	if len(events) == 0 {
		return nil, nil
	}
	defer func() { err = errors.Join(err, reel.close()) }()
	for _, e := range events {
		reel.only = append(reel.only, *e.Frame)
	}
	reel.only = slices.Compact(reel.only)
	if err := reel.start(reel.only[0], reel.only[len(reel.only)-1]); err != nil {
		return nil, err
	}
	for _, e := range events {
		f, err := reel.at(*e.Frame)
		if err != nil {
			return nil, err
		}
		s := still(rep, e, f.Index)
		s.Frame, s.Scale = rgba(f), f.Scale
		stills = append(stills, s)
	}
	return stills, nil
}

// shownEvents are the events of the shown swing that have a picture, in the
// order of their frames.
func shownEvents(rep *pipeline.Report) (out []pipeline.Event) {
	for _, e := range rep.Chosen().Events {
		if e.T != nil && e.Frame != nil {
			out = append(out, e)
		}
	}
	slices.SortStableFunc(out, func(a, b pipeline.Event) int { return *a.Frame - *b.Frame })
	return out
}

// still is that of an event without its picture, which is that of a frame.
func still(rep *pipeline.Report, e pipeline.Event, frame int) sheet.Still {
	s := sheet.Still{Event: e.Kind, Drawn: pipeline.Drawn{Frame: *e.Frame, T: *e.T, Camera: pipeline.Identity()}}
	for _, d := range rep.Chosen().Path {
		if d.Frame == frame {
			s.Drawn = d
		}
	}
	return s
}

// unseen are the stills of events without their pictures.
func unseen(rep *pipeline.Report, events []pipeline.Event) (out []sheet.Still) {
	for _, e := range events {
		out = append(out, still(rep, e, *e.Frame))
	}
	return out
}

func rgba(f *pipeline.Frame) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, f.Width, f.Height))
	for i := range f.Width * f.Height {
		p, q := img.Pix[4*i:4*i+4], f.Pix[3*i:3*i+3]
		p[0], p[1], p[2], p[3] = q[2], q[1], q[0], 0xff
	}
	return img
}

func writePNG(path string, img image.Image) error {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return err
	}
	return writeFile(path, b.Bytes())
}

func writeFile(path string, b []byte) error {
	if err := os.WriteFile(path, b, 0o666); err != nil {
		return &pipeline.Error{Fault: pipeline.FaultOutput, What: "can't write " + filepath.Base(path), Hint: "is the disk full?", Err: err}
	}
	return nil
}

// filmSpec is what the film of a clip is encoded to.
func filmSpec(c pipeline.Clip, film *overlay.Film, voice []float32) clip.Spec {
	w, h := film.Size()
	spec := clip.Spec{Width: w, Height: h, FPS: film.FPS(), SoundFrom: &c, Voice: voice, VoiceAt: film.SlowFrom(), Captions: captions(film), Language: film.Language()}
	for _, s := range film.Sound() {
		spec.Sound = append(spec.Sound, clip.SoundSpan(s))
	}
	return spec
}

func paintSpec(ctx context.Context, film *overlay.Film, spec clip.Spec, reel *reel, path string, tell pipeline.Progress) (err error) {
	enc, err := clip.NewEncoder(ctx, path, spec)
	if err != nil {
		return err
	}
	defer enc.Abort()

	tr := pipeline.Tracing(ctx)
	shots := film.Shots()
	defer func() { err = errors.Join(err, reel.close()) }()
	for i, s := range shots {
		tell.Tell("paint", i, len(shots))
		var frame *pipeline.Frame
		if s.Source >= 0 {
			if i == 0 || shots[i-1].Pass != s.Pass || !reel.running() {
				if err := reel.start(passEnds(shots[i:])); err != nil {
					return err
				}
			}
			if frame, err = reel.at(s.Source); err != nil {
				return err
			}
		}
		span := tr.Begin("show", "paint")
		img, err := film.Paint(frame, s)
		span.End()
		if err != nil {
			return err
		}
		span = tr.Begin("show", "encode")
		if err := enc.Write(img); err != nil {
			return err
		}
		span.End()
	}
	tell.Tell("paint", len(shots), len(shots))
	defer tr.Begin("show", "finish film").End()
	return enc.Close()
}

func captions(film *overlay.Film) (out []clip.Caption) {
	for _, c := range film.Captions() {
		out = append(out, clip.Caption(c))
	}
	return out
}

// passEnds are the first and last decoded frame of the pass that begins here.
func passEnds(shots []overlay.Shot) (first, last int) {
	first, last = shots[0].Source, shots[0].Source
	for _, s := range shots {
		if s.Pass == shots[0].Pass && s.Source >= 0 {
			first, last = min(first, s.Source), max(last, s.Source)
		}
	}
	return first, last
}

// reel gives decoded frames by their number, which never goes back between
// two starts.
type reel struct {
	ctx     context.Context
	clip    pipeline.Clip
	maxSide int
	only    []int                                       // the frames that will be asked for; nil: not known
	open    func(clip.Options) (pipeline.Source, error) // in place of the clip's own pictures; nil: these
	touch   func(*pipeline.Frame)                       // changes a picture that is given; nil: none
	src     pipeline.Source
	now     *pipeline.Frame // a copy: the source's is gone with its next
	pix     []byte
}

func (r *reel) running() bool { return r.src != nil }

func (r *reel) start(first, last int) (err error) {
	if err := r.close(); err != nil {
		return err
	}
	open := r.open
	if open == nil {
		open = func(o clip.Options) (pipeline.Source, error) { return clip.Open(r.ctx, r.clip, o) }
	}
	r.src, err = open(clip.Options{MaxSide: r.maxSide, From: r.clip.PTS[first], To: r.clip.PTS[last], Only: r.only, Exact: true})
	return err
}

// at decodes up to frame n. Behind the end of a clip whose last pictures are
// missing it stays on the last one there is.
func (r *reel) at(n int) (*pipeline.Frame, error) {
	fresh := false
	defer func() {
		if fresh && r.touch != nil {
			r.touch(r.now)
		}
	}()
	for r.now == nil || r.now.Index < n {
		f, err := r.src.Next()
		if errors.Is(err, io.EOF) && r.now != nil {
			return r.now, nil
		}
		if err != nil {
			return nil, err
		}
		r.pix = append(r.pix[:0], f.Pix...)
		mine := *f
		mine.Pix = r.pix
		r.now, fresh = &mine, true
	}
	return r.now, nil
}

func (r *reel) close() (err error) {
	if r.src != nil {
		err = r.src.Close()
	}
	r.src, r.now = nil, nil
	return err
}
