package bat

import (
	"math"
	"math/rand"
	"testing"

	"tapeline/pipeline"
)

// stage is a camera 5 metres before or behind a batter of 1.65 m, 800 pixels to
// the radian. The ball flies along z, away from it, and is hit at 0.
type stage struct {
	in, out [3]float64 // metres a second: right, down, away
	fps     float64
	phase   float64 // of the frames against the hit, in frames
	from    float64
	to      float64
}

const stageFar = 5.

var stageHands = pipeline.Point{X: 480, Y: 280}

func (s stage) ball(t float64) (at pipeline.Point, wide float64, ok bool) {
	v := s.in
	if t > 0 {
		v = s.out
	}
	z := stageFar + v[2]*t
	if z < 1 || t < s.from || t > s.to {
		return at, 0, false
	}
	at = pipeline.Point{X: 480 + 800*(-.7+v[0]*t)/z, Y: 220 + 800*(.5+v[1]*t+9.81*t*t/2)/z}
	return at, 800 * .073 / z, at.X > 0 && at.X < 960 && at.Y > 0 && at.Y < 540
}

// frames are what is seen: the ball with its blur, the bat around the hands and
// spots anywhere. The ball's index of each frame is −1 where it doesn't show.
func (s stage) frames(rng *rand.Rand) (fs []ballFrame, is []int) {
	h := 800 * 1.65 / stageFar
	for i := 0; i < int(.5*s.fps); i++ {
		t := (float64(i)+s.phase)/s.fps - .25
		f := ballFrame{index: i, t: t, hands: stageHands, height: h}
		is = append(is, -1)
		if at, wide, ok := s.ball(t); ok {
			a, _, _ := s.ball(t - .1/s.fps)
			b, _, _ := s.ball(t + .1/s.fps)
			q := blob{at: pipeline.Point{X: at.X + .1*wide*rng.NormFloat64(), Y: at.Y + .1*wide*rng.NormFloat64()},
				wide: wide * (1 + .1*rng.NormFloat64()), dir: math.Atan2(b.Y-a.Y, b.X-a.X), level: 50 + 5*rng.NormFloat64()}
			q.long = q.wide + apart(a, b)
			is[i] = 0
			f.blobs = append(f.blobs, q)
		}
		// The barrel goes round in .15 s.
		if math.Abs(t) < .12 {
			dir := 14*t + 2.8
			c, sn := math.Cos(dir), .4*math.Sin(dir)
			f.blobs = append(f.blobs, blob{at: pipeline.Point{X: stageHands.X + 90*c, Y: stageHands.Y + 90*sn}, long: 30 + 50*math.Abs(c), wide: 8, dir: math.Atan2(sn, c), level: 40})
		}
		for range rng.Intn(3) {
			w := 5 + 12*rng.Float64()
			f.blobs = append(f.blobs, blob{at: pipeline.Point{X: 960 * rng.Float64(), Y: 540 * rng.Float64()}, wide: w, long: w * (1 + rng.Float64()), dir: 3 * rng.Float64(), level: 20 + 40*rng.Float64(), on: rng.Float64() < .3})
		}
		for k := range f.blobs {
			f.blobs[k].raw = f.blobs[k].at
		}
		fs = append(fs, f)
	}
	return fs, is
}

// From before the batter and from behind the hit is found among bat and specks,
// and hardly anything else in the flight.
func TestBallAlongTheView(t *testing.T) {
	for name, s := range map[string]stage{
		"pitcher": {in: [3]float64{.5, 1, 26}, out: [3]float64{-3, -6, -33}, from: -.2, to: .2},
		"catcher": {in: [3]float64{.5, 1, -26}, out: [3]float64{-3, -6, 33}, from: -.05, to: .2},
		"hidden":  {in: [3]float64{.5, 1, -26}, out: [3]float64{-3, -6, 33}, from: .02, to: .25},
	} {
		for _, fps := range []float64{30, 60} {
			rng := rand.New(rand.NewSource(1))
			found, right, wrong, n := 0, 0, 0, 0
			for range 100 {
				s.fps, s.phase = fps, rng.Float64()
				fs, is := s.frames(rng)
				r := flown(fs)
				n++
				if len(r) > 0 {
					found++
				}
				for _, l := range r {
					if k := is[l.frame]; k >= 0 && fs[l.frame].blobs[k].at == l.at {
						right++
					} else {
						wrong++
					}
				}
			}
			if found < 90*n/100 || wrong > right/20 {
				t.Errorf("%s at %g: found in %d of %d, %d places right, %d wrong", name, fps, found, n, right, wrong)
			}
			t.Logf("%s at %g: found in %d of %d, %d places right, %d wrong", name, fps, found, n, right, wrong)
		}
	}
}

// A dry swing among specks has no ball.
func TestNoBallAlongTheView(t *testing.T) {
	for _, fps := range []float64{30, 60} {
		rng := rand.New(rand.NewSource(1))
		found := 0
		for range 100 {
			fs, _ := stage{fps: fps, phase: rng.Float64(), from: 1}.frames(rng)
			if r := deepChain(fs); r != nil {
				found++
			}
		}
		if found > 3 {
			t.Errorf("%g: a ball in %d of 100", fps, found)
		}
		t.Logf("%g: %d of 100", fps, found)
	}
}

// In rain or snow nothing is told from the rest, and the search ends.
func TestNoFlightInSnow(t *testing.T) {
	rng := rand.New(rand.NewSource(5))
	var fs []ballFrame
	for i := range 20 {
		f := ballFrame{index: i, t: float64(i) / 60, hands: stageHands, height: 260, camera: pipeline.Identity()}
		for range 150 {
			at := pipeline.Point{X: 380 + 200*rng.Float64(), Y: 180 + 200*rng.Float64()}
			wide := 9 + 5*rng.Float64()
			f.blobs = append(f.blobs, blob{raw: at, at: at, long: wide, wide: wide, level: 90})
		}
		fs = append(fs, f)
	}
	if ways := deepWays(fs); ways != nil {
		t.Errorf("%d flights in snow", len(ways))
	}
	if r := deepChain(fs); r != nil {
		t.Errorf("a ball of %d frames in snow", len(r))
	}
}
