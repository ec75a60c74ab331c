package marker

import (
	"encoding/json"
	"fmt"
	"image/color"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"golang.org/x/image/colornames"

	"tapeline/pipeline"
)

// truth is the part of a sample's truth file that a sticker needs.
type truth struct {
	Image struct{ Width, Height, FPS, Frames int }
	Focal float64                        `json:"focal_px"`
	Phase map[string]struct{ T float64 } `json:"phases"`

	Frames []struct {
		Points map[string]struct {
			Px  [2]float64
			XYZ [3]float64
		}
		PxEyes float64       `json:"px_per_cm_at_eyes"`
		Camera [4][4]float64 `json:"camera"`
	}
}

func load(t *testing.T, name string) *truth {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "samples", name+".truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	tr := &truth{}
	if err := json.Unmarshal(b, tr); err != nil {
		t.Fatal(err)
	}
	return tr
}

// sticker is where a point rigid to the skull, 8 cm over the middle of the
// ears, lies in the picture of frame i, which may be fractional.
func (tr *truth) sticker(i float64) pipeline.Point {
	a := min(max(int(i), 0), len(tr.Frames)-2)
	at := func(k int) pipeline.Point {
		f := &tr.Frames[k]
		l, r, n := f.Points["left_ear"].XYZ, f.Points["right_ear"].XYZ, f.Points["nose"].XYZ
		var across, ahead, p, q [3]float64
		for d := range p {
			p[d] = (l[d] + r[d]) / 2
			across[d], ahead[d] = r[d]-l[d], n[d]-p[d]
		}
		up := [3]float64{across[1]*ahead[2] - across[2]*ahead[1], across[2]*ahead[0] - across[0]*ahead[2], across[0]*ahead[1] - across[1]*ahead[0]}
		size := math.Sqrt(up[0]*up[0] + up[1]*up[1] + up[2]*up[2])
		for d := range p {
			p[d] += .08*up[d]/size - f.Camera[d][3]
		}
		for d := range q { // camera axes: x right, y up, −z forward
			q[d] = f.Camera[0][d]*p[0] + f.Camera[1][d]*p[1] + f.Camera[2][d]*p[2]
		}
		return pipeline.Point{X: float64(tr.Image.Width)/2 + tr.Focal*q[0]/-q[2], Y: float64(tr.Image.Height)/2 - tr.Focal*q[1]/-q[2]}
	}
	p, q, u := at(a), at(a+1), i-float64(a)
	return pipeline.Point{X: (1-u)*p.X + u*q.X, Y: (1-u)*p.Y + u*q.Y}
}

// pose is what a network sees: near contact it leaves the head where it was,
// as it does by 6–10 cm.
func (tr *truth) pose(i int, rng *rand.Rand) *pipeline.Pose {
	p := &pipeline.Pose{Score: 1}
	lift := 0.
	if d := float64(i)/float64(tr.Image.FPS) - tr.Phase["contact"].T; math.Abs(d) < .12 {
		lift = 8 * tr.Frames[i].PxEyes
	}
	put := func(j int, name string) {
		q := tr.Frames[i].Points[name].Px
		p.Joints[j] = pipeline.Landmark{X: q[0] + rng.NormFloat64(), Y: q[1] + rng.NormFloat64(), Score: 1}
		if j <= pipeline.MouthRight {
			p.Joints[j].Y -= lift
		}
	}
	for j, n := range map[int]string{pipeline.Nose: "nose", pipeline.LeftEar: "left_ear", pipeline.RightEar: "right_ear",
		pipeline.LeftShoulder: "left_shoulder", pipeline.RightShoulder: "right_shoulder", pipeline.LeftHip: "left_hip", pipeline.RightHip: "right_hip",
		pipeline.LeftKnee: "left_knee", pipeline.RightKnee: "right_knee", pipeline.LeftAnkle: "left_ankle", pipeline.RightAnkle: "right_ankle"} {
		put(j, n)
	}
	return p
}

// step is the head's motion as flow sees it.
func (tr *truth) step(i int, rng *rand.Rand) pipeline.HeadStep {
	if i == 0 {
		return pipeline.HeadStep{}
	}
	a, b := tr.Frames[i-1].Points["nose"].Px, tr.Frames[i].Points["nose"].Px
	return pipeline.HeadStep{DX: .9*(b[0]-a[0]) + .3*rng.NormFloat64(), DY: .9*(b[1]-a[1]) + .3*rng.NormFloat64(), CX: a[0], CY: a[1], Points: 20}
}

// sample paints the sticker on a sample clip, shutter open for a quarter of a
// frame, compresses that again as a phone would, and gives the frames of it.
// paint false leaves the clip as it is.
func sample(t *testing.T, name string, c color.RGBA, paint bool, each func(i int, f *pipeline.Frame)) *truth {
	t.Helper()
	tr := load(t, name)
	w, h := tr.Image.Width, tr.Image.Height
	raw := []string{"-f", "rawvideo", "-pix_fmt", "bgr24", "-s", strconv.Itoa(w) + "x" + strconv.Itoa(h), "-r", strconv.Itoa(tr.Image.FPS)}
	run := func(in io.Reader, args ...string) (io.Reader, func()) {
		cmd := exec.Command("ffmpeg", append([]string{"-v", "error", "-y"}, args...)...)
		cmd.Stdin, cmd.Stderr = in, os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return out, func() {
			if err := cmd.Wait(); err != nil {
				t.Error(err)
			}
		}
	}
	path := filepath.Join(t.TempDir(), "marked.mp4")
	in, done := run(nil, "-i", filepath.Join("..", "..", "samples", name+".mp4"), "-f", "rawvideo", "-pix_fmt", "bgr24", "-")
	pr, pw := io.Pipe()
	_, encoded := run(pr, append(raw, "-i", "-", "-c:v", "libx264", "-crf", "23", "-preset", "veryfast", "-pix_fmt", "yuv420p", path)...)
	buf := make([]byte, 3*w*h)
	for i := range tr.Frames {
		if _, err := io.ReadFull(in, buf); err != nil {
			t.Fatal(err)
		}
		if paint {
			tr.paint(buf, i, c)
		}
		if _, err := pw.Write(buf); err != nil {
			t.Fatal(err)
		}
	}
	pw.Close()
	done()
	encoded()
	in, done = run(nil, "-i", path, "-f", "rawvideo", "-pix_fmt", "bgr24", "-")
	for i := range tr.Frames {
		if _, err := io.ReadFull(in, buf); err != nil {
			t.Fatal(err)
		}
		each(i, &pipeline.Frame{Index: i, PTS: float64(i) / float64(tr.Image.FPS), Width: w, Height: h, Scale: 1, Pix: buf})
	}
	done()
	return tr
}

// paint lays a round sticker of 3 cm on frame i; light on it changes slowly.
func (tr *truth) paint(buf []byte, i int, c color.RGBA) {
	const shots, radius = 5, 1.5
	r := radius * tr.Frames[i].PxEyes
	light := .8 + .15*math.Sin(float64(i)/9)
	w, h := tr.Image.Width, tr.Image.Height
	cover := map[int]float64{}
	for s := range shots {
		m := tr.sticker(float64(i) + .25*(float64(s)/(shots-1)-.5))
		for y := max(int(m.Y-r-2), 0); y < min(int(m.Y+r+3), h); y++ {
			for x := max(int(m.X-r-2), 0); x < min(int(m.X+r+3), w); x++ {
				d := r + .5 - math.Hypot(float64(x)+.5-m.X, float64(y)+.5-m.Y)
				cover[y*w+x] += math.Min(1, math.Max(0, d)) / shots
			}
		}
	}
	for k, a := range cover {
		for d, v := range [3]uint8{c.B, c.G, c.R} {
			buf[3*k+d] = byte(math.Round((1-a)*float64(buf[3*k+d]) + a*light*float64(v)))
		}
	}
}

// A sticker painted on the rendered samples: its travel must come back within
// half a centimetre (where nothing near it has its colour) at every moment it is said to be seen, which must be
// nearly always.
func TestTravelOfASticker(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	for _, c := range []struct {
		clip, colour string
		most         float64 // error, cm
		least        float64 // share of the frames
	}{
		{"open_faults", "orange", .5, .95}, {"open_faults", "green", .5, .95}, {"open_clean", "deeppink", .5, .95},
		{"open_clean", "yellow", .5, .95}, {"front_left", "blue", .5, .95},
		// Shirt and cap are yellow too, and a centimetre is 1.6 pixels.
		{"front_left", "yellow", 1, .7},
	} {
		t.Run(c.clip+" "+c.colour, func(t *testing.T) {
			rgb := colornames.Map[c.colour]
			f := New(named(t, c.colour))
			rng := rand.New(rand.NewPCG(5, 6))
			tr := load(t, c.clip)
			var first, zero pipeline.Point
			worst, seen, sum := 0., 0, 0.
			at := map[int]bool{}
			sample(t, c.clip, rgb, true, func(i int, fr *pipeline.Frame) {
				p := f.Step(fr, tr.pose(i, rng), tr.step(i, rng), fr.PTS)
				if p == nil {
					return
				}
				q := tr.sticker(float64(i))
				if seen++; seen == 1 {
					first, zero = *p, q
				}
				at[i] = true
				e := math.Hypot((p.X-first.X)-(q.X-zero.X), (p.Y-first.Y)-(q.Y-zero.Y)) / tr.Frames[i].PxEyes
				worst, sum = math.Max(worst, e), sum+e
			})
			t.Logf("seen in %d of %d frames, worst %.2f cm, mean %.2f cm", seen, len(tr.Frames), worst, sum/float64(seen))
			if worst > c.most {
				t.Errorf("%.2f cm off the true travel", worst)
			}
			if float64(seen) < c.least*float64(len(tr.Frames)) {
				t.Errorf("seen in %d of %d frames", seen, len(tr.Frames))
			}
			for k, ph := range tr.Phase {
				if i := int(math.Round(ph.T * float64(tr.Image.FPS))); !at[i] && c.least > .9 {
					t.Errorf("not seen at %s", k)
				}
			}
		})
	}
}

// Without a sticker there is nothing to see, whatever the colour.
func TestNoSticker(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	for _, name := range []string{"open_faults", "front_left"} {
		tr := load(t, name)
		rng := rand.New(rand.NewPCG(5, 6))
		fs, seen := map[string]*Follower{}, map[string]int{}
		for _, colour := range []string{"orange", "green", "deeppink", "yellow", "blue"} {
			fs[colour] = New(named(t, colour))
		}
		sample(t, name, color.RGBA{}, false, func(i int, fr *pipeline.Frame) {
			p, s := tr.pose(i, rng), tr.step(i, rng)
			for colour, f := range fs {
				if f.Step(fr, p, s, fr.PTS) != nil {
					seen[colour]++
				}
			}
		})
		for colour, n := range seen {
			t.Errorf("%s: a marker in %s is seen in %d frames where there is none", name, colour, n)
		}
	}
}

func named(t *testing.T, name string) Colour {
	t.Helper()
	c := colornames.Map[name]
	col, ok := Parse(fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B))
	if !ok {
		t.Fatalf("%s is no colour", name)
	}
	return col
}
