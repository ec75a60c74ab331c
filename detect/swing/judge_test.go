package swing

import (
	"math"
	"testing"

	p "tapeline/pipeline"
)

// at reads the truth at time t, linear between frames.
func (tr *truth) at(t float64, f func(i int) float64) float64 {
	x := t * tr.Image.FPS
	i := min(max(int(x), 0), len(tr.Frames)-2)
	u := x - float64(i)
	return (1-u)*f(i) + u*f(i+1)
}

func (tr *truth) fall(t float64, names ...string) float64 {
	h := func(i int) (y float64) {
		for _, n := range names {
			y += tr.Frames[i].Points[n].XYZ[2] * 100 / float64(len(names))
		}
		return
	}
	return h(0) - tr.at(t, h)
}

// The geometry after the network, fed with true points and 1 px of noise, must
// give the truth back: half the error allowed for the whole program, since
// nothing here is the network's fault.
func TestJudgeTrueTracks(t *testing.T) {
	for _, name := range []string{"open_faults", "open_clean", "front_left"} {
		t.Run(name, func(t *testing.T) {
			tr := loadTruth(t, name)
			track := simulate(tr, 1, 1)
			h := tr.Params["stature"].(float64) * 100
			r, err := Judge(track, p.Given{HeightCM: h})
			if err != nil {
				t.Fatal(err)
			}
			s := r.Chosen()
			front := tr.FrontSide
			back := map[string]string{"left": "right", "right": "left"}[front]
			wantBats := map[string]p.Side{"left": p.BatsRight, "right": p.BatsLeft}[front]
			if r.Batter.Bats != wantBats {
				t.Errorf("bats %s, want %s", r.Batter.Bats, wantBats)
			}
			wantView := map[string]p.View{"open": p.ViewChest, "closed": p.ViewBack, "front": p.ViewPitcher, "rear": p.ViewCatcher}[tr.Params["view"].(string)]
			if r.Batter.View != wantView {
				t.Errorf("view %s, want %s", r.Batter.View, wantView)
			}
			c, pl := tr.Phases["contact"].T, tr.Phases["plant"].T
			near := func(what string, got *float64, want, tol float64) {
				t.Helper()
				if got == nil {
					t.Errorf("%s: null, want %.3f", what, want)
					return
				}
				t.Logf("%-32s %8.3f truth %8.3f", what, *got, want)
				if math.Abs(*got-want) > tol {
					t.Errorf("%s: %.3f, want %.3f ± %.3f", what, *got, want, tol)
				}
			}
			frame := 1 / tr.Image.FPS
			near("contact", s.Event(p.Contact).T, c, frame)
			near("plant", s.Event(p.Plant).T, pl, 2*frame)
			m := func(k string, from, at p.EventKind) *float64 {
				x := s.Measure(k, from, at)
				if x == nil {
					t.Fatalf("no measure %s %s %s", k, from, at)
				}
				return x.Value
			}
			near("eye_drop plant", m("eye_drop", p.Stance, p.Plant), tr.fall(pl, "eye_mid"), 1)
			near("eye_drop contact", m("eye_drop", p.Stance, p.Contact), tr.fall(c, "eye_mid"), 1)
			near("head_drop contact", m("head_drop", p.Stance, p.Contact), tr.fall(c, "left_ear", "right_ear"), 1)
			fx := func(n string) func(int) float64 {
				return func(i int) float64 { return tr.Frames[i].Points[n].XYZ[0] * 100 }
			}
			if wantView == p.ViewChest {
				near("eye_forward contact", m("eye_forward", p.Stance, p.Contact), tr.at(c, fx("eye_mid"))-fx("eye_mid")(0), 1.3)
				near("head_over_back", m("head_over_back", "", p.Contact), tr.at(c, fx("eye_mid"))-tr.at(c, fx(back+"_knee")), 2)
				near("stride", m("stride_length", p.Stance, p.Plant), tr.at(pl, fx(front+"_ankle"))-fx(front+"_ankle")(0), 5)
			} else if m("eye_forward", p.Stance, p.Contact) != nil || m("head_over_back", "", p.Contact) != nil {
				t.Error("what lies along the view can't be told")
			}
			for _, k := range []p.EventKind{p.Plant, p.Contact} {
				x := s.Measure("front_foot_open", "", k)
				want := tr.at(tr.Phases[string(k)].T, func(i int) float64 { return tr.Frames[i].FrontYaw })
				near("front_foot_open "+string(k), x.Value, want, 20)
				if want < *x.Lo || want > *x.Hi {
					t.Errorf("front_foot_open %s: %.1f outside %.1f … %.1f", k, want, *x.Lo, *x.Hi)
				}
				t.Logf("    bounds %.1f … %.1f", *x.Lo, *x.Hi)
			}
			for _, e := range s.Events {
				if e.T != nil {
					t.Logf("%-10s %.3f [%.3f %.3f] truth %.3f %s", e.Kind, *e.T, *e.Lo, *e.Hi, tr.Phases[string(e.Kind)].T, e.Reason)
				} else {
					t.Logf("%-10s null %s", e.Kind, e.Reason)
				}
			}
			for _, x := range s.Measures {
				if x.Value != nil {
					t.Logf("%-22s %s→%s %.2f [%.2f %.2f] %s %v", x.Key, x.From, x.At, *x.Value, *x.Lo, *x.Hi, x.Unit, x.Warnings)
				} else {
					t.Logf("%-22s %s→%s null %v", x.Key, x.From, x.At, x.Warnings)
				}
			}
			t.Log(r.Batter.Inferred, *r.Batter.ViewAngle, s.Geometry)
		})
	}
}
