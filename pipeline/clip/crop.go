package clip

import (
	"math"

	"tapeline/pipeline"
)

// Crop gives the frames of src cut down to a part of the displayed picture: x,
// y, width, height in full-size pixels. Of a frame decoded small the nearest
// whole pixels are taken. It owns src.
func Crop(src pipeline.Source, part [4]int) pipeline.Source { return &cropped{Source: src, part: part} }

type cropped struct {
	pipeline.Source
	part  [4]int
	frame pipeline.Frame
	pix   []byte
}

func (c *cropped) Next() (*pipeline.Frame, error) {
	f, err := c.Source.Next()
	if err != nil {
		return nil, err
	}
	k := f.Scale
	if k <= 0 {
		k = 1
	}
	at := func(v int, most int) int { return min(most, int(math.Round(float64(v)/k))) }
	x0, y0 := at(c.part[0], f.Width-1), at(c.part[1], f.Height-1)
	x1, y1 := max(x0+1, at(c.part[0]+c.part[2], f.Width)), max(y0+1, at(c.part[1]+c.part[3], f.Height))
	c.pix = c.pix[:0]
	for y := y0; y < y1; y++ {
		c.pix = append(c.pix, f.Pix[3*(y*f.Width+x0):3*(y*f.Width+x1)]...)
	}
	c.frame = *f
	c.frame.Width, c.frame.Height, c.frame.Pix = x1-x0, y1-y0, c.pix
	return &c.frame, nil
}

// Near leaves of spans of the clip's sound what lies within half seconds of
// presentation time t.
func Near(spans []SoundSpan, t, half float64) (out []SoundSpan) {
	for _, s := range spans {
		from, to := math.Max(s.From, t-half), math.Min(s.To, t+half)
		if to > from {
			out = append(out, SoundSpan{At: s.At + from - s.From, From: from, To: to})
		}
	}
	return out
}
