package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"strconv"

	"tapeline/pipeline"
)

// Audio decodes the first sound track to mono at rate samples a second, −1…1.
// start is the presentation time of the first sample on the picture's clock
// (frame 0 = 0), edit lists and the encoder's priming taken into account; it
// may be negative. Without a sound track there are no samples and no error.
func Audio(ctx context.Context, c pipeline.Clip, rate int) (samples []float32, start float64, err error) {
	if !c.HasAudio {
		return nil, 0, nil
	}
	args, err := soundArgs(c, rate)
	if err != nil {
		return nil, 0, err
	}
	b, err := run(ctx, stepSound, c.Path, "ffmpeg", args...)
	if err != nil {
		return nil, 0, err
	}
	return floats(b), c.AudioStart, nil
}

// EachSound decodes the first sound track as Audio does, but hands it on in
// pieces of size samples, the last one shorter: an hour of sound is never in
// memory. start is the presentation time of a piece's first sample; samples
// are valid until each returns, whose error ends the decoding.
func EachSound(ctx context.Context, c pipeline.Clip, rate, size int, each func(samples []float32, start float64) error) error {
	if !c.HasAudio {
		return nil
	}
	args, err := soundArgs(c, rate)
	if err != nil {
		return err
	}
	own, cancel := context.WithCancel(ctx)
	defer cancel()
	var errs bytes.Buffer
	cmd := command(own, "ffmpeg", args...)
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		return failed(ctx, stepSound, c.Path, "ffmpeg", err, "")
	}
	b := make([]byte, 4*size)
	for n := 0; err == nil; n += size {
		var got int
		if got, err = io.ReadFull(out, b); got >= 4 {
			if e := each(floats(b[:got]), c.AudioStart+float64(n)/float64(rate)); e != nil {
				cancel()
				_ = cmd.Wait() // it was told to stop
				return e
			}
		}
	}
	if err := cmd.Wait(); err != nil {
		return failed(ctx, stepSound, c.Path, "ffmpeg", err, errs.String())
	}
	if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return failed(ctx, stepSound, c.Path, "ffmpeg", err, errs.String())
	}
	return nil
}

func soundArgs(c pipeline.Clip, rate int) ([]string, error) {
	demuxer, err := look(c.Path)
	if err != nil {
		return nil, err
	}
	in, err := input(c.Path, demuxer)
	if err != nil {
		return nil, err
	}
	args := append([]string{"-nostdin", "-v", "error"}, in...)
	return append(args, "-map", "0:a:0", "-ac", "1", "-ar", strconv.Itoa(rate), "-f", "f32le", "pipe:1"), nil
}

func floats(b []byte) []float32 {
	out := make([]float32, len(b)/4)
	for i := range out {
		out[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return out
}
