package clip

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"tapeline/pipeline"
)

// Wanted is what one decoding of a clip gives. Numbers of frames rise.
type Wanted struct {
	// Frames of a film, of Width×Height pixels, both even.
	Frames        []int
	Width, Height int
	// Stills come besides, as displayed and in the clip's own colours, the
	// longest side of the whole picture at most MaxSide pixels (0: full size).
	Stills  []int
	MaxSide int
	// Part is what of the stills comes, full-size pixels of the displayed
	// picture; empty: all.
	Part image.Rectangle
	// Hardware lets the machine's video hardware decode where there is some
	// and the clip's pictures come out of it as without. Only for pictures that
	// nothing is measured in: what a decoder makes of a damaged clip is its own.
	Hardware bool
}

// ErrHardware is that the video hardware failed, lost a picture or gave wrong
// times: the same is wanted again without it.
var ErrHardware = errors.New("the video hardware did not give the clip's pictures")

// Still is a picture with all its colours. Image begins at Origin of the whole
// picture; Scale is how many full-size pixels one of its pixels is.
type Still struct {
	Frame  int
	Image  *image.RGBA
	Origin image.Point
	Scale  float64
}

// Planes are some of a clip's pictures as a film needs them: turned for
// display, of one size, 4:2:0 in BT.709 with limited range. They are never
// made RGB on the way, which costs more than decoding them. The times of all
// pictures that are decoded are held against the clip's, so that none is taken
// for another. Not safe for several goroutines.
type Planes struct {
	ctx    context.Context
	clip   pipeline.Clip
	want   Wanted
	pipe   *pipe
	next   int // in want.Frames
	trace  *pipeline.Trace
	files  []*os.File
	times  chan int64 // of the decoded pictures, microseconds; unknown: noTime
	timed  int        // how many of them have been looked at
	first  int64
	late   int // in a row whose time is later than their PTS
	stills chan []Still
}

const noTime = math.MinInt64

// OpenPlanes starts decoding what is wanted; each picture is decoded once.
// Close it.
func OpenPlanes(ctx context.Context, c pipeline.Clip, want Wanted) (*Planes, error) {
	w, h := want.Width, want.Height
	if w <= 0 || h <= 0 || w%2 != 0 || h%2 != 0 || len(want.Frames) == 0 || want.Frames[len(want.Frames)-1] >= len(c.PTS) {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepDecode, Path: c.Path, What: fmt.Sprintf("no %d pictures of %d×%d", len(want.Frames), w, h)}
	}
	demuxer, err := look(c.Path)
	if err != nil {
		return nil, err
	}
	want.Hardware = want.Hardware && demuxer != demuxerAVI && alike(c)
	var how []string
	p := &Planes{ctx: ctx, clip: c, want: want, trace: pipeline.Tracing(ctx), times: make(chan int64, len(c.PTS)), stills: make(chan []Still, 1)}
	// Every decoded picture is told of, its time in microseconds.
	graph := "settb=1/1000000,metadata=add:key=is:value=1,metadata=print:direct=1:file=pipe\\\\:3"
	if want.Hardware {
		// Its pictures come with colours interleaved (nv12, p010); brought into
		// the clip's own order they are the same bytes. xerror: it ends at the
		// first picture that can't be decoded.
		graph = "format=" + c.PixelFormat + "," + graph
		how = []string{"-xerror", "-hwaccel", "auto"}
	}
	graph = "[0:V:0]" + graph
	film := strings.Join(append([]string{selected(choice(want.Frames))}, toPlanes(c, w, h)...), ",")
	args := append([]string{"-map", "[film]"}, pictures(len(want.Frames), "yuv420p", 1)...)
	var still Still
	if len(want.Stills) > 0 {
		var filters []string
		still, filters = toStill(c, want)
		graph += ",split=2[one][other];[one]" + film + "[film];[other]" + strings.Join(append([]string{selected(choice(want.Stills))}, filters...), ",") + "[stills]"
		args = append(append(args, "-map", "[stills]"), pictures(len(want.Stills), "rgba", 4)...)
	} else {
		graph += "," + film + "[film]"
	}
	var theirs []*os.File // 3 for the times, 4 for stills
	defer func() {
		for _, f := range theirs {
			f.Close()
		}
	}()
	for range 2 {
		r, w, err := os.Pipe()
		if err != nil {
			p.closeFiles()
			return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepDecode, Path: c.Path, What: "no pipe", Err: err}
		}
		p.files, theirs = append(p.files, r), append(theirs, w)
	}
	if p.pipe, err = startDecoder(ctx, c, demuxer, theirs, how, append([]string{"-filter_complex", graph}, args...)...); err != nil {
		p.closeFiles()
		return nil, err
	}
	go p.readTimes(p.files[0], demuxer != demuxerAVI) // AVI has no times of its own
	go p.readStills(p.files[1], still)
	return p, nil
}

// alike tells whether ffmpeg brings what hardware decodes of the clip into the
// order its own decoders use by moving samples alone: of 8 bits, and of 10 in
// limited range. Of other ranges it would compute new ones.
func alike(c pipeline.Clip) bool {
	return c.PixelFormat == "yuvj420p" || c.Limited && (c.PixelFormat == "yuv420p" || c.PixelFormat == "yuv420p10le")
}

func (p *Planes) closeFiles() {
	for _, f := range p.files {
		f.Close()
	}
}

// readTimes reads "frame:7 pts:116667 pts_time:0.116667", and a line after it.
func (p *Planes) readTimes(r io.Reader, known bool) {
	defer close(p.times)
	for s, n := bufio.NewScanner(r), 0; s.Scan(); {
		number, rest, ok := strings.Cut(s.Text(), " pts:")
		if !ok {
			continue
		}
		word, _, _ := strings.Cut(rest, " ")
		t, err := strconv.ParseInt(word, 10, 64)
		if err != nil || !known {
			t = noTime
		}
		// Where hardware gives up midway ffmpeg may begin to count anew.
		if p.want.Hardware && strings.TrimSpace(number) != fmt.Sprintf("frame:%d", n) {
			t = noTime
		}
		n++
		select {
		case p.times <- t:
		default: // more pictures than the clip has: none of these is wanted
		}
	}
}

// readStills reads them all: ffmpeg waits for whoever reads.
func (p *Planes) readStills(r io.Reader, like Still) {
	var out []Still
	defer func() { p.stills <- out }()
	for _, n := range p.want.Stills {
		s := like
		s.Frame, s.Image = n, image.NewRGBA(like.Image.Rect)
		if _, err := io.ReadFull(r, s.Image.Pix); err != nil {
			return
		}
		out = append(out, s)
	}
}

// timely looks at the times of all pictures up to that of a frame: lost ones
// shift all that follow. One odd time is no proof, two are.
func (p *Planes) timely(frame int) error {
	for ; p.timed <= frame; p.timed++ {
		t, ok := <-p.times
		if !ok {
			return p.ended(frame)
		}
		if t == noTime {
			if p.want.Hardware {
				return p.ended(frame)
			}
			continue
		}
		if p.timed == 0 {
			p.first = t
		}
		off, most := float64(t-p.first)/1e6-p.clip.PTS[p.timed]+p.clip.PTS[0], 0.6*p.clip.TimeFactor/p.clip.CaptureRate
		if p.want.Hardware && math.Abs(off) > most {
			return p.ended(frame) // no proof, but doubt enough to ask another decoder
		}
		if off > most {
			p.late++
		} else {
			p.late = 0
		}
		if p.late >= 2 {
			return unreadable(stepDecode, p.clip.Path, hintCopy, "damaged after frame %d of %d: a picture is missing", p.timed-1, len(p.clip.PTS))
		}
	}
	return nil
}

// Stills waits for the stills, which are fewer where the clip's very last
// pictures are missing. It is called after the last picture of the film.
func (p *Planes) Stills() ([]Still, error) {
	span := p.trace.Begin("decode", "decode stills")
	defer span.End()
	out := <-p.stills
	p.stills <- out
	if len(out) > 0 {
		if err := p.timely(out[len(out)-1].Frame); err != nil {
			return nil, err
		}
	}
	if len(out) < len(p.want.Stills) {
		if err := p.ended(p.want.Stills[len(out)]); !errors.Is(err, io.EOF) {
			return nil, err
		}
	}
	return out, nil
}

// toStill are the filters that make a still, and one without its picture.
func toStill(c pipeline.Clip, want Wanted) (Still, []string) {
	small := fit(c.Width, c.Height, want.MaxSide)
	whole := image.Rect(0, 0, small.w, small.h)
	part := whole
	if !want.Part.Empty() {
		// Whole blocks of colour, and room for what is made from pixels around.
		const step, room = 8, 16
		low := func(v int) int { return (int(float64(v)/small.scale) - room) / step * step }
		high := func(v int) int { return (int(float64(v)/small.scale) + room + step) / step * step }
		part = image.Rect(low(want.Part.Min.X), low(want.Part.Min.Y), high(want.Part.Max.X), high(want.Part.Max.Y)).Intersect(whole)
		if part.Empty() {
			part = whole
		}
	}
	filters := toBGR(c, small)
	if part != whole {
		cut := fmt.Sprintf("crop=%d:%d:%d:%d:exact=1", part.Dx(), part.Dy(), part.Min.X, part.Min.Y)
		at := len(filters)
		if small.scale == 1 { // colours are dear
			at = len(turning[c.Rotation])
		}
		filters = slices.Insert(filters, at, cut)
	}
	return Still{Origin: part.Min, Scale: small.scale, Image: &image.RGBA{Rect: image.Rect(0, 0, part.Dx(), part.Dy())}}, append(filters, "format=rgba")
}

// selected is ffmpeg's filter that lets through the frames for which an
// expression holds.
func selected(expression string) string {
	return "select=" + strings.ReplaceAll(expression, ",", `\,`)
}

// choice is ffmpeg's expression for some numbers n: runs of equal steps.
func choice(frames []int) string {
	var out []string
	for i := 0; i < len(frames); {
		j, step := i+1, 1
		if j < len(frames) {
			step = max(1, frames[j]-frames[i])
		}
		for j < len(frames) && frames[j]-frames[j-1] == step {
			j++
		}
		out = append(out, fmt.Sprintf("between(n,%d,%d)*not(mod(n-%d,%d))", frames[i], frames[j-1], frames[i], step))
		i = j
	}
	return strings.Join(out, "+")
}

// toPlanes are the filters that turn the picture, size it and bring its
// colours to BT.709 with limited range.
func toPlanes(c pipeline.Clip, w, h int) []string {
	out, how := turning[c.Rotation], "bilinear"
	if w < c.Width {
		how = "area"
	}
	size := fmt.Sprintf("scale=%d:%d:", w, h)
	if c.Transfer != "sdr" {
		small := fitted{w, h, c.Width, c.Height, float64(c.Width) / float64(w)}
		return append(toBGR(c, small), "scale=out_color_matrix=bt709:out_range=tv:flags=bicubic+accurate_rnd+full_chroma_int", "format=yuv420p")
	}
	m := c.Matrix
	if m == "rgb" {
		m = "bt709"
	}
	return append(out[:len(out):len(out)], size+"in_color_matrix="+m+":out_color_matrix=bt709:out_range=tv:flags="+how+"+accurate_rnd", "format=yuv420p")
}

// Next decodes the next of the frames into img, which must be of the size
// asked for, and gives its number. After the last one, and where the clip's
// very last pictures are missing, the error is io.EOF; other gaps are damage.
func (p *Planes) Next(img *image.YCbCr) (frame int, err error) {
	span := p.trace.Begin("decode", "decode planes")
	defer span.End()
	if p.next >= len(p.want.Frames) {
		return 0, io.EOF
	}
	frame = p.want.Frames[p.next]
	for _, plane := range [][]byte{img.Y, img.Cb, img.Cr} {
		if _, err := io.ReadFull(p.pipe.out, plane); err != nil {
			p.next = len(p.want.Frames)
			return 0, p.ended(frame)
		}
	}
	if err := p.timely(frame); err != nil {
		return 0, err
	}
	p.next++
	return frame, nil
}

// ended tells the end of a clip from damage, as a source does.
func (p *Planes) ended(frame int) error {
	if p.want.Hardware && p.ctx.Err() == nil {
		return fmt.Errorf("%w: frame %d", ErrHardware, frame)
	}
	s := source{ctx: p.ctx, clip: p.clip, reader: p.pipe, next: frame, late: p.late}
	return s.ended()
}

// Close stops decoding.
func (p *Planes) Close() error {
	p.pipe.close()
	p.closeFiles()
	return nil
}

// NewPlanes is a picture for Next and for Encoder.WritePlanes: 4:2:0, its
// planes one behind the other without padding.
func NewPlanes(w, h int) *image.YCbCr {
	b := make([]byte, w*h*3/2)
	y, c := w*h, w*h/4
	return &image.YCbCr{Y: b[:y:y], Cb: b[y : y+c : y+c], Cr: b[y+c : y+2*c : y+2*c], YStride: w, CStride: w / 2,
		SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: image.Rect(0, 0, w, h)}
}
