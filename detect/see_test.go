package detect

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"tapeline/detect/internal/scene"
	"tapeline/detect/pose"
	"tapeline/pipeline"
)

// actor is one person of a played clip: where, when, and how the hands move.
type actor struct {
	x, h     float64
	from, to float64
	hands    func(t float64) pipeline.Point // off the chest, body heights
	apart    float64                        // added between the wrists, body heights
}

func (a actor) at(t float64) pipeline.Pose {
	p := scene.Person(a.x, 500, a.h)
	if a.hands == nil {
		return p
	}
	d := a.hands(t)
	for _, j := range []int{pipeline.LeftWrist, pipeline.RightWrist, pipeline.LeftIndex, pipeline.RightIndex} {
		p.Joints[j].X += d.X * a.h
		p.Joints[j].Y += d.Y * a.h
		if j == pipeline.LeftWrist {
			p.Joints[j].X += a.apart * a.h
		}
	}
	return p
}

// play answers as networks would that see the actors without fault. It is
// also the source of the frames, which are blank.
type play struct {
	actors   []actor
	n        int
	rate     float64
	i        int
	tiles    bool // people are seen in tiles only
	breaksAt int
}

func (p *play) Next() (*pipeline.Frame, error) {
	if p.breaksAt > 0 && p.i == p.breaksAt {
		return nil, errors.New("the stream breaks")
	}
	if p.i >= p.n {
		return nil, io.EOF
	}
	f := &pipeline.Frame{Index: p.i, PTS: float64(p.i) / p.rate, Width: 96, Height: 54, Scale: 10, Pix: make([]byte, 96*54*3)}
	p.i++
	return f, nil
}
func (p *play) Close() error { return nil }

func (p *play) people(t float64) (out []pose.Person) {
	for _, a := range p.actors {
		if t >= a.from && t < a.to {
			q := a.at(t)
			out = append(out, pose.Person{Score: .9, Hips: hips(&q), Region: q.Region})
		}
	}
	return out
}

func (p *play) Detect(f *pipeline.Frame) ([]pose.Person, error) {
	if p.tiles {
		return nil, nil
	}
	return p.people(f.PTS), nil
}

func (p *play) DetectNear(f *pipeline.Frame, at pipeline.Point, side float64) (out []pose.Person, err error) {
	for _, q := range p.people(f.PTS) {
		if math.Abs(q.Hips.X-at.X) < side/2 && math.Abs(q.Hips.Y-at.Y) < side/2 {
			out = append(out, q)
		}
	}
	return out, nil
}

// Read gives whoever stands nearest to the region's centre.
func (p *play) Read(net string, f *pipeline.Frame, r pipeline.Region) (pose.Reading, error) {
	best, near := pose.Reading{}, .3*r.Size
	for _, a := range p.actors {
		if f.PTS < a.from || f.PTS >= a.to {
			continue
		}
		q := a.at(f.PTS)
		if d := math.Hypot(q.Region.CX-r.CX, q.Region.CY-r.CY); d < near {
			near = d
			best = pose.Reading{Pose: q, Next: q.Region}
		}
	}
	return best, nil
}

func (p *play) Follow(string, pipeline.Region) *pose.Follower { panic("not in the scan") }
func (p *play) Models() []pipeline.Model                      { return nil }
func (p *play) Warm(string) error                             { return nil }

func (p *play) options() *Options {
	var pts []float64
	for i := range p.n {
		pts = append(pts, float64(i)/p.rate)
	}
	return &Options{Nets: p, Clip: pipeline.Clip{Width: 960, Height: 540, PTS: pts, CaptureRate: p.rate, TimeFactor: 1},
		Open: func(context.Context, int, float64, float64) (pipeline.Source, error) { return p, nil }}
}

// swinging is the hands of somebody who swings at the given times.
func swinging(times ...float64) func(float64) pipeline.Point {
	return func(t float64) pipeline.Point {
		a := 0.
		for _, at := range times {
			if t < at-.2 {
				break
			}
			u := math.Min(1, math.Max(0, (t-at)/.25+.5))
			a = 2.2 * u * u * (3 - 2*u) * math.Min(1, math.Max(0, 1-(t-at-.5)/2)) // slowly back
		}
		return pipeline.Point{X: .3 * math.Cos(a), Y: .3 * math.Sin(a)}
	}
}

func TestScanFollowsEverybody(t *testing.T) {
	p := &play{n: 150, rate: 30, actors: []actor{
		{x: 300, h: 300, to: 9}, {x: 600, h: 250, from: 1, to: 3}, {x: 601, h: 250, from: 3.4, to: 9}}}
	s, err := scan(context.Background(), p.options())
	if err != nil {
		t.Fatal(err)
	}
	if len(s.people) != 2 || s.atOnce != 2 {
		t.Fatalf("%d people, %d at once, want 2 and 2: somebody lost for .4 s is the same", len(s.people), s.atOnce)
	}
	if n := len(s.people[0].samples); n != 150 {
		t.Errorf("the first has %d samples, want 150", n)
	}
}

func TestScanTakesThirtyASecond(t *testing.T) {
	for _, rate := range []float64{24, 30, 60, 120, 240} {
		p := &play{n: int(2 * rate), rate: rate, actors: []actor{{x: 300, h: 300, to: 9}}}
		s, err := scan(context.Background(), p.options())
		if err != nil {
			t.Fatal(err)
		}
		want := 2 * math.Min(rate, 30)
		if n := float64(len(s.people[0].samples)); math.Abs(n-want) > .12*want {
			t.Errorf("%g a second: %g samples in 2 s, want about %g", rate, n, want)
		}
	}
}

func TestScanLooksInTilesForTheSmall(t *testing.T) {
	p := &play{n: 30, rate: 30, tiles: true, actors: []actor{{x: 700, h: 90, to: 9}}}
	s, err := scan(context.Background(), p.options())
	if err != nil || len(s.people) != 1 {
		t.Fatal(len(s.people), err)
	}
}

func TestChoose(t *testing.T) {
	thrower := func(t float64) pipeline.Point { return swinging(1.2)(t) }
	for _, c := range []struct {
		name   string
		actors []actor
		given  *pipeline.Point
		want   []float64
		x      float64 // where the batter stands
	}{
		{"two swings", []actor{{x: 300, h: 300, to: 9, hands: swinging(1.5, 4.5)}}, nil, []float64{1.5, 4.5}, 300},
		{"a bystander", []actor{{x: 600, h: 400, to: 9}, {x: 300, h: 300, to: 9, hands: swinging(1.5)}}, nil, []float64{1.5}, 300},
		{"a pitcher throws with one hand", []actor{{x: 600, h: 300, to: 9, hands: thrower, apart: .8}, {x: 300, h: 300, to: 9, hands: swinging(2)}}, nil, []float64{2}, 300},
		{"two swing, one is pointed at", []actor{{x: 600, h: 300, to: 9, hands: swinging(1.5)}, {x: 300, h: 300, to: 9, hands: swinging(4)}}, &pipeline.Point{X: 310, Y: 350}, []float64{4}, 300},
		{"nobody swings", []actor{{x: 300, h: 300, to: 9}}, nil, nil, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := &play{n: 180, rate: 30, actors: c.actors}
			s, err := scan(context.Background(), p.options())
			if err != nil {
				t.Fatal(err)
			}
			bs, maybe, guide, err := choose(s.people, pipeline.Given{Batter: c.given})
			if err != nil {
				t.Fatal(err)
			}
			if len(bs) != len(c.want) || len(maybe) != 0 {
				t.Fatalf("swings %+v, doubtful %+v, want at %v", bs, maybe, c.want)
			}
			for i := range bs {
				if math.Abs(bs[i].pts-c.want[i]) > .07 {
					t.Errorf("swing at %.2f, want %.2f", bs[i].pts, c.want[i])
				}
			}
			if len(bs) > 0 {
				if h := hips(&guide[0].pose); math.Abs(h.X-c.x) > 5 {
					t.Errorf("the batter is at %.0f, want %.0f", h.X, c.x)
				}
			}
		})
	}
}

func TestFaults(t *testing.T) {
	still := []actor{{x: 300, h: 300, to: 9}}
	for _, c := range []struct {
		name  string
		play  *play
		given pipeline.Given
		fault pipeline.Fault
		says  string
	}{
		{"nobody", &play{n: 60, rate: 30}, pipeline.Given{}, pipeline.FaultNoBatter, "nobody seen"},
		{"somebody still", &play{n: 60, rate: 30, actors: still}, pipeline.Given{}, pipeline.FaultNoSwing, "no swing"},
		{"pointed at nobody", &play{n: 60, rate: 30, actors: still}, pipeline.Given{Batter: &pipeline.Point{X: 900, Y: 20}}, pipeline.FaultNoBatter, "900,20"},
	} {
		o := c.play.options()
		o.Given = c.given
		_, err := See(context.Background(), *o)
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != c.fault || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") || e.Hint == "" {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	o := (&play{n: 60, rate: 30, actors: still, breaksAt: 37}).options()
	if _, err := See(context.Background(), *o); err == nil || !strings.Contains(err.Error(), "breaks") {
		t.Errorf("a stream that breaks at frame 37: %v", err)
	}
	o = (&play{n: 60, rate: 30, actors: still}).options()
	o.Quality = "superb"
	var e *pipeline.Error
	if _, err := See(context.Background(), *o); !errors.As(err, &e) || e.Fault != pipeline.FaultUsage {
		t.Errorf("an unknown quality: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := See(ctx, *(&play{n: 60, rate: 30, actors: still}).options()); !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
}

// stepper is a follower that gives what it is told.
type stepper struct{ p *pipeline.Pose }

func (s stepper) Glance(*pipeline.Frame) *pose.Glance                        { return nil }
func (s stepper) Step(*pipeline.Frame, *pose.Glance) (*pipeline.Pose, error) { return s.p, nil }
func (s stepper) Lost() bool                                                 { return false }

func TestReaderStaysWithTheBatter(t *testing.T) {
	batter, other := scene.Person(300, 500, 300), scene.Person(500, 500, 300)
	guide := []sample{{t: 1, pose: batter, next: batter.Region}}
	starts := 0
	r := reader{net: pose.Heavy, guide: guide, start: func(net string, at pipeline.Region) follower {
		starts++
		if at.CX != batter.Region.CX {
			t.Error("started somewhere else than the scan saw him")
		}
		if net == pose.Heavy {
			return stepper{&other} // heavy slid onto somebody else
		}
		return stepper{&batter}
	}}
	p, err := r.read(&pipeline.Frame{}, 1, nil)
	if err != nil || p == nil || hips(p).X != 300 || starts != 2 {
		t.Errorf("got %v after %d starts, want the batter from the other network", p, starts)
	}
	if p, _ := r.read(&pipeline.Frame{}, 3, nil); p != nil {
		t.Error("somebody read where the scan knows nothing and nobody is followed")
	}
}

func TestInTwo(t *testing.T) {
	for n := range 6 {
		done := make([]bool, n)
		if err := inTwo(n, func(i int) error { done[i] = true; return nil }); err != nil || slices.Contains(done, false) {
			t.Errorf("%d: %v, %v", n, done, err)
		}
	}
	// They are at work at once.
	var met sync.WaitGroup
	met.Add(2)
	if err := inTwo(2, func(int) error { met.Done(); met.Wait(); return nil }); err != nil {
		t.Error(err)
	}
	for _, bad := range [][]int{{0}, {1}, {4}, {1, 2}, {2, 3}} {
		err := inTwo(5, func(i int) error {
			if slices.Contains(bad, i) {
				return fmt.Errorf("%d", i)
			}
			return nil
		})
		if err == nil || err.Error() != fmt.Sprint(bad[0]) {
			t.Errorf("%v: %v", bad, err)
		}
	}
	var e *pipeline.Error
	if err := inTwo(2, func(i int) error {
		if i == 1 {
			panic("x")
		}
		return nil
	}); !errors.As(err, &e) || e.Fault != pipeline.FaultInternal {
		t.Errorf("a panic came back as %v", err)
	}
}

func TestLostSpans(t *testing.T) {
	var fs []pipeline.Seen
	for i := range 60 {
		s := pipeline.Seen{Index: i, PTS: float64(i) / 60}
		if i%2 == 0 && (i < 20 || i > 40) {
			s.Pose = &pipeline.Pose{}
		}
		fs = append(fs, s)
	}
	got := lost(fs, pipeline.Clip{TimeFactor: 1})
	if len(got) != 1 || math.Abs(got[0].from-18./60) > 1e-9 || math.Abs(got[0].to-42./60) > 1e-9 {
		t.Errorf("%+v", got)
	}
}

func TestCentresCover(t *testing.T) {
	for _, c := range []struct {
		length, side float64
		n            int
	}{{100, 200, 1}, {960, 480, 3}, {540, 480, 2}, {1000, 300, 6}} {
		cs := centres(c.length, c.side)
		if len(cs) != c.n {
			t.Errorf("%d tiles of %g over %g, want %d", len(cs), c.side, c.length, c.n)
		}
		if c.n > 1 && (cs[0] != c.side/2 || cs[len(cs)-1] != c.length-c.side/2) {
			t.Errorf("tiles %v don't reach the edges of %g", cs, c.length)
		}
	}
}
