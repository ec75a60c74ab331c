package jobs

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/riverqueue/river"
	"golang.org/x/sys/unix"

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
)

// Span is a part of a recording that belongs to one player.
type Span = inbox.Span

// Reading is what a reader is given: the clip, where it lies, and the folder
// below which its lesson must appear.
type Reading struct {
	Clip   Clip
	Out    string
	Limits Limits
	Tell   pipeline.Progress
}

// Options of an Engine. Paths are absolute.
type Options struct {
	Work   string   // everything lies below it
	Inbox  []string // folders clips are dropped in
	Settle time.Duration
	Cap    time.Duration
	Poll   time.Duration

	Jobs    int // readings at once
	Tries   int
	Limits  Limits
	Space   uint64 // bytes that stay free, else no work is taken
	Nightly time.Duration
	Zone    *time.Location

	Roster inbox.Roster
	// Ready is nil where the roster can be read; else no clip is taken or read.
	Ready func() error
	// Note reads the sidecar at a path: whose clip it is and of which day.
	Note func(path string) (inbox.Note, error)
	// Spans finds the parts of a clip that belong to a player, by number cards
	// say; nil: nothing does. It is asked only where nothing else tells. An
	// error that is a *Slip says why the clip can't be placed.
	Spans func(ctx context.Context, a inbox.Arrival) ([]Span, error)
	// Recorded is when the file at a path says it was recorded, zero where it
	// doesn't; nil: none does.
	Recorded func(ctx context.Context, path string) (time.Time, error)
	// Long is the length of the recording of a whole lesson at a path, zero for
	// a clip and for what can't be read; nil: all are clips.
	Long func(ctx context.Context, path string) (time.Duration, error)
	// Scan cuts out of such a recording what may be swings: CutsDir below r.Out
	// then holds the cuts and a Plan. Its errors are *Slip.
	Scan func(ctx context.Context, r Reading) error
	// Read makes the lesson of a clip in a folder below r.Out. Its errors are
	// *Slip.
	Read func(ctx context.Context, r Reading) error
	// Record puts a lesson that is published into the ledger. It is called at
	// least once for each and must make nothing twice. still, where there is a depot,
	// tells whether the clip has the claim still, and must be asked in the ledger's
	// own transaction: no, and it is ErrStale. A clip that is forgotten loses its row
	// first and its lesson afterwards, so that neither comes back, whoever dies when.
	Record func(ctx context.Context, c Clip, dir string, still Still) error
	// Relate has the ledger say of the lessons below the work folder where they lie
	// there, so that each machine finds them below its own. An office calls it that
	// begins; nil: there is one machine.
	Relate func(ctx context.Context) error
	// Doubt keeps the lesson of a clip, which may not be made yet, from leaving: a
	// card that came later says that it is another player's. It may be called
	// more than once; nil: none is kept.
	Doubt func(ctx context.Context, c Clip) error
	// Depot is where originals and lessons meet; nil: they lie in the work folder,
	// and this engine is alone. The rest is for several: the name of the machine,
	// after how long without a sign of life others take over what a worker does,
	// and the program's version. The store is Shared then.
	Depot   Depot
	Name    string
	Silence time.Duration
	Version string
	// Feed brings what is dropped in the depot's inbox while the engine takes
	// clips; nil: nothing is dropped there.
	Feed Feeder
	// Say is the sentence for a reason, for the file beside a clip.
	Say func(reason, detail string) string

	Log *slog.Logger
	// The rest may be left out: real clock, disk and patience.
	Now       func() time.Time
	Free      func(path string) (uint64, error)
	Backoff   func(try int) time.Duration
	Pause     time.Duration // before a blocked clip is looked at again
	pollQueue time.Duration
}

// Folders below the work folder.
const (
	InboxDir    = "inbox"
	ArchiveDir  = "archive"
	UnplacedDir = "unplaced"
	FailedDir   = "failed"
	LessonsDir  = "lessons"
	takenDir    = "taken"
	stagingDir  = "staging"
)

// Engine takes clips from the inbox to their lessons.
type Engine struct {
	o     Options
	store *Store
	jobs  *river.Client[*sql.Tx]
	watch *inbox.Watcher

	taking sync.Mutex // one arrival at a time
	moving sync.Mutex // one original at a time
	mu     sync.Mutex
	block  string         // reason why no clip can be read now
	sum    map[string]int // outcomes since Begin
	all    []Outcome      // those of a run that ends
	keep   bool
	stuck  map[string]bool // published only in part, by hash
	busy   map[string]bool // being worked on here, by hash

	lame   bool // the store could perhaps not be written since upkeep looked
	looked time.Time

	held func() bool // this is the one that takes clips for the store

	// Where there is a depot:
	id      string // as which it lives now
	takesIn bool   // it is the office
	base    outage // of the database
	far     outage // of the depot
	doubts  doubts
	pulse   pulse
	due     chan struct{}  // something may have been left by others
	leaving atomic.Bool    // it takes nothing more
	odd     map[int64]bool // by the keeper
	missing []string       // hashes of lessons that the office has not, at its beginning
	tight   time.Time      // when is fetched again, as the disk here had no room; zero: it has
	crammed time.Time      // until when that is believed where something else had none
	failing map[string]time.Time
	carry   carrying

	recorded map[stamped]time.Time     // while taking
	lines    map[string]*line          // by folder, while taking
	long     map[stamped]time.Duration // likewise
	owed     map[string]bool           // folders of which clips may be placed by a card that came late, likewise
}

// Outcome is what became of one arrival.
type Outcome struct {
	Hash   string `json:"clip"`
	Player string `json:"player"`
	State  string `json:"state"` // of the clip, or Duplicate, Card, Scanned, Empty
	Reason string `json:"reason,omitempty"`
	Detail string `json:"detail,omitempty"`
	Lesson string `json:"lesson,omitempty"`
	// Of the recording it was cut out of, and where in that it begins.
	Recording string  `json:"recording,omitempty"`
	From      float64 `json:"from_s,omitempty"`
}

// hook is told each stage that was passed; tests stop there.
var hook = func(stage string) {}

// New makes an engine on a store; Run or Once start it.
func New(s *Store, o Options) *Engine {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Free == nil {
		o.Free = Free
	}
	if o.Backoff == nil {
		o.Backoff = Backoff
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Pause == 0 {
		o.Pause = time.Minute
	}
	if o.pollQueue == 0 {
		o.pollQueue = time.Second
	}
	if o.Silence == 0 {
		o.Silence = time.Minute
	}
	s.now = o.Now
	e := &Engine{o: o, store: s, sum: map[string]int{}, stuck: map[string]bool{}, busy: map[string]bool{}, recorded: map[stamped]time.Time{}, lines: map[string]*line{}, long: map[stamped]time.Duration{}, owed: map[string]bool{},
		held:  func() bool { return true },
		pulse: pulse{silence: o.Silence}, due: make(chan struct{}, 1), failing: map[string]time.Time{}, carry: carrying{ask: make(chan chan struct{}), refused: map[string]bool{}}}
	if o.Depot != nil {
		e.o.Depot = &witness{o.Depot, e}
	}
	return e
}

// Free is the room left for us on the disk of a folder, bytes.
func Free(path string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(path, &st); err != nil {
		return 0, err
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil
}

func (e *Engine) dir(name ...string) string {
	return filepath.Join(append([]string{e.o.Work}, name...)...)
}

// ErrBusy: another program works on the folder.
var ErrBusy = errors.New("another tapeline works on this folder")

// ErrOffice: another machine takes clips for the store.
var ErrOffice = errors.New("another machine takes clips in for this queue")

// begin takes the work folder for itself, brings what was cut off to an end and
// starts the queue. end gives everything back.
func (e *Engine) begin(ctx context.Context) (end func(), err error) {
	for _, d := range []string{ArchiveDir, UnplacedDir, FailedDir, LessonsDir, takenDir, stagingDir} { // children's films
		if err := private(e.dir(d)); err != nil {
			return nil, err
		}
	}
	unlock, err := e.takes(ctx)
	if err != nil {
		return nil, err
	}
	if e.o.Depot != nil {
		return e.beginAway(ctx, unlock)
	}
	if e.jobs, err = e.queue(""); err == nil {
		if err = e.recover(ctx); err == nil {
			err = e.jobs.Start(context.WithoutCancel(ctx))
		}
	}
	if err != nil {
		unlock()
		return nil, err
	}
	e.newWatch()
	calm := e.expectTheWorst()
	return sync.OnceFunc(func() {
		defer calm()
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
		defer cancel()
		_ = e.jobs.StopAndCancel(stop)
		unlock()
	}), nil
}

// takes takes the work folder, and the taking of clips for the store.
func (e *Engine) takes(ctx context.Context) (unlock func(), err error) {
	free, err := Lock(ctx, e.o.Work)
	if err != nil {
		return nil, err
	}
	held, release, err := e.store.TakerLock(context.WithoutCancel(ctx))
	if errors.Is(err, ErrBusy) {
		err = ErrOffice
	}
	if err != nil {
		free()
		return nil, err
	}
	e.held = held
	return func() { release(); free() }, nil
}

func (e *Engine) newWatch() {
	e.watch = inbox.New(inbox.Options{Dirs: e.o.Inbox, Settle: e.o.Settle, Cap: e.o.Cap, Poll: e.o.Poll, Log: e.o.Log})
}

// private makes a folder for its owner alone.
func private(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return os.Chmod(dir, 0o700)
}

// Run watches until ctx ends.
func (e *Engine) Run(ctx context.Context) error {
	end, err := e.begin(ctx)
	if err != nil {
		return err
	}
	defer end()
	e.o.Log.Info("watching", "folders", len(e.o.Inbox))
	var fed sync.WaitGroup
	if e.o.Feed != nil {
		fed.Go(func() {
			if err := e.o.Feed.Run(ctx, e.held); err != nil && ctx.Err() == nil {
				e.o.Log.Error("feed_failed", "err", scrub(err))
			}
		})
	}
	nights := make(chan struct{})
	go func() {
		defer close(nights)
		e.nights(ctx, min(20*time.Second, e.o.Pause))
	}()
	err = e.watch.Run(ctx, e.Take)
	<-nights
	fed.Wait()
	e.o.Log.Info("stopped")
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// nights begins the night's run when it is due: everything that lies in wait
// is looked at again.
func (e *Engine) nights(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	e.looked = time.Now()
	for {
		night := Night(e.o.Now(), e.o.Zone, e.o.Nightly)
		if !e.held() { // another machine may do it by now
		} else if began, err := e.store.night(ctx, night); err != nil && ctx.Err() == nil {
			e.wrong("night_failed", err)
		} else if began {
			if err := errors.Join(e.prune(ctx), e.consented(ctx)); err != nil && ctx.Err() == nil {
				e.o.Log.Error("night_failed", "err", err)
			}
			e.watch.Again()
			n, _ := e.store.Counts(ctx)
			e.o.Log.Info("night", "night", night, "waiting", n[Waiting], "done", n[Done], "failed", n[Failed], "unplaced", n[Unplaced], "held", n[Held])
		}
		if e.o.Depot == nil {
			e.upkeep(ctx)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Summary is what a run that ends has done.
type Summary struct {
	Outcomes []Outcome `json:"clips"`
	// Recordings of lessons that are among the outcomes, or whose cuts are.
	Recordings []Recording `json:"recordings,omitempty"`
	Waiting    int         `json:"waiting"`           // could not be read now
	Left       int         `json:"left"`              // still in the inbox, not settled or not to be taken
	Blocked    string      `json:"blocked,omitempty"` // why no clip can be read now
}

// Count of outcomes of a kind.
func (s *Summary) Count(state string) (n int) {
	for _, o := range s.Outcomes {
		if o.State == state {
			n++
		}
	}
	return n
}

// nobody is for how long no machine may read before a run that ends does so; a
// variable for tests.
var nobody = time.Minute

// Once does what Run does with everything that waits, and ends.
func (e *Engine) Once(ctx context.Context) (s Summary, err error) {
	e.keep = true
	end, err := e.begin(ctx)
	if err != nil {
		return s, err
	}
	defer end()
	far := 0
	if e.o.Feed != nil {
		if far, err = e.o.Feed.Once(ctx); err != nil {
			return s, err
		}
	}
	if s.Left, err = e.watch.Once(ctx, e.Take); err != nil {
		return s, err
	}
	s.Left += far
	if err := e.store.ensure(ctx, e.jobs); err != nil {
		return s, err
	}
	alone := time.Now() // since when nobody reads
	for idle := 1; ; idle++ {
		e.mu.Lock()
		missing := e.block != NoSpace && slices.ContainsFunc(e.missing, func(h string) bool { return e.failing[h].IsZero() })
		e.mu.Unlock()
		n, err := e.store.Counts(ctx)
		if err != nil {
			return s, err
		}
		e.mu.Lock()
		if len(e.busy) > 0 {
			idle = 0
		}
		busy, waiting, blocked := n[Running]+n[Publishing], n[Waiting], e.block
		if e.o.Depot == nil || blocked != "" { // else what was taken over is being ended
			busy -= len(e.stuck)
		}
		e.mu.Unlock()
		if e.o.Depot != nil && busy == 0 {
			abroad, err := e.store.abroad(ctx)
			if err != nil {
				return s, err
			}
			late, err := e.store.unstocked(ctx)
			if err != nil {
				return s, err
			}
			e.mu.Lock()
			if blocked != NoSpace { // else nothing can be brought
				busy = len(slices.DeleteFunc(abroad, func(c Clip) bool { return !e.failing[c.Hash].IsZero() }))
			}
			for _, c := range late { // what can't be stored nobody can read
				if c.State == Waiting && !e.failing[c.Hash].IsZero() {
					waiting--
				}
			}
			e.mu.Unlock()
		}
		if e.o.Depot != nil && busy == 0 && n[Waiting] > 0 {
			if reads, err := e.store.readers(ctx); err != nil {
				return s, err
			} else if reads {
				alone = time.Now()
			} else if time.Since(alone) > max(e.o.Silence, nobody) {
				blocked = NoWorker
			}
		}
		if busy == 0 && !missing && (waiting <= 0 || blocked != "") {
			if e.o.Feed != nil { // what is kept now goes from there
				if _, err := e.o.Feed.Once(ctx); err != nil {
					return s, err
				}
			}
			if e.o.Depot != nil && blocked != NoDepot && blocked != ShutDepot {
				e.carried(ctx)
			}
			end() // a clip is told of when its original is in the archive too
			e.mu.Lock()
			s.Outcomes, s.Waiting, s.Blocked = e.all, n[Waiting], blocked
			e.mu.Unlock()
			all, err := e.store.Recordings(ctx)
			for _, r := range all {
				if slices.ContainsFunc(s.Outcomes, func(o Outcome) bool { return o.Hash == r.Hash || o.Recording == r.Hash }) {
					s.Recordings = append(s.Recordings, r)
				}
			}
			return s, err
		}
		// A clip that waits again has no job where its last one was just ending.
		if idle > 0 && idle%10 == 0 {
			if e.o.Depot != nil {
				e.tend()
			} else if err := e.mend(ctx); err != nil {
				return s, err
			}
		}
		select {
		case <-ctx.Done():
			return s, ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}

func (e *Engine) blocked() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.block
}

// blocks notes why no clip can be read, "" that one can; it is told once.
func (e *Engine) blocks(reason, detail string) {
	e.mu.Lock()
	was := e.block
	e.block = reason
	e.mu.Unlock()
	switch {
	case reason == NoDepot || reason == ShutDepot, reason == "" && (was == NoDepot || was == ShutDepot): // told as depot_away, depot_back
	case reason != "" && was != reason:
		if reason == NoRoster { // it may quote a name or an address
			e.o.Log.Debug("blocked", "detail", detail)
			detail = ""
		}
		e.o.Log.Warn("blocked", "reason", reason, "detail", detail)
	case reason == "" && was != "":
		e.o.Log.Info("goes_on")
	}
}

// full tells whether the disk has no room for another lesson.
func (e *Engine) full() bool {
	free, err := e.o.Free(e.o.Work)
	return err == nil && free < e.o.Space
}

// came notes an outcome and logs it: codes only.
func (e *Engine) came(c *Clip, state string) {
	e.mu.Lock()
	e.sum[state]++
	if e.keep {
		// What could not be placed at first may be by a card that came later.
		e.all = slices.DeleteFunc(e.all, func(o Outcome) bool {
			return o.Hash == c.Hash && (o.State == string(Unplaced) || o.State == string(Held))
		})
		e.all = append(e.all, Outcome{Hash: c.Hash, Player: c.Player, State: state, Reason: c.Reason, Detail: c.Detail, Lesson: c.Final,
			Recording: c.Parent, From: float64(c.From) / 1000})
	}
	e.mu.Unlock()
	log := e.o.Log.With("clip", c.Short(), "player", c.Player)
	switch State(state) {
	case Failed:
		log.Warn("clip_"+state, "reason", c.Reason, "tries", c.Tries)
		log.Debug("clip_"+state, "detail", c.Detail)
	case Unplaced, Held:
		log.Warn("clip_"+state, "reason", c.Reason)
	default:
		log.Info("clip_" + state)
	}
}
