package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/pgtest"
)

// A work folder's files are carried over to a database, and every command goes on
// with that: nothing looks at the files any more, nothing says the password, and
// who is forgotten is in no row and no table's file.
func TestOnPostgres(t *testing.T) {
	server := pgtest.New(t, false)
	full, err := url.Parse(server.URL(t))
	if err != nil {
		t.Fatal(err)
	}
	password, _ := full.User.Password()
	bare := *full
	bare.User = url.User(full.User.Username())

	fakeChildren(t)
	real := runChild
	t.Cleanup(func() { runChild = real })
	runChild = func(c jobs.Child, ctx context.Context) error {
		for _, word := range append(slices.Clone(c.Args), append(c.Env, c.In)...) {
			if strings.Contains(word, password) || strings.Contains(word, "postgres:") || strings.Contains(word, full.Host) {
				t.Errorf("a child is told %q", word)
			}
		}
		if c.Args[0] == "read" && onDatabase {
			file := c.Args[slices.Index(c.Args, "--ledger")+1]
			l, err := ledger.Open(ctx, file)
			if err != nil {
				t.Errorf("the ledger of a reading: %v", err)
				return err
			}
			defer l.Close()
			all, err := l.Heads(ctx)
			for _, x := range all {
				if x.Player != c.Args[slices.Index(c.Args, "--player")+1] {
					t.Errorf("a reading knows of %s", x.Player)
				}
			}
			readings += len(all)
			if err != nil {
				return err
			}
		}
		return real(c, ctx)
	}
	mail := smtptest.New(t)
	conf := lostBarn(t, "", mail.Port())
	dir := filepath.Dir(conf)
	barn := filepath.Join(dir, "barn")
	files := []string{filepath.Join(barn, jobs.StoreFile), filepath.Join(barn, jobs.LessonsDir, ledger.File)}
	text := read2(t, conf)
	pass := filepath.Join(dir, "secret")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(pass, password+"\n")
	secret := "store_password_file: secret\n"

	said := func(code int, args ...string) string {
		t.Helper()
		var out, bad bytes.Buffer
		if got := run(append(args, "--config", conf), strings.NewReader(""), &out, &bad); got != code {
			t.Fatalf("%v: %d\n%s%s", args, got, out.String(), bad.String())
		}
		all := out.String() + bad.String()
		if strings.Contains(all, password) {
			t.Errorf("%v says the password", args)
		}
		return all
	}
	var had struct{ Counts map[string]int }
	if err := json.Unmarshal([]byte(said(0, "status", "--json")), &had); err != nil {
		t.Fatal(err)
	}
	progress, sent := said(0, "progress", lostCode, "--json", "--ledger", files[1]), said(0, "sent", lostCode)
	before := []string{read2(t, files[0]), read2(t, files[1])}
	if code := run([]string{"move-store", "--to", full.String(), "--config", conf}, nil, io.Discard, io.Discard); code != 2 {
		t.Errorf("with the password in the address: %d", code)
	}
	if code := run([]string{"move-store", "--config", conf}, nil, io.Discard, io.Discard); code != 2 {
		t.Errorf("without an address: %d", code)
	}
	write(conf, text+"store: "+bare.String()+"\n"+secret)
	// Nothing begins there before the files are carried over.
	for _, args := range [][]string{{"status"}, {"nightly"}, {"forget", lostCode, "--yes"}} {
		if all := said(2, args...); !strings.Contains(all, "clips lie in store.db") || !strings.Contains(all, "move-store") || strings.Count(all, "\n") != 1 {
			t.Errorf("%v: %s", args, all)
		}
	}
	if all := said(2, "check"); strings.Count(all, "move-store") != 1 || !strings.Contains(all, files[0]) || !strings.Contains(all, files[1]) {
		t.Errorf("check: %s", all)
	}
	told := said(0, "move-store")
	if !regexp.MustCompile(`clips +5 rows, 5 carried now`).MatchString(told) || !regexp.MustCompile(`lessons +3 rows`).MatchString(told) ||
		strings.Contains(told, bare.String()) || !strings.Contains(told, "1. Run") || !strings.Contains(told, files[0]) || !strings.Contains(told, files[1]) {
		t.Errorf("%s", told)
	}
	if !strings.Contains(said(0, "check"), "PostgreSQL") {
		t.Error("check says nothing of the server")
	}
	said(0, "status") // the files beside it are no trouble then
	// What is to be done is told where it is to be done only.
	write(conf, text+"ledger: "+files[1]+"\n")
	write(filepath.Join(dir, "pgpass"), "*:*:*:*:"+password+"\n")
	t.Setenv("PGPASSFILE", filepath.Join(dir, "pgpass"))
	if again := said(0, "move-store", "--to", bare.String()); !regexp.MustCompile(`clips +5 rows, 0 carried now`).MatchString(again) || !strings.Contains(again, "1. Write this into tapeline.yaml: store: "+bare.String()+"\n2. Take ledger") || !strings.Contains(again, "\n3. Run") {
		t.Errorf("%s", again)
	}
	t.Setenv("PGPASSFILE", filepath.Join(dir, "none"))
	write(conf, text+"store: "+bare.String()+"\n"+secret)
	for i, f := range files {
		if read2(t, f) != before[i] {
			t.Errorf("%s was changed", f)
		}
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}

	onDatabase = true
	defer func() { onDatabase = false }()
	var has struct{ Counts map[string]int }
	if err := json.Unmarshal([]byte(said(0, "status", "--json")), &has); err != nil || !reflect.DeepEqual(had, has) {
		t.Errorf("%v, %v; want %v", has, err, had)
	}
	if now := said(0, "progress", lostCode, "--json"); now != progress {
		t.Errorf("%s\nwas\n%s", now, progress)
	}
	if now := said(0, "sent", lostCode); now != sent {
		t.Errorf("%s\nwas\n%s", now, sent)
	}
	for _, args := range [][]string{{"check"}, {"waiting"}, {"export"}, {"retry", "--all"}, {"send"}, {"hold", lostLesson(t, barn)}} {
		said(0, args...)
	}
	if err := os.MkdirAll(filepath.Join(barn, "inbox", lostCode), 0o777); err != nil {
		t.Fatal(err)
	}
	write(filepath.Join(barn, "inbox", lostCode, "new.mov"), lostPixels+" on the database")
	yardOnce(t, conf)
	if readings == 0 {
		t.Error("no reading knew what was before")
	}
	if list := said(0, "waiting"); strings.Count(list, lostCode) < 1 {
		t.Errorf("the new lesson is not there:\n%s", list)
	}
	db, err := sql.Open("pgx", full.String())
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	lost := func() (n int) {
		t.Helper()
		if _, err := db.Exec(`CHECKPOINT`); err != nil {
			t.Fatal(err)
		}
		err := filepath.WalkDir(filepath.Join(server.Data(), "base"), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return nil
			}
			b, err := os.ReadFile(path)
			for _, w := range []string{lostCode, lostName, lostAddress} {
				n += bytes.Count(b, []byte(w))
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := lost(); n < 10 {
		t.Fatalf("there is little to forget: %d", n)
	}
	// Not while another machine takes clips: its folders are out of reach.
	office, err := jobs.OpenPostgres(t.Context(), full.String())
	if err != nil {
		t.Fatal(err)
	}
	defer office.Close()
	_, leave, err := office.TakerLock(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	said(int(pipeline.FaultOutput), "forget", lostCode, "--yes")
	if leave(); lost() < 10 {
		t.Error("it forgot while another machine took clips")
	}
	// Nor where another one took them last and is stopped now.
	if _, err := db.Exec(`INSERT INTO tapeline_clips.office (one, id) VALUES (1, 'WEST')`); err != nil {
		t.Fatal(err)
	}
	for _, mark := range []string{"", "EAST"} {
		if mark != "" {
			write(filepath.Join(barn, ".office"), mark)
		}
		if all := said(int(pipeline.FaultOutput), "forget", lostCode, "--yes"); !strings.Contains(all, "another machine") || strings.Count(all, "\n") != 1 || lost() < 10 {
			t.Errorf("with the mark %q: %s", mark, all)
		}
	}
	write(filepath.Join(barn, ".office"), "WEST")
	// The files that were carried over may still lie there, or what is none of ours.
	for i, f := range files {
		write(f, before[i])
	}
	said(0, "forget", lostCode, "--yes")
	for _, f := range files {
		for _, p := range []string{f, f + "-wal"} {
			b, _ := os.ReadFile(p)
			for _, w := range []string{lostCode, lostName, lostAddress} {
				if n := bytes.Count(b, []byte(w)); n > 0 {
					t.Errorf("%s tells of who was forgotten %d times: %s", p, n, w)
				}
			}
		}
		if !strings.Contains(read2(t, f), "c12") {
			t.Errorf("the other player is gone from %s", f)
		}
	}
	write(files[1], "no ledger")
	if all := said(0, "forget", lostCode, "--yes"); !strings.Contains(all, files[1]) {
		t.Errorf("nothing is said of a file that can't be cleared:\n%s", all)
	}
	for _, f := range files {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
	if n := lost(); n > 0 {
		t.Errorf("the server's files tell of who was forgotten %d times", n)
	}
	if left := said(0, "export"); !strings.Contains(left, "c12") {
		t.Error("the other player is gone")
	}
	for _, f := range files {
		if _, err := os.Lstat(f); err == nil {
			t.Errorf("%s was made again", f)
		}
	}

	// Without the server every command says so in one line.
	server.Stop(t, false)
	defer server.Start(t)
	for _, args := range [][]string{{"status"}, {"progress", "c12"}, {"send"}, {"forget", "c12", "--yes"}, {"nightly"}} {
		if all := strings.TrimSpace(said(9, args...)); strings.Contains(all, "\n") || !strings.Contains(all, full.Host) {
			t.Errorf("%v: %s", args, all)
		}
	}
	if all := said(9, "check"); !strings.Contains(all, "store_password_file") {
		t.Errorf("%s", all)
	}
}

// onDatabase: readings get a ledger of their own; readings counts what was in
// those.
var (
	onDatabase bool
	readings   int
)

// lostLesson is a folder of one of the player's lessons.
func lostLesson(t *testing.T, barn string) string {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(barn, jobs.LessonsDir, lostCode, "*"))
	if err != nil || len(all) == 0 {
		t.Fatal(all, err)
	}
	return all[0]
}
