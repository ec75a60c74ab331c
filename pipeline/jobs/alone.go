package jobs

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"path/filepath"
	"strings"
	"time"

	"tapeline/pipeline/inbox"
)

// Notes and voice notes travel with their clip. One that lies in the inbox
// without it waits there, told of like a clip that is held; one whose clip was
// taken before it came is put aside with the reason.

// Reasons for what travels with a clip and has none.
const (
	Alone = "alone" // its clip has not come
	Late  = "late"  // its clip was taken already
)

// lateWithin is for how long after its last change a clip is taken for the one
// that a note of its name belongs to: phones count their names from 1 again.
const lateWithin = 24 * time.Hour

// alone notes what lies in the inbox without its clip. It is known by its path
// too: notes of two clips may well be the same.
func (e *Engine) alone(ctx context.Context, a inbox.Arrival) error {
	key := sha256.Sum256([]byte(a.Path() + "\x00" + a.Hash))
	base := filepath.Base(a.Rel)
	ext := filepath.Ext(base)
	c := Clip{Hash: hex.EncodeToString(key[:]), Lies: filepath.Dir(a.Path()), Stem: strings.TrimSuffix(base, ext), Ext: ext, Came: a.Path(),
		Size: a.Size, Modified: a.ModTime, Day: e.o.Now().In(e.o.Zone).Format(time.DateOnly), State: Held, Reason: Alone}
	clip, late, err := e.store.beside(ctx, &c, e.o.Now().Add(-lateWithin))
	if err != nil {
		return err
	}
	if late {
		c.State, c.Reason, c.Player, c.Detail = Unplaced, Late, clip.Player, clip.Short()
	}
	old, known, err := e.store.Clip(ctx, c.Hash)
	if err != nil {
		return err
	}
	if known && !late && old.State == Held {
		return nil
	}
	if err := e.store.write(ctx, func(tx *sql.Tx) error {
		return errors.Join(e.store.together(ctx, tx, c.Came), e.store.put(ctx, tx, &c))
	}); err != nil {
		return err
	}
	hook("accepted")
	defer e.came(&c, string(c.State))
	return e.pick(ctx, &c)
}

// joined forgets that what travels with an arrival lay there without it.
func (e *Engine) joined(ctx context.Context, a inbox.Arrival) error {
	var paths []string
	stem := strings.TrimSuffix(a.Path(), filepath.Ext(a.Rel))
	if a.Sidecar {
		paths = append(paths, stem+".yaml")
	}
	if a.Voice != "" {
		paths = append(paths, stem+a.Voice)
	}
	if paths == nil {
		return nil
	}
	return e.store.write(ctx, func(tx *sql.Tx) error {
		for _, p := range paths {
			if err := e.store.together(ctx, tx, p); err != nil {
				return err
			}
		}
		return nil
	})
}

// together forgets what waited at a path for its clip.
func (s *Store) together(ctx context.Context, tx *sql.Tx, path string) error {
	if _, err := tx.ExecContext(ctx, `DELETE FROM clips WHERE state = 'held' AND reason = $1 AND came = $2`, Alone, quoted(path)); err != nil {
		return storeFault(s.where, "can't be written", err)
	}
	return nil
}

// beside is the last clip that came to where notes lie, with their name, and
// that something became of since then.
func (s *Store) beside(ctx context.Context, note *Clip, since time.Time) (c Clip, ok bool, err error) {
	at := strings.TrimSuffix(quoted(filepath.Join(note.Lies, note.Stem)+"."), `"`) // ASCII
	rows, err := s.db.QueryContext(ctx, `SELECT `+columns+` FROM clips WHERE substr(came, 1, $1) = $2 AND state <> 'held' AND changed >= $3 ORDER BY changed`,
		len(at), at, since.UTC().Format(time.RFC3339Nano))
	if err != nil {
		return c, false, storeFault(s.where, "can't be read", err)
	}
	defer rows.Close()
	for rows.Next() {
		one, err := s.scan(rows)
		if err != nil {
			return c, false, storeFault(s.where, "can't be read", err)
		}
		if base := filepath.Base(one.Came); inbox.IsClip(base) && strings.TrimSuffix(base, filepath.Ext(base)) == note.Stem {
			c, ok = one, true
		}
	}
	return c, ok, rows.Err()
}
