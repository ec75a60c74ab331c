package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

// barn is a work folder with all that watch needs.
type barn struct{ dir, work, conf, roster string }

func newBarn(t *testing.T) barn {
	t.Helper()
	d := t.TempDir()
	b := barn{d, filepath.Join(d, "barn"), filepath.Join(d, "tapeline.yaml"), filepath.Join(d, "roster.csv")}
	b.write(t, b.roster, "id,first_name,consent_film\nb07,Ada,2026-01-10\n", 0o600)
	b.configure(t, "")
	for _, f := range []string{"inbox", jobs.ArchiveDir, jobs.UnplacedDir, jobs.FailedDir, jobs.LessonsDir} {
		if err := os.MkdirAll(filepath.Join(b.work, f), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	for name, data := range databases(t) {
		b.write(t, filepath.Join(b.work, name), data, 0o600)
	}
	return b
}

// blank are an empty store and ledger, by their places below the work folder.
var blank map[string]string

func databases(t *testing.T) map[string]string {
	t.Helper()
	if blank != nil {
		return blank
	}
	dir := t.TempDir()
	st, err := jobs.OpenSQLite(t.Context(), filepath.Join(dir, "s"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := ledger.Create(t.Context(), filepath.Join(dir, "l"))
	if err = errors.Join(err, st.Close()); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	blank = map[string]string{}
	for from, to := range map[string]string{"s": jobs.StoreFile, "l": filepath.Join(jobs.LessonsDir, ledger.File)} {
		b, err := os.ReadFile(filepath.Join(dir, from))
		if err != nil {
			t.Fatal(err)
		}
		blank[to] = string(b)
	}
	return blank
}

func (b barn) write(t *testing.T, path, text string, mode fs.FileMode) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

func (b barn) configure(t *testing.T, more string) {
	b.write(t, b.conf, "work: "+b.work+"\nroster: roster.csv\n"+more, 0o600)
}

// tree is everything below the barn: names, modes, sizes, times.
func (b barn) tree(t *testing.T) (out []string) {
	t.Helper()
	if err := filepath.WalkDir(b.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		st, err := d.Info()
		out = append(out, fmt.Sprint(path, st.Mode(), st.Size(), st.ModTime().UnixNano()))
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// check runs the command and gives what isn't right as "check code state".
func (b barn) check(t *testing.T, more ...string) (exit int, not []string) {
	t.Helper()
	before := b.tree(t)
	var out, errs bytes.Buffer
	exit = run(append([]string{"check", "--json", "--config", b.conf}, more...), nil, &out, &errs)
	if after := b.tree(t); !slices.Equal(before, after) {
		t.Errorf("check changed something:\n%s\n%s", before, after)
	}
	var all struct {
		OK     bool
		Checks []looked
	}
	if err := json.Unmarshal(out.Bytes(), &all); err != nil {
		t.Fatalf("%v %s %s", err, out.String(), errs.String())
	}
	if all.OK != (exit == 0) {
		t.Errorf("ok is %v, exit code %d", all.OK, exit)
	}
	if strings.Contains(out.String()+errs.String(), "Ada") {
		t.Error("a name was told")
	}
	for _, l := range all.Checks {
		if l.State == isRight {
			continue
		}
		if l.Do == "" {
			t.Errorf("%+v: nothing to do", l)
		}
		not = append(not, l.Check+" "+l.Code+" "+l.State)
	}
	return exit, not
}

// Each thing that is missing or wrong is told in its own way, and nothing else
// is.
func TestCheck(t *testing.T) {
	at := now
	t.Cleanup(func() { now = at })
	now = func() time.Time { return time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC) }
	must := func(t *testing.T, errs ...error) {
		t.Helper()
		for _, err := range errs {
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	usage, setup := int(pipeline.FaultUsage), int(pipeline.FaultSetup)
	for _, c := range []struct {
		name string
		do   func(t *testing.T, b barn)
		exit int
		want []string // beside that there is no mail
	}{
		{"all is there", func(*testing.T, barn) {}, 0, nil},
		{"configuration", func(t *testing.T, b barn) { b.configure(t, "rooster: x\n") }, usage, []string{"configuration config wrong", "rest unchecked noted"}},
		{"language", func(t *testing.T, b barn) { b.configure(t, "lang: xx\n") }, usage, []string{"configuration config wrong", "rest unchecked noted"}},
		{"no roster", func(t *testing.T, b barn) { b.write(t, b.conf, "work: "+b.work+"\n", 0o600) }, usage, []string{"roster no_list wrong"}},
		{"roster's line", func(t *testing.T, b barn) { b.write(t, b.roster, "id\nb07\nb07\n", 0o600) }, usage, []string{"roster bad_list wrong"}},
		{"roster gone", func(t *testing.T, b barn) { must(t, os.Remove(b.roster)) }, usage, []string{"roster list_gone wrong"}},
		{"a workbook for a roster", func(t *testing.T, b barn) { b.write(t, b.roster, "PK\x03\x04\x14\x00", 0o600) }, usage, []string{"roster bad_list wrong"}},
		{"no consent", func(t *testing.T, b barn) { b.write(t, b.roster, "id\nb07\n", 0o600) }, 0, []string{"roster no_film noted"}},
		{"open roster", func(t *testing.T, b barn) { must(t, os.Chmod(b.roster, 0o644)) }, 0, []string{"roster list_open noted"}},
		{"rules", func(t *testing.T, b barn) {
			b.write(t, filepath.Join(b.dir, "rules.yaml"), "no: rules\n", 0o600)
			b.configure(t, "rules: rules.yaml\n")
		}, usage, []string{"rules bad_rules wrong"}},
		{"models", func(t *testing.T, b barn) {
			b.write(t, b.conf, "work: "+b.work+"\nroster: roster.csv\nhome: "+b.dir+"\n", 0o600)
		}, setup, []string{"model set_up wrong", "model set_up wrong", "model set_up wrong", "model set_up wrong", "library set_up wrong"}},
		{"ffmpeg", func(t *testing.T, b barn) { t.Setenv("PATH", b.dir) }, setup, []string{"ffmpeg no_ffmpeg wrong", "ffprobe no_ffmpeg wrong"}},
		{"ffmpeg of another kind", func(t *testing.T, b barn) {
			b.write(t, filepath.Join(b.dir, "ffmpeg"), "#!/bin/sh\n[ $1 = -version ] && echo ffmpeg version 1\nexit 0\n", 0o700)
			t.Setenv("PATH", b.dir+":"+os.Getenv("PATH"))
		}, setup, []string{"ffmpeg no_ffmpeg wrong"}},
		{"configured inbox", func(t *testing.T, b barn) { b.configure(t, "inbox: ["+b.dir+"/share]\n") }, usage, []string{"inbox no_folder wrong"}},
		{"own inbox", func(t *testing.T, b barn) { must(t, os.Remove(b.work+"/inbox")) }, 0, []string{"inbox not_yet noted"}},
		{"inbox a file", func(t *testing.T, b barn) {
			must(t, os.Remove(b.work+"/inbox"))
			b.write(t, b.work+"/inbox", "", 0o600)
		}, usage, []string{"inbox a_file wrong"}},
		{"inbox within the archive", func(t *testing.T, b barn) {
			must(t, os.Mkdir(b.work+"/archive/in", 0o700))
			b.configure(t, "inbox: ["+b.work+"/archive/in]\n")
		}, usage, []string{"inbox within wrong"}},
		{"inbox around the archive by a link", func(t *testing.T, b barn) {
			must(t, os.Symlink(b.work, b.dir+"/link"))
			b.configure(t, "inbox: ["+b.dir+"/link]\n")
		}, usage, []string{"inbox within wrong"}},
		{"open archive", func(t *testing.T, b barn) { must(t, os.Chmod(b.work+"/archive", 0o755)) }, usage, []string{"archive open_to_all wrong"}},
		{"no right to write", func(t *testing.T, b barn) {
			may := mayWrite
			t.Cleanup(func() { mayWrite = may })
			mayWrite = func(dir string) bool { return filepath.Base(dir) != jobs.FailedDir }
		}, usage, []string{"failed shut wrong"}},
		{"full disk", func(t *testing.T, _ barn) {
			free := freeSpace
			t.Cleanup(func() { freeSpace = free })
			freeSpace = func(string) (uint64, error) { return 1e9, nil }
		}, usage, []string{"space low wrong"}},
		{"store", func(t *testing.T, b barn) {
			b.write(t, b.work+"/store.db", "not a database, but long enough to be none", 0o600)
		}, usage, []string{"store bad_store wrong"}},
		{"no store", func(t *testing.T, b barn) { must(t, os.Remove(b.work+"/store.db")) }, 0, []string{"store not_yet noted"}},
		{"ledger for store", func(t *testing.T, b barn) {
			l, err := os.ReadFile(b.work + "/lessons/ledger.db")
			must(t, err, os.WriteFile(b.work+"/store.db", l, 0o600))
		}, usage, []string{"store bad_store wrong"}},
		{"no password of the database", func(t *testing.T, b barn) {
			b.configure(t, "store: postgres://coach@127.0.0.1:1/tapeline\nstore_password_file: secret\n")
		}, usage, []string{"store store_password wrong", "ledger store_password wrong", "store store_alone noted"}},
		{"a database that is away", func(t *testing.T, b barn) {
			b.configure(t, "store: postgres://coach@127.0.0.1:1/tapeline\n")
		}, int(pipeline.FaultLedger), []string{"store no_database wrong", "ledger no_database wrong", "store store_alone noted"}},
		{"a folder that isn't mounted", func(t *testing.T, b barn) { b.configure(t, "clips: file://"+b.dir+"/nothere\n") }, usage, []string{"clips no_share wrong", "clips clips_alone noted"}},
		{"away and something to put right", func(t *testing.T, b barn) {
			b.configure(t, "store: postgres://coach@127.0.0.1:1/tapeline\ninbox: ["+b.dir+"/share]\n")
		}, usage, []string{"store no_database wrong", "ledger no_database wrong", "store store_alone noted", "inbox no_folder wrong"}},
		{"a bucket that is away", func(t *testing.T, b barn) {
			t.Setenv("AWS_ACCESS_KEY_ID", "x")
			t.Setenv("AWS_SECRET_ACCESS_KEY", "y")
			b.configure(t, "clips: s3://barn?region=us-east-1&endpoint=http://127.0.0.1:1&use_path_style=true\n")
		}, int(pipeline.FaultOutput), []string{"clips no_files wrong", "clips clips_alone noted"}},
		{"a password others can read", func(t *testing.T, b barn) {
			b.write(t, filepath.Join(b.dir, "secret"), "pass\n", 0o644)
			b.configure(t, "store: postgres://coach@127.0.0.1:1/tapeline\nstore_password_file: secret\n")
		}, usage, []string{"store store_password wrong", "ledger store_password wrong", "store store_alone noted"}},
		{"ledger elsewhere", func(t *testing.T, b barn) { b.configure(t, "ledger: "+b.roster+"/ledger.db\n") }, usage, []string{"ledger bad_book wrong"}},
		{"ledger where nobody may write", func(t *testing.T, b barn) {
			may := mayWrite
			t.Cleanup(func() { mayWrite = may })
			must(t, os.Mkdir(filepath.Join(b.dir, "shut"), 0o700))
			mayWrite = func(dir string) bool { return filepath.Base(dir) != "shut" }
			b.configure(t, "ledger: "+b.dir+"/shut/books/ledger.db\n")
		}, usage, []string{"ledger shut wrong"}},
		{"ledger", func(t *testing.T, b barn) { b.write(t, b.work+"/lessons/ledger.db", "torn", 0o600) }, usage, []string{"ledger bad_book wrong"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBarn(t)
			c.do(t, b)
			if c.name != "all is there" && c.name != "models" {
				withoutParts(t)
			}
			exit, not := b.check(t)
			want := c.want
			if !slices.Contains(want, "rest unchecked noted") {
				want = append([]string{"mail no_host noted"}, want...)
			}
			if exit != c.exit || !slices.Equal(sorted(not), sorted(want)) {
				t.Errorf("exit code %d, %q; want %d, %q", exit, not, c.exit, want)
			}
		})
	}
}

func withoutParts(t *testing.T) {
	parts := partsOf
	t.Cleanup(func() { partsOf = parts })
	partsOf = func(*checking, context.Context, string) {}
}

func sorted(s []string) []string { return slices.Sorted(slices.Values(s)) }

// The table says the same in every language, and what to do under it.
func TestCheckTable(t *testing.T) {
	b := newBarn(t)
	withoutParts(t)
	if err := os.Remove(b.roster); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(b.work); err != nil {
		t.Fatal(err)
	}
	for _, lang := range words.Codes() {
		l, err := words.For(lang)
		if err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if exit := run([]string{"check", "--config", b.conf, "--lang", lang}, nil, &out, &errs); exit != int(pipeline.FaultUsage) {
			t.Errorf("exit code %d", exit)
		}
		for _, want := range []string{l.Work["check_wrong"], l.Work["do_list_gone"], l.Outbox["check_no_host"]} {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%s: %q is missing in\n%s", lang, want, out.String())
			}
		}
		if n := strings.Count(out.String(), l.Work["do_not_yet"]); n != 2 { // folders, then store and ledger
			t.Errorf("%s: what is made later is told %d times in\n%s", lang, n, out.String())
		}
		if strings.Count(errs.String(), "\n") != 1 {
			t.Errorf("%q", errs.String())
		}
	}
	var out, errs bytes.Buffer
	if exit := run([]string{"check", "more"}, nil, &out, &errs); exit != int(pipeline.FaultUsage) || out.Len() > 0 {
		t.Errorf("%d %s", exit, out.String())
	}
	if exit := run([]string{"check", "--lang", "xx"}, nil, &out, &errs); exit != int(pipeline.FaultUsage) || out.Len() > 0 {
		t.Errorf("%d %s", exit, out.String())
	}
}

// A name that would upset the line is in quotes; what lies elsewhere keeps its
// whole path.
func TestShownPath(t *testing.T) {
	y := &yard{work: "/barn/work"}
	for path, want := range map[string]string{
		"/barn/work/unplaced/swing-1.mov": "unplaced/swing-1.mov",
		"/phones/inbox/swing.mov":         "/phones/inbox/swing.mov",
		"/barn/work/inbox/a\nb.mov":       `"inbox/a\nb.mov"`,
		"/barn/work/inbox/\xff.mov":       `"inbox/\xff.mov"`,
		"/barn/work/inbox/Lucía 2.mov":    "inbox/Lucía 2.mov",
	} {
		if got := y.shown(path); got != want {
			t.Errorf("%q: %s, want %s", path, got, want)
		}
	}
}
