package clip

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/textproto"
	"slices"
	"strconv"
	"strings"

	"tapeline/pipeline"
)

// stillQuality is ffmpeg's quantiser for stills, 1 (best) to 31.
const stillQuality = 4

// stillLimit is the largest JPEG that is taken for a still, bytes.
const stillLimit = 16 << 20

// Stills decodes the frames from ≤ n ≤ to and hands each on as a JPEG of the
// displayed picture, full range, its longest side at most maxSide pixels (0:
// full size). Everything before from is decoded too: seeking misses frames on
// clips of variable rate. each may keep its bytes; an error of it ends the
// decoding and comes back. Errors are *pipeline.Error as those of Open; frames
// missing behind the end of what can be decoded are one, as in Open.
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
	own, cancel := context.WithCancel(ctx)
	defer cancel()
	args := append([]string{"-nostdin", "-v", "error", "-noautorotate"}, in...)
	args = append(args, "-map", "0:V:0", "-fps_mode", "passthrough", "-frames:v", strconv.Itoa(to-from+1),
		"-vf", strings.Join(append([]string{fmt.Sprintf("select=gte(n\\,%d)", from)}, toJPEG(c, fit(c.Width, c.Height, maxSide))...), ","),
		"-c:v", "mjpeg", "-q:v", strconv.Itoa(stillQuality), "-f", "mpjpeg", "pipe:1")
	var errs bytes.Buffer
	cmd := command(own, "ffmpeg", args...)
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		return failed(ctx, stepDecode, c.Path, "ffmpeg", err, "")
	}
	n, err := from, error(nil)
	r := textproto.NewReader(bufio.NewReaderSize(out, 1<<16))
	for ; n <= to && err == nil; n++ {
		var b []byte
		if b, err = nextStill(r); err == nil {
			err = each(n, b)
		}
	}
	cancel()
	dead := cmd.Wait()
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return failed(ctx, stepDecode, c.Path, "ffmpeg", ctx.Err(), "")
	case !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF):
		return err // of each
	case len(c.PTS) >= 30 && n-1 > from && len(c.PTS)-(n-1) <= spare:
		return nil
	case errs.Len() > 0:
		return failed(ctx, stepDecode, c.Path, "ffmpeg", dead, errs.String())
	}
	return unreadable(stepDecode, c.Path, hintCopy, "damaged after frame %d of %d", n-1, len(c.PTS))
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
