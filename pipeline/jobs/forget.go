package jobs

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tapeline/pipeline/inbox"
)

// Lock takes the work folder as a watching or nightly engine does; ErrBusy
// where one has it.
func Lock(ctx context.Context, work string) (unlock func(), err error) {
	f, err := os.OpenFile(filepath.Join(work, ".lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	// A reading that a dead program was just starting may hold it a moment more.
	for until := time.Now().Add(2 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err == nil {
			return func() { _ = f.Close() }, nil
		}
		if time.Now().After(until) || ctx.Err() != nil {
			_ = f.Close()
			return nil, ErrBusy
		}
	}
}

// Removal says what is to be removed of clips.
type Removal struct {
	Work    string   // the work folder
	Inboxes []string // folders clips are dropped in
	// Known tells whether there is a player of that code beside the one that is
	// forgotten: a longer code may begin with his.
	Known func(id string) bool
	Note  func(path string) (inbox.Note, error) // reads a sidecar
	// Theirs tells of a clip, by its hash, that somebody put it right since: it
	// is another player's. It stays, and is told of.
	Theirs func(hash string) bool
	// Away removes what there is of a clip in the depot and tells how many files
	// that were; nil: there is no depot.
	Away func(ctx context.Context, c *Clip) (files int, err error)
	// Rows alone go: of a store that was carried over, whose clips are another's.
	Rows bool
}

// Drops tells whether what lies at a path below an inbox was dropped for a
// player, its sidecar at side; empty: there is none.
func (r Removal) Drops(player, rel, side string) bool {
	note := inbox.Note{}
	if r.Note != nil && side != "" {
		if n, err := r.Note(side); err == nil {
			note = n
		}
	}
	p := inbox.Find(rel, note, "", only{player, r.Known}, time.Time{})
	named := p.Player == player || p.Reason == inbox.TwoPlayers && slices.Contains(strings.Split(p.Detail, ", "), player)
	for _, n := range note.Players {
		named = named || n.Player == player
	}
	return named
}

// Removed is what was removed, and what must be looked at by hand.
type Removed struct {
	Clips int      // originals of clips and recordings
	Files int      // with all that lay beside them
	Look  []string // paths
}

// Forget removes what there is of a player's clips: originals with what
// travels with them, copies of them, recordings in which the player is,
// clips that name the player among others, what waits in the inbox, and all
// rows. Cuts of other players out of those recordings stay as they are, and
// their recordings are known without their film. It can be done again where it
// was cut off; rows go last. Who calls holds Lock.
func (s *Store) Forget(ctx context.Context, player string, r Removal) (out Removed, err error) {
	all, err := s.Clips(ctx, "")
	if err != nil {
		return out, err
	}
	word := regexp.MustCompile(`(^|[^a-z0-9_-])` + regexp.QuoteMeta(player) + `($|[^a-z0-9_-])`)
	theirs := only{player, r.Known}
	names := func(c *Clip) bool { // among others
		rel := c.Came
		for _, in := range r.Inboxes {
			if p, err := filepath.Rel(in, c.Came); err == nil && p != ".." && !strings.HasPrefix(p, "../") {
				rel = p
			}
		}
		return word.MatchString(c.Detail) || inbox.Find(rel, inbox.Note{}, "", theirs, time.Time{}).Player == player
	}
	var mine, shared []Clip
	in := map[string]bool{} // recordings the player is in
	for _, c := range all {
		switch {
		case r.Theirs != nil && r.Theirs(c.Hash):
			if c.Player == player {
				out.Look = append(out.Look, c.Original())
			}
		case c.Player == player, (c.State == Unplaced || c.State == Held || c.State == Failed) && names(&c):
			mine = append(mine, c)
			if c.Parent != "" {
				in[c.Parent] = true
			}
		case c.Kind == KindRecording && word.MatchString(c.Detail):
			in[c.Hash] = true
		}
	}
	for _, c := range all {
		if in[c.Hash] && !slices.ContainsFunc(mine, func(m Clip) bool { return m.Hash == c.Hash }) {
			shared = append(shared, c)
		}
		if in[c.Parent] && c.Player == "" && c.State != Done && exists(c.Original()) {
			out.Look = append(out.Look, c.Original()) // nobody says who is in it
		}
	}
	if !r.Rows {
		for _, c := range slices.Concat(mine, shared) {
			if err := ctx.Err(); err != nil {
				return out, err
			}
			if err := s.wipe(ctx, &c, r, &out); err != nil {
				return out, err
			}
		}
		if err := r.drops(player, &out); err != nil {
			return out, err
		}
	}
	err = s.write(ctx, func(tx *sql.Tx) error {
		do := func(query string, args ...any) error {
			if _, err := tx.ExecContext(ctx, query, args...); err != nil {
				return storeFault(s.where, "can't be written", err)
			}
			return nil
		}
		for _, c := range mine {
			if err := dropRows(do, c.Hash); err != nil {
				return err
			}
		}
		if err := do(`DELETE FROM cards WHERE player = $1`, player); err != nil {
			return err
		}
		for _, c := range all { // what is told of others
			if word.MatchString(c.Detail) {
				if err := do(`UPDATE clips SET detail = '' WHERE hash = $1`, c.Hash); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	slices.Sort(out.Look)
	return out, s.compact(ctx)
}

// publishes tells whether a clip is being published under its fence, and was not
// forgotten, for Options.Record.
func (s *Store) publishes(ctx context.Context, c *Clip) (yes bool, err error) {
	return s.any(ctx, `SELECT count(*) FROM clips WHERE hash = $1 AND fence = $2 AND state = 'publishing'`, c.Hash, c.Fence)
}

func dropRows(do func(string, ...any) error, hash string) error {
	return errors.Join(do(`DELETE FROM clips WHERE hash = $1`, hash), do(`DELETE FROM cards WHERE clip = $1`, hash), do(`DELETE FROM deaths WHERE clip = $1`, hash),
		do(`DELETE FROM river_job WHERE args ->> 'hash' = $1`, hash))
}

// Old removes clips that were filmed before day and are at rest, with the rows;
// but for those of which young tells that they are of a later day after all. Of
// r only Work, Away and Rows are asked. What the depot was given of a clip while it
// was removed, and keeps, is an error that stops no other clip.
func (s *Store) Old(ctx context.Context, r Removal, day string, young func(hash string) bool) (out Removed, err error) {
	all, err := s.Clips(ctx, "")
	if err != nil {
		return out, err
	}
	stays := func(c *Clip) bool {
		return c.Day >= day || c.State == Waiting || c.State == Running || c.State == Publishing || young(c.Hash)
	}
	whole := map[string]bool{} // recordings with a cut that stays
	for _, c := range all {
		if c.Parent != "" && stays(&c) {
			whole[c.Parent] = true
		}
	}
	var kept []error
	defer func() {
		if len(kept) > 0 {
			err = errors.Join(append(kept, err)...)
		}
	}()
	for _, c := range all {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		if whole[c.Hash] || stays(&c) {
			continue
		}
		if r.Rows {
			out.Clips++
		} else if err := s.wipe(ctx, &c, r, &out); err != nil {
			return out, err
		}
		if err := s.write(ctx, func(tx *sql.Tx) error {
			return dropRows(func(query string, args ...any) error {
				_, err := tx.ExecContext(ctx, query, args...)
				return err
			}, c.Hash)
		}); err != nil {
			return out, err
		}
		if !r.Rows && r.Away != nil && c.Stocked <= 0 { // the office may just have stored it
			if _, err := r.Away(ctx, &c); err != nil { // its row is gone, the others' must go, too
				kept = append(kept, err)
			}
		}
	}
	if out.Clips == 0 {
		return out, nil
	}
	return out, s.compact(ctx)
}

// only is the roster with one more player, for finding what is dropped for him.
type only struct {
	player string
	known  func(string) bool
}

func (o only) Known(id string) bool { return id == o.player || o.known != nil && o.known(id) }

func (o only) Film(string, time.Time) bool { return true }

// remove takes a file away; one that isn't there is no error.
func (out *Removed) remove(path string) error {
	switch err := os.Remove(path); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("%s can't be removed: %w", path, scrub(err))
	}
	out.Files++
	return nil
}

// wipe removes a clip's files wherever they may lie.
func (s *Store) wipe(ctx context.Context, c *Clip, r Removal, out *Removed) error {
	away, work := 0, r.Work
	if r.Away != nil {
		var err error
		if away, err = r.Away(ctx, c); err != nil {
			return err
		}
		out.Files += away
	}
	if away > 0 || exists(c.Original()) {
		out.Clips++
	}
	dir := func(name ...string) string { return filepath.Join(append([]string{work}, name...)...) }
	files := []string{why(c), filepath.Join(c.Lies, c.Stem+HistoryEnding)}
	for _, ext := range c.endings() {
		files = append(files, filepath.Join(c.Lies, c.Stem+ext))
	}
	// Copies that came later, under our own names.
	copies, err := matching(dir(ArchiveDir, "duplicates"), "????-??-??-"+c.Short()+"-*")
	if err != nil {
		return err
	}
	for _, p := range copies {
		// Eight digits are of this clip unless a film beside them says otherwise.
		if inbox.IsClip(p) {
			if sum, err := hash(ctx, p); err != nil || sum != c.Hash {
				continue
			}
			out.Clips++
		}
		files = append(files, p)
	}
	for _, p := range files {
		if err := out.remove(p); err != nil {
			return err
		}
	}
	scratch, err := matching(dir(slotsDir), "*")
	if err != nil {
		return err
	}
	var staged []string
	for _, d := range append(scratch, work) {
		here, err := matching(filepath.Join(d, stagingDir), c.Hash[:min(16, len(c.Hash))]+"-*")
		if err != nil {
			return err
		}
		staged = append(staged, here...)
	}
	for _, p := range append(staged, dir(takenDir, c.Hash), c.Final, c.Staging) {
		if p == "" || !below(work, p) {
			continue
		}
		if err := os.RemoveAll(p); err != nil {
			return fmt.Errorf("%s can't be removed: %w", p, scrub(err))
		}
	}
	if below(work, c.Lies) {
		_ = os.Remove(c.Lies) // only if it is empty; a folder of ours is made again
	}
	return nil
}

// matching are the paths of what lies in a folder with a name of that pattern.
// filepath.Glob takes signs in the folder's own name for a pattern, too.
func matching(dir, pattern string) (out []string, err error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	for _, d := range entries {
		if ok, _ := filepath.Match(pattern, d.Name()); ok { // our own patterns
			out = append(out, filepath.Join(dir, d.Name()))
		}
	}
	return out, err
}

func below(dir, path string) bool {
	rel, err := filepath.Rel(dir, path)
	return err == nil && rel != "." && rel != ".." && !strings.HasPrefix(rel, "../")
}

// drops removes what lies in the inboxes for the player and was not taken yet.
func (r Removal) drops(player string, out *Removed) error {
	for _, root := range r.Inboxes {
		var dirs []string
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return nil
			}
			rel, err := filepath.Rel(root, path)
			if err != nil || rel == "." {
				return nil
			}
			if d.IsDir() {
				dirs = append(dirs, path)
				return nil
			}
			side := strings.TrimSuffix(path, filepath.Ext(path)) + ".yaml"
			if !exists(side) {
				side = ""
			}
			if !r.Drops(player, rel, side) {
				return nil
			}
			if inbox.IsClip(path) {
				out.Clips++
			}
			return out.remove(path)
		})
		if err != nil {
			return err
		}
		for i := range dirs {
			d := dirs[len(dirs)-1-i]
			if strings.EqualFold(filepath.Base(d), player) {
				_ = os.Remove(d) // only if it is empty
			}
		}
	}
	return nil
}

// compact writes the file anew without what was deleted.
func (s *Store) compact(ctx context.Context) error {
	if s.base != nil {
		if err := s.base.Compact(ctx); err != nil {
			return storeFault(s.where, "could not be written anew without what was deleted", err)
		}
		return nil
	}
	if _, err := s.db.ExecContext(ctx, `VACUUM`); err != nil {
		return storeFault(s.where, "could not be written anew without what was deleted", err)
	}
	var busy, log, done int
	if err := s.db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done); err != nil {
		return storeFault(s.where, "could not be written anew without what was deleted", err)
	}
	if busy != 0 {
		return storeFault(s.where, "is in use, so that what was deleted may still be read in it", nil)
	}
	return nil
}
