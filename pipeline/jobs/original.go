package jobs

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
)

// home is where a clip's original belongs, by its state.
func (e *Engine) home(c *Clip) (dir, stem string) {
	own := c.Day + "-" + c.Short()
	dropped := strings.TrimLeft(pipeline.FolderName(c.Came), "-")
	if dropped == "" {
		dropped = "clip"
	}
	state := c.State
	if c.anew() {
		state = Done
	}
	switch state {
	case Done:
		if c.Kind == KindRecording { // the pictures of several players
			return e.dir(ArchiveDir, recordingsDir), own
		}
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
	if c.empty() {
		for _, ext := range c.endings() {
			if err := os.Remove(filepath.Join(c.Lies, c.Stem+ext)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
		if filepath.Dir(c.Lies) == e.dir(takenDir) {
			_ = os.Remove(c.Lies) // only if empty
		}
		return nil
	}
	dir, stem := e.home(c)
	if dir == c.Lies && stem == c.Stem {
		if !exists(c.Original()) {
			return errGone
		}
		if (c.State == Failed || c.State == Unplaced) && !exists(why(c)) { // it was cut off here
			return e.explain(c)
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
