package long

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/piglig/go-qr"

	"tapeline/detect"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

var (
	lessonFile    = flag.String("lesson", "", "make a recording of a lesson here, with FILE.truth.json beside it, and scan it")
	lessonMinutes = flag.Float64("minutes", 4, "how long it is")
)

// truth is what happens in a lesson, seconds.
type truth struct {
	Contacts []float64 `json:"contacts"`
	Others   []float64 `json:"others"` // cracks from other cages
	Walks    []float64 `json:"walks"`  // somebody begins to walk through
	Cards    []shown   `json:"cards"`
	Duration float64   `json:"duration_s"`
}

type shown struct {
	T  float64 `json:"t"`
	ID string  `json:"id"`
}

// kit makes the parts that a lesson is put together from.
type kit struct {
	t    testing.TB
	dir  string
	fps  int
	made map[string]float64 // length of each part that is there
}

var swings = []string{"open_faults", "open_clean"}

func (k *kit) run(args ...string) {
	k.t.Helper()
	args = append([]string{"-v", "error", "-y", "-nostdin"}, args...)
	if b, err := exec.Command("ffmpeg", args...).CombinedOutput(); err != nil {
		k.t.Fatalf("ffmpeg %v: %v\n%s", args, err, b)
	}
}

// part encodes one part of a lesson, once; all have one size, rate and codec.
func (k *kit) part(name string, long float64, filter string, in ...string) string {
	k.t.Helper()
	path := filepath.Join(k.dir, name+".mkv")
	if _, ok := k.made[name]; !ok {
		long = math.Round(long*float64(k.fps)) / float64(k.fps)
		k.run(append(in, "-filter_complex", filter, "-map", "[v]", "-map", "[a]", "-t", fmt.Sprint(long), "-r", fmt.Sprint(k.fps),
			"-c:v", "libx264", "-preset", "ultrafast", "-crf", "20", "-bf", "0", "-pix_fmt", "yuv420p", "-c:a", "pcm_s16le", "-ar", "48000", "-ac", "1", path)...)
		k.made[name] = long
	}
	return name
}

const (
	// A phone in the hand, the sensor's noise, and what a cage sounds like.
	// A hand moves smoothly: by parts of a pixel.
	hand  = "scale=1920:1080:flags=fast_bilinear,crop=1880:1058:20+8*sin(2*PI*t*0.7):11+6*sin(2*PI*t*1.1),scale=960:540:flags=area,noise=alls=9:allf=t+u"
	hush  = "anoisesrc=a=0.004:r=48000:c=pink"
	crack = "aevalsrc='0.5*(random(0)*2-1)*(exp(-mod(t+5-%[1]g,5)*90)*gte(t,%[1]g))':s=48000"
)

func (k *kit) still(clip string, last bool) string {
	path := filepath.Join(k.dir, fmt.Sprintf("%s-%v.png", clip, last))
	if _, err := os.Stat(path); err != nil {
		at := []string{"-i", "../../samples/" + clip + ".mp4"}
		if last {
			at = append([]string{"-sseof", "-0.05"}, at...)
		}
		k.run(append(at, "-frames:v", "1", "-update", "1", path)...)
	}
	return path
}

func (k *kit) image(path string) []string {
	return []string{"-loop", "1", "-framerate", fmt.Sprint(k.fps), "-i", path}
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
	return k.part("hold-"+c, 4, "[0]"+hand+"[v];[1]anull[a]", join(k.image(k.still(c, false)), k.lavfi(hush))...)
}

// after: he has finished and stands, then, after a moment of darkness, stands
// as for the next swing. A fade would move his hands as nobody does.
func (k *kit) after(c, next string) string {
	return k.part("after-"+c+"-"+next, 4, fmt.Sprintf("[0]trim=duration=2,setpts=PTS-STARTPTS,format=yuv420p,setsar=1[x];color=black:s=960x540:r=%d:d=0.4,format=yuv420p,setsar=1[d];"+
		"[1]trim=duration=1.7,setpts=PTS-STARTPTS,format=yuv420p,setsar=1[y];[x][d][y]concat=n=3,%s[v];[2]anull[a]", k.fps, hand),
		join(k.image(k.still(c, true)), k.image(k.still(next, false)), k.lavfi(hush))...)
}

// others: the crack of another cage, one second in.
func (k *kit) others(c string) string {
	return k.part("others-"+c, 4, "[0]"+hand+"[v];[1][2]amix=2:normalize=0[a]",
		join(k.image(k.still(c, false)), k.lavfi(hush), k.lavfi(fmt.Sprintf(crack, 1.)))...)
}

// walk: somebody as tall as the batter passes in front, 200 pixels a second.
func (k *kit) walk(c string) string {
	return k.part("walk-"+c, 6, "[0]split[g][s];[s]crop=150:400:360:100[p];[g][p]overlay=x='-150+200*t':y='100+4*sin(2*PI*t*1.8)',"+hand+"[v];[1]anull[a]",
		join(k.image(k.still(c, false)), k.lavfi(hush))...)
}

// card: one is shown for a second and a half.
func (k *kit) card(c, id string) string {
	q, err := go_qr.EncodeText(pipeline.CardText(id), go_qr.Medium)
	if err != nil {
		k.t.Fatal(err)
	}
	png := filepath.Join(k.dir, id+".png")
	if err := q.PNG(go_qr.NewQrCodeImgConfig(8, 4), png); err != nil {
		k.t.Fatal(err)
	}
	return k.part("card-"+c+"-"+id, 4, "[1]scale=240:-1,rotate=0.2:c=0x404040[p];[0][p]overlay=x='520-20*t':y='150+10*t':enable='between(t,1,2.5)',"+hand+"[v];[2]anull[a]",
		join(k.image(k.still(c, false)), k.image(png), k.lavfi(hush))...)
}

// swing is a sample as it is, with its sound.
func (k *kit) swing(c string) string {
	return k.part("swing-"+c, 1.6, "[0:v]noise=alls=9:allf=t+u[v];[0:a]aresample=48000[a]", "-i", "../../samples/"+c+".mp4")
}

// lesson makes a recording of so many seconds: cards, waiting, people who walk
// through, other cages, and a swing about every sixteen seconds.
func lesson(t testing.TB, path string, seconds float64, fps int) truth {
	t.Helper()
	k := &kit{t: t, dir: t.TempDir(), fps: fps, made: map[string]float64{}}
	var w truth
	var list strings.Builder
	add := func(name string) (from float64) {
		fmt.Fprintf(&list, "file '%s'\n", filepath.Join(k.dir, name+".mkv"))
		from = w.Duration
		w.Duration += k.made[name]
		return from
	}
	for i := 0; w.Duration < seconds; i++ {
		c, next := swings[i%2], swings[(i+1)%2]
		if i%3 == 0 {
			id := []string{"b07", "b12", "c3"}[i/3%3]
			w.Cards = append(w.Cards, shown{add(k.card(c, id)) + 1, id})
		}
		switch i % 4 {
		case 1:
			w.Walks = append(w.Walks, add(k.walk(c)))
		case 0, 2:
			w.Others = append(w.Others, add(k.others(c))+1)
		}
		add(k.hold(c))
		w.Contacts = append(w.Contacts, add(k.swing(c))+contact(t, c))
		add(k.after(c, next))
	}
	listed := filepath.Join(k.dir, "list.txt")
	if err := os.WriteFile(listed, []byte(list.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	k.run("-f", "concat", "-safe", "0", "-i", listed, "-c:v", "copy", "-c:a", "aac", "-b:a", "96k", path)
	return w
}

// contact is when a sample's ball is hit.
func contact(t testing.TB, name string) float64 {
	b, err := os.ReadFile("../../samples/" + name + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	var v struct {
		Phases map[string]struct{ T float64 }
	}
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	return v.Phases["contact"].T
}

func scan(t testing.TB, path string) (pipeline.Clip, Recording) {
	t.Helper()
	ctx := context.Background()
	c, err := clip.Probe(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Scan(ctx, Options{Clip: c,
		Open: func(ctx context.Context, maxSide int, rate float64) (pipeline.Source, error) {
			return clip.Open(ctx, c, clip.Options{MaxSide: maxSide, Rate: rate})
		},
		Sound: func(ctx context.Context, rate, size int, each func([]float32, float64) error) error {
			return clip.EachSound(ctx, c, rate, size, each)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return c, r
}

// check compares a scan with what happened: every swing whole in exactly one
// candidate, every card.
func check(t testing.TB, w truth, r Recording) {
	t.Helper()
	missed := 0
	for _, at := range w.Contacts {
		in := 0
		for _, c := range r.Candidates {
			if c.From <= at-1.2 && c.To >= at+1.2 {
				in++
			}
		}
		if in != 1 {
			missed++
			t.Logf("swing at %.2f is in %d candidates", at, in)
		}
	}
	for _, s := range w.Cards {
		for _, after := range []float64{1.2, 4} {
			if p, ok := playerAt(r, s.T+after); !ok || p != s.ID {
				t.Errorf("card %s at %.2f: %q", s.ID, s.T, p)
			}
		}
	}
	if missed*50 > len(w.Contacts) {
		t.Errorf("%d of %d swings are in no candidate of their own", missed, len(w.Contacts))
	}
	if most := 2*len(w.Contacts) + 1; len(r.Candidates) > most {
		t.Errorf("%d candidates for %d swings", len(r.Candidates), len(w.Contacts))
	}
	t.Logf("%.0f s: %d swings, %d missed, %d candidates (%.2f a swing), %d cards seen", w.Duration, len(w.Contacts), missed, len(r.Candidates),
		float64(len(r.Candidates))/float64(len(w.Contacts)), len(r.Cards))
}

func playerAt(r Recording, t float64) (string, bool) {
	for _, s := range r.Players {
		if t >= s.From && t < s.To {
			return s.Player, true
		}
	}
	return "", false
}

func TestLesson(t *testing.T) {
	path, seconds, fps := filepath.Join(t.TempDir(), "lesson.mov"), 60., 30
	if *lessonFile != "" {
		path, seconds, fps = *lessonFile, *lessonMinutes*60, 60
	}
	w := lesson(t, path, seconds, fps)
	if *lessonFile != "" {
		b, err := json.MarshalIndent(w, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path+".truth.json", append(b, '\n'), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	at := time.Now()
	c, r := scan(t, path)
	t.Logf("%.1f s a minute", time.Since(at).Seconds()/c.Duration*60)
	if !Is(c) {
		t.Errorf("%.1f s are no recording", c.Duration)
	}
	for _, x := range r.Candidates {
		t.Logf("%.2f–%.2f, hardest at %.2f, heard %v", x.From, x.To, x.At, x.Heard)
	}
	check(t, w, r)
	if *lessonFile != "" {
		readAll(t, w, c, r)
	}
}

// readAll cuts every candidate out and looks for swings in it, as reading does.
func readAll(t *testing.T, w truth, c pipeline.Clip, r Recording) {
	nets, err := pose.Open(pose.DefaultDir(), pose.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer nets.Close()
	ctx := context.Background()
	begun := time.Now()
	found, wrong := map[float64]int{}, 0
	for _, x := range r.Candidates {
		path := filepath.Join(t.TempDir(), "cut.mov")
		at, err := clip.Cut(ctx, c, x.From, x.To, path)
		if err != nil {
			t.Fatal(err)
		}
		part, err := clip.Probe(ctx, path)
		if err != nil {
			t.Fatal(err)
		}
		track, err := detect.See(ctx, detect.Options{Clip: part, Nets: nets, Quality: detect.Quick,
			Open: func(ctx context.Context, maxSide int, from, to float64) (pipeline.Source, error) {
				return clip.Open(ctx, part, clip.Options{MaxSide: maxSide, From: from, To: to})
			}})
		var e *pipeline.Error
		if errors.As(err, &e) && (e.Fault == pipeline.FaultNoSwing || e.Fault == pipeline.FaultNoBatter) {
			t.Logf("%.2f–%.2f: no swing", x.From, x.To)
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, win := range track.Windows {
			truly := false
			for _, hit := range w.Contacts {
				if math.Abs(at+win.Burst-hit) < .4 {
					truly = true
					found[hit]++
				}
			}
			t.Logf("%.2f–%.2f: swing at %.2f, truly one: %v", x.From, x.To, at+win.Burst, truly)
			if !truly {
				wrong++
			}
		}
	}
	twice := 0
	for _, n := range found {
		twice += n - 1
	}
	t.Logf("after reading: %d of %d swings found, %d of them twice, %d false; %.1f s a candidate", len(found), len(w.Contacts), twice, wrong,
		time.Since(begun).Seconds()/float64(len(r.Candidates)))
	if n := float64(len(w.Contacts)); float64(len(found)) < .98*n || float64(wrong+twice) > .02*n {
		t.Error("too few found, or too many false")
	}
}
