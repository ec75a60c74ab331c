package jobs

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tapeline/pipeline/inbox"
)

// What a child does to itself costs its own clip alone.
func TestBadChildren(t *testing.T) {
	if testing.Short() {
		t.Skip("the memory limit is below what the race detector itself needs")
	}
	work := house(t)
	want := map[string]string{}
	for word, reason := range map[string]string{"unreadable": Unread, "crash": Crashed, "hang": TooLong, "eat": TooLarge, "half": NotWhole} {
		want[drop(t, work, "inbox/p001/"+word+".mov", word+" clip")] = reason
	}
	good := drop(t, work, "inbox/p001/good.mov", "env clip")
	t.Setenv("MAIL_PASSWORD", "secret")
	sum := once(t, work, func(o *Options) { o.Limits = Limits{Time: 3 * time.Second, Memory: 200 << 20} })
	if sum.Count(string(Done)) != 1 || sum.Count(string(Failed)) != len(want) || sum.Waiting+sum.Left != 0 {
		t.Errorf("%+v", sum)
	}
	s := store(t, work)
	for h, reason := range want {
		c, ok, err := s.Clip(context.Background(), h)
		if err != nil || !ok || c.State != Failed || c.Reason != reason {
			t.Errorf("%+v, %v; want %s", c, err, reason)
		}
		tries := 2
		if reason == Unread { // no other try helps
			tries = 1
		}
		if c.Tries != tries {
			t.Errorf("%s: %d tries; want %d", reason, c.Tries, tries)
		}
		if w := where(t, work, h); len(w) != 1 || filepath.Dir(w[0]) != FailedDir {
			t.Errorf("%s lies at %v", reason, w)
		}
		b, err := os.ReadFile(why(&c))
		if err != nil || !strings.HasPrefix(string(b), reason) {
			t.Errorf("%s: %q, %v", reason, b, err)
		}
	}
	if w := where(t, work, good); len(w) != 1 || !strings.HasPrefix(w[0], "archive/p001/") {
		t.Errorf("the good one lies at %v", w)
	}
	env, err := os.ReadFile(filepath.Join(work, "env"))
	if err != nil || strings.Contains(string(env), "secret") || len(strings.Split(string(env), "\n")) != 2 {
		t.Errorf("the child's environment: %q, %v", env, err)
	}
}

// The child's own children end with it.
func TestGroupEndsTogether(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	err := Child{Path: "/bin/sh", Args: []string{"-c", "sleep 600 & echo $! > " + pid + "; wait"}, Dir: "/", Limits: Limits{Time: 500 * time.Millisecond}}.Run(context.Background())
	var s *Slip
	if !errors.As(err, &s) || s.Reason != TooLong {
		t.Fatalf("%v", err)
	}
	b, err := os.ReadFile(pid)
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if _, err := fmt.Sscan(string(b), &n); err != nil {
		t.Fatal(err)
	}
	for range 100 {
		st, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", n))
		if err != nil || strings.Contains(string(st), ") Z ") {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Error("the grandchild lives on")
}

func TestAgain(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/a.mov", "crash it")
	drop(t, work, "inbox/p001/a.yaml", "p001")
	if sum := once(t, work, nil); sum.Count(string(Failed)) != 1 {
		t.Fatalf("%+v", sum)
	}
	s := store(t, work)
	ctx := context.Background()
	if _, err := s.Retry(ctx, []string{"00000000"}, false); err == nil {
		t.Error("a clip that isn't there was tried again")
	}
	if n, err := s.Retry(ctx, []string{h[:8]}, false); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	if n, err := s.Retry(ctx, nil, true); n != 0 || err != nil {
		t.Fatal(n, err)
	}
	s.Close()
	sum := once(t, work, func(o *Options) {
		o.Read = func(_ context.Context, r Reading) error {
			if _, err := os.Stat(filepath.Join(r.Clip.Lies, r.Clip.Stem+".yaml")); err != nil {
				t.Error("the sidecar does not lie beside the clip")
			}
			if n := readerMain(r.Out, fake(t, "fine", r)); n != 0 {
				t.Errorf("code %d", n)
			}
			return nil
		}
	})
	// The lesson made is that of other bytes: not taken for this clip's.
	if sum.Count(string(Failed)) != 1 || sum.Outcomes[0].Reason != NotWhole {
		t.Errorf("%+v", sum)
	}
	if left, _ := filepath.Glob(filepath.Join(work, FailedDir, "*")); len(left) != 3 {
		t.Errorf("in failed: %v", left)
	}
}

func fake(t *testing.T, text string, r Reading) string {
	p := filepath.Join(t.TempDir(), filepath.Base(r.Clip.Original()))
	if err := os.WriteFile(p, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return p
}

// The same bytes make one lesson, whatever they are called and whenever they
// come; every copy is kept.
func TestSameClipTwice(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/a.mov", "the clip")
	drop(t, work, "inbox/p002/b.mov", "the clip")
	sum := once(t, work, nil)
	if sum.Count(string(Done)) != 1 || sum.Count(Duplicate) != 1 {
		t.Errorf("%+v", sum)
	}
	drop(t, work, "inbox/p001/c.mov", "the clip")
	if sum := once(t, work, nil); sum.Count(Duplicate) != 1 || len(sum.Outcomes) != 1 {
		t.Errorf("%+v", sum)
	}
	if w := where(t, work, h); len(w) != 3 {
		t.Errorf("%v", w)
	}
	if m, _ := filepath.Glob(filepath.Join(work, LessonsDir, "*", "*")); len(m) != 1 {
		t.Errorf("%v", m)
	}
	// One that could not be placed is placed when it comes again.
	lost := drop(t, work, "inbox/x.mov", "nobody's")
	once(t, work, nil)
	drop(t, work, "inbox/p003/x.mov", "nobody's")
	if sum := once(t, work, nil); sum.Count(string(Done)) != 1 {
		t.Errorf("%+v", sum)
	}
	if w := where(t, work, lost); len(w) != 2 || !strings.HasPrefix(w[0], "archive/duplicates/") || !strings.HasPrefix(w[1], "archive/p003/") {
		t.Errorf("%v", w)
	}
	if m, _ := filepath.Glob(filepath.Join(work, UnplacedDir, "*")); len(m) != 0 {
		t.Errorf("%v", m)
	}
}

// consents is a roster whose consents can be given.
type consents struct {
	roster
	mu sync.Mutex
	ok bool
}

func (c *consents) Film(string, time.Time) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ok
}

// Who may not be filmed is not read, and not moved, until there is consent.
func TestHeld(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/a.mov", "held")
	r := &consents{}
	read := 0
	with := func(o *Options) {
		o.Roster = r
		old := o.Read
		o.Read = func(ctx context.Context, r Reading) error { read++; return old(ctx, r) }
	}
	for range 2 {
		if sum := once(t, work, with); read != 0 || len(sum.Outcomes) > 1 || sum.Count(string(Held)) != len(sum.Outcomes) {
			t.Errorf("%+v", sum)
		}
		if w := where(t, work, h); !slices.Equal(w, []string{"inbox/p001/a.mov"}) {
			t.Errorf("%v", w)
		}
	}
	r.ok = true
	if sum := once(t, work, with); sum.Count(string(Done)) != 1 || read != 1 {
		t.Errorf("%+v", sum)
	}
	wantLessons(t, work, map[string]string{h: "p001"})
}

// Consent that is withdrawn while a clip waits keeps it unread; a roster that
// can't be read keeps everything waiting.
func TestWithdrawn(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/a.mov", "setup later")
	r := &consents{ok: true}
	once(t, work, func(o *Options) { o.Roster = r }) // is taken; the set-up is missing
	r.ok = false
	read := func(o *Options) {
		o.Roster = r
		o.Read = func(context.Context, Reading) error { t.Error("it was read"); return nil }
	}
	if sum := once(t, work, func(o *Options) {
		read(o)
		o.Ready = func() error { return errors.New("line 3") }
	}); sum.Waiting != 1 || sum.Blocked != NoRoster {
		t.Errorf("%+v", sum)
	}
	sum := once(t, work, read)
	if sum.Count(string(Failed)) != 1 || sum.Outcomes[0].Reason != inbox.NoConsent {
		t.Errorf("%+v", sum)
	}
	// Taken out of the folder it is forgotten, and comes anew.
	w := where(t, work, h)
	if len(w) != 1 || filepath.Dir(w[0]) != FailedDir {
		t.Fatalf("%v", w)
	}
	if err := os.Rename(filepath.Join(work, w[0]), filepath.Join(work, "kept")); err != nil {
		t.Fatal(err)
	}
	once(t, work, read)
	if n, err := store(t, work).Counts(context.Background()); len(n) != 0 || err != nil {
		t.Errorf("%v, %v", n, err)
	}
	if left, _ := os.ReadDir(filepath.Join(work, FailedDir)); len(left) != 0 {
		t.Errorf("%v", left)
	}
}

// Where the disk is full, or the set-up missing, clips wait without losing a
// try.
func TestBlocked(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/a.mov", "setup later")
	if sum := once(t, work, func(o *Options) {
		o.Space, o.Free = 100, func(string) (uint64, error) { return 99, nil }
	}); sum.Left != 1 || sum.Blocked != NoSpace {
		t.Errorf("%+v", sum)
	}
	if w := where(t, work, h); !slices.Equal(w, []string{"inbox/p001/a.mov"}) {
		t.Errorf("%v", w)
	}
	if sum := once(t, work, func(o *Options) { o.Pause = time.Minute }); sum.Waiting != 1 || sum.Blocked != NotReady {
		t.Errorf("%+v", sum)
	}
	s := store(t, work)
	if c, _, err := s.Clip(context.Background(), h); err != nil || c.State != Waiting || c.Tries != 0 || c.Reason != NotReady {
		t.Errorf("%+v %v", c, err)
	}
}

// A daemon goes on by itself when there is room again; its inbox may vanish
// and come back.
func TestGoesOn(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	work := house(t)
	var mu sync.Mutex
	free := uint64(1)
	o := options(work)
	o.Space = 100
	o.Free = func(string) (uint64, error) { mu.Lock(); defer mu.Unlock(); return free, nil }
	s := store(t, work)
	ctx, cancel := context.WithCancel(context.Background())
	e := New(s, o)
	over := make(chan error, 1)
	go func() { over <- e.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()
	until := func(what string, ok func() bool) {
		t.Helper()
		for range 400 {
			if ok() {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Fatal(what)
	}
	n := func(st State) int { c, _ := s.Counts(ctx); return c[st] }
	a := drop(t, work, "inbox/p001/a.mov", "first")
	until("it takes work on a full disk", func() bool { return e.blocked() == NoSpace && n(Done) == 0 })
	mu.Lock()
	free = 1000
	mu.Unlock()
	until("it does not go on", func() bool { return n(Done) == 1 })
	if err := os.RemoveAll(filepath.Join(work, InboxDir)); err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond)
	b := drop(t, work, "inbox/p002/b.mov", "second")
	until("what came back is not seen", func() bool { return n(Done) == 2 })
	// A second one on the same folder is refused.
	if _, err := New(s, o).Once(ctx); !errors.Is(err, ErrBusy) {
		t.Errorf("%v", err)
	}
	wantLessons(t, work, map[string]string{a: "p001", b: "p002"})
}

// Forty clips at once: all are read, and nobody waits for another player's
// fourth.
func TestManyAtOnce(t *testing.T) {
	work := house(t)
	hashes := map[string]string{}
	for i := range 30 {
		hashes[drop(t, work, fmt.Sprintf("inbox/p000/%02d.mov", i), fmt.Sprint("many ", i))] = "p000"
	}
	for i := 1; i <= 10; i++ {
		p := fmt.Sprintf("p4%02d", i*8)
		hashes[drop(t, work, "inbox/"+p+"/swing.mov", "one of "+p)] = p
	}
	var mu sync.Mutex
	var order []string
	sum := once(t, work, func(o *Options) {
		old := o.Read
		o.Jobs = 1
		o.Read = func(ctx context.Context, r Reading) error {
			mu.Lock()
			order = append(order, r.Clip.Player)
			mu.Unlock()
			return old(ctx, r)
		}
	})
	if sum.Count(string(Done)) != 40 {
		t.Errorf("%d done, %d waiting, %d left", sum.Count(string(Done)), sum.Waiting, sum.Left)
	}
	// The first are read before the others are there.
	if mine := strings.Count(strings.Join(order[:25], " "), "p000"); mine > 15 {
		t.Errorf("the order was %v", order)
	}
	wantLessons(t, work, hashes)
}

// Names that mean harm: everything is taken or left, nothing outside touched.
func TestHostileNames(t *testing.T) {
	top := t.TempDir()
	work := filepath.Join(top, "work")
	in := filepath.Join(work, InboxDir, "p001")
	out := filepath.Join(top, "outside")
	for _, d := range []string{in, out} {
		if err := os.MkdirAll(d, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	hashes := map[string]string{}
	for i, name := range []string{"-rf.mov", "a..mov", "a\nb.mov", "\xff\xfe.mov", strings.Repeat("x", 251) + ".mov", "$(touch x).mov", "a;b'c\"d.mov", "~x .mov", "%2e%2e%2fx.mov", "CON.mov", "ü\u202e.mov"} {
		if strings.HasPrefix(name, "~") {
			name = "x" + name
		}
		text := fmt.Sprint("hostile ", i)
		if err := os.WriteFile(filepath.Join(in, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		hashes[drop(t, top, "outside/same", text)] = "p001"
	}
	secret := drop(t, top, "outside/secret.mov", "secret")
	drop(t, top, "outside/p001/deep.mov", "deep secret")
	for _, l := range [][2]string{{out + "/secret.mov", in + "/link.mov"}, {out, in + "/folder"}, {out + "/p001", work + "/inbox/p002"}, {"/dev/zero", in + "/zero.mov"}, {in + "/loop.mov", in + "/loop.mov"}} {
		if err := os.Symlink(l[0], l[1]); err != nil {
			t.Fatal(err)
		}
	}
	if err := syscall.Mkfifo(filepath.Join(in, "pipe.mov"), 0o666); err != nil {
		t.Fatal(err)
	}
	zip := drop(t, work, "inbox/p001/clips.zip", "PK\x03\x04 clips")
	for _, n := range []string{".hidden.mov", "half.mov.part", "x.mov.crdownload", "y.tmp", "z.mov~"} {
		drop(t, work, "inbox/p001/"+n, "not yet "+n)
	}
	before := tree(t, out)
	sum := once(t, work, nil)
	if got := tree(t, out); got != before {
		t.Errorf("outside was\n%s\nis\n%s", before, got)
	}
	if sum.Count(string(Done)) != len(hashes) || sum.Count(string(Failed)) != 1 {
		t.Errorf("%+v", sum)
	}
	wantLessons(t, work, hashes)
	if w := where(t, work, secret); len(w) > 0 {
		t.Errorf("the secret is at %v", w)
	}
	if w := where(t, work, zip); len(w) != 1 || filepath.Dir(w[0]) != FailedDir {
		t.Errorf("the zip lies at %v", w)
	}
	left, _ := os.ReadDir(in)
	if len(left) != 10 { // four links, the pipe, five unfinished
		t.Errorf("left in the inbox: %v", left)
	}
	if top, _ := os.ReadDir(top); len(top) != 2 {
		t.Errorf("beside the work folder: %v", top)
	}
}

func tree(t *testing.T, dir string) string {
	t.Helper()
	var out []string
	err := filepath.Walk(dir, func(p string, st os.FileInfo, err error) error {
		if err == nil {
			out = append(out, fmt.Sprint(p, st.Mode(), st.Size(), st.ModTime().UnixNano()))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(out, "\n")
}

// An inbox on another disk: what is moved is copied, compared and then removed.
func TestTwoDisks(t *testing.T) {
	real := rename
	t.Cleanup(func() { rename = real })
	rename = func(dir int, base, to string) error { return syscall.EXDEV }
	work := house(t)
	h := drop(t, work, "inbox/p001/a.mov", "far away")
	old := time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	if err := os.Chtimes(filepath.Join(work, "inbox/p001/a.mov"), old, old); err != nil {
		t.Fatal(err)
	}
	once(t, work, nil)
	wantLessons(t, work, map[string]string{h: "p001"})
	st, err := os.Stat(filepath.Join(work, where(t, work, h)[0]))
	if err != nil || !st.ModTime().Equal(old) {
		t.Errorf("%v, %v", st, err)
	}
	dir, err := os.Stat(filepath.Join(work, ArchiveDir))
	if err != nil || dir.Mode().Perm() != 0o700 {
		t.Errorf("%v %v", dir.Mode(), err)
	}
}

// A clip that its writer goes on writing after it was taken is read as what it
// has become.
func TestWrittenAfterTaken(t *testing.T) {
	work := house(t)
	first := drop(t, work, "inbox/p001/a.mov", "part of")
	real := hook
	t.Cleanup(func() { hook = real })
	wrote := false
	hook = func(stage string) {
		if stage == "taken" && !wrote {
			wrote = true
			m, _ := filepath.Glob(filepath.Join(work, takenDir, "*", "*.mov"))
			f, err := os.OpenFile(m[0], os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				t.Error(err)
				return
			}
			f.WriteString(" the clip")
			f.Close()
		}
	}
	whole := drop(t, t.TempDir(), "x", "part of the clip")
	once(t, work, nil)
	wantLessons(t, work, map[string]string{whole: "p001"})
	if w := where(t, work, first); len(w) != 0 {
		t.Errorf("%v", w)
	}
}

// By number card: what the finder of spans says counts where nothing else does.
func TestSpans(t *testing.T) {
	work := house(t)
	drop(t, work, "inbox/a.mov", "one card")
	drop(t, work, "inbox/b.mov", "two cards")
	drop(t, work, "inbox/c.mov", "no card: that of the last clip holds")
	drop(t, work, "inbox/d.mov", "wrong card")
	sum := once(t, work, func(o *Options) {
		o.Spans = func(_ context.Context, a inbox.Arrival) ([]Span, error) {
			switch a.Rel {
			case "a.mov":
				return []Span{{Player: "p004"}}, nil
			case "b.mov":
				return []Span{{To: 3, Player: "p004"}, {From: 3, Player: "p005"}}, nil
			case "d.mov":
				return []Span{{Player: "q"}}, nil
			}
			return nil, nil
		}
	})
	var got []string
	for _, o := range sum.Outcomes {
		got = append(got, o.Player+" "+o.State+" "+o.Reason)
	}
	slices.Sort(got)
	if want := []string{" unplaced two_players", " unplaced unknown_player", "p004 done ", "p005 done "}; !slices.Equal(got, want) {
		t.Errorf("%q; want %q", got, want)
	}
}
