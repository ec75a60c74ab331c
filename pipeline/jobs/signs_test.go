package jobs

import (
	"bytes"
	"cmp"
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tapeline/pipeline/depot"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/pgtest"
)

// roof is an office and workers in one process, on SQLite or a database, and a
// folder.
type roof struct {
	t     *testing.T
	work  string // of the office
	depot string
	where string
	store *Store

	ctx  context.Context
	stop context.CancelFunc
	over sync.WaitGroup
}

func newRoof(t *testing.T, where string) *roof {
	t.Helper()
	r := &roof{t: t, work: house(t), depot: filepath.Join(t.TempDir(), "depot"), where: where}
	if err := os.Mkdir(r.depot, 0o700); err != nil {
		t.Fatal(err)
	}
	r.store = r.open(r.work)
	r.ctx, r.stop = context.WithCancel(context.Background())
	t.Cleanup(r.end)
	return r
}

func (r *roof) open(work string) *Store {
	r.t.Helper()
	s, err := openAway(r.t.Context(), cmp.Or(r.where, filepath.Join(r.work, StoreFile)))
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = s.Close() })
	s.Share(work)
	return s
}

func (r *roof) end() {
	r.stop()
	r.over.Wait()
}

// begin begins the office, which reads nothing, or a worker.
func (r *roof) begin(office bool, change func(*Options)) {
	r.t.Helper()
	dir := r.work
	if !office {
		dir = r.t.TempDir()
	}
	s := r.open(dir)
	d, err := depot.Open(r.ctx, "file://"+r.depot)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = d.Close() })
	o := options(dir)
	o.Depot, o.Silence, o.Jobs, o.Name = d, time.Second, 1, "cage"
	o.Record = recordAway(filepath.Join(r.work, ledger.File))
	if office {
		o.Jobs, o.Name = 0, "office"
	}
	o.Read = func(_ context.Context, r Reading) error {
		time.Sleep(100 * time.Millisecond)
		if readerMain(r.Out, r.Clip.Original()) != 0 {
			return errors.New("not read")
		}
		return nil
	}
	if change != nil {
		change(&o)
	}
	e := New(s, o)
	r.t.Cleanup(r.end) // before what it works with is closed
	r.over.Go(func() {
		run := func() error { return e.Work(r.ctx, r.ctx) }
		if office {
			run = func() error { return e.Run(r.ctx) }
		}
		if err := run(); err != nil {
			r.t.Error(err)
		}
	})
}

// clips are some of as many players.
func (r *roof) clips(n int) map[string]string {
	hashes := map[string]string{}
	for i := range n {
		hashes[drop(r.t, r.work, fmt.Sprintf("inbox/p00%d/a.mov", i), fmt.Sprint("clip ", i))] = fmt.Sprintf("p00%d", i)
	}
	return hashes
}

func (r *roof) home(hashes map[string]string) {
	r.t.Helper()
	until(r.t, "all are home", func() bool {
		m, _ := filepath.Glob(filepath.Join(r.work, ArchiveDir, "*", "*.mov"))
		taken, _ := filepath.Glob(filepath.Join(r.work, takenDir, "*"))
		return len(m) == len(hashes) && len(taken) == 0
	})
}

func (r *roof) workers() []Worker {
	r.t.Helper()
	all, err := r.store.Workers(r.ctx)
	if err != nil {
		r.t.Fatal(err)
	}
	return all
}

// The folder of the store is away and comes back: each machine says so in its
// signs of life, one that has nothing to do as well, and once in its log.
func TestDepotAway(t *testing.T) {
	r := newRoof(t, "")
	logs := make([]bytes.Buffer, 2)
	for i := range logs {
		r.begin(i == 0, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&logs[i], nil)) })
	}
	first := r.clips(1)
	r.home(first)
	say := func(trouble string) func() bool {
		return func() bool {
			all := r.workers()
			ok := len(all) == 2
			for _, w := range all {
				ok = ok && w.Trouble == trouble && w.Since.IsZero() == (trouble == "")
			}
			return ok
		}
	}
	if err := os.Rename(r.depot, r.depot+".away"); err != nil {
		t.Fatal(err)
	}
	until(t, "both say that it is away", say(NoDepot))
	all := map[string]string{drop(t, r.work, "inbox/p001/a.mov", "clip 1"): "p001"}
	maps.Copy(all, first)
	until(t, "one waits", func() bool { return count(t, r.store, Waiting) == 1 })
	if err := os.Rename(r.depot+".away", r.depot); err != nil {
		t.Fatal(err)
	}
	until(t, "both say that it is back", say(""))
	r.home(all)
	r.end()
	wantLessons(t, r.work, all)
	for i := range logs {
		for _, line := range []string{"level=WARN msg=depot_away reason=no_depot depot=" + r.depot + " ", "level=INFO msg=depot_back depot=" + r.depot + " away="} {
			if n := strings.Count(logs[i].String(), line); n != 1 {
				t.Errorf("%d: %d × %q in\n%s", i, n, line, &logs[i])
			}
		}
	}
}

// A depot that can be read but takes nothing is away until something was stored,
// told once, and few clips are read in vain; a full disk of the office is said to be
// that.
func TestDepotShut(t *testing.T) {
	r := newRoof(t, "")
	var shut, full atomic.Bool
	var reads atomic.Int64
	logs := make([]bytes.Buffer, 2)
	for i := range logs {
		r.begin(i == 0, func(o *Options) {
			o.Log = slog.New(slog.NewTextHandler(&logs[i], nil))
			o.Depot = &stiff{Depot: o.Depot, shut: &shut, full: &full, keeps: new(atomic.Bool)}
			o.Pause = 200 * time.Millisecond
			if read := o.Read; i == 1 {
				o.Read = func(ctx context.Context, c Reading) error {
					if reads.Add(1) == 1 {
						shut.Store(true)
					}
					return read(ctx, c)
				}
			}
		})
	}
	says := func(i int, what string) func() bool {
		return func() bool {
			return slices.ContainsFunc(r.workers(), func(w Worker) bool { return w.Takes() == (i == 0) && w.Trouble == what })
		}
	}
	hashes := r.clips(1)
	until(t, "it is read", shut.Load)
	hashes[drop(t, r.work, "inbox/p001/a.mov", "clip 1")] = "p001"
	until(t, "the office says so", says(0, ShutDepot))
	until(t, "the reader says so", says(1, ShutDepot))
	time.Sleep(2 * time.Second)
	if n := reads.Load(); n > 6 {
		t.Errorf("read %d times in vain", n)
	}
	full.Store(true)
	shut.Store(false)
	until(t, "the office says that its disk is full", says(0, NoSpace))
	time.Sleep(500 * time.Millisecond)
	full.Store(false)
	r.home(hashes)
	until(t, "the office says nothing more", says(0, ""))
	r.end()
	wantLessons(t, r.work, hashes)
	for i := range logs {
		for line, n := range map[string]int{"msg=depot_away reason=shut_depot": 1, "msg=depot_away": 1, "msg=depot_back": 1, "msg=blocked reason=no_space": 1 - i, "level=ERROR": 0} {
			if got := strings.Count(logs[i].String(), line); got != n {
				t.Errorf("%d: %d × %q, want %d, in\n%s", i, got, line, n, &logs[i])
			}
		}
	}
}

// A depot that takes lessons but no films is one that takes nothing until it takes
// such a film. What can't be removed there is none: what came after a clip that is
// gone is stored, and that is told of once it could be forgotten.
func TestDepotShutInPart(t *testing.T) {
	r := newRoof(t, "")
	const pause = 100 * time.Millisecond
	old := drop(t, r.work, "inbox/p000/old.mov", "of before")
	once(t, r.work, nil)
	var shut, keeps atomic.Bool
	shut.Store(true)
	var log bytes.Buffer
	var d *stiff
	r.begin(true, func(o *Options) {
		o.Log = slog.New(slog.NewTextHandler(&log, nil))
		d = &stiff{Depot: o.Depot, shut: &shut, full: new(atomic.Bool), keeps: &keeps, part: true}
		o.Depot, o.Pause = d, pause
	})
	until(t, "it says so", func() bool {
		return slices.ContainsFunc(r.workers(), func(w Worker) bool { return w.Trouble == ShutDepot })
	})
	time.Sleep(20 * pause)
	if n := d.vain.Load(); n < 2 || n > 8 {
		t.Errorf("tried %d times in 20 pauses", n)
	}
	gone := drop(t, r.work, "inbox/p001/a.mov", "clip 1")
	until(t, "one waits", func() bool { return count(t, r.store, Waiting) == 1 })
	next := drop(t, r.work, "inbox/p002/a.mov", "clip 2")
	until(t, "two wait", func() bool { return count(t, r.store, Waiting) == 2 })
	row := func(h string) (Clip, bool) {
		t.Helper()
		c, ok, err := r.store.Clip(r.ctx, h)
		if err != nil {
			t.Fatal(err)
		}
		return c, ok
	}
	c, _ := row(gone)
	if err := os.Remove(c.Original()); err != nil {
		t.Fatal(err)
	}
	keeps.Store(true)
	shut.Store(false)
	for _, h := range []string{next, old} {
		until(t, "the others are stored", func() bool { c, _ := row(h); return c.Stocked > 0 })
	}
	long := drop(t, r.work, "inbox/p003/l.mov", "lesson 60\ncut 40 46 43 nobody there\n")
	r.begin(false, func(o *Options) {
		read := o.Read
		o.Read = func(ctx context.Context, c Reading) error {
			if c.Clip.Parent != "" {
				return &Slip{Reason: NoSwing}
			}
			return read(ctx, c)
		}
	})
	until(t, "a cut with nothing in it is home", func() bool {
		cuts, err := r.store.cuts(r.ctx, long)
		if err != nil {
			t.Fatal(err)
		}
		if len(cuts) == 0 || !cuts[0].empty() {
			return false
		}
		home, err := r.store.isHome(r.ctx, &cuts[0])
		return err == nil && home
	})
	time.Sleep(5 * pause)
	if _, ok := row(gone); !ok {
		t.Error("forgotten with something of it in the depot")
	}
	keeps.Store(false)
	until(t, "it is forgotten", func() bool { _, ok := row(gone); return !ok })
	r.end()
	for line, n := range map[string]int{"msg=depot_away": 1, "msg=depot_back": 1, "msg=clip_gone": 1, "msg=not_removed": 2, "level=ERROR": 0} {
		if got := strings.Count(log.String(), line); got != n {
			t.Errorf("%d × %q, want %d, in\n%s", got, line, n, &log)
		}
	}
}

// stiff is a depot that takes nothing while it is shut, and of whose lessons none
// has room on the disk here while that is full.
type stiff struct {
	Depot
	shut, full *atomic.Bool
	keeps      *atomic.Bool // nothing can be removed
	part       bool         // folders are taken all the while
	vain       atomic.Int64 // puts of films
}

func (s *stiff) Purge(ctx context.Context, key string) error {
	if s.keeps.Load() {
		return errTight{}
	}
	return s.Depot.Purge(ctx, key)
}

func (s *stiff) Remove(ctx context.Context, key string) error {
	if s.keeps.Load() {
		return errTight{}
	}
	return s.Depot.Remove(ctx, key)
}

func (s *stiff) Put(ctx context.Context, key, path string) error {
	if s.shut.Load() {
		s.vain.Add(1)
		return errTight{}
	}
	return s.Depot.Put(ctx, key, path)
}

func (s *stiff) PutFolder(ctx context.Context, key, dir string) error {
	if s.shut.Load() && !s.part {
		return errTight{}
	}
	return s.Depot.PutFolder(ctx, key, dir)
}

func (s *stiff) GetFolder(ctx context.Context, key, dir string) error {
	if s.full.Load() {
		return errTight{}
	}
	return s.Depot.GetFolder(ctx, key, dir)
}

// A worker that can't read doesn't spend the tries of what others can: its
// readings die at once, the networks are missing, its disk is full or too small for
// the clip.
func TestUnfitWorker(t *testing.T) {
	m := together(t)
	for name, read := range map[string]func() error{
		"dies":        func() error { return &Slip{Reason: Crashed, Again: true} },
		"no networks": func() error { return &Slip{Reason: NotReady, Blocked: true} },
		"full":        nil,
		"too small":   nil,
	} {
		if testing.Short() && name != "dies" { // one is enough for the race detector
			continue
		}
		m.run(name, func(t *testing.T) {
			r := newRoof(t, "")
			var tried sync.Map
			var times atomic.Int64
			var said bytes.Buffer
			r.begin(true, nil)
			r.begin(false, func(o *Options) {
				o.Pause, o.Name = time.Second, "unfit"
				o.Log = slog.New(slog.NewTextHandler(&said, nil))
				switch name {
				case "full":
					o.Space, o.Free = 1, func(string) (uint64, error) { times.Add(1); return 0, nil }
				case "too small":
					o.Depot = &tight{o.Depot, &times}
				}
				o.Read = func(_ context.Context, r Reading) error {
					if _, again := tried.LoadOrStore(r.Clip.Hash, true); again && name == "dies" {
						t.Errorf("%s again, which others could read", r.Clip.Short())
					}
					times.Add(1)
					return read()
				}
			})
			hashes := r.clips(6)
			until(t, "it has taken one", func() bool { return times.Load() > 0 })
			r.begin(false, nil)
			r.home(hashes)
			wantLessons(t, r.work, hashes)
			all, err := r.store.Clips(r.ctx, Done)
			for _, c := range all {
				if c.Tries != 1 && name != "dies" { // that of the one who could
					t.Errorf("%s: %d tries", c.Short(), c.Tries)
				}
			}
			if err != nil || len(all) != len(hashes) {
				t.Errorf("%d are done, %v", len(all), err)
			}
			r.end()
			if read == nil && (!strings.Contains(said.String(), "msg=blocked reason=no_space") || strings.Contains(said.String(), "depot_away")) {
				t.Errorf("it says:\n%s", &said)
			}
		})
	}
	m.all.Wait()
}

// tight is a depot of whose files none has room on the disk here.
type tight struct {
	Depot
	times *atomic.Int64
}

func (d *tight) Get(context.Context, string, string) error {
	d.times.Add(1)
	return errTight{}
}

// errTight is as the depot has it.
type errTight struct{}

func (errTight) Error() string   { return "can't be fetched" }
func (errTight) Temporary() bool { return true }
func (errTight) Unwrap() error   { return syscall.ENOSPC }

// Where nobody else reads, a worker whose readings die spends the tries of each
// clip, which says why it failed.
func TestUnfitAlone(t *testing.T) {
	r := newRoof(t, "")
	r.begin(true, nil)
	r.begin(false, func(o *Options) {
		o.Read = func(context.Context, Reading) error { return &Slip{Reason: Crashed, Again: true} }
	})
	r.clips(4)
	until(t, "all have failed", func() bool { return count(t, r.store, Failed) == 4 })
	all, err := r.store.Clips(r.ctx, Failed)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range all {
		if c.Reason != Crashed || c.Tries != 2 {
			t.Errorf("%s: %s after %d tries", c.Short(), c.Reason, c.Tries)
		}
	}
}

// A database that is away for longer than a worker waits for it costs no try.
func TestDatabaseAwayForLong(t *testing.T) {
	r := newRoof(t, pgtest.URL(t))
	var away atomic.Bool
	r.begin(true, nil)
	r.begin(false, func(o *Options) {
		o.Tries = 1
		read := o.Read
		o.Read = func(ctx context.Context, c Reading) error {
			if away.CompareAndSwap(false, true) {
				return storeFault("postgres", "can't be read", driver.ErrBadConn)
			}
			return read(ctx, c)
		}
	})
	hashes := r.clips(1)
	r.home(hashes)
	r.end()
	wantLessons(t, r.work, hashes)
}

// What the store knows of a worker: what it is here for, what it has in hand, and,
// of one that was cut off, that a clip may lie in its folder, until it begins there
// again.
func TestWorkerRows(t *testing.T) {
	work := house(t)
	s := store(t, work)
	ctx := t.Context()
	at := time.Now()
	s.now = func() time.Time { return at }
	for _, w := range []Worker{{ID: "a", Name: "barn", Role: RoleBoth, Process: 7, Jobs: 1}, {ID: "b", Name: "cage", Role: RoleReader, Process: 8, Jobs: 2}, {ID: "c", Name: "cage", Role: RoleReader, Process: 9, Jobs: 1}} {
		if err := s.join(ctx, w); err != nil {
			t.Fatal(err)
		}
	}
	tell := func() (out string) {
		all, err := s.Workers(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range all {
			out += fmt.Sprintf("%s %s %s %d %s in hand %d, silent %.0f %q since %.0f\n", w.ID, w.Name, w.Role, w.Process, w.State, w.Hand, w.Silent, w.Trouble, max(-1, w.Since.Sub(at).Seconds()))
		}
		return out
	}
	want := func(want string) {
		t.Helper()
		if got := tell(); got != want {
			t.Errorf("got\n%swant\n%s", got, want)
		}
	}
	at = at.Add(10 * time.Second)
	began := at
	must := func(errs ...error) {
		t.Helper()
		if err := errors.Join(errs...); err != nil {
			t.Fatal(err)
		}
	}
	must(s.beat(ctx, Worker{ID: "a", State: Working, Trouble: NoDepot}), s.beat(ctx, Worker{ID: "b", State: Working, Hand: 1}))
	at = at.Add(5 * time.Second)
	must(s.beat(ctx, Worker{ID: "a", State: Working, Trouble: NoDepot}))
	all, err := s.Workers(ctx)
	if err != nil || len(all) != 3 || !all[0].Since.Equal(began) || !all[0].Seen.Equal(at) || !all[0].Takes() || all[1].Takes() || all[0].Lives(0) || !all[1].Lives(6*time.Second) || all[2].Lives(15*time.Second) {
		t.Errorf("%+v, %v", all, err)
	}
	must(s.beat(ctx, Worker{ID: "a", State: Working}))
	want(`a barn both 7 working in hand 0, silent 0 "" since -1
b cage reader 8 working in hand 1, silent 5 "" since -1
c cage reader 9 working in hand 0, silent 15 "" since -1
`)
	all, err = s.Workers(ctx)
	must(err, s.bury(ctx, all[1]), s.bury(ctx, all[2]))
	at = at.Add(goneFor)
	must(s.beat(ctx, Worker{ID: "a", State: Working}), s.unbury(ctx))
	want(`a barn both 7 working in hand 0, silent 0 "" since -1
b cage reader 8 gone in hand 1, silent 86405 "" since -1
`)

	// Another one begins in the folder beside its: that is empty now.
	for n, id := range []string{"", "", "z\nb"} { // z was about to take b's place
		if id != "" {
			drop(t, work, filepath.Join(slotsDir, strconv.Itoa(n), idFile), id)
		}
	}
	dir, end, err := Slot(work)
	if err != nil {
		t.Fatal(err)
	}
	defer end()
	o := options(dir)
	o.Now = s.now
	must(New(s, o).succeedBeside(ctx))
	want(`a barn both 7 working in hand 0, silent 0 "" since -1
`)
	if exists(filepath.Join(work, slotsDir, "2", idFile)) {
		t.Error("it is still said whose folder it is")
	}

	// One that never comes back is told of for a while.
	must(s.join(ctx, Worker{ID: "d", Name: "cage", Role: RoleReader}), s.beat(ctx, Worker{ID: "d", State: Working, Hand: 1}), s.bury(ctx, Worker{ID: "d", Beat: 1}))
	for _, n := range []int{2, 1} {
		at = at.Add(leftFor/2 + time.Hour)
		must(s.unbury(ctx))
		if all, err := s.Workers(ctx); len(all) != n || err != nil {
			t.Errorf("want %d: %v, %v", n, all, err)
		}
	}
}
