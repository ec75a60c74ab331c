package jobs

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline/inbox"
)

// A recording in which a player is goes as a whole; cuts of others stay, cuts
// of nobody are told of.
func TestForgetInRecording(t *testing.T) {
	ctx := context.Background()
	work := t.TempDir()
	s, err := OpenSQLite(ctx, filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	add := func(c Clip) Clip {
		t.Helper()
		c.Hash = strings.Repeat(c.Hash, 64)
		if c.Parent != "" {
			c.Parent = strings.Repeat(c.Parent, 64)
		}
		c.Lies, c.Stem, c.Ext, c.Day, c.Modified = filepath.Join(work, c.Lies), c.Hash[:8], ".mov", "2026-05-03", time.Now()
		if err := errors.Join(os.MkdirAll(c.Lies, 0o777), os.WriteFile(c.Original(), []byte(c.Hash), 0o666), os.WriteFile(filepath.Join(c.Lies, c.Stem+".yaml"), []byte("x"), 0o666)); err != nil {
			t.Fatal(err)
		}
		c.Sidecar = true
		if err := s.write(ctx, func(tx *sql.Tx) error {
			_, err := s.insert(ctx, tx, &c, "")
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return c
	}
	rec := add(Clip{Hash: "a", Kind: KindRecording, State: Done, Lies: "archive/_recordings", Came: "/inbox/lesson.mov"})
	mine := add(Clip{Hash: "b", Parent: "a", From: 1000, Player: "zq7", State: Done, Lies: "archive/zq7", Came: "/inbox/lesson-1.mov"})
	theirs := add(Clip{Hash: "c", Parent: "a", From: 2000, Player: "c12", State: Done, Lies: "archive/c12", Came: "/inbox/lesson-2.mov"})
	nobody := add(Clip{Hash: "d", Parent: "a", From: 3000, State: Unplaced, Reason: inbox.NoPlayer, Lies: "unplaced", Came: "/inbox/lesson-3.mov"})
	both := add(Clip{Hash: "e", State: Unplaced, Reason: inbox.TwoPlayers, Detail: "c12, zq7", Lies: "unplaced", Came: "/inbox/x.mov"})
	alike := add(Clip{Hash: "f", Player: "zq7-b", State: Failed, Detail: "of zq7-b", Lies: "failed", Came: "/inbox/zq7-b_1.mov"})
	right := add(Clip{Hash: "8", Player: "zq7", State: Done, Lies: "archive/zq7", Came: "/inbox/zq7/wrong.mov"}) // it was c12 after all
	apart := add(Clip{Hash: "9", Kind: KindRecording, State: Done, Lies: "archive/_recordings", Came: "/inbox/other.mov"})
	out, err := s.Forget(ctx, "zq7", Removal{Work: work, Inboxes: []string{"/inbox"}, Known: func(id string) bool { return id == "c12" || id == "zq7-b" },
		Theirs: func(hash string) bool { return hash == right.Hash }})
	if err != nil {
		t.Fatal(err)
	}
	if out.Clips != 3 || !slices.Equal(out.Look, []string{right.Original(), nobody.Original()}) {
		t.Errorf("%+v", out)
	}
	for _, c := range []Clip{rec, mine, both} {
		if exists(c.Original()) || exists(filepath.Join(c.Lies, c.Stem+".yaml")) {
			t.Errorf("%s is there", c.Short())
		}
	}
	for _, c := range []Clip{theirs, nobody, alike, apart, right} {
		if !exists(c.Original()) {
			t.Errorf("%s is gone", c.Short())
		}
	}
	var left []string
	all, err := s.Clips(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range all {
		left = append(left, c.Hash[:1])
	}
	slices.Sort(left)
	if strings.Join(left, "") != "89acdf" {
		t.Errorf("rows of %v", left)
	}
}

// A job's words are no place to be found in either.
func TestForgetJobs(t *testing.T) {
	ctx := context.Background()
	work := t.TempDir()
	s, err := OpenSQLite(ctx, filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	q, err := s.inserter()
	if err != nil {
		t.Fatal(err)
	}
	hash := strings.Repeat("7", 64)
	c := Clip{Hash: hash, Player: "zq7", State: Waiting, Lies: work, Stem: "x", Ext: ".mov", Day: "2026-05-03", Came: "/inbox/zq7/x.mov"}
	if err := s.write(ctx, func(tx *sql.Tx) error {
		return errors.Join(s.put(ctx, tx, &c), s.enqueue(ctx, tx, q, &c))
	}); err != nil {
		t.Fatal(err)
	}
	jobs := func() (n int) {
		if err := s.db.QueryRow(`SELECT count(*) FROM river_job`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if jobs() != 1 {
		t.Fatal("no job")
	}
	if _, err := s.Forget(ctx, "zq7", Removal{Work: work}); err != nil {
		t.Fatal(err)
	}
	if jobs() != 0 {
		t.Error("its job is still there")
	}
	for _, end := range []string{"", "-wal"} {
		b, _ := os.ReadFile(filepath.Join(work, StoreFile+end))
		if strings.Contains(string(b), "zq7") || strings.Contains(string(b), hash) {
			t.Errorf("found in the store%s", end)
		}
	}
}

// What is old goes, but not what is of a later day after all, nor a recording
// of which a cut stays.
func TestOld(t *testing.T) {
	ctx := context.Background()
	work := t.TempDir()
	s, err := OpenSQLite(ctx, filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, c := range []Clip{
		{Hash: "a", Day: "2026-01-01", State: Done}, {Hash: "b", Day: "2026-01-01", State: Done}, {Hash: "c", Day: "2026-03-01", State: Done},
		{Hash: "d", Day: "2026-01-01", State: Waiting}, {Hash: "e", Day: "2026-01-01", State: Failed},
		{Hash: "f", Day: "2026-01-01", State: Done, Kind: KindRecording}, {Hash: "1", Day: "2026-03-01", State: Done, Parent: "f"}, {Hash: "2", Day: "2026-01-01", State: Done, Parent: "f", From: 9},
	} {
		c.Hash, c.Lies, c.Stem, c.Ext, c.Came = strings.Repeat(c.Hash, 64), filepath.Join(work, "archive"), c.Hash, ".mov", "/inbox/x"
		if c.Parent != "" {
			c.Parent = strings.Repeat(c.Parent, 64)
		}
		if err := errors.Join(os.MkdirAll(c.Lies, 0o777), os.WriteFile(c.Original(), []byte("x"), 0o666), s.write(ctx, func(tx *sql.Tx) error {
			_, err := s.insert(ctx, tx, &c, "")
			return err
		})); err != nil {
			t.Fatal(err)
		}
	}
	away, asked := errors.New("the depot is away"), map[string]int{}
	out, err := s.Old(ctx, Removal{Work: work, Away: func(_ context.Context, c *Clip) (int, error) {
		if asked[c.Hash]++; asked[c.Hash] == 2 && c.Stem == "a" { // with its row gone
			return 0, away
		}
		return 0, nil
	}}, "2026-02-01", func(hash string) bool { return hash[0] == 'b' })
	if !errors.Is(err, away) || out.Clips != 3 { // the others go all the same
		t.Errorf("%+v, %v", out, err)
	}
	all, _ := s.Clips(ctx, "")
	var left []string
	for _, c := range all {
		left = append(left, c.Stem)
		if !exists(c.Original()) {
			t.Errorf("%s is gone", c.Stem)
		}
	}
	slices.Sort(left)
	if strings.Join(left, "") != "1bcdf" {
		t.Errorf("left %v", left)
	}
}

// A work folder may be called what a pattern of names looks like.
func TestForgetInOddFolder(t *testing.T) {
	work := filepath.Join(t.TempDir(), "club [north]*")
	drop(t, work, "inbox/p001/a.mov", "film of p001")
	drop(t, work, "inbox/p001/b.mov", "film of p001")
	if sum := once(t, work, nil); sum.Count(Duplicate) != 1 {
		t.Fatalf("%+v", sum)
	}
	s := store(t, work)
	if _, err := s.Forget(t.Context(), "p001", Removal{Work: work}); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{ArchiveDir + "/duplicates", ArchiveDir + "/p001"} {
		if left, _ := os.ReadDir(filepath.Join(work, d)); len(left) > 0 {
			t.Errorf("left in %s: %v", d, left)
		}
	}
}
