package clip

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// standIn puts before ffmpeg what does as video hardware may where its decoding
// is asked for: filters come first, or it fails. asked counts.
func standIn(t *testing.T, filters, fails string) (asked func() int) {
	t.Helper()
	real, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	script := fmt.Sprintf(`#!/bin/sh
case " $* " in
*" -hwaccel "*) echo >> '%[1]s/asked' ;;
*) exec '%[2]s' "$@" ;;
esac
%[3]s
for a do
	shift
	case $a in '[0:V:0]'*) a='[0:V:0]%[4]s'${a#'[0:V:0]'} ;; esac
	set -- "$@" "$a"
done
exec '%[2]s' "$@"
`, dir, real, fails, filters)
	if err := os.WriteFile(filepath.Join(dir, "ffmpeg"), []byte(script), 0o700); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	return func() int {
		b, _ := os.ReadFile(filepath.Join(dir, "asked"))
		return len(b)
	}
}

// decodeAll gives all bytes of the film's pictures and of the stills.
func decodeAll(t *testing.T, path string, hardware bool) (out []byte, shown int, err error) {
	t.Helper()
	c := mustProbe(t, path)
	w := Wanted{Frames: []int{0, 1, 3, 8, 9, 20}, Width: c.Width / 2, Height: c.Height / 2, Stills: []int{2, 9, 22}, Hardware: hardware}
	p, err := OpenPlanes(context.Background(), c, w)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	img := NewPlanes(w.Width, w.Height)
	for {
		if _, err := p.Next(img); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, shown, err
		}
		out, shown = append(append(append(out, img.Y...), img.Cb...), img.Cr...), shown+1
	}
	stills, err := p.Stills()
	for _, s := range stills {
		out = append(out, s.Image.Pix...)
	}
	return out, shown, err
}

func hardwareClip(t *testing.T, format string, tags ...string) string {
	codec := []string{"libx264"}
	if strings.HasSuffix(format, "10le") {
		codec = []string{"libx265", "-x265-params", "log-level=none"}
	}
	filter := "gradfun,scale=out_range=tv,format=" + format
	if len(tags) > 1 && tags[1] == "pc" {
		filter = "gradfun,scale=out_range=pc,format=" + format
	}
	args := lavfi("testsrc2=s=320x192:r=30", append(append([]string{"-frames:v", "30", "-vf", filter, "-c:v"}, codec...), "-bf", "2")...)
	return makeClip(t, format+".mp4", append(args, tags...)...)
}

// What comes interleaved, as from hardware, gives the same bytes, and only where
// it does hardware is asked.
func TestHardwareGivesTheSame(t *testing.T) {
	hlg := []string{"-color_range", "tv", "-colorspace", "bt2020nc", "-color_primaries", "bt2020", "-color_trc", "arib-std-b67"}
	for _, c := range []struct {
		name, format, filters string
		tags                  []string
		asked                 int
	}{
		{"8 bits", "yuv420p", "format=nv12,", nil, 1},
		{"tagged", "yuv420p", "format=nv12,", []string{"-color_range", "tv", "-colorspace", "smpte170m"}, 1},
		{"full range", "yuvj420p", "scale=in_range=pc:out_range=pc,format=nv12,", []string{"-color_range", "pc", "-colorspace", "bt470bg"}, 1},
		{"10 bits", "yuv420p10le", "format=p010le,", hlg, 1},
		{"10 bits, full range", "yuv420p10le", "format=p010le,", []string{"-color_range", "pc", "-colorspace", "bt2020nc"}, 0},
		{"no device", "yuv420p", "", nil, 1}, // as ffmpeg itself falls back, where this runs without one
	} {
		t.Run(c.name, func(t *testing.T) {
			path := hardwareClip(t, c.format, c.tags...)
			want, _, err := decodeAll(t, path, false)
			if err != nil {
				t.Fatal(err)
			}
			asked := standIn(t, c.filters, "")
			got, _, err := decodeAll(t, path, true)
			if err != nil || asked() != c.asked {
				t.Fatalf("asked %d times, want %d; %v", asked(), c.asked, err)
			}
			if !bytes.Equal(got, want) {
				t.Error("other pictures")
			}
		})
	}
}

// What hardware does wrong is told from a damaged clip, and no picture is handed
// on in another's place.
func TestHardwareGoesWrong(t *testing.T) {
	path := hardwareClip(t, "yuv420p")
	want, _, err := decodeAll(t, path, false)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		filters, fails string
		shown          int
	}{
		"fails":            {"", "echo 'Device creation failed: -1.' >&2; exit 1", 0},
		"loses a picture":  {`select=not(eq(n\,5)),`, "", 3},
		"one twice":        {`loop=1:1:5,`, "", 3},
		"a wrong time":     {`setpts=PTS+eq(N\,5)*0.9/30/TB,`, "", 3},
		"ends too soon":    {`select=lt(n\,15),`, "", 5},
		"the last missing": {`select=lt(n\,22),`, "", 6},
	} {
		t.Run(name, func(t *testing.T) {
			asked := standIn(t, c.filters, c.fails)
			_, shown, err := decodeAll(t, path, true)
			if !errors.Is(err, ErrHardware) || errors.Is(err, io.EOF) || shown != c.shown || asked() != 1 {
				t.Errorf("%d pictures shown, want %d; asked %d times; %v", shown, c.shown, asked(), err)
			}
			got, _, err := decodeAll(t, path, false)
			if err != nil || !bytes.Equal(got, want) || asked() != 1 {
				t.Errorf("in software: %v", err)
			}
		})
	}
}
