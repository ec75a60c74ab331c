package main

import (
	"context"
	"errors"

	"tapeline/pipeline"
	"tapeline/pipeline/publish"
)

// house is the stages with what must be closed after them.
type house struct {
	pipeline.Stages
	Close func()
}

func rooms(o options) house {
	no := errors.New("not wired yet")
	return house{Close: func() {}, Stages: pipeline.Stages{
		Probe: func(ctx context.Context, path string) (pipeline.Clip, error) { return pipeline.Clip{}, no },
		Begin: begin(o),
		See: func(context.Context, pipeline.Clip, pipeline.Given, pipeline.Progress) (pipeline.Track, error) {
			return pipeline.Track{}, no
		},
		Judge: judged,
		Show: func(context.Context, pipeline.Clip, *pipeline.Report, string, pipeline.Progress) error {
			return no
		},
	}}
}

func begin(o options) func(pipeline.Clip, string) (pipeline.Draft, error) {
	return func(c pipeline.Clip, name string) (pipeline.Draft, error) {
		d, err := publish.Begin(o.out, name, c.Path, pipeline.Outputs, o.force)
		if err != nil {
			return nil, err
		}
		return d, nil
	}
}

func judged(track pipeline.Track, given pipeline.Given) (pipeline.Report, error) {
	return pipeline.Report{}, errors.New("not wired yet")
}
