package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"unicode"
)

// Progress is told how far a step has come: done of total, in whatever unit
// the step counts. It may be nil; use Tell.
type Progress func(step string, done, total int)

// Tell calls p if there is one.
func (p Progress) Tell(step string, done, total int) {
	if p != nil {
		p(step, done, total)
	}
}

// Draft is a folder in which a lesson is made before it is seen under its
// final name.
type Draft interface {
	Dir() string    // where to write, a folder of its own
	Publish() error // everything appears under the final name at once
	Discard()       // removes what was not published; safe to call twice
}

// Stages are the rooms a clip goes through, in this order.
type Stages struct {
	// Probe checks the container and reads what it says of itself.
	Probe func(ctx context.Context, path string) (Clip, error)
	// Begin opens the draft of the folder name inside the output folder. It
	// fails before any work when the outputs exist or can't be written.
	Begin func(clip Clip, name string) (Draft, error)
	// See turns pixels and sound into facts.
	See func(ctx context.Context, clip Clip, given Given, tell Progress) (Track, error)
	// Judge turns facts into a report: pure, the same track gives the same
	// report.
	Judge func(track Track, given Given) (Report, error)
	// Show paints LessonFile and SheetFile into dir.
	Show func(ctx context.Context, clip Clip, rep *Report, dir string, tell Progress) error
}

// Lesson is what came of one clip.
type Lesson struct {
	Name   string // folder name
	Report Report
}

// Runner takes clips through the stages.
type Runner struct {
	Stages Stages
	Given  Given
	Tell   Progress
}

// traceStages is the lane of the stages themselves.
const traceStages = "stages"

// Read makes the lesson of the clip at path. Either all its files appear or
// none. Every error is an *Error; when ctx ended its Fault is
// FaultInterrupted, whatever the stage made of it. A panic of a stage comes
// back as FaultInternal with the stack as its cause.
func (r Runner) Read(ctx context.Context, path string) (lesson Lesson, err error) {
	step := "probe"
	defer func() { err = r.blame(ctx, err, step, path) }()
	defer Catch(&err)

	tr := Tracing(ctx)
	span := tr.Begin(traceStages, step)
	defer func() { span.End() }()
	at := func(next string) {
		span.End()
		step, span = next, tr.Begin(traceStages, next)
	}
	clip, err := r.Stages.Probe(ctx, path)
	if err != nil {
		return lesson, err
	}
	clip.Path = path

	at("publish")
	lesson.Name = FolderName(path)
	draft, err := r.Stages.Begin(clip, lesson.Name)
	if err != nil {
		return lesson, err
	}
	defer draft.Discard()

	at("see")
	track, err := r.Stages.See(ctx, clip, r.Given, r.Tell)
	if err != nil {
		return lesson, err
	}
	track.Schema, track.Given = TrackSchema, r.Given
	b, err := MarshalTrack(track)
	if err != nil {
		return lesson, err
	}
	// Judge what was saved, not what was seen: a later judging of the file
	// starts from exactly the same facts.
	if track, err = ParseTrack(b); err != nil {
		return lesson, err
	}
	if err = write(draft.Dir(), TrackFile, b); err != nil {
		return lesson, err
	}
	if err = ctx.Err(); err != nil {
		return lesson, err
	}

	at("judge")
	if lesson.Report, err = r.Stages.Judge(track, r.Given); err != nil {
		return lesson, err
	}
	if b, err = MarshalReport(lesson.Report); err != nil {
		return lesson, err
	}
	if err = write(draft.Dir(), ReportFile, b); err != nil {
		return lesson, err
	}

	at("show")
	if err = r.Stages.Show(ctx, clip, &lesson.Report, draft.Dir(), r.Tell); err != nil {
		return lesson, err
	}
	if err = ctx.Err(); err != nil {
		return lesson, err
	}

	at("publish")
	return lesson, draft.Publish()
}

// Catch, deferred, makes an *Error with FaultInternal of a panic, the stack as
// its cause. A goroutine needs its own: nobody else's reaches it.
func Catch(err *error) {
	if p := recover(); p != nil {
		*err = &Error{Fault: FaultInternal, What: fmt.Sprintf("internal defect: %v", p), Err: fmt.Errorf("%v\n%s", p, debug.Stack())}
	}
}

// blame makes an *Error of err that names step and path.
func (r Runner) blame(ctx context.Context, err error, step, path string) error {
	if err == nil {
		return nil
	}
	if ctx.Err() != nil {
		return &Error{Fault: FaultInterrupted, Step: step, Path: path, What: "interrupted; nothing was written", Err: err}
	}
	var e *Error
	if !errors.As(err, &e) {
		return &Error{Fault: FaultInternal, Step: step, Path: path, What: fmt.Sprintf("%s: %v", step, err), Err: err}
	}
	out := *e
	if out.Step == "" {
		out.Step = step
	}
	if out.Path == "" {
		out.Path = path
	}
	return &out
}

func write(dir, name string, b []byte) error {
	if err := os.WriteFile(filepath.Join(dir, name), b, 0o666); err != nil {
		return &Error{Fault: FaultOutput, What: "can't write " + name + ": " + cause(err), Hint: "is the disk full?", Err: err}
	}
	return nil
}

// cause is the reason of a file error without its path.
func cause(err error) string {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}

// FolderName is the folder a clip's lesson goes to: its base name without the
// extension, made safe: no control or path characters, not hidden, not a name
// with a meaning of its own, at most 120 bytes.
func FolderName(path string) string {
	base := filepath.Base(path)
	if ext := filepath.Ext(base); ext != base {
		base = strings.TrimSuffix(base, ext)
	}
	base = strings.Map(func(c rune) rune {
		switch {
		case c == unicode.ReplacementChar, unicode.IsControl(c), !unicode.IsGraphic(c), strings.ContainsRune(`/\:*?"<>|`, c):
			return '_'
		}
		return c
	}, base)
	base = strings.TrimSpace(base)
	base = strings.TrimRight(base, ". ")
	if strings.HasPrefix(base, ".") {
		base = "_" + base[1:]
	}
	for len(base) > 120 {
		r := []rune(base)
		base = string(r[:len(r)-1])
	}
	if base == "" {
		return "clip"
	}
	return base
}
