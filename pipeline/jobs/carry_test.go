package jobs

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline/pgtest"
)

// carrier moves a store, slowly, in a process that is killed.
func carrier() int {
	ctx := context.Background()
	from, err := OpenSQLite(ctx, os.Getenv("FROM"))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	to, err := OpenPostgres(ctx, os.Getenv("TO"))
	if err == nil {
		_, _, err = from.Carry(ctx, to, func(string, int) { time.Sleep(50 * time.Millisecond) })
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// Ten thousand rows go over, also by a program that is killed in the middle of
// it; all are compared, what differs is named, and the file stays as it is.
func TestCarry(t *testing.T) {
	url := pgtest.URL(t)
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), StoreFile)
	from, err := OpenSQLite(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	const clips = 9900
	states := []State{Waiting, Done, Failed, Held, Unplaced}
	hash := func(i int) string { return fmt.Sprintf("%064x", i*7919) }
	if err := from.write(ctx, func(tx *sql.Tx) error {
		for i := range clips {
			c := Clip{Hash: hash(i), Player: fmt.Sprintf("p%03d", i%400), Day: "2026-05-03", State: states[min(i%100, 4)], Lies: "/in/\xff\n", Stem: fmt.Sprint("-a\"ü ", i), Ext: ".MOV",
				Came: "/in/x", Size: 1<<40 + int64(i), Modified: time.Unix(1777800000, int64(i)), Detail: "ü\n"}
			if err := from.put(ctx, tx, &c); err != nil {
				return err
			}
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO office (one, id) VALUES (1, 'a')`); err != nil {
			return err
		}
		for i := range 40 {
			for _, q := range []string{`INSERT INTO nights (night, began) VALUES ($1, 'x')`, `INSERT INTO cards (clip, folder, name, recorded, came, player) VALUES ($1, 'f', 'n', 9223372036854775807, -1, '')`,
				`INSERT INTO deaths (clip, n, looking) VALUES ($1, 3, 1)`} {
				if _, err := tx.ExecContext(ctx, q, fmt.Sprint("n-_a", i)); err != nil {
					return err
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	from.Close()
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	to, err := OpenPostgres(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	count := func(table string) (n int) {
		t.Helper()
		if err := to.db.QueryRowContext(ctx, `SELECT count(*) FROM `+table).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, least := range []int{1000, 4000} {
		exe, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(exe)
		cmd.Env = []string{"JOBS_TEST=carrier", "FROM=" + path, "TO=" + url}
		var said bytes.Buffer
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for i := 0; count("clips") < least; i++ {
			if i > 6000 {
				t.Fatalf("nothing comes over: %s", said.String())
			}
			time.Sleep(10 * time.Millisecond)
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait()
	}
	there := count("clips")
	if there >= clips {
		t.Fatalf("it was over before it was killed: %d", there)
	}
	if from, err = OpenSQLite(ctx, path); err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	began := time.Now()
	got, waiting, err := from.Carry(ctx, to, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d rows after %d in %s", clips, there, time.Since(began))
	if len(got) != 5 || got[4].Rows != 1 || got[0].Rows != clips || got[0].Added != clips-there || got[1].Rows != 40 || got[3].Rows != 40 || len(got[0].Hash) != 64 || waiting != clips/100 {
		t.Errorf("%+v, %d waiting", got, waiting)
	}
	if n := count("river_job"); n != waiting {
		t.Errorf("%d jobs of %d waiting clips", n, waiting)
	}
	for _, i := range []int{0, 17, clips - 1} {
		a, _, _ := from.Clip(ctx, hash(i))
		b, ok, err := to.Clip(ctx, hash(i))
		if err != nil || !ok || a != b {
			t.Errorf("%+v, %v; want %+v", b, err, a)
		}
	}
	again, _, err := from.Carry(ctx, to, nil)
	if err != nil || again[0].Added != 0 || again[0].Hash != got[0].Hash {
		t.Errorf("%+v, %v", again, err)
	}
	after, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file was changed: %v", err)
	}
	for query, want := range map[string][2]string{
		`UPDATE clips SET detail = 'another' WHERE hash = '` + hash(17) + `'`: {hash(17)[:38], "detail"},
		`INSERT INTO nights (night, began) VALUES ('zz', 'x')`:                {"zz", "on one side only"},
	} {
		if _, err := to.db.ExecContext(ctx, query); err != nil {
			t.Fatal(err)
		}
		_, _, err := from.Carry(ctx, to, nil)
		if err == nil || !strings.Contains(err.Error(), want[0]) || !strings.Contains(err.Error(), want[1]) || !strings.Contains(err.Error(), "not from") || !strings.Contains(err.Error(), "move the file away") {
			t.Errorf("%s: %v", query, err)
		}
		if _, err := to.db.ExecContext(ctx, map[bool]string{true: `UPDATE clips SET detail = '` + "ü\n" + `'`, false: `DELETE FROM nights WHERE night = 'zz'`}[want[1] == "detail"]); err != nil {
			t.Fatal(err)
		}
	}
}
