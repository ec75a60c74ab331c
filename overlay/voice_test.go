package overlay

import (
	"math"
	"testing"

	"tapeline/pipeline/words"
)

// The end card waits for the last word of the coach's note, which begins with
// the slow passage; a short note changes nothing.
func TestEndCardWaitsForTheVoice(t *testing.T) {
	rep, clip := truth(t, "open_faults").Report(.8)
	long := func(voice float64) (f *Film, seconds float64) {
		f, err := NewFilm(rep, clip, words.English(), FilmOptions{Voice: voice})
		if err != nil {
			t.Fatal(err)
		}
		return f, float64(len(f.Shots())) / float64(f.FPS())
	}
	plain, usual := long(0)
	at := int(math.Round(plain.SlowFrom() * float64(plain.FPS())))
	if s := plain.Shots(); s[at].Pass != 2 || s[at-1].Pass != 1 {
		t.Errorf("the slow passage does not begin at %.2f s", plain.SlowFrom())
	}
	if _, s := long(3); s != usual {
		t.Errorf("a short note makes the film %.2f s, without one %.2f", s, usual)
	}
	f, s := long(60)
	if want := f.SlowFrom() + 60 + afterVoice; math.Abs(s-want) > .04 || f.SlowFrom() != plain.SlowFrom() {
		t.Errorf("with a note of 60 s the film lasts %.2f s, want %.2f", s, want)
	}
	if last := f.Shots()[len(f.Shots())-1]; last.Part != EndCard {
		t.Errorf("it ends on the %s", last.Part)
	}
}
