package clip

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"tapeline/pipeline"
)

// What browsers record becomes a note that a reading takes, of the same length
// and without what else was written into it; anything else is refused.
func TestNoteFrom(t *testing.T) {
	for name, more := range map[string][]string{"a.webm": {"-c:a", "libopus"}, "b.mp4": {"-c:a", "aac"}, "c.wav": nil, "d.mp3": nil} {
		b, err := os.ReadFile(said(t, name, "1.5", more...))
		if err != nil {
			t.Fatal(err)
		}
		note, err := NoteFrom(context.Background(), b)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		path := filepath.Join(t.TempDir(), "note.m4a")
		if err := os.WriteFile(path, note, 0o600); err != nil {
			t.Fatal(err)
		}
		voice, err := Voice(context.Background(), path)
		if s := VoiceSeconds(voice); err != nil || s < 1.4 || s > 1.6 {
			t.Errorf("%s: %.2f s, %v", name, s, err)
		}
		if bytes.Contains(note, []byte("A child")) {
			t.Errorf("%s: the note tells its title", name)
		}
		if out, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "stream=codec_name,codec_type", "-of", "csv=p=0", path).CombinedOutput(); err != nil || strings.TrimSpace(string(out)) != "aac,audio" {
			t.Errorf("%s: %s %v", name, out, err)
		}
	}
	for name, b := range map[string]string{
		"nothing": "", "words": "hello, this is no sound", "a playlist": "#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n", "half": "\x1A\x45\xDF\xA3webm", "a list": "ffconcat version 1.0\nfile /etc/passwd\n",
	} {
		if _, err := NoteFrom(context.Background(), []byte(b)); err == nil {
			t.Errorf("%s was taken", name)
		} else {
			bad(t, err, pipeline.FaultUnreadable, "")
		}
	}
}
