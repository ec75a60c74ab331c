package main

import (
	"context"

	"tapeline/pipeline"
)

// pack makes the folder of what may leave (pipeline.LeavingDir) of the lesson
// in the folder lesson, from its original clip: whole or not at all, in place
// of one that is there. others is "ask", "blur" or "allow"; max is how many
// bytes film, stills and captions may have together. Of o it takes the
// language, the rules and the set-up's folder, of by the first name, the day
// and the voice note. Errors are *pipeline.Error: FaultUsage where clip and
// lesson don't belong together.
func pack(ctx context.Context, o options, by aside, lesson, clipPath, others string, max int64, tell pipeline.Progress) (pipeline.Leaving, error) {
	return pipeline.Leaving{}, &pipeline.Error{Fault: pipeline.FaultInternal, What: "not made yet"}
}
