// Package lesson makes recordings of lessons from the shipped samples, with
// number cards, waiting, people who walk through and other cages' sounds, and
// says what happens in them: for tests and for measuring.
package lesson

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/piglig/go-qr"

	"tapeline/pipeline"
)

// Truth is what happens in a lesson, seconds.
type Truth struct {
	Contacts []float64 `json:"contacts"`
	Others   []float64 `json:"others"` // cracks from other cages
	Walks    []float64 `json:"walks"`  // somebody begins to walk through
	Cards    []Shown   `json:"cards"`
	Duration float64   `json:"duration_s"`
}

// Shown is a card held up.
type Shown struct {
	T  float64 `json:"t"`
	ID string  `json:"id"`
}

// TruthFile is the name of what is told of a recording.
func TruthFile(recording string) string { return recording + ".truth.json" }

// Save writes the truth beside a recording.
func (w Truth) Save(recording string) error {
	b, err := json.MarshalIndent(w, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(TruthFile(recording), append(b, '\n'), 0o600)
}

// Load reads the truth beside a recording.
func Load(recording string) (w Truth, err error) {
	b, err := os.ReadFile(TruthFile(recording))
	if err != nil {
		return w, err
	}
	return w, json.Unmarshal(b, &w)
}

// Missed are the contacts that don't lie, with the swing around them, in
// exactly one of the spans.
func (w Truth) Missed(spans [][2]float64) (out []float64) {
	for _, at := range w.Contacts {
		in := 0
		for _, s := range spans {
			if s[0] <= at-1.2 && s[1] >= at+1.2 {
				in++
			}
		}
		if in != 1 {
			out = append(out, at)
		}
	}
	return out
}

// Shape of a lesson to be made.
type Shape struct {
	Seconds       float64
	Rate          int // pictures a second
	Width, Height int // 960×540 if zero
	// Swings are how many there are, evenly; 0: as many as come without more
	// waiting, about one in fifteen seconds.
	Swings int
	// Codec are ffmpeg's arguments; nil: quickly made, no frame refers to a
	// later one.
	Codec []string
}

// kit makes the parts that a lesson is put together from.
type kit struct {
	Shape
	ctx          context.Context
	samples, dir string
	hand         string             // filter: a phone in the hand, at the lesson's size
	made         map[string]float64 // length of each part that is there
	err          error              // the first
}

var swings = []string{"open_faults", "open_clean"}

func (k *kit) run(args ...string) {
	if k.err != nil {
		return
	}
	args = append([]string{"-v", "error", "-y", "-nostdin"}, args...)
	if b, err := exec.CommandContext(k.ctx, "ffmpeg", args...).CombinedOutput(); err != nil {
		k.err = fmt.Errorf("ffmpeg %v: %w\n%s", args, err, b)
	}
}

// part encodes one part of a lesson, once; all have one size, rate and codec.
func (k *kit) part(name string, long float64, filter string, in ...string) string {
	path := filepath.Join(k.dir, name+".mkv")
	if _, ok := k.made[name]; !ok {
		long = math.Round(long*float64(k.Rate)) / float64(k.Rate)
		args := append(in, "-filter_complex", filter, "-map", "[v]", "-map", "[a]", "-t", fmt.Sprint(long), "-r", fmt.Sprint(k.Rate))
		args = append(append(args, k.Codec...), "-pix_fmt", "yuv420p", "-c:a", "pcm_s16le", "-ar", "48000", "-ac", "1", path)
		k.run(args...)
		k.made[name] = long
	}
	return name
}

const (
	hush  = "anoisesrc=a=0.004:r=48000:c=pink"
	crack = "aevalsrc='0.5*(random(0)*2-1)*(exp(-mod(t+5-%[1]g,5)*90)*gte(t,%[1]g))':s=48000"
)

func (k *kit) still(clip string, last bool) string {
	path := filepath.Join(k.dir, fmt.Sprintf("%s-%v.png", clip, last))
	if _, err := os.Stat(path); err != nil {
		at := []string{"-i", k.sample(clip) + ".mp4"}
		if last {
			at = append([]string{"-sseof", "-0.05"}, at...)
		}
		k.run(append(at, "-frames:v", "1", "-update", "1", path)...)
	}
	return path
}

func (k *kit) sample(name string) string { return filepath.Join(k.samples, name) }

func (k *kit) image(path string) []string {
	return []string{"-loop", "1", "-framerate", fmt.Sprint(k.Rate), "-i", path}
}

func (k *kit) lavfi(source string) []string { return []string{"-f", "lavfi", "-i", source} }

func join(parts ...[]string) (out []string) {
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// hold: nobody moves.
func (k *kit) hold(c string) string {
	return k.part("hold-"+c, 4, "[0]"+k.hand+"[v];[1]anull[a]", join(k.image(k.still(c, false)), k.lavfi(hush))...)
}

// after: he has finished and stands, then, after a moment of darkness, stands
// as for the next swing. A fade would move his hands as nobody does.
func (k *kit) after(c, next string) string {
	return k.part("after-"+c+"-"+next, 4, fmt.Sprintf("[0]trim=duration=2,setpts=PTS-STARTPTS,format=yuv420p,setsar=1[x];color=black:s=960x540:r=%d:d=0.4,format=yuv420p,setsar=1[d];"+
		"[1]trim=duration=1.7,setpts=PTS-STARTPTS,format=yuv420p,setsar=1[y];[x][d][y]concat=n=3,%s[v];[2]anull[a]", k.Rate, k.hand),
		join(k.image(k.still(c, true)), k.image(k.still(next, false)), k.lavfi(hush))...)
}

// others: the crack of another cage, one second in.
func (k *kit) others(c string) string {
	return k.part("others-"+c, 4, "[0]"+k.hand+"[v];[1][2]amix=2:normalize=0[a]",
		join(k.image(k.still(c, false)), k.lavfi(hush), k.lavfi(fmt.Sprintf(crack, 1.)))...)
}

// walk: somebody as tall as the batter passes in front, 200 pixels a second.
func (k *kit) walk(c string) string {
	return k.part("walk-"+c, 6, "[0]split[g][s];[s]crop=150:400:360:100[p];[g][p]overlay=x='-150+200*t':y='100+4*sin(2*PI*t*1.8)',"+k.hand+"[v];[1]anull[a]",
		join(k.image(k.still(c, false)), k.lavfi(hush))...)
}

// card: one is shown for a second and a half.
func (k *kit) card(c, id string) string {
	q, err := go_qr.EncodeText(pipeline.CardText(id), go_qr.Medium)
	png := filepath.Join(k.dir, id+".png")
	if err == nil {
		err = q.PNG(go_qr.NewQrCodeImgConfig(8, 4), png)
	}
	if err != nil && k.err == nil {
		k.err = err
	}
	return k.part("card-"+c+"-"+id, 4, "[1]scale=240:-1,rotate=0.2:c=0x404040[p];[0][p]overlay=x='520-20*t':y='150+10*t':enable='between(t,1,2.5)',"+k.hand+"[v];[2]anull[a]",
		join(k.image(k.still(c, false)), k.image(png), k.lavfi(hush))...)
}

// swing is a sample as it is, with its sound.
func (k *kit) swing(c string) string {
	return k.part("swing-"+c, 1.6, fmt.Sprintf("[0:v]scale=%d:%d,noise=alls=9:allf=t+u[v];[0:a]aresample=48000[a]", k.Width, k.Height), "-i", k.sample(c)+".mp4")
}

// Make makes a recording from the samples in a folder: cards, waiting, people
// who walk through, other cages, swings. The samples are 960×540.
func Make(ctx context.Context, samples, path string, s Shape) (w Truth, err error) {
	if s.Width == 0 {
		s.Width, s.Height = 960, 540
	}
	if s.Codec == nil {
		s.Codec = []string{"-c:v", "libx264", "-preset", "ultrafast", "-crf", "20", "-bf", "0"}
	}
	dir, err := os.MkdirTemp("", "tapeline-lesson-")
	if err != nil {
		return w, err
	}
	defer os.RemoveAll(dir)
	if samples, err = filepath.Abs(samples); err != nil {
		return w, err
	}
	k := &kit{Shape: s, ctx: ctx, samples: samples, dir: dir, made: map[string]float64{}}
	// A phone in the hand, and the sensor's noise. A hand moves smoothly: by
	// parts of a pixel.
	k.hand = fmt.Sprintf("scale=%d:%d:flags=fast_bilinear,crop=%d:%d:%g+%g*sin(2*PI*t*0.7):%g+%g*sin(2*PI*t*1.1),scale=%d:%d:flags=area,noise=alls=9:allf=t+u",
		1920, 1080, 1880, 1058, 20., 8., 11., 6., s.Width, s.Height)
	hits := map[string]float64{}
	for _, c := range swings {
		if hits[c], err = contact(k.sample(c) + ".truth.json"); err != nil {
			return w, err
		}
	}
	var list strings.Builder
	add := func(name string) (from float64) {
		fmt.Fprintf(&list, "file '%s'\n", filepath.Join(k.dir, name+".mkv"))
		from = w.Duration
		w.Duration += k.made[name]
		return from
	}
	for i := 0; w.Duration < s.Seconds && k.err == nil; i++ {
		c, next := swings[i%2], swings[(i+1)%2]
		if i%3 == 0 {
			id := []string{"b07", "b12", "c3"}[i/3%3]
			w.Cards = append(w.Cards, Shown{add(k.card(c, id)) + 1, id})
		}
		switch i % 4 {
		case 1:
			w.Walks = append(w.Walks, add(k.walk(c)))
		case 0, 2:
			w.Others = append(w.Others, add(k.others(c))+1)
		}
		add(k.hold(c))
		if s.Swings > 0 { // more waiting, up to this one's turn
			for w.Duration < s.Seconds*(float64(i)+.5)/float64(s.Swings) {
				add(k.hold(c))
			}
			if i >= s.Swings {
				continue
			}
		}
		w.Contacts = append(w.Contacts, add(k.swing(c))+hits[c])
		add(k.after(c, next))
	}
	listed := filepath.Join(k.dir, "list.txt")
	if err := os.WriteFile(listed, []byte(list.String()), 0o600); err != nil {
		return w, err
	}
	k.run("-f", "concat", "-safe", "0", "-i", listed, "-c:v", "copy", "-c:a", "aac", "-b:a", "96k", "-f", "mov", path)
	return w, k.err
}

// contact is when a sample's ball is hit.
func contact(truth string) (float64, error) {
	b, err := os.ReadFile(truth)
	if err != nil {
		return 0, err
	}
	var v struct {
		Phases map[string]struct{ T float64 }
	}
	if err := json.Unmarshal(b, &v); err != nil {
		return 0, err
	}
	return v.Phases["contact"].T, nil
}
