package jobs

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/depot/s3test"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/pgtest"
)

// awayDaemon is an office or a worker in a process of its own; STORE is a file
// or an address, RUN once, watch or work.
func awayDaemon(ctx context.Context, o Options) int {
	err := func() error {
		s, err := openAway(ctx, os.Getenv("STORE"))
		if err != nil {
			return err
		}
		defer s.Close()
		if o.Depot, err = depot.Open(ctx, os.Getenv("DEPOT")); err != nil {
			return err
		}
		o.Name, o.Version = "test "+os.Getenv("RUN"), "test"
		if o.Silence, err = time.ParseDuration(os.Getenv("SILENCE")); err != nil {
			return err
		}
		o.Record = recordAway(os.Getenv("LEDGER"))
		o.Relate = func(ctx context.Context) error {
			l, err := ledger.Create(ctx, os.Getenv("LEDGER"))
			if err != nil {
				return err
			}
			return errors.Join(l.Relate(ctx, o.Work), l.Close())
		}
		if n := os.Getenv("JOBS"); n != "" {
			if o.Jobs, err = strconv.Atoi(n); err != nil {
				return err
			}
		}
		s.Share(o.Work)
		e := New(s, o)
		switch os.Getenv("RUN") {
		case "once":
			_, err = e.Once(ctx)
		case "work":
			quit, stop := signalled(ctx)
			defer stop()
			hard, end := Again(quit)
			defer end()
			err = e.Work(quit, hard)
		default:
			quit, stop := signalled(ctx)
			defer stop()
			err = e.Run(quit)
		}
		return err
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

func openAway(ctx context.Context, where string) (*Store, error) {
	if strings.Contains(where, "://") {
		return OpenPostgres(ctx, where)
	}
	return OpenSQLite(ctx, where)
}

func recordAway(path string) func(ctx context.Context, c Clip, dir string, still Still) error {
	return func(ctx context.Context, c Clip, dir string, still Still) error {
		var rep pipeline.Report
		b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
		if err == nil {
			err = json.Unmarshal(b, &rep)
		}
		if err != nil {
			return err
		}
		l, err := ledger.Create(ctx, path)
		if err != nil {
			return err
		}
		defer l.Close()
		_, err = l.Record(ctx, ledger.Entry{Player: c.Player, Day: c.Day, Folder: c.Final, Report: rep, At: time.Now(), Fence: c.Fence, Still: still})
		if errors.Is(err, ledger.ErrStale) {
			err = ErrStale
		}
		return err
	}
}

func signalled(ctx context.Context) (context.Context, context.CancelFunc) {
	return signal.NotifyContext(ctx, syscall.SIGTERM)
}

// meet tells the test that a stage is reached, and waits for its word.
func meet(work string) {
	_ = os.WriteFile(filepath.Join(work, "at"), nil, 0o600)
	for !exists(filepath.Join(work, "go")) {
		time.Sleep(5 * time.Millisecond)
	}
}

// fleet is an office and workers that share a store and a depot.
type fleet struct {
	t       *testing.T
	office  string
	store   string
	depot   string
	silence time.Duration
	all     []*exec.Cmd
}

func newFleet(t *testing.T, store string) *fleet {
	t.Helper()
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	f := &fleet{t: t, office: house(t), store: store, depot: "file://" + t.TempDir(), silence: time.Second}
	if store == "" {
		f.store = filepath.Join(f.office, StoreFile)
	}
	t.Cleanup(func() {
		for _, c := range f.all {
			if c.ProcessState == nil {
				_ = c.Process.Kill()
				_ = c.Wait()
			}
			if t.Failed() || os.Getenv("TELL") != "" {
				t.Logf("%v:\n%s", c.Env[1:3], c.Stderr)
			}
		}
	})
	return f
}

func (f *fleet) start(work, run string, env ...string) *exec.Cmd {
	f.t.Helper()
	c := start(f.t, work, append([]string{"RUN=" + run, "STORE=" + f.store, "DEPOT=" + f.depot, "LEDGER=" + filepath.Join(f.office, ledger.File), "SILENCE=" + f.silence.String()}, env...)...)
	f.all = append(f.all, c)
	return c
}

// worker has a folder of its own.
func (f *fleet) worker(env ...string) *exec.Cmd {
	f.t.Helper()
	return f.start(f.t.TempDir(), "work", append([]string{"JOBS=1"}, env...)...)
}

func workOf(c *exec.Cmd) string {
	i := slices.IndexFunc(c.Env, func(v string) bool { return strings.HasPrefix(v, "WORK=") })
	return strings.TrimPrefix(c.Env[i], "WORK=")
}

// end asks a worker to end, and waits for it.
func (f *fleet) end(c *exec.Cmd) {
	f.t.Helper()
	_ = c.Process.Signal(syscall.SIGTERM)
	if err := c.Wait(); err != nil {
		f.t.Errorf("a worker did not end well: %v", err)
	}
}

// frozen tells whether a process has stopped: proc(5), /proc/PID/stat, field 3.
func frozen(c *exec.Cmd) bool {
	b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", c.Process.Pid))
	i := bytes.LastIndexByte(b, ')')
	return i >= 0 && len(b) > i+2 && b[i+2] == 'T'
}

// want: every clip has one lesson, in the office's folders, in the ledger and,
// when the office has swept, in the depot, under the fence that its row and the
// ledger know; the original lies once at the office and once in the depot.
func (f *fleet) want(hashes map[string]string) {
	t := f.t
	t.Helper()
	wantLessons(t, f.office, hashes)
	ctx := context.Background()
	s, err := openAway(ctx, f.store)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.Share(f.office)
	d, err := depot.Open(ctx, f.depot)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	o := options(f.office)
	o.Depot = d
	e := New(s, o)
	for range 2 { // what nobody owns is noticed, and after a day removed
		if err := e.clear(ctx); err != nil {
			t.Error(err)
		}
		e.o.Now = func() time.Time { return time.Now().Add(25 * time.Hour) }
	}
	keys, err := d.Keys(ctx, LessonsDir+"/")
	if err != nil {
		t.Fatal(err)
	}
	there, owned := map[string]bool{}, map[string]bool{}
	for _, k := range keys {
		if of, ok := lessonOf(k); ok {
			there[of] = true
		} else {
			t.Errorf("in the depot: %s", k)
		}
	}
	clips, err := s.Clips(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range clips {
		if hashes[c.Hash] == "" {
			continue
		}
		if c.State != Done || d.Whole(ctx, c.Stored) != nil || owned[c.Stored] {
			t.Errorf("%s is %s, stored %q: %v", c.Short(), c.State, c.Stored, d.Whole(ctx, c.Stored))
		}
		owned[c.Stored] = true
		if keyOf(c.Final) != c.Stored {
			t.Errorf("%s: the office has %q of %q", c.Short(), keyOf(c.Final), c.Stored)
		}
		if home, err := s.isHome(ctx, &c); err != nil || !home {
			t.Errorf("%s is not home: %v", c.Short(), err)
		}
	}
	if !maps.Equal(there, owned) {
		t.Errorf("lessons in the depot: %v; owned: %v", there, owned)
	}
	originals, err := d.Keys(ctx, "clips/")
	if err != nil {
		t.Fatal(err)
	}
	for h := range hashes {
		if !slices.Contains(originals, originalKey(h, ".mov")) {
			t.Errorf("the original of %s is not in the depot", h[:8])
		}
	}
	var left int
	if err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM river_job WHERE state IN ('available', 'retryable', 'scheduled')`).Scan(&left); err != nil || left > 0 {
		t.Errorf("%d jobs are left, %v", left, err)
	}
	for _, c := range f.all {
		if left, _ := os.ReadDir(filepath.Join(workOf(c), stagingDir)); len(left) > 0 && workOf(c) != f.office && c.ProcessState != nil && c.ProcessState.Success() {
			t.Errorf("left in a worker's folder: %v", left)
		}
	}
}

// many are tests that mostly wait: four at a time, whatever the processors.
type many struct {
	t   *testing.T
	all sync.WaitGroup
	at  chan struct{}
}

func together(t *testing.T) *many {
	return &many{t: t, at: make(chan struct{}, 4)}
}

func (m *many) run(name string, f func(*testing.T)) {
	m.all.Go(func() {
		m.at <- struct{}{}
		defer func() { <-m.at }()
		m.t.Run(name, f)
	})
}

// clips are two that are dropped.
func (f *fleet) clips(name string) map[string]string {
	return map[string]string{
		drop(f.t, f.office, "inbox/p001/swing.mov", "one "+name): "p001",
		drop(f.t, f.office, "inbox/p002_a.mov", "two "+name):     "p002",
	}
}

// stages of a worker: at each it is killed in one test, frozen in the next, and
// in the third the database goes away.
var stages = []string{"claimed", "fetched", "read", "stored", "intended", "recorded", "done"}

// A worker dies at every stage; another one takes over.
func TestWorkerDies(t *testing.T) {
	m := together(t)
	for _, stage := range stages {
		m.run(stage, func(t *testing.T) {
			f := newFleet(t, "")
			hashes := f.clips(stage)
			office := f.start(f.office, "once", "JOBS=0")
			if err := f.worker("DIE=" + stage).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			other := f.worker()
			if err := office.Wait(); err != nil {
				t.Fatal(err)
			}
			f.end(other)
			f.want(hashes)
		})
	}
	m.all.Wait()
}

// Who takes over dies over that, and a third one ends it.
func TestTakingOverDies(t *testing.T) {
	m := together(t)
	for _, c := range []struct{ first, second string }{{"read", "released"}, {"intended", "seized"}, {"intended", "recorded"}, {"recorded", "done"}} {
		m.run(c.first+" "+c.second, func(t *testing.T) {
			f := newFleet(t, "")
			hashes := f.clips(c.first)
			office := f.start(f.office, "once", "JOBS=0", "SILENCE=1h") // it takes over nothing
			if err := f.worker("DIE=" + c.first).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			n := 0
			if c.second == "released" {
				n = 1 // looked, too, when it began
			}
			if err := f.worker("DIE="+c.second, "N="+strconv.Itoa(n)).Wait(); !killed(err) {
				t.Fatalf("the second did not die: %v", err)
			}
			third := f.worker()
			if err := office.Wait(); err != nil {
				t.Fatal(err)
			}
			f.end(third)
			f.want(hashes)
		})
	}
	m.all.Wait()
}

// A worker is frozen at every stage for longer than others wait, and wakes: it
// finds itself dead, and what it was about to do it does not do. On PostgreSQL,
// which ends the transactions of who is frozen; with SQLite such a one holds its
// file for ever, which is why "tapeline work" needs the former.
func TestWorkerWakes(t *testing.T) {
	m := together(t)
	for _, stage := range stages {
		m.run(stage, func(t *testing.T) {
			f := newFleet(t, pgtest.URL(t))
			hashes := f.clips(stage)
			office := f.start(f.office, "once", "JOBS=0")
			sleeper := f.worker("DIE="+stage, "HOW=freeze")
			until(t, "it freezes", func() bool { return frozen(sleeper) })
			other := f.worker()
			if err := office.Wait(); err != nil {
				t.Fatal(err)
			}
			until(t, "it is taken for dead", func() bool {
				f.with(func(s *Store) { // as the server does by itself after half a minute
					if _, err := s.db.Exec(`SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE state = 'idle in transaction' AND clock_timestamp() - state_change > interval '3 s'`); err != nil {
						t.Fatal(err)
					}
				})
				return slices.ContainsFunc(f.workers(), func(w Worker) bool { return w.State == Gone })
			})
			before := f.rows()
			_ = sleeper.Process.Signal(syscall.SIGCONT)
			until(t, "it finds itself dead", func() bool {
				return len(slices.DeleteFunc(f.workers(), func(w Worker) bool { return w.State != Working })) == 2
			})
			f.end(sleeper)
			f.end(other)
			if !strings.Contains(fmt.Sprint(sleeper.Stderr), "worker_taken_over") {
				t.Error("it said nothing of it")
			}
			if after := f.rows(); !slices.Equal(before, after) {
				t.Errorf("rows were %v, are %v", before, after)
			}
			f.want(hashes)
		})
	}
	m.all.Wait()
}

func (f *fleet) with(do func(s *Store)) {
	s, err := openAway(context.Background(), f.store)
	if err != nil {
		f.t.Fatal(err)
	}
	defer s.Close()
	s.Share(f.office)
	do(s)
}

func (f *fleet) workers() (out []Worker) {
	f.with(func(s *Store) {
		var err error
		if out, err = s.Workers(context.Background()); err != nil {
			f.t.Fatal(err)
		}
	})
	return out
}

// rows tell of each clip who made what.
func (f *fleet) rows() (out []string) {
	f.with(func(s *Store) {
		all, err := s.Clips(context.Background(), "")
		if err != nil {
			f.t.Fatal(err)
		}
		for _, c := range all {
			out = append(out, fmt.Sprint(c.Short(), " ", c.State, " ", c.Fence, " ", c.Worker, " ", c.Stored))
		}
	})
	return out
}

// The office dies between what it does, and what it began is ended by the next.
func TestOfficeDies(t *testing.T) {
	m := together(t)
	for _, stage := range []string{"accepted", "moved.mov", "stocked", "fetched lesson", "mirrored", "fetched home", "archived"} {
		m.run(stage, func(t *testing.T) {
			f := newFleet(t, "")
			hashes := f.clips(stage)
			worker := f.worker()
			if err := f.start(f.office, "once", "JOBS=0", "DIE="+stage).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := f.start(f.office, "once", "JOBS=0").Wait(); err != nil {
				t.Fatal(err)
			}
			f.end(worker)
			f.want(hashes)
		})
	}
	m.all.Wait()
}

// The way to the database is cut when a worker is at some stage, for less and for
// more than others would wait for it; the office sees it as before. Nothing of it
// is done twice, and nothing is lost. CUT=30s cuts it for as long as that.
func TestDatabaseAway(t *testing.T) {
	m := together(t)
	for i, stage := range stages {
		m.run(stage, func(t *testing.T) {
			address := pgtest.URL(t)
			f := newFleet(t, address)
			hashes := f.clips(stage)
			way := pgtest.NewProxy(t, hostOf(t, address))
			office := f.start(f.office, "once", "JOBS=0")
			cut := f.start(t.TempDir(), "work", "JOBS=1", "STORE="+way.Through(t, address), "DIE="+stage, "HOW=ask")
			until(t, "it gets there", func() bool { return exists(filepath.Join(workOf(cut), "at")) })
			way.Cut()
			if err := os.WriteFile(filepath.Join(workOf(cut), "go"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
			away := f.silence / 2
			if i%2 == 0 {
				away = 3 * f.silence
			}
			if d, err := time.ParseDuration(os.Getenv("CUT")); err == nil {
				away = d
			}
			time.Sleep(away)
			way.Mend()
			if err := office.Wait(); err != nil {
				t.Fatal(err)
			}
			f.end(cut)
			f.want(hashes)
			// It is told once, where it was long enough to be noticed.
			said := fmt.Sprint(cut.Stderr)
			gone := strings.Count(said, "level=WARN msg=database_away database=\"postgres "+way.Addr+" ")
			if back := strings.Count(said, "level=INFO msg=database_back "); gone != back || gone > 1 || away > 2*f.silence && gone == 0 {
				t.Errorf("told %d times that it was away, %d that it was back:\n%s", gone, back, said)
			}
		})
	}
	m.all.Wait()
}

func hostOf(t *testing.T, address string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	return u.Host
}

// BenchmarkWorkers reads b.N clips with one and with two workers, on PostgreSQL
// that writes through to the disk and a depot of files. The reading only writes a
// lesson's files: queue_ms is what a clip costs beside it and beside what the
// depot does, from the first reading to the last lesson's being known; processor_ms
// is that of all of it but the database's.
func BenchmarkWorkers(b *testing.B) {
	for _, n := range []int{1, 2} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			ctx, stop := context.WithCancel(b.Context())
			defer stop()
			url := pgtest.New(b, true).URL(b)
			d, err := depot.Open(ctx, "file://"+b.TempDir())
			if err != nil {
				b.Fatal(err)
			}
			defer d.Close()
			book, err := ledger.CreatePostgres(ctx, url)
			if err != nil {
				b.Fatal(err)
			}
			defer book.Close()
			// Each clip is in the depot and waits.
			s, err := OpenPostgres(ctx, url)
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			s.Share(b.TempDir())
			q, err := s.inserter()
			if err != nil {
				b.Fatal(err)
			}
			dir := b.TempDir()
			for i := range b.N {
				text := fmt.Sprint("clip ", i)
				sum := sha256.Sum256([]byte(text))
				c := Clip{Hash: hex.EncodeToString(sum[:]), Player: fmt.Sprintf("p%02d0", i%40), Day: "2026-05-03", State: Waiting, Lies: "taken", Stem: "x", Ext: ".mov", Came: "/x", Size: 1, Stocked: 1}
				path := filepath.Join(dir, c.Hash)
				if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
					b.Fatal(err)
				}
				if err := d.Put(ctx, originalKey(c.Hash, ".mov"), path); err != nil {
					b.Fatal(err)
				}
				if err := s.write(ctx, func(tx *sql.Tx) error { return errors.Join(s.put(ctx, tx, &c), s.enqueue(ctx, tx, q, &c)) }); err != nil {
					b.Fatal(err)
				}
			}
			var reading, storing, first atomic.Int64
			processor := func() float64 { // of this process, ms
				var u syscall.Rusage
				_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
				return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e6
			}
			used := processor()
			var over sync.WaitGroup
			b.ResetTimer()
			for range n {
				work := b.TempDir()
				s, err := OpenPostgres(ctx, url)
				if err != nil {
					b.Fatal(err)
				}
				defer s.Close()
				s.Share(work)
				o := options(work)
				o.Depot, o.Jobs, o.pollQueue = &timed{Depot: d, took: &storing}, 1, 0
				o.Read = func(ctx context.Context, r Reading) error {
					began := time.Now()
					first.CompareAndSwap(0, began.UnixNano())
					defer func() { reading.Add(int64(time.Since(began))) }()
					if readerMain(r.Out, r.Clip.Original()) != 0 {
						return errors.New("not read")
					}
					return nil
				}
				o.Record = func(ctx context.Context, c Clip, dir string, still Still) error {
					rep := pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: c.Hash}}
					_, err := book.Record(ctx, ledger.Entry{Player: c.Player, Day: c.Day, Folder: c.Final, Report: rep, At: time.Now(), Fence: c.Fence, Still: still})
					return err
				}
				over.Go(func() {
					if err := New(s, o).Work(ctx, ctx); err != nil {
						b.Error(err)
					}
				})
			}
			for {
				c, err := s.Counts(ctx)
				if err != nil {
					b.Fatal(err)
				}
				if c[Done] == b.N {
					break
				}
				time.Sleep(5 * time.Millisecond)
			}
			wall := time.Since(time.Unix(0, first.Load()))
			b.StopTimer()
			b.ReportMetric(float64(wall.Milliseconds()*int64(n)-(reading.Load()+storing.Load())/1e6)/float64(b.N), "queue_ms/clip")
			b.ReportMetric(float64(storing.Load())/1e6/float64(b.N), "depot_ms/clip")
			b.ReportMetric((processor()-used)/float64(b.N), "processor_ms/clip")
			b.ReportMetric(float64(b.N)/wall.Seconds(), "clips/s")
			stop()
			over.Wait()
		})
	}
}

// timed is a depot whose time is counted.
type timed struct {
	Depot
	took *atomic.Int64
}

func (d *timed) Get(ctx context.Context, key, path string) error {
	began := time.Now()
	defer func() { d.took.Add(int64(time.Since(began))) }()
	return d.Depot.Get(ctx, key, path)
}

func (d *timed) PutFolder(ctx context.Context, key, dir string) error {
	began := time.Now()
	defer func() { d.took.Add(int64(time.Since(began))) }()
	return d.Depot.PutFolder(ctx, key, dir)
}

// A worker that was asked to end ends what it reads and takes nothing more; asked
// twice it gives it back.
func TestWorkerDrains(t *testing.T) {
	m := together(t)
	for _, twice := range []bool{false, true} {
		m.run(fmt.Sprint(twice), func(t *testing.T) {
			f := newFleet(t, "")
			hashes := f.clips("drain")
			office := f.start(f.office, "once", "JOBS=0")
			w := f.worker("SLOW=600")
			until(t, "it reads", func() bool { return f.count(Running) == 1 })
			_ = w.Process.Signal(syscall.SIGTERM)
			until(t, "it says so", func() bool {
				return f.count(Running) == 0 || slices.ContainsFunc(f.workers(), func(w Worker) bool { return w.State == Draining })
			})
			if twice {
				_ = w.Process.Signal(syscall.SIGTERM)
			}
			if err := w.Wait(); err != nil {
				t.Error(err)
			}
			if all := f.workers(); len(all) != 1 { // the office
				t.Errorf("workers: %v", all)
			}
			want := 1
			if twice {
				want = 0
			}
			if n := f.count(Done); n != want || f.count(Waiting) != 2-want {
				t.Errorf("%d done, %d waiting", n, f.count(Waiting))
			}
			f.with(func(s *Store) {
				all, _ := s.Clips(context.Background(), Waiting)
				for _, c := range all {
					if c.Tries != 0 {
						t.Errorf("it cost a try: %+v", c)
					}
				}
			})
			other := f.worker()
			if err := office.Wait(); err != nil {
				t.Fatal(err)
			}
			f.end(other)
			f.want(hashes)
		})
	}
	m.all.Wait()
}

func (f *fleet) count(st State) (n int) {
	f.with(func(s *Store) { n = count(f.t, s, st) })
	return n
}

// What isn't a plain clip goes by the depot, too: one that can't be read, a
// recording with a cut that nobody can be found for and one without a swing, a
// lesson made anew for another player, one that can't be made anew.
func TestAway(t *testing.T) {
	for _, kind := range []string{"folder", "bucket"} {
		t.Run(kind, func(t *testing.T) {
			f := newFleet(t, "")
			if kind == "bucket" {
				f.depot = s3test.New(t, true).URL
			}
			env := awsEnv()
			work := func(run string, more ...string) *exec.Cmd {
				dir := f.office
				if run == "work" {
					dir = t.TempDir()
				}
				return f.start(dir, run, append(slices.Clone(env), more...)...)
			}
			good := drop(t, f.office, "inbox/p001/a.mov", "good one")
			drop(t, f.office, "inbox/p001/a.yaml", "p001")
			bad := drop(t, f.office, "inbox/p002/b.mov", "unreadable one")
			lost := drop(t, f.office, "inbox/c.mov", "nobody's")
			long := drop(t, f.office, "inbox/l.mov", "lesson 90\ncard 0 30 p003\ncut 5 11 8 swing one\ncut 20 26 23 nobody there\ncut 50 56 53 swing three\n")
			w := work("work", "JOBS=2")
			if err := work("once", "JOBS=0").Wait(); err != nil {
				t.Fatal(err)
			}
			for h, want := range map[string]string{good: "archive/p001/*.mov", bad: "failed/b-*.mov", lost: "unplaced/c-*.mov", long: "archive/_recordings/*.mov"} {
				at := where(t, f.office, h)
				if ok := len(at) == 1; ok {
					ok, _ = filepath.Match(want, at[0])
					if ok {
						continue
					}
				}
				t.Errorf("%s lies at %v; want %s", h[:8], at, want)
			}
			ctx := context.Background()
			d := f.open()
			defer d.Close()
			var first, cut Clip
			f.with(func(s *Store) {
				var err error
				if first, _, err = s.Clip(ctx, good); err != nil {
					t.Fatal(err)
				}
				cuts, err := s.cuts(ctx, long)
				if err != nil || len(cuts) != 3 {
					t.Fatalf("%d cuts, %v", len(cuts), err)
				}
				got := map[string]int{}
				for _, c := range cuts {
					got[c.outcome()]++
					if exists(c.Original()) == c.empty() {
						t.Errorf("the cut %+v", c)
					}
					if keys, _ := d.Keys(ctx, "clips/"+c.Hash+"/"); (len(keys) == 0) != c.empty() {
						t.Errorf("in the depot of %s: %v", c.outcome(), keys)
					}
					if c.State == Done && !c.empty() {
						cut = c
					}
				}
				if got[string(Done)] != 1 || got[Empty] != 1 || got[string(Unplaced)] != 1 {
					t.Errorf("%v", got)
				}
			})
			if whole(first.Final, good) != nil || whole(cut.Final, cut.Hash) != nil || d.Whole(ctx, first.Stored) != nil {
				t.Fatalf("lessons: %v, %v", whole(first.Final, good), whole(cut.Final, cut.Hash))
			}

			// At the desk: another player's, and a note beside it.
			if err := os.WriteFile(filepath.Join(first.Lies, first.Stem+".yaml"), []byte("p004"), 0o600); err != nil {
				t.Fatal(err)
			}
			noted := time.Now()
			f.with(func(s *Store) {
				if err := errors.Join(s.Beside(ctx, good, true, ""), s.Redraw(ctx, good, "p004")); err != nil {
					t.Fatal(err)
				}
			})
			if err := work("once", "JOBS=0").Wait(); err != nil {
				t.Fatal(err)
			}
			f.with(func(s *Store) {
				c, _, err := s.Clip(ctx, good)
				if err != nil || c.State != Done || c.Player != "p004" || whole(c.Final, good) != nil || !strings.Contains(c.Final, "/p004/") || c.Stored == first.Stored || !exists(c.Original()) || !strings.Contains(c.Lies, "/p004") {
					t.Errorf("%+v, %v", c, err)
				}
				st, err := os.Stat(filepath.Join(c.Final, pipeline.TrackFile))
				if err != nil || st.ModTime().Before(noted) {
					t.Errorf("the lesson looks older than the notes it was made by: %v", err)
				}
				track := filepath.Join(t.TempDir(), "track")
				if err := d.Get(ctx, c.Stored+"/"+pipeline.TrackFile, track); err != nil {
					t.Error(err)
				}
				if b, _ := os.ReadFile(track); string(b) != "good one" {
					t.Errorf("it was made of %q", b)
				}
				note := filepath.Join(t.TempDir(), "note")
				if err := d.Get(ctx, originalKey(good, ".yaml"), note); err != nil {
					t.Error(err)
				}
				if b, _ := os.ReadFile(note); string(b) != "p004" {
					t.Errorf("the depot has the notes %q", b)
				}
			})
			if _, err := os.Stat(first.Final); err == nil {
				t.Error("the lesson of before is still there")
			}
			if err := d.Whole(ctx, first.Stored); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("the lesson of before is still in the depot: %v", err)
			}
			f.end(w)
		})
	}
}

func (f *fleet) open() *depot.Depot {
	f.t.Helper()
	d, err := depot.Open(context.Background(), f.depot)
	if err != nil {
		f.t.Fatal(err)
	}
	return d
}

// awsEnv is what a process needs to reach the test's bucket.
func awsEnv() (out []string) {
	for _, v := range os.Environ() {
		if strings.HasPrefix(v, "AWS_") || strings.HasPrefix(v, "SSL_") {
			out = append(out, v)
		}
	}
	return out
}

// One machine takes clips in for a store.
func TestOneOffice(t *testing.T) {
	f := newFleet(t, pgtest.URL(t))
	hashes := f.clips("office")
	first := f.start(f.office, "watch", "JOBS=1")
	until(t, "it reads", func() bool { return f.count(Done) > 0 })
	second := f.start(house(t), "once", "JOBS=0")
	if err := second.Wait(); err == nil || !strings.Contains(fmt.Sprint(second.Stderr), ErrOffice.Error()) {
		t.Errorf("a second office: %v: %s", err, second.Stderr)
	}
	until(t, "all is home", func() bool {
		m, _ := filepath.Glob(filepath.Join(f.office, ArchiveDir, "*", "*.mov"))
		return len(m) == 2
	})
	f.end(first)
	f.want(hashes)
}

// Who is silent is told by looks alone: a beat that grows is life, and what was
// not looked at doesn't count.
func TestPulse(t *testing.T) {
	at := time.Now()
	p := pulse{silence: time.Minute}
	w := []Worker{{ID: "a", State: Working}, {ID: "b", State: Draining}, {ID: "c", State: Gone}, {ID: "me", State: Working}}
	look := func(after time.Duration) (ids string) {
		at = at.Add(after)
		for _, s := range p.silent(at, w, "me") {
			ids += s.ID
		}
		return ids
	}
	for i := range 6 {
		if got := look(10 * time.Second); got != "" {
			t.Errorf("look %d: %q", i, got)
		}
		w[1].Beat++
	}
	if got := look(10 * time.Second); got != "a" {
		t.Errorf("after a minute: %q", got)
	}
	if got := look(45 * time.Second); got != "" { // one was frozen oneself
		t.Errorf("after not looking: %q", got)
	}
	for range 5 {
		if got := look(10 * time.Second); got != "" {
			t.Errorf("%q", got)
		}
	}
	w[0].Beat = -1 // any other number
	if got := look(10 * time.Second); got != "b" {
		t.Errorf("%q", got)
	}
}

// Office and worker in one process, for the race detector: the worker is taken
// for dead in the middle, though it lives, and goes on as another.
func TestTogether(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	work := house(t)
	d, err := depot.Open(ctx, "file://"+t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	hashes := map[string]string{}
	for i := range 6 {
		hashes[drop(t, work, fmt.Sprintf("inbox/p00%d/a.mov", i), fmt.Sprint("clip ", i))] = fmt.Sprintf("p00%d", i)
	}
	var over sync.WaitGroup
	begin := func(dir string, run func(*Engine) error) *Engine {
		s := store(t, work)
		s.Share(dir)
		o := options(dir)
		o.Depot, o.Silence, o.Jobs = d, 3*time.Second, 1
		o.Record = recordAway(filepath.Join(work, ledger.File))
		o.Read = func(_ context.Context, r Reading) error {
			r.Tell("pose", 1, 2)
			time.Sleep(30 * time.Millisecond)
			if readerMain(r.Out, r.Clip.Original()) != 0 {
				return errors.New("not read")
			}
			return nil
		}
		e := New(s, o)
		over.Go(func() {
			if err := run(e); err != nil {
				t.Error(err)
			}
		})
		return e
	}
	begin(work, func(e *Engine) error { return e.Run(ctx) })
	worker := begin(t.TempDir(), func(e *Engine) error { return e.Work(ctx, ctx) })
	name := func() string {
		worker.mu.Lock()
		defer worker.mu.Unlock()
		return worker.id
	}
	s := store(t, work)
	s.Share(work)
	until(t, "some are read", func() bool { return count(t, s, Done) >= 2 })
	was := name()
	if err := s.update(ctx, `UPDATE workers SET state = 'gone' WHERE id = $1`, was); err != nil {
		t.Fatal(err)
	}
	until(t, "all are home", func() bool {
		m, _ := filepath.Glob(filepath.Join(work, ArchiveDir, "*", "*.mov"))
		return len(m) == len(hashes)
	})
	until(t, "it goes on as another", func() bool { return name() != was })
	// The last one's folder goes after its film has come home.
	until(t, "nothing is left", func() bool { left, _ := os.ReadDir(filepath.Join(work, takenDir)); return len(left) == 0 })
	stop()
	over.Wait()
	wantLessons(t, work, hashes)
}

// A run that ends does so though nobody is there to read.
func TestNobodyReads(t *testing.T) {
	was := nobody
	nobody = 300 * time.Millisecond
	t.Cleanup(func() { nobody = was })
	work := house(t)
	d, err := depot.Open(t.Context(), "file://"+t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	drop(t, work, "inbox/p001/a.mov", "one")
	s := store(t, work)
	s.Share(work)
	o := options(work)
	o.Depot, o.Jobs, o.Silence = d, 0, 200*time.Millisecond
	sum, err := New(s, o).Once(t.Context())
	if err != nil || sum.Waiting != 1 || sum.Blocked != NoWorker {
		t.Errorf("%+v, %v", sum, err)
	}
}

// Workers on one machine have a folder each, and what one left that died goes.
func TestSlot(t *testing.T) {
	work := t.TempDir()
	var ends []func()
	var dirs []string
	for range 3 {
		dir, end, err := Slot(work)
		if err != nil || slices.Contains(dirs, dir) {
			t.Fatal(dir, err)
		}
		ends, dirs = append(ends, end), append(dirs, dir)
	}
	for _, d := range dirs {
		drop(t, d, stagingDir+"/x-1/in/clip.mov", "a child's film")
	}
	ends[0]()
	ends[2]()
	if dir, end, err := Slot(work); err != nil || dir != dirs[0] {
		t.Error(dir, err)
	} else {
		defer end()
	}
	for i, want := range []bool{true, true, false} { // the first sweeps its own when it begins
		if got := exists(filepath.Join(dirs[i], stagingDir, "x-1/in/clip.mov")); got != want {
			t.Errorf("folder %d: %v", i, got)
		}
	}
	ends[1]()
}
