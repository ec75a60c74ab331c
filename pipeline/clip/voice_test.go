package clip

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

// tone is the strength of one frequency in a stretch of sound, Goertzel's sum
// over whole periods: the amplitude of a sine of that frequency.
func tone(s []float32, from, to, hz float64) float64 {
	a, b := int(from*soundRate), min(int(to*soundRate), len(s))
	var re, im float64
	for i := a; i < b; i++ {
		w := 2 * math.Pi * hz * float64(i) / soundRate
		re += float64(s[i]) * math.Cos(w)
		im += float64(s[i]) * math.Sin(w)
	}
	return 2 * math.Hypot(re, im) / float64(b-a)
}

func said(t *testing.T, name, seconds string, more ...string) string {
	t.Helper()
	args := []string{"-f", "lavfi", "-i", "sine=f=880:r=44100:d=" + seconds, "-metadata", "title=A child"}
	return makeClip(t, name, append(args, more...)...)
}

// A note in each of the three forms is laid where it was asked for, at one
// loudness, with the clip's own sound held down under it and back after it.
func TestVoiceIsLaidUnderTheFilm(t *testing.T) {
	in := makeClip(t, "in.mp4", "-f", "lavfi", "-i", "testsrc=s=192x108:r=30:d=4", "-f", "lavfi", "-i", "sine=f=440:d=4", "-c:v", "libx264", "-pix_fmt", "yuv420p", "-c:a", "aac")
	c := mustProbe(t, in)
	for _, name := range []string{"note.m4a", "note.wav", "note.mp3"} {
		voice, err := Voice(context.Background(), said(t, name, "1.5"))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if d := VoiceSeconds(voice); math.Abs(d-1.5) > .06 {
			t.Errorf("%s: %.2f s", name, d)
		}
		out := encode(t, Spec{Width: 192, Height: 108, FPS: 30, SoundFrom: &c, Sound: []SoundSpan{{At: 0, From: 0, To: 4}}, Voice: voice, VoiceAt: 1}, 120,
			func(int) *imageRGBA { return grey })
		s, _, err := Audio(context.Background(), mustProbe(t, out), soundRate)
		if err != nil {
			t.Fatal(err)
		}
		full, under, after := tone(s, .2, .9, 440), tone(s, 1.2, 2.2, 440), tone(s, 2.8, 3.8, 440)
		if math.Abs(under/full-duck) > .03 || math.Abs(after/full-1) > .05 {
			t.Errorf("%s: the clip's own sound %.3f before, %.3f under, %.3f after", name, full, under, after)
		}
		// A sine's RMS is its amplitude over √2.
		if v := tone(s, 1.2, 2.2, 880) / math.Sqrt2; math.Abs(v/voiceLevel-1) > .1 {
			t.Errorf("%s: the voice %.3f loud, want %.3f", name, v, voiceLevel)
		}
		if v := math.Max(tone(s, .2, .9, 880), tone(s, 2.8, 3.8, 880)); v > .005 {
			t.Errorf("%s: the voice %.3f outside its time", name, v)
		}
	}
}

// A silent clip gets a sound track for the voice.
func TestVoiceOverSilence(t *testing.T) {
	voice, err := Voice(context.Background(), said(t, "note.wav", "1"))
	if err != nil {
		t.Fatal(err)
	}
	out := encode(t, Spec{Width: 192, Height: 108, FPS: 30, Voice: voice, VoiceAt: .5}, 60, func(int) *imageRGBA { return grey })
	s, _, err := Audio(context.Background(), mustProbe(t, out), soundRate)
	if err != nil || tone(s, .6, 1.4, 880) < .1 {
		t.Errorf("%d samples, %.3f loud, %v", len(s), tone(s, .6, 1.4, 880), err)
	}
	e, err := NewEncoder(context.Background(), filepath.Join(t.TempDir(), "x.mp4"), Spec{Width: 192, Height: 108, FPS: 30, Voice: voice, VoiceAt: .5})
	if err != nil {
		t.Fatal(err)
	}
	for range 30 { // the film ends before the note
		if err := e.Write(grey); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err == nil {
		t.Error("the end of the note was cut off silently")
	}
}

func TestVoiceRefusals(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	for name, path := range map[string]string{
		"playlist": file("a.mp3", "#EXTM3U\n#EXT-X-TARGETDURATION:1\nfile:///etc/passwd\n"),
		"empty":    file("b.wav", ""),
		"missing":  filepath.Join(dir, "none.m4a"),
		"folder":   dir,
		"damaged":  file("c.wav", "RIFF\x10\x00\x00\x00WAVEfmt nothing here at all"),
		"silent":   smallClip(t, "d.mp4"),
		"long":     said(t, "e.wav", "125"),
	} {
		_, err := Voice(context.Background(), path)
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultUnreadable || e.Step != stepVoice {
			t.Errorf("%s: %v", name, err)
		}
	}
}
