package clip

import (
	"context"
	"errors"
	"math"
	"os"
	"testing"

	"tapeline/pipeline"
)

// What looks see are the clip's own frames, at most as many as were asked for,
// in order, whether others are left out or not.
func TestLookThrough(t *testing.T) {
	in := lavfi("testsrc2=s=320x180:r=60:d=5", "-pix_fmt", "yuv420p", "-c:v", "libx264", "-preset", "ultrafast", "-g", "60")
	with := func(name string, more ...string) string { return makeClip(t, name, append(in, more...)...) }
	later := with("b.mp4", "-bf", "3", "-b_strategy", "0", "-x264-params", "b-pyramid=normal")
	turned := makeClip(t, "turned.mp4", "-i", "file:"+with("t.mp4", "-bf", "0"), "-c", "copy", "-metadata:s:v:0", "rotate=90")
	for _, tc := range []struct {
		path        string
		thin        bool
		least, most int // pictures at 30 a second
	}{
		{with("p.mp4", "-bf", "0"), false, 150, 151},
		{later, true, 100, 151},
		{turned, false, 150, 151},
	} {
		c := mustProbe(t, tc.path)
		demuxer, err := look(c.Path)
		if err != nil {
			t.Fatal(err)
		}
		args, err := input(c.Path, demuxer)
		if err != nil {
			t.Fatal(err)
		}
		if thin := thins(context.Background(), c, args); thin != tc.thin {
			t.Errorf("%s: frames are left out: %v", c.Name, thin)
		}
		src, err := Open(context.Background(), c, Options{MaxSide: 80})
		if err != nil {
			t.Fatal(err)
		}
		exact := map[int]float64{}
		for f, err := src.Next(); err == nil; f, err = src.Next() {
			exact[f.Index] = brightness(f)
		}
		src.Close()
		n, few, last := 0, 0, -1
		err = LookThrough(context.Background(), c,
			pipeline.Look{Side: 80, Rate: 30, Each: func(f *pipeline.Frame) error {
				n++
				if f.Index <= last || f.PTS != c.PTS[f.Index] || len(f.Pix) != f.Width*f.Height || (f.Width > f.Height) != (c.Width > c.Height) {
					t.Errorf("%s: frame %d after %d, %d×%d", c.Name, f.Index, last, f.Width, f.Height)
				}
				last = f.Index
				if d := brightness(f) - exact[f.Index]; math.Abs(d) > 3 {
					t.Errorf("%s: frame %d is %.1f brighter than it is", c.Name, f.Index, d)
				}
				return nil
			}},
			pipeline.Look{Side: 160, Rate: 4, Each: func(f *pipeline.Frame) error { few++; return nil }})
		if err != nil || n < tc.least || n > tc.most || few < 19 || few > 21 {
			t.Errorf("%s: %d and %d pictures, %v", c.Name, n, few, err)
		}
	}

	c := mustProbe(t, later)
	stop := errors.New("enough")
	if err := LookThrough(context.Background(), c, pipeline.Look{Side: 80, Rate: 30, Each: func(*pipeline.Frame) error { return stop }}); !errors.Is(err, stop) {
		t.Errorf("its own error came back as %v", err)
	}
	var e *pipeline.Error
	if err := LookThrough(context.Background(), c, pipeline.Look{Side: 80, Rate: 30, Each: func(*pipeline.Frame) error { panic("x") }}); !errors.As(err, &e) || e.Fault != pipeline.FaultInternal {
		t.Errorf("a panic came back as %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := LookThrough(ctx, c, pipeline.Look{Side: 80, Rate: 30, Each: func(*pipeline.Frame) error { return nil }}); !errors.As(err, &e) || e.Fault != pipeline.FaultInterrupted {
		t.Errorf("cancelled: %v", err)
	}

	// More than a second of it is overwritten.
	b := read(t, later)
	half := len(b) / 2
	clear(b[half : half+len(b)/3])
	if err := os.WriteFile(later, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := LookThrough(context.Background(), c, pipeline.Look{Side: 80, Rate: 30, Each: func(*pipeline.Frame) error { return nil }}); !errors.As(err, &e) || e.Fault != pipeline.FaultUnreadable {
		t.Errorf("damaged: %v", err)
	}
}

func brightness(f *pipeline.Frame) float64 {
	n, sum := f.Width*f.Height, 0.
	for i := 0; i < len(f.Pix); i += len(f.Pix) / n {
		if len(f.Pix) == n {
			sum += float64(f.Pix[i])
		} else {
			sum += .114*float64(f.Pix[i]) + .587*float64(f.Pix[i+1]) + .299*float64(f.Pix[i+2])
		}
	}
	return sum / float64(n)
}
