package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/inbox"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// feedRecord is the file in the work folder that says what of the store's inbox
// was brought.
const feedRecord = ".feed.json"

// depot opens the store of files that several machines share; nil where there
// is none.
func (y *yard) depot(ctx context.Context) (*depot.Depot, error) {
	if y.c.Clips == "" {
		return nil, nil
	}
	return depot.Open(ctx, y.c.Clips)
}

// feed brings what is dropped in the store's inbox into an inbox folder.
func (y *yard) feed(d *depot.Depot, st *jobs.Store, dir string, log *slog.Logger) *depot.Feed {
	space, _ := config.ParseBytes(y.c.Limits.Space)
	return &depot.Feed{
		Depot: d, Inbox: dir, Record: filepath.Join(y.work, feedRecord), Kept: st.Kept,
		Known: func(ctx context.Context, hash string) (bool, error) {
			_, ok, err := st.Clip(ctx, hash)
			return ok, err
		},
		Room: func(size int64) bool {
			free, err := freeSpace(y.work)
			return err != nil || free > uint64(space)+uint64(size)
		},
		Poll: y.c.Poll, Settle: y.c.Settle, Events: y.c.ClipsEvents, Log: log,
	}
}

// lessonKey is where the store of files has a lesson that lies in the work
// folder; empty: it doesn't.
func (y *yard) lessonKey(l ledger.Lesson) string {
	rel := l.Folder
	if filepath.IsAbs(rel) {
		var err error
		if rel, err = filepath.Rel(resolved(y.work), resolved(l.Folder)); err != nil {
			return ""
		}
	}
	key := filepath.ToSlash(rel)
	if !strings.HasPrefix(key, jobs.LessonsDir+"/") || strings.Count(key, "/") != 2 || path.Clean(key) != key {
		return ""
	}
	return key
}

// clearing removes from the store of files what is to be forgotten.
type clearing struct {
	d    *depot.Depot
	keys map[string]bool // all that was purged, for once more behind the rows
	// What was dropped in the store's inbox, and the hash of what of it the queue
	// was given.
	inbox   []string
	brought func(key string) string
}

// clearings is nil without a store.
func (y *yard) clearings(ctx context.Context) (*clearing, error) {
	d, err := y.depot(ctx)
	if d == nil || err != nil {
		return nil, err
	}
	c := &clearing{d: d, keys: map[string]bool{}}
	if c.inbox, err = d.Traces(ctx, depot.Inbox+"/"); err == nil {
		c.brought, err = depot.Brought(filepath.Join(y.work, feedRecord))
	}
	if err != nil {
		c.close()
		return nil, err
	}
	return c, nil
}

// idle refuses while a worker reads a clip of the player: what it makes would
// be stored behind our back.
func (c *clearing) idle(ctx context.Context, y *yard, st *jobs.Store, player string) error {
	if c == nil {
		return nil
	}
	clips, err := st.Clips(ctx, "")
	if err != nil {
		return err
	}
	workers, err := st.Workers(ctx)
	if err != nil {
		return err
	}
	for _, clip := range clips {
		if clip.Player != player || clip.State != jobs.Running && clip.State != jobs.Publishing {
			continue
		}
		for _, w := range workers {
			if w.ID == clip.Worker && w.Lives(2*y.c.Worker.Silence+time.Minute) {
				return &pipeline.Error{Fault: pipeline.FaultOutput, What: fmt.Sprintf("%s is reading a clip of the player; not everything is removed", w.Name), Hint: "run it again when that is done"}
			}
		}
	}
	return nil
}

func (c *clearing) close() {
	if c != nil {
		_ = c.d.Close()
	}
}

// purge removes a key and tells how many there were.
func (c *clearing) purge(ctx context.Context, key string) (n int, err error) {
	keys, err := c.d.Traces(ctx, key)
	if err != nil {
		return 0, err
	}
	for _, k := range keys {
		if k == key || strings.HasPrefix(k, key+"/") {
			n++
		}
	}
	c.keys[key] = true
	return n, c.d.Purge(ctx, key)
}

// away is jobs.Removal's.
func (c *clearing) away() func(context.Context, *jobs.Clip) (int, error) {
	if c == nil {
		return nil
	}
	return func(ctx context.Context, clip *jobs.Clip) (n int, err error) {
		keys := []string{"clips/" + clip.Hash}
		if clip.Stored != "" {
			keys = append(keys, clip.Stored)
		}
		for _, k := range c.inbox { // what it came from, with its notes
			if c.brought(k) == clip.Hash {
				for _, beside := range c.inbox {
					if stem(beside) == stem(k) {
						keys = append(keys, beside)
					}
				}
			}
		}
		for _, k := range keys {
			m, err := c.purge(ctx, k)
			if n += m; err != nil {
				return n, err
			}
		}
		return n, nil
	}
}

// lessons removes lessons, and what else there is of a player, but for those
// that are others' by now, and gives their number of files.
func (c *clearing) lessons(ctx context.Context, y *yard, player string, mine, others []ledger.Lesson) (n int, err error) {
	if c == nil {
		return 0, nil
	}
	theirs := map[string]bool{}
	for _, l := range others {
		theirs[y.lessonKey(l)] = true
	}
	folders := map[string]bool{}
	for _, l := range mine {
		folders[y.lessonKey(l)] = true
	}
	keys, err := c.d.Traces(ctx, jobs.LessonsDir+"/")
	if err != nil {
		return 0, err
	}
	for _, k := range keys {
		parts := strings.SplitN(k, "/", 4)
		if parts[1] == player && player != "" || len(parts) == 4 && slices.ContainsFunc(mine, func(l ledger.Lesson) bool { return namedBy(parts[2], l.Clip) }) {
			folders[strings.Join(parts[:min(3, len(parts))], "/")] = true
		}
	}
	for key := range folders {
		if theirs[key] || key == "" {
			continue
		}
		m, err := c.purge(ctx, key)
		if n += m; err != nil {
			return n, err
		}
	}
	return n, nil
}

// namedBy tells that the folder of a lesson, DAY-HASH8, has its name from a clip.
// One that was put right lay below another player's code before, of which a
// bucket may have the versions.
func namedBy(folder, clip string) bool {
	const day = len("2006-01-02-")
	return len(folder) >= day+8 && strings.HasPrefix(clip, folder[day:])
}

// stem is what a clip's key and those of what travels with it have in common.
func stem(key string) string { return strings.TrimSuffix(key, path.Ext(key)) }

// drops removes what lies in the store's inbox of which its place, its name or
// its notes say that it is a player's.
func (c *clearing) drops(ctx context.Context, y *yard, player string, r jobs.Removal) (clips, files int, err error) {
	if c == nil {
		return 0, 0, nil
	}
	dir, err := os.MkdirTemp("", "tapeline-")
	if err != nil {
		return 0, 0, err
	}
	defer os.RemoveAll(dir)
	his := map[string]bool{} // stems
	for _, k := range c.inbox {
		side, note := "", stem(k)+".yaml"
		if slices.Contains(c.inbox, note) {
			side = filepath.Join(dir, "note.yaml")
			_ = os.Remove(side)
			if err := c.d.Peek(ctx, note, side); errors.Is(err, fs.ErrNotExist) {
				side = "" // only its earlier versions are there
			} else if err != nil {
				return 0, 0, err
			}
		}
		if r.Drops(player, filepath.FromSlash(strings.TrimPrefix(k, depot.Inbox+"/")), side) {
			his[stem(k)] = true
		}
	}
	for _, k := range c.inbox {
		if !his[stem(k)] {
			continue
		}
		n, err := c.purge(ctx, k)
		if err != nil {
			return clips, files, err
		}
		if files += n; inbox.IsClip(k) {
			clips++
		}
	}
	return clips, files, nil
}

// again purges once more what a worker may have stored until the rows were
// gone.
func (c *clearing) again(ctx context.Context) error {
	if c == nil {
		return nil
	}
	for key := range c.keys {
		if err := c.d.Purge(ctx, key); err != nil {
			return err
		}
	}
	return nil
}
