package long

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"tapeline/detect/internal/scene"
	"tapeline/pipeline"
)

// moving is a recording in which something moves a little all the time, and
// more at peaks: a bump of .3 s.
func moving(seconds float64, peaks map[float64]float64) []move {
	rng := rand.New(rand.NewPCG(1, 1))
	var out []move
	for t := 0.; t < seconds; t += 1. / motionRate {
		e := .2 + .05*rng.Float64()
		for at, high := range peaks {
			e += .2 * high * math.Exp(-math.Pow((t-at)/.12, 2))
		}
		out = append(out, move{t, e})
	}
	return out
}

func TestCandidates(t *testing.T) {
	walking := moving(60, nil)
	for i := range walking {
		walking[i].e += .8 + .3*math.Sin(2*math.Pi*1.8*walking[i].t)
	}
	for _, tc := range []struct {
		name   string
		moves  []move
		cracks []float64
		want   [][2]float64
		heard  []bool
	}{
		{"nothing", moving(60, nil), nil, nil, nil},
		{"no pictures", nil, []float64{3}, nil, nil},
		{"stillness", make([]move, 900), []float64{5}, nil, nil},
		{"one", moving(60, map[float64]float64{20: 4}), nil, [][2]float64{{17, 23}}, []bool{false}},
		{"at the ends", moving(60, map[float64]float64{1: 4, 59: 4}), nil, [][2]float64{{0, 4}, {56, 60}}, []bool{false, false}},
		{"load and swing", moving(60, map[float64]float64{20: 2, 21: 5}), nil, [][2]float64{{17, 24}}, []bool{false}},
		{"two swings", moving(60, map[float64]float64{20: 4, 25: 4}), nil, [][2]float64{{17, 22.5}, {22.5, 28}}, []bool{false, false}},
		{"a soft one is heard", moving(60, map[float64]float64{20: 1}), []float64{20.1}, [][2]float64{{17, 23}}, []bool{true}},
		{"a soft one is not", moving(60, map[float64]float64{20: 1}), nil, nil, nil},
		{"another cage", moving(60, map[float64]float64{20: 1}), []float64{22, 30}, nil, nil},
		{"somebody walks", walking, nil, nil, nil},
	} {
		got := candidates(tc.moves, tc.cracks, 1, 60)
		if len(got) != len(tc.want) {
			t.Errorf("%s: %+v, want %v", tc.name, got, tc.want)
			continue
		}
		for i, c := range got {
			if math.Abs(c.From-tc.want[i][0]) > .1 || math.Abs(c.To-tc.want[i][1]) > .1 || c.Heard != tc.heard[i] {
				t.Errorf("%s: %+v, want %v heard %v", tc.name, c, tc.want[i], tc.heard[i])
			}
		}
	}
}

// Whatever moves, candidates are in order, don't overlap and lie within the
// recording; none is longer than a chain of bursts with its room.
func TestCandidatesProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		peaks := map[float64]float64{}
		for range rapid.IntRange(0, 20).Draw(t, "peaks") {
			peaks[rapid.Float64Range(0, 60).Draw(t, "at")] = rapid.Float64Range(0, 8).Draw(t, "high")
		}
		last := 0.
		for _, c := range candidates(moving(60, peaks), nil, 1, 60) {
			if c.From < last || c.To <= c.From || c.To > 60 || c.Bursts[0] < c.From || c.Bursts[0] > c.To || c.To-c.From > longest+2*room+.01 {
				t.Fatalf("%+v after %v", c, last)
			}
			last = c.To
		}
	})
}

// The running median is the median.
func TestUsual(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs := rapid.SliceOfN(rapid.Float64Range(0, 3), 1, 60).Draw(t, "values")
		const wide = 7
		var u usual
		for i, v := range vs {
			u.add(v)
			if i >= wide {
				u.drop(vs[i-wide])
			}
			in := slices.Sorted(slices.Values(vs[max(0, i-wide+1) : i+1]))
			if u.median() != in[len(in)/2] {
				t.Fatalf("%v of %v", u.median(), in)
			}
		}
	})
}

// Sounds are heard once, wherever the pieces are parted.
func TestListen(t *testing.T) {
	const seconds = 31
	s := make([]float32, seconds*soundRate)
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range s {
		s[i] = float32(.002 * rng.NormFloat64())
	}
	want := []float64{.6, 9.99, 10.01, 19.7, 25, 30.5}
	for _, at := range want {
		for i := range soundRate / 50 {
			s[int(at*soundRate)+i] += float32(.6 * rng.NormFloat64() * math.Exp(-float64(i)/300))
		}
	}
	const start = -.25
	got, err := listen(context.Background(), &Options{Sound: func(_ context.Context, rate, size int, each func([]float32, float64) error) error {
		for from := 0; from < len(s); from += size {
			if err := each(s[from:min(len(s), from+size)], start+float64(from)/float64(rate)); err != nil {
				return err
			}
		}
		return nil
	}})
	if err != nil || len(got) < 5 {
		t.Fatalf("%v %v", got, err)
	}
	// 9.99 and 10.01 s are one sound to an ear: either may stand for both.
	for _, at := range want {
		i := slices.IndexFunc(got, func(v float64) bool { return math.Abs(v-at-start) < .025 })
		if i < 0 {
			t.Errorf("%.2f s is not among %v", at+start, got)
		}
	}
	for i := 1; i < len(got); i++ {
		if got[i]-got[i-1] < .005 {
			t.Errorf("heard twice: %v", got)
		}
	}
}

// A burst that is small beside a harder one close by moves no candidate's ends,
// but is told: a card may part the two.
func TestSmallBursts(t *testing.T) {
	got := candidates(moving(30, map[float64]float64{9.7: 9, 11: 4}), nil, 1, 30)
	if len(got) != 1 || math.Abs(got[0].To-9.7-room) > .2 {
		t.Fatalf("%+v", got)
	}
	if b := got[0].Bursts; len(b) != 2 || math.Abs(b[0]-9.7) > BurstDoubt || math.Abs(b[1]-11) > BurstDoubt {
		t.Errorf("%v", b)
	}
}

// What ends the looking or the listening ends the scan.
func TestScanFails(t *testing.T) {
	bad := errors.New("bad")
	fine := func(context.Context) error { return nil }
	fails := func(context.Context) error { return bad }
	for _, tc := range []struct{ look, sound func(context.Context) error }{{fine, fails}, {fails, fine}} {
		_, err := Scan(context.Background(), Options{Clip: pipeline.Clip{Duration: 60, TimeFactor: 1},
			Look: func(ctx context.Context, also func(context.Context) error, _ ...pipeline.Look) error {
				return errors.Join(also(ctx), tc.look(ctx))
			},
			Sound: func(ctx context.Context, _, _ int, _ func([]float32, float64) error) error { return tc.sound(ctx) }})
		if !errors.Is(err, bad) {
			t.Errorf("%v", err)
		}
	}
}

// A camera that moves by parts of a pixel, and light that changes, are no
// motion; a bar that sweeps across is.
func TestMoved(t *testing.T) {
	tex := scene.New(3)
	run := func(moveX, light float64, bar bool) (e float64) {
		var m motion
		for i := range 3 {
			shift := moveX * float64(i)
			f := scene.Draw(i, 320, 180, func(p pipeline.Point) float64 {
				if at := 60 + 50*float64(i); bar && p.X > at && p.X < at+12 && p.Y > 60 && p.Y < 130 {
					return 230
				}
				return (.35*tex.At(pipeline.Point{X: p.X + shift, Y: p.Y + shift/2}) + 30) * (1 + light*float64(i))
			})
			grey := pipeline.Frame{Width: f.Width, Height: f.Height}
			for i := 0; i < len(f.Pix); i += 3 { // all three are the same
				grey.Pix = append(grey.Pix, f.Pix[i])
			}
			e = m.next(&grey)
		}
		return e
	}
	sweep := run(.4, 0, true)
	for _, tc := range []struct{ move, light float64 }{{0, 0}, {.4, 0}, {1.7, 0}, {0, .05}} {
		if e := run(tc.move, tc.light, false); e > sweep/10 {
			t.Errorf("%+v: %.4f, a bar %.4f", tc, e, sweep)
		}
	}
}

// One picture more of a recording.
func BenchmarkMotion(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	var frames [2]pipeline.Frame
	for i := range frames {
		frames[i] = pipeline.Frame{Width: motionSide, Height: motionSide * 9 / 16}
		for range frames[i].Width * frames[i].Height {
			frames[i].Pix = append(frames[i].Pix, byte(100+rng.IntN(30)))
		}
	}
	var m motion
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		m.next(&frames[i%2])
	}
}
