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
// can't be read or is a whole lesson is told by a *jobs.Slip.
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

func cardsIn(ctx context.Context, path string) ([]jobs.Span, error) {
	c, err := clip.Probe(ctx, path)
	if err != nil {
		return nil, err
	}
	if long.Is(c) {
		return nil, &jobs.Slip{Reason: jobs.Long}
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

// owned puts spans as the queue knows them: one in which several cards were
// shown at once is there once for each, so that nobody gets it unasked.
func owned(spans []card.Span) (out []jobs.Span) {
	for _, s := range spans {
		if s.Player != "" {
			s.Of = []string{s.Player}
		}
		for _, id := range s.Of {
			out = append(out, jobs.Span{From: s.From, To: s.To, Player: id})
		}
	}
	return out
}
