package clip

import (
	"context"
	"encoding/json"
	"time"
)

// Recorded is when the container says the recording began, zero where it
// doesn't. It puts clips into order and goes into no output. Errors are those of
// Probe.
func Recorded(ctx context.Context, path string) (time.Time, error) {
	demuxer, err := look(path)
	if err != nil {
		return time.Time{}, err
	}
	in, err := input(path, demuxer)
	if err != nil {
		return time.Time{}, err
	}
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	out, err := run(ctx, stepProbe, path, "ffprobe", append([]string{"-v", "error", "-of", "json=c=1", "-show_entries",
		"format_tags=creation_time,com.apple.quicktime.creationdate"}, in...)...)
	if err != nil {
		return time.Time{}, err
	}
	var p struct {
		Format struct {
			Tags struct {
				Made  string `json:"creation_time"`
				Begun string `json:"com.apple.quicktime.creationdate"` // an edit keeps it
			}
		}
	}
	if err := json.Unmarshal(out, &p); err != nil {
		return time.Time{}, nil
	}
	for _, s := range []string{p.Format.Tags.Begun, p.Format.Tags.Made} {
		for _, form := range []string{time.RFC3339Nano, "2006-01-02T15:04:05-0700"} {
			// A phone that never knew the time says 1904 or 1970.
			if t, err := time.Parse(form, s); err == nil && t.Year() > 1970 {
				return t, nil
			}
		}
	}
	return time.Time{}, nil
}
