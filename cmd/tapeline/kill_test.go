package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image/png"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/schema"
)

// The daemon dies KILLS times (20) while it reads a real clip by real child
// processes. Kills come as accidents do, at any moment, none knowing of the one
// before, but for every second one, which lets a reading begin; they come so
// often that the whole takes a minute, so that few readings get far, and the last
// waits for the moment in which a lesson is put in its place. With MEAN, seconds between kills, they may come more rarely.
func TestKilledWhileReading(t *testing.T) {
	if testing.Short() {
		t.Skip("a real clip is read")
	}
	t.Parallel() // long, with waits in it
	kills, mean := 20, 1800*time.Millisecond
	if n, err := strconv.Atoi(os.Getenv("KILLS")); err == nil {
		kills = n
	}
	if s, err := strconv.ParseFloat(os.Getenv("MEAN"), 64); err == nil {
		mean = time.Duration(s * float64(time.Second))
	}
	original, err := os.ReadFile("../../samples/front_left.mp4")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	work := filepath.Join(dir, "barn")
	write := func(name string, data []byte) {
		t.Helper()
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("roster.csv", []byte("id,first_name,height,consent_film\nb07,Ada,170cm,2026-01-10\n"))
	write("tapeline.yaml", []byte("work: "+work+"\nroster: roster.csv\nsettle: 1s\npose: {quality: quick}\n"))
	begun := time.Now()
	clips := map[string]bool{}
	drop := func() { // the same pictures, other bytes: every clip is another one
		data := original
		if n := len(clips); n > 0 {
			data = append(bytes.Clone(original), 0, 0, 0, 12, 'f', 'r', 'e', 'e', 0, 0, 0, byte(n)) // a box that says nothing, ISO/IEC 14496-12, 8.1.2
		}
		sum := sha256.Sum256(data)
		clips[hex.EncodeToString(sum[:])] = true
		write(fmt.Sprintf("barn/inbox/b07/%d.mp4", len(clips)), data)
	}
	said := func() string {
		b, _ := os.ReadFile(filepath.Join(dir, "log"))
		return string(b)
	}
	start := func() *exec.Cmd {
		t.Helper()
		log, err := os.Create(filepath.Join(dir, "log"))
		if err != nil {
			t.Fatal(err)
		}
		defer log.Close()
		cmd := exec.Command("tapeline", "watch", "--config", "tapeline.yaml")
		cmd.Dir, cmd.Stderr = dir, log
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd
	}
	kill := func(cmd *exec.Cmd) {
		t.Helper()
		_ = cmd.Process.Kill()
		if err := cmd.Wait(); cmd.ProcessState.ExitCode() != -1 {
			t.Fatalf("it ended by itself: %v: %s", err, said())
		}
	}
	// When a clip is done before a kill another one comes.
	lessons := func() int {
		m, _ := filepath.Glob(filepath.Join(work, jobs.LessonsDir, "b07", "*"))
		return len(m)
	}
	steps := map[string]int{} // in which a kill met a clip
	for i := range kills - 1 {
		if lessons() == len(clips) {
			drop()
		}
		cmd := start()
		for end := time.Now().Add(time.Minute); i%2 == 1 && !strings.Contains(said(), "msg=clip_running") && time.Now().Before(end); {
			time.Sleep(10 * time.Millisecond)
		}
		time.Sleep(time.Duration(rand.ExpFloat64() * float64(mean)))
		kill(cmd)
		s, err := jobs.OpenSQLite(t.Context(), filepath.Join(work, jobs.StoreFile))
		if err != nil {
			t.Fatal(err)
		}
		all, err := s.Clips(t.Context(), "")
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range all {
			if c.State != jobs.Done {
				steps[strings.TrimSpace(string(c.State)+" "+c.Step)]++
			}
		}
	}
	if lessons() == len(clips) {
		drop()
	}
	// The last: from when the lesson lies whole in staging, in what follows.
	cmd := start()
	had := lessons()
	for made := false; !made; time.Sleep(2 * time.Millisecond) {
		m, _ := filepath.Glob(filepath.Join(work, "staging", "*", "*", pipeline.PaperFile))
		for _, p := range m {
			made = made || !strings.HasPrefix(filepath.Base(filepath.Dir(p)), ".")
		}
		if made = made || lessons() > had; time.Since(begun) > 10*time.Minute {
			t.Fatalf("it gets nowhere: %s", said())
		}
	}
	time.Sleep(time.Duration(rand.IntN(60)) * time.Millisecond)
	kill(cmd)

	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	end := exec.CommandContext(ctx, "tapeline", "nightly", "--config", "tapeline.yaml")
	end.Dir = dir
	if out, err := end.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("%d kills in %.0f s, %d clips; met: %v", kills, time.Since(begun).Seconds(), len(clips), steps)
	under := 0
	for step, n := range steps {
		if strings.HasPrefix(step, string(jobs.Running)) {
			under += n
		}
	}
	if under < kills/5 {
		t.Error("few kills met a clip under way")
	}

	found, _ := filepath.Glob(filepath.Join(work, jobs.LessonsDir, "b07", "*"))
	if len(found) != len(clips) {
		t.Errorf("%d lessons of %d clips", len(found), len(clips))
	}
	for _, d := range found {
		wholeLesson(t, d, clips)
	}
	l, err := ledger.Open(t.Context(), filepath.Join(work, jobs.LessonsDir, ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	rows, err := l.Lessons(t.Context(), "")
	if err != nil || len(rows) != len(clips) {
		t.Errorf("%d lessons in the ledger, %v", len(rows), err)
	}
	// Every original once, bit for bit, and nothing left half-way.
	kept := map[string]int{}
	for _, d := range []string{"inbox", "taken", "staging", jobs.ArchiveDir, jobs.FailedDir, jobs.UnplacedDir} {
		_ = filepath.WalkDir(filepath.Join(work, d), func(p string, e os.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			b, err := os.ReadFile(p)
			sum := sha256.Sum256(b)
			if h := hex.EncodeToString(sum[:]); err != nil || d != jobs.ArchiveDir || !clips[h] {
				t.Errorf("%s lies in %s", p, d)
			} else {
				kept[h]++
			}
			return nil
		})
	}
	for h := range clips {
		if kept[h] != 1 {
			t.Errorf("original %s is there %d times", h[:8], kept[h])
		}
	}
}

// wholeLesson: every file of a lesson is one that can be opened to its end.
func wholeLesson(t *testing.T, dir string, clips map[string]bool) {
	t.Helper()
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Error(err)
		}
		return b
	}
	var rep pipeline.Report
	b := read(pipeline.ReportFile)
	if err := json.Unmarshal(b, &rep); err != nil || !clips[rep.Clip.ID] {
		t.Errorf("report of %q: %v", rep.Clip.ID, err)
	}
	if _, err := png.Decode(bytes.NewReader(read(pipeline.SheetFile))); err != nil {
		t.Errorf("sheet: %v", err)
	}
	for name, ends := range map[string]string{pipeline.PageFile: "</html>", pipeline.PaperFile: "%%EOF", pipeline.CaptionsFile: ""} {
		if b := bytes.TrimSpace(read(name)); len(b) == 0 || !bytes.HasSuffix(b, []byte(ends)) {
			t.Errorf("%s is cut off", name)
		}
	}
	film := filepath.Join(dir, pipeline.LessonFile)
	if c, err := clip.Probe(t.Context(), film); err != nil || !c.HasAudio || c.Duration < 5 {
		t.Errorf("%+v, %v", c, err)
	}
	if out, err := exec.Command("ffmpeg", "-v", "error", "-xerror", "-i", film, "-f", "null", "-").CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("lesson.mp4: %v: %s", err, out)
	}
	for name, check := range map[string]func([]byte) error{pipeline.ReportFile: schema.Report, pipeline.TrackFile: schema.Track} {
		if err := check(read(name)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if entries, _ := os.ReadDir(dir); len(entries) != len(pipeline.Outputs) {
		t.Errorf("in the lesson's folder: %v", entries)
	}
}
