package inbox

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// catch runs a watcher and takes what it hands out away.
type catch struct {
	mu  sync.Mutex
	got []string // "path size" in order
	no  error
}

func (c *catch) hand(_ context.Context, a Arrival) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.no != nil {
		return c.no
	}
	beside := ""
	if a.Sidecar {
		beside += " notes"
	}
	if a.Alone {
		beside += " alone"
	}
	c.got = append(c.got, fmt.Sprintf("%s %d%s%s", a.Rel, a.Size, beside, a.Voice))
	return os.Remove(a.Path())
}

func (c *catch) all() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.got)
}

func (c *catch) until(t *testing.T, want ...string) {
	t.Helper()
	for range 300 {
		if slices.Equal(c.all(), want) {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("handed out %q; want %q", c.all(), want)
}

func run(t *testing.T, o Options) *catch {
	t.Helper()
	c := &catch{}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() {
		defer close(over)
		_ = New(o).Run(ctx, c.hand)
	}()
	t.Cleanup(func() { cancel(); <-over })
	return c
}

// A file is left alone until it has been quiet since its last change, however
// the changes are found out.
func TestSettles(t *testing.T) {
	for name, poll := range map[string]time.Duration{"told": 0, "polling": 50 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			put(t, filepath.Join(dir, "old.mov"), "there before")
			c := run(t, Options{Dirs: []string{dir}, Settle: time.Second, Cap: time.Minute, Poll: poll})
			c.until(t, "old.mov 12")
			p := filepath.Join(dir, "b07", "slow.mov")
			start := time.Now()
			for i := 1; i <= 6; i++ {
				put(t, p, strings.Repeat("x", i)) // closed between
				wrote := time.Now()
				time.Sleep(300 * time.Millisecond)
				if time.Since(wrote) > 900*time.Millisecond {
					t.Skip("the machine is too busy to tell")
				}
				if got := c.all(); len(got) > 1 {
					t.Fatalf("handed out %q after %v", got, time.Since(start))
				}
			}
			c.until(t, "old.mov 12", "b07/slow.mov 6")
			put(t, filepath.Join(dir, "b07", "slow.yaml"), "player: b07")
			put(t, filepath.Join(dir, "b07", "slow.m4a"), "voice")
			put(t, p, "with notes")
			c.until(t, "old.mov 12", "b07/slow.mov 6", "b07/slow.mov 10 notes.m4a")
		})
	}
}

// Who has a file open for writing isn't done with it, quiet or not.
func TestOpenForWriting(t *testing.T) {
	dir := t.TempDir()
	p := filepath.Join(dir, "a.mov")
	f, err := os.Create(p)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString("begun")
	if !writing(reopen(t, p)) {
		t.Skip("no leases on this disk")
	}
	c := run(t, Options{Dirs: []string{dir}, Settle: 50 * time.Millisecond, Cap: time.Minute})
	time.Sleep(500 * time.Millisecond)
	if got := c.all(); len(got) > 0 {
		t.Fatalf("%q", got)
	}
	f.WriteString(" and done")
	f.Close()
	c.until(t, "a.mov 14")
}

func reopen(t *testing.T, p string) *os.File {
	f, err := os.Open(p)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// A file that changes and changes is tried after the cap; an empty one only
// then.
func TestCap(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "empty.mov"), "")
	p := filepath.Join(dir, "never.mov")
	put(t, p, "x")
	c := run(t, Options{Dirs: []string{dir}, Settle: 200 * time.Millisecond, Cap: time.Second, Poll: 20 * time.Millisecond})
	start := time.Now()
	for i := 0; len(c.all()) < 2 && time.Since(start) < 5*time.Second; i++ {
		if _, err := os.Stat(p); err == nil {
			_ = os.Chtimes(p, time.Time{}, start.Add(time.Duration(i)*time.Second))
		}
		if len(c.all()) > 0 && time.Since(start) < 900*time.Millisecond {
			t.Fatalf("%q after %v", c.all(), time.Since(start))
		}
		time.Sleep(50 * time.Millisecond)
	}
	got := c.all()
	slices.Sort(got)
	if !slices.Equal(got, []string{"empty.mov 0", "never.mov 1"}) {
		t.Errorf("%q", got)
	}
}

// Names that say "not yet" are left; renaming is arriving.
func TestTemporaryNames(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{".a.mov", "a.mov.part", "a.crdownload", "a.mov.tmp", "~a.mov", "a.mov~", "a.mov.filepart", ".dir/a.mov", "Thumbs.db", "x" + WhyEnding} {
		put(t, filepath.Join(dir, n), "not yet")
	}
	c := run(t, Options{Dirs: []string{dir}, Settle: 50 * time.Millisecond, Cap: time.Minute})
	put(t, filepath.Join(dir, "b.mov"), "here")
	c.until(t, "b.mov 4")
	if err := os.Rename(filepath.Join(dir, "a.mov.part"), filepath.Join(dir, "a.mov")); err != nil {
		t.Fatal(err)
	}
	c.until(t, "b.mov 4", "a.mov 7")
}

// What is refused comes again, and Once does not wait for it.
func TestRefused(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "a.mov"), "a")
	put(t, filepath.Join(dir, "note.yaml"), "alone")
	w := New(Options{Dirs: []string{dir}, Settle: 50 * time.Millisecond, Cap: time.Minute})
	c := &catch{no: errors.New("no room")}
	left, err := w.Once(context.Background(), c.hand)
	if left != 1 || err != nil { // what travels with a clip is not counted
		t.Errorf("%d, %v", left, err)
	}
	c.no = nil
	for _, s := range w.files {
		s.notBefore = time.Time{}
	}
	if left, err := w.Once(context.Background(), c.hand); left != 0 || err != nil || !slices.Equal(c.got, []string{"a.mov 1", "note.yaml 5 alone"}) {
		t.Errorf("%d, %v, %q", left, err, c.got)
	}
}

// Notes and voice notes are told of when their clip has not come within the
// cap, and no sooner.
func TestAlone(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	w := New(Options{Dirs: []string{dir}, Settle: time.Second, Cap: time.Minute, Now: func() time.Time { return now }})
	c := &catch{}
	round := func(later time.Duration, want ...string) {
		t.Helper()
		now = now.Add(later)
		w.round(context.Background(), func(ctx context.Context, a Arrival) error {
			err := c.hand(ctx, a)
			for _, ext := range []string{sidecar, a.Voice} { // it travels with its clip
				if !a.Alone && (ext == a.Voice || a.Sidecar) && ext != "" {
					err = errors.Join(err, os.Remove(strings.TrimSuffix(a.Path(), filepath.Ext(a.Rel))+ext))
				}
			}
			return err
		})
		if !slices.Equal(c.got, want) {
			t.Fatalf("handed out %q; want %q", c.got, want)
		}
	}
	put(t, filepath.Join(dir, "a.yaml"), "alone")
	put(t, filepath.Join(dir, "b07", "b.m4a"), "said")
	put(t, filepath.Join(dir, "c.yaml"), "here")
	round(0)
	round(59 * time.Second)
	put(t, filepath.Join(dir, "c.MOV"), "clip")
	round(0)
	round(time.Second, "a.yaml 5 alone", "b07/b.m4a 4 alone", "c.MOV 4 notes")
	round(time.Hour, "a.yaml 5 alone", "b07/b.m4a 4 alone", "c.MOV 4 notes")
}

// Ten thousand small files: looked at in a bearable time, forgotten when gone.
func TestManySmallFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("a long loop of one goroutine")
	}
	dir := t.TempDir()
	for i := range 10000 {
		p := filepath.Join(dir, fmt.Sprint(i%100), fmt.Sprint(i, ".mov"))
		if i < 100 {
			_ = os.Mkdir(filepath.Dir(p), 0o777)
		}
		if err := os.WriteFile(p, []byte("x"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	w := New(Options{Dirs: []string{dir}, Settle: 10 * time.Millisecond, Cap: time.Minute})
	n := 0
	left, err := w.Once(context.Background(), func(_ context.Context, a Arrival) error { n++; return os.Remove(a.Path()) })
	if n != 10000 || left != 0 || err != nil {
		t.Errorf("%d handed out, %d left, %v", n, left, err)
	}
	w.round(context.Background(), nil)
	if len(w.files) != 0 {
		t.Errorf("%d are remembered", len(w.files))
	}
}

type roster map[string]string // code → day from which there is no consent, or ""

func (r roster) Known(id string) bool { _, ok := r[id]; return ok }
func (r roster) Film(id string, day time.Time) bool {
	return r[id] == "" || day.Format(time.DateOnly) < r[id]
}

func TestFind(t *testing.T) {
	r := roster{"b07": "", "b07-x": "", "c12": "2026-06-01", "none": "2000-01-01"}
	for _, c := range []struct {
		rel    string
		note   Note
		card   string
		today  string
		player string
		how    string
		reason string
	}{
		{rel: "b07/swing.mov", player: "b07", how: ByFolder},
		{rel: "B07/IMG_1.MOV", player: "b07", how: ByFolder},
		{rel: "phone 3/b07/x.mov", player: "b07", how: ByFolder},
		{rel: "b07_swing.mov", player: "b07", how: ByName},
		{rel: "b07-2.mov", player: "b07", how: ByName},
		{rel: "b07-x-2.mov", player: "b07-x", how: ByName},
		{rel: "B07 tee.mov", player: "b07", how: ByName},
		{rel: "b07.mov", player: "b07", how: ByName},
		{rel: "b077.mov", reason: NoPlayer},
		{rel: "b70/swing.mov", reason: NoPlayer},
		{rel: "swing.mov", note: Note{Player: "b07"}, player: "b07", how: BySidecar},
		{rel: "swing.mov", card: "b07", player: "b07", how: ByCard},
		{rel: "swing.mov", note: Note{Player: "zz"}, reason: UnknownPlayer},
		{rel: "swing.mov", card: "zz", reason: UnknownPlayer},
		{rel: "b07/c12_a.mov", reason: TwoPlayers},
		{rel: "b07/a.mov", note: Note{Player: "c12"}, reason: TwoPlayers},
		{rel: "b07/a.mov", card: "c12", reason: TwoPlayers},
		{rel: "b07/b07_a.mov", note: Note{Player: "b07"}, card: "b07", player: "b07", how: ByFolder},
		{rel: "none/a.mov", player: "none", how: ByFolder, reason: NoConsent},
		{rel: "c12/a.mov", today: "2026-05-31", player: "c12", how: ByFolder},
		{rel: "c12/a.mov", today: "2026-06-01", player: "c12", how: ByFolder, reason: NoConsent},
		{rel: "c12/a.mov", note: Note{Day: "2026-05-03"}, today: "2026-06-02", player: "c12", how: ByFolder, reason: NoConsent}, // withdrawn since
		{rel: "c12/a.mov", note: Note{Day: "2026-07-03"}, today: "2026-05-02", player: "c12", how: ByFolder, reason: NoConsent},
	} {
		if c.today == "" {
			c.today = "2026-05-03"
		}
		today, _ := time.Parse(time.DateOnly, c.today)
		p := Find(c.rel, c.note, c.card, r, today)
		day := c.note.Day
		if day == "" {
			day = c.today
		}
		if p.Player != c.player || p.How != c.how || p.Reason != c.reason || p.Day != day || p.Dated != (c.note.Day != "") {
			t.Errorf("%s, %+v, card %q on %s: %+v", c.rel, c.note, c.card, c.today, p)
		}
	}
}
