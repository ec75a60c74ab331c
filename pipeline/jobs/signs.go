package jobs

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"path"
	"sync"
	"syscall"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/internal/postgres"
)

// What a worker tells of database and depot where they can't be reached: in the
// log once when it begins and once when it ends, and with its signs of life.

// BreaksOff: its readings broke off one after another, so that a worker rests.
const BreaksOff = "breaks_off"

// Away is, of an error of a store that is one of the way to its database, or of a
// server that is just starting or stopping, what is the matter; else empty.
func Away(err error) string {
	if !postgres.Lost(err) {
		return ""
	}
	return cause(err)
}

// outage is when something could not be reached any more.
type outage struct {
	mu    sync.Mutex
	since time.Time // zero: it can be
	heard time.Time // when it answered last

	// Of a depot that answers, but where nothing can be stored:
	shut  time.Time // since when; zero: it isn't so
	what  string    // what could not be stored last
	tries int
	next  time.Time // when storing is tried again
	lapse time.Time // until when it is believed though nobody tries
}

// begin notes it; first tells that it is news.
func (o *outage) begin(at time.Time) (first bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if first = o.since.IsZero() || !o.shut.IsZero(); o.since.IsZero() {
		o.since = at
	}
	o.shut, o.tries, o.next = time.Time{}, 0, time.Time{}
	return first
}

// shuts notes that storing something failed where there was an answer; it is tried
// again after a pause, longer each time. first tells that it is news.
func (o *outage) shuts(at time.Time, what string, pause time.Duration) (first bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.since.IsZero() {
		o.since = at
	}
	if first = o.shut.IsZero(); first {
		o.shut = at
	}
	o.what = what
	o.next = at.Add(pause << min(o.tries, 3))
	o.lapse = o.next.Add(8 * pause)
	o.tries++
	return first
}

// later tells that storing isn't tried yet.
func (o *outage) later(at time.Time) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return at.Before(o.next)
}

// end notes an answer, and what was stored, if anything was; was tells that it
// ended an outage, which took so long. Where something could not be stored only
// storing that ends it: what is small, or there already, goes well all the while.
func (o *outage) end(at time.Time, stored string) (took time.Duration, was bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.heard = at
	if !o.shut.IsZero() && stored != o.what && at.Before(o.lapse) {
		return 0, false
	}
	if was = !o.since.IsZero(); was {
		took = at.Sub(o.since)
	}
	o.since, o.shut, o.tries, o.next = time.Time{}, time.Time{}, 0, time.Time{}
	return took, was
}

// reason of a depot's outage; empty: there is none.
func (o *outage) reason() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	switch {
	case o.since.IsZero():
		return ""
	case !o.shut.IsZero():
		return ShutDepot
	}
	return NoDepot
}

// on tells whether there is one, and otherwise when the last answer came.
func (o *outage) on() (yes bool, heard time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return !o.since.IsZero(), o.heard
}

// baseAway notes that the database did not answer from then on; nil: not yet.
func (e *Engine) baseAway(since time.Time, err error) {
	if !e.store.Shared() || !e.base.begin(since) { // a file isn't away
		return
	}
	why := errMute.Error()
	if err != nil {
		why = cause(err)
	}
	e.o.Log.Warn("database_away", "database", e.store.where, "err", why, "again_every", e.pulse.every())
}

func (e *Engine) baseBack() {
	if took, was := e.base.end(time.Now(), ""); was {
		e.o.Log.Info("database_back", "database", e.store.where, "away", took.Round(time.Second))
	}
}

// unreached notes that the depot can't be reached.
func (e *Engine) unreached(err error) {
	if shut := (shutError{}); errors.As(err, &shut) {
		return // told by witness
	}
	e.blocks(NoDepot, "")
	if e.far.begin(time.Now()) {
		e.o.Log.Warn("depot_away", "reason", NoDepot, "depot", e.depotName(), "err", err)
	} else {
		e.o.Log.Debug("depot", "err", err)
	}
}

// reached notes that it answered.
func (e *Engine) reached() { e.heard("") }

// heard notes that it answered, and what was stored there, if anything was.
func (e *Engine) heard(stored string) {
	if took, was := e.far.end(time.Now(), stored); was {
		e.o.Log.Info("depot_back", "depot", e.depotName(), "away", took.Round(time.Second))
	}
	if b := e.blocked(); b == NoDepot || b == ShutDepot {
		if r := e.far.reason(); r != b {
			e.blocks(r, "")
		}
	}
}

func (e *Engine) depotName() string {
	if w, ok := e.o.Depot.(*witness); ok {
		if d, ok := w.Depot.(interface{ Where() string }); ok {
			return d.Where()
		}
	}
	return ""
}

// witness is a depot that tells what its errors are about: one that answers and
// yet takes nothing is full, or its keys may only read, and a disk here that is
// full isn't the depot's trouble.
type witness struct {
	Depot
	e *Engine
}

// shutError is one of storing, where the depot answered.
type shutError struct{ error }

func (s shutError) Unwrap() error   { return s.error }
func (s shutError) Temporary() bool { return true }

// hereError is one of this machine's disk.
type hereError struct{ error }

func (h hereError) Unwrap() error   { return h.error }
func (h hereError) Temporary() bool { return false }

// refusedError is one of removing, where the depot answered: its keys may not
// remove, or it may only be read. That keeps nothing else from being done.
type refusedError struct{ error }

func (r refusedError) Unwrap() error   { return r.error }
func (r refusedError) Temporary() bool { return false }

func refused(err error) bool { return errors.As(err, new(refusedError)) }

func (w *witness) Put(ctx context.Context, key, file string) error {
	return w.stored(ctx, key, w.Depot.Put(ctx, key, file))
}

func (w *witness) PutFolder(ctx context.Context, key, dir string) error {
	// Another making of a lesson has another key, and is as good a proof.
	return w.stored(ctx, path.Dir(key), w.Depot.PutFolder(ctx, key, dir))
}

func (w *witness) Remove(ctx context.Context, key string) error {
	return w.removed(ctx, w.Depot.Remove(ctx, key))
}

func (w *witness) Purge(ctx context.Context, key string) error {
	return w.removed(ctx, w.Depot.Purge(ctx, key))
}

func (w *witness) removed(ctx context.Context, err error) error {
	if !isTemporary(err) || w.e.far.reason() == NoDepot || w.e.answers(ctx, true) != nil || ctx.Err() != nil {
		return err
	}
	return refusedError{err}
}

func (w *witness) stored(ctx context.Context, what string, err error) error {
	switch {
	case err == nil:
		w.e.heard(what)
		return nil
	case !isTemporary(err) || ctx.Err() != nil:
		return err
	}
	r := w.e.far.reason()
	if r == NoDepot || r == "" && w.e.answers(ctx, true) != nil || ctx.Err() != nil {
		return err
	}
	if w.e.blocks(ShutDepot, ""); w.e.far.shuts(time.Now(), what, w.e.o.Pause) {
		w.e.o.Log.Warn("depot_away", "reason", ShutDepot, "depot", w.e.depotName(), "err", err)
	}
	return shutError{err}
}

func (w *witness) Get(ctx context.Context, key, file string) error {
	return here(w.Depot.Get(ctx, key, file))
}

func (w *witness) GetFolder(ctx context.Context, key, dir string) error {
	return here(w.Depot.GetFolder(ctx, key, dir))
}

func here(err error) error {
	if noRoom(err) {
		return hereError{err}
	}
	return err
}

// noRoom tells of an error that a disk is full or can't be written to.
func noRoom(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EROFS)
}

// fullHere tells that it is the disk of this machine.
func fullHere(err error) bool { return noRoom(err) && !isTemporary(err) && !refused(err) }

// sounds asks the depot now and then, so that a worker that has nothing to do
// knows too whether it can be reached, and one that waits for it when it is back.
func (e *Engine) sounds(ctx context.Context) {
	tick := time.NewTicker(min(20*time.Second, e.o.Pause))
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if away, heard := e.far.on(); away || time.Since(heard) > e.pulse.silence {
			e.sound(ctx, away)
		}
	}
}

func (e *Engine) sound(ctx context.Context, away bool) {
	switch err := e.answers(ctx, away); {
	case ctx.Err() != nil:
	case err == nil:
		e.reached()
	default:
		e.unreached(err)
	}
}

// answers is nil where something can be read in the depot.
func (e *Engine) answers(ctx context.Context, away bool) (err error) {
	short, cancel := context.WithTimeout(ctx, max(e.pulse.silence/3, time.Second))
	defer cancel()
	const nothing = "clips/none"
	if away { // a folder that isn't mounted is told by what can't be read in it
		err = e.o.Depot.Whole(short, nothing)
	} else { // in one that is new there is nothing to be read yet
		_, err = e.o.Depot.Keys(short, nothing+"/")
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case errors.Is(err, context.DeadlineExceeded):
		return errMute
	}
	return err
}

// errMute: nothing was answered in time.
var errMute = errors.New("no answer")

// trouble is why this worker can't go on, for its signs of life.
func (e *Engine) trouble() string {
	if r := e.far.reason(); r != "" {
		return r
	}
	if b := e.blocked(); b != "" {
		return b
	}
	if e.doubts.rest(time.Now()) > 0 {
		return BreaksOff
	}
	return ""
}

// wrong logs what went wrong, but not what is told once as an outage.
func (e *Engine) wrong(what string, err error) {
	switch {
	case e.o.Depot != nil && e.store.Shared() && postgres.Lost(err) && ofStore(err):
		e.o.Log.Debug(what, "err", scrub(err))
	case e.o.Depot != nil && isTemporary(err):
		e.unreached(err)
	default:
		e.o.Log.Error(what, "err", scrub(err))
	}
}

// ofStore tells an error of the store from one of the depot: both may come from
// a network.
func ofStore(err error) bool {
	var e *pipeline.Error
	return errors.As(err, &e) && e.Step == "store"
}

// cause is the innermost of an error of the database, without user and address.
func cause(err error) string {
	var n *net.OpError
	var name *net.DNSError
	var errno syscall.Errno
	switch {
	case errors.As(err, &name): // else with the name, and who was asked for it
		return name.Err
	case errors.As(err, &errno):
		return errno.Error()
	case errors.As(err, &n):
		return n.Err.Error()
	case errors.Is(err, context.DeadlineExceeded):
		return errMute.Error()
	}
	for inner := errors.Unwrap(err); inner != nil; inner = errors.Unwrap(err) {
		err = inner
	}
	return err.Error()
}

// doubts are those that a worker has of itself: readings that broke off one
// after another, each of another clip, with none between them that came to an
// end. Then it may be the machine, and where others read it rests, longer each
// time, so that it doesn't spend the tries of all clips that wait.
type doubts struct {
	mu    sync.Mutex
	clips map[string]bool
	times int
	until time.Time
}

// doubtful is how many clips in a row make a worker doubt.
const doubtful = 3

// broke notes that a reading did; first tells that it is one too many.
func (d *doubts) broke(hash string, pause time.Duration) (first bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.clips == nil {
		d.clips = map[string]bool{}
	}
	if d.clips[hash] = true; len(d.clips) < doubtful {
		return false
	}
	d.until = time.Now().Add(pause << min(d.times, 5))
	d.times++
	return d.times == 1
}

// ended notes that one came to an end, whatever it was; was tells that there were
// doubts.
func (d *doubts) ended() (was bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	was = d.times > 0
	d.clips, d.times, d.until = nil, 0, time.Time{}
	return was
}

func (e *Engine) unbroken() {
	if e.doubts.ended() {
		e.o.Log.Info("goes_on")
	}
}

// rest is how long is rested still.
func (d *doubts) rest(now time.Time) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return max(0, d.until.Sub(now))
}

// brokeOff tells of a reason that it may be the machine's fault as well as the
// clip's.
func brokeOff(reason string) bool {
	switch reason {
	case Crashed, TooLarge, TooLong, NotWhole, NoRecord, Mistake:
		return true
	}
	return false
}
