package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"github.com/piglig/go-qr"

	"tapeline/detect/card"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/inbox"
	"tapeline/pipeline/jobs"
)

func TestOwned(t *testing.T) {
	got := owned([]card.Span{{From: 1, To: 5, Player: "b07"}, {From: 5, To: 9, Of: []string{"b07", "b12"}}})
	if want := []jobs.Span{{From: 1, To: 5, Player: "b07"}, {From: 5, To: 9, Player: "b07"}, {From: 5, To: 9, Player: "b12"}}; !reflect.DeepEqual(got, want) {
		t.Errorf("%+v", got)
	}
}

// A card is held up for a second before the swing: cards and sound go the same
// way in a clip that arrived and in a recording.
func TestCarded(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	q, err := go_qr.EncodeText(pipeline.CardText("b07"), go_qr.Medium)
	if err != nil {
		t.Fatal(err)
	}
	png, path := filepath.Join(dir, "card.png"), filepath.Join(dir, "clip.mp4")
	if err := q.PNG(go_qr.NewQrCodeImgConfig(8, 4), png); err != nil {
		t.Fatal(err)
	}
	if b, err := exec.Command("ffmpeg", "-v", "error", "-i", "../../samples/open_faults.mp4", "-i", png, "-filter_complex",
		"[1]scale=200:-1[p];[0:v]tpad=start_mode=clone:start_duration=2[b];[b][p]overlay=400:200:enable='between(t,0.5,1.5)'[v];[0:a]adelay=2000[a]",
		"-map", "[v]", "-map", "[a]", "-c:v", "libx264", "-preset", "ultrafast", path).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, b)
	}
	bin, err := exec.LookPath("tapeline")
	if err != nil {
		t.Fatal(err)
	}
	real, died := runChild, 1
	defer func() { runChild = real }()
	runChild = func(c jobs.Child, ctx context.Context) error {
		if died--; died >= 0 {
			return &jobs.Slip{Reason: jobs.Crashed, Again: true}
		}
		c.Path = bin
		return real(c, ctx)
	}
	look := carded([]string{"PATH=" + os.Getenv("PATH")}, jobs.Limits{Time: time.Minute}, 2)
	clipAt := inbox.Arrival{Root: dir, Rel: "clip.mp4"}
	spans, err := look(ctx, clipAt)
	if err != nil || len(spans) != 1 || spans[0].Player != "b07" || spans[0].From > 1 {
		t.Errorf("%+v %v", spans, err)
	}
	// What brings the child down every time is said to, not tried for ever.
	died = 2
	var s *jobs.Slip
	if _, err := look(ctx, clipAt); !errors.As(err, &s) || s.Again || s.Reason != jobs.Crashed {
		t.Errorf("%v", err)
	}
	if _, err := look(ctx, inbox.Arrival{Root: dir, Rel: "card.png"}); !errors.As(err, &s) || s.Again || s.Reason != jobs.Unread {
		t.Errorf("%v", err)
	}
	c, err := clip.Probe(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := scanned(ctx, c, nil)
	if err != nil || len(r.Players) != 1 || r.Players[0].Player != "b07" || len(r.Candidates) == 0 {
		t.Fatalf("%+v %v", r, err)
	}
	last := r.Candidates[len(r.Candidates)-1]
	if hit := 2 + 1.165; last.From > hit-1 || last.To < hit+.4 { // contact by the sample's truth
		t.Errorf("%+v", last)
	}
}
