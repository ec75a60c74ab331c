//go:build matprofile

package detect

import (
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"

	"tapeline/detect/camera"
)

func TestMain(m *testing.M) {
	code := m.Run()
	if n := gocv.MatProfile.Count(); n != 0 && code == 0 {
		fmt.Println(n, "pictures were never closed")
		gocv.MatProfile.WriteTo(os.Stdout, 1)
		code = 1
	}
	if n := camera.Pyramids(); n != 0 && code == 0 {
		fmt.Println(n, "pyramids were never closed")
		code = 1
	}
	os.Exit(code)
}
