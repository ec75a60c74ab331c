package inbox

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/fsnotify/fsnotify"
)

// Arrival is a file that has settled.
type Arrival struct {
	Root    string // the inbox folder, as configured
	Rel     string // below it
	Sidecar bool   // notes lie beside it, its name with .yaml
	Voice   string // ending of the voice note beside it, ".m4a"; empty: none
	Alone   bool   // it is notes or a voice note itself, and there is no clip beside it
	Hash    string // SHA-256 of its bytes, hex
	Size    int64
	ModTime time.Time
}

// Path is where it lies.
func (a Arrival) Path() string { return filepath.Join(a.Root, a.Rel) }

// Options of a Watcher.
type Options struct {
	Dirs   []string
	Settle time.Duration // quiet since the last change
	Cap    time.Duration // one that is never quiet is tried after so long, and what travels with a clip waits so long for it
	Poll   time.Duration // look again so often, for folders that tell nothing; 0: be told
	Log    *slog.Logger
	// Now is a clock for tests; nil: the real one.
	Now func() time.Time
}

// rescan is how often is looked again although changes are told: what is told
// may be lost. again is when what could not be taken is handed out once more.
const (
	rescan = 30 * time.Second
	again  = 15 * time.Second
	depth  = 16
)

// Watcher finds what arrives in its folders. Its methods are not for several
// goroutines but Again.
type Watcher struct {
	o     Options
	files map[string]*seen
	gone  map[string]bool // inbox folders that are not there
	odd   map[string]bool // what is no plain file, told once
	ends  bool            // it looks once: nobody is waited for
	tell  *fsnotify.Watcher
	nudge chan struct{}
}

// seen is what is known of one file.
type seen struct {
	root, rel string
	size      int64
	mod       time.Time
	since     time.Time // first seen
	changed   time.Time // last change, by our clock
	notBefore time.Time
	handed    bool
	found     bool
	beside    bool // it travels with a clip that lies there
}

// stem is the path below which a clip and what travels with it lie.
func (s *seen) stem() string {
	return filepath.Join(s.root, strings.TrimSuffix(s.rel, filepath.Ext(s.rel)))
}

// New makes a Watcher; Run or Once start it.
func New(o Options) *Watcher {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Watcher{o: o, files: map[string]*seen{}, gone: map[string]bool{}, odd: map[string]bool{}, nudge: make(chan struct{}, 1)}
}

// Again hands out once more what was handed out and still lies there.
func (w *Watcher) Again() {
	select {
	case w.nudge <- struct{}{}:
	default:
	}
}

// ErrLater says that another arrival has to be taken first.
var ErrLater = errors.New("another one comes first")

// Hand takes an arrival. An error leaves it for another time; with ErrLater
// that is soon, and Once waits for it.
type Hand func(ctx context.Context, a Arrival) error

// Run watches until ctx ends. Folders may vanish and come back.
func (w *Watcher) Run(ctx context.Context, hand Hand) error {
	pause := w.o.Poll
	var events <-chan fsnotify.Event
	var slips <-chan error
	if pause == 0 {
		pause = rescan
		tell, err := fsnotify.NewWatcher()
		if err != nil {
			w.o.Log.Warn("watch_failed", "err", err)
			pause = 5 * time.Second
		} else {
			defer tell.Close()
			w.tell, events, slips = tell, tell.Events, tell.Errors
		}
	}
	for ctx.Err() == nil {
		next := w.round(ctx, hand)
		wait := pause
		if len(w.gone) > 0 {
			wait = min(wait, 2*time.Second)
		}
		if !next.IsZero() {
			wait = min(wait, max(next.Sub(w.o.Now()), 10*time.Millisecond))
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-w.nudge:
			for _, s := range w.files {
				s.handed, s.notBefore = false, time.Time{}
			}
		case <-events:
			w.quiet(ctx, events)
		case err := <-slips: // lost events: look at everything
			w.o.Log.Debug("watch_slip", "err", err)
		}
		timer.Stop()
	}
	return ctx.Err()
}

// quiet takes the events that come right behind one.
func (w *Watcher) quiet(ctx context.Context, events <-chan fsnotify.Event) {
	end := time.After(100 * time.Millisecond)
	for {
		select {
		case <-events:
		case <-end:
			return
		case <-ctx.Done():
			return
		}
	}
}

// Once hands out everything that lies in the folders and returns when all of
// it has settled, or could not within the cap. left is how many were not taken.
func (w *Watcher) Once(ctx context.Context, hand Hand) (left int, err error) {
	start := w.o.Now()
	w.ends = true
	for {
		next := w.round(ctx, hand)
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		left = 0
		for _, s := range w.files {
			if !s.handed && !Companion(filepath.Base(s.rel)) {
				left++ // what travels with a clip is counted with it
			}
		}
		now := w.o.Now()
		if next.IsZero() || now.Sub(start) > w.o.Cap+w.o.Settle {
			return left, nil
		}
		// What was refused isn't waited for.
		waiting := false
		for _, s := range w.files {
			waiting = waiting || !s.handed && s.notBefore.IsZero() && !s.beside
		}
		if !waiting {
			return left, nil
		}
		select {
		case <-ctx.Done():
		case <-time.After(max(next.Sub(now), 10*time.Millisecond)):
		}
	}
}

// round looks at everything and hands out what has settled; next is when
// something will have.
func (w *Watcher) round(ctx context.Context, hand Hand) (next time.Time) {
	now := w.o.Now()
	for _, s := range w.files {
		s.found = false
	}
	for _, root := range w.o.Dirs {
		w.walk(root, ".", 0, now)
	}
	for path, s := range w.files {
		if !s.found {
			delete(w.files, path)
		}
	}
	for path := range w.odd {
		if _, err := os.Lstat(path); err != nil {
			delete(w.odd, path)
		}
	}
	sooner := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	all := w.sorted()
	clips := map[string]bool{}
	for _, s := range all {
		if IsClip(s.rel) {
			clips[s.stem()] = true
		}
	}
	for _, s := range all {
		base := filepath.Base(s.rel)
		s.beside = Companion(base) && clips[s.stem()]
		if s.handed || s.beside || ctx.Err() != nil {
			continue
		}
		stem := strings.TrimSuffix(s.rel, filepath.Ext(s.rel))
		a := Arrival{Root: s.root, Rel: s.rel, Alone: Companion(base)}
		changed := s.changed
		beside := func(ext string) bool {
			c, ok := w.files[filepath.Join(s.root, stem+ext)]
			if ok && c.changed.After(changed) {
				changed = c.changed
			}
			return ok
		}
		if IsClip(base) {
			a.Sidecar = beside(sidecar)
			for _, v := range voices {
				if a.Voice == "" && beside(v) {
					a.Voice = v
				}
			}
		}
		due := changed.Add(w.o.Settle)
		switch limit := s.since.Add(w.o.Cap); {
		case a.Alone && w.ends:
		case a.Alone:
			due = changed.Add(w.o.Cap) // its clip may be on its way
		case limit.Before(due) || s.size == 0:
			due = limit // an empty file is one that somebody has just begun
		}
		if s.notBefore.After(due) {
			due = s.notBefore
		}
		if now = w.o.Now(); now.Before(due) {
			sooner(due)
			continue
		}
		err := look(ctx, &a)
		if err == nil {
			s.size, s.mod = a.Size, a.ModTime
			err = hand(ctx, a)
		}
		switch {
		case err == nil:
			s.handed = true
		case errors.Is(err, errChanges), errors.Is(err, ErrLater):
			s.changed = w.o.Now()
			sooner(s.changed.Add(w.o.Settle))
		default:
			if !errors.Is(err, fs.ErrNotExist) {
				w.o.Log.Debug("not_taken", "err", scrub(err))
			}
			s.notBefore = w.o.Now().Add(again)
			sooner(s.notBefore)
		}
	}
	return next
}

// scrub leaves out the path, which may hold a name.
func scrub(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// sorted is in the order of arrival, those of one round folder by folder and
// there by age: a hint for who takes them, files are copied with wrong times.
func (w *Watcher) sorted() []*seen {
	out := make([]*seen, 0, len(w.files))
	for _, s := range w.files {
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b *seen) int {
		return cmp.Or(a.since.Compare(b.since), cmp.Compare(a.root, b.root),
			cmp.Compare(filepath.Dir(a.rel), filepath.Dir(b.rel)), a.mod.Compare(b.mod), cmp.Compare(a.rel, b.rel))
	})
	return out
}

// walk looks at one folder. A link is never followed, a pipe or device never
// opened.
func (w *Watcher) walk(root, rel string, deep int, now time.Time) {
	dir := filepath.Join(root, rel)
	if w.tell != nil {
		_ = w.tell.Add(dir) // first watch, then look; again after it came back
	}
	entries, err := os.ReadDir(dir)
	if rel == "." {
		if was := w.gone[root]; err != nil && !was {
			w.gone[root] = true
			w.o.Log.Warn("inbox_gone", "inbox", root)
		} else if err == nil && was {
			delete(w.gone, root)
			w.o.Log.Info("inbox_back", "inbox", root)
		}
	}
	if err != nil {
		return
	}
	for _, e := range entries {
		name := e.Name()
		if Unfinished(name) {
			continue
		}
		at := filepath.Join(rel, name)
		path := filepath.Join(root, at)
		switch {
		case e.IsDir():
			if deep < depth {
				w.walk(root, at, deep+1, now)
			}
			continue
		case !e.Type().IsRegular():
			if !w.odd[path] {
				w.odd[path] = true
				w.o.Log.Info("left_alone", "what", kind(e.Type()))
			}
			continue
		}
		st, err := e.Info()
		if err != nil || !st.Mode().IsRegular() {
			continue
		}
		s := w.files[path]
		if s == nil {
			s = &seen{root: root, rel: at, since: now, changed: now, size: st.Size(), mod: st.ModTime()}
			w.files[path] = s
		} else if s.size != st.Size() || !s.mod.Equal(st.ModTime()) {
			s.size, s.mod, s.changed, s.handed, s.notBefore = st.Size(), st.ModTime(), now, false, time.Time{}
		}
		s.found = true
	}
}

func kind(m fs.FileMode) string {
	switch {
	case m&fs.ModeSymlink != 0:
		return "link"
	case m&fs.ModeNamedPipe != 0:
		return "pipe"
	case m&fs.ModeSocket != 0:
		return "socket"
	}
	return "device"
}

// errChanges: the file is not quiet after all.
var errChanges = errors.New("it is still changing")

// look hashes a settled file. It is reached inside its inbox whatever became
// of the folders between.
func look(ctx context.Context, a *Arrival) error {
	root, err := os.OpenRoot(a.Root)
	if err != nil {
		return err
	}
	defer root.Close()
	f, err := root.OpenFile(a.Rel, os.O_RDONLY|syscall.O_NOFOLLOW|syscall.O_NONBLOCK|syscall.O_NOCTTY, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	before, err := f.Stat()
	if err != nil {
		return err
	}
	if !before.Mode().IsRegular() {
		return errors.New("it is no plain file")
	}
	if writing(f) {
		return errChanges
	}
	h := sha256.New()
	if _, err := io.Copy(h, reader{ctx, f}); err != nil {
		return err
	}
	after, err := f.Stat()
	if err != nil {
		return err
	}
	now, err := root.Lstat(a.Rel)
	if err != nil {
		return err
	}
	if after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime()) || !os.SameFile(before, now) || writing(f) {
		return errChanges
	}
	a.Hash, a.Size, a.ModTime = hex.EncodeToString(h.Sum(nil)), after.Size(), after.ModTime()
	return nil
}

// reader ends with its context.
type reader struct {
	ctx context.Context
	r   io.Reader
}

func (r reader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}
