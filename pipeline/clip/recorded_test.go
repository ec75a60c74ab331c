package clip

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

func TestRecorded(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 5, 3, 16, 4, 5, 0, time.UTC)
	for _, c := range []struct {
		name string
		args []string
		want time.Time
	}{
		{"phone.mp4", []string{"-metadata", "creation_time=2026-05-03T16:04:05Z"}, at},
		{"zone.mov", []string{"-metadata", "creation_time=2026-05-09T00:00:00Z", "-movflags", "use_metadata_tags", "-metadata", "com.apple.quicktime.creationdate=2026-05-03T11:04:05-0500"}, at},
		{"none.mp4", nil, time.Time{}},
		{"never.mp4", []string{"-metadata", "creation_time=1970-01-01T00:00:00Z"}, time.Time{}},
	} {
		path := filepath.Join(dir, c.name)
		args := append([]string{"-v", "error", "-f", "lavfi", "-i", "testsrc=s=64x64:r=30:d=0.2"}, c.args...)
		if b, err := exec.Command("ffmpeg", append(args, path)...).CombinedOutput(); err != nil {
			t.Fatalf("%v %s", err, b)
		}
		if got, err := Recorded(t.Context(), path); err != nil || !got.Equal(c.want) {
			t.Errorf("%s: %v %v; want %v", c.name, got, err, c.want)
		}
	}
	bad := filepath.Join(dir, "bad.mp4")
	if err := os.WriteFile(bad, []byte("no clip"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Recorded(t.Context(), bad); err == nil {
		t.Error("no error")
	}
}
