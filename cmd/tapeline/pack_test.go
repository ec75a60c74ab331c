package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"image/jpeg"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapeline/detect/coach"
	"tapeline/detect/others"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/words"
)

// bystander is where somebody was put into the clip, pixels of its picture.
var bystander = [4]float64{135, 450, 225, 630}

// filmedAt is planted as the day of making.
var filmedAt = time.Date(2031, 5, 3, 10, 11, 12, 0, time.UTC)

// planted are the marks that a source carries and that may not leave: place,
// phone, day of making in the words of QuickTime's keys and user data and of
// 3GPP TS 26.244, and as the seconds since 1904 of ISO/IEC 14496-12.
func planted() map[string][]byte {
	return map[string][]byte{
		"place": []byte("41.8781"), "key of the place": []byte("ISO6709"), "©xyz": []byte("\xA9xyz"), "loci": []byte("loci"),
		"name of the place": []byte("Millbrook Pond"), "maker": []byte("Pretendophone"), "model": []byte("Pretend7"),
		"day of making": binary.BigEndian.AppendUint32(nil, uint32(filmedAt.Unix()+2082844800)),
	}
}

// crowded is the clip of a sample with a tone as its sound, somebody else
// beside the batter, and the planted marks; and a lesson that was read from
// it: the sample's own track, since nothing about the batter is changed.
func crowded(t *testing.T) (lesson, path string) {
	t.Helper()
	dir := t.TempDir()
	path, lesson = filepath.Join(dir, "swing.mov"), filepath.Join(dir, "swing")
	samples := "../../samples/"
	for _, cmd := range [][]string{
		{"ffmpeg", "-v", "error", "-i", samples + "front_left.mp4", "-i", samples + "open_faults.mp4", "-f", "lavfi", "-i", "sine=frequency=440:sample_rate=48000",
			"-filter_complex", "[1]trim=end_frame=1,crop=200:400:355:110,scale=90:180[p];[0][p]overlay=135:450:eof_action=repeat", "-map", "2:a", "-t", "1.7",
			"-c:v", "libx264", "-preset", "veryfast", "-crf", "18", "-bf", "0", "-fps_mode", "passthrough", "-c:a", "aac", "-movflags", "use_metadata_tags",
			"-metadata", "com.apple.quicktime.location.ISO6709=+41.8781-087.6298+181/", "-metadata", "com.apple.quicktime.make=Pretendophone",
			"-metadata", "com.apple.quicktime.model=Pretend7", "-metadata", "creation_time=" + filmedAt.Format(time.RFC3339), path},
		{"exiftool", "-q", "-overwrite_original", "-UserData:GPSCoordinates=41.8781, -87.6298, 181", "-UserData:Make=Pretendophone", "-UserData:Model=Pretend7",
			"-UserData:LocationInformation=Millbrook Pond lat=41.8781 lon=-87.6298", path},
	} {
		if out, err := exec.Command(cmd[0], cmd[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v: %s", cmd[0], err, out)
		}
	}
	f, err := os.Open(filepath.Join("testdata", "front_left.track.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	track, err := pipeline.ParseTrack(b)
	if err != nil {
		t.Fatal(err)
	}
	c, err := clip.Probe(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.PTS) != len(track.Clip.PTS) {
		t.Fatalf("%d frames of %d", len(c.PTS), len(track.Clip.PTS))
	}
	track.Clip.ID = c.ID
	rep, err := judging(ownRules(t))(track, track.Given)
	if err != nil {
		t.Fatal(err)
	}
	rb, err := pipeline.MarshalReport(rep)
	if err != nil {
		t.Fatal(err)
	}
	tb, err := pipeline.MarshalTrack(track)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.Mkdir(lesson, 0o777), os.WriteFile(filepath.Join(lesson, pipeline.ReportFile), rb, 0o666), os.WriteFile(filepath.Join(lesson, pipeline.TrackFile), tb, 0o666)); err != nil {
		t.Fatal(err)
	}
	return lesson, path
}

func ownRules(t *testing.T) []coach.Rule {
	t.Helper()
	rules, err := coach.RulesFile("")
	if err != nil {
		t.Fatal(err)
	}
	return rules
}

func TestPack(t *testing.T) {
	ctx := context.Background()
	lesson, path := crowded(t)
	source, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, mark := range planted() {
		if !bytes.Contains(source, mark) {
			t.Errorf("the source has no %s to lose", name)
		}
	}
	o, by := options{text: words.English(), rules: ownRules(t)}, aside{name: "Ada", date: "2026-05-03"}
	dir := filepath.Join(lesson, pipeline.LeavingDir)

	// Asked, and with too few bytes for any film: the stills, and two reasons
	// to wait.
	lv, err := pack(ctx, o, by, lesson, path, "ask", 60<<10, nil)
	if err != nil {
		t.Fatal(err)
	}
	if lv.Looked < 40 || lv.Seen != lv.Looked || lv.Blurred != 0 || lv.Free() || lv.FilmWaits != filmTooLarge {
		t.Errorf("asked: %+v", lv)
	}
	if _, err := os.Stat(filepath.Join(dir, pipeline.LeavingFilmFile)); err == nil {
		t.Error("a film that is too large is there")
	}

	// Another clip is refused, and what was there stays.
	_, err = pack(ctx, o, by, lesson, "../../samples/open_faults.mp4", "ask", 14e6, nil)
	var e *pipeline.Error
	if !errors.As(err, &e) || e.Fault != pipeline.FaultUsage || !strings.Contains(e.What, "not the clip of this lesson") {
		t.Errorf("another clip: %v", err)
	}
	if b, err := os.ReadFile(filepath.Join(dir, pipeline.LeavingFile)); err != nil || !bytes.Contains(b, []byte(filmTooLarge)) {
		t.Errorf("after a refusal: %v, %s", err, b)
	}

	const most = 4_000_000
	if lv, err = pack(ctx, o, by, lesson, path, "blur", most, nil); err != nil {
		t.Fatal(err)
	}
	if lv.Seen != lv.Looked || lv.Blurred != lv.Seen || !lv.Free() || lv.FilmWaits != "" || lv.Name != "Ada" {
		t.Errorf("blurred: %+v", lv)
	}
	if left, _ := filepath.Glob(filepath.Join(lesson, ".*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	var all int
	files := map[string][]byte{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range entries {
		b, err := os.ReadFile(filepath.Join(dir, f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name()] = b
		for name, mark := range planted() {
			if bytes.Contains(b, mark) {
				t.Errorf("%s holds the %s", f.Name(), name)
			}
		}
		if f.Name() == pipeline.LeavingFile {
			var told pipeline.Leaving
			if err := json.Unmarshal(b, &told); err != nil || told.Crop != lv.Crop || len(told.Files) != 3 {
				t.Errorf("leaving.json: %v: %s", err, b)
			}
			continue
		}
		all += len(b)
		if lv.Files[f.Name()] != hash(b) {
			t.Errorf("%s is not what leaving.json says", f.Name())
		}
	}
	if len(files) != 4 || all > most {
		t.Errorf("%d files of %d bytes", len(files), all)
	}
	stills := files[pipeline.LeavingSheetFile]
	if _, err := jpeg.Decode(bytes.NewReader(stills)); err != nil || bytes.Contains(stills, []byte("Exif")) || bytes.Contains(stills, []byte("http://ns.adobe.com")) {
		t.Errorf("stills: %v, or they carry notes", err)
	}
	out, err := exec.Command("exiftool", "-a", "-G1", "-s", dir).CombinedOutput()
	if err != nil {
		t.Fatalf("exiftool: %v: %s", err, out)
	}
	for l := range strings.Lines(string(out)) {
		group, rest, _ := strings.Cut(l, "]")
		if tag := strings.Fields(rest + " -")[0]; group != "[System" && (strings.Contains(tag, "GPS") || tag == "Make" || tag == "Model" || strings.Contains(tag, "Location") ||
			strings.Contains(tag, "Date") && !strings.Contains(l, "0000:00:00")) {
			t.Errorf("exiftool sees %s", l)
		}
	}
	film := filepath.Join(dir, pipeline.LeavingFilmFile)
	heard(t, film)
	nobody(t, film, lv.Crop)
}

// heard wants the tone within half a second of contact and silence elsewhere.
func heard(t *testing.T, film string) {
	t.Helper()
	c, err := clip.Probe(context.Background(), film)
	if err != nil {
		t.Fatal(err)
	}
	const rate = 8000
	samples, _, err := clip.Audio(context.Background(), c, rate)
	if err != nil {
		t.Fatal(err)
	}
	first, last := -1, 0
	for i, v := range samples {
		if math.Abs(float64(v)) > .01 {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	// The clip ends .5 s after contact, or a little later; its tone lasts from
	// its first picture on.
	if long := float64(last-first) / rate; first < rate || long < .9 || long > 1.05 {
		t.Errorf("the tone is heard from %.2f s for %.2f s; want 1 s of it behind the card", float64(first)/rate, long)
	}
}

// nobody wants that the network sees nobody where somebody was put.
func nobody(t *testing.T, film string, crop [4]int) {
	t.Helper()
	nets, err := pose.Open(pose.DefaultDir(), pose.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer nets.Close()
	ctx := context.Background()
	c, err := clip.Probe(ctx, film)
	if err != nil {
		t.Fatal(err)
	}
	src, err := clip.Open(ctx, c, clip.Options{From: 1.2, To: 12, Rate: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	k := float64(c.Width) / float64(crop[2])
	var at [4]float64
	for i := range at {
		at[i] = (bystander[i] - float64(crop[i%2])) * k
	}
	looked := 0
	for {
		f, err := src.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		looked++
		side := float64(max(f.Width, f.Height))
		found, err := nets.People(f, []pipeline.Region{{CX: float64(f.Width) / 2, CY: float64(f.Height) / 2, Size: side}, {CX: (at[0] + at[2]) / 2, CY: (at[1] + at[3]) / 2, Size: side / 2}}, others.Sure)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range found {
			x, y := (p.Box[0]+p.Box[2])/2, (p.Box[1]+p.Box[3])/2
			if x > at[0] && x < at[2] && y > at[1] && y < at[3] && p.Box[2]-p.Box[0] < 1.5*(at[2]-at[0]) {
				t.Errorf("at %.1f s somebody can be seen, %.2f at %.0f", f.PTS, p.Score, p.Box)
			}
		}
	}
	if looked < 8 {
		t.Errorf("%d pictures looked at", looked)
	}
}
