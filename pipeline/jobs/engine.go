package jobs

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/riverqueue/river"
	"golang.org/x/sys/unix"

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
)

// Span is a part of a recording that belongs to one player, seconds from its
// first frame; To 0: to its end.
type Span struct {
	From, To float64
	Player   string
}

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
	// Read makes the lesson of a clip in a folder below r.Out. Its errors are
	// *Slip.
	Read func(ctx context.Context, r Reading) error
	// Record puts a lesson that is published into the ledger. It is called at
	// least once for each and must make nothing twice.
	Record func(ctx context.Context, c Clip, dir string) error
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

	recorded map[stamped]time.Time // while taking
}

// Outcome is what became of one arrival.
type Outcome struct {
	Hash   string `json:"clip"`
	Player string `json:"player"`
	State  string `json:"state"` // of the clip, or Duplicate, or Card
	Reason string `json:"reason,omitempty"`
	Detail string `json:"detail,omitempty"`
	Lesson string `json:"lesson,omitempty"`
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
	s.now = o.Now
	return &Engine{o: o, store: s, sum: map[string]int{}, stuck: map[string]bool{}, recorded: map[stamped]time.Time{}}
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

// begin takes the work folder for itself, brings what was cut off to an end and
// starts the queue. end gives everything back.
func (e *Engine) begin(ctx context.Context) (end func(), err error) {
	for _, d := range []string{ArchiveDir, UnplacedDir, FailedDir, takenDir, stagingDir} {
		if err := private(e.dir(d)); err != nil {
			return nil, err
		}
	}
	if err := os.MkdirAll(e.dir(LessonsDir), 0o777); err != nil {
		return nil, err
	}
	lock, err := os.OpenFile(e.dir(".lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	// A reading that a dead program was just starting may hold it a moment more.
	for until := time.Now().Add(2 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err == nil {
			break
		}
		if time.Now().After(until) || ctx.Err() != nil {
			_ = lock.Close()
			return nil, ErrBusy
		}
	}
	if e.jobs, err = e.queue(); err == nil {
		if err = e.recover(ctx); err == nil {
			err = e.jobs.Start(context.WithoutCancel(ctx))
		}
	}
	if err != nil {
		_ = lock.Close()
		return nil, err
	}
	e.watch = inbox.New(inbox.Options{Dirs: e.o.Inbox, Settle: e.o.Settle, Cap: e.o.Cap, Poll: e.o.Poll, Log: e.o.Log})
	return sync.OnceFunc(func() {
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
		defer cancel()
		_ = e.jobs.StopAndCancel(stop)
		_ = lock.Close()
	}), nil
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
	nights := make(chan struct{})
	go func() {
		defer close(nights)
		e.nights(ctx, 20*time.Second)
	}()
	err = e.watch.Run(ctx, e.Take)
	<-nights
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
	ensured := time.Now()
	for {
		night := Night(e.o.Now(), e.o.Zone, e.o.Nightly)
		if began, err := e.store.night(ctx, night); err != nil && ctx.Err() == nil {
			e.o.Log.Error("night_failed", "err", err)
		} else if began {
			if err := e.prune(ctx); err != nil && ctx.Err() == nil {
				e.o.Log.Error("night_failed", "err", err)
			}
			e.watch.Again()
			n, _ := e.store.Counts(ctx)
			e.o.Log.Info("night", "night", night, "waiting", n[Waiting], "done", n[Done], "failed", n[Failed], "unplaced", n[Unplaced], "held", n[Held])
		}
		e.finish(ctx)
		if now := time.Now(); now.Sub(ensured) > 5*time.Minute {
			ensured = now
			if err := e.store.ensure(ctx, e.jobs); err != nil && ctx.Err() == nil {
				e.o.Log.Error("queue_failed", "err", err)
			}
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
	Waiting  int       `json:"waiting"`           // could not be read now
	Left     int       `json:"left"`              // still in the inbox, not settled or not to be taken
	Blocked  string    `json:"blocked,omitempty"` // why no clip can be read now
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

// Once does what Run does with everything that waits, and ends.
func (e *Engine) Once(ctx context.Context) (s Summary, err error) {
	e.keep = true
	end, err := e.begin(ctx)
	if err != nil {
		return s, err
	}
	defer end()
	if s.Left, err = e.watch.Once(ctx, e.Take); err != nil {
		return s, err
	}
	if err := e.store.ensure(ctx, e.jobs); err != nil {
		return s, err
	}
	for {
		n, err := e.store.Counts(ctx)
		if err != nil {
			return s, err
		}
		e.mu.Lock()
		busy := n[Running] + n[Publishing] - len(e.stuck)
		e.mu.Unlock()
		blocked := e.blocked()
		if busy == 0 && (n[Waiting] == 0 || blocked != "") {
			end() // a clip is told of when its original is in the archive too
			e.mu.Lock()
			s.Outcomes, s.Waiting, s.Blocked = e.all, n[Waiting], blocked
			e.mu.Unlock()
			return s, nil
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
	case reason != "" && was != reason:
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
		e.all = append(e.all, Outcome{Hash: c.Hash, Player: c.Player, State: state, Reason: c.Reason, Detail: c.Detail, Lesson: c.Final})
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

// home is where a clip's original belongs, by its state.
func (e *Engine) home(c *Clip) (dir, stem string) {
	own := c.Day + "-" + c.Short()
	dropped := strings.TrimLeft(pipeline.FolderName(c.Came), "-")
	if dropped == "" {
		dropped = "clip"
	}
	switch c.State {
	case Done:
		return e.dir(ArchiveDir, c.Player), own
	case Failed:
		return e.dir(FailedDir), dropped + "-" + c.Short()
	case Unplaced:
		return e.dir(UnplacedDir), dropped + "-" + c.Short()
	case Held:
		return c.Lies, c.Stem
	}
	return e.dir(takenDir, c.Hash), own
}

// errGone: the original is no longer where it was.
var errGone = errors.New("the file is no longer there")

// settle brings the original, and what travels with it, where it belongs. What
// was cut off is made again.
func (e *Engine) settle(ctx context.Context, c *Clip) error {
	e.moving.Lock()
	defer e.moving.Unlock()
	return e.settleLocked(ctx, c)
}

func (e *Engine) settleLocked(ctx context.Context, c *Clip) error {
	dir, stem := e.home(c)
	if dir == c.Lies && stem == c.Stem {
		if !exists(c.Original()) {
			return errGone
		}
		return nil
	}
	if err := private(dir); err != nil {
		return err
	}
	for i, ext := range c.endings() {
		from, to := filepath.Join(c.Lies, c.Stem+ext), filepath.Join(dir, stem+ext)
		switch there, here := exists(to), exists(from); {
		case there && here: // cut off behind the copy
			a, err := hash(ctx, to)
			if err != nil {
				return err
			}
			b, err := hash(ctx, from)
			if err != nil {
				return err
			}
			if a != b {
				return &fs.PathError{Op: "move", Path: to, Err: fs.ErrExist}
			}
			if err := os.Remove(from); err != nil {
				return err
			}
		case there:
		case !here && i == 0:
			return errGone
		case !here:
		default:
			if err := move(ctx, e.o.Inbox, c.Lies, c.Stem+ext, to); err != nil {
				return err
			}
		}
		hook("moved" + ext)
	}
	old := *c
	c.Lies, c.Stem = dir, stem
	if err := e.store.lies(ctx, c); err != nil {
		return err
	}
	_ = os.Remove(why(&old))
	if filepath.Dir(old.Lies) == e.dir(takenDir) {
		_ = os.Remove(old.Lies) // only if empty
	}
	if c.State == Failed || c.State == Unplaced {
		return e.explain(c)
	}
	return nil
}

// why is the file that says why a clip lies where it lies.
func why(c *Clip) string { return filepath.Join(c.Lies, c.Stem+inbox.WhyEnding) }

func (e *Engine) explain(c *Clip) error {
	return os.WriteFile(why(c), []byte(e.o.Say(c.Reason, c.Detail)+"\n"), 0o600)
}

// Take accepts one arrival: a clip that can be placed waits from then on.
func (e *Engine) Take(ctx context.Context, a inbox.Arrival) error {
	e.taking.Lock()
	defer e.taking.Unlock()
	if e.stops() {
		return errBlocked
	}
	err := e.take(ctx, a)
	if err != nil && ctx.Err() == nil && !errors.Is(err, inbox.ErrLater) {
		e.o.Log.Error("not_taken", "clip", a.Hash[:8], "err", scrub(err))
	}
	return err
}

// errBlocked leaves an arrival in the inbox.
var errBlocked = errors.New("no clip can be taken now")

// stops tells whether no clip may be taken or read now.
func (e *Engine) stops() bool {
	if e.full() {
		e.blocks(NoSpace, "")
		return true
	}
	if e.o.Ready != nil {
		if err := e.o.Ready(); err != nil {
			e.blocks(NoRoster, err.Error())
			return true
		}
	}
	if b := e.blocked(); b == NoSpace || b == NoRoster {
		e.blocks("", "")
	}
	return false
}

func (e *Engine) take(ctx context.Context, a inbox.Arrival) error {
	base := filepath.Base(a.Rel)
	ext := filepath.Ext(base)
	if ext == base { // ".mov" is hidden and never comes here
		ext = ""
	}
	c := Clip{Hash: a.Hash, Lies: filepath.Dir(a.Path()), Stem: strings.TrimSuffix(base, ext), Ext: ext, Sidecar: a.Sidecar, Voice: a.Voice,
		Came: a.Path(), Size: a.Size, Modified: a.ModTime}

	old, known, err := e.store.Clip(ctx, a.Hash)
	if err != nil {
		return err
	}
	if known {
		c.Copies = old.Copies
		switch old.State {
		case Waiting, Running, Publishing, Done:
			if old.Original() == c.Original() { // it was cut off before it was moved
				return e.pick(ctx, &old)
			}
			return e.another(ctx, &old, &c)
		case Failed, Unplaced:
			if old.Original() != c.Original() && exists(old.Original()) {
				// Tried again with what lies in the inbox now.
				if err := e.another(ctx, &c, &old); err != nil {
					return err
				}
				_ = os.Remove(why(&old))
			}
		}
	}
	if err := e.place(ctx, &c, a); err != nil {
		return err
	}
	if known && old.State == Held && c.State == Held && old.Original() == c.Original() && old.Reason == c.Reason {
		return nil
	}
	if err := e.store.write(ctx, func(tx *sql.Tx) error {
		if c.shown != nil {
			if err := e.store.show(ctx, tx, c.Hash, c.shown); err != nil {
				return err
			}
		}
		return e.store.put(ctx, tx, &c)
	}); err != nil {
		return err
	}
	hook("accepted")
	if c.State == Waiting {
		e.o.Log.Info("clip_waiting", "clip", c.Short(), "player", c.Player, "by", c.How)
	} else {
		defer e.came(&c, string(c.State))
	}
	return e.pick(ctx, &c)
}

// pick brings an accepted original where it belongs, and a waiting one into the
// queue. One that its owner renamed or took away meanwhile comes again under
// its new name, if it does.
func (e *Engine) pick(ctx context.Context, c *Clip) error {
	moved, err := func() (bool, error) {
		e.moving.Lock()
		defer e.moving.Unlock()
		now, ok, err := e.store.Clip(ctx, c.Hash)
		if err != nil || !ok || now.State != c.State || now.Lies != c.Lies {
			return false, err // somebody has it already
		}
		*c = now
		err = e.settleLocked(ctx, c)
		if errors.Is(err, errGone) || errors.Is(err, fs.ErrNotExist) {
			e.o.Log.Info("clip_gone", "clip", c.Short())
			return false, e.store.forget(ctx, c)
		}
		return err == nil, err
	}()
	if err != nil || !moved || c.State != Waiting {
		return err
	}
	return e.store.write(ctx, func(tx *sql.Tx) error { return enqueue(ctx, tx, e.jobs, c) })
}

// another puts a further copy of the same bytes aside.
func (e *Engine) another(ctx context.Context, first, copy *Clip) error {
	day := e.o.Now().In(e.o.Zone).Format(time.DateOnly)
	dir := e.dir(ArchiveDir, "duplicates")
	if err := private(dir); err != nil {
		return err
	}
	stem := ""
	for first.Copies++; ; first.Copies++ {
		stem = day + "-" + first.Short() + "-" + strconv.Itoa(first.Copies)
		taken := false
		for _, ext := range copy.endings() {
			if _, err := os.Lstat(filepath.Join(dir, stem+ext)); err == nil {
				taken = true
			}
		}
		if !taken {
			break
		}
	}
	// What travels with it goes first: without its clip it would be left behind.
	ends := copy.endings()
	for i := range ends {
		ext := ends[len(ends)-1-i]
		err := move(ctx, e.o.Inbox, copy.Lies, copy.Stem+ext, filepath.Join(dir, stem+ext))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	hook("duplicate")
	first.Copies--
	if err := e.store.copied(ctx, first); err != nil && !errors.Is(err, errStale) {
		return err
	}
	c := *first
	c.Reason, c.Detail = Duplicate, string(first.State)
	e.came(&c, Duplicate)
	return nil
}

// place says whose an arrival is and what becomes of it.
func (e *Engine) place(ctx context.Context, c *Clip, a inbox.Arrival) error {
	today := day(e.o.Now().In(e.o.Zone))
	c.Day = today.Format(time.DateOnly)
	if !inbox.IsClip(a.Rel) {
		c.State, c.Reason, c.Detail = Failed, inbox.NotAClip, strings.ToLower(c.Ext)
		return nil
	}
	var note inbox.Note
	if a.Sidecar {
		var err error
		if note, err = e.o.Note(filepath.Join(c.Lies, c.Stem+".yaml")); err != nil {
			c.State, c.Reason, c.Detail = Unplaced, inbox.BadSidecar, err.Error()
			return nil
		}
	}
	p := inbox.Find(a.Rel, note, "", e.o.Roster, today)
	if p.Reason == inbox.NoPlayer && e.o.Spans != nil {
		var err error
		p, err = e.byCard(ctx, c, a, note, today)
		var s *Slip
		switch {
		case errors.As(err, &s) && !s.Again && !s.Blocked: // what was found out in looking
			c.State, c.Reason, c.Detail = Unplaced, s.Reason, s.Detail
			if s.Reason == Unread {
				c.State = Failed
			}
			return nil
		case err != nil:
			return err
		}
	}
	c.Player, c.How, c.Day, c.Dated, c.Reason, c.Detail = p.Player, p.How, p.Day, p.Dated, p.Reason, p.Detail
	switch p.Reason {
	case "":
		c.State = Waiting
	case inbox.NoConsent:
		c.State = Held
	default:
		c.State = Unplaced
	}
	return nil
}

// day is a calendar day as a roster writes it.
func day(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}

// work reads one clip and publishes its lesson.
func (e *Engine) work(ctx context.Context, hash string) error {
	db := context.WithoutCancel(ctx) // what is begun in the store is ended
	if e.stops() {
		return river.JobSnooze(e.o.Pause)
	}
	c, err := e.store.claim(db, hash)
	if errors.Is(err, errStale) {
		return nil // it is done, or somebody else has it
	}
	if err != nil {
		return err
	}
	hook("claimed")
	err = e.make(ctx, db, &c)
	if err == nil {
		return nil
	}
	var s *Slip
	if !errors.As(err, &s) {
		s = &Slip{Reason: Mistake, Detail: err.Error(), Again: true}
	}
	switch {
	case errors.Is(err, errStale):
		return nil
	case s.Reason == Stopped && ctx.Err() != nil:
		_ = e.store.release(db, &c, "", "", true)
		return river.JobSnooze(0)
	case s.Reason == Changed:
		_ = e.store.release(db, &c, "", "", true)
		return river.JobSnooze(e.o.Settle)
	case s.Blocked:
		if err := e.store.release(db, &c, s.Reason, s.Detail, true); err != nil {
			return err
		}
		e.blocks(s.Reason, s.Detail)
		return river.JobSnooze(e.o.Pause)
	case s.Again && c.Tries < e.o.Tries:
		if err := e.store.release(db, &c, s.Reason, s.Detail, false); err != nil {
			return err
		}
		e.o.Log.Warn("clip_again", "clip", c.Short(), "player", c.Player, "reason", s.Reason, "try", c.Tries)
		return s
	}
	if s.Reason == NoBatter || s.Reason == NoSwing {
		if card, err := e.store.shows(db, c.Hash); err != nil {
			return err
		} else if card {
			return e.onlyCard(db, &c)
		}
	}
	c.State, c.Reason, c.Detail = Failed, s.Reason, s.Detail
	if err := e.store.fail(db, &c); err != nil {
		return err
	}
	hook("failed")
	if err := e.settle(db, &c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	e.came(&c, string(Failed))
	return river.JobCancel(s)
}

// onlyCard ends a clip that was filmed to show a card.
func (e *Engine) onlyCard(ctx context.Context, c *Clip) error {
	c.State, c.Reason, c.Detail = Done, OnlyCard, c.Player
	if err := e.store.onlyCard(ctx, c); err != nil {
		return err
	}
	hook("carded")
	if err := e.settle(ctx, c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	e.came(c, Card)
	return nil
}

// make is a try: read, check, publish, archive.
func (e *Engine) make(ctx, db context.Context, c *Clip) error {
	if err := e.settle(ctx, c); errors.Is(err, errGone) || errors.Is(err, fs.ErrNotExist) {
		e.o.Log.Warn("clip_gone", "clip", c.Short(), "player", c.Player)
		_ = e.store.forget(db, c)
		return errStale
	} else if err != nil {
		return &Slip{Reason: NotMoved, Detail: scrub(err).Error(), Again: true}
	}
	hook("taken")
	if other, err := e.changed(ctx, c); err != nil {
		return err
	} else if other {
		return errStale
	}
	// Consent may have been withdrawn while it waited.
	filmed, err := time.Parse(time.DateOnly, c.Day)
	if err != nil || !e.o.Roster.Film(c.Player, filmed) || !e.o.Roster.Film(c.Player, day(e.o.Now().In(e.o.Zone))) {
		return &Slip{Reason: inbox.NoConsent, Detail: c.Player}
	}
	e.o.Log.Info("clip_running", "clip", c.Short(), "player", c.Player, "try", c.Tries)

	out := e.staging(c)
	if err := errors.Join(os.RemoveAll(out), private(out)); err != nil {
		return &Slip{Reason: NoSpace, Detail: scrub(err).Error(), Blocked: true}
	}
	defer func() {
		if c.State != Publishing {
			_ = os.RemoveAll(out)
		}
	}()
	var told time.Time
	step := ""
	err = e.o.Read(ctx, Reading{Clip: *c, Out: out, Limits: e.o.Limits, Tell: func(s string, part, whole int) {
		if now := time.Now(); s != step || now.Sub(told) > time.Second {
			step, told = s, now
			_ = e.store.progress(db, c, s, part, whole)
		}
	}})
	if err != nil {
		if e.full() { // whatever the reading made of it
			return &Slip{Reason: NoSpace, Blocked: true}
		}
		return err
	}
	hook("read")
	if e.blocked() != "" {
		e.blocks("", "")
	}
	if c.Staging, err = made(out, c.Hash); err != nil {
		return &Slip{Reason: NotWhole, Detail: err.Error(), Again: true}
	}
	c.Final = e.final(c)
	if err := e.store.intend(db, c); err != nil {
		return err
	}
	c.State = Publishing
	hook("intended")
	return e.publish(db, c)
}

// publish makes a lesson that is intended appear. Everything in it can be done
// again. An error leaves the clip publishing, for finish.
func (e *Engine) publish(ctx context.Context, c *Clip) error {
	stuck := func(err error) error {
		e.o.Log.Error("not_published", "clip", c.Short(), "player", c.Player, "err", scrub(err))
		e.mu.Lock()
		e.stuck[c.Hash] = true
		e.mu.Unlock()
		e.blocks(NoRecord, "")
		return errStale
	}
	if whole(c.Final, c.Hash) != nil {
		if err := os.MkdirAll(filepath.Dir(c.Final), 0o777); err != nil {
			return stuck(err)
		}
		if err := os.Rename(c.Staging, c.Final); err != nil {
			return stuck(err)
		}
		if err := syncDir(filepath.Dir(c.Final)); err != nil {
			return stuck(err)
		}
	}
	hook("renamed")
	if err := e.o.Record(ctx, *c, c.Final); err != nil {
		return stuck(err)
	}
	hook("recorded")
	if err := e.store.published(ctx, c); err != nil {
		return stuck(err)
	}
	c.State = Done
	e.mu.Lock()
	delete(e.stuck, c.Hash)
	e.mu.Unlock()
	hook("done")
	if err := e.settle(ctx, c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	hook("archived")
	if c.Staging != "" {
		_ = os.RemoveAll(filepath.Dir(c.Staging))
	}
	c.Reason, c.Detail = "", ""
	e.came(c, string(Done))
	return nil
}

// finish tries again to publish what could not be.
func (e *Engine) finish(ctx context.Context) {
	e.mu.Lock()
	hashes := slices.Collect(maps.Keys(e.stuck))
	e.mu.Unlock()
	for _, h := range hashes {
		c, ok, err := e.store.Clip(ctx, h)
		if err != nil || !ok || c.State != Publishing {
			continue
		}
		if e.publish(ctx, &c) == nil && e.blocked() == NoRecord {
			e.blocks("", "")
		}
	}
}

// staging is the folder of one claim.
func (e *Engine) staging(c *Clip) string {
	return e.dir(stagingDir, c.Hash[:16]+"-"+strconv.Itoa(int(c.Fence)))
}

// final is the folder of a clip's lesson: never that of another clip.
func (e *Engine) final(c *Clip) string {
	for _, n := range []int{8, 16} {
		dir := e.dir(LessonsDir, c.Player, c.Day+"-"+c.Hash[:n])
		if _, err := os.Lstat(dir); err != nil || whole(dir, c.Hash) == nil {
			return dir
		}
	}
	return e.dir(LessonsDir, c.Player, c.Day+"-"+c.Hash)
}

// changed finds a clip that its writer wrote to after it was taken. While that
// goes on it waits; then it is the clip that it has become.
func (e *Engine) changed(ctx context.Context, c *Clip) (bool, error) {
	st, err := os.Lstat(c.Original())
	if err != nil {
		return false, &Slip{Reason: NotMoved, Detail: scrub(err).Error(), Again: true}
	}
	if st.Size() == c.Size && st.ModTime().Equal(c.Modified) {
		return false, nil
	}
	if time.Since(st.ModTime()) < e.o.Settle {
		return false, &Slip{Reason: Changed, Again: true}
	}
	sum, err := hash(ctx, c.Original())
	if err != nil || sum == c.Hash {
		return false, err
	}
	e.taking.Lock()
	defer e.taking.Unlock()
	e.o.Log.Warn("clip_changed", "clip", c.Short(), "player", c.Player, "now", sum[:8])
	now := *c
	now.Hash, now.Size, now.Modified, now.State, now.Tries, now.Fence = sum, st.Size(), st.ModTime(), Waiting, 0, 0
	first, known, err := e.store.Clip(ctx, sum)
	if err != nil {
		return false, err
	}
	if known { // what it has become is here already
		err = e.another(ctx, &first, &now)
	} else {
		err = e.store.write(ctx, func(tx *sql.Tx) error {
			return errors.Join(e.store.put(ctx, tx, &now), enqueue(ctx, tx, e.jobs, &now))
		})
	}
	if err != nil {
		return false, err
	}
	return true, e.store.forget(ctx, c)
}

// made is the one folder in out that holds a whole lesson of the clip.
func made(out, hash string) (string, error) {
	entries, err := os.ReadDir(out)
	if err != nil {
		return "", err
	}
	if len(entries) != 1 || !entries[0].IsDir() {
		return "", errors.New("there is no lesson")
	}
	dir := filepath.Join(out, entries[0].Name())
	return dir, whole(dir, hash)
}

// whole is nil where a folder holds every file of the clip's lesson.
func whole(dir, hash string) error {
	for _, n := range pipeline.Outputs {
		st, err := os.Lstat(filepath.Join(dir, n))
		if err != nil || !st.Mode().IsRegular() || st.Size() == 0 {
			return errors.New(n + " is missing")
		}
	}
	b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
	if err != nil {
		return err
	}
	var rep struct {
		Clip struct{ ID string }
	}
	if err := json.Unmarshal(b, &rep); err != nil {
		return err
	}
	if rep.Clip.ID != hash {
		return errors.New("it is the lesson of another clip")
	}
	return nil
}

// recover ends or undoes what a program that died left half-way.
func (e *Engine) recover(ctx context.Context) error {
	if err := e.store.reclaim(ctx); err != nil {
		return err
	}
	all, err := e.store.Clips(ctx, "")
	if err != nil {
		return err
	}
	keep := map[string]bool{}
	for i := range all {
		c := &all[i]
		switch c.State {
		case Publishing:
			if err := e.store.seize(ctx, c); err != nil {
				return err
			}
			if whole(c.Final, c.Hash) == nil || whole(c.Staging, c.Hash) == nil {
				e.o.Log.Info("clip_finished", "clip", c.Short(), "player", c.Player)
				if err := e.publish(ctx, c); err != nil { // the disk is full, say: another start
					keep[filepath.Dir(c.Staging)] = true
				}
				continue
			}
			if err := e.store.release(ctx, c, "", "", true); err != nil {
				return err
			}
		case Running:
			if err := e.store.release(ctx, c, "", "", true); err != nil {
				return err
			}
		case Done, Failed, Unplaced:
			if err := e.settle(ctx, c); err != nil && !errors.Is(err, errGone) {
				e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
			}
		}
	}
	e.sweep(keep)
	if err := e.prune(ctx); err != nil {
		return err
	}
	return e.store.ensure(ctx, e.jobs)
}

// prune forgets clips that their owner took out of the folder in which they
// lay for him.
func (e *Engine) prune(ctx context.Context) error {
	if err := e.store.dropCards(ctx, e.o.Now().Add(-7*24*time.Hour)); err != nil {
		return err
	}
	e.moving.Lock()
	defer e.moving.Unlock()
	for _, state := range []State{Failed, Unplaced, Held} {
		clips, err := e.store.Clips(ctx, state)
		if err != nil {
			return err
		}
		for i := range clips {
			c := &clips[i]
			if exists(c.Original()) {
				continue
			}
			if dir, stem := e.home(c); exists(filepath.Join(dir, stem+c.Ext)) {
				continue // a move was cut off
			}
			e.o.Log.Info("taken_back", "clip", c.Short(), "player", c.Player)
			if err := e.store.forget(ctx, c); err != nil && !errors.Is(err, errStale) {
				return err
			}
			_ = os.Remove(why(c))
		}
	}
	return nil
}

// sweep removes what claims that are over left behind, and copies that were
// cut off.
func (e *Engine) sweep(keep map[string]bool) {
	entries, _ := os.ReadDir(e.dir(stagingDir))
	for _, d := range entries {
		if p := e.dir(stagingDir, d.Name()); !keep[p] {
			_ = os.RemoveAll(p)
		}
	}
	empty, _ := filepath.Glob(e.dir(takenDir, "*"))
	for _, p := range empty {
		_ = os.Remove(p) // only if it is
	}
	for _, d := range []string{takenDir + "/*", ArchiveDir + "/*", UnplacedDir, FailedDir} {
		cut, _ := filepath.Glob(e.dir(d, draft+"*"))
		for _, p := range cut {
			_ = os.Remove(p)
		}
	}
}

// scrub leaves out the path, which may hold a name.
func scrub(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	var le *os.LinkError
	if errors.As(err, &le) {
		return le.Err
	}
	return err
}
