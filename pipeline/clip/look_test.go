package clip

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"os/exec"
	"strings"
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
		err = lookThrough(context.Background(), c, 1, nil, []pipeline.Look{
			pipeline.Look{Side: 80, Rate: 30, Begin: whole(func(f *pipeline.Frame) error {
				n++
				if f.Index <= last || f.PTS != c.PTS[f.Index] || len(f.Pix) != f.Width*f.Height || (f.Width > f.Height) != (c.Width > c.Height) {
					t.Errorf("%s: frame %d after %d, %d×%d", c.Name, f.Index, last, f.Width, f.Height)
				}
				last = f.Index
				if d := brightness(f) - exact[f.Index]; math.Abs(d) > 3 {
					t.Errorf("%s: frame %d is %.1f brighter than it is", c.Name, f.Index, d)
				}
				return nil
			})},
			pipeline.Look{Side: 160, Rate: 4, Begin: whole(func(f *pipeline.Frame) error { few++; return nil })}})
		if err != nil || n < tc.least || n > tc.most || few < 19 || few > 21 {
			t.Errorf("%s: %d and %d pictures, %v", c.Name, n, few, err)
		}
	}

	c := mustProbe(t, later)
	stop := errors.New("enough")
	if err := LookThrough(context.Background(), c, nil, pipeline.Look{Side: 80, Rate: 30, Begin: whole(func(*pipeline.Frame) error { return stop })}); !errors.Is(err, stop) {
		t.Errorf("its own error came back as %v", err)
	}
	var e *pipeline.Error
	if err := LookThrough(context.Background(), c, nil, pipeline.Look{Side: 80, Rate: 30, Begin: whole(func(*pipeline.Frame) error { panic("x") })}); !errors.As(err, &e) || e.Fault != pipeline.FaultInternal {
		t.Errorf("a panic came back as %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := LookThrough(ctx, c, nil, pipeline.Look{Side: 80, Rate: 30, Begin: whole(func(*pipeline.Frame) error { return nil })}); !errors.As(err, &e) || e.Fault != pipeline.FaultInterrupted {
		t.Errorf("cancelled: %v", err)
	}

	// Of pictures and what is done beside them, whichever fails first says why.
	waits := func(ctx context.Context) error {
		<-ctx.Done()
		return &pipeline.Error{Fault: pipeline.FaultInterrupted, Err: ctx.Err()}
	}
	for _, tc := range []struct {
		also func(context.Context) error
		look func(*pipeline.Frame) error
	}{
		{func(context.Context) error { return stop }, func(*pipeline.Frame) error { return nil }},
		{waits, func(*pipeline.Frame) error { return stop }},
	} {
		if err := LookThrough(context.Background(), c, tc.also, pipeline.Look{Side: 80, Rate: 30, Begin: whole(tc.look)}); !errors.Is(err, stop) {
			t.Errorf("what was done beside the pictures: %v", err)
		}
	}

	// More than a second of it is overwritten.
	b := read(t, later)
	half := len(b) / 2
	clear(b[half : half+len(b)/3])
	if err := os.WriteFile(later, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := LookThrough(context.Background(), c, nil, pipeline.Look{Side: 80, Rate: 30, Begin: whole(func(*pipeline.Frame) error { return nil })}); !errors.As(err, &e) || e.Fault != pipeline.FaultUnreadable {
		t.Errorf("damaged: %v", err)
	}
}

// Parted anywhere, a recording shows the same pictures at the same times.
func TestLookThroughInStretches(t *testing.T) {
	in := lavfi("testsrc2=s=320x180:r=60:d=9", "-f", "lavfi", "-i", "sine=d=9", "-c:a", "aac",
		"-pix_fmt", "yuv420p", "-c:v", "libx264", "-preset", "ultrafast", "-g", "100")
	with := func(name string, more ...string) string { return makeClip(t, name, append(in, more...)...) }
	plain := with("p.mov", "-bf", "0")
	turned := makeClip(t, "turned.mov", "-i", "file:"+plain, "-c", "copy", "-metadata:s:v:0", "rotate=90")
	slow := makeClip(t, "slow.mov", "-i", "file:"+plain, "-c", "copy", "-an", "-movflags", "+use_metadata_tags", "-metadata", captureTags[0]+"=240")
	for _, tc := range []struct {
		path  string
		parts map[int]int // of so many asked for, so many
	}{
		{plain, map[int]int{2: 2, 5: 5}},
		{with("b.mp4", "-bf", "3", "-b_strategy", "0", "-x264-params", "b-pyramid=normal"), map[int]int{2: 2, 5: 5}},
		{makeClip(t, "late.mov", "-ss", "1.37", "-i", "file:"+plain, "-c", "copy"), map[int]int{5: 5}},                                                           // an edit list
		{makeClip(t, "early.mov", "-i", "file:"+plain, "-itsoffset", "2.3", "-i", "file:"+plain, "-map", "1:v", "-map", "0:a", "-c", "copy"), map[int]int{4: 4}}, // sound first
		{with("odd.mov", "-bf", "0", "-r", "30000/1001"), map[int]int{4: 4}},
		{turned, map[int]int{3: 3}},
		{slow, map[int]int{3: 3}},
		{with("m.mkv", "-bf", "0"), map[int]int{2: 1}},
		{makeClip(t, "onekey.mov", append(lavfi("testsrc2=s=160x90:r=15:d=40", "-pix_fmt", "yuv420p", "-c:v", "libx264"), "-g", "1000", "-sc_threshold", "0", "-bf", "0")...), map[int]int{5: 3}},
	} {
		c := mustProbe(t, tc.path)
		type seen struct {
			frame int
			pix   uint32
		}
		look := func(parts, real int) (out [2][]seen) {
			var all [2][]*[]seen
			begin := func(i int) func(from, _ float64) func(*pipeline.Frame) error {
				return func(from, to float64) func(*pipeline.Frame) error {
					mine := new([]seen)
					all[i] = append(all[i], mine)
					before := 0
					return func(f *pipeline.Frame) error {
						if f.PTS >= to {
							t.Errorf("%s: %.3f of the stretch to %.3f", c.Name, f.PTS, to)
						}
						if f.PTS >= from {
							if len(*mine) == 0 && from > 0 && before == 0 {
								t.Errorf("%s: nothing before %.3f", c.Name, from)
							}
							*mine = append(*mine, seen{f.Index, crc32.ChecksumIEEE(f.Pix)})
						}
						before++
						return nil
					}
				}
			}
			if err := lookThrough(context.Background(), c, parts, nil, []pipeline.Look{{Side: 160, Rate: 15, Begin: begin(0)}, {Side: 320, Rate: 4, Begin: begin(1)}}); err != nil {
				t.Fatal(c.Name, err)
			}
			if len(all[0]) != real {
				t.Errorf("%s: %d stretches, want %d", c.Name, len(all[0]), real)
			}
			for i := range all {
				for _, s := range all[i] {
					out[i] = append(out[i], *s...)
				}
			}
			return out
		}
		want := look(1, 1)
		if n := float64(len(want[0])); math.Abs(n-15*c.Duration) > 2 {
			t.Errorf("%s: %g pictures in %.2f s", c.Name, n, c.Duration)
		}
		for parts, real := range tc.parts {
			got := look(parts, real)
			for i := range got {
				n := 0
				for n < min(len(got[i]), len(want[i])) && got[i][n] == want[i][n] {
					n++
				}
				if g, w := got[i][n:], want[i][n:]; len(g)+len(w) > 0 {
					t.Errorf("%s in %d stretches, look %d: %d and %d pictures, differ from %v on, whole %v", c.Name, parts, i+1, len(got[i]), len(want[i]), g[:min(3, len(g))], w[:min(3, len(w))])
				}
			}
		}
	}
}

// A second without a picture is damage where two stretches meet, too.
func TestHoleAcrossStretches(t *testing.T) {
	path := makeClip(t, "hole.mov", append(lavfi("testsrc2=s=160x90:r=30:d=10", "-pix_fmt", "yuv420p", "-c:v", "libx264", "-preset", "ultrafast"), "-g", "30", "-bf", "0")...)
	c := mustProbe(t, path)
	out, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "packet=pts_time,pos,size", "-of", "csv=p=0", "file:"+path).Output()
	if err != nil {
		t.Fatal(err)
	}
	b, n := read(t, path), 0
	for line := range strings.Lines(string(out)) {
		var at float64
		var size, pos int
		if _, err := fmt.Sscanf(line, "%g,%d,%d", &at, &size, &pos); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if at > 4.3 && at < 5.7 {
			clear(b[pos : pos+size])
			n++
		}
	}
	if err := os.WriteFile(path, b, 0o600); err != nil || n < 40 {
		t.Fatal(n, err)
	}
	for _, parts := range []int{1, 2} {
		err := lookThrough(context.Background(), c, parts, nil, []pipeline.Look{{Side: 80, Rate: 30, Begin: whole(func(*pipeline.Frame) error { return nil })}})
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultUnreadable {
			t.Errorf("in %d stretches: %v", parts, err)
		}
	}
}

func whole(each func(*pipeline.Frame) error) func(_, _ float64) func(*pipeline.Frame) error {
	return func(_, _ float64) func(*pipeline.Frame) error { return each }
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
