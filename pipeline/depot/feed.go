package depot

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fsnotify/fsnotify"
	"gocloud.dev/pubsub"
	_ "gocloud.dev/pubsub/awssnssqs" // awssqs://

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
)

// Feed brings what is dropped in a store's inbox into an inbox folder of this
// machine, where it goes the way of everything else, and removes it from the
// store when it is kept elsewhere. What travels with a clip comes before it.
// One Feed at a time may be at work on a store.
type Feed struct {
	Depot *Depot
	Inbox string // folder of this machine; exists
	// Record is a file in which is written what lies in the store and was brought
	// already; no names are in it.
	Record string
	// Kept tells of a clip, by its hash, that the queue knows it and that its
	// original is stored under another key.
	Kept func(ctx context.Context, hash string) (bool, error)
	// Known tells of a clip that the queue knows it at all; nil: it never does.
	Known func(ctx context.Context, hash string) (bool, error)
	// Room tells whether so many bytes may be brought now; nil: always.
	Room   func(size int64) bool
	Poll   time.Duration // looks so often; 0: every half minute
	Settle time.Duration // unchanged for so long
	// Events is a subscription any message of which says that something came:
	// awssqs://…; empty: none. What it says isn't read.
	Events string
	Log    *slog.Logger // nil: none

	seen    map[string]*drop
	brought map[string]brought // by nameOf
	tidied  time.Time
}

// drop is what is known of an object of the inbox.
type drop struct {
	stored
	since time.Time // unchanged, by our clock
	found bool
	left  time.Time // not looked at again before
}

// brought is an object of which a copy was put into the inbox folder.
type brought struct {
	Tag     string    `json:"tag"`
	Version string    `json:"version,omitempty"`
	Hash    string    `json:"sha256"`
	At      time.Time `json:"at"`
}

const (
	// anew is when what was brought, is in no inbox any more and was not kept is
	// brought again: somebody took it away by hand.
	anew = time.Hour
	// leftover is how old what was begun to be stored must be to be cleared away:
	// whoever began it is dead.
	leftover = 24 * time.Hour
	// patience is when is tried again what could not be brought.
	patience = 15 * time.Second
)

func nameOf(key string) string {
	h := sha256.Sum256([]byte(key))
	return hex.EncodeToString(h[:])
}

// Run brings what comes until ctx ends, and nothing while held says no.
func (f *Feed) Run(ctx context.Context, held func() bool) error {
	if err := f.begin(); err != nil {
		return err
	}
	wake := make(chan struct{}, 1)
	if f.Events != "" {
		go f.listen(ctx, wake)
	}
	tell, err := f.watch(wake)
	if err != nil {
		f.Log.Warn("watch_failed", "err", plain(err))
	} else if tell != nil {
		defer tell.Close()
	}
	failing := false
	for ctx.Err() == nil {
		if tell != nil {
			f.watchFolders(tell)
		}
		var next time.Time
		var err error
		if held() {
			next, err = f.round(ctx)
		}
		switch {
		case ctx.Err() != nil:
		case err != nil && !failing:
			f.Log.Warn("feed_failed", "err", plain(err))
		case err == nil && failing:
			f.Log.Info("feed_back")
		}
		failing = err != nil
		wait := f.Poll
		if !next.IsZero() {
			wait = min(wait, max(time.Until(next), 10*time.Millisecond))
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-wake:
			select { // others come right behind it
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		}
		timer.Stop()
	}
	return ctx.Err()
}

// Once brings what lies there and has settled, and removes what is kept. left
// is how many could not be brought.
func (f *Feed) Once(ctx context.Context) (left int, err error) {
	if err := f.begin(); err != nil {
		return 0, err
	}
	for start := time.Now(); ; {
		next, err := f.round(ctx)
		if err != nil {
			return 0, err
		}
		left = 0
		waiting := false
		for key, s := range f.seen {
			if _, ok := f.brought[nameOf(key)]; !ok {
				left++
				waiting = waiting || s.left.IsZero()
			}
		}
		if !waiting || next.IsZero() || time.Since(start) > 4*f.Settle+time.Minute {
			return left, nil
		}
		select {
		case <-ctx.Done():
			return left, ctx.Err()
		case <-time.After(max(time.Until(next), 10*time.Millisecond)):
		}
	}
}

func (f *Feed) begin() error {
	if f.Log == nil {
		f.Log = slog.New(slog.DiscardHandler)
	}
	if f.Poll <= 0 {
		f.Poll = 30 * time.Second
	}
	if f.brought != nil {
		return nil
	}
	f.seen, f.brought = map[string]*drop{}, map[string]brought{}
	entries, _ := os.ReadDir(f.Inbox)
	for _, e := range entries { // the program died while it was brought
		if strings.HasPrefix(e.Name(), fetching) && e.Type().IsRegular() {
			_ = os.Remove(filepath.Join(f.Inbox, e.Name()))
		}
	}
	b, err := os.ReadFile(f.Record)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = json.Unmarshal(b, &f.brought)
	}
	if err != nil { // everything is looked at anew: the queue knows clips by their bytes
		f.Log.Warn("feed_record_lost", "err", plain(err))
		f.brought = map[string]brought{}
	}
	return nil
}

// note writes the record.
func (f *Feed) note() error {
	b, err := json.Marshal(f.brought)
	if err != nil {
		return err
	}
	tmp, err := os.CreateTemp(filepath.Dir(f.Record), fetching+"*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(b)
	return errors.Join(err, tmp.Sync(), tmp.Close(), os.Rename(tmp.Name(), f.Record))
}

// round looks at everything once; next is when something will have settled.
func (f *Feed) round(ctx context.Context) (next time.Time, err error) {
	var all []stored
	err = f.Depot.again(ctx, "list", Inbox, func() (err error) {
		all, err = f.Depot.objects(ctx, Inbox+"/")
		return err
	})
	if err != nil {
		return next, err
	}
	now := time.Now()
	if now.Sub(f.tidied) > leftover/4 {
		f.tidied = now
		if err := f.Depot.tidy(ctx, now.Add(-leftover)); err != nil && ctx.Err() == nil {
			f.Log.Warn("leftovers_stay", "err", plain(err)) // it may not be allowed to look for them
		}
	}
	for _, s := range f.seen {
		s.found = false
	}
	stems := map[string][]*drop{}
	for _, o := range all {
		if unseen(o.key) {
			continue
		}
		s := f.seen[o.key]
		if s == nil || s.tag != o.tag || s.size != o.size {
			s = &drop{stored: o, since: now}
			f.seen[o.key] = s
		}
		s.found = true
		stem := strings.TrimSuffix(o.key, path.Ext(o.key))
		stems[stem] = append(stems[stem], s)
	}
	there := map[string]bool{}
	for key, s := range f.seen {
		if !s.found {
			delete(f.seen, key)
		}
		there[nameOf(key)] = s.found
	}
	changed := false
	for name := range f.brought {
		if !there[name] {
			delete(f.brought, name)
			changed = true
		}
	}
	if changed {
		if err := f.note(); err != nil {
			return next, err
		}
	}
	sooner := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	groups := make([][]*drop, 0, len(stems))
	for _, g := range stems {
		// What travels with a clip before it.
		slices.SortFunc(g, func(a, b *drop) int {
			if x, y := inbox.Companion(a.key), inbox.Companion(b.key); x != y {
				if x {
					return -1
				}
				return 1
			}
			return strings.Compare(a.key, b.key)
		})
		groups = append(groups, g)
	}
	slices.SortFunc(groups, func(a, b []*drop) int { return a[0].modified.Compare(b[0].modified) })
	var errs []error
	for _, g := range groups {
		due := time.Time{}
		for _, s := range g {
			if t := s.since.Add(f.Settle); t.After(due) {
				due = t
			}
		}
		for _, s := range g {
			if s.left.After(due) {
				due = s.left
			}
		}
		if now := time.Now(); now.Before(due) {
			sooner(due)
			continue
		}
		for _, s := range g {
			if ctx.Err() != nil {
				return next, ctx.Err()
			}
			if err := f.one(ctx, s, g); err != nil {
				s.left = time.Now().Add(patience)
				sooner(s.left)
				if !errors.Is(err, errLater) {
					errs = append(errs, err)
				}
				break // what it travels with waits with it
			}
			s.left = time.Time{}
		}
	}
	return next, errors.Join(errs...)
}

// unseen tells what stays where it was dropped: what is no file yet, and what
// an inbox would not look at.
func unseen(key string) bool {
	if checkKey(key) != nil {
		return true
	}
	for part := range strings.SplitSeq(strings.TrimPrefix(key, Inbox+"/"), "/") {
		if inbox.Unfinished(part) {
			return true
		}
	}
	return false
}

// errLater leaves an object for another time and is no trouble.
var errLater = errors.New("not now")

// one brings an object, or removes it if it was brought and is kept.
func (f *Feed) one(ctx context.Context, s *drop, group []*drop) error {
	name := nameOf(s.key)
	rel := strings.TrimPrefix(s.key, Inbox+"/")
	if b, ok := f.brought[name]; ok && b.Tag == s.tag {
		kept, err := f.kept(ctx, s, b, group)
		switch {
		case err != nil:
			return err
		case kept:
			if err := f.Depot.release(ctx, s.key, b); err != nil && !errors.Is(err, errChanged) {
				return err
			}
			delete(f.brought, name)
			delete(f.seen, s.key)
			f.Log.Debug("feed_removed", "clip", b.Hash[:8])
			return f.note()
		case exists(filepath.Join(f.Inbox, filepath.FromSlash(rel))) || time.Since(b.At) < anew:
			return nil // on its way
		case f.Known != nil:
			if known, err := f.Known(ctx, b.Hash); err != nil || known {
				return err
			}
		}
	}
	if f.Room != nil && !f.Room(s.size) {
		return errLater
	}
	tmp, err := os.CreateTemp(f.Inbox, fetching+"*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	_, got, err := f.Depot.fetch(ctx, s.key, tmp)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil // taken away meanwhile
	case err != nil:
		return err
	case got.tag != s.tag || got.Size != s.size: // a new one: it settles first
		s.since, s.tag = time.Now(), ""
		return errLater
	}
	if err := errors.Join(tmp.Sync(), tmp.Close(), os.Chtimes(tmp.Name(), time.Time{}, s.modified)); err != nil {
		return err
	}
	if err := f.place(tmp.Name(), rel, got.entry); err != nil {
		return err
	}
	f.brought[name] = brought{Tag: s.tag, Version: got.version, Hash: got.SHA256, At: time.Now()}
	f.Log.Info("feed_brought", "clip", got.SHA256[:8], "bytes", got.Size)
	return f.note()
}

// place puts a fetched file where it lay in the store. Folders that lead out of
// the inbox are not gone into; what lies there stays.
func (f *Feed) place(tmp, rel string, e entry) error {
	root, err := os.OpenRoot(f.Inbox)
	if err != nil {
		return err
	}
	defer root.Close()
	at := filepath.FromSlash(rel)
	if err := root.MkdirAll(filepath.Dir(at), 0o777); err != nil {
		return err
	}
	from := filepath.Base(tmp)
	err = root.Link(from, at)
	switch {
	case err == nil:
		err = root.Remove(from)
	case errors.Is(err, fs.ErrExist):
		h := sha256.New()
		old, oerr := root.OpenFile(at, os.O_RDONLY|noFollow, 0)
		if oerr != nil {
			return errLater
		}
		defer old.Close()
		if st, err := old.Stat(); err != nil || !st.Mode().IsRegular() || st.Size() != e.Size {
			return errLater // another one of that name goes first
		}
		if _, err := old.WriteTo(h); err != nil || hex.EncodeToString(h.Sum(nil)) != e.SHA256 {
			return errLater
		}
		return nil // it was brought before a crash
	default: // no links on this disk
		if _, serr := root.Lstat(at); serr == nil {
			return errLater
		}
		err = root.Rename(from, at)
	}
	if err == nil {
		_ = syncDir(filepath.Dir(filepath.Join(f.Inbox, at)))
	}
	return err
}

// kept tells that an object is not needed in the inbox any more: the clip is
// kept, or, for what travels with one, that was taken and its clip is.
func (f *Feed) kept(ctx context.Context, s *drop, b brought, group []*drop) (bool, error) {
	if !inbox.Companion(s.key) {
		return f.Kept(ctx, b.Hash)
	}
	if exists(filepath.Join(f.Inbox, filepath.FromSlash(strings.TrimPrefix(s.key, Inbox+"/")))) {
		return false, nil
	}
	for _, c := range group {
		if inbox.Companion(c.key) {
			continue
		}
		clip, ok := f.brought[nameOf(c.key)]
		if !ok || clip.Tag != c.tag {
			return false, nil
		}
		if kept, err := f.Kept(ctx, clip.Hash); err != nil || !kept {
			return false, err
		}
	}
	return true, nil
}

// release removes the version of an object that was brought, and no other.
func (d *Depot) release(ctx context.Context, key string, b brought) error {
	return d.again(ctx, "remove", key, func() error {
		if d.root != "" {
			o, err := d.openPlain(ctx, key, 0, "")
			if errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			if err != nil {
				return err
			}
			o.Close()
			if o.tag != b.Tag {
				return &Error{op: "remove", key: key, err: errChanged}
			}
			return d.clear(key, false)
		}
		if b.Version == "" || b.Version == "null" {
			a, err := d.bucket.Attributes(ctx, key)
			if err != nil {
				if errors.Is(wrap("", "", err), fs.ErrNotExist) {
					return nil
				}
				return err
			}
			if a.ETag != b.Tag {
				return &Error{op: "remove", key: key, err: errChanged}
			}
		}
		return d.drop(ctx, version{key, b.Version})
	})
}

// subscribe opens what tells of events.
func subscribe(ctx context.Context, address string) (*pubsub.Subscription, error) {
	bad := func(err error) error {
		return &pipeline.Error{Fault: pipeline.FaultUsage, What: "clips_events: can't be listened to: " + plain(err), Hint: "write it like awssqs://sqs.REGION.amazonaws.com/ACCOUNT/QUEUE?region=REGION", Err: err}
	}
	u, err := url.Parse(address)
	if err != nil {
		return nil, bad(errors.New("it is no address"))
	}
	if q := u.Query(); u.Scheme == "awssqs" && !q.Has("waittime") {
		q.Set("waittime", "20s") // else it is asked four times a second
		u.RawQuery = q.Encode()
	}
	sub, err := pubsub.OpenSubscription(ctx, u.String())
	if err != nil {
		return nil, bad(err)
	}
	return sub, nil
}

// Subscribable tells what is wrong with the address of a subscription by itself;
// nothing is connected to. An empty one is right.
func Subscribable(ctx context.Context, address string) error {
	if address == "" {
		return nil
	}
	sub, err := subscribe(ctx, address)
	if err == nil {
		end(ctx, sub)
	}
	return err
}

func end(ctx context.Context, sub *pubsub.Subscription) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	_ = sub.Shutdown(ctx)
}

// listen wakes at every message. Whatever is wrong with it the poll goes on; in
// the log it stands once when it begins and once when it is over.
func (f *Feed) listen(ctx context.Context, wake chan<- struct{}) {
	var mu sync.Mutex
	var since time.Time // of the trouble
	back := func() {
		mu.Lock()
		defer mu.Unlock()
		if !since.IsZero() {
			f.Log.Info("events_back", "away", time.Since(since).Round(time.Second))
		}
		since = time.Time{}
	}
	for ctx.Err() == nil {
		sub, err := subscribe(ctx, f.Events) // one that failed for good stays failed
		if err == nil {
			err = hear(ctx, sub, wake, back)
			end(ctx, sub)
		}
		if ctx.Err() != nil {
			return
		}
		mu.Lock()
		if since.IsZero() {
			since = time.Now()
			f.Log.Warn("events_away", "err", plain(err), "poll", f.Poll)
		}
		mu.Unlock()
		select {
		case <-ctx.Done():
		case <-time.After(f.Poll):
		}
	}
}

// wellFor is after how long without an error a subscription without messages is
// taken to be well.
const wellFor = time.Minute

// hear wakes at every message until there is an error; well is called when there
// is none.
func hear(ctx context.Context, sub *pubsub.Subscription, wake chan<- struct{}, well func()) error {
	defer time.AfterFunc(wellFor, well).Stop()
	for {
		m, err := sub.Receive(ctx)
		if err != nil {
			return err
		}
		well()
		m.Ack()
		select {
		case wake <- struct{}{}:
		default:
		}
	}
}

// watch is told of changes in a folder; nil for a bucket.
func (f *Feed) watch(wake chan<- struct{}) (*fsnotify.Watcher, error) {
	if f.Depot.root == "" {
		return nil, nil
	}
	tell, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	go func() {
		for range tell.Events {
			select {
			case wake <- struct{}{}:
			default:
			}
		}
	}()
	go func() {
		for range tell.Errors { // what was lost is met by the poll
		}
	}()
	return tell, nil
}

func (f *Feed) watchFolders(tell *fsnotify.Watcher) {
	root, err := os.OpenRoot(f.Depot.root)
	if err != nil {
		return
	}
	defer root.Close()
	_ = fs.WalkDir(root.FS(), Inbox, func(p string, e fs.DirEntry, err error) error {
		if err == nil && e.IsDir() {
			_ = tell.Add(filepath.Join(f.Depot.root, p))
		}
		return nil
	})
}

// Brought reads a feed's record: the hash of what was brought from a key, or
// nothing.
func Brought(record string) (func(key string) string, error) {
	all := map[string]brought{}
	b, err := os.ReadFile(record)
	if err == nil {
		err = json.Unmarshal(b, &all)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return func(key string) string { return all[nameOf(key)].Hash }, nil
}

// Peek fetches a small file of the inbox, which others stored without a
// checksum of ours.
func (d *Depot) Peek(ctx context.Context, key, path string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, _, err = d.fetch(ctx, key, f)
	return errors.Join(err, f.Close())
}
