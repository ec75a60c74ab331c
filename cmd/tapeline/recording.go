package main

import (
	"context"
	"errors"
	"time"

	"tapeline/detect/card"
	"tapeline/detect/long"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/inbox"
	"tapeline/pipeline/jobs"
)

// scanned looks through a long recording for what may be swings, and whose.
func scanned(ctx context.Context, c pipeline.Clip, tell pipeline.Progress) (long.Recording, error) {
	o := long.Options{Clip: c, Progress: tell,
		Open: func(ctx context.Context, maxSide int, rate float64) (pipeline.Source, error) {
			return clip.Open(ctx, c, clip.Options{MaxSide: maxSide, Rate: rate})
		}}
	if c.HasAudio {
		o.Sound = func(ctx context.Context, rate, size int, each func(samples []float32, start float64) error) error {
			return clip.EachSound(ctx, c, rate, size, each)
		}
	}
	return long.Scan(ctx, o)
}

// carded finds the parts of an arrived clip that follow a number card. One that
// can't be read is told by a *jobs.Slip.
func carded(ctx context.Context, a inbox.Arrival) ([]jobs.Span, error) {
	out, err := cardsIn(ctx, a.Path())
	var e *pipeline.Error
	if errors.As(err, &e) && e.Fault == pipeline.FaultUnreadable {
		return nil, &jobs.Slip{Reason: jobs.Unread, Detail: e.What}
	}
	return out, err
}

// recorded is when a file says it was recorded; of one that can't be read it
// is as unknown as of one that doesn't say.
func recorded(ctx context.Context, path string) (time.Time, error) {
	at, err := clip.Recorded(ctx, path)
	var e *pipeline.Error
	if errors.As(err, &e) && e.Fault == pipeline.FaultUnreadable {
		return time.Time{}, nil
	}
	return at, err
}

// recordingLength is how long the recording of a whole lesson is, zero of a clip
// and of what can't be read.
func recordingLength(ctx context.Context, path string) (time.Duration, error) {
	c, err := clip.Probe(ctx, path)
	var e *pipeline.Error
	if errors.As(err, &e) && e.Fault == pipeline.FaultUnreadable {
		return 0, nil
	}
	if err != nil || !long.Is(c) {
		return 0, err
	}
	return time.Duration(c.Duration * float64(time.Second)), nil
}

func cardsIn(ctx context.Context, path string) ([]jobs.Span, error) {
	c, err := clip.Probe(ctx, path)
	if err != nil {
		return nil, err
	}
	src, err := clip.Open(ctx, c, clip.Options{MaxSide: card.Side, Rate: card.Rate})
	if err != nil {
		return nil, err
	}
	defer src.Close()
	seen, err := card.Find(ctx, src)
	if err != nil {
		return nil, err
	}
	return owned(card.Spans(seen, c.Duration)), nil
}
