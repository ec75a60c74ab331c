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

// click is a sound track of two seconds, silent but for a burst at 0.5 s.
const click = "aevalsrc='if(between(t,0.5,0.505),0.9*sin(2*PI*3000*t),0)':s=48000:d=2"

// onset is the time of the first loud sample.
func onset(t *testing.T, c pipeline.Clip, rate int) float64 {
	t.Helper()
	s, start, err := Audio(context.Background(), c, rate)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range s {
		if math.Abs(float64(v)) > 0.2 {
			return start + float64(i)/float64(rate)
		}
	}
	t.Fatalf("no sound in %d samples", len(s))
	return 0
}

func clicked(t *testing.T, name string, before, after []string) string {
	t.Helper()
	args := append(append([]string{}, before...), "-f", "lavfi", "-i", "testsrc=s=192x108:r=30:d=2")
	// passthrough: no pictures added to fill a gap
	args = append(append(args, after...), "-f", "lavfi", "-i", click, "-fps_mode", "passthrough")
	return makeClip(t, name, append(args, "-c:v", "libx264", "-bf", "2", "-g", "100", "-pix_fmt", "yuv420p", "-c:a", "aac", "-b:a", "128k")...)
}

// The click stays where it is on the picture's clock, whatever the container
// does: encoder priming (AAC: 1024 samples), sound that begins later, picture
// that begins later, a cut between key frames, other containers and rates.
func TestSoundOnPictureClock(t *testing.T) {
	plain := clicked(t, "a.mp4", nil, nil)
	for _, tc := range []struct {
		name, path string
		want       float64
	}{
		{"plain", plain, 0.5},
		{"mkv", clicked(t, "a.mkv", nil, nil), 0.5},
		{"mov", clicked(t, "a.mov", nil, nil), 0.5},
		{"sound late", clicked(t, "l.mp4", nil, []string{"-itsoffset", "0.3"}), 0.8},
		{"picture late", clicked(t, "p.mp4", []string{"-itsoffset", "0.3"}, nil), 0.2},
		{"cut", makeClip(t, "c.mp4", "-ss", "0.3", "-i", "file:"+plain, "-c", "copy"), 0.2},
	} {
		c := mustProbe(t, tc.path)
		if !c.HasAudio {
			t.Fatalf("%s: no sound", tc.name)
		}
		for _, rate := range []int{48000, 16000} {
			got := onset(t, c, rate)
			if math.Abs(got-tc.want) > 0.001 {
				t.Errorf("%s at %d Hz: click at %.4f s, want %.4f (sound starts at %.4f)", tc.name, rate, got, tc.want, c.AudioStart)
			}
		}
	}
}

func TestNoSound(t *testing.T) {
	c := mustProbe(t, smallClip(t, "a.mp4"))
	if s, _, err := Audio(context.Background(), c, 48000); err != nil || len(s) != 0 || c.HasAudio {
		t.Errorf("%d samples, %v", len(s), err)
	}
}

// The original's sound lies where it was asked for, and nothing that tells
// where or with what it was filmed comes along.
func TestEncodeSound(t *testing.T) {
	in := makeClip(t, "in.mp4", "-f", "lavfi", "-i", "testsrc=s=192x108:r=30:d=2", "-itsoffset", "0.1", "-f", "lavfi", "-i", click,
		"-c:v", "libx264", "-pix_fmt", "yuv420p", "-c:a", "aac", "-movflags", "use_metadata_tags",
		"-metadata", "location=+40.7000-074.0000/", "-metadata", "com.apple.quicktime.location.ISO6709=+40.7000-074.0000+010/",
		"-metadata", "make=Phone", "-metadata", "model=Model", "-metadata", "creation_time=2024-05-05T10:00:00Z", "-metadata", "title=A child")
	if !bytes.Contains(read(t, in), []byte("ISO6709")) {
		t.Fatal("the input carries no place")
	}
	c := mustProbe(t, in)
	// Click at 0.6 s; from 0.4 s on it is laid at 1.0 s: heard at 1.2 s.
	out := encode(t, Spec{Width: 192, Height: 108, FPS: 30, SoundFrom: &c, Sound: []SoundSpan{{At: 1, From: 0.4, To: 0.9}, {At: 2.5, From: 0.55, To: 5}}}, 90,
		func(int) *imageRGBA { return grey })
	o := mustProbe(t, out)
	if got := onset(t, o, 48000); math.Abs(got-1.2) > 0.001 {
		t.Errorf("click at %.4f s", got)
	}
	s, start, err := Audio(context.Background(), o, 48000)
	if err != nil {
		t.Fatal(err)
	}
	if d := start + float64(len(s))/48000; math.Abs(d-3) > 0.05 || math.Abs(start) > 1e-3 {
		t.Errorf("sound from %v to %v s", start, d)
	}
	clicks, last := 0, -1.0
	for i, v := range s {
		if at := start + float64(i)/48000; math.Abs(float64(v)) > 0.2 {
			if at-last > 0.1 {
				clicks++
			}
			last = at
		}
	}
	if clicks != 2 || math.Abs(last-2.555) > 0.002 {
		t.Errorf("%d clicks, the last ends at %v", clicks, last)
	}
	b := read(t, out)
	for _, trace := range []string{"40.7", "ISO6709", "Phone", "Model", "A child", "2024", "Lavf", "Lavc", "x264", "xyz", "loci"} {
		if bytes.Contains(b, []byte(trace)) {
			t.Errorf("carries %q", trace)
		}
	}
	if bytes.Index(b, []byte("moov")) > bytes.Index(b, []byte("mdat")) {
		t.Error("the index comes last")
	}
}

// verify is the last lock on the door: it must see what it is there for.
func TestVerifySees(t *testing.T) {
	spec := Spec{Width: 192, Height: 108, FPS: 30}
	good := encode(t, spec, 45, func(int) *imageRGBA { return grey })
	tagged := []string{"-c:v", "libx264", "-profile:v", "high", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv"}
	meta := func(args ...string) string {
		return makeClip(t, "m.mp4", append([]string{"-i", "file:" + good, "-c", "copy", "-fflags", "+bitexact", "-movflags"}, args...)...)
	}
	check := func(path string, s Spec, frames int) error {
		e := &Encoder{ctx: context.Background(), path: path, spec: s, frames: frames}
		return e.verify()
	}
	if err := check(good, spec, 45); err != nil {
		t.Fatal(err)
	}
	for name, err := range map[string]error{
		"frames":     check(good, spec, 44),
		"size":       check(good, Spec{Width: 194, Height: 108, FPS: 30}, 45),
		"rate":       check(good, Spec{Width: 192, Height: 108, FPS: 25}, 45),
		"index last": check(meta("+empty_moov+frag_keyframe"), spec, 45),
		"moov last":  check(makeClip(t, "m.mp4", "-i", "file:"+good, "-c", "copy", "-fflags", "+bitexact"), spec, 45),
		"place":      check(meta("+faststart", "-metadata", "location=+40.7-074.0/"), spec, 45),
		"apple":      check(meta("+faststart+use_metadata_tags", "-metadata", "com.apple.quicktime.location.ISO6709=+40-074/"), spec, 45),
		"title":      check(meta("+faststart", "-metadata", "title=A child"), spec, 45),
		"date":       check(meta("+faststart", "-metadata", "creation_time=2024-05-05T10:00:00Z"), spec, 45),
		"untagged":   check(smallClip(t, "u.mp4", "-c:v", "libx264", "-profile:v", "high", "-movflags", "+faststart", "-fflags", "+bitexact"), spec, 45),
		"4:4:4":      check(smallClip(t, "u.mp4", append(tagged[:2:2], "-pix_fmt", "yuv444p", "-movflags", "+faststart")...), spec, 45),
		"damaged":    check(write(t, "d.mp4", read(t, good)[:1500]), spec, 45),
	} {
		var pe *pipeline.Error
		if !errors.As(err, &pe) || pe.Fault != pipeline.FaultInternal {
			t.Errorf("%s: %v", name, err)
			continue
		}
		t.Logf("%s: %s", name, pe.What)
	}
}

// The same pictures give the same bytes.
func TestEncodeRepeats(t *testing.T) {
	spec := Spec{Width: 192, Height: 108, FPS: 30}
	a := read(t, encode(t, spec, 20, func(int) *imageRGBA { return grey }))
	b := read(t, encode(t, spec, 20, func(int) *imageRGBA { return grey }))
	if !bytes.Equal(a, b) {
		t.Error("two runs differ")
	}
}

func TestEncodeLeavesNoTemp(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	c := mustProbe(t, smallClip(t, "a.mp4"))
	s, err := Open(context.Background(), c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	if l, _ := filepath.Glob(filepath.Join(dir, "tapeline*")); len(l) != 0 {
		t.Errorf("left %v", l)
	}
	if _, err := os.Stat(dir); err != nil {
		t.Fatal(err)
	}
}
