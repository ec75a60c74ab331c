package clip

import (
	"context"
	"os"
	"path/filepath"
	"strconv"

	"tapeline/pipeline"
)

// NoteFrom makes an M4A voice note of what a browser recorded: WebM or MP4, or
// one of the forms that Voice takes. Errors are those of Voice.
func NoteFrom(ctx context.Context, sound []byte) ([]byte, error) {
	dir, err := os.MkdirTemp("", "tapeline-voice-")
	if err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepVoice, What: "no room for temporary files", Hint: "check TMPDIR", Err: err}
	}
	defer os.RemoveAll(dir)
	from, to := filepath.Join(dir, "recorded"), filepath.Join(dir, "note.m4a")
	if err := os.WriteFile(from, sound, 0o600); err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepVoice, What: "no room for temporary files", Hint: "check TMPDIR", Err: err}
	}
	demuxer := demuxerMKV
	if len(sound) < 4 || string(sound[:4]) != "\x1A\x45\xDF\xA3" {
		if demuxer, err = lookVoice(from); err != nil {
			return nil, err
		}
	}
	in, err := input(from, demuxer)
	if err != nil {
		return nil, err
	}
	args := append([]string{"-nostdin", "-v", "error"}, in...)
	args = append(args, "-map", "0:a:0", "-map_metadata", "-1", "-map_chapters", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact",
		"-t", strconv.Itoa(VoiceLimit), "-ac", "1", "-ar", strconv.Itoa(soundRate), "-c:a", "aac", "-b:a", "96k", "-f", "ipod", "file:"+to)
	if _, err := run(ctx, stepVoice, from, "ffmpeg", args...); err != nil {
		return nil, err
	}
	if _, err := Voice(ctx, to); err != nil { // what a reading will make of it
		return nil, err
	}
	return os.ReadFile(to)
}
