package ledger

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/pressly/goose/v3"

	"tapeline/pipeline"
	"tapeline/pipeline/pgtest"
)

func TestPostgres(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Ledger, error) {
		url := pgtest.URL(t)
		return func() (*Ledger, error) { return CreatePostgres(context.Background(), url) }
	})
}

// A whole ledger goes over from its file, letters and stones too, and is the same
// there.
func TestCarry(t *testing.T) {
	url := pgtest.URL(t)
	ctx := t.Context()
	from, err := Create(ctx, filepath.Join(t.TempDir(), File))
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := range 30 {
		_, err := from.Record(ctx, Entry{Player: fmt.Sprint("p_", i%7), Name: "Ada", Guardians: []string{"a@example.org"}, Day: "2026-05-02", Folder: "f\n", Report: report(fmt.Sprint("c", i), pipeline.ViewChest, 0.1+float64(i)/3, math.Copysign(0, -1)), At: noon, Fence: int64(i)})
		ok(err)
	}
	ok(from.Release(ctx, Release{ID: "r1", Lesson: "c1", Player: "p_1", Name: "Ada", Family: []string{"f"}, Note: "See you\nTuesday", Content: "c", By: ByCoach, At: noon}))
	fence, err := from.Claim(ctx, "r1", noon)
	ok(err)
	ok(from.Begin(ctx, "r1", fence, Letter{MessageID: "m", Begun: noon}, []string{"A@example.org", "b@example.org"}))
	ok(from.Go(ctx, "r1", fence, []string{"A@example.org"}, noon))
	ok(from.Hold(ctx, "c2", noon))
	for range 2 { // of two stones that are alike neither is lost
		_, err := from.Drop(ctx, nil, "2026-05-03", 1)
		ok(err)
	}
	to, err := CreatePostgres(ctx, url)
	ok(err)
	defer to.Close()
	for i, want := range []int{30, 0} {
		got, err := from.Carry(ctx, to, nil)
		ok(err)
		if len(got) != 13 || got[2].Table != "lessons" || got[2].Rows != 30 || got[2].Added != want || got[9].Rows != 2 || got[12].Rows != 2 || got[11].Rows != 1 {
			t.Errorf("%d: %+v", i, got)
		}
	}
	a, errA := from.Lessons(ctx, "")
	b, errB := to.Lessons(ctx, "")
	if errors.Join(errA, errB) != nil || !reflect.DeepEqual(a, b) {
		t.Errorf("%v, %v; %+v\n%+v", errA, errB, a, b)
	}
	x, errA := from.Releases(ctx, "")
	y, errB := to.Releases(ctx, "")
	if errors.Join(errA, errB) != nil || !reflect.DeepEqual(x, y) || len(x[0].Letters) != 2 {
		t.Errorf("%v, %v; %+v\n%+v", errA, errB, x, y)
	}
	if _, err := to.Record(ctx, Entry{Player: "new", Report: report("another's", pipeline.ViewChest, 1), At: noon}); err != nil {
		t.Fatal(err)
	}
	if _, err := from.Carry(ctx, to, nil); err == nil || !strings.Contains(err.Error(), `players, row "new"`) {
		t.Errorf("into a ledger of another origin: %v", err)
	}
}

// The tables go down step by step and up again to the same; what older versions
// know of a lesson stays.
func TestPostgresDownAndUp(t *testing.T) {
	l, err := CreatePostgres(t.Context(), pgtest.URL(t))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	list := func() (out []string) {
		t.Helper()
		// Without what was dropped: places of columns aren't given twice.
		rows, err := l.db.Query(`SELECT concat_ws(' ', table_name, rank() OVER (PARTITION BY table_name ORDER BY ordinal_position), column_name, data_type, is_nullable, column_default, collation_name)
			FROM information_schema.columns WHERE table_schema = current_schema() AND table_name NOT LIKE 'goose%' AND table_name <> 'writes'
			UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = current_schema() AND tablename NOT LIKE 'goose%' AND tablename <> 'writes'
			UNION ALL SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid::regclass::text NOT LIKE 'goose%' AND connamespace = current_schema()::regnamespace ORDER BY 1`)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var line string
			if err := rows.Scan(&line); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(line, " text NO") && !strings.HasSuffix(line, " C") {
				t.Errorf("not in the order of its bytes: %s", line)
			}
			out = append(out, line)
		}
		return out
	}
	if _, err := l.Record(t.Context(), Entry{Player: "b07", Name: "Ada", Report: report("c1", pipeline.ViewChest, 7.9), At: noon, Fence: 4}); err != nil {
		t.Fatal(err)
	}
	up := list()
	p, err := l.provider()
	if err != nil {
		t.Fatal(err)
	}
	downKeeps(t, l, p)
	if _, err := p.DownTo(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if left := list(); len(left) > 1 { // that of writes, which isn't ours to drop
		t.Errorf("left behind: %q", left)
	}
	if _, err := OpenPostgres(t.Context(), "postgres://nobody@127.0.0.1:1/none"); err == nil || !strings.Contains(err.Error(), "127.0.0.1:1") {
		t.Errorf("%v", err)
	}
	if _, err := p.Up(t.Context()); err != nil {
		t.Fatal(err)
	}
	if again := list(); !slices.Equal(again, up) || len(up) < 100 {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(again, "\n"), strings.Join(up, "\n"))
	}
}

// downKeeps: of a ledger with one lesson, Ada's, every step down keeps what the step
// before it has a place for, and fails where it would forget what must not be
// forgotten. At the end the ledger is empty.
func downKeeps(t *testing.T, l *Ledger, p *goose.Provider) {
	t.Helper()
	ctx := t.Context()
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	refused := func(to int64) {
		t.Helper()
		before, err := p.GetDBVersion(ctx)
		ok(err)
		if _, err := p.DownTo(ctx, to); err == nil {
			t.Fatalf("down to %d with what would be lost", to)
		}
		if _, err := p.Up(ctx); err != nil { // steps before that one were fine
			t.Error(err)
		}
		if at, err := p.GetDBVersion(ctx); at != before || err != nil {
			t.Errorf("version %d, %v", at, err)
		}
	}
	ok(l.Hold(ctx, "c1", noon))
	refused(1)
	if holds, err := l.Holds(ctx); err != nil || len(holds) != 1 {
		t.Errorf("%v, %v", holds, err)
	}
	_, err := l.db.ExecContext(ctx, `DELETE FROM holds`)
	ok(err)
	_, err = p.DownTo(ctx, 1)
	ok(err)
	_, err = p.Up(ctx)
	ok(err)
	if all, err := l.Lessons(ctx, ""); err != nil || len(all) != 1 || all[0].Name != "Ada" || len(all[0].Swings) != 1 {
		t.Errorf("%+v, %v", all, err)
	}
	refused(0)
	if all, err := l.Lessons(ctx, ""); err != nil || len(all) != 1 || len(all[0].Swings[0].Measures) == 0 {
		t.Errorf("%+v, %v", all, err)
	}
	_, err = l.Drop(ctx, []string{"c1"}, "2026-06-01", 0)
	ok(err)
}

// What is newer, or isn't there, is refused and left as it is.
func TestPostgresRefused(t *testing.T) {
	url := pgtest.URL(t)
	if _, err := OpenPostgres(t.Context(), url); err == nil || !strings.Contains(err.Error(), "no ledger yet") {
		t.Errorf("where none is: %v", err)
	}
	if seen, current, err := Examine(t.Context(), url); err != nil || seen.There || current {
		t.Errorf("opening made one: %+v, %v", seen, err)
	}
	l, err := CreatePostgres(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	if seen, current, err := Examine(t.Context(), url); err != nil || !seen.There || !current {
		t.Errorf("%+v, %v, %v", seen, current, err)
	}
	if _, err := l.db.Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, true)`); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for name, open := range map[string]func(context.Context, string) (*Ledger, error){"open": OpenPostgres, "create": CreatePostgres} {
		if _, err := open(t.Context(), url); err == nil || !strings.Contains(err.Error(), "of version 99") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, _, err := Examine(t.Context(), url); err == nil || !strings.Contains(err.Error(), "of version 99") {
		t.Errorf("%v", err)
	}
}
