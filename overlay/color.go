package overlay

import (
	"image/color"
	"math"
)

// The palette. Paper, chalk and ink are ours; the colours that carry meaning
// are from the Okabe–Ito set (Okabe & Ito 2008, "Color Universal Design").
var (
	Ink    = color.RGBA{0x24, 0x1c, 0x14, 0xff} // text on paper
	Paper  = color.RGBA{0xe8, 0xd6, 0xa8, 0xff} // masking tape
	Crease = color.RGBA{0xc9, 0xb0, 0x78, 0xff} // the tape's creases
	Chalk  = color.RGBA{0xf8, 0xf4, 0xea, 0xff}
	Casing = color.RGBA{0x1c, 0x16, 0x10, 0xff} // dark edge of everything light
	Lead   = color.RGBA{0x26, 0x26, 0x2a, 0xff} // pencil
	Board  = color.RGBA{0x1e, 0x1b, 0x18, 0xff} // strip and cards
	Quiet  = color.RGBA{0xb9, 0xb0, 0xa2, 0xff} // second-rank text on the board
	Brass  = color.RGBA{0xe6, 0x9f, 0x00, 0xff} // bob of the plumb

	insideColor  = color.RGBA{0x00, 0x72, 0xb2, 0xff}
	outsideColor = color.RGBA{0xd5, 0x5e, 0x00, 0xff}
)

func fade(c color.RGBA, a float64) color.NRGBA {
	return color.NRGBA{c.R, c.G, c.B, uint8(math.Round(255 * clamp(a, 0, 1)))}
}

// Contrast is the ratio of WCAG 2.1 (definition of "contrast ratio" and
// "relative luminance"), 1…21.
func Contrast(a, b color.RGBA) float64 {
	x, y := luminance(a), luminance(b)
	if x < y {
		x, y = y, x
	}
	return (x + 0.05) / (y + 0.05)
}

func luminance(c color.RGBA) float64 {
	lin := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.03928 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(c.R) + 0.7152*lin(c.G) + 0.0722*lin(c.B)
}

func clamp(v, lo, hi float64) float64 { return math.Min(math.Max(v, lo), hi) }

// grain is a fixed noise in 0…1.
func grain(seed, i uint32) float64 {
	x := seed*0x9e3779b1 ^ i*0x85ebca77
	x ^= x >> 15
	x *= 0x2c1b3c6d
	x ^= x >> 12
	x *= 0x297a2d39
	x ^= x >> 15
	return float64(x) / (1 << 32)
}
