package detect

import (
	"context"
	"errors"
	"io"
	"slices"
	"testing"
	"time"

	"tapeline/detect/internal/scene"
	"tapeline/detect/pose"
	"tapeline/pipeline"
)

// blank gives n frames without a picture, then an error.
type blank struct {
	i, n int
	rate float64
	end  error
}

func (b *blank) Next() (*pipeline.Frame, error) {
	if b.i == b.n {
		return nil, b.end
	}
	b.i++
	return &pipeline.Frame{Index: b.i - 1, PTS: float64(b.i-1) / b.rate}, nil
}
func (b *blank) Close() error { return nil }

// call is what a follower was asked for: a step through a frame or a glance.
type call struct {
	step  bool
	index int
}

// noted is a follower that notes its calls; poses score their frame's number.
type noted struct {
	calls *[]call
	fail  func(index int) error
}

func (s noted) Glance(f *pipeline.Frame) *pose.Glance {
	*s.calls = append(*s.calls, call{false, f.Index})
	return nil
}

func (s noted) Step(f *pipeline.Frame, _ *pose.Glance) (*pipeline.Pose, error) {
	*s.calls = append(*s.calls, call{true, f.Index})
	p := scene.Person(300, 500, 300)
	p.Score = float64(f.Index)
	return &p, s.fail(f.Index)
}
func (noted) Lost() bool { return false }

// turnsBurst is when the hands are fast in the frames of blank.
const turnsBurst = .6

// takePoses takes from readPoses all it gives, and cancels after so many frames
// as until says. The first frame is never given back, as when a window ends in
// an error.
func takePoses(t *testing.T, src *blank, fail func(index int) error, until int) (got []posed, calls []call, end error) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	batter := scene.Person(300, 500, 300)
	var guide []sample
	for i := range 90 {
		at := float64(i) / 60
		guide = append(guide, sample{t: at, pts: at, pose: batter, next: batter.Region})
	}
	ahead := pipeline.ReadAhead(src, windowAhead)
	defer ahead.Close()
	r := &reader{net: pose.Heavy, guide: guide, start: func(string, pipeline.Region) follower { return noted{&calls, fail} }}
	o := &Options{Clip: pipeline.Clip{TimeFactor: 1, CaptureRate: src.rate}}
	poses := readPoses(ctx, o, ahead, r, span{0, 9}, burst{t: turnsBurst, pts: turnsBurst})
	stuck := time.After(20 * time.Second)
	for {
		select {
		case p, ok := <-poses:
			if !ok {
				return got, calls, end
			}
			if p.f == nil {
				end = p.err
				continue
			}
			mine := *p.f
			if len(got) > 0 {
				ahead.Free(p.f)
			}
			p.f = &mine
			if got = append(got, p); len(got) == until {
				cancel()
			}
		case <-stuck:
			t.Fatalf("stuck after %d frames of %d at %g a second", len(got), src.n, src.rate)
		}
	}
}

func willing(int) error { return nil }

// looks are the frames of blank read for a pose.
func looks(n int, rate float64) (at []int) {
	pace := newPace(burst{t: turnsBurst})
	for i := range n {
		if look, _ := pace.at(float64(i) / rate); look {
			at = append(at, i)
		}
	}
	return at
}

// At every rate each frame comes once, in order and with its own pose; each but
// the first two that are read is glanced at, after the last but one was stepped
// through and before the last; where more frames lie between than wait in a
// turn, after the last. At 30 a second what is known then would be too old.
func TestTurns(t *testing.T) {
	for _, rate := range []float64{30, 60, 120, 240, 480, 960} {
		n := int(1.25*rate) + 1
		got, calls, end := takePoses(t, &blank{n: n, rate: rate, end: io.EOF}, willing, -1)
		if !errors.Is(end, io.EOF) || len(got) != n {
			t.Fatalf("%g a second: %d frames of %d, %v", rate, len(got), n, end)
		}
		read := looks(n, rate)
		for i, p := range got {
			_, looked := slices.BinarySearch(read, i)
			if p.f.Index != i || p.looked != looked || (p.pose != nil) != looked || looked && p.pose.Score != float64(i) {
				t.Fatalf("%g a second: at place %d frame %d with %+v", rate, i, p.f.Index, p.pose)
			}
		}
		stepped, glances, want := -1, 0, len(read)-2
		switch {
		case rate < 60: // what is known is too old
			want = 0
		case read[1]-read[0] > turnMost:
			want++
		}
		for _, c := range calls {
			k, _ := slices.BinarySearch(read, c.index)
			if c.step {
				if stepped++; read[stepped] != c.index {
					t.Fatalf("%g a second: frame %d stepped through in place of %d", rate, c.index, read[stepped])
				}
				continue
			}
			glances++
			before := k - 2
			if read[k]-read[k-1] > turnMost {
				before = k - 1
			}
			if stepped != before {
				t.Fatalf("%g a second: frame %d glanced at after frame %d, want after %d", rate, c.index, read[stepped], read[before])
			}
		}
		if stepped != len(read)-1 || glances != want {
			t.Errorf("%g a second: %d steps and %d glances at %d frames", rate, stepped+1, glances, len(read))
		}
	}
}

// What ends the reading comes last, after all frames before it, and who leaves
// early waits for nothing.
func TestTurnsEnd(t *testing.T) {
	broken := errors.New("broken")
	for _, rate := range []float64{240, 480} {
		const n = 300
		at := looks(n, rate)[6]
		failing := func(i int) error {
			if i == at {
				return broken
			}
			return nil
		}
		if got, _, end := takePoses(t, &blank{n: n, rate: rate, end: io.EOF}, failing, -1); !errors.Is(end, broken) || len(got) != at {
			t.Errorf("%g a second, a network that fails at frame %d: %d frames, %v", rate, at, len(got), end)
		}
		panicking := func(i int) error {
			if i == at {
				panic("a defect")
			}
			return nil
		}
		var e *pipeline.Error
		if got, _, end := takePoses(t, &blank{n: n, rate: rate, end: io.EOF}, panicking, -1); !errors.As(end, &e) || e.Fault != pipeline.FaultInternal || len(got) != at {
			t.Errorf("%g a second, a defect at frame %d: %d frames, %v", rate, at, len(got), end)
		}
		if got, _, end := takePoses(t, &blank{n: at + 1, rate: rate, end: broken}, willing, -1); !errors.Is(end, broken) || len(got) != at+1 {
			t.Errorf("%g a second, a stream that breaks after %d frames: %d frames, %v", rate, at+1, len(got), end)
		}
		if got, _, end := takePoses(t, &blank{n: n, rate: rate, end: io.EOF}, willing, 5); end != nil || len(got) > 5+2*windowAhead {
			t.Errorf("%g a second, left after 5 frames: %d frames, %v", rate, len(got), end)
		}
	}
}
