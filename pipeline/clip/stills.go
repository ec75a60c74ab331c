package clip

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/textproto"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"tapeline/pipeline"
)

// stillQuality is ffmpeg's quantiser for stills, 1 (best) to 31.
const stillQuality = 4

// stillLimit is the largest JPEG that is taken for a still, bytes.
const stillLimit = 16 << 20

// What lies less than seekAfter behind the beginning is decoded from there; the
// place that is sought lies seekEarly before the wanted frame, so that pictures
// which are kept in another order than they are shown are all there. Seconds.
const (
	seekAfter = 1.5
	seekEarly = .5
)

// Stills decodes the frames from ≤ n ≤ to and hands each on as a JPEG of the
// displayed picture, full range, its longest side at most maxSide pixels (0:
// full size). Decoding begins at a key frame before the first of them as long as
// every picture comes out with exactly the time that its frame has; where one
// doesn't, at the clip's beginning: seeking misses frames on some clips. each may
// keep its bytes; an error of it ends the decoding and comes back. Errors are
// *pipeline.Error as those of Open; frames missing behind the end of what can be
// decoded are one, as in Open.
func Stills(ctx context.Context, c pipeline.Clip, from, to, maxSide int, each func(n int, jpeg []byte) error) error {
	from, to = max(from, 0), min(to, len(c.PTS)-1)
	if from > to {
		return nil
	}
	demuxer, err := look(c.Path)
	if err != nil {
		return err
	}
	in, err := input(c.Path, demuxer)
	if err != nil {
		return err
	}
	filters := toJPEG(c, fit(c.Width, c.Height, maxSide))
	n := from
	if c.PTS[from] >= seekAfter {
		if n, err = sought(ctx, c, in, filters, from, to, each); err != nil || n > to {
			return err
		}
	}
	d, err := develop(ctx, in, append([]string{fmt.Sprintf("select=gte(n\\,%d)", n)}, filters...), to-n+1)
	if err != nil {
		return failed(ctx, stepDecode, c.Path, "ffmpeg", err, "")
	}
	for ; n <= to && err == nil; n++ {
		var b []byte
		if b, err = nextStill(d.out); err == nil {
			err = each(n, b)
		}
	}
	said, dead := d.end()
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return failed(ctx, stepDecode, c.Path, "ffmpeg", ctx.Err(), "")
	case !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF):
		return err // of each
	case len(c.PTS) >= 30 && n-1 > from && len(c.PTS)-(n-1) <= spare:
		return nil
	case said != "":
		return failed(ctx, stepDecode, c.Path, "ffmpeg", dead, said)
	}
	return unreadable(stepDecode, c.Path, hintCopy, "damaged after frame %d of %d", n-1, len(c.PTS))
}

// sought hands on frames as Stills does, decoded from a key frame before the
// first, as long as their times are right; n is the first that is still wanted.
// Errors are those of each alone.
func sought(ctx context.Context, c pipeline.Clip, in, filters []string, from, to int, each func(n int, jpeg []byte) error) (n int, err error) {
	// The first frame's time on the container's clock: where c.PTS begins.
	d, err := develop(ctx, slices.Concat([]string{"-copyts"}, in), []string{"showinfo=checksum=0", "scale=16:-2"}, 1)
	if err != nil {
		return from, nil
	}
	_, err = nextStill(d.out)
	first, ok := d.time()
	if _, _ = d.end(); err != nil || !ok {
		return from, nil
	}
	at := c.PTS[from]
	seek := []string{"-flags", "-output_corrupt", "-noaccurate_seek", "-ss", strconv.FormatFloat(at-seekEarly, 'f', 6, 64), "-copyts"}
	since := float64(first.pts)*first.base + (at+c.PTS[from-1])/2
	d, err = develop(ctx, slices.Concat(seek, in), slices.Concat([]string{fmt.Sprintf("select=gte(t\\,%.9f)", since), "showinfo=checksum=0"}, filters), to-from+1)
	if err != nil {
		return from, nil
	}
	defer func() { _, _ = d.end() }() // it was stopped by us
	for n = from; n <= to; n++ {
		b, err := nextStill(d.out)
		if err != nil {
			return n, nil
		}
		if t, ok := d.time(); !ok || nano(float64(t.pts-first.pts)*t.base) != c.PTS[n] {
			return n, nil
		}
		if err := each(n, b); err != nil {
			return n, err
		}
	}
	return n, nil
}

// developing is an ffmpeg process that turns frames into JPEGs.
type developing struct {
	cmd   *exec.Cmd
	stop  context.CancelFunc
	out   *textproto.Reader
	times chan moment // of the pictures, where the filters have showinfo
	errs  bytes.Buffer
}

// moment is a time in ticks of base seconds, on the container's clock.
type moment struct {
	pts  int64
	base float64
}

var (
	showsBase = regexp.MustCompile(`^\[Parsed_showinfo\S* @ \S+\] \[info\] config in time_base: (\d+/\d+)`)
	showsTime = regexp.MustCompile(`^\[Parsed_showinfo\S* @ \S+\] \[info\] n: *\d+ pts: *(-?\d+) `)
	faultLine = regexp.MustCompile(`\[(?:error|fatal|panic)\] `)
)

// develop decodes so many frames by what opens the clip and these filters.
func develop(ctx context.Context, in, filters []string, frames int) (*developing, error) {
	own, stop := context.WithCancel(ctx)
	args := append([]string{"-nostdin", "-hide_banner", "-nostats", "-v", "level+info", "-noautorotate"}, in...)
	args = append(args, "-map", "0:V:0", "-fps_mode", "passthrough", "-frames:v", strconv.Itoa(frames), "-vf", strings.Join(filters, ","),
		"-c:v", "mjpeg", "-q:v", strconv.Itoa(stillQuality), "-f", "mpjpeg", "pipe:1")
	d := &developing{cmd: command(own, "ffmpeg", args...), stop: stop, times: make(chan moment, frames+16)}
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		stop()
		return nil, err
	}
	errs, err := d.cmd.StderrPipe()
	if err == nil {
		err = d.cmd.Start()
	}
	if err != nil {
		stop()
		return nil, err
	}
	d.out = textproto.NewReader(bufio.NewReaderSize(out, 1<<16))
	go d.listen(errs)
	return d, nil
}

// listen takes the times out of what the process says, and keeps its errors.
func (d *developing) listen(r io.Reader) {
	defer close(d.times)
	base := 0.0
	for s := bufio.NewScanner(r); s.Scan(); {
		line := s.Text()
		if m := showsBase.FindStringSubmatch(line); m != nil {
			base, _ = quotient(m[1])
		} else if m := showsTime.FindStringSubmatch(line); m != nil {
			t, err := strconv.ParseInt(m[1], 10, 64)
			if err != nil || base <= 0 {
				continue
			}
			select {
			case d.times <- moment{t, base}:
			default: // nobody asks for them
			}
		} else if at := faultLine.FindStringIndex(line); at != nil && d.errs.Len() < 4096 {
			d.errs.WriteString(line[at[1]:] + "\n")
		}
	}
	_, _ = io.Copy(io.Discard, r)
}

// time is that of the next picture.
func (d *developing) time() (t moment, ok bool) {
	t, ok = <-d.times
	return t, ok
}

// end stops the process and gives what it complained of, and how it ended.
func (d *developing) end() (said string, err error) {
	d.stop()
	for range d.times { // until it has said all
	}
	err = d.cmd.Wait()
	return d.errs.String(), err
}

// nextStill reads one part of ffmpeg's stream of JPEGs.
func nextStill(r *textproto.Reader) ([]byte, error) {
	line, err := r.ReadLine()
	for err == nil && !strings.HasPrefix(line, "--") {
		line, err = r.ReadLine()
	}
	if err != nil {
		return nil, err
	}
	h, err := r.ReadMIMEHeader()
	if err != nil {
		return nil, err
	}
	size, err := strconv.Atoi(strings.TrimSpace(h.Get("Content-Length")))
	if err != nil || size <= 0 || size > stillLimit {
		return nil, fmt.Errorf("a still of %q bytes", h.Get("Content-Length"))
	}
	b := make([]byte, size)
	_, err = io.ReadFull(r.R, b)
	return b, err
}

// toJPEG are the filters that turn the picture, make it small and bring its
// colours to what a JPEG holds: BT.601 luma, full range (ITU-T T.871).
func toJPEG(c pipeline.Clip, small fitted) []string {
	const jpeg = "out_color_matrix=bt601:out_range=full"
	if c.Transfer != "sdr" || c.Matrix == "rgb" {
		return append(toBGR(c, small), "scale="+jpeg, "format=yuvj420p")
	}
	out := slices.Clone(turning[c.Rotation])
	size, how := "", "bicubic"
	if small.scale != 1 {
		if small.cutW != c.Width || small.cutH != c.Height {
			out = append(out, fmt.Sprintf("crop=%d:%d:0:0:exact=1", small.cutW, small.cutH))
		}
		size, how = fmt.Sprintf("%d:%d:", small.w, small.h), "area"
	}
	return append(out, "scale="+size+"in_color_matrix="+c.Matrix+":"+jpeg+":flags="+how, "format=yuvj420p")
}
