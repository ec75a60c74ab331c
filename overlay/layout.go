package overlay

import (
	"image"
	"math"
)

const (
	leading  = 1.1 // baseline to baseline, ems
	emWide   = 0.051
	emTall   = 0.031 // text height as part of the canvas height, landscape and portrait
	stripMin = 0.14
	traceOf  = 0.055 // height of the trace as part of the canvas height
)

// layout is where things lie on the canvas, pixels.
type layout struct {
	w, h    int             // canvas, even
	pic     image.Rectangle // the picture, at the top
	scale   float64         // canvas pixels a full-size pixel of the clip
	em      float64
	rows    int // of text in the strip
	left    float64
	column  float64 // where the caption begins when it shares its row with the phase
	first   float64 // first baseline
	trace   image.Rectangle
	caption float64 // width a line of the caption may have
}

// newLayout fits a clip of w × h full-size pixels and the strip's texts on a
// canvas of at most 1920×1080 or 1080×1920. Small clips are enlarged until
// words can be read.
func newLayout(w, h int, captions, phases []string, faces *Faces) layout {
	var l layout
	for rows := 1; rows <= 3; rows++ {
		var ok bool
		if l, ok = tryLayout(w, h, rows, captions, phases, faces); ok {
			break
		}
	}
	return l
}

func tryLayout(w, h, rows int, captions, phases []string, faces *Faces) (layout, bool) {
	em, maxW, maxH := emWide, 1920.0, 1080.0
	least := 720.0 // canvas height
	aspect := float64(w) / float64(h)
	if h >= w {
		em, maxW, maxH = emTall, 1080, 1920
	}
	strip := math.Max(stripMin, 0.02+traceOf+float64(rows)*em*leading)
	if h >= w {
		least = 720 / aspect / (1 - strip) // width 720
	}
	ch := clamp(float64(h)/(1-strip), least, maxH)
	if cw := ch * (1 - strip) * aspect; cw > maxW {
		ch = maxW / aspect / (1 - strip)
	}
	even := func(v float64) int { return int(math.Floor(v/2)) * 2 }
	l := layout{h: even(ch), rows: rows}
	ph := even(float64(l.h) * (1 - strip))
	l.w = min(even(float64(ph)*aspect+1), int(maxW))
	l.pic = image.Rect(0, 0, l.w, ph)
	l.scale = float64(ph) / float64(h)
	l.em = math.Ceil(em * float64(l.h))
	l.left = math.Ceil(float64(l.w) * 0.05)
	safe := float64(l.w) - 2*l.left
	wide := func(ss []string, bold bool) float64 {
		m := 0.0
		for _, s := range ss {
			m = math.Max(m, faces.Width(s, l.em, bold))
		}
		return m
	}
	trace := int(traceOf * float64(l.h))
	bottom := l.h - int(0.008*float64(l.h))
	l.trace = image.Rect(int(l.left), bottom-trace, l.w-int(l.left), bottom)
	zone := float64(min(l.trace.Min.Y, l.h-l.h/20) - ph)
	l.first = float64(ph) + (zone-float64(rows)*l.em*leading)/2 + l.em*0.88
	l.column, l.caption = l.left, safe
	switch rows {
	case 1:
		l.column = l.left + wide(phases, false) + l.em
		l.caption = float64(l.w) - l.left - l.column
		return l, wide(captions, true) <= l.caption
	case 2:
		return l, wide(captions, true) <= safe
	}
	for _, s := range captions {
		if len(faces.wrap(glue(s), l.em, true, safe)) > 2 {
			return l, false
		}
	}
	return l, true
}
