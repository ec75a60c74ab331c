package detect

import (
	"context"
	"errors"
	"io"
	"math"
	"reflect"
	"slices"
	"sync"
	"testing"

	"tapeline/detect/internal/scene"
	"tapeline/detect/pose"
	"tapeline/pipeline"
)

// drawn is a source of pictures of a wall that the camera crosses and a head
// that moves before it.
type drawn struct {
	i, n   int
	rate   float64
	marker bool // an orange sticker on the head's middle
}

const (
	panX  = .8 // of the picture's content, pixels a frame
	headX = -1.1
)

var wallpaper, face = scene.New(31), scene.New(32)

func (d *drawn) person(i int) pipeline.Pose {
	return scene.Person(200+headX*float64(i), 260, 200)
}

func (d *drawn) Next() (*pipeline.Frame, error) {
	if d.i >= d.n {
		return nil, io.EOF
	}
	p := d.person(d.i)
	h := p.Joints[pipeline.Nose]
	f := scene.Draw(d.i, 400, 300, func(q pipeline.Point) float64 {
		if math.Hypot(q.X-h.X, q.Y-h.Y) < 20 {
			return face.At(pipeline.Point{X: q.X - h.X, Y: q.Y - h.Y})
		}
		return wallpaper.At(pipeline.Point{X: q.X - panX*float64(d.i), Y: q.Y})
	})
	if d.marker {
		for y := int(h.Y) - 4; y < int(h.Y)+5; y++ {
			for x := int(h.X) - 4; x < int(h.X)+5; x++ {
				a := math.Min(1, math.Max(0, 3.5-math.Hypot(float64(x)+.5-h.X, float64(y)+.5-h.Y)))
				for c, v := range [3]float64{0, 128, 255} {
					o := 3*(y*f.Width+x) + c
					f.Pix[o] = byte((1-a)*float64(f.Pix[o]) + a*v)
				}
			}
		}
	}
	f.PTS = float64(d.i) / d.rate
	d.i++
	return f, nil
}
func (d *drawn) Close() error { return nil }

// still follows the drawn person; frames counts what it was asked for.
type following struct {
	d      *drawn
	frames *[]int
}

func (s following) Step(f *pipeline.Frame, _ *pose.Glance) (*pipeline.Pose, error) {
	*s.frames = append(*s.frames, f.Index)
	p := s.d.person(f.Index)
	p.Net = pose.Heavy
	return &p, nil
}
func (s following) Lost() bool                          { return false }
func (s following) Glance(*pipeline.Frame) *pose.Glance { return nil }

func TestWindow(t *testing.T) {
	for _, c := range []struct {
		name  string
		rate  float64
		n     int
		share float64 // of the frames that have a pose
		away  float64 // of the burst, seconds
	}{{"60 a second", 60, 20, 1, 0}, {"240 a second, slowed to 30", 240, 20, .5, 0}, {"240 a second, far from the burst", 240, 21, 6. / 21, 2}} {
		t.Run(c.name, func(t *testing.T) {
			src := &drawn{n: c.n, rate: c.rate}
			o := &Options{Clip: pipeline.Clip{Width: 400, Height: 300, TimeFactor: 1, CaptureRate: c.rate},
				Open: func(context.Context, int, float64, float64) (pipeline.Source, error) { return src, nil }}
			if c.rate == 240 {
				o.Clip.TimeFactor, src.rate = 8, 30
			}
			var guide []sample
			for i := range c.n {
				ts := float64(i) / src.rate
				p := src.person(i)
				guide = append(guide, sample{t: o.Clip.Capture(ts), pts: ts, frame: i, pose: p, next: p.Region})
			}
			var asked []int
			start := func(string, pipeline.Region) follower { return following{src, &asked} }
			b := burst{t: guide[c.n/2].t + c.away, pts: guide[c.n/2].pts, speed: 3, travel: .4}
			w, err := window(context.Background(), o, start, span{0, 9}, b, guide, func(int, int) {})
			if err != nil {
				t.Fatal(err)
			}
			if len(w.Frames) != c.n || w.Key != 0 || w.Burst != b.pts || w.HandSpeed != 3 || w.HandTravel != .4 {
				t.Fatalf("window of %d frames: key %d, burst %g", len(w.Frames), w.Key, w.Burst)
			}
			if got := float64(len(asked)) / float64(c.n); math.Abs(got-c.share) > .06 {
				t.Errorf("%.2f of the frames were read, want %.2f", got, c.share)
			}
			for i, f := range w.Frames[1:] {
				i++
				if f.Index != i || f.PTS != float64(i)/src.rate {
					t.Fatalf("frame %d is %d at %g", i, f.Index, f.PTS)
				}
				if !f.Camera.OK || math.Abs(f.Camera.TX+panX*float64(i)) > .2 {
					t.Errorf("frame %d: camera %+v, want TX %.1f", i, f.Camera, -panX*float64(i))
				}
				if f.Head.Points == 0 || math.Abs(f.Head.DX-headX) > .3 || math.Abs(f.Head.DY) > .2 {
					t.Errorf("frame %d: head %+v, want DX %.1f", i, f.Head, headX)
				}
				if f.Energy <= 0 {
					t.Errorf("frame %d: a head moves and the energy is %g", i, f.Energy)
				}
			}
		})
	}
}

// picky leaves out what is not wanted, as a decoder does.
type picky struct {
	drawn
	only []int
}

func (p *picky) Apart(float64)     {}
func (p *picky) Pick(frames []int) { p.only = frames }
func (p *picky) Next() (*pipeline.Frame, error) {
	for {
		if p.only != nil && p.i < p.n && !slices.Contains(p.only, p.i) {
			p.i++
			continue
		}
		return p.drawn.Next()
	}
}

// Frames that are left out by the decoder are in the window all the same, with
// what was found around them.
func TestWindowOfPickedFrames(t *testing.T) {
	const n, rate = 31, 240.
	windowOf := func(src pipeline.Source) pipeline.Window {
		o := &Options{Clip: pipeline.Clip{Width: 400, Height: 300, TimeFactor: 1, CaptureRate: rate},
			Open: func(context.Context, int, float64, float64) (pipeline.Source, error) { return src, nil }}
		d := &drawn{}
		var guide []sample
		for i := range n {
			ts := float64(i) / rate
			o.Clip.PTS = append(o.Clip.PTS, ts)
			p := d.person(i)
			guide = append(guide, sample{t: ts, pts: ts, frame: i, pose: p, next: p.Region})
		}
		var asked []int
		start := func(string, pipeline.Region) follower { return following{d, &asked} }
		// The burst so far off that half of the frames lie beyond followSpan.
		b := burst{t: followSpan + .06, pts: followSpan + .06}
		w, err := window(context.Background(), o, start, span{0, 9}, b, guide, func(int, int) {})
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	p := &picky{drawn: drawn{n: n, rate: rate}}
	all, some := windowOf(&drawn{n: n, rate: rate}), windowOf(p)
	if len(p.only) == 0 || len(p.only) > n*3/4 || p.only[len(p.only)-1] != n-1 {
		t.Errorf("picked %v", p.only)
	}
	if !reflect.DeepEqual(all, some) {
		t.Error("the windows differ")
	}
	for i, f := range some.Frames {
		if f.Index != i || i > 0 && !f.Camera.OK {
			t.Errorf("frame %d: %+v", i, f)
		}
	}
}

// shown gives frames drawn before.
type shown struct{ frames []*pipeline.Frame }

func (s *shown) Next() (*pipeline.Frame, error) {
	if len(s.frames) == 0 {
		return nil, io.EOF
	}
	f := s.frames[0]
	s.frames = s.frames[1:]
	return f, nil
}
func (s *shown) Close() error { return nil }

// Windows read at once, as with --jobs 4, are the window read alone, and leave
// no picture or pyramid behind (TestMain counts them).
func TestWindowsAtOnce(t *testing.T) {
	const n, rate = 6, 60.
	var frames []*pipeline.Frame
	for d := (&drawn{n: n, rate: rate}); len(frames) < n; {
		f, err := d.Next()
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, f)
	}
	read := func() (pipeline.Window, error) {
		d := &shown{frames}
		o := &Options{Clip: pipeline.Clip{Width: 400, Height: 300, TimeFactor: 1, CaptureRate: rate},
			Open: func(context.Context, int, float64, float64) (pipeline.Source, error) { return d, nil }}
		var guide []sample
		for i := range n {
			p := (&drawn{}).person(i)
			guide = append(guide, sample{t: float64(i) / rate, pts: float64(i) / rate, frame: i, pose: p, next: p.Region})
		}
		var asked []int
		start := func(string, pipeline.Region) follower { return following{&drawn{}, &asked} }
		return window(context.Background(), o, start, span{0, 9}, burst{t: .05, pts: .05}, guide, func(int, int) {})
	}
	want, err := read()
	if err != nil || len(want.Frames) != n {
		t.Fatal(len(want.Frames), err)
	}
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			if got, err := read(); err != nil || !reflect.DeepEqual(got, want) {
				t.Errorf("another window, %v", err)
			}
		})
	}
	all.Wait()
}

// A marker, by its colour or by its place in the first picture, is in every
// frame of the window; without a name it is in none.
func TestWindowFollowsMarker(t *testing.T) {
	at := (&drawn{}).person(0).Joints[pipeline.Nose]
	for name, g := range map[string]pipeline.Given{"none": {}, "colour": {Marker: "#ff8000"}, "place": {MarkerAt: &pipeline.Point{X: at.X, Y: at.Y}}} {
		o := &Options{Clip: pipeline.Clip{Width: 400, Height: 300, TimeFactor: 1, CaptureRate: 60}, Given: g,
			Open: func(context.Context, int, float64, float64) (pipeline.Source, error) {
				return &drawn{n: 20, rate: 60, marker: true}, nil
			}}
		var err error
		if o.marker, err = sticker(context.Background(), o); err != nil {
			t.Fatal(err)
		}
		d := &drawn{}
		var guide []sample
		for i := range 20 {
			p := d.person(i)
			guide = append(guide, sample{t: float64(i) / 60, pts: float64(i) / 60, frame: i, pose: p, next: p.Region})
		}
		var asked []int
		start := func(string, pipeline.Region) follower { return following{d, &asked} }
		w, err := window(context.Background(), o, start, span{0, 9}, burst{t: .2, pts: .2}, guide, func(int, int) {})
		if err != nil {
			t.Fatal(err)
		}
		for i, f := range w.Frames {
			if (f.Marker != nil) != g.Marked() {
				t.Fatalf("%s, frame %d: marker %v", name, i, f.Marker)
			}
			if h := d.person(i).Joints[pipeline.Nose]; f.Marker != nil && math.Hypot(f.Marker.X-h.X, f.Marker.Y-h.Y) > .2 {
				t.Errorf("%s, frame %d: %v, want %.2f, %.2f", name, i, *f.Marker, h.X, h.Y)
			}
		}
	}
}

// A place without colour, or outside the picture, is the user's slip.
func TestMarkerMisnamed(t *testing.T) {
	for _, g := range []pipeline.Given{{MarkerAt: &pipeline.Point{X: 10, Y: 10}}, {MarkerAt: &pipeline.Point{X: 999, Y: 10}},
		{Marker: "#ffffff"}, {Scale: &pipeline.Span{To: pipeline.Point{X: 10, Y: 999}, CM: 84}}} {
		_, err := See(context.Background(), Options{Clip: pipeline.Clip{Width: 400, Height: 300, TimeFactor: 1, CaptureRate: 60}, Given: g,
			Open: func(context.Context, int, float64, float64) (pipeline.Source, error) {
				return &drawn{n: 20, rate: 60, marker: true}, nil
			}})
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultUsage {
			t.Errorf("%+v: %v", g, err)
		}
	}
}

func TestConfirm(t *testing.T) {
	// The scan saw little; the better network sees a swing at 1 s, or doesn't.
	for _, c := range []struct {
		name string
		a    actor
		want bool
	}{
		{"a swing", actor{x: 300, h: 300, to: 9, hands: swinging(1)}, true},
		{"a waggle", actor{x: 300, h: 300, to: 9, hands: func(t float64) pipeline.Point {
			return pipeline.Point{X: .04 * math.Sin(2*math.Pi*2*t)}
		}}, false},
	} {
		p := &play{n: 60, rate: 30, actors: []actor{c.a}}
		o := p.options()
		q := c.a.at(1)
		b := burst{t: 1.1, pts: 1.1, speed: 1.3, travel: .17, who: 4}
		ok, err := confirm(context.Background(), o, func(string, pipeline.Region) follower { return actorFollower{c.a} },
			&b, []sample{{t: .9, pose: q, next: q.Region}, {t: 1.1, pose: q, next: q.Region}})
		if err != nil || ok != c.want {
			t.Errorf("%s: %v %v", c.name, ok, err)
		}
		if ok && (math.Abs(b.pts-1) > .05 || b.who != 4 || b.speed < swings.speed) {
			t.Errorf("%s: %+v", c.name, b)
		}
	}
}

type actorFollower struct{ a actor }

func (f actorFollower) Step(fr *pipeline.Frame, _ *pose.Glance) (*pipeline.Pose, error) {
	p := f.a.at(fr.PTS)
	return &p, nil
}
func (f actorFollower) Lost() bool                          { return false }
func (f actorFollower) Glance(*pipeline.Frame) *pose.Glance { return nil }
