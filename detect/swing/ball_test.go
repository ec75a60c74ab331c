package swing

import (
	"math"
	"testing"

	"tapeline/detect/sound"
	p "tapeline/pipeline"
)

// pitched puts a ball into the frames of a silent track, seconds from a to b
// off the true contact: from the pitcher's side at 26 m/s to a place before the
// hands, and away at 36 m/s (unhit: it goes on as it came). late moves it in
// time.
func pitched(t p.Track, late, a, b float64, unhit bool) (p.Track, float64) {
	t = silent(t)
	contact := t.Windows[0].Burst
	if r, err := Judge(t, p.Given{HeightCM: 178}); err == nil {
		contact = *r.Chosen().Event(p.Contact).T
	}
	contact += late
	var hands p.Point
	m, front, near := 0., 1., math.Inf(1)
	each(&t, func(s *p.Seen) {
		if d := math.Abs(s.PTS - contact); s.Pose != nil && d < near {
			hands, near = s.Camera.Apply(s.Pose.Mean(p.LeftWrist, p.RightWrist)), d
			m = s.Pose.Height() / 1.78
			front = math.Copysign(1, s.Pose.Joints[p.LeftAnkle].X-s.Pose.Joints[p.RightAnkle].X)
		}
	})
	each(&t, func(s *p.Seen) {
		if d := s.PTS - contact; d >= a && d <= b {
			q := p.Point{X: hands.X + front*m*(.2-26*d), Y: hands.Y + 2*m*d}
			if d > 0 && !unhit {
				q = p.Point{X: hands.X + front*m*(.2+36*d), Y: hands.Y - 9*m*d}
			}
			q = s.Camera.Invert(q)
			s.Ball = &q
		}
	})
	return t, contact
}

func contactOf(t *testing.T, k p.Track) p.Event {
	t.Helper()
	r, err := Judge(k, p.Given{HeightCM: 178})
	if err != nil {
		t.Fatal(err)
	}
	return *r.Chosen().Event(p.Contact)
}

// The ball's turn is contact, wherever within the doubt of what else is seen.
func TestContactFromTheTurnOfTheBall(t *testing.T) {
	for _, late := range []float64{-.02, 0, .007, .02} {
		k, truth := pitched(usual(), late, -.06, .06, false)
		e := contactOf(t, k)
		if e.Reason != "ball" || math.Abs(*e.T-truth) > .001 || *e.Lo > truth || *e.Hi < truth || *e.Hi-*e.Lo > .02 {
			t.Errorf("%+g s: %s %.4f in %.4f…%.4f, true %.4f", late, e.Reason, *e.T, *e.Lo, *e.Hi, truth)
		}
	}
}

// Seen coming only, or going only: the bounds hold contact and are wider.
func TestContactFromOneSideOfTheBall(t *testing.T) {
	for _, s := range [][2]float64{{-.075, -.005}, {.005, .075}} {
		k, truth := pitched(usual(), 0, s[0], s[1], false)
		e := contactOf(t, k)
		if e.Reason != "ball" || *e.Lo > truth || *e.Hi < truth || *e.Hi-*e.Lo < .02 {
			t.Errorf("%v: %s %.4f in %.4f…%.4f, true %.4f", s, e.Reason, *e.T, *e.Lo, *e.Hi, truth)
		}
	}
}

// A ball at another time, one that flies on unhit and one seen twice only say
// nothing of contact.
func TestOtherBallsAreNoContact(t *testing.T) {
	elsewhere, _ := pitched(usual(), -.3, -.06, .06, false)
	unhit, _ := pitched(usual(), 0, -.06, .06, true)
	twice, _ := pitched(usual(), 0, -.018, .015, false)
	for name, k := range map[string]p.Track{"elsewhere": elsewhere, "unhit": unhit, "twice": twice} {
		if e := contactOf(t, k); e.Reason != "bat_motion" {
			t.Errorf("%s: contact from %s", name, e.Reason)
		}
	}
}

// Ball and crack make one contact that is surer than either where they agree;
// a crack outside the ball's bounds is somebody else's.
func TestSoundBesideTheBall(t *testing.T) {
	k, truth := pitched(usual(), 0, -.06, .06, false)
	alone := contactOf(t, k)
	for _, c := range []struct {
		off    float64
		weighs bool
	}{{.006, true}, {.02, true}, {.07, false}} {
		k.Onsets = []p.Onset{{T: truth + c.off + sound.Delay(3.7, 20), Strength: 80, Sharp: .001}}
		e := contactOf(t, k)
		if moved := *e.T - *alone.T; (moved > .1*c.off) != c.weighs || moved > .5*c.off {
			t.Errorf("%g s off: moved by %.4f", c.off, moved)
		}
		if half := (*e.Hi - *e.Lo) / 2; c.off < .01 && half > .9*(*alone.Hi-*alone.Lo)/2 || *e.Lo > truth || *e.Hi < truth {
			t.Errorf("%g s off: %.4f…%.4f, true %.4f, the ball alone %.4f…%.4f", c.off, *e.Lo, *e.Hi, truth, *alone.Lo, *alone.Hi)
		}
	}
}
