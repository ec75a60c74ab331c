package clip

import (
	"bytes"
	"fmt"
	"image"
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"
)

// What shrink does by itself are the bytes of OpenCV's way.
func TestShrink(t *testing.T) {
	for _, c := range []fitted{
		{w: 4, h: 2, cutW: 6, cutH: 3},
		{w: 40, h: 30, cutW: 60, cutH: 45},
		{w: 30, h: 40, cutW: 45, cutH: 60},
		{w: 20, h: 15, cutW: 60, cutH: 45},
		{w: 21, h: 16, cutW: 84, cutH: 64},
		{w: 20, h: 15, cutW: 40, cutH: 30}, // OpenCV's way
		{w: 8, h: 6, cutW: 40, cutH: 30},
		{w: 20, h: 15, cutW: 30, cutH: 23}, // odd
	} {
		for _, more := range []image.Point{{}, {X: 5, Y: 2}} {
			t.Run(fmt.Sprint(c, more), func(t *testing.T) {
				m := gocv.NewMatWithSize(c.cutH+more.Y, c.cutW+more.X, gocv.MatTypeCV8UC3)
				defer m.Close()
				pix, err := m.DataPtrUint8()
				if err != nil {
					t.Fatal(err)
				}
				r := rand.New(rand.NewPCG(1, uint64(c.w)))
				for i := range pix {
					if pix[i] = byte(r.Uint32()); i%3 == 0 && r.IntN(2) == 0 {
						pix[i] = byte(255 * r.IntN(2))
					}
				}
				part := m.Region(image.Rect(0, 0, c.cutW, c.cutH))
				defer part.Close()
				want, got := gocv.NewMat(), gocv.NewMat()
				defer want.Close()
				defer func() { got.Close() }()
				gocv.Resize(part, &want, image.Pt(c.w, c.h), 0, 0, gocv.InterpolationArea)
				for range 2 { // again into the same memory
					shrink(m, &got, c)
					if !bytes.Equal(want.ToBytes(), got.ToBytes()) {
						t.Error("not OpenCV's bytes")
					}
				}
			})
		}
	}
}

func BenchmarkShrink(b *testing.B) {
	for _, c := range []struct{ w, h, to int }{{1920, 1080, 1280}, {3840, 2160, 1280}, {3840, 2160, 960}} {
		b.Run(fmt.Sprintf("%d to %d", c.w, c.to), func(b *testing.B) {
			m, to := gocv.NewMatWithSize(c.h, c.w, gocv.MatTypeCV8UC3), gocv.NewMat()
			defer m.Close()
			defer func() { to.Close() }()
			f := fit(c.w, c.h, c.to)
			b.ReportAllocs()
			for b.Loop() {
				shrink(m, &to, f)
			}
		})
	}
}
