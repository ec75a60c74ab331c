package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// Ledger and store of clips are opened here and nowhere else: files, or a
// database that several machines share.

// book is where the ledger is.
type book struct {
	file string
	url  string // of the database, its password in it: for the driver alone
	told string // what may be said of it

	under string // folder below which lessons of several machines lie here; empty: there is one machine
	nor   string // file that isn't there either
}

// bookOf is the ledger as the flag says, as the configuration says, or among the
// lessons in out.
func bookOf(flag string, c config.Config, out string) (b book, err error) {
	if c.Clips != "" {
		if b.under, err = filepath.Abs(c.Work); err != nil {
			return book{}, usage("work: %v", err)
		}
	}
	if flag == "" && c.Store != "" {
		if b.url, err = c.StoreURL(); err != nil {
			return book{}, usage("%v", err)
		}
		b.told = jobs.StoreName(b.url)
		return b, nil
	}
	b.file = cmp.Or(flag, c.Ledger, filepath.Join(out, ledger.File))
	b.told = b.file
	return b, nil
}

// bookHere is the ledger that is asked where nothing is written: as bookOf has it,
// else the one that "watch" writes.
func bookHere(command, flag string, c config.Config) (book, error) {
	b, err := bookOf(flag, c, c.Out)
	if err != nil || b.url != "" || flag != "" || c.Ledger != "" {
		return b, err
	}
	work := filepath.Join(c.Work, jobs.LessonsDir, ledger.File)
	switch first, second := exists(b.file), exists(work); {
	case resolved(b.file) == resolved(work):
	case first && second: // half of the lessons in each, it may be
		return book{}, usage("%s: there are two ledgers, %q and %q; name one with --ledger, or as ledger: in %s", command, b.file, work, config.File)
	case second:
		b.file, b.told = work, work
	case !first:
		b.nor = work
	}
	return b, nil
}

// String tells no password.
func (b book) String() string { return b.told }

// GoString tells none either.
func (b book) GoString() string { return b.told }

// open opens a ledger that is there.
func (b book) open(ctx context.Context) (l *ledger.Ledger, err error) {
	if b.url != "" {
		l, err = ledger.OpenPostgres(ctx, b.url)
	} else if b.nor != "" && !b.there(ctx) {
		return nil, &pipeline.Error{Fault: pipeline.FaultLedger, Step: "ledger", Path: b.file, What: fmt.Sprintf("there is no ledger yet, nor at %q", b.nor),
			Hint: "read a clip with --player, or name the place with --ledger"}
	} else {
		l, err = ledger.Open(ctx, b.file)
	}
	return b.here(l, err)
}

// here has a ledger tell of folders of this machine.
func (b book) here(l *ledger.Ledger, err error) (*ledger.Ledger, error) {
	if err == nil {
		l.Under(b.under)
	}
	return l, err
}

// create opens the ledger and makes one where there is none.
func (b book) create(ctx context.Context) (l *ledger.Ledger, err error) {
	if b.url != "" {
		l, err = ledger.CreatePostgres(ctx, b.url)
	} else {
		l, err = ledger.Create(ctx, b.file)
	}
	return b.here(l, err)
}

// there is false where there is no ledger yet; what else is wrong with it the
// opening says.
func (b book) there(ctx context.Context) bool {
	if b.url != "" {
		seen, _, err := ledger.Examine(ctx, b.url)
		return err != nil || seen.There
	}
	_, err := os.Lstat(b.file)
	return !errors.Is(err, fs.ErrNotExist)
}

// ready refuses a ledger that can't be written to; one that isn't there yet is
// fine.
func (b book) ready(ctx context.Context) error {
	if !b.there(ctx) {
		return nil
	}
	l, err := b.open(ctx)
	if err != nil {
		return err
	}
	return l.Close()
}

// forReading is the ledger's file for the reading of a player's clip in dir: of a
// database what is remembered of that player alone, so that no reading has its
// address. done removes that.
func (b book) forReading(ctx context.Context, player, dir string) (file string, done func(), err error) {
	if b.url == "" {
		return b.file, func() {}, nil
	}
	at, err := os.MkdirTemp(dir, ".book-")
	if err != nil {
		return "", nil, &pipeline.Error{Fault: pipeline.FaultOutput, Path: dir, What: "can't be written", Err: err}
	}
	file, done = filepath.Join(at, ledger.File), func() { _ = os.RemoveAll(at) }
	err = func() (err error) {
		all, err := b.create(ctx)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, all.Close()) }()
		one, err := ledger.Create(ctx, file)
		if err != nil {
			return err
		}
		return errors.Join(ledger.Copy(ctx, all, one, player), one.Close())
	}()
	if err != nil {
		done()
		return "", nil, err
	}
	return file, done, nil
}

// ledger is where lessons are remembered.
func (y *yard) ledger() (b book, err error) {
	if b, err = bookOf("", y.c, filepath.Join(y.work, jobs.LessonsDir)); err != nil || b.url != "" {
		return b, err
	}
	if b.file, err = filepath.Abs(b.file); err != nil {
		return b, usage("ledger: %v", err)
	}
	b.told = b.file
	return b, nil
}

// before are the files that served until there was a database, whether they are
// there or not.
func (y *yard) before() (store, book string, err error) {
	c := y.c
	c.Store = ""
	b, err := (&yard{c: c, work: y.work}).ledger()
	return filepath.Join(y.work, jobs.StoreFile), b.file, err
}

// notCarried are those of them that hold rows while the database holds none:
// they were not carried over yet. Empty are the others.
func (y *yard) notCarried(ctx context.Context) (store, book string, err error) {
	url, err := y.c.StoreURL()
	if err != nil {
		return "", "", usage("%v", err)
	}
	if url == "" {
		return "", "", nil
	}
	files := [2]string{}
	if files[0], files[1], err = y.before(); err != nil {
		return "", "", err
	}
	for i, d := range []struct {
		holds   func(context.Context, string) (int, error)
		examine func(context.Context, string) (jobs.Seen, bool, error)
	}{{jobs.Holds, jobs.Examine}, {ledger.Holds, ledger.Examine}} {
		// What can't be read could not be carried over either.
		if n, err := d.holds(ctx, files[i]); !exists(files[i]) || err != nil || n == 0 {
			files[i] = ""
		} else if seen, _, err := d.examine(ctx, url); err != nil {
			return "", "", err
		} else if seen.Rows > 0 {
			files[i] = ""
		}
	}
	return files[0], files[1], nil
}

// carried refuses to begin with an empty database beside full files: each clip
// of the folder would be read once more, and nobody would know the old lessons.
func (y *yard) carried(ctx context.Context) error {
	store, book, err := y.notCarried(ctx)
	if err != nil || store+book == "" {
		return err
	}
	what := "clips lie in " + jobs.StoreFile
	if store == "" {
		what = "lessons lie in " + filepath.Base(book)
	}
	return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "store", Path: cmp.Or(store, book), What: what + ", and the database has none", Hint: "run \"tapeline move-store\" first, or move the file away"}
}

// store opens the store; make tells that there may be none yet.
func (y *yard) store(ctx context.Context, make bool) (*jobs.Store, error) {
	if err := y.carried(ctx); err != nil {
		return nil, err
	}
	if make {
		if err := os.MkdirAll(y.work, 0o777); err != nil {
			return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: "store", Path: y.work, What: "can't be created", Hint: "set work to another folder", Err: err}
		}
	} else if there, err := y.storeThere(ctx); err != nil {
		return nil, err
	} else if !there {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "store", Path: y.work, What: "no clip has come here yet", Hint: "is work the folder that \"tapeline watch\" uses?"}
	}
	url, err := y.c.StoreURL()
	if err != nil {
		return nil, usage("%v", err)
	}
	var st *jobs.Store
	if url != "" {
		st, err = jobs.OpenPostgres(ctx, url)
	} else {
		st, err = jobs.OpenSQLite(ctx, filepath.Join(y.work, jobs.StoreFile))
	}
	if err == nil && y.c.Clips != "" {
		st.Share(y.work)
	}
	return st, err
}

// storeThere tells whether there is a store.
func (y *yard) storeThere(ctx context.Context) (bool, error) {
	url, err := y.c.StoreURL()
	if err != nil {
		return false, usage("%v", err)
	}
	if url == "" {
		return exists(filepath.Join(y.work, jobs.StoreFile)), nil
	}
	seen, _, err := jobs.Examine(ctx, url)
	return seen.There, err
}
