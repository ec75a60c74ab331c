package camera

import (
	"errors"

	"gocv.io/x/gocv"

	"tapeline/pipeline"
)

var (
	errFrame = errors.New("frame's pixels don't fit its size")
	errSize  = errors.New("the picture changed its size within a window")
)

// Grey owns the last two frames of a window in grey levels, for all who follow
// something in them. Close it.
type Grey struct {
	bgr, now, before gocv.Mat
	taken            int
	scale            float64
}

// NewGrey has taken no frame.
func NewGrey() *Grey {
	return &Grey{bgr: gocv.NewMat(), now: gocv.NewMat(), before: gocv.NewMat()}
}

// Take makes the next frame Now, and what was Now Before. A frame of another
// size than the first is an error.
func (g *Grey) Take(f *pipeline.Frame) error {
	if f.Width <= 0 || f.Height <= 0 || len(f.Pix) != f.Width*f.Height*3 {
		return errFrame
	}
	switch {
	case g.taken == 0:
		g.bgr.Close()
		g.bgr = gocv.NewMatWithSize(f.Height, f.Width, gocv.MatTypeCV8UC3)
	case g.bgr.Cols() != f.Width || g.bgr.Rows() != f.Height:
		return errSize
	}
	p, err := g.bgr.DataPtrUint8()
	if err != nil {
		return err
	}
	copy(p, f.Pix)
	g.now, g.before = g.before, g.now
	gocv.CvtColor(g.bgr, &g.now, gocv.ColorBGRToGray)
	g.taken, g.scale = g.taken+1, f.Scale
	return nil
}

// Now is the last frame taken. It is Grey's: don't close or keep it.
func (g *Grey) Now() gocv.Mat { return g.now }

// Before is the frame taken before Now; false while there is none.
func (g *Grey) Before() (gocv.Mat, bool) { return g.before, g.taken > 1 }

// Scale is full-size pixels a pixel of Now.
func (g *Grey) Scale() float64 { return g.scale }

// Close frees the pictures.
func (g *Grey) Close() error {
	return errors.Join(g.bgr.Close(), g.now.Close(), g.before.Close())
}
