package card

import (
	"context"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/piglig/go-qr"
	"gocv.io/x/gocv"

	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

// shot is how a card is filmed.
type shot struct {
	id     string
	width  float64 // of the square code with its white edge, part of the picture's width
	yaw    float64 // degrees the card is turned about its upright axis
	pitch  float64 // and about its level one
	roll   float64 // and in its plane
	blur   float64 // σ of the lens, pixels
	light  float64 // of the card and the scene
	noise  float64 // σ, grey levels
	cx, cy float64 // where its middle is, parts of the picture; 0: the middle
}

// still is the picture i of a clip, no larger than side.
func still(t testing.TB, path string, side, i int) *pipeline.Frame {
	t.Helper()
	c, err := clip.Probe(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	src, err := clip.Open(context.Background(), c, clip.Options{MaxSide: side})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for {
		f, err := src.Next()
		if err != nil {
			t.Fatal(err)
		}
		if f.Index == i {
			g := *f
			g.Pix = slices.Clone(f.Pix)
			return &g
		}
	}
}

// face is the printed card: the code on white.
func face(t testing.TB, text string) *image.Gray {
	t.Helper()
	q, err := go_qr.EncodeText(text, go_qr.Medium)
	if err != nil {
		t.Fatal(err)
	}
	const px, quiet = 12, 4
	n := q.Size() + 2*quiet
	m := image.NewGray(image.Rect(0, 0, n*px, n*px))
	for y := range n * px {
		for x := range n * px {
			v := uint8(245)
			if q.Module(x/px-quiet, y/px-quiet) {
				v = 20
			}
			m.SetGray(x, y, color.Gray{Y: v})
		}
	}
	return m
}

// film puts a card into a picture as a pinhole camera of 60° sees it.
func film(t testing.TB, ground *pipeline.Frame, s shot, r *rand.Rand) *pipeline.Frame {
	t.Helper()
	return lay(t, ground, pipeline.CardText(s.id), s, r)
}

// lay does the same with a card of any text.
func lay(t testing.TB, ground *pipeline.Frame, text string, s shot, r *rand.Rand) *pipeline.Frame {
	t.Helper()
	m := face(t, text)
	w, h := ground.Width, ground.Height
	side := float64(m.Bounds().Dx())
	focal := float64(max(w, h)) / 2 / math.Tan(30*math.Pi/180)
	depth := focal * side / (s.width * float64(w)) // the card's pixels are its length unit
	if s.cx == 0 {
		s.cx, s.cy = .5, .5
	}
	sin, cos := func(d float64) float64 { return math.Sin(d * math.Pi / 180) }, func(d float64) float64 { return math.Cos(d * math.Pi / 180) }
	to := make([]gocv.Point2f, 4)
	from := []gocv.Point2f{{X: 0, Y: 0}, {X: float32(side), Y: 0}, {X: float32(side), Y: float32(side)}, {X: 0, Y: float32(side)}}
	for i, p := range from {
		x, y, z := float64(p.X)-side/2, float64(p.Y)-side/2, 0.
		x, y = x*cos(s.roll)-y*sin(s.roll), x*sin(s.roll)+y*cos(s.roll)
		x, z = x*cos(s.yaw)+z*sin(s.yaw), -x*sin(s.yaw)+z*cos(s.yaw)
		y, z = y*cos(s.pitch)-z*sin(s.pitch), y*sin(s.pitch)+z*cos(s.pitch)
		k := focal / (depth + z)
		to[i] = gocv.Point2f{X: float32(s.cx*float64(w) + k*x), Y: float32(s.cy*float64(h) + k*y)}
	}
	src, dst := gocv.NewPoint2fVectorFromPoints(from), gocv.NewPoint2fVectorFromPoints(to)
	defer src.Close()
	defer dst.Close()
	// Drawn twice as large, so that far cards are averaged as a lens does.
	const fine = 2
	big := gocv.NewPoint2fVectorFromPoints(scaled(to, fine))
	defer big.Close()
	warp := gocv.GetPerspectiveTransform2f(src, big)
	defer warp.Close()
	card, err := gocv.NewMatFromBytes(m.Bounds().Dy(), m.Bounds().Dx(), gocv.MatTypeCV8U, m.Pix)
	if err != nil {
		t.Fatal(err)
	}
	defer card.Close()
	white := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(255, 0, 0, 0), card.Rows(), card.Cols(), gocv.MatTypeCV8U)
	defer white.Close()
	seen := func(in gocv.Mat) gocv.Mat {
		a, b := gocv.NewMat(), gocv.NewMat()
		defer a.Close()
		gocv.WarpPerspective(in, &a, warp, image.Pt(fine*w, fine*h))
		gocv.Resize(a, &b, image.Pt(w, h), 0, 0, gocv.InterpolationArea)
		return b
	}
	ink, mask := seen(card), seen(white)
	defer ink.Close()
	defer mask.Close()
	out := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC3)
	defer out.Close()
	p, _ := out.DataPtrUint8()
	a, _ := ink.DataPtrUint8()
	b, _ := mask.DataPtrUint8()
	for i := range a {
		for c := range 3 {
			p[3*i+c] = uint8(s.light * (float64(a[i]) + float64(ground.Pix[3*i+c])*(255-float64(b[i]))/255))
		}
	}
	if s.blur > 0 {
		gocv.GaussianBlur(out, &out, image.Pt(0, 0), s.blur, s.blur, gocv.BorderReplicate)
	}
	p, _ = out.DataPtrUint8()
	pix := slices.Clone(p)
	for i := range pix {
		pix[i] = uint8(math.Min(255, math.Max(0, float64(pix[i])+s.noise*r.NormFloat64())))
	}
	return &pipeline.Frame{Index: ground.Index, PTS: ground.PTS, Width: w, Height: h, Scale: ground.Scale, Pix: pix}
}

func scaled(ps []gocv.Point2f, k float32) []gocv.Point2f {
	out := slices.Clone(ps)
	for i := range out {
		out[i].X, out[i].Y = k*out[i].X, k*out[i].Y
	}
	return out
}
