package clip

import (
	"context"
	"encoding/binary"
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
	demuxer, err := look(c.Path)
	if err != nil {
		return nil, 0, err
	}
	in, err := input(c.Path, demuxer)
	if err != nil {
		return nil, 0, err
	}
	args := append([]string{"-nostdin", "-v", "error"}, in...)
	args = append(args, "-map", "0:a:0", "-ac", "1", "-ar", strconv.Itoa(rate), "-f", "f32le", "pipe:1")
	b, err := run(ctx, stepSound, c.Path, "ffmpeg", args...)
	if err != nil {
		return nil, 0, err
	}
	samples = make([]float32, len(b)/4)
	for i := range samples {
		samples[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return samples, c.AudioStart, nil
}
