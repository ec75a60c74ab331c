package clip

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"gocv.io/x/gocv"
)

// disguises make ffmpeg open what they name, when it is let.
func disguises(canary string) map[string]string {
	return map[string]string{
		"hls":    "#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:10\n#EXTINF:1.0,\n" + canary + "\n#EXT-X-ENDLIST\n",
		"concat": "ffconcat version 1.0\nfile '" + canary + "'\n",
		"dash":   "<?xml version=\"1.0\"?><MPD xmlns=\"urn:mpeg:dash:schema:mpd:2011\"><Period><BaseURL>" + canary + "</BaseURL></Period></MPD>",
	}
}

// TestHelperOpens is not a test: it opens the file it is told to, so that
// another test can watch what else gets opened.
func TestHelperOpens(t *testing.T) {
	path := os.Getenv("CLIP_TEST_OPEN")
	if path == "" {
		t.Skip("only run by other tests")
	}
	switch os.Getenv("CLIP_TEST_WAY") {
	case "probe":
		Probe(context.Background(), path)
	case "ffprobe": // as if our own look had let it through
		ffprobe(context.Background(), path, demuxerMOV)
	case "opencv":
		limitOpenCV()
		if v, err := gocv.VideoCaptureFileWithAPI(path, gocv.VideoCaptureFFmpeg); err == nil {
			m := gocv.NewMat()
			v.Read(&m)
			m.Close()
			v.Close()
		} else {
			v.Close()
		}
	case "unguarded":
		exec.Command("ffprobe", "-v", "quiet", "-allowed_extensions", "ALL", "-safe", "0", path).Run()
	}
}

// A playlist disguised as a clip opens nothing else, whichever door it is
// given to: seen from outside, in the list of files the processes open.
func TestNothingElseOpened(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed")
	}
	dir := t.TempDir()
	canary := filepath.Join(dir, "canary.ts")
	if err := os.WriteFile(canary, read(t, makeClip(t, "c.ts", lavfi("testsrc=s=64x64", "-frames:v", "12", "-c:v", "libx264")...)), 0o600); err != nil {
		t.Fatal(err)
	}
	watch := func(way, path string) string {
		log := filepath.Join(t.TempDir(), "log")
		cmd := exec.Command(strace, "-f", "-qq", "-s", "512", "-e", "trace=open,openat,execve,connect", "-o", log, os.Args[0], "-test.run=^TestHelperOpens$")
		cmd.Env = append(os.Environ(), "CLIP_TEST_OPEN="+path, "CLIP_TEST_WAY="+way)
		if out, err := cmd.CombinedOutput(); err != nil {
			if strings.Contains(string(out), "ptrace") || strings.Contains(string(out), "PTRACE") {
				t.Skip("strace is not allowed here")
			}
			t.Fatalf("%v\n%s", err, out)
		}
		return string(read(t, log))
	}
	for kind, text := range disguises(canary) {
		path := filepath.Join(dir, kind+".mp4")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, way := range []string{"probe", "ffprobe", "opencv"} {
			log := watch(way, path)
			if !strings.Contains(log, path) {
				t.Errorf("%s by %s: the file itself was not opened: nothing was tested", kind, way)
			}
			if strings.Contains(log, "canary") || strings.Contains(log, "connect(") && strings.Contains(log, "AF_INET") {
				t.Errorf("%s by %s: opened something else", kind, way)
			}
			if way == "probe" && strings.Contains(log, "ffprobe") {
				t.Errorf("%s: ffprobe was started", kind)
			}
		}
	}
	// The same watch does see a program that is not held back.
	seen := false
	for kind := range disguises(canary) {
		seen = seen || strings.Contains(watch("unguarded", filepath.Join(dir, kind+".mp4")), "canary")
	}
	if !seen {
		t.Error("the watch is blind")
	}
}
