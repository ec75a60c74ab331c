package clip

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"sort"
	"strconv"
	"strings"
	"sync"

	"tapeline/pipeline"
)

// looking is the step of LookThrough.
const looking = stepDecode

const (
	beat    = 90000. // of the clock that times are told in, a second
	slack   = .25    // of the distance between two pictures: so much may one be early
	hole    = 1.     // seconds without a picture that are damage
	sparse  = .14    // seconds: pictures farther apart lose a swing
	tasting = 3.     // seconds decoded to learn how far apart pictures would be
)

// LookThrough decodes a long recording once and hands its pictures to the
// looks, each on a goroutine of its own: grey from the luma, small before
// anything else is done with them. Frame.Index and PTS are those of the clip's
// frame it is.
//
// It is for finding where to look closer, so it is fast before it is exact: the
// filter that smoothes the edges of blocks is left out, and so are frames that
// no other refers to, where enough remain. A picture missing here and there is
// no damage, a second without any is: what is cut out is checked again.
func LookThrough(ctx context.Context, c pipeline.Clip, looks ...pipeline.Look) error {
	demuxer, err := look(c.Path)
	if err != nil {
		return err
	}
	in, err := input(c.Path, demuxer)
	if err != nil {
		return err
	}
	args := []string{"-nostdin", "-v", "error", "-noautorotate", "-skip_loop_filter", "all"}
	if thins(ctx, c, in) {
		args = append(args, "-skip_frame", "noref")
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var errs bytes.Buffer
	cmd := command(ctx, "ffmpeg")
	cmd.Stderr = &errs
	var ends []*os.File // the other ends of ours
	defer func() {
		for _, f := range append(ends, cmd.ExtraFiles...) { // those of ffmpeg's too, where it never began
			f.Close()
		}
	}()
	piped := func() (*os.File, int, error) {
		r, w, err := os.Pipe()
		if err != nil {
			return nil, 0, &pipeline.Error{Fault: pipeline.FaultInternal, Step: looking, Path: c.Path, What: "no pipe", Err: err}
		}
		ends, cmd.ExtraFiles = append(ends, r), append(cmd.ExtraFiles, w)
		return r, 2 + len(cmd.ExtraFiles), nil
	}
	graph := fmt.Sprintf("[0:V:0]settb=1/%.0f,metadata=add:key=seen:value=1,split=%d", beat, len(looks))
	var chains, maps []string
	takers := make([]*taker, len(looks))
	for i, l := range looks {
		t := &taker{clip: &c, look: l, small: fit(c.Width, c.Height, l.Side)}
		var pixels, times int
		if t.pixels, pixels, err = piped(); err != nil {
			return err
		}
		if t.times, times, err = piped(); err != nil {
			return err
		}
		takers[i] = t
		graph += fmt.Sprintf("[in%d]", i)
		chains = append(chains, fmt.Sprintf("[in%d]%s,metadata=print:file=pipe\\\\:%d:direct=1,%s[out%d]", i, selected(paced(l.Rate)), times, strings.Join(t.filters(), ","), i))
		maps = append(maps, "-map", fmt.Sprintf("[out%d]", i), "-fps_mode", "passthrough", "-f", "rawvideo", fmt.Sprintf("pipe:%d", pixels))
	}
	args = append(args, in...)
	args = append(append(args, "-filter_complex", graph+";"+strings.Join(chains, ";")), maps...)
	cmd.Args = append(cmd.Args, args...)
	err = cmd.Start()
	for _, w := range cmd.ExtraFiles {
		w.Close()
	}
	if err != nil {
		return failed(ctx, looking, c.Path, "ffmpeg", err, "")
	}
	var work sync.WaitGroup
	for _, t := range takers {
		work.Go(func() {
			if err := t.run(); err != nil {
				cancel(err)
			}
		})
	}
	work.Wait()
	ended := cmd.Wait()
	if err := context.Cause(ctx); err != nil && !errors.Is(err, context.Canceled) {
		return err // of a look
	}
	if ended != nil || ctx.Err() != nil {
		return failed(ctx, looking, c.Path, "ffmpeg", ended, errs.String())
	}
	for _, t := range takers {
		if t.hole(c.PTS[len(c.PTS)-1]); t.damage >= 0 {
			return unreadable(looking, c.Path, hintCopy, "damaged at %.1f s: a second without a picture", t.damage)
		}
	}
	return nil
}

// thins tells whether the frames that others refer to are fewer than all and
// still close enough together, by a few seconds of the beginning, the middle
// and the end.
func thins(ctx context.Context, c pipeline.Clip, in []string) bool {
	fewer := false
	for _, part := range []float64{0, .5, .9} {
		args := append([]string{"-nostdin", "-v", "error", "-skip_loop_filter", "all", "-skip_frame", "noref", "-ss", fmt.Sprint(part * c.Duration)}, in...)
		args = append(args, "-map", "0:V:0", "-t", fmt.Sprint(tasting), "-vf", fmt.Sprintf("settb=1/%.0f,metadata=add:key=seen:value=1,metadata=print:file=-", beat), "-f", "null", "-")
		b, err := run(ctx, looking, c.Path, "ffmpeg", args...)
		if err != nil {
			return false // the whole of it will say why
		}
		at, n := math.NaN(), 0
		for line := range strings.Lines(string(b)) {
			t, ok := ticks(line)
			if !ok {
				continue
			}
			if t-at > sparse*c.TimeFactor {
				return false
			}
			at, n = t, n+1
		}
		i := sort.SearchFloat64s(c.PTS, part*c.Duration)
		all := sort.SearchFloat64s(c.PTS, part*c.Duration+tasting) - i
		if n < 2 {
			return false
		}
		fewer = fewer || n < all*9/10
	}
	return fewer
}

// paced is ffmpeg's expression for at most so many frames a second: the first
// in every stretch of that length. The stretches begin a little early, so that
// uneven times of a film of just that rate leave none out.
func paced(rate float64) string {
	return fmt.Sprintf("isnan(prev_selected_t)+gt(floor(t*%[1]g+%[2]g),floor(prev_selected_t*%[1]g+%[2]g))", rate, slack)
}

// ticks is the time in a line of ffmpeg's filter "metadata", seconds.
func ticks(line string) (float64, bool) {
	_, rest, ok := strings.Cut(line, " pts:")
	if !ok {
		return 0, false
	}
	n, err := strconv.ParseInt(strings.Fields(rest + " x")[0], 10, 64)
	return float64(n) / beat, err == nil
}

// taker reads the pictures of one look.
type taker struct {
	clip          *pipeline.Clip
	look          pipeline.Look
	small         fitted
	pixels, times *os.File
	last          float64 // PTS of the last picture
	damage        float64 // where a hole begins; −1: there is none
}

// filters make a picture small, then grey, then turn what little is left.
func (t *taker) filters() (out []string) {
	s, w, h := t.small, t.clip.Width, t.clip.Height
	if t.clip.Rotation%180 != 0 {
		s.w, s.h, s.cutW, s.cutH, w, h = s.h, s.w, s.cutH, s.cutW, h, w
	}
	if s.cutW != w || s.cutH != h {
		out = append(out, fmt.Sprintf("crop=%d:%d:0:0:exact=1", s.cutW, s.cutH))
	}
	if s.scale != 1 {
		out = append(out, fmt.Sprintf("scale=%d:%d:flags=area", s.w, s.h))
	}
	return append(append(out, "format=gray"), turning[t.clip.Rotation]...)
}

func (t *taker) run() (err error) {
	defer pipeline.Catch(&err)
	t.damage = -1
	f := pipeline.Frame{Width: t.small.w, Height: t.small.h, Scale: t.small.scale, Pix: make([]byte, t.small.w*t.small.h)}
	lines := bufio.NewReader(t.times)
	zero := math.NaN()
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			return nil // its end, or ffmpeg's: that one says why
		}
		at, ok := ticks(line)
		if !ok {
			continue
		}
		if _, err := io.ReadFull(t.pixels, f.Pix); err != nil {
			return nil
		}
		if math.IsNaN(zero) {
			zero = at
		}
		f.Index = nearest(t.clip.PTS, at-zero)
		f.PTS = t.clip.PTS[f.Index]
		t.hole(f.PTS)
		if err := t.look.Each(&f); err != nil {
			return err
		}
		t.last = f.PTS
	}
}

// nearest is the index of the time nearest to t among rising ones.
func nearest(times []float64, t float64) int {
	i := sort.SearchFloat64s(times, t)
	if i == len(times) || i > 0 && t-times[i-1] < times[i]-t {
		i--
	}
	return i
}

// hole notes where the container has pictures and the decoder had none.
func (t *taker) hole(now float64) {
	if t.damage >= 0 || now-t.last < hole*t.clip.TimeFactor {
		return
	}
	pts := t.clip.PTS
	if i := sort.SearchFloat64s(pts, t.last+1e-6); sort.SearchFloat64s(pts, now-1e-6)-i > spare {
		t.damage = t.last
	}
}
