package camera

/*
#cgo pkg-config: opencv4
#cgo CXXFLAGS: -std=c++11
#include "pyramid.h"
*/
import "C"

import (
	"errors"
	"sync/atomic"
	"unsafe"

	"gocv.io/x/gocv"
)

var errFlow = errors.New("optical flow failed")

// Pyramid is a grey picture made ready for Flow: made once, it is followed from
// and to as often as wanted. gocv's binding makes two anew for each way of each
// frame. Close it.
type Pyramid struct {
	p             *C.Pyramid
	width, height int
}

var pyramids atomic.Int64

// Pyramids counts those not closed yet: OpenCV's memory, which no profile of
// Go's or gocv's shows.
func Pyramids() int { return int(pyramids.Load()) }

// NewPyramid holds no picture.
func NewPyramid() *Pyramid {
	pyramids.Add(1)
	return &Pyramid{p: C.PyramidNew()}
}

// Close frees the memory; closing twice is harmless.
func (p *Pyramid) Close() {
	if p.p != nil {
		C.PyramidFree(p.p)
		p.p = nil
		pyramids.Add(-1)
	}
}

// Build takes a copy of the picture, in the memory of the last one if it has
// its size, for following with l's window and levels.
func (p *Pyramid) Build(grey gocv.Mat, l Flow) error {
	p.width, p.height = grey.Cols(), grey.Rows()
	// Of a picture without pixels OpenCV looks for a border for ever.
	if grey.Empty() || C.PyramidBuild(p.p, unsafe.Pointer(grey.Ptr()), C.int(l.Window), C.int(l.Levels)) != 0 {
		return errFlow
	}
	return nil
}

// flow follows from's points of p to b, beginning where to says; status 1:
// arrived.
func (p *Pyramid) flow(b *Pyramid, from, to []gocv.Point2f, l Flow) (status []byte, err error) {
	status = make([]byte, len(from))
	if C.PyramidFlow(p.p, b.p, (*C.float)(&from[0].X), (*C.float)(&to[0].X), (*C.uchar)(&status[0]), C.int(len(from)), C.int(l.Window), C.int(l.Levels)) != 0 {
		return nil, errFlow
	}
	return status, nil
}
