package detect

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// fine is a second of 960×540 at 60 a second in which nothing is wrong.
func fine() *pipeline.Track {
	t := &pipeline.Track{Clip: pipeline.Clip{Width: 960, Height: 540, CaptureRate: 60, TimeFactor: 1}, People: 1}
	w := pipeline.Window{To: 1}
	for i := range 60 {
		q := scene.Person(480, 500, 300)
		w.Frames = append(w.Frames, pipeline.Seen{Index: i, PTS: float64(i) / 60, Pose: &q,
			Camera: pipeline.Camera{A: 1, OK: true, Ground: 40, Inliers: 200}})
	}
	t.Windows = []pipeline.Window{w}
	return t
}

func bright() *scanned { return &scanned{luma: []float64{120}} }

// Every code of the picture's list is given by the stage itself; a listed code
// without a trigger fails, and so does a trigger without a code.
func TestEveryCodeCanBeTriggered(t *testing.T) {
	changed := func(f func(t *pipeline.Track)) func() []pipeline.Warning {
		return func() []pipeline.Warning {
			t := fine()
			f(t)
			return warn(t, bright())
		}
	}
	frames := func(t *pipeline.Track, f func(s *pipeline.Seen)) {
		for i := range t.Windows[0].Frames {
			f(&t.Windows[0].Frames[i])
		}
	}
	// What the scan itself sees in a clip of black pictures, with or without a
	// second person.
	scannedBy := func(p *play, light float64) func() []pipeline.Warning {
		return func() []pipeline.Warning {
			s, err := scan(context.Background(), p.options())
			if err != nil {
				t.Fatal(err)
			}
			x := fine()
			x.People = s.atOnce
			if light > 0 {
				s.luma = []float64{light}
			}
			return warn(x, s)
		}
	}
	one, two := actor{x: 300, h: 300, to: 9}, actor{x: 700, h: 300, to: 9}
	triggers := map[string]func() []pipeline.Warning{
		"low_resolution":    changed(func(t *pipeline.Track) { t.Clip.Width, t.Clip.Height = 640, 360 }),
		"low_frame_rate":    changed(func(t *pipeline.Track) { t.Clip.CaptureRate = 30 }),
		"dark":              scannedBy(&play{n: 30, rate: 30, actors: []actor{one}}, 0),
		"others_in_picture": scannedBy(&play{n: 30, rate: 30, actors: []actor{one, two}}, 120),
		"batter_small": changed(func(t *pipeline.Track) {
			frames(t, func(s *pipeline.Seen) { q := scene.Person(480, 500, 120); s.Pose = &q })
		}),
		"camera_moved_much": changed(func(t *pipeline.Track) {
			frames(t, func(s *pipeline.Seen) { s.Camera.TX = 4 * float64(s.Index) })
		}),
		"camera_ground_unseen": changed(func(t *pipeline.Track) {
			frames(t, func(s *pipeline.Seen) {
				if s.Index < 30 {
					s.Camera.Ground = 0
				}
			})
		}),
		"camera_lost": changed(func(t *pipeline.Track) {
			frames(t, func(s *pipeline.Seen) { s.Camera.OK = s.Index < 40 })
		}),
		"lost_batter": changed(func(t *pipeline.Track) {
			frames(t, func(s *pipeline.Seen) {
				if s.Index > 20 && s.Index < 40 {
					s.Pose = nil
				}
			})
		}),
	}
	if got := warn(fine(), bright()); len(got) > 0 {
		t.Errorf("nothing is wrong: %+v", got)
	}
	for code := range triggers {
		if !slices.Contains(pipeline.PictureCodes, code) {
			t.Errorf("%s has a trigger but is not listed", code)
		}
	}
	for _, code := range pipeline.PictureCodes {
		trigger, ok := triggers[code]
		if !ok {
			t.Errorf("nothing triggers %s: write a trigger, or delete the code from its list and from the words", code)
			continue
		}
		if got := trigger(); len(got) != 1 || got[0].Code != code || got[0].Detail == "" {
			t.Errorf("%s: %s", code, fmt.Sprint(got))
		}
	}
}

// The page of the sweeps names the limits that are warned at.
func TestLimitsAreWhatTheSweepsSay(t *testing.T) {
	page, err := os.ReadFile("../samples/docs/SWEEPS.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		fmt.Sprintf("`low_resolution` under %d", lowSide), fmt.Sprintf("`low_frame_rate` under %g", lowRate),
		fmt.Sprintf("`batter_small` under %g pixels", smallBatter), fmt.Sprintf("a mean grey level of %g (`dark`)", darkLuma),
	} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
}
