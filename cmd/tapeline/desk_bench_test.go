package main

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// BenchmarkDeskList asks for the list with 1,000 lessons in store and ledger.
//
//	go test -tags matprofile ./cmd/tapeline -run - -bench DeskList
func BenchmarkDeskList(b *testing.B) {
	d := newDesk(b)
	ctx := b.Context()
	book, err := d.y.ledger()
	if err != nil {
		b.Fatal(err)
	}
	l, err := book.open(ctx)
	if err != nil {
		b.Fatal(err)
	}
	rep := d.report()
	db, err := sql.Open("sqlite", filepath.Join(d.dir, jobs.StoreFile))
	if err != nil {
		b.Fatal(err)
	}
	tx, err := db.Begin()
	if err != nil {
		b.Fatal(err)
	}
	for i := range 999 {
		rep.Clip.ID = fmt.Sprintf("%064x", i)
		day := time.Date(2026, 5, 1+i%28, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
		player := []string{"b07", "b08", "b09"}[i%3]
		dir := filepath.Join(d.dir, jobs.LessonsDir, player, day+"-"+rep.Clip.ID[:8]+strconv.Itoa(i))
		text, err := pipeline.MarshalReport(rep)
		if err != nil {
			b.Fatal(err)
		}
		if err := os.MkdirAll(dir, 0o700); err != nil {
			b.Fatal(err)
		}
		for _, n := range []string{pipeline.ReportFile, pipeline.TrackFile} {
			if err := os.WriteFile(filepath.Join(dir, n), text, 0o600); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := l.Record(ctx, ledger.Entry{Player: player, Name: "Ada", Day: day, Folder: dir, Report: rep, At: time.Now()}); err != nil {
			b.Fatal(err)
		}
		if _, err := tx.Exec(`INSERT INTO clips (hash, player, how, day, dated, state, fence, tries, lies, stem, ext, sidecar, voice, came, size, modified, staging, final, copies, reason, detail, step, part, whole, added, changed)
			VALUES ($1, $2, 'folder', $3, 1, 'done', 1, 1, $4, '"x"', '".mov"', 0, '', '', 1, 1, '', $5, 0, '', '', '', 0, 0, $6, $6)`,
			rep.Clip.ID, player, day, strconv.QuoteToASCII(dir), strconv.QuoteToASCII(dir), time.Now().UTC().Format(time.RFC3339Nano)); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
	db.Close()
	l.Close()
	d.open()
	c := d.browser()
	for name, query := range map[string]string{"all": "/", "found": "/?q=ben+eyes&player=b08", "last": "/?page=19"} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				r, err := c.Get(d.base + query)
				if err != nil {
					b.Fatal(err)
				}
				n, err := io.Copy(io.Discard, r.Body)
				r.Body.Close()
				if err != nil || r.StatusCode != http.StatusOK || n < 10000 {
					b.Fatal(r.Status, n, err)
				}
			}
		})
	}
}

// BenchmarkDeskStep steps through a clip of 1080p at 240 frames a second as a
// coach does with the arrow keys, thirty pictures a second at most.
//
//	go test -tags matprofile ./cmd/tapeline -run - -bench DeskStep -benchtime 200x
func BenchmarkDeskStep(b *testing.B) {
	d := newDesk(b)
	c := d.clip()
	long := filepath.Join(b.TempDir(), "long.mp4")
	if out, err := exec.Command("ffmpeg", "-v", "error", "-nostdin", "-f", "lavfi", "-i", "testsrc2=s=1920x1080:r=240:d=2.5", "-vf", "noise=alls=12:allf=t", "-pix_fmt", "yuv420p", "-preset", "ultrafast", "-g", "240", long).CombinedOutput(); err != nil {
		b.Fatalf("%v %s", err, out)
	}
	probed, err := clip.Probe(b.Context(), long)
	if err != nil {
		b.Fatal(err)
	}
	track := sampleTrack(b)
	probed.ID = track.Clip.ID
	track.Clip = probed
	text, err := pipeline.MarshalTrack(track)
	if err == nil {
		err = errors.Join(os.WriteFile(filepath.Join(c.Final, pipeline.TrackFile), text, 0o600), os.Rename(long, c.Original()))
	}
	if err != nil {
		b.Fatal(err)
	}
	d.open()
	web := d.browser()
	var all []time.Duration
	n, size := 0, int64(0)
	for b.Loop() {
		time.Sleep(33 * time.Millisecond)
		from := time.Now()
		r, err := web.Get(fmt.Sprintf("%s/lesson/%s/frame/%d", d.base, d.id(), 100+n%400))
		if err != nil {
			b.Fatal(err)
		}
		size, _ = io.Copy(io.Discard, r.Body)
		r.Body.Close()
		if r.StatusCode != http.StatusOK {
			b.Fatal(r.Status)
		}
		all = append(all, time.Since(from))
		n++
	}
	b.ReportMetric(float64(all[0].Milliseconds()), "first-ms")
	slices.Sort(all)
	b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, "median-ms")
	b.ReportMetric(float64(all[len(all)*95/100].Microseconds())/1000, "95%-ms")
	b.ReportMetric(float64(size)/1000, "kB")
}
