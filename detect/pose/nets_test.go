package pose

import (
	"encoding/json"
	"errors"
	"image"
	"image/png"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"tapeline/detect/pose/convert"
	"tapeline/pipeline"
)

// open gives the networks of the machine's cache; without them nothing here
// can be tested, which is a failure, not a skip.
func open(t testing.TB) *Nets {
	t.Helper()
	n, err := Open(DefaultDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := n.Close(); err != nil {
			t.Error(err)
		}
	})
	return n
}

// picture is a PNG of testdata as a frame.
func picture(t testing.TB, name string) *pipeline.Frame {
	t.Helper()
	r, err := os.Open(filepath.Join("testdata", name+".png"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	im, err := png.Decode(r)
	if err != nil {
		t.Fatal(err)
	}
	return frameOf(im)
}

func frameOf(im image.Image) *pipeline.Frame {
	b := im.Bounds()
	f := &pipeline.Frame{Width: b.Dx(), Height: b.Dy(), Scale: 1}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := im.At(x, y).RGBA()
			f.Pix = append(f.Pix, byte(bl>>8), byte(g>>8), byte(r>>8))
		}
	}
	return f
}

// official is what the official runtime reads: see testdata/README.md.
type official struct {
	Landmarks [][4]float64 `json:"landmarks"`
	World     [][3]float64 `json:"world_m"`
}

func reference(t *testing.T, name string) (o official) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &o); err != nil {
		t.Fatal(err)
	}
	if len(o.Landmarks) != pipeline.NumJoints || len(o.World) != pipeline.NumJoints {
		t.Fatalf("%s: %d landmarks, %d world points", name, len(o.Landmarks), len(o.World))
	}
	return o
}

var frames = []string{"open_faults_070", "front_left_025"}

// Source: @mediapipe/pose 0.5.1675469404, CPU inference, fresh instance a
// picture. Float rounding differs between runtimes and processors; a tenth of
// a pixel is far below what any measure can use.
func TestAgreesWithOfficialRuntime(t *testing.T) {
	const pixels, metres, score = .1, .001, .001
	n := open(t)
	for _, name := range frames {
		f := picture(t, name)
		people, err := n.Detect(f)
		if err != nil || len(people) == 0 {
			t.Fatalf("%s: %d people, %v", name, len(people), err)
		}
		for _, net := range []string{Full, Heavy} {
			want := reference(t, name+"."+net)
			got, err := n.Read(net, f, people[0].Region)
			if err != nil {
				t.Fatal(err)
			}
			var worst, worstWorld, worstScore float64
			for i, w := range want.Landmarks {
				j, g := got.Joints[i], got.World[i]
				worst = max(worst, math.Hypot(j.X-w[0], j.Y-w[1]))
				worstScore = max(worstScore, math.Abs(j.Score-w[3]))
				v := want.World[i]
				worstWorld = max(worstWorld, math.Abs(g.X-v[0]), math.Abs(g.Y-v[1]), math.Abs(g.Z-v[2]))
			}
			t.Logf("%s %s: %.4f px, %.5f m, score %.5f", name, net, worst, worstWorld, worstScore)
			if !(worst < pixels && worstWorld < metres && worstScore < score) {
				t.Errorf("%s %s: off by %.3f px, %.4f m, score %.4f", name, net, worst, worstWorld, worstScore)
			}
		}
	}
}

func TestOpenNamesWhatIsMissingOrAltered(t *testing.T) {
	check := func(dir, part, what string) {
		t.Helper()
		n, err := Open(dir, Options{})
		if err == nil {
			n.Close()
			t.Fatalf("opened without %s", part)
		}
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultSetup || !strings.Contains(e.Path, part) || !strings.Contains(e.What, what) || e.Hint != "run scripts/setup" || strings.Contains(e.Error(), "\n") {
			t.Fatalf("%s: %#v", part, err)
		}
	}
	dir := t.TempDir()
	check(dir, "pose_detection.onnx", "missing")
	for _, sub := range []string{"models", "lib"} {
		if err := os.Mkdir(filepath.Join(dir, sub), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, m := range convert.Models {
		if err := os.Symlink(filepath.Join(DefaultDir(), "models", m.File), filepath.Join(dir, "models", m.File)); err != nil {
			t.Fatal(err)
		}
	}
	check(dir, "libonnxruntime", "missing")
	lib := filepath.Join(dir, libraryFile)
	if err := os.WriteFile(lib, []byte("not a library"), 0o644); err != nil {
		t.Fatal(err)
	}
	check(dir, "libonnxruntime", "altered")
	heavy := filepath.Join(dir, "models", "pose_heavy.onnx")
	if err := os.Remove(heavy); err != nil {
		t.Fatal(err)
	}
	check(dir, "pose_heavy.onnx", "missing")
	if err := os.WriteFile(heavy, []byte{1}, 0o644); err != nil {
		t.Fatal(err)
	}
	check(dir, "pose_heavy.onnx", "altered")
}

// A model with other shapes is refused even if somebody pinned its hash.
func TestShapesAreChecked(t *testing.T) {
	open(t) // the environment
	path := filepath.Join(DefaultDir(), "models", "pose_full.onnx")
	shapes := func(name string, shape ...int64) map[string][]int64 {
		out := maps.Clone(landmarkOutputs)
		out[name] = shape
		return out
	}
	for _, c := range []struct {
		name    string
		side    int64
		outputs map[string][]int64
		fails   bool
	}{
		{"its own", landmarkSide, landmarkOutputs, false},
		{"the detector's", detectorSide, detectorOutputs, true},
		{"another side", detectorSide, landmarkOutputs, true},
		{"another shape of world", landmarkSide, shapes("world", 1, 99), true},
		{"an output it lacks", landmarkSide, shapes("hands", 1, 99), true},
	} {
		s, err := newSession(path, c.side, c.outputs)
		if err == nil {
			err = s.look(nil, nil)
		}
		if (err != nil) != c.fails {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := s.close(); err != nil {
			t.Error(err)
		}
	}
}

// What rests is loaded again when it is wanted, and says the same.
func TestRest(t *testing.T) {
	n := open(t)
	f := picture(t, frames[0])
	at := pipeline.Region{CX: 480, CY: 270, Size: 500}
	before, err := n.Read(Full, f, at)
	if err != nil {
		t.Fatal(err)
	}
	if err := n.Rest(); err != nil || len(n.readers) != 0 {
		t.Fatal(len(n.readers), err)
	}
	if m := n.Models(); len(m) != 2 {
		t.Errorf("used and forgotten: %v", m)
	}
	if after, err := n.Read(Full, f, at); err != nil || !reflect.DeepEqual(after, before) {
		t.Errorf("%+v, before %+v, %v", after, before, err)
	}
}

func TestModelsNamesWhatWasLoaded(t *testing.T) {
	n := open(t)
	f := picture(t, frames[0])
	if m := n.Models(); len(m) != 1 || m[0].Name != "detector" {
		t.Fatalf("%v", m)
	}
	if _, err := n.Read(Full, f, pipeline.Region{CX: 480, CY: 270, Size: 500}); err != nil {
		t.Fatal(err)
	}
	if m := n.Models(); len(m) != 2 || m[1].Name != Full || len(m[1].SHA256) != 64 {
		t.Fatalf("%v", m)
	}
}

func TestRefusesWhatCannotBeRead(t *testing.T) {
	n := open(t)
	f := picture(t, frames[0])
	good := pipeline.Region{CX: 480, CY: 270, Size: 500}
	if _, err := n.Read("lite", f, good); err == nil {
		t.Error("unknown network")
	}
	for _, r := range []pipeline.Region{{}, {CX: math.NaN(), Size: 5}, {CX: math.Inf(1), Size: 5}, {Size: -3}, {CX: 1e9, Size: 9}} {
		if _, err := n.Read(Full, f, r); err == nil {
			t.Errorf("region %+v", r)
		}
	}
	// Far outside is legal and finds nobody.
	if p, err := n.Read(Full, f, pipeline.Region{CX: -9000, CY: 270, Size: 300}); err != nil || p.Score > LostScore {
		t.Errorf("outside: %v, score %.2f", err, p.Score)
	}
	short := &pipeline.Frame{Width: 10, Height: 10, Pix: make([]byte, 299)}
	if _, err := n.Detect(short); err == nil {
		t.Error("short picture")
	}
	if _, err := n.Detect(nil); err == nil {
		t.Error("nil frame")
	}
	tiny := &pipeline.Frame{Width: 1, Height: 1, Pix: []byte{1, 2, 3}}
	if p, err := n.Detect(tiny); err != nil || len(p) != 0 {
		t.Errorf("1×1: %v, %v", p, err)
	}
}

// A frame decoded at half size must give full-size pixels.
func TestScaleComesBackToFullSize(t *testing.T) {
	n := open(t)
	f := picture(t, frames[0])
	half := &pipeline.Frame{Width: f.Width / 2, Height: f.Height / 2, Scale: 2}
	for y := range half.Height {
		for x := range half.Width {
			for c := range 3 {
				i := (2*y*f.Width+2*x)*3 + c
				sum := int(f.Pix[i]) + int(f.Pix[i+3]) + int(f.Pix[i+3*f.Width]) + int(f.Pix[i+3*f.Width+3])
				half.Pix = append(half.Pix, byte((sum+2)/4))
			}
		}
	}
	a, err := n.Detect(f)
	if err != nil || len(a) == 0 {
		t.Fatal(len(a), err)
	}
	b, err := n.Detect(half)
	if err != nil || len(b) == 0 {
		t.Fatal(len(b), err)
	}
	// The detector sees 224 pixels across either way: 4 of ours each.
	if d := math.Hypot(a[0].Hips.X-b[0].Hips.X, a[0].Hips.Y-b[0].Hips.Y); d > 8 {
		t.Errorf("hips move %.1f px", d)
	}
	pa, err := n.Read(Full, f, a[0].Region)
	if err != nil {
		t.Fatal(err)
	}
	pb, err := n.Read(Full, half, a[0].Region)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range []int{pipeline.Nose, pipeline.LeftHip, pipeline.RightHip} {
		if d := math.Hypot(pa.Joints[i].X-pb.Joints[i].X, pa.Joints[i].Y-pb.Joints[i].Y); d > 6 {
			t.Errorf("joint %d moves %.1f px", i, d)
		}
	}
}

func TestJitterGivesMediansAndSpread(t *testing.T) {
	n := open(t)
	f := picture(t, frames[0])
	people, err := n.Detect(f)
	if err != nil || len(people) == 0 {
		t.Fatal(len(people), err)
	}
	r := people[0].Region
	one, err := n.ReadJittered(Full, f, r, 1)
	if err != nil || one.Spread != nil {
		t.Fatalf("one region has no spread: %v, %v", one.Spread, err)
	}
	got, err := n.ReadJittered(Full, f, r, 5)
	if err != nil {
		t.Fatal(err)
	}
	var xs []float64
	for _, j := range jitters[:5] {
		p, err := n.Read(Full, f, jittered(r, j))
		if err != nil {
			t.Fatal(err)
		}
		xs = append(xs, p.Joints[pipeline.Nose].X)
	}
	if m := median(xs); m != got.Joints[pipeline.Nose].X {
		t.Errorf("nose at %v, median %v", got.Joints[pipeline.Nose].X, m)
	}
	if s := got.Spread[pipeline.Nose]; !(s > 0 && s < 20) {
		t.Errorf("spread of the nose %v px", s)
	}
	for _, bad := range []int{0, MaxJitter + 1} {
		if _, err := n.ReadJittered(Full, f, r, bad); err == nil {
			t.Errorf("%d regions", bad)
		}
	}
}

// The native memory of a closed Nets is given back: sessions of full and
// detector hold about 60 MB together, thirty left open would show.
func TestCloseGivesMemoryBack(t *testing.T) {
	f := picture(t, frames[0])
	cycle := func() {
		n, err := Open(DefaultDir(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := n.Read(Full, f, pipeline.Region{CX: 480, CY: 270, Size: 500}); err != nil {
			t.Fatal(err)
		}
		if err := n.Close(); err != nil {
			t.Fatal(err)
		}
		if err := n.Close(); err != nil {
			t.Fatalf("closing twice: %v", err)
		}
		if _, err := n.Detect(f); err == nil {
			t.Fatal("closed networks still answer")
		}
	}
	cycle()
	cycle()
	before := resident(t)
	for range 6 {
		cycle()
	}
	grown := resident(t) - before
	t.Logf("grown by %d kB over 6 cycles from %d kB", grown, before)
	if grown > 100_000 {
		t.Errorf("%d kB more after 6 cycles", grown)
	}
}

// resident is VmRSS, kB.
func resident(t *testing.T) int {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Skip("no /proc on this system")
	}
	for _, l := range strings.Split(string(b), "\n") {
		if v, ok := strings.CutPrefix(l, "VmRSS:"); ok {
			kb, err := strconv.Atoi(strings.Fields(v)[0])
			if err != nil {
				t.Fatal(err)
			}
			return kb
		}
	}
	t.Fatal("no VmRSS")
	return 0
}

func BenchmarkCrop(b *testing.B) {
	f := picture(b, frames[0])
	dst := make([]float32, 3*landmarkSide*landmarkSide)
	b.ReportAllocs()
	for b.Loop() {
		crop(f, pipeline.Region{CX: 480, CY: 270, Size: 500, Rot: .1}, landmarkSide, 0, 1, false, dst)
	}
}

func BenchmarkRead(b *testing.B) {
	f := picture(b, frames[0])
	n := open(b)
	for _, net := range []string{Full, Heavy} {
		b.Run(net, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := n.Read(net, f, pipeline.Region{CX: 480, CY: 270, Size: 500}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDetect(b *testing.B) {
	f := picture(b, frames[0])
	n := open(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := n.Detect(f); err != nil {
			b.Fatal(err)
		}
	}
}
