package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// curve is one line of a panel; NaN where nothing could be told.
type curve struct {
	name string
	y    []float64
}

// panel holds curves of one unit.
type panel struct {
	unit   string
	goal   float64 // drawn as a line; 0: none
	curves []curve
}

// figure is a sweep as a picture: panels side by side over the same places.
type figure struct {
	title, axis string
	places      []string
	apart       bool   // the places have no order: no lines between them
	limit       string // what the program says beyond from
	from, to    int    // places the limit covers, to not included
	panels      []panel
}

// Masking tape, chalk board and pencil, and colours of the Okabe–Ito set
// (Okabe & Ito 2008, "Color Universal Design"); each curve has its own mark
// besides.
var figureInk = []string{"#0072b2", "#d55e00", "#009e73"}

const (
	figureW, figureH = 720, 330
	plotTop, plotLow = 84, 262
)

// svg draws the figure.
func (f figure) svg(w io.Writer) {
	esc := strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;").Replace
	p := func(form string, a ...any) { fmt.Fprintf(w, form+"\n", a...) }
	p(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="Go, DejaVu Sans, sans-serif" font-size="12" fill="#241c14">`, figureW, figureH)
	p(`<title>%s</title>`, esc(f.title))
	p(`<rect width="%d" height="%d" fill="#f8f4ea"/>`, figureW, figureH)
	p(`<path d="M14 12H%d l4 5 -4 5 4 6H14l-4 -5 4 -5z" fill="#e8d6a8" stroke="#c9b078"/>`, 26+int(8.2*float64(len([]rune(f.title)))))
	p(`<text x="22" y="25" font-size="14" font-weight="bold">%s</text>`, esc(f.title))
	wide := float64(figureW) / float64(len(f.panels))
	for i, a := range f.panels {
		left, right := wide*float64(i)+46, wide*float64(i+1)-22
		step := (right - left) / float64(len(f.places))
		x := func(k float64) float64 { return left + step*(k+.5) }
		top := niceTop(a)
		y := func(v float64) float64 { return plotLow - (plotLow-plotTop)*math.Min(v/top, 1.04) }
		if f.to > f.from {
			p(`<rect x="%.1f" y="%d" width="%.1f" height="%d" fill="#e8d6a8" opacity=".55"/>`, x(float64(f.from)-.5), plotTop, step*float64(f.to-f.from), plotLow-plotTop)
		}
		for k := 0; k <= 4; k++ {
			v := top * float64(k) / 4
			p(`<path d="M%.1f %.1fH%.1f" stroke="#b9b0a2" stroke-width="%s"/><text x="%.1f" y="%.1f" text-anchor="end">%s</text>`,
				left, y(v), right, map[bool]string{true: "1.4", false: ".5"}[k == 0], left-6, y(v)+4, strconv.FormatFloat(v, 'g', 3, 64))
		}
		if a.goal > 0 {
			p(`<path d="M%.1f %.1fH%.1f" stroke="#26262a" stroke-dasharray="2 4"/><text x="%.1f" y="%.1f" text-anchor="end" font-size="10">goal</text>`, left, y(a.goal), right, right, y(a.goal)-3)
		}
		for k, s := range f.places {
			p(`<text x="%.1f" y="%d" text-anchor="middle" font-size="11">%s</text>`, x(float64(k)), plotLow+16, esc(s))
		}
		for c, line := range a.curves {
			ink := figureInk[c%len(figureInk)]
			d, pen := "", "M"
			for k, v := range line.y {
				if math.IsNaN(v) {
					pen = "M"
					continue
				}
				d += fmt.Sprintf("%s%.1f %.1f", pen, x(float64(k)), y(v))
				pen = "L"
			}
			if !f.apart {
				p(`<path d="%s" fill="none" stroke="%s" stroke-width="2.2" stroke-linejoin="round"/>`, d, ink)
			}
			for k, v := range line.y {
				if !math.IsNaN(v) {
					figureMark(p, c, x(float64(k)), y(v), ink)
				}
			}
			lx := left + float64(c)*(right-left)/float64(len(a.curves))
			figureMark(p, c, lx+5, 52, ink)
			p(`<text x="%.1f" y="56" font-size="11">%s</text>`, lx+13, esc(line.name))
		}
		p(`<text x="%.1f" y="%d" font-size="11">%s</text>`, left-34, plotTop-14, esc(a.unit))
		p(`<text x="%.1f" y="%d" text-anchor="middle">%s</text>`, (left+right)/2, plotLow+36, esc(f.axis))
	}
	if f.limit != "" {
		p(`<rect x="22" y="%d" width="14" height="12" fill="#e8d6a8" stroke="#c9b078"/><text x="42" y="%d" font-size="11">%s</text>`, figureH-22, figureH-12, esc(f.limit))
	}
	p(`</svg>`)
}

// figureMark gives each curve a shape of its own.
func figureMark(p func(string, ...any), c int, x, y float64, ink string) {
	switch c % 3 {
	case 0:
		p(`<circle cx="%.1f" cy="%.1f" r="4" fill="%s"/>`, x, y, ink)
	case 1:
		p(`<rect x="%.1f" y="%.1f" width="7" height="7" fill="%s"/>`, x-3.5, y-3.5, ink)
	default:
		p(`<path d="M%.1f %.1fl4.5 8h-9z" fill="%s"/>`, x, y-5, ink)
	}
}

// niceTop is the end of a panel's axis: four even steps over its largest value.
func niceTop(a panel) float64 {
	most := a.goal
	for _, c := range a.curves {
		for _, v := range c.y {
			if !math.IsNaN(v) {
				most = math.Max(most, v)
			}
		}
	}
	if most <= 0 {
		return 1
	}
	unit := math.Pow(10, math.Floor(math.Log10(most/4)))
	for _, k := range []float64{1, 2, 2.5, 5, 10} {
		if 4*k*unit >= most {
			return 4 * k * unit
		}
	}
	return most
}
