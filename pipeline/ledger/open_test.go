package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"tapeline/pipeline"
)

func TestSQLite(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Ledger, error) {
		path := filepath.Join(t.TempDir(), "led ger%3f?#&.db")
		return func() (*Ledger, error) { return Create(context.Background(), path) }
	})
}

// made is a ledger with one lesson, closed.
func made(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "new", File)
	l, err := Create(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.Record(t.Context(), Entry{Player: "b07", Report: report("c1", pipeline.ViewChest, 7.9), At: noon}); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func alter(t *testing.T, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", source(path, "mode=rw"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(query); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// What isn't a ledger of ours is refused in one line and not changed by a byte,
// by Open and by Create.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name, says string
		make       func(t *testing.T, path string)
	}{
		{"not SQLite", "is not a ledger", func(t *testing.T, p string) {
			write(t, p, []byte(strings.Repeat("batting average .300\n", 500)))
		}},
		{"empty", "is not a ledger", func(t *testing.T, p string) { write(t, p, nil) }},
		{"cut short", "damaged", func(t *testing.T, p string) {
			b := read(t, p)
			write(t, p, b[:len(b)*2/3])
		}},
		{"only a head", "damaged", func(t *testing.T, p string) { write(t, p, read(t, p)[:100]) }},
		{"pages overwritten", "damaged", func(t *testing.T, p string) {
			b := read(t, p)
			for i := 4096; i < len(b); i++ {
				b[i] = byte(i * 31)
			}
			write(t, p, b)
		}},
		{"a row gone from an index", "damaged", func(t *testing.T, p string) {
			b := read(t, p)
			i := bytes.LastIndex(b, []byte("b072026-05-03")) // of the index by player and day
			if i < 0 {
				t.Fatal("the index was not found")
			}
			copy(b[i:], "b08")
			write(t, p, b)
		}},
		{"another database", "not a ledger of tapeline", func(t *testing.T, p string) {
			os.Remove(p)
			write(t, p, nil)
			alter(t, p, "CREATE TABLE players (id TEXT); INSERT INTO players VALUES ('x')")
		}},
		{"a newer version", "of version 99, this tapeline knows version 3", func(t *testing.T, p string) {
			alter(t, p, "INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)")
		}},
	} {
		for name, open := range map[string]func(context.Context, string) (*Ledger, error){"open": Open, "create": Create} {
			t.Run(c.name+"/"+name, func(t *testing.T) {
				path := made(t)
				c.make(t, path)
				before := read(t, path)
				l, err := open(t.Context(), path)
				var e *pipeline.Error
				if !errors.As(err, &e) || e.Fault != pipeline.FaultLedger || !strings.Contains(e.Error(), c.says) || strings.Contains(e.Error(), "\n") || l != nil {
					t.Errorf("%v; want one line with %q", err, c.says)
				}
				if !bytes.Equal(before, read(t, path)) {
					t.Error("the file was changed")
				}
			})
		}
	}
	if _, err := Open(t.Context(), t.TempDir()); err == nil {
		t.Error("a folder was opened")
	}
	missing := filepath.Join(t.TempDir(), File)
	if _, err := Open(t.Context(), missing); err == nil || !strings.Contains(err.Error(), "no ledger yet") {
		t.Errorf("a file that isn't there: %v", err)
	}
	if _, err := os.Stat(missing); err == nil {
		t.Error("opening made a file")
	}
	if _, err := Create(t.Context(), filepath.Join(made(t), "below.db")); err == nil {
		t.Error("a folder where a file is was created")
	}
}

// A sound database whose rows make no sense is an error, never a panic.
func TestSenseless(t *testing.T) {
	for _, sql := range []string{
		"UPDATE lessons SET height_cm = 'tall'",
		"UPDATE lessons SET created = 'yesterday'",
		"UPDATE bands SET least = 'low'",
		"UPDATE measures SET value = 'a lot'",
		"UPDATE heights SET cm = 'tall'",
		"PRAGMA foreign_keys = 0; INSERT INTO heights VALUES ('nobody', '2026-05-03', 150)",
		"PRAGMA foreign_keys = 0; DELETE FROM players",
	} {
		path := made(t)
		alter(t, path, sql)
		l, err := Open(t.Context(), path)
		if err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
		_, players := l.Players(t.Context())
		_, lessons := l.Lessons(t.Context(), "")
		for _, err := range []error{players, lessons} {
			var e *pipeline.Error
			if err != nil && (!errors.As(err, &e) || e.Fault != pipeline.FaultLedger) {
				t.Errorf("%s: %v", sql, err)
			}
		}
		if players == nil && lessons == nil {
			t.Errorf("%s: nobody complains", sql)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// The ledger is its owner's alone, also where a copy was more open, and with
// what the database puts beside it.
func TestMode(t *testing.T) {
	path := made(t)
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := l.Record(t.Context(), Entry{Player: "b08", Report: report("c2", pipeline.ViewChest, 7.9), At: noon}); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if st, err := e.Info(); err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", e.Name(), st.Mode(), err)
		}
	}
	if len(entries) != 3 { // the file, its log and the log's index
		t.Errorf("%d files", len(entries))
	}
}

// Every migration goes down again to nothing and up to the same tables, and no
// row is lost by it.
func TestMigrations(t *testing.T) {
	l, err := Open(t.Context(), made(t))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	tables := func() (out string) {
		t.Helper()
		rows, err := l.db.Query("SELECT name || ': ' || coalesce(sql, '') FROM sqlite_master WHERE name NOT LIKE 'goose%' AND name NOT LIKE 'sqlite%' ORDER BY name")
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var s string
			if err := rows.Scan(&s); err != nil {
				t.Fatal(err)
			}
			out += s + "\n"
		}
		return out
	}
	p, err := provider(l.db)
	if err != nil {
		t.Fatal(err)
	}
	up := tables()
	if _, err := l.Record(t.Context(), Entry{Player: "b07", Name: "Ada", Report: report("c1", pipeline.ViewChest, 7.9), At: noon, Fence: 4}); err != nil {
		t.Fatal(err)
	}
	downKeeps(t, l, p)
	if _, err := p.DownTo(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if left := tables(); left != "" {
		t.Errorf("left behind: %s", left)
	}
	if err := l.migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if again := tables(); again != up || strings.Count(up, "CREATE TABLE") != 13 {
		t.Errorf("got\n%s\nwant\n%s", again, up)
	}
	if v, err := newest(); v != 3 || err != nil {
		t.Errorf("newest %d, %v", v, err)
	}
}

// A ledger of an older version is brought up, also by several at once.
func TestUpgrade(t *testing.T) {
	path := made(t)
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	p, err := provider(l.db)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.Drop(t.Context(), []string{"c1"}, "2026-06-01", 0); err != nil {
		t.Fatal(err)
	}
	// No older version has tables; one is made up that has these two.
	if _, err := p.DownTo(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if current, err := inspect(t.Context(), path, ""); err == nil || current {
		t.Errorf("without tables: %v, %v", current, err)
	}
	var wg sync.WaitGroup
	for range 4 {
		other, err := connect(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		wg.Go(func() {
			defer other.Close()
			if err := other.migrate(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	l.Close()
	if current, err := inspect(t.Context(), path, ""); err != nil || !current {
		t.Errorf("%v, %v", current, err)
	}
}

// child is what the test's own binary does as another process: record n
// lessons.
const child = "TAPELINE_LEDGER_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(child); path != "" {
		l, err := Create(context.Background(), path)
		for i := 0; err == nil && i < 20; i++ {
			_, err = l.Record(context.Background(), Entry{Player: "child", Report: report(fmt.Sprintf("%s-%d", os.Getenv(child+"_NAME"), i), pipeline.ViewChest, 1), At: noon})
		}
		if err == nil {
			err = l.Close()
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// Processes that create and write one ledger at the same time lose nothing.
func TestProcesses(t *testing.T) {
	path := filepath.Join(t.TempDir(), File)
	var wg sync.WaitGroup
	for _, name := range []string{"a", "b", "c"} {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), child+"="+path, child+"_NAME="+name)
		wg.Go(func() {
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("%s: %v: %s", name, err, out)
			}
		})
	}
	wg.Wait()
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	all, err := l.Lessons(t.Context(), "child")
	if err != nil || len(all) != 60 {
		t.Errorf("%d lessons, %v; want 60", len(all), err)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), ".tapeline-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// One that is killed in the middle of its writing leaves whole lessons.
func TestKilled(t *testing.T) {
	path := made(t)
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), child+"="+path, child+"_NAME=k")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for range 10000 {
		if all, err := l.Lessons(t.Context(), "child"); err != nil || len(all) >= 3 {
			break
		}
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	all, err := l.Lessons(t.Context(), "child")
	if err != nil || len(all) < 3 {
		t.Fatalf("%d lessons, %v", len(all), err)
	}
	for _, x := range all {
		if len(x.Swings) != 1 || len(x.Swings[0].Measures) != 3 || len(x.Bands) != 2 {
			t.Errorf("half a lesson: %+v", x)
		}
	}
	if _, err := l.Record(t.Context(), Entry{Player: "b07", Report: report("after", pipeline.ViewChest, 1), At: noon}); err != nil {
		t.Error(err)
	}
}
