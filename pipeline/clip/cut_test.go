package clip

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

// A cut has the clip's own pictures at their times, and its sound where it was:
// from H.264 with key frames far apart and pictures out of order, from other
// containers and codecs, turned, of uneven rate, with sound that begins early.
func TestCut(t *testing.T) {
	ctx := context.Background()
	gop := clicked(t, "a.mp4", nil, nil)
	turned := makeClip(t, "r.mp4", "-i", "file:"+gop, "-c", "copy", "-metadata:s:v:0", "rotate=90")
	if mustProbe(t, turned).Rotation == 0 {
		t.Fatal("not turned")
	}
	for _, tc := range []struct {
		name, path string
		exact      bool // the pixels are the same
		click      float64
		spans      int
	}{
		{"mp4", gop, true, .5, 3},
		{"sound early", clicked(t, "p.mp4", []string{"-itsoffset", "0.3"}, nil), true, .2, 2},
		{"sound late", clicked(t, "l.mp4", nil, []string{"-itsoffset", "0.1"}), true, .6, 2},
		{"turned", turned, true, .5, 1},
		{"mkv", makeClip(t, "m.mkv", "-i", "file:"+gop, "-c", "copy"), true, .5, 2},
		{"webm", makeClip(t, "w.webm", "-i", "file:"+gop, "-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8", "-c:a", "libopus"), false, .5, 2},
		{"avi", makeClip(t, "j.avi", "-i", "file:"+gop, "-c:v", "mjpeg", "-pix_fmt", "yuvj420p", "-q:v", "3", "-c:a", "pcm_s16le"), true, .5, 1},
		{"uneven", makeClip(t, "u.mp4", "-i", "file:"+gop, "-vf", "setpts='PTS+0.004*mod(N,3)/TB'", "-fps_mode", "passthrough", "-c:v", "libx264", "-bf", "2", "-c:a", "copy"), true, .5, 2},
		{"no sound", smallClip(t, "s.mp4"), true, 0, 1},
	} {
		c := mustProbe(t, tc.path)
		var whole [][3]float64
		each(t, c, Options{}, func(f *pipeline.Frame) { whole = append(whole, mean(f, .3, .3, .7, .7)) })
		for _, span := range [][2]float64{{.11, .9}, {.4, 5}, {0, .8}}[:tc.spans] {
			path := filepath.Join(t.TempDir(), "cut.mov")
			at, err := Cut(ctx, c, span[0], span[1], path)
			if err != nil {
				t.Errorf("%s %v: %v", tc.name, span, err)
				continue
			}
			got := mustProbe(t, path)
			if at < span[0]-1e-6 || at > span[0]+.05 {
				t.Errorf("%s %v: begins at %.3f", tc.name, span, at)
			}
			first := c.FrameAt(at)
			n := each(t, got, Options{}, func(f *pipeline.Frame) {
				d := dist(mean(f, .3, .3, .7, .7), whole[first+f.Index])
				if math.Abs(f.PTS+at-c.PTS[first+f.Index]) > .0015 || d > .5 && !tc.exact || d > .01 && tc.exact {
					t.Errorf("%s %v: picture %d at %.4f is another one (by %.2f)", tc.name, span, f.Index, f.PTS+at, d)
				}
			})
			if last := c.PTS[first+n-1]; last < math.Min(span[1], c.PTS[len(c.PTS)-1])-.04 || last > span[1]+.5 {
				t.Errorf("%s %v: ends at %.3f", tc.name, span, last)
			}
			if tc.click > at+.02 {
				off := .002
				if tc.name == "webm" {
					off = .008 // what comes before the first sample of Opus is counted in two ways
				}
				if heard := onset(t, got, 48000) + at; math.Abs(heard-tc.click) > off {
					t.Errorf("%s %v: click at %.4f s, want %.4f", tc.name, span, heard, tc.click)
				}
			}
			if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o600 {
				t.Errorf("%s: mode %v, %v", tc.name, st.Mode(), err)
			}
		}
	}
}

// What was stretched stays known as stretched; where it was filmed doesn't.
func TestCutTags(t *testing.T) {
	path := makeClip(t, "s.mp4", "-f", "lavfi", "-i", "testsrc=s=64x64:r=30:d=2", "-c:v", "libx264", "-pix_fmt", "yuv420p", "-movflags", "use_metadata_tags",
		"-metadata", "com.android.capture.fps=240", "-metadata", "location=+40.7000-074.0000/", "-metadata", "model=Model")
	c := mustProbe(t, path)
	if c.TimeFactor != 8 {
		t.Fatalf("factor %v", c.TimeFactor)
	}
	out := filepath.Join(t.TempDir(), "cut.mov")
	if _, err := Cut(context.Background(), c, .5, 1.5, out); err != nil {
		t.Fatal(err)
	}
	if got := mustProbe(t, out); got.TimeFactor != 8 {
		t.Errorf("factor %v", got.TimeFactor)
	}
	for _, trace := range []string{"40.7", "Model"} {
		if bytes.Contains(read(t, out), []byte(trace)) {
			t.Errorf("carries %q", trace)
		}
	}
}

func TestCutRefuses(t *testing.T) {
	c := mustProbe(t, smallClip(t, "a.mp4"))
	out := filepath.Join(t.TempDir(), "cut.mov")
	for _, span := range [][2]float64{{5, 6}, {.5, .5}, {.5, .2}, {math.NaN(), 1}} {
		if _, err := Cut(context.Background(), c, span[0], span[1], out); err == nil {
			t.Errorf("%v was cut", span)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var pe *pipeline.Error
	if _, err := Cut(ctx, c, 0, 1, out); !errors.As(err, &pe) || pe.Fault != pipeline.FaultInterrupted {
		t.Errorf("stopped: %v", err)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a file is left")
	}
}

// In pieces it is the same sound.
func TestEachSound(t *testing.T) {
	ctx := context.Background()
	c := mustProbe(t, clicked(t, "a.mp4", nil, []string{"-itsoffset", "0.3"}))
	want, start, err := Audio(ctx, c, 16000)
	if err != nil {
		t.Fatal(err)
	}
	var got []float32
	err = EachSound(ctx, c, 16000, 5000, func(s []float32, at float64) error {
		if math.Abs(at-start-float64(len(got))/16000) > 1e-9 || len(s) > 5000 {
			t.Errorf("%d samples at %v", len(s), at)
		}
		got = append(got, s...)
		return nil
	})
	if err != nil || len(got) != len(want) {
		t.Fatalf("%d samples of %d, %v", len(got), len(want), err)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("sample %d differs", i)
		}
	}
	enough := errors.New("enough")
	if err := EachSound(ctx, c, 16000, 100, func([]float32, float64) error { return enough }); err != enough {
		t.Errorf("%v", err)
	}
	if err := EachSound(ctx, mustProbe(t, smallClip(t, "s.mp4")), 16000, 100, nil); err != nil {
		t.Error(err)
	}
	c.Path = write(t, "d.mp4", []byte("nothing of the kind"))
	if err := EachSound(ctx, c, 16000, 100, nil); err == nil {
		t.Error("no film, and no error")
	}
}
