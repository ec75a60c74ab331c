package main

import (
	"bytes"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapeline/detect/card"
	"tapeline/pipeline"
)

const cardRoster = "id,first_name,guardian_email\nb07,Ada,ada@example.org\nc-12,Ben,\nlong_id_of_thirty_two_characters,Dee,\nb1,Eve,\n"

// What is printed is read again: on paper as a renderer sees it, every card of
// the page in one picture; and no name is on it.
func TestCardsReadAgain(t *testing.T) {
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("no pdftoppm")
	}
	for _, tc := range []struct {
		args []string
		want []string
	}{
		{nil, []string{"b07", "b1", "c-12", "long_id_of_thirty_two_characters"}},
		{[]string{"--players", "c-12,b07", "--units", "imperial", "--lang", "es"}, []string{"b07", "c-12"}},
	} {
		dir := t.TempDir()
		t.Chdir(dir)
		if err := os.WriteFile("r.csv", []byte(cardRoster), 0o600); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run(append([]string{"cards", "--roster", "r.csv"}, tc.args...), nil, &out, &errs); code != 0 {
			t.Fatalf("%d: %s", code, errs.String())
		}
		if !strings.HasPrefix(out.String(), "cards.pdf: ") {
			t.Errorf("said %q", out.String())
		}
		if b, err := exec.Command("pdftoppm", "-r", "100", "-png", "cards.pdf", "page").CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, b)
		}
		if got := cardsOn(t, filepath.Join(dir, "page-1.png")); !slices.Equal(got, tc.want) {
			t.Errorf("%v: read %q, want %q", tc.args, got, tc.want)
		}
		if b, err := exec.Command("pdftotext", "cards.pdf", "-").Output(); err == nil {
			for _, never := range []string{"Ada", "Ben", "Dee", "example.org"} {
				if strings.Contains(string(b), never) {
					t.Errorf("%q stands on the sheet", never)
				}
			}
			if !strings.Contains(string(b), "b07") {
				t.Errorf("no code in letters: %q", b)
			}
		}
	}
}

// cardsOn reads the cards of a picture file.
func cardsOn(t *testing.T, path string) []string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	frame := &pipeline.Frame{Width: w, Height: h, Scale: 1}
	for y := range h {
		for x := range w {
			r, g, b, _ := m.At(x, y).RGBA()
			frame.Pix = append(frame.Pix, byte(b>>8), byte(g>>8), byte(r>>8))
		}
	}
	r := card.NewReader()
	defer r.Close()
	ids, err := r.Read(frame)
	if err != nil {
		t.Fatal(err)
	}
	return ids
}
