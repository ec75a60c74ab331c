package field

import (
	"math"

	"tapeline/pipeline"
)

// focalOfLongSide is a phone's usual focal length in long sides of the
// picture (62° across). Common practice, no source.
const focalOfLongSide = .83

// Focal is the focal length of a usual phone for a picture of w × h, pixels.
func Focal(w, h int) float64 { return focalOfLongSide * math.Max(float64(w), float64(h)) }

// Camera is a pinhole above level ground. Pixels of the displayed picture; in
// its own axes x points right, y down, z away from it. Radians: Pitch is how far it
// looks down, Roll how far the ground's right side hangs down in the picture.
type Camera struct{ Focal, CX, CY, Pitch, Roll float64 }

// Vec is a vector in the camera's axes.
type Vec [3]float64

// Dot is the scalar product.
func (a Vec) Dot(b Vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// Plus is a + k·b.
func (a Vec) Plus(k float64, b Vec) Vec { return Vec{a[0] + k*b[0], a[1] + k*b[1], a[2] + k*b[2]} }

func (a Vec) unit() Vec { return Vec{}.Plus(1/math.Sqrt(a.Dot(a)), a) }

func (a Vec) cross(b Vec) Vec {
	return Vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// Axes are unit vectors on the ground, to the right and away from the camera,
// and up.
func (c Camera) Axes() (right, away, up Vec) {
	sp, cp := math.Sincos(c.Pitch)
	sr, cr := math.Sincos(c.Roll)
	up = Vec{sr * cp, -cr * cp, -sp}
	right = Vec{1}.Plus(-up[0], up).unit()
	return right, up.cross(right), up
}

// Ray is the line of sight through a pixel, its z one.
func (c Camera) Ray(p pipeline.Point) Vec {
	return Vec{(p.X - c.CX) / c.Focal, (p.Y - c.CY) / c.Focal, 1}
}

// Project is the pixel of a place before the camera.
func (c Camera) Project(v Vec) pipeline.Point {
	return pipeline.Point{X: c.CX + c.Focal*v[0]/v[2], Y: c.CY + c.Focal*v[1]/v[2]}
}

// Tilt is the angle between the ground and the line of sight to a pixel of it,
// radians; negative above the horizon.
func (c Camera) Tilt(p pipeline.Point) float64 {
	_, _, up := c.Axes()
	return math.Asin(-up.Dot(c.Ray(p).unit()))
}

// Nearer is how many times the pixels a centimetre has at a pixel of the
// ground it has at another; 0 when one of them lies above the horizon.
func (c Camera) Nearer(p, than pipeline.Point) float64 {
	_, _, up := c.Axes()
	a, b := up.Dot(c.Ray(p)), up.Dot(c.Ray(than))
	if a >= 0 || b >= 0 {
		return 0
	}
	return a / b
}
