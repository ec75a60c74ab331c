package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
)

// Forty clips of a dozen players dropped at once, five hundred names in the
// roster: nobody's third clip is read before anybody's first, each is read with
// what the roster knows of its own player, and all have their lesson.
func TestFortyAtOnce(t *testing.T) {
	dir := t.TempDir()
	var list strings.Builder
	list.WriteString("id;first_name;bats;height;guardian_email;consent_film\r\n") // as a spreadsheet writes it
	for i := range 500 {
		fmt.Fprintf(&list, "p%03d;Ada%s;R;%dcm;guardian%d@example.org;2026-01-10\r\n", i, string(rune('a'+i%26)), 100+i%100, i)
	}
	conf, roster := filepath.Join(dir, "tapeline.yaml"), filepath.Join(dir, "roster.csv")
	for path, text := range map[string]string{roster: "\ufeff" + list.String(), conf: "work: " + filepath.Join(dir, "barn") + "\nroster: " + roster + "\nsettle: 1s\nlimits: {space: 1MB}\n"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// How many clips each of them dropped; who dropped most was first.
	dropped := []struct {
		player string
		clips  int
	}{{"p007", 16}, {"p499", 8}, {"p123", 4}, {"p250", 3}}
	for i := range 9 {
		dropped = append(dropped, struct {
			player string
			clips  int
		}{fmt.Sprintf("p%03d", 300+11*i), 1})
	}
	clips := 0
	for _, d := range dropped {
		for i := range d.clips {
			p := filepath.Join(dir, "barn", "inbox", d.player, fmt.Sprintf("%02d.mov", i))
			if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, []byte(p), 0o666)); err != nil {
				t.Fatal(err)
			}
			clips++
		}
	}
	if clips != 40 {
		t.Fatalf("%d clips", clips)
	}
	y, err := openYard(conf, speech{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := y.store(t.Context(), true)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	var mu sync.Mutex
	var order []string
	real := runChild
	t.Cleanup(func() { runChild = real })
	runChild = func(c jobs.Child, ctx context.Context) error {
		for { // none is read before all are taken
			n, err := st.Counts(ctx)
			if err != nil {
				return err
			}
			if n[jobs.Waiting]+n[jobs.Running]+n[jobs.Publishing]+n[jobs.Done] == clips {
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
		arg := func(name string) string { return c.Args[slices.Index(c.Args, name)+1] }
		player, clip := arg("--player"), c.Args[len(c.Args)-1]
		mu.Lock()
		order = append(order, player)
		mu.Unlock()
		var i int
		fmt.Sscanf(player, "p%d", &i)
		if want := fmt.Sprintf("TAPELINE_BATTER_HEIGHT=%dcm", 100+i%100); !slices.Contains(c.Env, want) {
			t.Errorf("%s is not read with %s: %v", player, want, c.Env)
		}
		if c.In != "Ada"+string(rune('a'+i%26)) {
			t.Errorf("%s is called %q", player, c.In)
		}
		for _, word := range append(slices.Clone(c.Args), c.Env...) {
			if strings.Contains(word, "Ada") || strings.Contains(word, "@") {
				t.Errorf("others can see %q", word)
			}
		}
		return fakeLesson(arg("--out"), clip)
	}
	e, err := y.engine(st, nil, nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	sum, err := e.Once(t.Context())
	if err != nil || sum.Count(string(jobs.Done)) != clips || sum.Left+sum.Waiting != 0 {
		t.Fatalf("%+v, %v", sum, err)
	}
	// The queue tells a player's first three clips apart, the fourth and further
	// ones follow in the order in which they came.
	rank, had := []int{}, map[string]int{}
	for _, p := range order {
		had[p]++
		rank = append(rank, min(had[p], 4))
	}
	if !slices.IsSorted(rank) {
		t.Errorf("the order was %v", order)
	}
	for _, d := range dropped {
		if had[d.player] != d.clips {
			t.Errorf("%s: %d clips read; want %d", d.player, had[d.player], d.clips)
		}
	}
	book, err := y.ledger()
	if err != nil {
		t.Fatal(err)
	}
	l, err := book.open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, d := range dropped {
		if rows, err := l.Lessons(t.Context(), d.player); err != nil || len(rows) != d.clips {
			t.Errorf("%s: %d lessons in the ledger, %v", d.player, len(rows), err)
		}
	}
}

// fakeLesson writes what a reading of the clip would leave in a folder.
func fakeLesson(out, clip string) error {
	b, err := os.ReadFile(clip)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(b)
	report, err := pipeline.MarshalReport(pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: hex.EncodeToString(sum[:])}})
	if err != nil {
		return err
	}
	dir := filepath.Join(out, "lesson")
	err = os.Mkdir(dir, 0o777)
	for _, name := range pipeline.Outputs {
		text := b
		if name == pipeline.ReportFile {
			text = report
		}
		err = cmp.Or(err, os.WriteFile(filepath.Join(dir, name), text, 0o666))
	}
	return err
}
