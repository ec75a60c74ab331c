package jobs

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline/inbox"
)

// line is the clips of a folder that are not taken yet in the order in which
// they were filmed: those that say when, and those that go by their names.
// Looking at all of ten thousand files for each of them would take hours.
type line struct {
	read         time.Time
	names        map[string]bool // looked at
	timed, named []filmed
}

// lineFor is how long what was looked at is believed. What is new or gone is
// seen at once; a file that was written over keeps its place until then.
const lineFor = 5 * time.Second

// earlier tells whether a clip that lies in the folder still was filmed before
// one, so that what it shows is not known yet. Those that are known lie there
// because they are held, or because a move was cut off.
func (e *Engine) earlier(ctx context.Context, dir string, than filmed) (bool, error) {
	l, err := e.line(ctx, dir)
	if err != nil {
		return false, err
	}
	rest := &l.named
	if !than.at.IsZero() {
		rest = &l.timed
	}
	for ; len(*rest) > 0 && (*rest)[0].before(than); *rest = (*rest)[1:] {
		path := filepath.Join(dir, (*rest)[0].name)
		if !exists(path) {
			delete(l.names, (*rest)[0].name) // it may come back
			continue
		}
		known, err := e.known(ctx, dir)
		if err != nil || !known[path] {
			return true, err
		}
	}
	return false, nil
}

// line is the folder's, with what came since it was looked at.
func (e *Engine) line(ctx context.Context, dir string) (*line, error) {
	l := e.lines[dir]
	if l == nil || time.Since(l.read) > lineFor {
		l = &line{names: map[string]bool{}}
	}
	d, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	names, err := d.Readdirnames(-1)
	_ = d.Close()
	if err != nil {
		return nil, err
	}
	names = slices.DeleteFunc(names, func(n string) bool {
		return l.names[n] || !inbox.IsClip(n) || strings.HasPrefix(n, ".") || strings.HasPrefix(n, "~")
	})
	if len(names) > 0 {
		known, err := e.known(ctx, dir)
		if err != nil {
			return nil, err
		}
		for _, n := range names {
			l.names[n] = true
			path := filepath.Join(dir, n)
			if known[path] || !exists(path) {
				continue
			}
			f, err := e.filmed(ctx, path)
			if ctx.Err() != nil {
				return nil, err
			}
			switch {
			case err != nil:
				delete(l.names, n) // it has just gone
			case f.at.IsZero():
				l.named = append(l.named, f)
			default:
				l.timed = append(l.timed, f)
			}
		}
		for _, list := range [][]filmed{l.timed, l.named} {
			slices.SortFunc(list, func(a, b filmed) int {
				switch {
				case a.before(b):
					return -1
				case b.before(a):
					return 1
				}
				return 0
			})
		}
	}
	if l.read.IsZero() {
		l.read = time.Now()
		maps.DeleteFunc(e.lines, func(_ string, l *line) bool { return time.Since(l.read) > lineFor })
		e.lines[dir] = l
		maps.DeleteFunc(e.recorded, func(k stamped, _ time.Time) bool {
			return filepath.Dir(k.path) == dir && !l.names[filepath.Base(k.path)]
		})
	}
	return l, nil
}

// known are the paths of the clips in the folder that have their row.
func (e *Engine) known(ctx context.Context, dir string) (map[string]bool, error) {
	clips, err := e.store.list(ctx, `WHERE lies = $1`, quoted(e.store.rel(dir)))
	out := map[string]bool{}
	for i := range clips {
		out[clips[i].Original()] = true
	}
	return out, err
}
