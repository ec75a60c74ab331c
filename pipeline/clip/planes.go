package clip

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"strings"

	"tapeline/pipeline"
)

// Planes are some of a clip's pictures as a film needs them: turned for
// display, of one size, 4:2:0 in BT.709 with limited range. They are never
// made RGB on the way, which costs more than decoding them.
type Planes struct {
	ctx    context.Context
	clip   pipeline.Clip
	frames []int
	pipe   *pipe
	w, h   int
	next   int // in frames
	trace  *pipeline.Trace
}

// OpenPlanes starts decoding the frames of those numbers, which must rise, at
// w×h pixels, both even. Close it.
func OpenPlanes(ctx context.Context, c pipeline.Clip, frames []int, w, h int) (*Planes, error) {
	if w <= 0 || h <= 0 || w%2 != 0 || h%2 != 0 || len(frames) == 0 || frames[len(frames)-1] >= len(c.PTS) {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepDecode, Path: c.Path, What: fmt.Sprintf("no %d pictures of %d×%d", len(frames), w, h)}
	}
	demuxer, err := look(c.Path)
	if err != nil {
		return nil, err
	}
	p := &Planes{ctx: ctx, clip: c, frames: frames, w: w, h: h, trace: pipeline.Tracing(ctx)}
	filters := append([]string{selected(choice(frames))}, toPlanes(c, w, h)...)
	p.pipe, err = startPipe(ctx, c, demuxer, len(frames), filters, "yuv420p")
	return p, err
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
	if p.next >= len(p.frames) {
		return 0, io.EOF
	}
	frame = p.frames[p.next]
	for _, plane := range [][]byte{img.Y, img.Cb, img.Cr} {
		if _, err := io.ReadFull(p.pipe.out, plane); err != nil {
			return 0, p.ended(frame)
		}
	}
	p.next++
	return frame, nil
}

// ended tells the end of a clip from damage, as a source does.
func (p *Planes) ended(frame int) error {
	s := source{ctx: p.ctx, clip: p.clip, reader: p.pipe, next: frame}
	err := s.ended()
	var e *pipeline.Error
	if errors.Is(err, io.EOF) || errors.As(err, &e) {
		p.next = len(p.frames)
	}
	return err
}

// Close stops decoding.
func (p *Planes) Close() error {
	p.pipe.close()
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
