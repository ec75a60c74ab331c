package jobs

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/riverqueue/river"
)

// Worker is one run of a program that works at the store, as that knows it.
// Instants are the database's, so that those of several machines can be compared.
type Worker struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`    // of the machine
	Role    string    `json:"role"`    // RoleOffice, RoleReader or RoleBoth
	Process int       `json:"process"` // its number on that machine
	State   string    `json:"state"`   // Working, Draining or Gone
	Beat    int64     `json:"beat"`    // grows as long as it lives
	Began   time.Time `json:"began"`
	Seen    time.Time `json:"seen"`     // its last sign of life
	Silent  float64   `json:"silent_s"` // seconds since then, when it was asked
	Jobs    int       `json:"jobs"`     // readings at once
	Hand    int       `json:"in_hand"`  // clips it was at with its last sign of life; of one that is gone, which it may have left in its folder
	// Trouble is why it can't go on, a reason, and since when it says so.
	Trouble string    `json:"trouble,omitempty"`
	Since   time.Time `json:"trouble_since,omitzero"`
	Version string    `json:"version"`
}

// Roles of a worker.
const (
	RoleOffice = "office" // it takes clips in, and others read
	RoleReader = "reader"
	RoleBoth   = "both"
)

// Takes tells whether a worker takes clips in.
func (w *Worker) Takes() bool { return w.Role != RoleReader }

// Lives tells whether a worker gave a sign of life within silence.
func (w *Worker) Lives(silence time.Duration) bool {
	return w.State != Gone && w.Silent < silence.Seconds()
}

// States of a worker.
const (
	Working  = "working"
	Draining = "draining" // it ends what it reads and takes nothing more
	Gone     = "gone"     // it gave no sign of life, and others have what it did
)

// Share says that several machines use the store: what lies below the work
// folder of each is kept relative to it, a clip has its job when the depot has
// its original, and only a worker can claim it.
func (s *Store) Share(work string) { s.root = filepath.Clean(work) }

// rel is a path as it is kept, abs one as it is here.
func (s *Store) rel(path string) string {
	if s.root != "" && below(s.root, path) {
		path, _ = filepath.Rel(s.root, path)
	}
	return path
}

func (s *Store) abs(path string) string {
	if s.root != "" && path != "" && !filepath.IsAbs(path) {
		path = filepath.Join(s.root, path)
	}
	return path
}

// birth gives the fence and the home of a row that is new. Where a ledger knows
// fences a clip that comes again after its row was dropped must not begin at
// one again: the ledger may still have its lesson.
func (s *Store) birth(c *Clip) (fence, home int64) {
	fence = c.Fence
	if s.root != "" && fence == 0 {
		fence = s.now().Unix()
	}
	if c.away {
		return fence, -1
	}
	return fence, fence
}

// living are the workers that are not gone.
const living = `(SELECT id FROM workers WHERE state <> 'gone')`

// clock is that of the database. A file's is that of this machine.
func (s *Store) clock(ctx context.Context, db interface {
	QueryRowContext(context.Context, string, ...any) *sql.Row
}) (at time.Time, err error) {
	if s.base == nil {
		return s.now(), nil
	}
	if err := db.QueryRowContext(ctx, `SELECT clock_timestamp()`).Scan(&at); err != nil {
		return at, storeFault(s.where, "can't be read", err)
	}
	return at, nil
}

// updateAt is update with the database's time, which is the last argument.
func (s *Store) updateAt(ctx context.Context, query string, args ...any) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		at, err := s.clock(ctx, tx)
		if err != nil {
			return err
		}
		return s.change(ctx, tx, query, append(slices.Clone(args), at.UTC().Format(time.RFC3339Nano))...)
	})
}

// join makes one a worker.
func (s *Store) join(ctx context.Context, w Worker) error {
	return s.updateAt(ctx, `INSERT INTO workers (id, name, role, process, state, jobs, version, began, seen) VALUES ($1, $2, $3, $4, 'working', $5, $6, $7, $7)`,
		w.ID, w.Name, w.Role, w.Process, w.Jobs, w.Version)
}

// beat is a sign of life, with what the worker says of itself; errStale says that
// it was taken for gone.
func (s *Store) beat(ctx context.Context, w Worker) error {
	return s.updateAt(ctx, `UPDATE workers SET beat = beat + 1, state = $2, hand = $3, trouble = $4, seen = $5,
		since = CASE WHEN $4 = '' THEN '' WHEN trouble = $4 THEN since ELSE $5 END WHERE id = $1 AND state <> 'gone'`, w.ID, w.State, w.Hand, w.Trouble)
}

// depart is an orderly end; what it leaves, if anything, others take over.
func (s *Store) depart(ctx context.Context, id string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM workers WHERE id = $1`, id)
		return err
	})
}

// bury takes a worker whose last beat was that one for gone; errStale: it has
// beaten since, or another was quicker.
func (s *Store) bury(ctx context.Context, w Worker) error {
	return s.update(ctx, `UPDATE workers SET state = 'gone', hand = CASE WHEN hand > `+held+` THEN hand ELSE `+held+` END WHERE id = $1 AND beat = $2 AND state <> 'gone'`, w.ID, w.Beat)
}

// held is how many clips the worker $1 has by their rows.
const held = `(SELECT count(*) FROM clips WHERE worker = $1 AND state IN ('running', 'publishing'))`

const (
	// goneFor is how long one that is gone is told of, and leftFor one that may have
	// left a clip in its folder, unless it begins there again.
	goneFor = 24 * time.Hour
	leftFor = 90 * 24 * time.Hour
)

// unbury forgets those that have been gone for long enough.
func (s *Store) unbury(ctx context.Context) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		at, err := s.clock(ctx, tx)
		if err != nil {
			return err
		}
		before := func(d time.Duration) string { return at.Add(-d).UTC().Format(time.RFC3339Nano) }
		_, err = tx.ExecContext(ctx, `DELETE FROM workers WHERE state = 'gone' AND (hand = 0 AND seen < $1 OR seen < $2)`, before(goneFor), before(leftFor))
		return err
	})
}

// Workers by name, those that live first.
func (s *Store) Workers(ctx context.Context) (out []Worker, err error) {
	err = s.read(ctx, func() (err error) {
		out, err = s.workers(ctx)
		return err
	})
	return out, err
}

func (s *Store) workers(ctx context.Context) (out []Worker, err error) {
	now, err := s.clock(ctx, s.db)
	if err != nil {
		return nil, err
	}
	rows, err := s.db.QueryContext(ctx, `SELECT id, name, role, process, state, beat, began, seen, jobs, hand, trouble, since, version FROM workers ORDER BY state = 'gone', role = 'reader', name, began, id`)
	if err != nil {
		return nil, storeFault(s.where, "can't be read", err)
	}
	defer rows.Close()
	for rows.Next() {
		var w Worker
		var began, seen, since string
		if err := rows.Scan(&w.ID, &w.Name, &w.Role, &w.Process, &w.State, &w.Beat, &began, &seen, &w.Jobs, &w.Hand, &w.Trouble, &since, &w.Version); err != nil {
			return nil, storeFault(s.where, "can't be read", err)
		}
		for _, at := range []struct {
			text string
			to   *time.Time
		}{{began, &w.Began}, {seen, &w.Seen}, {since, &w.Since}} {
			if at.text == "" {
				continue
			}
			if *at.to, err = time.Parse(time.RFC3339Nano, at.text); err != nil {
				return nil, storeFault(s.where, "is damaged", err)
			}
		}
		w.Silent = max(0, now.Sub(w.Seen).Seconds())
		out = append(out, w)
	}
	return out, rows.Err()
}

// readers tells whether any worker that lives reads.
func (s *Store) readers(ctx context.Context) (bool, error) {
	all, err := s.Workers(ctx)
	return slices.ContainsFunc(all, func(w Worker) bool { return w.State == Working && w.Jobs > 0 }), err
}

// left are clips of a state whose worker doesn't live.
func (s *Store) left(ctx context.Context, state State) ([]Clip, error) {
	return s.list(ctx, `WHERE state = $1 AND worker NOT IN `+living+` ORDER BY added, hash`, string(state))
}

// Kept tells whether a clip is known and the depot has its original, so that
// what was dropped for it may go.
func (s *Store) Kept(ctx context.Context, hash string) (bool, error) {
	c, ok, err := s.Clip(ctx, hash)
	return ok && c.Stocked > 0, err
}

// unstocked are the clips that the depot has not: what waits first.
func (s *Store) unstocked(ctx context.Context) ([]Clip, error) {
	return s.list(ctx, `WHERE stocked <= 0 AND state IN ('waiting', 'unplaced', 'failed') AND reason NOT IN ($1, $2) ORDER BY state = 'waiting' DESC, added, hash`, Alone, Late)
}

// stocked notes that the depot has a clip as it was at an instant, and gives it
// its job.
func (s *Store) stocked(ctx context.Context, q *client, c *Clip, at time.Time) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `UPDATE clips SET stocked = $3, stored = $4 WHERE hash = $1 AND fence = $2 AND stocked <= 0`, c.Hash, c.Fence, at.UnixNano(), c.Stored); err != nil {
			return err
		}
		if c.Stocked = at.UnixNano(); c.State != Waiting {
			return nil
		}
		return s.enqueue(ctx, tx, q, c)
	})
}

// Spoilt in Clip.Stocked: what the depot has of the clip is not what was stored.
const Spoilt = -1

// lost notes that the depot has not what it had, or, with Spoilt, has it
// damaged, so that it is stored anew. Nobody else has the clip: it waits or
// failed.
func (s *Store) lost(ctx context.Context, c *Clip, how int64) error {
	return s.update(ctx, `UPDATE clips SET stocked = $3 WHERE hash = $1 AND fence = $2 AND state IN ('waiting', 'failed')`, c.Hash, c.Fence, how)
}

// reread makes a clip wait whose stored lesson is lost, or ends it in another
// state; old tells that the office has a lesson from before, which stays.
func (s *Store) reread(ctx context.Context, q *client, c *Clip, to State, old bool) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `UPDATE clips SET state = $3, stored = '', final = CASE WHEN $4 = 1 THEN final ELSE '' END, home = -1, reason = $5, detail = '', step = '', part = 0, whole = 0, changed = $6
			WHERE hash = $1 AND fence = $2 AND state = 'done'`, c.Hash, c.Fence, string(to), flag(old), BadDepot, s.stamp()); err != nil || to != Waiting {
			return err
		}
		return s.enqueue(ctx, tx, q, c)
	})
}

// abroad are the clips whose outcome was not brought to the office's folders
// yet.
func (s *Store) abroad(ctx context.Context) ([]Clip, error) {
	return s.list(ctx, `WHERE home <> fence AND (state IN ('done', 'failed') OR state IN ('unplaced', 'held') AND home < 0) ORDER BY changed, hash`)
}

// brought notes that those were; one that is made anew meanwhile is errStale where
// it is the only one, and left out among several.
func (s *Store) brought(ctx context.Context, clips ...*Clip) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		for _, c := range clips {
			if err := s.change(ctx, tx, `UPDATE clips SET home = fence WHERE hash = $1 AND fence = $2 AND state = $3`, c.Hash, c.Fence, string(c.State)); err != nil && (len(clips) == 1 || !errors.Is(err, errStale)) {
				return err
			}
		}
		return nil
	})
}

// moved in the column home: the outcome was brought, but to another office's
// folders. What the depot hasn't may lie there.
const moved = -2

// office notes that the office with a work folder of that id has the store. Where
// another one had it last, nothing is home. Where none had it one machine worked
// alone until now, which noted nothing of that, and told of all that is done: here
// says that it was in this folder.
func (s *Store) office(ctx context.Context, id string, here bool) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		var last string
		if err := tx.QueryRowContext(ctx, `SELECT id FROM office`).Scan(&last); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return storeFault(s.where, "can't be read", err)
		}
		if last == id {
			return nil
		}
		var err error
		if last == "" && here {
			_, err = tx.ExecContext(ctx, `UPDATE clips SET home = fence WHERE home >= 0 AND home <> fence AND state IN ('done', 'failed')`)
		} else {
			_, err = tx.ExecContext(ctx, `UPDATE clips SET home = $1 WHERE home >= 0 AND reason <> $2
				AND (state IN ('done', 'failed') AND (home = fence OR $3 = '') OR state IN ('unplaced', 'held') OR state = 'waiting' AND stocked <= 0)`, moved, TakenBack, last)
		}
		if err == nil {
			_, err = tx.ExecContext(ctx, `INSERT INTO office (one, id) VALUES (1, $1) ON CONFLICT (one) DO UPDATE SET id = excluded.id`, id)
		}
		if err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		return nil
	})
}

// OfficeElsewhere tells whether a work folder other than that one was the office
// of the store last, and has its films. Where there never was an office none is.
func (s *Store) OfficeElsewhere(ctx context.Context, work string) (bool, error) {
	var last string
	if err := s.db.QueryRowContext(ctx, `SELECT id FROM office`).Scan(&last); errors.Is(err, sql.ErrNoRows) {
		return false, nil
	} else if err != nil {
		return false, storeFault(s.where, "can't be read", err)
	}
	b, err := os.ReadFile(filepath.Join(work, officeFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, storeFault(work, "can't be read", err)
	}
	return string(b) != last, nil
}

// hasMoved tells whether the outcome, or what came, may lie at another office.
func (s *Store) hasMoved(ctx context.Context, c *Clip) (yes bool, err error) {
	var n int
	if err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM clips WHERE hash = $1 AND home = $2`, c.Hash, moved).Scan(&n); err != nil {
		return false, storeFault(s.where, "can't be read", err)
	}
	return n == 1, nil
}

// isHome tells whether the outcome of a clip was brought.
func (s *Store) isHome(ctx context.Context, c *Clip) (yes bool, err error) {
	var n int
	if err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM clips WHERE hash = $1 AND home = fence`, c.Hash).Scan(&n); err != nil {
		return false, storeFault(s.where, "can't be read", err)
	}
	return n == 1, nil
}

// lessonKeys are the keys of all lessons in the depot.
func (s *Store) lessonKeys(ctx context.Context) (map[string]bool, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT stored FROM clips WHERE stored <> ''`)
	if err != nil {
		return nil, storeFault(s.where, "can't be read", err)
	}
	defer rows.Close()
	out := map[string]bool{}
	for rows.Next() {
		var k string
		if err := rows.Scan(&k); err != nil {
			return nil, storeFault(s.where, "can't be read", err)
		}
		out[k] = true
	}
	return out, rows.Err()
}

// others tells whether the lesson of another clip has that folder.
func (s *Store) others(ctx context.Context, c *Clip, final string) (bool, error) {
	var n int
	if err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM clips WHERE final = $1 AND hash <> $2`, quoted(s.rel(final)), c.Hash).Scan(&n); err != nil {
		return false, storeFault(s.where, "can't be read", err)
	}
	return n > 0, nil
}

// pulse tells which workers have been silent. No clock of another machine
// counts: a worker is silent when its beat stayed the same for as long as one
// looked, and only what was looked at without a long break counts, so that
// whoever was frozen or cut off itself takes nobody else for gone.
type pulse struct {
	silence time.Duration
	looked  time.Time
	beats   map[string]beatAt
}

type beatAt struct {
	beat  int64
	since time.Time
}

// every is how often one gives a sign of life and looks for those of others.
func (p *pulse) every() time.Duration { return max(p.silence/6, 10*time.Millisecond) }

// silent are the workers that have been it for long enough at an instant of
// this machine's own monotonic clock.
func (p *pulse) silent(now time.Time, all []Worker, me string) (out []Worker) {
	broke := p.beats == nil || now.Sub(p.looked) > p.silence/2
	p.looked = now
	next := map[string]beatAt{}
	for _, w := range all {
		if w.ID == me || w.State == Gone {
			continue
		}
		was, ok := p.beats[w.ID]
		if broke || !ok || was.beat != w.Beat {
			was = beatAt{w.Beat, now}
		}
		if next[w.ID] = was; now.Sub(was.since) >= p.silence {
			out = append(out, w)
		}
	}
	p.beats = next
	return out
}

// isTemporary tells whether another try may help by what an error of the depot
// says of itself.
func isTemporary(err error) bool {
	var t interface{ Temporary() bool }
	return errors.As(err, &t) && t.Temporary() && !ofStore(err)
}

// isLost tells whether what the depot had is gone or damaged, so that no other
// try helps.
func isLost(err error) bool {
	var d interface{ Damaged() bool }
	return errors.Is(err, fs.ErrNotExist) || errors.As(err, &d) && d.Damaged()
}

// lessonOf is the folder of a lesson in a key of the depot, and the key of one
// making of it: lessons/PLAYER/DAY-HASH8/FENCE/….
func lessonOf(key string) (of string, ok bool) {
	parts := strings.SplitN(key, "/", 5)
	if len(parts) < 5 || parts[0] != LessonsDir {
		return "", false
	}
	return strings.Join(parts[:4], "/"), true
}

// client is River's.
type client = river.Client[*sql.Tx]
