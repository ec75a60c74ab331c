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
// each new pixel covers. OpenCV's own way costs as much as decoding; from 1080
// lines to 720, and from 2160 to 720 or 540, this gives the same bytes: there
// OpenCV rounds halves to the even number, and ninths never lie half way.
func shrink(m gocv.Mat, to *gocv.Mat, f fitted) {
	k := f.cutW / f.w
	whole := (k == 3 || k == 4) && f.cutW == k*f.w && f.cutH == k*f.h
	thirds := 2*f.cutW == 3*f.w && 2*f.cutH == 3*f.h && f.w%2 == 0 && f.h%2 == 0
	from, err := m.DataPtrUint8()
	if !whole && !thirds || err != nil {
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
	row := make([]uint16, 3*f.cutW)
	pix, stride, small, scratch := (*C.uint8_t)(&from[0]), C.int(3*m.Cols()), (*C.uint8_t)(&out[0]), (*C.uint16_t)(&row[0])
	if whole {
		C.ShrinkWhole(pix, stride, small, C.int(f.w), C.int(f.h), C.int(k), scratch)
	} else {
		C.ShrinkThirds(pix, stride, small, C.int(f.w), C.int(f.h), scratch)
	}
}
