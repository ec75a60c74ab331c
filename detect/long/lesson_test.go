package long

import (
	"context"
	"errors"
	"flag"
	"math"
	"path/filepath"
	"testing"
	"time"

	"tapeline/detect"
	"tapeline/detect/long/lesson"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

var (
	lessonFile    = flag.String("lesson", "", "make a recording of a lesson here, with FILE.truth.json beside it, and scan it")
	lessonMinutes = flag.Float64("minutes", 4, "how long it is")
)

func scan(t testing.TB, path string) (pipeline.Clip, Recording) {
	t.Helper()
	ctx := context.Background()
	c, err := clip.Probe(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Scan(ctx, Options{Clip: c,
		Look: func(ctx context.Context, also func(context.Context) error, looks ...pipeline.Look) error {
			return clip.LookThrough(ctx, c, also, looks...)
		},
		Sound: func(ctx context.Context, rate, size int, each func([]float32, float64) error) error {
			return clip.EachSound(ctx, c, rate, size, each)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return c, r
}

// check compares a scan with what happened: every swing whole in exactly one
// candidate, every card.
func check(t testing.TB, w lesson.Truth, r Recording) {
	t.Helper()
	var spans [][2]float64
	for _, c := range r.Candidates {
		spans = append(spans, [2]float64{c.From, c.To})
	}
	at := w.Missed(spans)
	missed := len(at)
	if missed > 0 {
		t.Logf("swings that are in no candidate or in two: %.2f", at)
	}
	for _, s := range w.Cards {
		for _, after := range []float64{1.2, 4} {
			if p, ok := playerAt(r, s.T+after); !ok || p != s.ID {
				t.Errorf("card %s at %.2f: %q", s.ID, s.T, p)
			}
		}
	}
	if missed*50 > len(w.Contacts) {
		t.Errorf("%d of %d swings are in no candidate of their own", missed, len(w.Contacts))
	}
	if most := 2*len(w.Contacts) + 1; len(r.Candidates) > most {
		t.Errorf("%d candidates for %d swings", len(r.Candidates), len(w.Contacts))
	}
	t.Logf("%.0f s: %d swings, %d missed, %d candidates (%.2f a swing), %d cards seen", w.Duration, len(w.Contacts), missed, len(r.Candidates),
		float64(len(r.Candidates))/float64(len(w.Contacts)), len(r.Cards))
}

func playerAt(r Recording, t float64) (string, bool) {
	for _, s := range r.Players {
		if t >= s.From && t < s.To {
			return s.Player, true
		}
	}
	return "", false
}

func TestLesson(t *testing.T) {
	path, seconds, fps := filepath.Join(t.TempDir(), "lesson.mov"), 60., 30
	if *lessonFile != "" {
		path, seconds, fps = *lessonFile, *lessonMinutes*60, 60
	}
	w, err := lesson.Make(context.Background(), "../../samples", path, lesson.Shape{Seconds: seconds, Rate: fps})
	if err != nil {
		t.Fatal(err)
	}
	if *lessonFile != "" {
		if err := w.Save(path); err != nil {
			t.Fatal(err)
		}
	}
	at := time.Now()
	c, r := scan(t, path)
	t.Logf("%.1f s a minute", time.Since(at).Seconds()/c.Duration*60)
	if !Is(c) {
		t.Errorf("%.1f s are no recording", c.Duration)
	}
	for _, x := range r.Candidates {
		t.Logf("%.2f–%.2f, hardest at %.2f, heard %v", x.From, x.To, x.Bursts[0], x.Heard)
	}
	check(t, w, r)
	if *lessonFile != "" {
		readAll(t, w, c, r)
	}
}

// readAll cuts every candidate out and looks for swings in it, as reading does.
func readAll(t *testing.T, w lesson.Truth, c pipeline.Clip, r Recording) {
	nets, err := pose.Open(pose.DefaultDir(), pose.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer nets.Close()
	ctx := context.Background()
	begun := time.Now()
	found, wrong := map[float64]int{}, 0
	for _, x := range r.Candidates {
		path := filepath.Join(t.TempDir(), "cut.mov")
		at, err := clip.Cut(ctx, c, x.From, x.To, path)
		if err != nil {
			t.Fatal(err)
		}
		part, err := clip.Probe(ctx, path)
		if err != nil {
			t.Fatal(err)
		}
		track, err := detect.See(ctx, detect.Options{Clip: part, Nets: nets, Quality: detect.Quick,
			Open: func(ctx context.Context, maxSide int, from, to float64) (pipeline.Source, error) {
				return clip.Open(ctx, part, clip.Options{MaxSide: maxSide, From: from, To: to})
			}})
		var e *pipeline.Error
		if errors.As(err, &e) && (e.Fault == pipeline.FaultNoSwing || e.Fault == pipeline.FaultNoBatter) {
			t.Logf("%.2f–%.2f: no swing", x.From, x.To)
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, win := range track.Windows {
			truly := false
			for _, hit := range w.Contacts {
				if math.Abs(at+win.Burst-hit) < .4 {
					truly = true
					found[hit]++
				}
			}
			t.Logf("%.2f–%.2f: swing at %.2f, truly one: %v", x.From, x.To, at+win.Burst, truly)
			if !truly {
				wrong++
			}
		}
	}
	twice := 0
	for _, n := range found {
		twice += n - 1
	}
	t.Logf("after reading: %d of %d swings found, %d of them twice, %d false; %.1f s a candidate", len(found), len(w.Contacts), twice, wrong,
		time.Since(begun).Seconds()/float64(len(r.Candidates)))
	if n := float64(len(w.Contacts)); float64(len(found)) < .98*n || float64(wrong+twice) > .02*n {
		t.Error("too few found, or too many false")
	}
}
