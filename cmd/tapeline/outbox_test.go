package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
)

// mails are the mail servers of a script, by its working folder.
type mails struct {
	t  *testing.T
	mu sync.Mutex
	at map[string]*smtptest.Server
}

// server [FAULT…]: starts a mail server that fails so, and sets MAILPORT.
func (m *mails) server(ts *testscript.TestScript, neg bool, args []string) {
	if neg {
		ts.Fatalf("usage: mailserver [FAULT…]")
	}
	var script []smtptest.Fault
	for _, a := range args {
		script = append(script, smtptest.Fault(a))
	}
	s := smtptest.New(m.t, script...)
	m.mu.Lock()
	m.at[ts.MkAbs(".")] = s
	m.mu.Unlock()
	ts.Setenv("MAILPORT", strconv.Itoa(s.Port()))
	ts.Setenv("TAPELINE_MAIL_PORT", strconv.Itoa(s.Port()))
}

// mailed N [ADDRESS]: so many messages were taken, for the address.
func (m *mails) mailed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) > 2 {
		ts.Fatalf("usage: mailed N [ADDRESS]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	m.mu.Lock()
	s := m.at[ts.MkAbs(".")]
	m.mu.Unlock()
	n := 0
	for _, r := range s.Received() {
		if len(args) == 1 || strings.Contains(strings.Join(r.To, " "), args[1]) {
			n++
		}
	}
	if n != want {
		ts.Fatalf("%d messages; want %d: %v", n, want, s.Met())
	}
}

// packedFor LESSON NAME [SEEN]: makes what may leave of a lesson without
// looking at a film, which shows others in SEEN of 30 pictures.
func packedFor(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 || len(args) > 3 {
		ts.Fatalf("usage: packed LESSON NAME [SEEN]")
	}
	seen := 0
	if len(args) == 3 {
		n, err := strconv.Atoi(args[2])
		ts.Check(err)
		seen = n
	}
	ts.Check(packedByHand(ts.MkAbs(args[0]), args[1], seen))
}

func packedByHand(lesson, name string, seen int) error {
	report, err := os.ReadFile(filepath.Join(lesson, pipeline.ReportFile))
	if err != nil {
		return err
	}
	var rep pipeline.Report
	if err := json.Unmarshal(report, &rep); err != nil {
		return err
	}
	sum := func(b []byte) string { s := sha256.Sum256(b); return hex.EncodeToString(s[:]) }
	dir := filepath.Join(lesson, pipeline.LeavingDir)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	var still bytes.Buffer
	if err := jpeg.Encode(&still, image.NewRGBA(image.Rect(0, 0, 64, 48)), nil); err != nil {
		return err
	}
	lv := pipeline.Leaving{Schema: pipeline.LeavingSchema, Clip: rep.Clip.ID, Report: sum(report), Name: name, Others: "ask", Looked: 30, Seen: seen, Files: map[string]string{}}
	for n, b := range map[string][]byte{pipeline.LeavingSheetFile: still.Bytes(), pipeline.LeavingFilmFile: bytes.Repeat([]byte("film of "+rep.Clip.ID+"\n"), 2000), pipeline.LeavingCaptionsFile: []byte("WEBVTT\n\n00:00:00.000 --> 00:00:01.000\nStance\n")} {
		lv.Files[n] = sum(b)
		err = errors.Join(err, os.WriteFile(filepath.Join(dir, n), b, 0o600))
	}
	b, e := json.Marshal(lv)
	return errors.Join(err, e, os.WriteFile(filepath.Join(dir, pipeline.LeavingFile), b, 0o600))
}
