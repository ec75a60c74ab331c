package main

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/depot/s3test"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// elsewhere fills a store of files as several machines would: originals with
// what travels with them, changed since; lessons, one redrawn; what was dropped.
// It gives the hash of a clip that nothing in the store's inbox says is the
// player's, and gives it a place there.
func elsewhere(t *testing.T, y *yard, d *depot.Depot) (hash string) {
	t.Helper()
	ctx := t.Context()
	put := func(key, text string) {
		t.Helper()
		p := filepath.Join(t.TempDir(), "x")
		if err := errors.Join(os.WriteFile(p, []byte(text), 0o600), d.Put(ctx, key, p)); err != nil {
			t.Fatal(err)
		}
	}
	st, err := y.store(ctx, false)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	clips, err := st.Clips(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range clips {
		b, err := os.ReadFile(c.Original())
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		put("clips/"+c.Hash+"/clip"+c.Ext, string(b))
		put("clips/"+c.Hash+"/clip.yaml", "player: "+c.Player)
		if c.Player == "c12" {
			continue
		}
		put("clips/"+c.Hash+"/clip.yaml", "player: "+c.Player+"\nfor: "+lostName)
		if c.State == jobs.Done {
			hash = c.Hash
		}
	}
	at, err := y.ledger()
	if err != nil {
		t.Fatal(err)
	}
	book, err := at.open(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	all, err := book.Heads(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range all {
		key := y.lessonKey(l)
		if strings.Count(key, "/") != 2 {
			t.Fatalf("%q", key)
		}
		for _, fence := range []string{"1", "2"} {
			if err := d.PutFolder(ctx, key+"/"+fence, l.Folder); err != nil {
				t.Fatal(err)
			}
		}
		if err := d.Remove(ctx, key+"/1"); err != nil { // redrawn
			t.Fatal(err)
		}
		if l.Player == lostCode { // as which it was another's at first
			was := "lessons/c12/" + filepath.Base(key) + "/1"
			if err := errors.Join(d.PutFolder(ctx, was, l.Folder), d.Remove(ctx, was)); err != nil {
				t.Fatal(err)
			}
		}
	}
	put("inbox/"+lostCode+"/dropped.mov", lostPixels)
	put("inbox/"+lostCode+"/dropped.m4a", "voice of "+lostPixels)
	put("inbox/noted.yaml", "player: "+lostCode)
	put("inbox/noted.mov", lostPixels)
	put("inbox/removed.yaml", "player: nobody")
	put("inbox/"+lostCode+"_removed.mov", lostPixels)
	if err := d.Remove(ctx, "inbox/"+lostCode+"_removed.mov"); err != nil { // a version is left
		t.Fatal(err)
	}
	put("inbox/carded.mov", lostPixels+" carded")
	put("inbox/carded.m4a", "voice of "+lostPixels)
	put("inbox/c12/dropped.mov", "the other's")
	return hash
}

func TestForgetElsewhere(t *testing.T) {
	fakeChildren(t)
	s := s3test.New(t, true)
	for _, kind := range []string{"bucket", "folder"} {
		t.Run(kind, func(t *testing.T) {
			server := smtptest.New(t)
			conf := lostBarn(t, "", server.Port())
			barn := filepath.Join(filepath.Dir(conf), "barn")
			root := t.TempDir()
			url := "file://" + root
			if kind == "bucket" {
				url = s.URL
			}
			f, err := os.OpenFile(conf, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := f.WriteString("clips: " + url + "\n"); err != nil || f.Close() != nil {
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
			hash := elsewhere(t, y, d)
			// The queue was given one of the inbox, and knows by a card whose it is.
			sum := sha256.Sum256([]byte("inbox/carded.mov"))
			if err := os.WriteFile(filepath.Join(barn, feedRecord), []byte(`{"`+hex.EncodeToString(sum[:])+`": {"tag": "x", "sha256": "`+hash+`"}}`), 0o600); err != nil {
				t.Fatal(err)
			}
			left := func() (out []string) {
				if kind == "folder" {
					return found(t, root)
				}
				for k, v := range s.Everything(t) {
					for _, w := range []string{lostCode, lostName, lostAddress, lostPixels} {
						if strings.Contains(k, w) || strings.Contains(v, w) {
							out = append(out, k+": "+w)
						}
					}
				}
				return out
			}
			if n := len(left()); n < 20 {
				t.Fatalf("there is little to forget: %d places", n)
			}

			// Not while a worker reads one of the player's.
			whileRead(t, y, lostCode, func() {
				var told bytes.Buffer
				code := run([]string{"status", "--config", conf, "--lang", "es"}, nil, &told, &told)
				if line := regexp.MustCompile(`(?m)^cage-2 +lee +7 +trabajando .*` + hash[:8]); code != 0 || !line.Match(told.Bytes()) {
					t.Errorf("status: %d\n%s", code, told.String())
				}
				if code := say(t, "forget", lostCode, "--yes", "--config", conf); code != int(pipeline.FaultOutput) {
					t.Errorf("while a worker reads: %d", code)
				}
			})
			// Nor half: the store is away in the middle, and another run ends it.
			if kind == "bucket" {
				s.Before(refuses(30))
				if code := say(t, "forget", lostCode, "--yes", "--config", conf); code != int(pipeline.FaultOutput) {
					t.Errorf("the store away: %d", code)
				}
				s.Before(nil)
			}
			var out bytes.Buffer
			if code := run([]string{"forget", lostCode, "--yes", "--config", conf}, strings.NewReader(""), &out, &out); code != 0 {
				t.Fatalf("%d: %s", code, out.String())
			}
			if !strings.Contains(out.String(), `  cage-2 (process 7) was cut off, and clips may lie in its folder: 1. Start "tapeline work" there once`) {
				t.Errorf("of the machine that was cut off: %s", out.String())
			}
			for _, f := range append(left(), found(t, barn)...) {
				t.Errorf("left: %s", f)
			}
			// The other's is there, whole.
			keys, err := d.Keys(t.Context(), "")
			if err != nil {
				t.Fatal(err)
			}
			for _, want := range []string{"inbox/c12/dropped.mov", "inbox/removed.yaml"} {
				if !slices.Contains(keys, want) {
					t.Errorf("%s is gone", want)
				}
			}
			folder := slices.IndexFunc(keys, func(k string) bool { return strings.HasSuffix(k, "/2/list.json") })
			if folder < 0 || !strings.HasPrefix(keys[folder], "lessons/c12/") {
				t.Fatalf("%q", keys)
			}
			if err := d.GetFolder(t.Context(), strings.TrimSuffix(keys[folder], "/list.json"), filepath.Join(t.TempDir(), "x")); err != nil {
				t.Error(err)
			}
			if n := len(keys); n < 5 || strings.Count(strings.Join(keys, " "), "clips/") != 2 {
				t.Errorf("%q", keys)
			}

			// And what is kept long enough goes there, too.
			real := now
			defer func() { now = real }()
			now = func() time.Time { return real().AddDate(0, 0, 40) }
			y.c.Keep = "30d"
			st, err := y.store(t.Context(), false)
			if err != nil {
				t.Fatal(err)
			}
			defer st.Close()
			book, err := ledger.Open(t.Context(), filepath.Join(barn, "lessons", ledger.File))
			if err != nil {
				t.Fatal(err)
			}
			defer book.Close()
			if lessons, originals, err := y.retire(t.Context(), st, book); lessons != 1 || originals != 1 || err != nil {
				t.Errorf("%d, %d, %v", lessons, originals, err)
			}
			if keys, err := d.Traces(t.Context(), ""); err != nil || len(keys) != 2 {
				t.Errorf("%q, %v", keys, err)
			}
		})
	}
}

// whileRead runs f while the store says that a worker that lives reads a clip of
// a player.
func whileRead(t *testing.T, y *yard, player string, f func()) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(y.work, jobs.StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	do := func(query string, args ...any) {
		t.Helper()
		if _, err := db.ExecContext(t.Context(), query, args...); err != nil {
			t.Fatal(err)
		}
	}
	at := time.Now().UTC().Format(time.RFC3339Nano)
	do(`INSERT INTO workers (id, name, role, process, state, began, seen, jobs, version) VALUES ('w1', 'cage-2', 'reader', 7, 'working', $1, $1, 1, '')`, at)
	do(`UPDATE clips SET state = 'running', worker = 'w1' WHERE player = $1 AND state = 'done'`, player)
	f()
	do(`UPDATE clips SET state = 'done', worker = '' WHERE worker = 'w1'`)
	// It is cut off over it.
	do(`UPDATE workers SET state = 'gone', hand = 1`)
}

// refuses is a store that from some call on lets nobody in.
func refuses(after int64) func(http.ResponseWriter, *http.Request) bool {
	var n atomic.Int64
	return func(w http.ResponseWriter, _ *http.Request) bool {
		if n.Add(1) <= after {
			return false
		}
		w.WriteHeader(http.StatusForbidden)
		return true
	}
}
