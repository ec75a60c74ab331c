package jobs

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/riverqueue/river"
	"golang.org/x/sys/unix"
)

// A lesson is made anew like this: its clip waits again with the notes beside
// it, its row still names the folder of the lesson, and its original stays in
// the archive meanwhile. The new lesson takes the place of the old one, or that
// of another player's, when it is whole; until then, and where it can't be made,
// the old one stays.

// HistoryEnding is that of the file beside an original that says who changed
// its notes; it travels with it.
const HistoryEnding = ".history.jsonl"

// ErrNotDone: only a lesson that was made can be made anew.
var ErrNotDone = errors.New("there is no lesson to make anew")

// Redraw makes a clip wait whose lesson is done, with what lies beside its
// original now; player is whose lesson it then is.
func (s *Store) Redraw(ctx context.Context, hash, player string) error {
	q, err := s.inserter()
	if err != nil {
		return err
	}
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `UPDATE clips SET state = 'waiting', player = $2, tries = 0, reason = '', detail = '', step = '', part = 0, whole = 0, stocked = CASE WHEN stocked = -1 THEN stocked ELSE 0 END, changed = $3
			WHERE hash = $1 AND state = 'done' AND final <> ''`, hash, player, s.stamp()); err != nil {
			return err
		}
		c, err := s.scan(tx.QueryRowContext(ctx, `SELECT `+columns+` FROM clips WHERE hash = $1`, hash))
		if err != nil {
			return err
		}
		return s.enqueue(ctx, tx, q, &c)
	})
	if errors.Is(err, errStale) {
		return ErrNotDone
	}
	return err
}

// Beside notes what lies beside the original of a clip, so that it travels with
// it: a sidecar, and the ending of a voice note.
func (s *Store) Beside(ctx context.Context, hash string, sidecar bool, voice string) error {
	return s.update(ctx, `UPDATE clips SET sidecar = $2, voice = $3, stocked = CASE WHEN state = 'waiting' AND stocked > 0 THEN 0 ELSE stocked END WHERE hash = $1`, hash, flag(sidecar), voice)
}

// anew tells that a clip has a lesson that is being made anew.
func (c *Clip) anew() bool {
	return c.Final != "" && c.Kind != KindRecording && (c.State == Waiting || c.State == Running)
}

// keepOld ends the making anew of a lesson that can't be made: it stays as it
// was.
func (e *Engine) keepOld(ctx context.Context, c *Clip, s *Slip) error {
	c.State, c.Reason, c.Detail = Done, s.Reason, s.Detail
	if err := e.store.keptOld(ctx, c); err != nil {
		return err
	}
	if e.o.Depot == nil {
		if err := e.settle(ctx, c); err != nil {
			e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
		}
	}
	e.o.Log.Warn("clip_not_redrawn", "clip", c.Short(), "player", c.Player, "reason", c.Reason)
	return river.JobCancel(s)
}

// keptOld: see keepOld.
func (s *Store) keptOld(ctx context.Context, c *Clip) error {
	return s.update(ctx, `UPDATE clips SET state = 'done', staging = '', step = '', part = 0, whole = 0, reason = $3, detail = $4, changed = $5
		WHERE hash = $1 AND fence = $2 AND state = 'running'`, c.Hash, c.Fence, c.Reason, c.Detail, s.stamp())
}

// placeFile lies in a lesson until its clip is done: it tells a new lesson from
// an old one of the same clip, whatever stopped the program in between.
const placeFile = ".tapeline-place"

type place struct {
	From string `json:"from"` // name of the staging folder
	Was  string `json:"was"`  // folder of the lesson before; empty: there was none
}

// mark says in a staged lesson where it comes from and what it takes the place
// of.
func mark(c *Clip, was string) error {
	if was == "" {
		return nil
	}
	b, err := json.Marshal(place{filepath.Base(filepath.Dir(c.Staging)), was})
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(c.Staging, placeFile), b, 0o600)
}

func marked(dir string) (p place, ok bool) {
	b, err := os.ReadFile(filepath.Join(dir, placeFile))
	return p, err == nil && json.Unmarshal(b, &p) == nil
}

// inPlace tells that what was staged lies at its final place: what lies there
// without a mark is the lesson of before as long as a marked one is staged.
func inPlace(c *Clip) bool {
	if c.whole(c.Final) != nil {
		return false
	}
	_, staged := marked(c.Staging)
	return !staged
}

// put brings what is staged to its final place; an old lesson that lies there
// goes where the new one lay.
func put(c *Clip) error {
	err := os.Rename(c.Staging, c.Final)
	if p, ok := marked(c.Staging); err == nil || !ok || p.Was != c.Final || !(errors.Is(err, fs.ErrExist) || errors.Is(err, unix.ENOTEMPTY)) {
		return err
	}
	return exchange(c.Staging, c.Final)
}

// settled removes the lesson that another has taken the place of, and the mark.
func settled(c *Clip) {
	p, ok := marked(c.Final)
	if !ok {
		return
	}
	if p.Was != c.Final && whole(p.Was, c.Hash) == nil {
		_ = os.RemoveAll(p.Was)
		_ = os.Remove(filepath.Dir(p.Was)) // the player's folder, if it is empty
	}
	_ = os.Remove(filepath.Join(c.Final, placeFile))
}
