package jobs

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"log/slog"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/rivertype"
)

// readArgs is the job of one clip: unique by its content.
type readArgs struct {
	Hash string `json:"hash" river:"unique"`
	// Length of a recording, milliseconds: the job of a clip has none.
	Length int64 `json:"length_ms,omitempty"`
}

// Kind names the job; it stands in the store, so it stays.
func (readArgs) Kind() string { return "read_clip" }

// open are the states of a job in which no second one is wanted.
var open = []rivertype.JobState{rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRunning, rivertype.JobStateRetryable, rivertype.JobStateScheduled}

// attempts of a job are without a limit of their own: the clip's row counts the
// tries, and not those that ended because the program did.
const attempts = 10000

func insertOpts(priority int) *river.InsertOpts {
	return &river.InsertOpts{MaxAttempts: attempts, Priority: priority, UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: open}}
}

// enqueue puts a waiting clip's job into the queue unless it is there. Jobs of
// one priority are done in the order in which they came; a player's second
// and further waiting clips stand behind the first ones of the others, a
// recording behind all that came before it. Where several machines read, what
// the depot hasn't has no job, see stock.
func (s *Store) enqueue(ctx context.Context, tx *sql.Tx, q *river.Client[*sql.Tx], c *Clip) error {
	if s.root != "" && c.Stocked <= 0 {
		return nil // nobody else could read it yet
	}
	if c.Kind == KindRecording {
		_, err := q.InsertTx(ctx, tx, readArgs{c.Hash, c.Length}, insertOpts(river.PriorityDefault+3))
		return err
	}
	var before int
	if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM clips WHERE state IN ('waiting', 'running') AND player = $1 AND hash <> $2`, c.Player, c.Hash).Scan(&before); err != nil {
		return err
	}
	_, err := q.InsertTx(ctx, tx, readArgs{Hash: c.Hash}, insertOpts(min(1+before, river.PriorityDefault+3)))
	return err
}

// inserter is a client that only puts jobs into the queue.
func (s *Store) inserter() (*river.Client[*sql.Tx], error) {
	return river.NewClient(s.driver, &river.Config{Logger: slog.New(slog.DiscardHandler)})
}

// Retry makes failed clips wait again, those named by the beginning of their
// hash or all. It gives how many and, for a name that fits none or several, an
// error.
func (s *Store) Retry(ctx context.Context, names []string, all bool) (n int, err error) {
	failed, err := s.Clips(ctx, Failed)
	if err != nil {
		return 0, err
	}
	var which []Clip
	if all {
		which = failed
	}
	for _, name := range names {
		var fits []Clip
		for _, c := range failed {
			if len(name) >= 4 && len(name) <= len(c.Hash) && c.Hash[:len(name)] == name {
				fits = append(fits, c)
			}
		}
		if len(fits) != 1 {
			return 0, &NoSuchClip{name, len(fits)}
		}
		which = append(which, fits[0])
	}
	q, err := s.inserter()
	if err != nil {
		return 0, err
	}
	for i := range which {
		switch err := s.again(ctx, q, &which[i]); {
		case errors.Is(err, errStale):
		case err != nil:
			return n, err
		default:
			n++
		}
	}
	return n, nil
}

// NoSuchClip says that a name fits no failed clip, or several.
type NoSuchClip struct {
	Name string
	Fits int
}

func (e *NoSuchClip) Error() string { return "no such clip: " + e.Name }

// again makes one failed clip wait.
func (s *Store) again(ctx context.Context, q *river.Client[*sql.Tx], c *Clip) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if c.Reason == BadDepot && c.Stocked > 0 { // the office stores it anew
			c.Stocked = Spoilt
		}
		if err := s.change(ctx, tx, `UPDATE clips SET state = 'waiting', tries = 0, reason = '', detail = '', stocked = $3, changed = $2 WHERE hash = $1 AND state = 'failed' AND fence = $4`, c.Hash, s.stamp(), c.Stocked, c.Fence); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM deaths WHERE clip = $1`, c.Hash); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return s.enqueue(ctx, tx, q, c)
	})
}

// ensure gives every waiting clip its job: one may have been refused while the
// last was just ending.
func (s *Store) ensure(ctx context.Context, q *river.Client[*sql.Tx]) error {
	waiting, err := s.Clips(ctx, Waiting)
	if err != nil {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		for i := range waiting {
			if err := s.enqueue(ctx, tx, q, &waiting[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

// reclaim gives back the jobs that were running when the program died. Only who
// holds the work folder alone may call it; elsewhere River's rescue does it
// later.
func (s *Store) reclaim(ctx context.Context) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := s.free(ctx, tx); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM river_leader`); err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return nil
	})
}

// free makes running jobs available again.
func (s *Store) free(ctx context.Context, tx *sql.Tx) error {
	if _, err := tx.ExecContext(ctx, `UPDATE river_job SET state = 'available' WHERE state = 'running' AND kind = $1`, readArgs{}.Kind()); err != nil {
		return storeFault(s.where, "can't be written", err)
	}
	return nil
}

// worker is River's side of Engine.work.
type worker struct {
	river.WorkerDefaults[readArgs]
	e  *Engine
	id string // of the member, empty where there is one engine alone
}

func (w *worker) Work(ctx context.Context, job *river.Job[readArgs]) error {
	return w.e.work(ctx, w.id, job.JobRow, job.Args.Hash)
}

// Timeout is that of a reading, or of a scan, and of what is done around it;
// River rescues nothing that is younger than its own timeout.
func (w *worker) Timeout(job *river.Job[readArgs]) time.Duration {
	return w.e.o.limits(job.Args.Length).Time + around
}

// around a reading a clip is moved, hashed and published.
const around = 5 * time.Minute

// policy says when a failed try is made again.
type policy struct{ backoff func(try int) time.Duration }

func (p policy) NextRetry(job *rivertype.JobRow) time.Time {
	return time.Now().Add(p.backoff(len(job.Errors) + 1))
}

// Backoff waits half a minute, then two, then eight …, at most an hour.
func Backoff(try int) time.Duration {
	d := 30 * time.Second
	for range min(try-1, 10) {
		d *= 4
	}
	return min(d, time.Hour)
}

// queue makes the client that works. A job's time is that of its reading and
// what is done around it (see Timeout for recordings); one that runs much longer
// was left by a program that died on another machine.
func (e *Engine) queue(id string) (*client, error) {
	workers := river.NewWorkers()
	river.AddWorker(workers, &worker{e: e, id: id})
	limit := e.o.Limits.Time + around
	return river.NewClient(e.store.driver, &river.Config{
		Queues:               map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: e.o.Jobs}},
		Workers:              workers,
		JobTimeout:           limit,
		RescueStuckJobsAfter: limit + 10*time.Minute,
		FetchPollInterval:    e.o.pollQueue,
		FetchCooldown:        min(e.o.pollQueue, 100*time.Millisecond),
		RetryPolicy:          policy{e.o.Backoff},
		ID:                   id,                            // empty: one of River's making
		Logger:               slog.New(slog.DiscardHandler), // every event of a clip is logged here
		PollOnly:             true,
	})
}

// hashOf is the clip that a job is about.
func hashOf(j *rivertype.JobRow) (string, error) {
	var a readArgs
	err := json.Unmarshal(j.EncodedArgs, &a)
	return a.Hash, err
}

// rejoin gives the clips that wait and the depot has their jobs where they have
// none.
func (s *Store) rejoin(ctx context.Context, q *client) error {
	without, err := s.list(ctx, `WHERE state = 'waiting' AND stocked > 0 AND hash NOT IN
		(SELECT args ->> 'hash' FROM river_job WHERE kind = $1 AND state IN ('available', 'pending', 'running', 'retryable', 'scheduled')) ORDER BY added, hash`, readArgs{}.Kind())
	if err != nil || len(without) == 0 {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		for i := range without {
			if err := s.enqueue(ctx, tx, q, &without[i]); err != nil {
				return err
			}
		}
		return nil
	})
}
