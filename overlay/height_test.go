package overlay

import (
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// The height above the ground stands on the tape only where it is about as
// exact as a coach hangs it.
func TestVagueHeightIsNotPrinted(t *testing.T) {
	for half, printed := range map[float64]bool{3: true, 5: true, 5.1: false, 12: false} {
		rep, clip := truth(t, "open_faults").Report(.8)
		m := rep.Chosen().Measure("eye_height", "", pipeline.Stance)
		lo, hi := *m.Value-half, *m.Value+half
		m.Lo, m.Hi = &lo, &hi
		f, err := NewFilm(rep, clip, words.English(), FilmOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if got := f.tapeCaption() != f.text.Captions["tape"]; got != printed {
			t.Errorf("±%g cm: %q", half, f.tapeCaption())
		}
	}
}
