package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
)

func lavfi(spec string, args ...string) []string {
	return append([]string{"-f", "lavfi", "-i", spec}, args...)
}

func smallClip(t *testing.T, name string, args ...string) string {
	t.Helper()
	return makeClip(t, name, append(lavfi("testsrc=s=192x108:r=30", "-frames:v", "45", "-pix_fmt", "yuv420p"), args...)...)
}

func TestProbeRates(t *testing.T) {
	for _, rate := range []int{24, 60, 240} {
		c := mustProbe(t, makeClip(t, "a.mp4", lavfi(fmt.Sprintf("testsrc=s=108x192:r=%d", rate), "-frames:v", "50", "-pix_fmt", "yuv420p")...))
		if len(c.PTS) != 50 || math.Abs(c.CaptureRate-float64(rate)) > 1e-3 || c.TimeFactor != 1 || math.Abs(c.Duration-50/float64(rate)) > 1e-3 {
			t.Errorf("%d fps: %d frames, rate %v, factor %v, %v s", rate, len(c.PTS), c.CaptureRate, c.TimeFactor, c.Duration)
		}
		if c.Width != 108 || c.Height != 192 || c.HasAudio || len(c.ID) != 64 {
			t.Errorf("%+v", c)
		}
	}
}

// Every third frame left out: times come from the container, not from a rate,
// and the frame with that time is the one that was filmed then.
func TestVariableRate(t *testing.T) {
	for _, codec := range [][]string{{"libx264", "-bf", "2"}, {"libx265", "-x265-params", "log-level=none"}} {
		src := "color=black:s=192x108:r=60,format=yuv420p," + counter + ",select=not(eq(mod(n\\,3)\\,1))"
		path := makeClip(t, "v.mp4", append(lavfi(src, "-fps_mode", "passthrough", "-frames:v", "32", "-c:v"), codec...)...)
		c := mustProbe(t, path)
		if len(c.PTS) != 32 {
			t.Fatalf("%d frames", len(c.PTS))
		}
		n := each(t, c, Options{}, func(f *pipeline.Frame) {
			k := 3*(f.Index/2) + 2*(f.Index%2)
			if math.Abs(f.PTS-float64(k)/60) > 1e-4 {
				t.Errorf("%s: frame %d at %v, want %v", codec[0], f.Index, f.PTS, float64(k)/60)
			}
			if got, want := mean(f, 0, 0, 1, 1)[1], float64(4*k)*255/219; math.Abs(got-want) > 3 {
				t.Errorf("%s: frame %d shows %.0f, want %.0f", codec[0], f.Index, got, want)
			}
		})
		if n != 32 {
			t.Errorf("%d frames decoded", n)
		}
	}
}

// -bf 2 at 30 fps writes an edit list of 66.7 ms; a lossless cut writes one
// that hides the frames back to the key frame. Neither may shift a time.
func TestEditLists(t *testing.T) {
	whole := makeClip(t, "w.mp4", lavfi("color=black:s=192x108:r=30,format=yuv420p,"+counter, "-frames:v", "50", "-c:v", "libx264", "-bf", "2", "-g", "100")...)
	b, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	// elst version 0: count, then duration, media time, rate.
	i := bytes.Index(b, []byte("elst"))
	if i < 0 {
		t.Fatal("no edit list")
	}
	media := binary.BigEndian.Uint32(b[i+16:])
	if scale := 15360.0; math.Abs(float64(media)/scale-2.0/30) > 1e-4 {
		t.Fatalf("the edit list is %v s", float64(media)/scale)
	}
	if c := mustProbe(t, whole); len(c.PTS) != 50 {
		t.Errorf("%d frames of the whole clip", len(c.PTS))
	}
	cut := makeClip(t, "c.mp4", "-ss", "0.6", "-i", "file:"+whole, "-c", "copy")
	c := mustProbe(t, cut)
	if len(c.PTS) != 32 {
		t.Fatalf("%d frames after the cut", len(c.PTS))
	}
	for _, exact := range []bool{false, true} {
		c.Matrix = "bt709"
		n := each(t, c, Options{Exact: exact}, func(f *pipeline.Frame) {
			if got, want := mean(f, 0, 0, 1, 1)[1], float64(4*(18+f.Index))*255/219; math.Abs(got-want) > 3 {
				t.Errorf("exact %v: frame %d shows %.0f, want %.0f", exact, f.Index, got, want)
			}
			if math.Abs(f.PTS-float64(f.Index)/30) > 1e-4 {
				t.Errorf("frame %d at %v", f.Index, f.PTS)
			}
		})
		if n != 32 {
			t.Errorf("%d frames decoded", n)
		}
	}
}

func TestContainers(t *testing.T) {
	for name, args := range map[string][]string{
		"a.mov": {"-c:v", "libx264"}, "a.mkv": {"-c:v", "libx264"}, "a.webm": {"-c:v", "libvpx"}, "a.avi": {"-c:v", "mjpeg", "-pix_fmt", "yuvj420p"},
		"frag.mp4": {"-c:v", "libx264", "-movflags", "frag_keyframe+empty_moov"},
		"m4v.avi":  {"-c:v", "mpeg4"},
	} {
		c := mustProbe(t, smallClip(t, name, args...))
		if len(c.PTS) != 45 {
			t.Errorf("%s: %d frames", name, len(c.PTS))
		}
		if n := each(t, c, Options{}, func(*pipeline.Frame) {}); n != 45 {
			t.Errorf("%s: %d decoded", name, n)
		}
	}
}

func TestSlowMotionTag(t *testing.T) {
	c := mustProbe(t, smallClip(t, "slow.mp4", "-movflags", "use_metadata_tags", "-metadata", "com.android.capture.fps=240.000000"))
	if c.TimeFactor != 8 || c.CaptureRate != 240 {
		t.Errorf("factor %v, rate %v", c.TimeFactor, c.CaptureRate)
	}
	c = mustProbe(t, smallClip(t, "real.mp4", "-movflags", "use_metadata_tags", "-metadata", "com.android.capture.fps=30.000000"))
	if c.TimeFactor != 1 || c.CaptureRate != 30 {
		t.Errorf("factor %v, rate %v", c.TimeFactor, c.CaptureRate)
	}
}

// The same by what the user says, where the container doesn't.
func TestCaptured(t *testing.T) {
	c := mustProbe(t, smallClip(t, "plain.mp4"))
	if slow, ok := Captured(c, 240); !ok || slow.TimeFactor != 8 || slow.CaptureRate != 240 || c.TimeFactor != 1 {
		t.Errorf("%v: factor %v, rate %v", ok, slow.TimeFactor, slow.CaptureRate)
	}
	for _, rate := range []float64{0, 30, 24, -240, MaxRate + 1} {
		if slow, ok := Captured(c, rate); ok || slow.TimeFactor != 1 || slow.CaptureRate != 30 {
			t.Errorf("%g a second: %v, factor %v, rate %v", rate, ok, slow.TimeFactor, slow.CaptureRate)
		}
	}
}

func TestMatrix(t *testing.T) {
	for _, tc := range []struct {
		s    stream
		want string
	}{
		{stream{Space: "bt709", Height: 100, Width: 100}, "bt709"}, {stream{Space: "smpte170m", Width: 1920, Height: 1080}, "bt601"},
		{stream{Width: 1280, Height: 720}, "bt709"}, {stream{Width: 640, Height: 480}, "bt601"}, {stream{Space: "bt2020nc"}, "bt2020"},
	} {
		if got := matrixOf(&tc.s); got != tc.want {
			t.Errorf("%+v: %s, want %s", tc.s, got, tc.want)
		}
	}
}

// A grey card of 18 % is 38 % signal in HLG and PQ, reference white 75 % in HLG
// and 58 % in PQ (ITU-R BT.2408-7 table 1). In SDR the card is 0.18^(1/2.2) =
// 46 % = 117 [computed], white near the top with room for highlights.
func TestHDR(t *testing.T) {
	for tr, white := range map[string]int{"arib-std-b67": 721, "smpte2084": 572} {
		// 10-bit limited range: 64 + 876·signal.
		src := fmt.Sprintf("color=black:s=192x108:r=30,format=yuv420p10le,geq=lum='if(lt(X,64),64,if(lt(X,128),397,%d))':cb=512:cr=512", white)
		path := makeClip(t, "h.mp4", lavfi(src, "-frames:v", "12", "-c:v", "libx265", "-x265-params",
			"log-level=none:colorprim=bt2020:colormatrix=bt2020nc:transfer="+tr, "-color_trc", tr, "-colorspace", "bt2020nc", "-color_primaries", "bt2020")...)
		c := mustProbe(t, path)
		want := map[string]string{"arib-std-b67": "hlg", "smpte2084": "pq"}[tr]
		if c.Transfer != want || c.Matrix != "bt2020" || c.Codec != "hevc" || !deep(c.PixelFormat) {
			t.Fatalf("%+v", c)
		}
		n := each(t, c, Options{MaxSide: 96}, func(f *pipeline.Frame) {
			black, mid, white := mean(f, .05, .1, .3, .9), mean(f, .37, .1, .63, .9), mean(f, .7, .1, .95, .9)
			if f.Index == 0 {
				t.Logf("%s: black %.0f mid %.0f white %.0f", want, black, mid, white)
			}
			if black[1] > 8 || math.Abs(mid[1]-117) > 20 || white[1] < 190 || white[1] > 245 {
				t.Errorf("%s: black %.0f mid %.0f white %.0f", want, black, mid, white)
			}
			if math.Abs(white[0]-white[2]) > 4 {
				t.Errorf("white is tinted: %.0f", white)
			}
		})
		if n != 12 {
			t.Errorf("%d frames", n)
		}
	}
}

// 10-bit SDR goes the same way.
func TestTenBit(t *testing.T) {
	path := makeClip(t, "t.mp4", lavfi("color=red:s=192x108:r=30", "-frames:v", "12", "-c:v", "libx265", "-x265-params", "log-level=none",
		"-vf", "scale=out_color_matrix=bt709:out_range=tv,format=yuv420p10le", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709")...)
	each(t, mustProbe(t, path), Options{}, func(f *pipeline.Frame) {
		if m := mean(f, .1, .1, .9, .9); m[0] > 3 || m[1] > 3 || m[2] < 252 {
			t.Errorf("red is %.0f", m)
		}
	})
}

// bad checks one refusal: its fault, one line, the same from run to run.
func bad(t *testing.T, err error, fault pipeline.Fault, part string) {
	t.Helper()
	var pe *pipeline.Error
	if !errors.As(err, &pe) {
		t.Errorf("got %v", err)
		return
	}
	if pe.Fault != fault || !strings.Contains(pe.Error(), part) || strings.Contains(pe.Error(), "\n") || pe.Hint == "" {
		t.Errorf("fault %d: %s (want %d, %q)", pe.Fault, pe, fault, part)
	}
}

func write(t *testing.T, name string, b []byte) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(p, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// patch changes bytes after the nth mark, and fails if there is no such mark.
func patch(t *testing.T, b []byte, mark string, at int, with []byte) []byte {
	t.Helper()
	b = bytes.Clone(b)
	i := bytes.Index(b, []byte(mark))
	if i < 0 {
		t.Fatalf("no %s", mark)
	}
	copy(b[i+at:], with)
	return b
}

func TestBadInput(t *testing.T) {
	good := read(t, smallClip(t, "good.mp4", "-movflags", "+faststart"))
	late := read(t, smallClip(t, "late.mp4"))
	mkv := read(t, smallClip(t, "good.mkv", "-c:v", "libx264"))
	avi := read(t, smallClip(t, "good.avi", "-c:v", "mjpeg", "-pix_fmt", "yuvj420p"))
	big := []byte{0x40, 0, 0x40, 0} // 16384×16384
	for _, tc := range []struct {
		name, path, part string
	}{
		{"missing", filepath.Join(t.TempDir(), "no.mp4"), "no such file"},
		{"folder", t.TempDir(), "not a file"},
		{"empty", write(t, "a.mp4", nil), "empty"},
		{"text", write(t, "a.mp4", []byte(strings.Repeat("a swing\n", 100))), "not a video"},
		{"jpeg", write(t, "a.mp4", []byte("\xFF\xD8\xFF\xE0 JFIF and so on and on")), "not a video"},
		{"playlist", write(t, "a.mp4", []byte("#EXTM3U\n#EXTINF:1,\nother.mp4\n")), "not a video"},
		{"concat", write(t, "a.mp4", []byte("ffconcat version 1.0\nfile other.mp4\n")), "not a video"},
		{"playlist behind a box", write(t, "a.mp4", []byte("\x00\x00\x00\x08free#EXTM3U\n#EXTINF:1,\nother.mp4\n")), "damaged"},
		{"box without contents", write(t, "a.mp4", []byte("\x00\x00\x00\x10ftypisom\x00\x00\x02\x00")), "index is missing"},
		{"cut before the index", write(t, "a.mp4", late[:len(late)*2/3]), "cut short"},
		{"cut in the pictures", write(t, "a.mp4", good[:len(good)*2/3]), "cut short"},
		{"index only", write(t, "a.mp4", good[:bytes.Index(good, []byte("mdat"))-4]), "no pictures"},
		{"cut mkv", write(t, "a.mkv", mkv[:len(mkv)*2/3]), "cut short"},
		{"cut avi", write(t, "a.avi", avi[:len(avi)*2/3]), "cut short"},
		{"audio only", makeClip(t, "a.mp4", lavfi("sine=d=1", "-c:a", "aac")...), "no picture"},
		{"1 frame", makeClip(t, "a.mp4", lavfi("testsrc=s=64x64", "-frames:v", "1")...), "not a movement"},
		{"5 fps", makeClip(t, "a.mp4", lavfi("testsrc=s=64x64:r=5", "-frames:v", "20")...), "frame rate"},
		// The display matrix begins 40 bytes into tkhd; −1 instead of 1: flipped.
		{"mirrored", write(t, "a.mp4", patch(t, good, "tkhd", 4+40, []byte{0xFF, 0xFF, 0, 0})), "mirrored"},
		{"huge track header", write(t, "a.mp4", patch(t, good, "tkhd", 4+76, []byte{0x40, 0, 0, 0, 0x40, 0, 0, 0})), "too big"},
		{"huge sample entry", write(t, "a.mp4", patch(t, good, "avc1\x00\x00\x00\x00\x00\x00\x00\x01", 4+24, big)), "too big"},
		{"huge avi", makeClip(t, "a.avi", lavfi("color=s=9000x16:r=30", "-frames:v", "12", "-c:v", "mjpeg", "-pix_fmt", "yuvj420p")...), "too big"},
		// stts: one entry for all frames, its duration made 0.
		{"zero fps", write(t, "a.mp4", patch(t, read(t, smallClip(t, "nob.mp4", "-bf", "0", "-c:v", "libx264")), "stts", 4+12, []byte{0, 0, 0, 0})), ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Probe(context.Background(), tc.path)
			bad(t, err, pipeline.FaultUnreadable, tc.part)
			t.Log(err)
		})
	}
}

// The index is whole, the pictures are not: found while decoding.
func TestDamageFound(t *testing.T) {
	b := read(t, smallClip(t, "good.mp4", "-c:v", "libx264", "-movflags", "+faststart", "-g", "200"))
	i := bytes.Index(b, []byte("mdat"))
	clear(b[i+4+(len(b)-i)/2:])
	c := mustProbe(t, write(t, "a.mp4", b))
	for _, exact := range []bool{false, true} {
		c.Matrix = "bt709"
		s, err := Open(context.Background(), c, Options{Exact: exact})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for err == nil {
			if _, err = s.Next(); err == nil {
				n++
			}
		}
		bad(t, err, pipeline.FaultUnreadable, "damaged after frame")
		t.Log(err)
		if _, again := s.Next(); again != err {
			t.Errorf("then %v", again)
		}
		if n == 0 || n >= 45 {
			t.Errorf("%d frames before the damage", n)
		}
		s.Close()
		if _, err := s.Next(); err == nil || errors.Is(err, io.EOF) {
			t.Error("reads after Close")
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A picture lost in the middle shifts all that follow: never taken for an end,
// and nobody gets a wrong picture.
func TestLossInTheMiddle(t *testing.T) {
	path := smallClip(t, "good.mp4", "-c:v", "libx264", "-bf", "0", "-g", "1", "-movflags", "+faststart")
	c := mustProbe(t, path)
	out, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "packet=pos,size", "-of", "csv=p=0", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	var size, pos int
	if _, err := fmt.Sscanf(strings.Split(string(out), "\n")[20], "%d,%d", &size, &pos); err != nil {
		t.Fatal(err)
	}
	b := read(t, path)
	clear(b[pos : pos+size])
	c.Path = write(t, "a.mp4", b)
	s, err := Open(context.Background(), c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for err == nil {
		_, err = s.Next()
	}
	bad(t, err, pipeline.FaultUnreadable, "damaged after frame 20")
	// Who reads only a later part gets the right pictures.
	whole := c
	whole.Path = path
	var want [][3]float64
	o := Options{From: 0.8, To: 1.2}
	each(t, whole, o, func(f *pipeline.Frame) { want = append(want, mean(f, 0, 0, 1, 1)) })
	for i := range want[1:] {
		if dist(want[i], want[i+1]) < 0.02 {
			t.Fatal("the pictures are too much alike")
		}
	}
	each(t, c, o, func(f *pipeline.Frame) {
		if got := mean(f, 0, 0, 1, 1); dist(got, want[f.Index-24]) > 0.01 {
			t.Errorf("frame %d is another one", f.Index)
		}
	})
	// A picture that vanishes without an error: here the index promises one
	// that isn't there.
	whole.PTS = slices.Insert(slices.Clone(whole.PTS), 20, (whole.PTS[19]+whole.PTS[20])/2)
	s2, err := Open(context.Background(), whole, Options{To: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer s2.Close()
	for err == nil {
		_, err = s2.Next()
	}
	bad(t, err, pipeline.FaultUnreadable, "a picture is missing")
}

func TestOddNames(t *testing.T) {
	good := read(t, smallClip(t, "good.mp4"))
	dir := t.TempDir()
	t.Chdir(dir)
	for _, name := range []string{"clip%03d.mp4", "-i.mp4", "-", "a\nb.mp4", "a b:c.mp4", "http:x.mp4", "concat:a|b.mp4", "%d", "ünïcødé '\".mov", "@x.mp4"} {
		if err := os.WriteFile(name, good, 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := Probe(context.Background(), name)
		if err != nil {
			t.Errorf("%q: %v", name, err)
			continue
		}
		c.Matrix = "bt709"
		for _, o := range []Options{{}, {Exact: true}} {
			if n := each(t, c, o, func(*pipeline.Frame) {}); n != 45 {
				t.Errorf("%q: %d frames", name, n)
			}
		}
		e, err := NewEncoder(context.Background(), "out"+name, Spec{Width: 64, Height: 64, FPS: 30})
		if err != nil {
			t.Fatal(err)
		}
		e.Abort()
		e, err = NewEncoder(context.Background(), name, Spec{Width: 64, Height: 64, FPS: 30})
		if err != nil {
			t.Fatal(err)
		}
		e.Abort()
		if _, err := os.Stat(name); err != nil {
			t.Errorf("%q: Abort removed a file it hadn't written", name)
		}
	}
}

func TestNothingInstalled(t *testing.T) {
	path := smallClip(t, "good.mp4")
	c := mustProbe(t, path)
	c.Matrix = "bt709"
	c.HasAudio = true
	t.Setenv("PATH", t.TempDir())
	_, err := Probe(context.Background(), path)
	bad(t, err, pipeline.FaultSetup, "ffprobe is not installed")
	_, err = Open(context.Background(), c, Options{Exact: true})
	bad(t, err, pipeline.FaultSetup, "ffmpeg is not installed")
	_, _, err = Audio(context.Background(), c, 48000)
	bad(t, err, pipeline.FaultSetup, "ffmpeg is not installed")
	_, err = NewEncoder(context.Background(), filepath.Join(t.TempDir(), "o.mp4"), Spec{Width: 64, Height: 64, FPS: 30})
	bad(t, err, pipeline.FaultSetup, "ffmpeg is not installed")
}

func TestStopped(t *testing.T) {
	path := smallClip(t, "good.mp4")
	c := mustProbe(t, path)
	ctx, cancel := context.WithCancel(context.Background())
	s, err := Open(ctx, c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Next(); err != nil {
		t.Fatal(err)
	}
	cancel()
	_, err = s.Next()
	var pe *pipeline.Error
	if !errors.As(err, &pe) || pe.Fault != pipeline.FaultInterrupted {
		t.Errorf("Next: %v", err)
	}
	if _, err = Probe(ctx, path); !errors.As(err, &pe) || pe.Fault != pipeline.FaultInterrupted {
		t.Errorf("Probe: %v", err)
	}
}

// Data a phone appends after the boxes is no damage.
func TestAppended(t *testing.T) {
	b := read(t, smallClip(t, "a.mp4"))
	for _, more := range []string{"SEFHe\x00\x00\x00more and more of itSEFT", "\x00\x00\x00\x00", "\x7F\xFF\xFF\xFFabcd......"} {
		c := mustProbe(t, write(t, "b.mp4", append(bytes.Clone(b), more...)))
		if n := each(t, c, Options{}, func(*pipeline.Frame) {}); n != 45 {
			t.Errorf("%d frames", n)
		}
	}
}

// Whatever the bytes, the look ends and doesn't panic.
func FuzzLook(f *testing.F) {
	out := filepath.Join(f.TempDir(), "s.mp4")
	if b, err := exec.Command("ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc=s=64x64", "-frames:v", "3", out).CombinedOutput(); err != nil {
		f.Fatalf("%v %s", err, b)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:len(b)/2])
	f.Add([]byte("\x00\x00\x00\x01moov\x7F\xFF\xFF\xFF\xFF\xFF\xFF\xFF"))
	f.Add([]byte("\x00\x00\x00\x00moov\x00\x00\x00\x00trak\x00\x00\x00\x00stsd"))
	f.Add([]byte("\x1A\x45\xDF\xA3webm"))
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, b []byte) {
		p := filepath.Join(dir, "f.mp4")
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		look(p)
	})
}
