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
	"runtime"
	"sort"
	"strconv"
	"strings"
	"sync"

	"tapeline/pipeline"
)

// looking is the step of LookThrough.
const looking = stepDecode

const (
	beat = 90000. // of the clock that times are told in, a second
	// Of the distance between two pictures: so much may one be early. It is such
	// that no picture lies just on the edge, as with a quarter every fourth of 60
	// a second would.
	slack   = .23003
	hole    = 1.   // seconds without a picture that are damage
	sparse  = .14  // seconds: pictures farther apart lose a swing
	tasting = 3.   // seconds decoded to learn how far apart pictures would be
	stretch = 300. // seconds of capture time looked through in one go, where key frames are near
	leadIn  = 1.   // and before them, for those who compare
	keyNear = 15.  // no stretch begins farther than this from the key frame before it: all between is decoded for nothing
	threads = 8    // at most, of a decoder: each has pictures of its own
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
//
// A QuickTime or MP4 file is looked through in stretches, two at a time, as two
// decoders that need not wait for each other take less than one with two
// threads. What is seen doesn't hang on where it is parted. also, unless it is
// nil, is done in the place of the second of the two before that begins; it
// catches its own panics.
func LookThrough(ctx context.Context, c pipeline.Clip, also func(context.Context) error, looks ...pipeline.Look) error {
	return lookThrough(ctx, c, 2*int(math.Ceil(c.Duration/c.TimeFactor/2/stretch)), also, looks)
}

func lookThrough(ctx context.Context, c pipeline.Clip, parts int, also func(context.Context) error, looks []pipeline.Look) error {
	demuxer, err := look(c.Path)
	if err != nil {
		return err
	}
	if demuxer != demuxerMOV {
		parts = 1
	}
	in, err := input(c.Path, demuxer)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	all := &through{clip: &c, in: in, looks: looks, thin: thins(ctx, c, in), known: make(chan struct{})}
	var borders []float64
	for i := 1; i < parts; i++ {
		// Whole seconds, as ffmpeg's clock is then told without rounding.
		at := math.Round(c.Duration * float64(i) / float64(parts))
		if at > 0 && all.seekable(ctx, at) {
			borders = append(borders, at)
		}
	}
	type task = func(context.Context) error
	var tasks []task
	begin := 0.
	all.threads = min(threads, max(1, runtime.GOMAXPROCS(0)/min(2, len(borders)+1)))
	for i, end := range append(borders, math.Inf(1)) {
		tasks = append(tasks, all.part(begin, end).run)
		if i == 0 && also != nil {
			tasks = append(tasks, also)
		}
		begin = end
	}
	var fault sync.Mutex
	var first error
	pipeline.AtOnce(tasks, min(2, runtime.GOMAXPROCS(0)), func(task) string { return "" }, func() (func(task), func()) {
		return func(do task) {
			if ctx.Err() != nil {
				return
			}
			if err := do(ctx); err != nil {
				fault.Lock()
				if first == nil {
					first = err
				}
				fault.Unlock()
				cancel(err) // nobody needs the rest
			}
		}, func() {}
	})()
	switch err := context.Cause(ctx); {
	case first != nil:
		return first
	case err != nil:
		return failed(ctx, looking, c.Path, "ffmpeg", err, "")
	}
	return nil
}

// through is what is common to all stretches of a recording.
type through struct {
	clip    *pipeline.Clip
	in      []string
	looks   []pipeline.Look
	thin    bool
	threads int           // of each decoder
	zero    float64       // ffmpeg's time of the recording's first picture
	known   chan struct{} // is closed when it is known
	once    sync.Once
}

// seekable tells whether a key frame is close before where a stretch from
// presentation second at is decoded from.
func (a *through) seekable(ctx context.Context, at float64) bool {
	at = a.before(at)
	// The first packet after seeking there, and when the file begins.
	args := append([]string{"-v", "error", "-select_streams", "V:0", "-show_entries", "packet=pts_time:format=start_time", "-of", "default=nw=1:nk=1", "-read_intervals", fmt.Sprintf("+%.0f%%+#1", at)}, a.in...)
	b, err := run(ctx, looking, a.clip.Path, "ffprobe", args...)
	if err != nil {
		return false // decoding will say why
	}
	var key, zero float64
	n, err := fmt.Sscan(string(b), &key, &zero)
	return n == 2 && err == nil && at-(key-zero) <= keyNear*a.clip.TimeFactor
}

// before is where a stretch from presentation second from is decoded from.
func (a *through) before(from float64) float64 {
	return math.Max(0, from-math.Ceil(leadIn*a.clip.TimeFactor))
}

func (a *through) begins(at float64) {
	a.once.Do(func() {
		a.zero = at
		close(a.known)
	})
}

// part is one stretch, presentation seconds.
type part struct {
	all              *through
	from, to, decode float64 // decoded from decode on
	each             []func(*pipeline.Frame) error
}

func (a *through) part(from, to float64) *part {
	p := &part{all: a, from: from, to: to, decode: a.before(from)}
	for _, l := range a.looks {
		p.each = append(p.each, l.Begin(from, to))
	}
	return p
}

func (p *part) run(ctx context.Context) (err error) {
	defer pipeline.Catch(&err)
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	c := p.all.clip
	if p.decode == 0 {
		defer p.all.begins(0) // without a picture there is none to wait for
	}
	args := []string{"-nostdin", "-v", "error", "-noautorotate", "-skip_loop_filter", "all"}
	if p.all.thin {
		args = append(args, "-skip_frame", "noref")
	}
	args = append(args, "-threads", strconv.Itoa(p.all.threads))
	if p.decode > 0 {
		args = append(args, "-ss", strconv.FormatFloat(p.decode, 'f', 0, 64))
	}
	if !math.IsInf(p.to, 1) {
		// It counts from where the file begins; where that is the sound, the
		// pictures' end is later.
		args = append(args, "-t", strconv.FormatFloat(p.to-p.decode+1+math.Ceil(math.Max(0, -c.AudioStart)), 'f', 0, 64))
	}
	args = append(args, p.all.in...)
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
	graph := fmt.Sprintf("[0:V:0]settb=1/%.0f,metadata=add:key=seen:value=1,split=%d", beat, len(p.each))
	var chains, maps []string
	takers := make([]*taker, len(p.each))
	for i, l := range p.all.looks {
		t := &taker{part: p, each: p.each[i], small: fit(c.Width, c.Height, l.Side), last: p.from, damage: -1}
		var pixels, times int
		if t.pixels, pixels, err = piped(); err != nil {
			return err
		}
		if t.times, times, err = piped(); err != nil {
			return err
		}
		takers[i] = t
		graph += fmt.Sprintf("[in%d]", i)
		chains = append(chains, fmt.Sprintf("[in%d]%s,metadata=print:file=pipe\\\\:%d:direct=1,%s[out%d]", i, selected(paced(l.Rate, p.decode)), times, strings.Join(t.filters(), ","), i))
		maps = append(maps, "-map", fmt.Sprintf("[out%d]", i), "-fps_mode", "passthrough", "-f", "rawvideo", fmt.Sprintf("pipe:%d", pixels))
	}
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
			if err := t.run(ctx); err != nil {
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
		if t.hole(math.Min(p.to, c.PTS[len(c.PTS)-1])); t.damage >= 0 {
			return unreadable(looking, c.Path, hintCopy, "damaged at %.1f s: a second without a picture", t.damage)
		}
	}
	return nil
}

// thins tells whether the frames that others refer to are fewer than all and
// still close enough together, by a few seconds of the beginning, the middle
// and the end; of a recording where all are needed, by those of the beginning.
func thins(ctx context.Context, c pipeline.Clip, in []string) bool {
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
		if n < 2 || n >= all*9/10 {
			return false
		}
	}
	return true
}

// paced is ffmpeg's expression for at most so many frames a second: the first
// in every stretch of that length. The stretches begin a little early, so that
// uneven times of a film of just that rate leave none out. zero is the second
// of the whole at which ffmpeg's clock is 0.
func paced(rate, zero float64) string {
	return fmt.Sprintf("isnan(prev_selected_t)+gt(floor((t+%[3]g)*%[1]g+%[2]g),floor((prev_selected_t+%[3]g)*%[1]g+%[2]g))", rate, slack, zero)
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

// taker reads the pictures of one look in one stretch.
type taker struct {
	part          *part
	each          func(*pipeline.Frame) error
	small         fitted
	pixels, times *os.File
	last          float64 // PTS of the last picture
	damage        float64 // where a hole begins; −1: there is none
}

// filters make a picture small, then grey, then turn what little is left.
func (t *taker) filters() (out []string) {
	c := t.part.all.clip
	s, w, h := t.small, c.Width, c.Height
	if c.Rotation%180 != 0 {
		s.w, s.h, s.cutW, s.cutH, w, h = s.h, s.w, s.cutH, s.cutW, h, w
	}
	if s.cutW != w || s.cutH != h {
		out = append(out, fmt.Sprintf("crop=%d:%d:0:0:exact=1", s.cutW, s.cutH))
	}
	// Where the size stays, too: else ffmpeg makes every picture grey, in full
	// size, before it leaves any out.
	return append(append(out, fmt.Sprintf("scale=%d:%d:flags=area", s.w, s.h), "format=gray"), turning[c.Rotation]...)
}

func (t *taker) run(ctx context.Context) (err error) {
	defer pipeline.Catch(&err)
	p, pts := t.part, t.part.all.clip.PTS
	f := pipeline.Frame{Width: t.small.w, Height: t.small.h, Scale: t.small.scale, Pix: make([]byte, t.small.w*t.small.h)}
	lines := bufio.NewReader(t.times)
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
		if p.decode == 0 {
			p.all.begins(at)
		}
		select {
		case <-p.all.known:
		case <-ctx.Done():
			return nil // whoever ended it says why
		}
		f.Index = nearest(pts, p.decode+at-p.all.zero)
		if f.PTS = pts[f.Index]; f.PTS >= p.to {
			continue
		}
		t.hole(f.PTS)
		if err := t.each(&f); err != nil {
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
	c := t.part.all.clip
	if t.damage >= 0 || now-t.last < hole*c.TimeFactor {
		return
	}
	pts := c.PTS
	if i := sort.SearchFloat64s(pts, t.last+1e-6); sort.SearchFloat64s(pts, now-1e-6)-i > spare {
		t.damage = t.last
	}
}
