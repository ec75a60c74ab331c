package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/words"
)

// Whatever the video hardware does wrong, at once or in the midst of the film,
// the lesson is the one that is made without it.
func TestLessonWithoutItsHardware(t *testing.T) {
	if testing.Short() {
		t.Skip("makes two films")
	}
	ctx := context.Background()
	c, err := clip.Probe(ctx, "../../samples/open_faults.mp4")
	if err != nil {
		t.Fatal(err)
	}
	track := sampleTrack(t)
	rep, err := judging(ownRules(t))(track, track.Given)
	if err != nil {
		t.Fatal(err)
	}
	lesson := func(hardware bool) (files map[string][]byte, again int) {
		t.Helper()
		dir, tr := t.TempDir(), pipeline.NewTrace()
		by := showing{text: words.English(), card: overlay.FilmOptions{FirstName: "Ada"}, hardware: hardware}
		if err := by.show(pipeline.WithTrace(ctx, tr), c, &rep, dir, nil); err != nil {
			t.Fatal(err)
		}
		all, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		files = map[string][]byte{}
		for _, f := range all {
			if files[f.Name()], err = os.ReadFile(filepath.Join(dir, f.Name())); err != nil {
				t.Fatal(err)
			}
		}
		var b bytes.Buffer
		if err := tr.Write(&b); err != nil {
			t.Fatal(err)
		}
		return files, strings.Count(b.String(), clip.ErrHardware.Error())
	}
	want, again := lesson(false)
	if again != 0 || len(want[pipeline.LessonFile]) == 0 {
		t.Fatalf("made again %d times; %d bytes of film", again, len(want[pipeline.LessonFile]))
	}
	real, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Fatal(err)
	}
	standIn := func(t *testing.T, does string) {
		dir := t.TempDir()
		script := fmt.Sprintf("#!/bin/sh\ncase \" $* \" in *\" -hwaccel \"*) %s ;; esac\nexec '%s' \"$@\"\n", does, real)
		if err := os.WriteFile(filepath.Join(dir, "ffmpeg"), []byte(script), 0o700); err != nil {
			t.Fatal(err)
		}
		t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	}
	t.Run("loses a picture", func(t *testing.T) {
		standIn(t, `for a do shift; case $a in '[0:V:0]'*) a='[0:V:0]select=not(eq(n\,30)),'${a#'[0:V:0]'} ;; esac; set -- "$@" "$a"; done`)
		got, again := lesson(true)
		if again != 1 || len(got) != len(want) {
			t.Errorf("made again %d times; %d files, want %d", again, len(got), len(want))
		}
		for file, b := range want {
			if !bytes.Equal(got[file], b) {
				t.Errorf("%s is other", file)
			}
		}
	})
	// A third film would only show that this is made again as that was.
	t.Run("fails", func(t *testing.T) {
		standIn(t, `echo 'Device creation failed: -1.' >&2; exit 1`)
		film, err := overlay.NewFilm(&rep, c, words.English(), overlay.FilmOptions{})
		if err != nil {
			t.Fatal(err)
		}
		spec, parts := filmSpec(c, film, nil), halves(film.Shots())
		spec.Planes, spec.Parts = true, len(parts)
		enc, err := clip.NewEncoder(ctx, filepath.Join(t.TempDir(), pipeline.LessonFile), spec)
		if err != nil {
			t.Fatal(err)
		}
		defer enc.Abort()
		if _, err := layShots(ctx, c, film, parts, clip.Wanted{Hardware: true}, enc, nil); !errors.Is(err, clip.ErrHardware) {
			t.Errorf("%v", err)
		}
	})
}
