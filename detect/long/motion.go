package long

import "tapeline/pipeline"

const (
	noise = 10  // grey levels of difference that are noise
	shift = 7   // tenths of a pixel: what so small a one would explain is no motion
	most  = 1.5 // times the light: more is a cut, not the exposure
)

// motion keeps the last picture.
type motion struct {
	was       []byte
	w, h, sum int
}

// next is how much differs between the last two pictures, grey, beyond the
// light, the noise, and what a shift by a part of a pixel makes of edges: grey
// levels, mean of all pixels. A swing hides and uncovers whole places, a hand
// that holds the phone only moves edges.
func (m *motion) next(f *pipeline.Frame) float64 {
	is := f.Pix
	w, h, sum, e := f.Width, f.Height, 0, 0.
	for _, v := range is {
		sum += int(v)
	}
	if m.w == w && m.h == h {
		e = m.moved(is, sum)
	}
	m.was, m.w, m.h, m.sum = append(m.was[:0], is...), w, h, sum
	return e
}

func (m *motion) moved(is []byte, sum int) float64 {
	const one = 3 << 10 // divisible by what follows
	gain := one
	if m.sum > 0 {
		gain = min(one*most, max(one/most, one*sum/m.sum))
	}
	w, total := m.w, 0
	for j := 1; j < m.h-1; j++ {
		was, wasBelow := m.was[j*w:][:w], m.was[(j+1)*w:][:w]
		above, row, below := is[(j-1)*w:][:w], is[j*w:][:w], is[(j+1)*w:][:w]
		for i := 1; i < w-1; i++ {
			p := int(was[i])
			d := abs(gain*p-one*int(row[i])) - noise*one
			if d <= 0 {
				continue
			}
			slope := (abs(int(row[i+1])-int(row[i-1])) + abs(int(below[i])-int(above[i]))) * one / 2
			before := (abs(int(was[i+1])-p) + abs(int(wasBelow[i])-p)) * one
			if d -= max(slope, before) * shift / 10; d > 0 {
				total += d
			}
		}
	}
	return float64(total) / one / float64(w*m.h)
}

func abs(v int) int { return max(v, -v) }
