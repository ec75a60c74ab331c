package clip

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"tapeline/pipeline"
)

// ErrTooLarge: a video can't be brought under Spec.MaxBytes and still be read.
var ErrTooLarge = errors.New("clip: the video can't be made small enough")

const (
	usualCRF   = 20
	halving    = 6.   // CRF that halves the bits (x264's manual)
	shrinking  = 1.5  // bits go with the side to this power: finer detail costs less (judged)
	goodCRF    = 28.  // rather a smaller picture than a worse one
	worstCRF   = 36.  // then there is no smaller one
	fitMargin  = .985 // of the bytes that the pictures may have
	fitTries   = 2
	fitPreset  = "faster"
	fitReserve = 8 << 10 // for what grows with the index
)

// fitSteps are sizes tried one after another, of the usual one.
var fitSteps = []float64{1, 5. / 6, 2. / 3, .5, 5. / 12, 1. / 3}

// fit makes the written video smaller until it has at most spec.MaxBytes: the
// same size in two passes while that looks well enough, then a smaller picture,
// no lower than spec.LeastHeight.
func (e *Encoder) fit() error {
	all, err := size(e.path)
	if err != nil || all <= e.spec.MaxBytes {
		return err
	}
	was, err := size(e.video())
	if err != nil {
		return err
	}
	room := fitMargin * float64(e.spec.MaxBytes-(all-was)-fitReserve)
	full := e.spec
	var sides [][2]int
	var crf []float64
	for _, f := range fitSteps {
		w, h := int(float64(full.Width)*f/2)*2, int(float64(full.Height)*f/2)*2
		if len(sides) > 0 && h < full.LeastHeight || w < 16 || h < 16 {
			break
		}
		sides = append(sides, [2]int{w, h})
		crf = append(crf, usualCRF+halving*math.Log2(float64(was)*math.Pow(f, shrinking)/math.Max(1, room)))
	}
	from := slices.IndexFunc(crf, func(q float64) bool { return q <= goodCRF })
	if from < 0 {
		if from = len(crf) - 1; crf[from] > worstCRF {
			return e.tooLarge()
		}
	}
	for i := from; i < len(sides); i++ {
		e.spec.Width, e.spec.Height = sides[i][0], sides[i][1]
		bytes := room
		for range fitTries {
			got, err := e.twice(bytes)
			if err != nil {
				return err
			}
			if float64(got) <= room {
				if err := os.Rename(e.smaller(), e.video()); err != nil {
					return err
				}
				if err := e.mux(); err != nil {
					return err
				}
				if all, err = size(e.path); err != nil || all <= e.spec.MaxBytes {
					return err
				}
				return e.tooLarge()
			}
			bytes *= .95 * room / float64(got)
		}
	}
	return e.tooLarge()
}

func (e *Encoder) tooLarge() error {
	return &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepEncode, What: fmt.Sprintf("the video can't be made smaller than %d bytes and still be read", e.spec.MaxBytes), Err: ErrTooLarge}
}

func (e *Encoder) smaller() string { return filepath.Join(e.dir, "smaller.mp4") }

// twice encodes the written pictures anew at the spec's size in two passes,
// for so many bytes, and gives how many they became.
func (e *Encoder) twice(bytes float64) (int64, error) {
	s := e.spec
	level, err := Level(s.Width, s.Height, s.FPS)
	if err != nil {
		return 0, err
	}
	rate := bytes * 8 * float64(s.FPS) / float64(e.frames) / 1000
	for pass := 1; pass <= 2; pass++ {
		args := []string{"-nostdin", "-v", "error", "-y", "-protocol_whitelist", "file", "-f", demuxerMOV, "-i", fileName(e.video()),
			"-vf", fmt.Sprintf("scale=%d:%d:flags=lanczos+accurate_rnd+full_chroma_int,format=yuv420p", s.Width, s.Height),
			"-c:v", "libx264", "-profile:v", "high", "-level", level, "-preset", fitPreset, "-b:v", fmt.Sprintf("%.0fk", math.Max(1, rate)), "-bf", "2",
			"-maxrate", "12M", "-bufsize", "12M", "-g", strconv.Itoa(10 * s.FPS), "-threads", "4",
			"-pass", strconv.Itoa(pass), "-passlogfile", filepath.Join(e.dir, "pass"),
			"-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv", "-an", "-f", "mp4"}
		out := fileName(e.smaller())
		if pass == 1 {
			args[len(args)-1], out = "null", os.DevNull
		}
		if _, err := run(e.ctx, stepEncode, e.path, "ffmpeg", append(args, out)...); err != nil {
			return 0, e.explain(err, "")
		}
	}
	return size(e.smaller())
}

func size(path string) (int64, error) {
	st, err := os.Stat(path)
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}
