// Package scene draws pictures with known motion for the tests of detect's
// rooms.
package scene

import (
	"math"
	"math/rand/v2"

	"tapeline/pipeline"
)

// Texture is a smooth random pattern with corners everywhere, defined at every
// point so that it can be drawn under any motion without resampling.
type Texture struct{ waves [14][4]float64 }

// New is the texture of a seed.
func New(seed uint64) *Texture {
	r := rand.New(rand.NewPCG(seed, 1))
	t := &Texture{}
	for i := range t.waves {
		l, a := 7+50*r.Float64()*r.Float64(), 2*math.Pi*r.Float64() // wavelength in pixels, direction
		t.waves[i] = [4]float64{2 * math.Pi / l * math.Cos(a), 2 * math.Pi / l * math.Sin(a), 2 * math.Pi * r.Float64(), .5 + r.Float64()}
	}
	return t
}

// At is the grey level 0…255 at a point.
func (t *Texture) At(p pipeline.Point) float64 {
	var v float64
	for _, w := range t.waves {
		v += w[3] * math.Sin(w[0]*p.X+w[1]*p.Y+w[2])
	}
	return 128 + 100*math.Tanh(v/3.3)
}

// Draw makes a frame whose pixel with its centre at p has grey level level(p).
func Draw(index, w, h int, level func(p pipeline.Point) float64) *pipeline.Frame {
	f := &pipeline.Frame{Index: index, PTS: float64(index) / 60, Width: w, Height: h, Scale: 1, Pix: make([]byte, 3*w*h)}
	for y := range h {
		for x := range w {
			v := byte(math.Round(math.Min(255, math.Max(0, level(pipeline.Point{X: float64(x) + .5, Y: float64(y) + .5})))))
			o := 3 * (y*w + x)
			f.Pix[o], f.Pix[o+1], f.Pix[o+2] = v, v, v
		}
	}
	return f
}

// Noise adds Gaussian noise, grey levels.
func Noise(f *pipeline.Frame, sigma float64, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 2))
	for i := 0; i < len(f.Pix); i += 3 {
		v := math.Min(255, math.Max(0, float64(f.Pix[i])+sigma*r.NormFloat64()))
		f.Pix[i], f.Pix[i+1], f.Pix[i+2] = byte(v+.5), byte(v+.5), byte(v+.5)
	}
}

// Person is somebody upright, facing the camera, hands before the chest: the
// soles' middle at (x, y), h pixels tall.
func Person(x, y, h float64) pipeline.Pose {
	p := pipeline.Pose{Net: "full", Score: 1}
	put := func(j int, dx, up float64) {
		p.Joints[j] = pipeline.Landmark{X: x + dx*h, Y: y - up*h, Score: 1}
	}
	for _, j := range []int{pipeline.Nose, pipeline.LeftEye, pipeline.RightEye, pipeline.LeftEyeInner, pipeline.RightEyeInner,
		pipeline.LeftEyeOuter, pipeline.RightEyeOuter, pipeline.LeftEar, pipeline.RightEar, pipeline.MouthLeft, pipeline.MouthRight} {
		put(j, 0, .93)
	}
	for i, s := range []float64{1, -1} { // left is on the right of the picture
		put(pipeline.LeftShoulder+i, .1*s, .818)
		put(pipeline.LeftElbow+i, .15*s, .65)
		for _, j := range []int{pipeline.LeftWrist, pipeline.LeftPinky, pipeline.LeftIndex, pipeline.LeftThumb} {
			put(j+i, .03*s, .66)
		}
		put(pipeline.LeftHip+i, .07*s, .53)
		put(pipeline.LeftKnee+i, .09*s, .285)
		put(pipeline.LeftAnkle+i, .1*s, .039)
		put(pipeline.LeftHeel+i, .1*s, .01)
		put(pipeline.LeftToe+i, .12*s, 0)
	}
	p.Region = pipeline.Region{CX: x, CY: y - .53*h, Size: 1.3 * h}
	return p
}
