package clip

/*
#cgo CFLAGS: -O3
#include "shrink.h"
*/
import "C"

import (
	"image"

	"gocv.io/x/gocv"
)

// shrink makes the upper left part of a BGR picture small, by the mean of what
// each new pixel covers. From 1080 lines to 720 OpenCV's own way costs as much
// as decoding; this gives the same bytes: its ninths never lie half way between
// two levels.
func shrink(m gocv.Mat, to *gocv.Mat, f fitted) {
	from, err := m.DataPtrUint8()
	if 2*f.cutW != 3*f.w || 2*f.cutH != 3*f.h || f.w%2 != 0 || f.h%2 != 0 || err != nil {
		part := m.Region(image.Rect(0, 0, f.cutW, f.cutH)) // shares the pixels of m
		defer part.Close()
		gocv.Resize(part, to, image.Pt(f.w, f.h), 0, 0, gocv.InterpolationArea)
		return
	}
	if to.Cols() != f.w || to.Rows() != f.h {
		to.Close()
		*to = gocv.NewMatWithSize(f.h, f.w, gocv.MatTypeCV8UC3)
	}
	out, err := to.DataPtrUint8()
	if err != nil {
		return
	}
	row := make([]uint16, 9*f.w/2)
	C.ShrinkThirds((*C.uint8_t)(&from[0]), C.int(3*m.Cols()), (*C.uint8_t)(&out[0]), C.int(f.w), C.int(f.h), (*C.uint16_t)(&row[0]))
}
