package clip

import (
	"context"
	"fmt"
	"math"
	"os"
	"sort"
	"strconv"
	"sync"

	"tapeline/pipeline"
)

// Cut writes the part of a clip from presentation second from to to into a
// file of its own at path (a QuickTime file; its ending should be .mov). at is
// the clip's time of the cut's first picture: the first one from from on.
//
// Pictures and sound are copied as they are, from the key frame before, with
// an edit list that hides what isn't wanted; where a container can't do that
// the pictures are encoded anew, hardly compressed, and the sound is kept
// without loss. Either way the cut is probed and its times compared with the
// clip's before it counts as written. Nothing that tells where or by what it
// was filmed goes along. The end may be a few pictures late.
//
// Errors are *pipeline.Error; then there is no file at path. One that is there
// is replaced.
func Cut(ctx context.Context, c pipeline.Clip, from, to float64, path string) (at float64, err error) {
	first := sort.Search(len(c.PTS), func(i int) bool { return c.PTS[i] >= from-1e-6 })
	if first >= len(c.PTS) || !(to > c.PTS[first]) {
		return 0, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepCut, Path: c.Path, What: fmt.Sprintf("there is nothing from %.3f to %.3f s", from, to)}
	}
	at = c.PTS[first]
	defer func() {
		if err != nil {
			os.Remove(path)
		}
	}()
	for _, anew := range []bool{false, true} {
		if err = cut(ctx, c, first, to, path, anew); err != nil {
			if ctx.Err() != nil {
				return 0, err
			}
			continue
		}
		var got pipeline.Clip
		if got, err = Probe(ctx, path); err == nil {
			if err = sameTimes(c, first, to, got); err == nil {
				return at, nil
			}
		}
		if ctx.Err() != nil {
			return 0, failed(ctx, stepCut, c.Path, "ffmpeg", ctx.Err(), "")
		}
	}
	return 0, err
}

func cut(ctx context.Context, c pipeline.Clip, first int, to float64, path string, anew bool) error {
	demuxer, err := look(c.Path)
	if err != nil {
		return err
	}
	in, err := input(c.Path, demuxer)
	if err != nil {
		return err
	}
	// A little before the picture, so that rounding can't lose it: the sound
	// comes late by as much. ffmpeg counts from whichever begins first, picture
	// or sound.
	from := c.PTS[first]
	if first > 0 {
		from -= math.Min(.0005, .1*(from-c.PTS[first-1]))
	}
	if c.HasAudio {
		from, to = from-math.Min(0, c.AudioStart), to-math.Min(0, c.AudioStart)
	}
	seconds := func(s float64) string { return strconv.FormatFloat(s, 'f', 6, 64) }
	args := []string{"-nostdin", "-v", "error", "-y"}
	if from > 0 {
		args = append(args, "-ss", seconds(from))
	}
	args = append(append(args, "-t", seconds(to-from+.2)), in...)
	args = append(args, "-map", "0:V:0", "-map", "0:a:0?", "-map_metadata", "-1", "-map_chapters", "-1")
	if c.TimeFactor > 1 { // else slow motion would pass for real time
		args = append(args, "-metadata", captureTags[0]+"="+seconds(c.CaptureRate))
	}
	if anew {
		args = append(args, "-fps_mode", "passthrough", "-enc_time_base", "-1", "-c:v", "libx264", "-preset", "veryfast", "-crf", "12", "-threads", "2", "-c:a", "pcm_s16le")
	} else {
		args = append(args, "-c", "copy")
	}
	abs := fileName(path)
	args = append(args, "-movflags", "+use_metadata_tags", "-f", "mov", abs)
	// The file is only for its owner's eyes; ffmpeg keeps the mode of one that
	// is there.
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepCut, Path: path, What: "can't be written", Hint: "check its folder and the space left", Err: err}
	}
	if anew {
		encoding.Lock()
		defer encoding.Unlock()
	}
	_, err = run(ctx, stepCut, c.Path, "ffmpeg", args...)
	return err
}

// encoding is held by the one cut that is being encoded: an encoder takes as much
// memory as all else.
var encoding sync.Mutex

// sameTimes compares the pictures' times and the sound's beginning with those
// of the clip it was cut from.
func sameTimes(c pipeline.Clip, first int, to float64, got pipeline.Clip) error {
	wrong := func(format string, a ...any) error {
		return &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepCut, Path: c.Path, What: "the cut went wrong: " + fmt.Sprintf(format, a...)}
	}
	const off = .0015 // seconds: containers count thousandths
	want := c.PTS[first:]
	want = want[:sort.Search(len(want), func(i int) bool { return want[i] > to-1e-6 })]
	if len(got.PTS) < len(want) {
		return wrong("%d pictures of %d", len(got.PTS), len(want))
	}
	for i, t := range want {
		if math.Abs(t-want[0]-got.PTS[i]) > off {
			return wrong("picture %d at %.4f s, not %.4f", i, got.PTS[i], t-want[0])
		}
	}
	if got.Width != c.Width || got.Height != c.Height {
		return wrong("%d×%d, not %d×%d", got.Width, got.Height, c.Width, c.Height)
	}
	// Sound that was there at the cut must be there from its beginning on.
	if c.HasAudio && c.AudioStart <= want[0] && (!got.HasAudio || math.Abs(got.AudioStart) > .1) {
		return wrong("sound at %.3f s", got.AudioStart)
	}
	return nil
}
