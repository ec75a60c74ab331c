package jobs

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"tapeline/pipeline"
	"tapeline/pipeline/internal/postgres"
)

// The office is the machine that takes clips, and whose work folder is what the
// desk shows. What workers made is brought there.

// beginAway is begin where there is a depot.
func (e *Engine) beginAway(ctx context.Context, unlock func()) (end func(), err error) {
	defer func() {
		if err != nil {
			unlock()
		}
	}()
	if e.jobs, err = e.store.inserter(); err != nil {
		return nil, err
	}
	e.takesIn = true
	if err := errors.Join(e.succeed(ctx, e.o.Work), e.store.looked(ctx, brokeDown(e.o.Work)), e.movesIn(ctx)); err != nil {
		return nil, err
	}
	if err := e.recoverAway(ctx); err != nil {
		return nil, err
	}
	e.newWatch()
	calm := e.expectTheWorst()
	life, stop := context.WithCancel(context.WithoutCancel(ctx))
	over, err := e.begins(life, life)
	if err != nil {
		stop()
		calm()
		return nil, err
	}
	kept := make(chan struct{})
	go func() {
		defer close(kept)
		var old sync.WaitGroup
		old.Go(func() { e.carries(life) })
		e.office(life)
		old.Wait()
	}()
	return sync.OnceFunc(func() {
		defer calm()
		stop()
		over()
		<-kept
		unlock()
	}), nil
}

// fetching begins the name of what a depot has not fetched to its end.
const fetching = ".fetch-"

// officeFile lies in a work folder that is an office's, and has its id.
const officeFile = ".office"

// movesIn has all that the depot has brought to a work folder whose office was
// not the last one: what isn't there was not taken away by anybody, see prune.
func (e *Engine) movesIn(ctx context.Context) error {
	b, err := os.ReadFile(e.dir(officeFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	id := string(b)
	if id == "" {
		id = rand.Text()
		if err := os.WriteFile(e.dir(officeFile), []byte(id), 0o600); err != nil {
			return err
		}
	}
	here, err := e.wasHere(ctx)
	if err != nil {
		return err
	}
	return e.store.office(ctx, id, here)
}

// wasHere tells whether anything that the store knows of lies in this work folder.
func (e *Engine) wasHere(ctx context.Context) (bool, error) {
	all, err := e.store.Clips(ctx, "")
	return slices.ContainsFunc(all, func(c Clip) bool {
		dir, stem := e.home(&c)
		return exists(c.Original()) || exists(filepath.Join(dir, stem+c.Ext)) || c.Final != "" && whole(c.Final, c.Hash) == nil
	}), err
}

// recoverAway ends what an office that died left half-way. Clips are their
// workers' own.
func (e *Engine) recoverAway(ctx context.Context) error {
	if err := e.relates(ctx); err != nil {
		return err
	}
	all, err := e.store.Clips(ctx, "")
	if err != nil {
		return err
	}
	for i := range all {
		c := &all[i]
		switch c.State {
		case Done, Failed, Unplaced:
			if home, err := e.store.isHome(ctx, c); err != nil {
				return err
			} else if !home {
				continue // see bring
			}
			if c.Stored != "" && !e.mirrored(c) {
				e.missing = append(e.missing, c.Hash)
			}
			if err := e.settle(ctx, c); err != nil && !errors.Is(err, errGone) {
				e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
			}
		}
	}
	e.sweep(nil)
	if err := errors.Join(e.prune(ctx), e.consented(ctx), e.revisit(ctx, "")); err != nil {
		return err
	}
	return e.store.rejoin(ctx, e.jobs)
}

// office stores what came and brings home what was made, until ctx ends.
func (e *Engine) office(ctx context.Context) {
	tick := time.NewTicker(e.o.pollQueue)
	defer tick.Stop()
	var swept time.Time
	for {
		var err error
		if e.held() {
			err = errors.Join(e.stock(ctx), e.bring(ctx))
		}
		if err == nil && e.held() && time.Since(swept) > time.Hour {
			err, swept = e.clear(ctx), time.Now()
		}
		if err != nil && ctx.Err() == nil {
			e.wrong("office_failed", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// stock puts the originals of clips that came, with what travels with them,
// into the depot; then those that wait have their jobs.
func (e *Engine) stock(ctx context.Context) error {
	if e.far.later(time.Now()) {
		return nil
	}
	clips, err := e.store.unstocked(ctx)
	if err != nil {
		return err
	}
	defer e.carry.fresh.Store(false)
	began := time.Now()
	for i := range clips {
		c := &clips[i]
		if e.waits(c.Hash) {
			continue
		}
		if c.State != Waiting && time.Since(began) > stockTime {
			return nil // what came meanwhile goes first
		}
		e.carry.fresh.Store(true)
		err := e.stockOne(ctx, c)
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, errGone): // its owner has taken it, see prune
			if e.failsAgain(c) || !refused(err) {
				break
			}
			e.o.Log.Warn("not_removed", "clip", c.Short(), "err", err)
		case isTemporary(err):
			e.unreached(err)
			return nil // all the others would wait as long
		case fullHere(err):
			e.failsAgain(c)
			e.crams()
			return nil
		case err != nil && !errors.Is(err, errStale):
			e.fails(c, "not_stored", err)
		case err == nil:
			e.mu.Lock()
			delete(e.failing, c.Hash)
			e.mu.Unlock()
		}
	}
	return nil
}

// stockTime is after how long of storing what nobody waits for is looked at what
// came.
const stockTime = 5 * time.Second

func (e *Engine) stockOne(ctx context.Context, c *Clip) error {
	err := e.settle(ctx, c)
	if errors.Is(err, errGone) && c.anew() && c.Stocked == 0 { // the archive lost it; the depot may have it
		old := *c
		old.Stocked = 1
		if err = e.fetchHome(ctx, &old); err == nil {
			err = e.settle(ctx, c)
		} else if isLost(err) {
			err = errGone
		}
	}
	if errors.Is(err, errGone) || errors.Is(err, fs.ErrNotExist) {
		if c.Stocked == Spoilt && c.State == Waiting { // only the depot has it: what it gives must do
			return e.store.stocked(ctx, e.jobs, c, time.Now())
		}
		if c.State != Waiting || c.anew() {
			return err
		}
		if moved, merr := e.store.hasMoved(ctx, c); merr != nil || moved { // another office took it in
			return cmp.Or(merr, err)
		}
		if err := e.o.Depot.Purge(ctx, "clips/"+c.Hash); err != nil && !errors.Is(err, fs.ErrNotExist) { // of a try that broke off
			return fmt.Errorf("%w: %w", errGone, err) // those behind it don't wait for that
		}
		if err := e.store.forget(ctx, c); err != nil {
			return err
		}
		e.o.Log.Warn("clip_gone", "clip", c.Short(), "player", c.Player)
		return nil
	} else if err != nil {
		return err
	}
	if c.State == Waiting {
		if other, err := e.changed(ctx, c); err != nil || other {
			return err
		}
	}
	// What is written beside it from now on is newer than what is stored.
	at := time.Now()
	store := func() error {
		if c.anew() { // of before there was a depot: it stays where no new one can be made
			if _, err := e.storeOld(ctx, c); err != nil && !errors.Is(err, errNotWhole) {
				return err
			}
		}
		if err := e.storeOriginal(ctx, c); err != nil {
			return err
		}
		hook("stocked")
		return e.store.stocked(ctx, e.jobs, c, at)
	}
	if err := store(); err != nil {
		return e.inVain(c, err)
	}
	return nil
}

// storeOriginal stores an original, checked, with what travels with it.
func (e *Engine) storeOriginal(ctx context.Context, c *Clip) error {
	if sum, err := hash(ctx, c.Original()); err != nil {
		return err
	} else if sum != c.Hash {
		return errors.New("it is not the clip that came")
	}
	for _, ext := range c.endings() {
		path := filepath.Join(c.Lies, c.Stem+ext)
		if ext != c.Ext && !exists(path) {
			continue
		}
		key := originalKey(c.Hash, ext)
		if c.Stocked == Spoilt { // a bucket believes what it says of it
			if err := e.o.Depot.Remove(ctx, key); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
		if err := e.o.Depot.Put(ctx, key, path); err != nil {
			return err
		}
	}
	return nil
}

// waits tells that a clip failed a moment ago; fails notes that it did.
func (e *Engine) waits(hash string) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return time.Since(e.failing[hash]) < e.o.Pause
}

// failsAgain notes that a clip failed, and tells whether it had before.
func (e *Engine) failsAgain(c *Clip) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	_, again := e.failing[c.Hash]
	e.failing[c.Hash] = time.Now()
	return again
}

func (e *Engine) fails(c *Clip, what string, err error) {
	e.failsAgain(c)
	e.o.Log.Error(what, "clip", c.Short(), "player", c.Player, "err", scrub(err))
}

// bring brings what workers made to the office's folders: lessons to their
// places, originals to theirs.
func (e *Engine) bring(ctx context.Context) error {
	if e.full() {
		e.blocks(NoSpace, "")
		return nil
	}
	e.mu.Lock()
	tight := e.tight
	e.mu.Unlock()
	if time.Now().Before(tight) {
		return nil
	}
	var missing []string
	stop := false
	here := sync.OnceValue(e.lessonsHere)
	for _, h := range e.missing {
		if stop || e.waits(h) || ctx.Err() != nil {
			missing = append(missing, h)
			continue
		}
		c, ok, err := e.store.Clip(ctx, h)
		if err == nil && ok && c.State == Done && c.Stored != "" {
			err = e.lesson(ctx, &c, here)
		}
		if err != nil && !errors.Is(err, errStale) {
			missing = append(missing, h)
			if stop = ctx.Err() == nil && e.cantBring(err); stop {
				continue
			}
			if c.Hash = h; ctx.Err() == nil {
				e.fails(&c, "not_fetched", err)
			}
		}
	}
	e.mu.Lock()
	e.missing = missing
	e.mu.Unlock()
	if stop {
		return nil
	}
	clips, err := e.store.abroad(ctx)
	if err != nil {
		return err
	}
	// An office that comes back has thousands at once, of which it has all: they are
	// noted together. One that is noted too late is looked at once more.
	var home []*Clip
	note := func(most int) error {
		if len(home) < max(1, most) {
			return nil
		}
		defer func() { home = nil }()
		return e.store.brought(ctx, home...)
	}
	for i := range clips {
		c := &clips[i]
		if stop {
			break
		}
		if e.waits(c.Hash) {
			continue
		}
		known, err := e.bringOne(ctx, c, here)
		if err == nil && known {
			home = append(home, c)
			err = note(noted)
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, errStale): // it is made anew meanwhile
		case errors.Is(err, errGone): // it lies at the office of before alone
			e.mu.Lock()
			e.failing[c.Hash] = time.Now()
			e.mu.Unlock()
		case e.cantBring(err):
			stop = true
		case err != nil:
			e.fails(c, "not_brought", err)
		default:
			e.mu.Lock()
			delete(e.failing, c.Hash)
			e.mu.Unlock()
		}
	}
	if !stop {
		e.mu.Lock()
		e.tight = time.Time{}
		e.mu.Unlock()
	}
	return note(0) // what is home is so in an outage, too
}

// cantBring tells that nothing can be brought now, whatever it is.
func (e *Engine) cantBring(err error) bool {
	switch {
	case err == nil:
		return false
	case fullHere(err):
		e.mu.Lock()
		e.tight = time.Now().Add(e.o.Pause)
		e.mu.Unlock()
		e.blocks(NoSpace, "")
	case isTemporary(err):
		e.unreached(err)
	case e.store.Shared() && postgres.Lost(err) && ofStore(err):
		e.wrong("office_failed", err)
	default:
		return false
	}
	return true
}

// crams notes that the disk here has no room for something that isn't brought, and
// is tried again after a pause.
func (e *Engine) crams() {
	e.mu.Lock()
	e.crammed = time.Now().Add(2 * e.o.Pause)
	e.mu.Unlock()
	e.blocks(NoSpace, "")
}

// cramped tells that the disk here had no room when something was written last.
func (e *Engine) cramped() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return !e.tight.IsZero() || time.Now().Before(e.crammed)
}

// noted is how many clips are noted as brought in one transaction.
const noted = 200

// lessonsHere are the folders of lessons by the eight digits of their clips.
func (e *Engine) lessonsHere() map[string][]string {
	const day = len("2006-01-02-")
	out := map[string][]string{}
	players, _ := os.ReadDir(e.dir(LessonsDir))
	for _, p := range players {
		all, _ := matching(e.dir(LessonsDir, p.Name()), "????-??-??-????????*")
		for _, d := range all {
			digits := filepath.Base(d)[day : day+8]
			out[digits] = append(out[digits], d)
		}
	}
	return out
}

// bringOne gives known for a clip that another office had brought: it isn't told
// of again, and is yet to be noted.
func (e *Engine) bringOne(ctx context.Context, c *Clip, here func() map[string][]string) (known bool, err error) {
	told, err := e.store.hasMoved(ctx, c)
	if err != nil {
		return false, err
	}
	if !c.empty() {
		switch err := e.fetchHome(ctx, c); {
		case err == nil:
		case !isLost(err):
			return false, err
		default: // nobody has it any more; its lesson may be there
			e.o.Log.Error("original_lost", "clip", c.Short(), "player", c.Player, "err", scrub(err))
		}
	}
	if c.State == Done && c.Stored != "" {
		if err := e.lesson(ctx, c, here); err != nil {
			return false, err
		}
	}
	hook("fetched home")
	if err := e.settle(ctx, c); err != nil {
		// What neither depot nor this office has lies at the one of before; a lesson
		// that is here says that this is it.
		if !errors.Is(err, errGone) || told && c.Stocked <= 0 && (c.State != Done || whole(c.Final, c.Hash) != nil) {
			return false, err
		}
	}
	if c.empty() {
		if err := e.o.Depot.Remove(ctx, "clips/"+c.Hash); refused(err) { // forgetting it tries once more
			e.o.Log.Warn("not_removed", "clip", c.Short(), "err", err)
		} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, err
		}
	}
	hook("archived")
	if c.State == Done && c.Kind == KindRecording { // what waits for its cards
		e.taking.Lock()
		err := e.revisit(ctx, filepath.Dir(c.Came))
		e.taking.Unlock()
		if err != nil {
			return false, err
		}
	}
	if told {
		return true, nil
	}
	if err := e.store.brought(ctx, c); err != nil {
		return false, err
	}
	if c.Reason == "" || c.Stored == "" { // else a lesson stays as it was
		e.came(c, c.outcome())
	}
	return false, nil
}

// outcome is what became of a clip that rests.
func (c *Clip) outcome() string {
	switch {
	case c.empty():
		return Empty
	case c.State == Done && c.Kind == KindRecording:
		return Scanned
	case c.State == Done && c.Reason == OnlyCard:
		return Card
	}
	return string(c.State)
}

// keyFile in a lesson that was fetched says which making of it it is.
const keyFile = ".tapeline-key"

func keyOf(dir string) string {
	b, _ := os.ReadFile(filepath.Join(dir, keyFile))
	return string(b)
}

// mirrored tells that the office has the lesson that the row names.
func (e *Engine) mirrored(c *Clip) bool { return keyOf(c.Final) == c.Stored }

// errLesson: what the depot has is no lesson any more.
var errLesson = errors.New("the stored lesson is damaged or gone")

// lesson is mirror; one that is lost is read anew (errStale).
func (e *Engine) lesson(ctx context.Context, c *Clip, here func() map[string][]string) error {
	err := e.mirror(ctx, c, here)
	if !errors.Is(err, errLesson) {
		return err
	}
	e.o.Log.Warn("lesson_lost", "clip", c.Short(), "player", c.Player, "err", scrub(err))
	// One from before that lies here stays until there is a new one. A store that
	// damages every lesson isn't given ever new ones.
	old := whole(c.Final, c.Hash) == nil
	state := Waiting
	if c.Tries > e.o.Tries {
		if state = Failed; old {
			state = Done
		}
	}
	if err := e.store.reread(ctx, e.jobs, c, state, old); err != nil {
		return err
	}
	return errStale
}

// mirror fetches a lesson into its place; one that was there before goes. here are
// the lessons that were there.
func (e *Engine) mirror(ctx context.Context, c *Clip, here func() map[string][]string) error {
	before := here()[c.Short()]
	if !e.mirrored(c) {
		dir := e.dir(stagingDir, c.Hash[:16]+"-home")
		defer os.RemoveAll(dir)
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
		if err := e.o.Depot.GetFolder(ctx, c.Stored, dir); isLost(err) {
			return fmt.Errorf("%w: %w", errLesson, err)
		} else if err != nil {
			return err
		}
		if err := whole(dir, c.Hash); err != nil {
			return fmt.Errorf("%w: %w", errLesson, err)
		}
		if err := os.WriteFile(filepath.Join(dir, keyFile), []byte(c.Stored), 0o600); err != nil {
			return err
		}
		// It was made by what lay beside the original when that was stored: what
		// was written there since is newer, see changedSince of the desk.
		if at := time.Unix(0, c.Stocked); c.Stocked > 0 {
			if err := os.Chtimes(filepath.Join(dir, pipeline.TrackFile), at, at); err != nil {
				return err
			}
		}
		hook("fetched lesson")
		if err := os.MkdirAll(filepath.Dir(c.Final), 0o700); err != nil {
			return err
		}
		if err := os.Rename(dir, c.Final); err != nil {
			if whole(c.Final, c.Hash) != nil && keyOf(c.Final) == "" {
				return err // it is nobody's of ours
			}
			if err := exchange(dir, c.Final); err != nil {
				return err
			}
		}
		if err := syncDir(filepath.Dir(c.Final)); err != nil {
			return err
		}
		hook("mirrored")
	}
	// The one of before, of another player or another day.
	for _, d := range before {
		ours := keyOf(d) != "" || strings.HasPrefix(c.Hash, filepath.Base(d)[len("2006-01-02-"):]) // of before there was a depot
		if d != c.Final && ours && whole(d, c.Hash) == nil {
			_ = os.RemoveAll(d)
			_ = os.Remove(filepath.Dir(d)) // the player's folder, if it is empty
		}
	}
	return nil
}

// exchange puts what is staged in the place of what is there; that then lies
// where the new one lay, or is gone.
func exchange(staged, final string) error {
	err := unix.Renameat2(unix.AT_FDCWD, staged, unix.AT_FDCWD, final, unix.RENAME_EXCHANGE)
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.ENOTSUP) {
		// Without an exchange the old one goes first; what is staged is whole, and
		// the next start puts it in place.
		if err = os.RemoveAll(final); err == nil {
			err = os.Rename(staged, final)
		}
	}
	return err
}

// unowned is the file of the work folder that says since when there have been
// lessons in the depot that are no row's.
const unowned = ".unowned.json"

// unownedFor is after how long such a lesson goes: a worker may just be about
// to say that it is its clip's.
const unownedFor = 24 * time.Hour

// clear removes lessons from the depot that are no row's: their workers died,
// or were late.
func (e *Engine) clear(ctx context.Context) error {
	keys, err := e.o.Depot.Keys(ctx, LessonsDir+"/")
	if err != nil {
		return err
	}
	owned, err := e.store.lessonKeys(ctx) // after the keys: what is owned by then stays
	if err != nil {
		return err
	}
	was, now := map[string]time.Time{}, map[string]time.Time{}
	if b, err := os.ReadFile(e.dir(unowned)); err == nil {
		_ = json.Unmarshal(b, &was)
	}
	for _, k := range keys {
		of, ok := lessonOf(k)
		if !ok || owned[of] {
			continue
		}
		if now[of] = was[of]; was[of].IsZero() || was[of].After(e.o.Now()) {
			now[of] = e.o.Now()
		}
	}
	var errs []error
	for of, since := range now {
		if e.o.Now().Sub(since) < unownedFor {
			continue
		}
		// Storing what was made before may just have been tried once more.
		if owned, err := e.store.lessonKeys(ctx); err != nil || owned[of] {
			errs = append(errs, err)
			continue
		}
		// With its versions: its clip may have been forgotten meanwhile.
		if err := e.o.Depot.Purge(ctx, of); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
			continue
		}
		delete(now, of)
	}
	b, err := json.Marshal(now)
	if err != nil {
		return err
	}
	if err := os.WriteFile(e.dir(unowned), b, 0o600); err != nil {
		errs = append(errs, fmt.Errorf("%s: %w", unowned, scrub(err)))
	}
	return errors.Join(errs...)
}
