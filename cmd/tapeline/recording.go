package main

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
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
		Look: func(ctx context.Context, also func(context.Context) error, looks ...pipeline.Look) error {
			return clip.LookThrough(ctx, c, also, looks...)
		}}
	if c.HasAudio {
		o.Sound = func(ctx context.Context, rate, size int, each func(samples []float32, start float64) error) error {
			return clip.EachSound(ctx, c, rate, size, each)
		}
	}
	return long.Scan(ctx, o)
}

// carded finds the parts of an arrived clip that follow a number card, in a
// process of its own: what brings that down again and again, can't be read or
// takes too much is told by a *jobs.Slip.
func carded(env []string, limits jobs.Limits, tries int) func(context.Context, inbox.Arrival) ([]jobs.Span, error) {
	return func(ctx context.Context, a inbox.Arrival) ([]jobs.Span, error) {
		for try := 1; ; try++ {
			spans, err := cardsOf(ctx, env, limits, a.Path())
			var s *jobs.Slip
			if !errors.As(err, &s) || !s.Again || s.Reason == jobs.Stopped {
				return spans, err
			}
			if try >= tries {
				return nil, &jobs.Slip{Reason: s.Reason, Detail: s.Detail}
			}
		}
	}
}

func cardsOf(ctx context.Context, env []string, limits jobs.Limits, path string) ([]jobs.Span, error) {
	dir, err := os.MkdirTemp("", "tapeline-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	args := []string{"scan", "--staged", "--json", "--cards", "--cut", dir, "--", path}
	if err := runChild(jobs.Child{Path: own(), Args: args, Env: env, Dir: dir, Limits: limits}, ctx); err != nil {
		return nil, err
	}
	b, err := os.ReadFile(filepath.Join(dir, jobs.PlanFile))
	if err != nil {
		return nil, err
	}
	var plan jobs.Plan
	if err := json.Unmarshal(b, &plan); err != nil {
		return nil, err
	}
	return plan.Cards, nil
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

func cardsIn(ctx context.Context, c pipeline.Clip) ([]jobs.Span, error) {
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
