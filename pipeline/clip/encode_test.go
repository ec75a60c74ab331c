package clip

import (
	"context"
	"encoding/json"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"tapeline/pipeline"
)

func plain(w, h int, c color.RGBA) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(m, m.Rect, image.NewUniform(c), image.Point{}, draw.Src)
	return m
}

func encode(t *testing.T, s Spec, n int, f func(int) *image.RGBA) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out.mp4")
	e, err := NewEncoder(context.Background(), out, s)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Abort()
	for i := range n {
		if err := e.Write(f(i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(out), ".*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	return out
}

// yuv is the middle pixel of frame 0 as coded: Y', Cb, Cr.
func yuv(t *testing.T, path string) [3]float64 {
	t.Helper()
	b, err := exec.Command("ffmpeg", "-v", "error", "-i", "file:"+path, "-frames:v", "1", "-vf", "crop=16:16,format=yuv444p", "-f", "rawvideo", "-").Output()
	if err != nil || len(b) != 3*256 {
		t.Fatal(err, len(b))
	}
	var m [3]float64
	for k := range m {
		for _, v := range b[256*k : 256*k+256] {
			m[k] += float64(v) / 256
		}
	}
	return m
}

// Full-range RGB to BT.709 limited range: red = (63,102,240), where BT.601
// would give (81,90,240) (ITU-R BT.709-6 §3; computed from its formula).
func TestEncodedColour(t *testing.T) {
	out := encode(t, Spec{Width: 320, Height: 180, FPS: 30}, 10, func(int) *image.RGBA { return plain(320, 180, color.RGBA{255, 0, 0, 255}) })
	for k, want := range [3]float64{63, 102, 240} {
		if got := yuv(t, out); math.Abs(got[k]-want) > 1.5 {
			t.Errorf("red coded as %.1f, want (63,102,240)", got)
			break
		}
	}
}

// From the input's coded pixels through decoding and encoding to the
// output's coded pixels.
func TestColourThrough(t *testing.T) {
	for _, tc := range []struct {
		name string
		yuv  [3]float64
		o    Options
		tol  float64
	}{
		{"red, exact", [3]float64{63, 102, 240}, Options{Exact: true}, 2},
		// Green is 23 levels too high where OpenCV has clipped it: see Options.Exact.
		{"red, OpenCV", [3]float64{63, 102, 240}, Options{}, 15},
		{"skin, OpenCV", [3]float64{150, 110, 150}, Options{}, 2},
		{"skin, exact", [3]float64{150, 110, 150}, Options{Exact: true}, 2},
		{"grass, OpenCV", [3]float64{90, 105, 112}, Options{}, 2},
		{"sky, OpenCV small", [3]float64{170, 145, 110}, Options{MaxSide: 160}, 2},
	} {
		in := makeClip(t, "in.mp4", "-f", "lavfi", "-i", "color=black:s=320x180:r=30,format=yuv420p,"+
			filter(tc.yuv), "-frames:v", "12", "-c:v", "libx264", "-qp", "4",
			"-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv")
		if got := yuv(t, in); dist(got, tc.yuv) > 1 {
			t.Fatalf("%s: the input is %v", tc.name, got)
		}
		c := mustProbe(t, in)
		if c.Matrix != "bt709" {
			t.Fatal(c.Matrix)
		}
		var imgs []*image.RGBA
		each(t, c, tc.o, func(f *pipeline.Frame) {
			m := image.NewRGBA(image.Rect(0, 0, f.Width, f.Height))
			for i := range f.Width * f.Height {
				m.Pix[4*i], m.Pix[4*i+1], m.Pix[4*i+2], m.Pix[4*i+3] = f.Pix[3*i+2], f.Pix[3*i+1], f.Pix[3*i], 255
			}
			imgs = append(imgs, m)
		})
		out := encode(t, Spec{Width: imgs[0].Rect.Dx(), Height: imgs[0].Rect.Dy(), FPS: 30}, len(imgs), func(i int) *image.RGBA { return imgs[i] })
		got := yuv(t, out)
		t.Logf("%s: in %v, out %.1f", tc.name, tc.yuv, got)
		if dist(got, tc.yuv) > tc.tol {
			t.Errorf("%s: in %v, out %.1f", tc.name, tc.yuv, got)
		}
	}
}

func filter(c [3]float64) string {
	b, _ := json.Marshal(c)
	s := string(b)
	var y, u, v string
	parts := []*string{&y, &u, &v}
	k := 0
	for _, r := range s {
		switch {
		case r >= '0' && r <= '9':
			*parts[k] += string(r)
		case r == ',':
			k++
		}
	}
	return "geq=lum=" + y + ":cb=" + u + ":cr=" + v
}

func dist(a, b [3]float64) (d float64) {
	for k := range a {
		d = max(d, math.Abs(a[k]-b[k]))
	}
	return d
}

// ITU-T H.264 table A-1: 1080p30 = 244,800 macroblocks a second → 4.0, 720p30
// = 108,000 → 3.1.
func TestLevel(t *testing.T) {
	for _, tc := range []struct {
		w, h, fps int
		want      string
	}{{1920, 1080, 30, "4.0"}, {1080, 1920, 30, "4.0"}, {1280, 720, 30, "3.1"}, {720, 480, 30, "3.0"}, {1920, 1080, 60, "4.2"}, {1282, 720, 30, "3.2"}} {
		if got, err := Level(tc.w, tc.h, tc.fps); err != nil || got != tc.want {
			t.Errorf("%v: %s %v", tc, got, err)
		}
	}
	if _, err := Level(8192, 8192, 60); err == nil {
		t.Error("8K square accepted")
	}
}

func TestLevelWritten(t *testing.T) {
	for _, tc := range []struct{ w, h, want int }{{1920, 1080, 40}, {1280, 720, 31}} {
		img := plain(tc.w, tc.h, color.RGBA{90, 90, 90, 255})
		out := encode(t, Spec{Width: tc.w, Height: tc.h, FPS: 30}, 5, func(int) *image.RGBA { return img })
		p, err := ffprobe(context.Background(), out, demuxerMOV)
		if err != nil {
			t.Fatal(err)
		}
		if got := p.first("video").Level; got != tc.want {
			t.Errorf("%dx%d: level %d, want %d", tc.w, tc.h, got, tc.want)
		}
	}
}

// A part of a larger picture has a stride of its own.
func TestEncodeSubImage(t *testing.T) {
	big := plain(400, 300, color.RGBA{0, 0, 0, 255})
	draw.Draw(big, image.Rect(40, 40, 360, 220), image.NewUniform(color.RGBA{0, 255, 0, 255}), image.Point{}, draw.Src)
	part := big.SubImage(image.Rect(40, 40, 360, 220)).(*image.RGBA)
	out := encode(t, Spec{Width: 320, Height: 180, FPS: 30}, 3, func(int) *image.RGBA { return part })
	c := mustProbe(t, out)
	each(t, c, Options{Exact: true}, func(f *pipeline.Frame) {
		if m := mean(f, 0, 0, 1, 1); m[1] < 250 || m[0] > 5 || m[2] > 5 {
			t.Errorf("not all green: %v", m)
		}
	})
}

func TestEncodeStops(t *testing.T) {
	img := plain(320, 180, color.RGBA{1, 2, 3, 255})
	spec := Spec{Width: 320, Height: 180, FPS: 30}
	empty := func(dir string) {
		t.Helper()
		if l, _ := os.ReadDir(dir); len(l) != 0 {
			t.Errorf("left behind: %v", l)
		}
	}
	t.Run("abort", func(t *testing.T) {
		dir := t.TempDir()
		e, err := NewEncoder(context.Background(), filepath.Join(dir, "o.mp4"), spec)
		if err != nil {
			t.Fatal(err)
		}
		e.Write(img)
		e.Abort()
		empty(dir)
		if e.Write(img) == nil || e.Close() == nil {
			t.Error("usable after Abort")
		}
	})
	t.Run("cancel", func(t *testing.T) {
		dir := t.TempDir()
		ctx, cancel := context.WithCancel(context.Background())
		e, err := NewEncoder(ctx, filepath.Join(dir, "o.mp4"), spec)
		if err != nil {
			t.Fatal(err)
		}
		e.Write(img)
		cancel()
		err = e.Close()
		var pe *pipeline.Error
		if !errors.As(err, &pe) || pe.Fault != pipeline.FaultInterrupted {
			t.Errorf("got %v", err)
		}
		empty(dir)
	})
	t.Run("encoder dies", func(t *testing.T) {
		dir := t.TempDir()
		e, err := NewEncoder(context.Background(), filepath.Join(dir, "o.mp4"), spec)
		if err != nil {
			t.Fatal(err)
		}
		e.parts[0].cmd.Process.Kill()
		for i := 0; i < 1000 && err == nil; i++ {
			err = e.Write(img)
		}
		var pe *pipeline.Error
		if !errors.As(err, &pe) || pe.Fault != pipeline.FaultOutput {
			t.Errorf("got %v", err)
		}
		if e.Close() == nil {
			t.Error("Close says all is well")
		}
		empty(dir)
	})
	t.Run("no folder", func(t *testing.T) {
		_, err := NewEncoder(context.Background(), filepath.Join(t.TempDir(), "no", "o.mp4"), spec)
		var pe *pipeline.Error
		if !errors.As(err, &pe) || pe.Fault != pipeline.FaultOutput {
			t.Errorf("got %v", err)
		}
	})
	t.Run("wrong size", func(t *testing.T) {
		dir := t.TempDir()
		e, err := NewEncoder(context.Background(), filepath.Join(dir, "o.mp4"), spec)
		if err != nil {
			t.Fatal(err)
		}
		if e.Write(plain(322, 180, color.RGBA{})) == nil || e.Close() == nil {
			t.Error("accepted")
		}
		empty(dir)
	})
}

// Parts made side by side follow one another, every picture in its place.
func TestParts(t *testing.T) {
	const w, h = 64, 48
	path := filepath.Join(t.TempDir(), "parts.mp4")
	e, err := NewEncoder(context.Background(), path, Spec{Width: w, Height: h, FPS: 30, Planes: true, Parts: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Abort()
	long := []int{37, 64}
	luma := func(part, i int) byte { return byte(30 + (part*long[0]+i)*53%190) }
	// Some come several times.
	shown := func(i int) byte {
		part := 0
		if i >= long[0] {
			part, i = 1, i-long[0]
		}
		first := 0
		for first+1+first%3 <= i {
			first += 1 + first%3
		}
		return luma(part, first)
	}
	var writing sync.WaitGroup
	var faults [2]error
	for part, n := range long {
		writing.Go(func() {
			img := NewPlanes(w, h)
			for i := range img.Cb {
				img.Cb[i], img.Cr[i] = 128, 128
			}
			for i := 0; i < n && faults[part] == nil; {
				for k := range img.Y {
					img.Y[k] = luma(part, i)
				}
				times := min(1+i%3, n-i)
				faults[part] = e.Part(part).WritePlanes(img, times)
				i += times
			}
		})
	}
	writing.Wait()
	if err := errors.Join(faults[:]...); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	c := mustProbe(t, path)
	if len(c.PTS) != long[0]+long[1] {
		t.Fatalf("%d pictures", len(c.PTS))
	}
	frames := make([]int, len(c.PTS))
	for i := range frames {
		frames[i] = i
	}
	p, err := OpenPlanes(context.Background(), c, Wanted{Frames: frames, Width: w, Height: h})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	img := NewPlanes(w, h)
	for i := range frames {
		if _, err := p.Next(img); err != nil {
			t.Fatal(err)
		}
		if got, want := img.Y[w*h/2], shown(i); got < want-2 || got > want+2 {
			t.Errorf("picture %d: luma %d, want %d", i, got, want)
		}
	}
	for _, s := range []Spec{{Width: w, Height: h, FPS: 30, Planes: true, Parts: 2, MaxBytes: 1 << 20}, {Width: w, Height: h, FPS: 30, Parts: 2}} {
		if _, err := NewEncoder(context.Background(), path, s); err == nil {
			t.Errorf("parts as %+v", s)
		}
	}

	// A part without pictures leaves nothing.
	empty := filepath.Join(t.TempDir(), "empty.mp4")
	if e, err = NewEncoder(context.Background(), empty, Spec{Width: w, Height: h, FPS: 30, Planes: true, Parts: 2}); err != nil {
		t.Fatal(err)
	}
	if err := e.Part(1).WritePlanes(img, 1); err != nil {
		t.Fatal(err)
	}
	if e.Close() == nil {
		t.Error("a part without pictures")
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(empty), "*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

type imageRGBA = image.RGBA

var grey = plain(192, 108, color.RGBA{120, 120, 120, 255})
