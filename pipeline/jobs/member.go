package jobs

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"
	"golang.org/x/sys/unix"
)

// Where there is a depot an engine is one of several workers, see doc.go.

// member is one life of an engine as a worker.
type member struct {
	id     string
	jobs   *client       // works under that id; nil: it reads nothing
	gone   chan struct{} // closed when others have taken it for dead
	drains atomic.Bool
}

// idFile in the folder a worker has for itself holds its id, a line: who holds the
// folder knows that the one before it there is dead.
const idFile = ".worker"

// enlist begins a life.
func (e *Engine) enlist(ctx context.Context) (*member, error) {
	m := &member{id: rand.Text(), gone: make(chan struct{})}
	e.mu.Lock()
	was := e.id // a life before this one, which left nothing
	e.mu.Unlock()
	// Before the row: a disk that is full must not leave one after the other. And
	// with the one before, until that has no row: should this one die between.
	if err := os.WriteFile(e.dir(idFile), []byte(strings.TrimSpace(m.id+"\n"+was)), 0o600); err != nil {
		return nil, err
	}
	if err := e.store.join(ctx, Worker{ID: m.id, Name: e.o.Name, Role: e.role(), Process: os.Getpid(), Jobs: e.o.Jobs, Version: e.o.Version}); err != nil {
		return nil, err
	}
	e.mu.Lock()
	e.id = m.id
	e.mu.Unlock()
	if was != "" {
		err := e.store.depart(ctx, was)
		if err == nil {
			err = os.WriteFile(e.dir(idFile), []byte(m.id), 0o600)
		}
		if err != nil {
			e.o.Log.Debug("not_departed", "err", scrub(err))
		}
	}
	if e.o.Jobs == 0 {
		return m, nil
	}
	var err error
	if m.jobs, err = e.queue(m.id); err != nil {
		return nil, err
	}
	return m, m.jobs.Start(context.WithoutCancel(ctx))
}

func (e *Engine) role() string {
	switch {
	case !e.takesIn:
		return RoleReader
	case e.o.Jobs == 0:
		return RoleOffice
	}
	return RoleBoth
}

// serve is one of the workers until quit ends, then it ends what it reads; when
// hard ends it gives it back. Taken for dead, it lets go of everything and begins
// anew as another. began is called once.
func (e *Engine) serve(quit, hard context.Context, began func(error)) {
	for first := true; first || quit.Err() == nil; first = false {
		m, err := e.enlist(quit)
		if first {
			began(err)
		}
		if err != nil {
			if first {
				return
			}
			e.wrong("not_enlisted", err)
			select {
			case <-quit.Done():
			case <-time.After(time.Second):
			}
			continue
		}
		e.o.Log.Info("worker", "id", m.id[:8], "name", e.o.Name, "jobs", e.o.Jobs)
		if e.live(quit, hard, m) {
			return
		}
		e.o.Log.Warn("worker_taken_over", "id", m.id[:8])
	}
}

// live is one life; false: it was taken for dead.
func (e *Engine) live(quit, hard context.Context, m *member) bool {
	ctx, stop := context.WithCancel(context.WithoutCancel(quit))
	beats := make(chan struct{})
	go func() {
		defer close(beats)
		e.beats(ctx, m)
	}()
	defer func() {
		stop()
		<-beats
	}()
	end := func(f func(context.Context) error) chan struct{} {
		over := make(chan struct{})
		go func() {
			defer close(over)
			if m.jobs != nil {
				_ = f(context.Background())
			}
		}()
		return over
	}
	// What is killed ends at once; what it says to a store that is away has an
	// end, too.
	kill := func() {
		select {
		case <-end(m.jobs.StopAndCancel):
		case <-time.After(5 * time.Minute):
		}
	}
	if m.jobs == nil {
		kill = func() {}
	}
	select {
	case <-m.gone:
		kill()
		return false
	case <-quit.Done():
	}
	m.drains.Store(true)
	e.leaving.Store(true)
	if hard.Err() == nil {
		e.o.Log.Info("draining")
		_ = e.beat(ctx, m)
	}
	var drained chan struct{}
	if m.jobs == nil {
		drained = end(nil)
	} else {
		drained = end(m.jobs.Stop)
	}
	select {
	case <-m.gone:
		kill()
		return true
	case <-hard.Done():
		kill()
	case <-drained:
	}
	bye, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if err := e.store.depart(bye, m.id); err == nil {
		_ = os.Remove(e.dir(idFile))
	}
	return true
}

func (e *Engine) beat(ctx context.Context, m *member) error {
	ctx, cancel := context.WithTimeout(ctx, max(e.pulse.silence/3, time.Second))
	defer cancel()
	w := Worker{ID: m.id, State: Working, Trouble: e.trouble()}
	if m.drains.Load() {
		w.State = Draining
	}
	e.mu.Lock()
	w.Hand = len(e.busy)
	e.mu.Unlock()
	return e.store.beat(ctx, w)
}

// patience is after how long without an answer to a sign of life the database
// counts as away.
func (p *pulse) patience() time.Duration { return max(p.every()/2, 3*time.Second) }

// beats gives signs of life and looks for those of others, until ctx ends or
// there is nobody who believes them. While the store is away nobody hears them,
// and nobody else is heard: work goes on.
func (e *Engine) beats(ctx context.Context, m *member) {
	tick := time.NewTicker(e.pulse.every())
	defer tick.Stop()
	for n := 0; ; n++ {
		began := time.Now()
		slow := time.AfterFunc(e.pulse.patience(), func() {
			if time.Since(began) < 2*e.pulse.patience() { // else it stood still itself
				e.baseAway(began, nil)
			}
		})
		err := e.beat(ctx, m)
		slow.Stop()
		if errors.Is(err, errStale) {
			close(m.gone)
			return
		}
		if err == nil {
			e.baseBack()
			if err = e.listen(ctx, m.id); err == nil && n%10 == 0 {
				e.tend()
			}
		}
		if err != nil && ctx.Err() == nil {
			e.baseAway(began, err)
			e.o.Log.Debug("no_beat", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// listen takes those for gone that have been silent.
func (e *Engine) listen(ctx context.Context, me string) error {
	ctx, cancel := context.WithTimeout(ctx, max(e.pulse.silence/3, time.Second))
	defer cancel()
	all, err := e.store.Workers(ctx)
	if err != nil {
		return err
	}
	for _, w := range e.pulse.silent(time.Now(), all, me) {
		switch err := e.store.bury(ctx, w); {
		case errors.Is(err, errStale):
		case err != nil:
			return err
		default:
			e.o.Log.Warn("worker_gone", "id", w.ID[:min(8, len(w.ID))], "name", w.Name)
			e.tend()
		}
	}
	return nil
}

// tend has the keeper look.
func (e *Engine) tend() {
	select {
	case e.due <- struct{}{}:
	default:
	}
}

// keeper gathers what was left, and ends what was published in part, until ctx
// ends. It is apart from the beats, which must not wait for a network.
func (e *Engine) keeper(ctx context.Context) {
	tick := time.NewTicker(min(20*time.Second, e.o.Pause))
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-e.due:
			if err := e.gather(ctx); err != nil && ctx.Err() == nil {
				e.wrong("not_gathered", err)
			}
		case <-tick.C:
		}
		e.stops() // says that the disk is full, or no more
		e.finish(ctx)
	}
}

// gather takes over what workers left that don't live any more, and gives back
// what nobody works on here.
func (e *Engine) gather(ctx context.Context) error {
	e.mu.Lock()
	me := e.id
	e.mu.Unlock()
	if me == "" {
		return nil
	}
	running, err := e.store.left(ctx, Running)
	if err != nil {
		return err
	}
	own, err := e.store.list(ctx, `WHERE state = 'running' AND worker = $1`, me)
	if err != nil {
		return err
	}
	e.mu.Lock()
	own = slices.DeleteFunc(own, func(c Clip) bool { return e.busy[c.Hash] })
	e.mu.Unlock()
	for _, c := range append(running, own...) {
		switch err := e.store.release(ctx, &c, "", "", true); {
		case errors.Is(err, errStale):
		case err != nil:
			return err
		default:
			e.o.Log.Info("clip_given_back", "clip", c.Short(), "player", c.Player)
		}
	}
	hook("released")
	if err := e.gatherJobs(ctx, me); err != nil {
		return err
	}
	published, err := e.store.left(ctx, Publishing)
	if err != nil {
		return err
	}
	for _, c := range published {
		switch err := e.store.seize(ctx, &c, me); {
		case errors.Is(err, errStale):
		case err != nil:
			return err
		default:
			hook("seized")
			e.mu.Lock()
			e.stuck[c.Hash] = true
			e.mu.Unlock()
		}
	}
	// A publishing clip of one's own that nobody ends: the seizing was cut off.
	mine, err := e.store.list(ctx, `WHERE state = 'publishing' AND worker = $1`, me)
	e.mu.Lock()
	for _, c := range mine {
		e.stuck[c.Hash] = e.stuck[c.Hash] || !e.busy[c.Hash]
	}
	e.mu.Unlock()
	return errors.Join(err, e.store.rejoin(ctx, e.jobs), e.store.unbury(ctx))
}

// gatherJobs removes the jobs of those that don't live: River would wait for
// them for hours. One that wakes meets no job to end.
func (e *Engine) gatherJobs(ctx context.Context, me string) error {
	workers, err := e.store.Workers(ctx)
	if err != nil {
		return err
	}
	lives := map[string]bool{}
	for _, w := range workers {
		lives[w.ID] = w.State != Gone
	}
	list, err := e.jobs.JobList(ctx, river.NewJobListParams().States(rivertype.JobStateRunning).Kinds(readArgs{}.Kind()).First(10000))
	if err != nil {
		return storeFault(e.store.where, "can't be read", err)
	}
	odd := map[int64]bool{} // of one's own that were idle the last time, too
	for _, j := range list.Jobs {
		by := ""
		if n := len(j.AttemptedBy); n > 0 {
			by = j.AttemptedBy[n-1]
		}
		if lives[by] && by != me {
			continue
		}
		if by == me {
			hash, _ := hashOf(j)
			e.mu.Lock()
			busy := e.busy[hash]
			e.mu.Unlock()
			if busy {
				continue
			}
			if odd[j.ID] = true; !e.odd[j.ID] {
				continue
			}
		}
		if err := e.store.write(ctx, func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, `DELETE FROM river_job WHERE id = $1 AND state = 'running' AND attempt = $2`, j.ID, j.Attempt)
			return err
		}); err != nil {
			return err
		}
	}
	e.odd = odd
	return nil
}

// slots are the folders for workers of one machine below its work folder.
const (
	slotsDir  = "workers"
	mostSlots = 64
)

// Slot takes a folder below the work folder for a worker alone, so that several
// on one machine don't meet; ErrBusy where all are taken. What those that died
// left in theirs is removed.
func Slot(work string) (dir string, unlock func(), err error) {
	for n := 1; n <= mostSlots; n++ {
		at := filepath.Join(work, slotsDir, strconv.Itoa(n))
		if dir == "" {
			if err := private(at); err != nil {
				return "", nil, err
			}
		}
		f, err := os.OpenFile(filepath.Join(at, ".lock"), os.O_CREATE|os.O_RDWR, 0o600)
		if errors.Is(err, fs.ErrNotExist) {
			break // nor has any other been used
		} else if err != nil {
			return "", nil, err
		}
		switch free := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) == nil; {
		case free && dir == "":
			dir, unlock = at, func() { _ = f.Close() }
			continue
		case free: // children's films that one that died had fetched
			_ = os.RemoveAll(filepath.Join(at, stagingDir))
		}
		_ = f.Close()
	}
	if dir == "" {
		return "", nil, ErrBusy
	}
	return dir, unlock, nil
}

// Work only reads, as one of the workers, until quit ends: then it ends what it
// reads, or, when hard ends, gives it back. Work of the options is a folder that
// it has for itself, see Slot.
func (e *Engine) Work(quit, hard context.Context) error {
	if err := private(e.dir(stagingDir)); err != nil {
		return err
	}
	ctx := context.WithoutCancel(quit)
	var err error
	if e.jobs, err = e.store.inserter(); err != nil {
		return err
	}
	if err := errors.Join(e.succeed(ctx, e.o.Work), e.succeedBeside(ctx)); err != nil {
		return err
	}
	e.sweep(nil)
	calm := e.expectTheWorst()
	defer calm()
	over, err := e.begins(quit, hard)
	if err != nil {
		return err
	}
	over()
	e.o.Log.Info("stopped")
	return nil
}

// Again ends when a program that a signal asked to end, so that quit has ended,
// is asked once more.
func Again(quit context.Context) (hard context.Context, stop func()) {
	hard, cancel := context.WithCancel(context.WithoutCancel(quit))
	go func() {
		select {
		case <-quit.Done():
		case <-hard.Done():
			return
		}
		asked := make(chan os.Signal, 1)
		signal.Notify(asked, os.Interrupt, unix.SIGTERM)
		defer signal.Stop(asked)
		select {
		case <-asked:
			cancel()
		case <-hard.Done():
		}
	}()
	return hard, cancel
}

// begins starts what a worker does; over waits for its end.
func (e *Engine) begins(quit, hard context.Context) (over func(), err error) {
	began, served := make(chan error, 1), make(chan struct{})
	var kept sync.WaitGroup
	ctx, stop := context.WithCancel(context.WithoutCancel(quit))
	kept.Go(func() { e.keeper(ctx) })
	kept.Go(func() { e.sounds(ctx) })
	go func() {
		defer close(served)
		e.serve(quit, hard, func(err error) { began <- err })
	}()
	over = func() {
		<-served
		stop()
		kept.Wait()
	}
	if err := <-began; err != nil {
		over()
		return nil, err
	}
	return over, nil
}

// rests keeps a worker that can't read now from taking job after job only to give
// it back: others may be able to. Nor does it keep the one it has from them: that
// goes back at once, for whoever is next.
func (e *Engine) rests(ctx context.Context, job *rivertype.JobRow, hash string) error {
	back := e.store.handBack(context.WithoutCancel(ctx), e.jobs, job, hash)
	hook("rests")
	for end := time.Now().Add(e.o.Pause); time.Now().Before(end) && ctx.Err() == nil && !e.leaving.Load() && e.trouble() != ""; {
		time.Sleep(min(100*time.Millisecond, e.o.Pause))
	}
	if back != nil {
		return river.JobSnooze(0)
	}
	return nil // nobody's job by now
}

// handBack gives a running job of a clip that waits to whoever asks next: removed
// and made anew, as River would let its worker end one that another has by then.
func (s *Store) handBack(ctx context.Context, q *client, job *rivertype.JobRow, hash string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `DELETE FROM river_job WHERE id = $1 AND state = 'running' AND attempt = $2`, job.ID, job.Attempt); err != nil {
			return err
		}
		c, err := s.scan(tx.QueryRowContext(ctx, `SELECT `+columns+` FROM clips WHERE hash = $1 AND state = 'waiting'`, hash))
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		} else if err != nil {
			return storeFault(s.where, "can't be read", err)
		}
		return s.enqueue(ctx, tx, q, &c)
	})
}

// leaves tells that a job is better left to other workers: this one's readings
// break off one after another, or the last one of this clip did, here and not
// long ago.
func (e *Engine) leaves(ctx context.Context, id, hash string) (job, all bool) {
	c, ok, err := e.store.Clip(ctx, hash)
	all = e.doubts.rest(time.Now()) > 0
	job = err == nil && ok && c.State == Waiting && c.Worker == id && brokeOff(c.Reason) && e.o.Now().Sub(c.Changed) < 10*e.o.Pause
	if !all && !job {
		return false, false
	}
	others, err := e.store.Workers(ctx)
	if err != nil || !slices.ContainsFunc(others, func(w Worker) bool {
		return w.ID != id && w.State == Working && w.Jobs > 0 && w.Trouble == "" && w.Lives(e.pulse.silence)
	}) {
		return false, false
	}
	return job, all
}

// succeed takes what the one before left that had this folder: it is dead.
func (e *Engine) succeed(ctx context.Context, dir string) error {
	broke := brokeDown(dir)
	if broke {
		e.o.Log.Error("broke_down", "when", "last time")
	}
	b, err := os.ReadFile(filepath.Join(dir, idFile))
	if err != nil || len(b) == 0 {
		return nil
	}
	for _, id := range strings.Fields(string(b)) {
		if broke {
			left, err := e.store.list(ctx, `WHERE state = 'running' AND worker = $1`, id)
			if err != nil {
				return err
			}
			for i := range left {
				if _, err := e.tooDeadly(ctx, &left[i]); err != nil && !errors.Is(err, errStale) {
					return err
				}
			}
		}
		if err := e.store.depart(ctx, id); err != nil {
			return err
		}
	}
	return nil
}

// succeedBeside does so for the other folders of workers of this machine in which
// none is at work: Slot has emptied them.
func (e *Engine) succeedBeside(ctx context.Context) error {
	slots := filepath.Dir(e.o.Work)
	if filepath.Base(slots) != slotsDir {
		return nil
	}
	for n := 1; n <= mostSlots; n++ {
		dir := filepath.Join(slots, strconv.Itoa(n))
		if dir == e.o.Work || !exists(filepath.Join(dir, idFile)) {
			continue
		}
		if err := func() error {
			f, err := os.OpenFile(filepath.Join(dir, ".lock"), os.O_RDWR, 0o600)
			if err != nil {
				return nil // it is nobody's folder
			}
			defer f.Close()
			if unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) != nil {
				return nil // one is at work there
			}
			if err := errors.Join(os.RemoveAll(filepath.Join(dir, stagingDir)), e.succeed(ctx, dir)); err != nil {
				return err
			}
			return errors.Join(os.RemoveAll(filepath.Join(dir, crashFile)), os.Remove(filepath.Join(dir, idFile)))
		}(); err != nil {
			return err
		}
	}
	return nil
}
