//go:build matprofile

package clip

import (
	"context"
	"os"
	"testing"

	"gocv.io/x/gocv"

	"tapeline/pipeline"
)

// Every Mat made by any test of this package has been closed.
func TestMain(m *testing.M) {
	code := m.Run()
	if n := gocv.MatProfile.Count(); n != 0 && code == 0 {
		println("Mats never closed:", n)
		code = 1
	}
	os.Exit(code)
}

func TestNoLeaks(t *testing.T) {
	c := mustProbe(t, smallClip(t, "a.mp4"))
	before := gocv.MatProfile.Count()
	for _, m := range []string{"bt601", "bt709"} {
		for _, r := range []int{0, 90} {
			c := c
			c.Matrix = m
			if r == 90 {
				c.Rotation, c.Width, c.Height = 90, c.Height, c.Width
			}
			for _, o := range []Options{{}, {Exact: true}, {MaxSide: 96}, {From: 1}} {
				each(t, c, o, func(*pipeline.Frame) {})
				s, err := Open(context.Background(), c, o) // left early
				if err != nil {
					t.Fatal(err)
				}
				s.Next()
				s.Close()
			}
		}
	}
	c.Path = write(t, "gone.mp4", nil)
	if _, err := Open(context.Background(), c, Options{}); err == nil {
		t.Error("opened an empty file")
	}
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d Mats left", n-before)
	}
}
