package main

import (
	"context"
	"path/filepath"
	"slices"
	"testing"

	"tapeline/pipeline"
)

// Every code of the sound's list is given for a clip that deserves it; a listed
// code without such a clip fails.
func TestEverySoundCodeCanBeTriggered(t *testing.T) {
	triggers := map[string]pipeline.Clip{
		"audio_slow_motion": {HasAudio: true, TimeFactor: 8, Duration: 12},
		"audio_too_long":    {HasAudio: true, TimeFactor: 1, Duration: soundLimit + 1},
		"audio_not_read":    {HasAudio: true, TimeFactor: 1, Duration: 2, Path: filepath.Join(t.TempDir(), "gone.mp4")},
	}
	for code := range triggers {
		if !slices.Contains(pipeline.SoundCodes, code) {
			t.Errorf("%s has a trigger but is not listed", code)
		}
	}
	for _, code := range pipeline.SoundCodes {
		c, ok := triggers[code]
		if !ok {
			t.Errorf("nothing triggers %s: write a trigger, or delete the code from its list and from the words", code)
			continue
		}
		if on, why := listen(context.Background(), c); why == nil || why.Code != code || on != nil {
			t.Errorf("%s: %v, %+v", code, on, why)
		}
	}
	if _, why := listen(context.Background(), pipeline.Clip{TimeFactor: 1, Duration: 2}); why != nil {
		t.Errorf("a clip without sound: %+v", why)
	}
}
