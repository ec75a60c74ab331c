package swing

import (
	"math"
	"math/rand"
	"slices"
	"testing"

	"tapeline/detect/swing/sim"
	p "tapeline/pipeline"
)

// seen is a batter's track as good as seeing gets, 1.78 m tall.
func seen(change func(*sim.Params)) p.Track {
	q := sim.Usual()
	q.Lead, q.Hold = .8, 1
	if change != nil {
		change(&q)
	}
	rng := rand.New(rand.NewSource(7))
	return sim.Track(sim.Swing(q), sim.Perfect(), rng)
}

// cut keeps the frames from a to b seconds off the fastest hands.
func cut(t p.Track, a, b float64) p.Track {
	ws := slices.Clone(t.Windows)
	for i := range ws {
		ws[i].Frames = slices.DeleteFunc(slices.Clone(ws[i].Frames), func(f p.Seen) bool {
			return f.PTS < ws[i].Burst+a || f.PTS > ws[i].Burst+b
		})
	}
	t.Windows = ws
	return t
}

// posed changes a copy of every pose; s is seconds off the fastest hands.
func posed(t p.Track, f func(s float64, q *p.Pose)) p.Track {
	burst := t.Windows[0].Burst
	each(&t, func(s *p.Seen) {
		if s.Pose != nil {
			q := *s.Pose
			f(s.PTS-burst, &q)
			s.Pose = &q
		}
	})
	return t
}

func silent(t p.Track) p.Track {
	t.Onsets = nil
	return t
}

// trigger is a track that makes the judge give a code. What is said of the
// batter is 178 cm, and bats where it stands.
type trigger struct {
	track func() p.Track
	bats  p.Side
}

func usual() p.Track { return seen(nil) }

var warningTriggers = map[string]trigger{
	"bats_doubtful": {usual, p.BatsLeft},
	// The left hand never leaves the left hip.
	"hand_hidden": {func() p.Track {
		return posed(usual(), func(_ float64, q *p.Pose) {
			for j := p.LeftWrist; j <= p.LeftThumb; j += 2 {
				q.Joints[j] = q.Joints[p.LeftHip]
			}
		})
	}, ""},
	"stance_cut": {func() p.Track { return cut(usual(), -.42, 2) }, ""},
	// Another cage's bat, half a second before this one's.
	"sound_elsewhere": {func() p.Track {
		t := usual()
		t.Onsets = []p.Onset{{T: t.Windows[0].Burst - .5, Strength: 80, Sharp: .001}}
		return t
	}, ""},
	"head_flow_lost": {func() p.Track { return blind(usual()) }, ""},
	"no_stride":      {func() p.Track { return seen(func(q *sim.Params) { q.Step, q.StrideLen = sim.NoStep, 0 }) }, ""},
	// The front foot slides on through contact, ever faster.
	"plant_uncertain":  {sliding, ""},
	"clip_starts_late": {func() p.Track { return cut(usual(), -.1, 2) }, ""},
	// A sticker that is hidden from just before contact on.
	"marker_lost": {func() p.Track {
		return marked(usual(), func(t float64) bool { return t > -.05 })
	}, ""},
	// A bat of 84 cm said to be twice that.
	"scale_disagrees": {func() p.Track {
		t := usual()
		px := t.Windows[0].Frames[0].Pose.Height() / 178
		t.Given.Scale = &p.Span{From: p.Point{X: 9, Y: 9}, To: p.Point{X: 9 + 84*px, Y: 9}, CM: 168}
		return t
	}, ""},
	"foot_hidden": {func() p.Track {
		q, e := sim.Usual(), sim.Measured()
		e.HiddenFoot = true
		return sim.Track(sim.Swing(q), e, rand.New(rand.NewSource(7)))
	}, ""},
	"oblique": {func() p.Track { return seen(func(q *sim.Params) { q.YawOff = 35 }) }, ""},
}

// marked gives the batter a sticker between the ears, unseen where hidden says
// so, t seconds off the fastest hands.
func marked(t p.Track, hidden func(t float64) bool) p.Track {
	t.Given.Marker = "#ff8000"
	burst := t.Windows[0].Burst
	each(&t, func(s *p.Seen) {
		if s.Pose != nil && !hidden(s.PTS-burst) {
			q := s.Pose.Mean(p.LeftEar, p.RightEar)
			s.Marker = &q
		}
	})
	return t
}

// blind loses the head's flow for the tenth of a second before the fastest
// hands.
func blind(t p.Track) p.Track {
	burst := t.Windows[0].Burst
	each(&t, func(s *p.Seen) {
		if d := s.PTS - burst; d > -.1 && d < 0 {
			s.Head = p.HeadStep{}
		}
	})
	return t
}

func sliding() p.Track {
	return posed(usual(), func(s float64, q *p.Pose) {
		u := math.Max(0, s+.45)
		for _, j := range []int{p.LeftAnkle, p.LeftHeel, p.LeftToe} {
			q.Joints[j].X += 400 * u * u
		}
	})
}

var reasonTriggers = map[string]trigger{
	"still":              {usual, ""},
	"first_move":         {usual, ""},
	"foot_speed":         {usual, ""},
	"foot_rest":          {sliding, ""},
	"hand_speed":         {usual, ""},
	"hand_and_bat_speed": {usual, ""},
	"bat_motion":         {func() p.Track { return silent(usual()) }, ""},
	"ball":               {func() p.Track { k, _ := pitched(usual(), 0, -.06, .06, false); return k }, ""},
	"sound":              {usual, ""},
	"arm_length":         {usual, ""},
	"coach": {func() p.Track {
		k := usual()
		k.Given.Coach = &p.Coach{Times: []p.Timed{{Event: p.Contact, T: k.Windows[0].Burst}}}
		return k
	}, ""},
	"no_stride":        warningTriggers["no_stride"],
	"clip_starts_late": warningTriggers["clip_starts_late"],
	"clip_ends_early":  {func() p.Track { return cut(usual(), -2, .2) }, ""},
	"launch_unseen":    {func() p.Track { return seen(func(q *sim.Params) { q.View, q.Distance = p.ViewPitcher, 6 }) }, ""},
}

var measureTriggers = map[string]trigger{
	"along_view":       {func() p.Track { return seen(func(q *sim.Params) { q.View, q.Distance = p.ViewPitcher, 6 }) }, ""},
	"clip_ends_early":  {func() p.Track { return cut(usual(), -2, .2) }, ""},
	"clip_starts_late": warningTriggers["clip_starts_late"],
	"launch_unseen":    reasonTriggers["launch_unseen"],
	"no_stride":        warningTriggers["no_stride"],
	// The front knee hides behind the back one.
	"knees_together": {func() p.Track {
		return posed(usual(), func(_ float64, q *p.Pose) { q.Joints[p.LeftKnee] = q.Joints[p.RightKnee] })
	}, ""},
	// The back toe hides behind its own heel.
	"foot_ambiguous": {func() p.Track {
		return posed(usual(), func(_ float64, q *p.Pose) { q.Joints[p.RightToe] = q.Joints[p.RightHeel] })
	}, ""},
	"foot_end_on":    {func() p.Track { return seen(func(q *sim.Params) { q.View, q.Distance = p.ViewPitcher, 6 }) }, ""},
	"foot_hidden":    warningTriggers["foot_hidden"],
	"face_unseen":    {func() p.Track { return seen(func(q *sim.Params) { q.View = p.ViewBack }) }, ""},
	"head_flow_lost": {func() p.Track { return blind(usual()) }, ""},
	"nod_assumed":    {usual, ""},
	"stance_cut":     warningTriggers["stance_cut"],
	"marker_lost":    warningTriggers["marker_lost"],
	"nod_not_legs":   {func() p.Track { return seen(func(q *sim.Params) { q.EyeDrop = 4 }) }, ""},
	"sink_unsure":    {func() p.Track { return seen(func(q *sim.Params) { q.EyeDrop = 0 }) }, ""},
	// Hips hardly higher than the ankles, and a head that sinks far.
	"out_of_reach": {func() p.Track {
		return posed(seen(func(q *sim.Params) { q.EyeDrop = 14 }), func(_ float64, q *p.Pose) {
			for _, k := range [][2]int{{p.LeftHip, p.LeftAnkle}, {p.RightHip, p.RightAnkle}} {
				h, a := &q.Joints[k[0]], q.Joints[k[1]]
				h.X, h.Y = a.X+.25*(h.X-a.X), a.Y+.25*(h.Y-a.Y)
			}
		})
	}, ""},
}

// Every code of the judge's lists is given by the judge itself on some track;
// a listed code without a trigger fails, and so does a trigger without a code.
func TestEveryCodeCanBeTriggered(t *testing.T) {
	for _, list := range []struct {
		name     string
		codes    []string
		triggers map[string]trigger
		given    func(p.Report) []string
	}{
		{"warning", p.JudgeCodes, warningTriggers, func(r p.Report) (out []string) {
			for _, w := range r.Warnings {
				out = append(out, w.Code)
			}
			return out
		}},
		{"reason", p.ReasonCodes, reasonTriggers, func(r p.Report) (out []string) {
			for _, e := range r.Chosen().Events {
				out = append(out, e.Reason)
			}
			return out
		}},
		{"measure", p.MeasureCodes, measureTriggers, func(r p.Report) (out []string) {
			for _, m := range r.Chosen().Measures {
				out = append(out, m.Warnings...)
			}
			return out
		}},
	} {
		for code := range list.triggers {
			if !slices.Contains(list.codes, code) {
				t.Errorf("%s %s has a trigger but is not listed", list.name, code)
			}
		}
		for _, code := range list.codes {
			t.Run(list.name+"/"+code, func(t *testing.T) {
				x, ok := list.triggers[code]
				if !ok {
					t.Fatal("nothing triggers it: write a trigger, or delete the code from its list and from the words")
				}
				k := x.track()
				r, err := Judge(k, p.Given{HeightCM: 178, Bats: x.bats, Coach: k.Given.Coach})
				if err != nil {
					t.Fatal(err)
				}
				if got := list.given(r); !slices.Contains(got, code) {
					t.Errorf("not among %v", got)
				}
			})
		}
	}
}

// A swing with nothing wrong with it, seen without error, gets no warning: so
// each trigger above is what gives its code.
func TestNothingWrongNothingSaid(t *testing.T) {
	r, err := Judge(usual(), p.Given{HeightCM: 178})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Warnings) > 0 {
		t.Errorf("%+v", r.Warnings)
	}
}

// A dark picture and one compressed hard are less sure.
func TestBadPicturesAreLessSure(t *testing.T) {
	width := func(change func(*p.Track)) float64 {
		k := usual()
		change(&k)
		r, err := Judge(k, p.Given{HeightCM: 178})
		if err != nil {
			t.Fatal(err)
		}
		m := r.Chosen().Measure("eye_drop", p.Stance, p.Contact)
		return *m.Hi - *m.Lo
	}
	good := width(func(*p.Track) {})
	for code, change := range map[string]func(*p.Track){
		"dark":       func(k *p.Track) { k.Warnings = append(k.Warnings, p.Warning{Code: "dark"}) },
		"compressed": func(k *p.Track) { k.Clip.Warnings = append(k.Clip.Warnings, p.Warning{Code: "compressed"}) },
	} {
		if w := width(change); w < good+4 {
			t.Errorf("%s: %.1f cm wide, good picture %.1f", code, w, good)
		}
	}
}

// Nobody who films from the pitcher or the catcher is told to film from there,
// nobody who films from the side to go to the side.
func TestFootAdviceFitsTheView(t *testing.T) {
	given := 0
	for _, view := range []p.View{p.ViewChest, p.ViewBack, p.ViewPitcher, p.ViewCatcher} {
		want, not := "foot_ambiguous", "foot_end_on"
		if view == p.ViewPitcher || view == p.ViewCatcher {
			want, not = not, want
		}
		// The front toe hides behind its own heel.
		k := posed(seen(func(q *sim.Params) { q.View, q.Distance = view, 6 }), func(_ float64, q *p.Pose) { q.Joints[p.LeftToe] = q.Joints[p.LeftHeel] })
		r, err := Judge(k, p.Given{HeightCM: 178})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range r.Chosen().Measures {
			if slices.Contains(m.Warnings, not) {
				t.Errorf("from %s: %s %s has %s", view, m.Key, m.At, not)
			}
			if slices.Contains(m.Warnings, want) {
				given++
			}
		}
	}
	if given < 4 {
		t.Errorf("said %d times only", given)
	}
}
