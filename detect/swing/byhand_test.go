package swing

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	p "tapeline/pipeline"
)

// misled is a sample's track whose head is carried up before contact and whose
// front toe is drawn too far round.
func misled(tr *truth) p.Track {
	k := simulate(tr, .2, 1)
	contact := tr.Phases["contact"].T
	for i := range k.Windows[0].Frames {
		f := &k.Windows[0].Frames[i]
		if near := f.PTS - contact; near > -.12 && near <= .01 {
			f.Head.DY -= 3
		}
		if f.PTS > contact-.14 {
			for _, j := range []int{p.LeftToe, p.RightToe} {
				f.Pose.Joints[j].X += 12
				f.Pose.Joints[j].Y -= 6
			}
		}
	}
	return k
}

// What the coach puts right is what is measured: the truth's eyes and foot on
// one picture mend a head and a foot that were seen wrong.
func TestCorrectedPointsAreMeasured(t *testing.T) {
	tr := loadTruth(t, "open_faults")
	k := misled(tr)
	given := p.Given{Bats: p.BatsRight, View: p.ViewChest, HeightCM: 178}
	judge := func(c *p.Coach) *p.Swing {
		g := given
		g.Coach = c
		r, err := Judge(k, g)
		if err != nil {
			t.Fatal(err)
		}
		return r.Chosen()
	}
	before := judge(nil)
	frame := *before.Event(p.Contact).Frame
	truth := &tr.Frames[frame]
	mark := func(part, name string) p.Placed {
		q := truth.Points[name].Px
		return p.Placed{Part: part, Frame: frame, At: p.Point{X: q[0], Y: q[1]}}
	}
	after := judge(&p.Coach{Points: []p.Placed{mark("eyes", "eye_mid"), mark("front_heel", "left_heel"), mark("front_toe", "left_foot_index")}})
	for _, c := range []struct {
		key        string
		from       p.EventKind
		want, wide float64
	}{{"eye_drop", p.Stance, truth.EyeDrop, .8}, {"front_foot_open", "", truth.FrontYaw, 8}} {
		m, was := after.Measure(c.key, c.from, p.Contact), before.Measure(c.key, c.from, p.Contact)
		if m.Value == nil || was.Value == nil {
			t.Fatalf("%s: %v, was %v", c.key, m, was)
		}
		t.Logf("%s: true %.1f, %.1f before, %.1f (%.1f to %.1f) after", c.key, c.want, *was.Value, *m.Value, *m.Lo, *m.Hi)
		if math.Abs(*m.Value-c.want) > c.wide || *m.Lo > c.want || *m.Hi < c.want {
			t.Errorf("%s: %.1f (%.1f to %.1f), true %.1f", c.key, *m.Value, *m.Lo, *m.Hi, c.want)
		}
		if math.Abs(*was.Value-c.want) < 1.5*c.wide {
			t.Errorf("%s: %.1f was right before", c.key, *was.Value)
		}
	}
	if a, b := after.Measure("eye_drop", p.Stance, p.Plant), before.Measure("eye_drop", p.Stance, p.Plant); math.Abs(*a.Value-*b.Value) > .3 {
		t.Errorf("at the plant, which was not touched: %.2f, was %.2f", *a.Value, *b.Value)
	}
}

// A corrected moment is taken as it is, and what hangs on it follows.
func TestCorrectedTimesAreTaken(t *testing.T) {
	tr := loadTruth(t, "open_faults")
	k := simulate(tr, .2, 1)
	for _, e := range p.EventKinds {
		at := tr.Phases["contact"].T + map[p.EventKind]float64{p.Stance: -.9, p.Load: -.6, p.Stride: -.45, p.Plant: -.15, p.Launch: -.12, p.Contact: .03, p.Extension: .1, p.Finish: .3}[e]
		r, err := Judge(k, p.Given{HeightCM: 178, Coach: &p.Coach{Times: []p.Timed{{Event: e, T: at}}}})
		if err != nil {
			t.Fatal(err)
		}
		got := r.Chosen().Event(e)
		if got.T == nil || math.Abs(*got.T-at) > 1e-3 && e != p.Stance || math.Abs(*got.T-at) > .02 {
			t.Errorf("%s: %v, want %.3f", e, got, at)
		}
		if e != p.Stance && (got.Reason != "coach" || *got.Lo > at || *got.Hi < at) {
			t.Errorf("%s: %v", e, got)
		}
	}
}

// A plant that the coach saw is no more said not to be there.
func TestPlantOfTheCoach(t *testing.T) {
	k := warningTriggers["no_stride"].track()
	warned := func(r p.Report) bool {
		return slices.ContainsFunc(r.Warnings, func(w p.Warning) bool { return w.Code == "no_stride" })
	}
	found, err := Judge(k, k.Given)
	if err != nil || !warned(found) {
		t.Fatalf("%v %v", err, found.Warnings)
	}
	g := k.Given
	g.Coach = &p.Coach{Times: []p.Timed{{Event: p.Plant, T: *found.Chosen().Event(p.Contact).T - .17}}}
	set, err := Judge(k, g)
	if err != nil || warned(set) || set.Chosen().Measure("eye_drop", p.Stance, p.Plant).Value == nil {
		t.Errorf("%v %v", err, set.Warnings)
	}
}

func TestCorrectionsOutsideAreRefused(t *testing.T) {
	k := simulate(loadTruth(t, "open_faults"), .2, 1)
	for want, c := range map[string]*p.Coach{
		"no swing at 99":           {Times: []p.Timed{{Event: p.Plant, T: 99}}},
		"not after the phase":      {Times: []p.Timed{{Event: p.Contact, T: .5}, {Event: p.Plant, T: .6}}},
		"belongs to no swing":      {Points: []p.Placed{{Part: "eyes", Frame: 9999}}},
		"lies outside the picture": {Points: []p.Placed{{Part: "eyes", Frame: 3, At: p.Point{X: 5000}}}},
	} {
		_, err := Judge(k, p.Given{Coach: c})
		var e *p.Error
		if !errors.As(err, &e) || e.Fault != p.FaultUsage || !strings.Contains(e.What, want) {
			t.Errorf("%q: %v", want, err)
		}
	}
}
