package ledger

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"tapeline/internal/pgtest"
	"tapeline/pipeline"
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
		_, err := from.Record(ctx, Entry{Player: fmt.Sprint("p_", i%7), Name: "Ada", Guardians: []string{"a@example.org"}, Day: "2026-05-02", Folder: "f\n", Report: report(fmt.Sprint("c", i), pipeline.ViewChest, 0.1+float64(i)/3, -0.0), At: noon, Fence: int64(i)})
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
