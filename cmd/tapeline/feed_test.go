package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline/depot"
	"tapeline/pipeline/depot/s3test"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/words"
)

// What is dropped in the bucket is read in the night like what lies in the
// inbox, is stored, and is gone from where it was dropped, in every version.
func TestNightFromTheBucket(t *testing.T) {
	fakeChildren(t)
	s := s3test.New(t, true)
	t.Setenv("AWS_SECRET_ACCESS_KEY", "hunter2")
	fake, read := runChild, 0
	defer func() { runChild = fake }()
	runChild = func(c jobs.Child, ctx context.Context) error {
		if read++; strings.Contains(strings.Join(slices.Concat(c.Args, c.Env), " ")+c.In, "hunter2") || slices.ContainsFunc(c.Env, func(v string) bool { return strings.HasPrefix(v, "AWS_") }) {
			t.Errorf("a reading is told the keys of the store: %q", c.Env)
		}
		return fake(c, ctx)
	}
	dir := t.TempDir()
	conf := filepath.Join(dir, "tapeline.yaml")
	if err := errors.Join(os.WriteFile(filepath.Join(dir, "roster.csv"), []byte("id,first_name,consent_film\nc12,Ben,2026-01-10\n"), 0o600),
		os.WriteFile(conf, fmt.Appendf(nil, "work: %s\nroster: %s\nsettle: 1s\nlimits: {space: 1MB}\nclips: %s\n", filepath.Join(dir, "barn"), filepath.Join(dir, "roster.csv"), s.URL), 0o600)); err != nil {
		t.Fatal(err)
	}
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := y.depot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for name, text := range map[string]string{"own.mov": "a film", "own.yaml": "date: 2026-04-12\n", "own.m4a": "voice"} {
		p := filepath.Join(t.TempDir(), name)
		if err := errors.Join(os.WriteFile(p, []byte(text), 0o600), d.Put(t.Context(), depot.Inbox+"/c12/"+name, p)); err != nil {
			t.Fatal(err)
		}
	}
	yardOnce(t, conf)
	keys, err := d.Traces(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(keys, " ")
	for _, want := range []string{"/clip.mov", "/clip.yaml", "/clip.m4a", "lessons/c12/2026-04-12-", "/list.json"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %s in %s", want, all)
		}
	}
	if read == 0 {
		t.Error("nothing was read")
	}
	if strings.Contains(all, depot.Inbox+"/") {
		t.Errorf("left: %s", all)
	}
	if m, _ := filepath.Glob(filepath.Join(dir, "barn", "lessons", "c12", "2026-04-12-*", "lesson.mp4")); len(m) != 1 {
		t.Errorf("%v", m)
	}
}

// What is said of the store of files: whether it can be read, that it isn't
// encrypted, what to do.
func TestCheckFiles(t *testing.T) {
	s := s3test.New(t, true)
	en, err := words.For("en")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		clips, state, code, detail string
		away                       bool
	}{
		{"", "", "", "", false},
		{"file://" + t.TempDir(), isRight, "", "", false},
		{"file://" + filepath.Join(t.TempDir(), "unmounted"), isWrong, "no_share", "", false},
		{s.URL, isNoted, "files_open", en.Work["bucket_versions"], false},
		{strings.Replace(s.URL, "s3://clips", "s3://other", 1), isWrong, "no_files", "NoSuchBucket", false},
		{"s3://clips?region=us-east-1&endpoint=http://127.0.0.1:1", isWrong, "no_files", "refused", true},
	} {
		y := &yard{text: en}
		y.c.Clips = c.clips
		if c.clips != "" {
			y.c.Store = "postgres://db.example.org/tapeline"
		}
		k := &checking{text: en}
		k.files(t.Context(), y)
		if c.state == "" {
			if len(k.all) != 0 {
				t.Errorf("%+v", k.all)
			}
			continue
		}
		if len(k.all) != 1 || k.all[0].State != c.state || k.all[0].Code != c.code || !strings.Contains(k.all[0].Detail, c.detail) || (c.state != isRight) != (k.all[0].Do != "") {
			t.Errorf("%s: %+v", c.clips, k.all)
		}
		if last := k.all[len(k.all)-1]; c.code == "no_share" && !strings.Contains(last.About, "unmounted") || (last.away != 0) != c.away {
			t.Errorf("%s: %+v", c.clips, last)
		}
	}
	// What is refused is named in one line, and what could not be removed.
	s.Before(func(w http.ResponseWriter, r *http.Request) bool {
		if r.Method == http.MethodDelete {
			w.WriteHeader(http.StatusForbidden)
			return true
		}
		return false
	})
	y := &yard{text: en}
	y.c.Clips, y.c.ClipsEvents = s.URL, "wrong://x"
	k := &checking{text: en}
	k.files(t.Context(), y)
	var told []string
	for _, l := range k.all {
		told = append(told, l.Code)
	}
	if !slices.Equal(told, []string{"clips_alone", "files_left", "keys_refused", "no_events"}) || k.all[2].Detail != "refused: removing s3:DeleteObject, removing versions s3:DeleteObjectVersion" || !strings.HasPrefix(k.all[1].About, "check/") {
		t.Errorf("%+v", k.all)
	}
}
