package main

import (
	"context"
	"errors"
	"reflect"
	"sync"

	"tapeline/detect"
	"tapeline/detect/coach"
	"tapeline/detect/pose"
	"tapeline/detect/sound"
	"tapeline/detect/swing"
	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/publish"
)

// house is the stages, made for one clip after the other, with what must be
// closed after them.
type house struct {
	Stages func(aside) pipeline.Stages
	Close  func()
}

// aside is what is known of one clip beyond what is Given: nothing is judged
// by it.
type aside struct {
	player  string  // code in the ledger; empty: not to be remembered
	name    string  // first name, for the card
	date    string  // day it was filmed, 2006-01-02; empty: unknown
	capture float64 // frames a second it was filmed at; 0: as the clip says
	voice   string  // path of the coach's voice note; empty: none
}

// rooms joins the stages that tapeline is made of.
func rooms(o options) house {
	// The networks are opened when first wanted: a clip that can't be read is
	// said to be so whatever the set-up.
	var nets *pose.Nets
	var trace *pipeline.Trace
	open := sync.OnceValues(func() (*pose.Nets, error) {
		home := o.home
		if home == "" {
			home = pose.DefaultDir()
		}
		var err error
		nets, err = pose.Open(home, pose.Options{Trace: trace})
		return nets, err
	})
	return house{
		Close: func() { nets.Close() },
		Stages: func(by aside) pipeline.Stages {
			var voice []float32
			return pipeline.Stages{
				Probe: func(ctx context.Context, path string) (pipeline.Clip, error) {
					c, err := clip.Probe(ctx, path)
					if err == nil && by.voice != "" { // a bad note is told before the long work
						voice, err = clip.Voice(ctx, by.voice)
					}
					if err != nil || by.capture == 0 {
						return c, err
					}
					slow, ok := clip.Captured(c, by.capture)
					if !ok {
						return c, usage("it plays at %.4g frames a second, so --capture %g can't be what it was filmed at", c.CaptureRate/c.TimeFactor, by.capture)
					}
					return slow, nil
				},
				Begin: func(c pipeline.Clip, name string) (pipeline.Draft, error) {
					d, err := publish.Begin(o.out, name, c.Path, pipeline.Outputs, o.force)
					if err != nil {
						return nil, err
					}
					return d, nil
				},
				See: func(ctx context.Context, c pipeline.Clip, given pipeline.Given, tell pipeline.Progress) (pipeline.Track, error) {
					if t, ok := seenBefore(o.track, c, given); ok {
						return t, nil
					}
					trace = pipeline.Tracing(ctx)
					nets, err := open()
					if err != nil {
						return pipeline.Track{}, err
					}
					t, err := see(ctx, nets, c, given, o.quality, tell)
					if rest := nets.Rest(); err == nil { // showing needs the memory
						err = rest
					}
					return t, err
				},
				Judge: judging(o.rules),
				Show: func(ctx context.Context, c pipeline.Clip, rep *pipeline.Report, dir string, tell pipeline.Progress) error {
					return showing{text: o.text, card: overlay.FilmOptions{FirstName: by.name, Date: by.date}, voice: voice, hardware: o.hardware,
						changes: changed(ctx, o.book, by, rep)}.show(ctx, c, rep, dir, tell)
				},
			}
		},
	}
}

// seenBefore is a saved track of a clip, if nothing that seeing goes by has
// changed since: then only what is judged can.
func seenBefore(path string, c pipeline.Clip, given pipeline.Given) (pipeline.Track, bool) {
	if path == "" {
		return pipeline.Track{}, false
	}
	t, err := openTrack(path)
	if err != nil || t.Clip.ID != c.ID || t.Clip.CaptureRate != c.CaptureRate || t.Clip.TimeFactor != c.TimeFactor || len(t.Clip.PTS) != len(c.PTS) ||
		t.Given.Marker != given.Marker || !reflect.DeepEqual(t.Given.MarkerAt, given.MarkerAt) || !reflect.DeepEqual(t.Given.Batter, given.Batter) {
		return pipeline.Track{}, false
	}
	t.Clip.Path = c.Path
	return t, true
}

// Sound is listened to at soundRate samples a second, in clips of at most
// soundLimit seconds: it is held in memory.
const (
	soundRate  = 48000
	soundLimit = 600
)

func see(ctx context.Context, nets *pose.Nets, c pipeline.Clip, given pipeline.Given, quality string, tell pipeline.Progress) (pipeline.Track, error) {
	span := pipeline.Tracing(ctx).Begin("see", "sound")
	onsets, unheard := listen(ctx, c)
	span.End()
	t, err := detect.See(ctx, detect.Options{
		Clip: c, Given: given, Nets: nets, Onsets: onsets, Quality: quality, Progress: tell,
		Open: func(ctx context.Context, maxSide int, from, to float64) (pipeline.Source, error) {
			return clip.Open(ctx, c, clip.Options{MaxSide: maxSide, From: from, To: to})
		},
	})
	if err == nil && unheard != nil {
		t.Warnings = append(t.Warnings, *unheard)
	}
	return t, err
}

// listen gives the sharp sounds of the clip; why says what kept them unheard.
// A clip without its sound is still worth reading.
func listen(ctx context.Context, c pipeline.Clip) (onsets []pipeline.Onset, why *pipeline.Warning) {
	switch {
	case !c.HasAudio:
		return nil, nil
	case c.TimeFactor != 1:
		return nil, &pipeline.Warning{Code: "audio_slow_motion"}
	case c.Duration > soundLimit:
		return nil, &pipeline.Warning{Code: "audio_too_long"}
	}
	samples, start, err := clip.Audio(ctx, c, soundRate)
	if err != nil {
		why = &pipeline.Warning{Code: "audio_not_read", Detail: err.Error()}
		var e *pipeline.Error
		if errors.As(err, &e) {
			why.Detail = e.What
		}
		return nil, why
	}
	return sound.Onsets(samples, soundRate, start), nil
}

// judging is everything behind the track: pure.
func judging(rules []coach.Rule) func(pipeline.Track, pipeline.Given) (pipeline.Report, error) {
	return func(track pipeline.Track, given pipeline.Given) (pipeline.Report, error) {
		rep, err := swing.Judge(track, given)
		if err == nil {
			coach.Advise(&rep, given, rules)
		}
		return rep, err
	}
}
