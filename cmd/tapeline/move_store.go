package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

var moveStoreCommand = command{
	name:  "move-store",
	about: "carry queue and ledger over to a database",
	usage: `usage: tapeline move-store [--to postgres://USER@HOST/DATABASE] [flags]

Carries queue and ledger of the work folder, store.db and ledger.db, over to a
PostgreSQL database that several machines may share (store in tapeline.yaml), and
then compares every row of both. What was cut off goes on when it is run again.
Clips that wait get their place in the queue anew. Originals and lessons it leaves
where they are: "tapeline watch" brings them into the store of files (clips), one
after another; "tapeline status" says how many are still to come.

Stop "tapeline watch" for it, and start it with the database only afterwards: a
database that holds rows of another origin is refused. At the end it says what is
left to do. Both files stay as they are, with names in them: delete them when the
database serves. Until then "tapeline forget" and keep clear them too, where they
lie on the machine they run on, and there is a way back: take store and
store_password_file out of tapeline.yaml. Nothing carries back what the database
got meanwhile.

  --to URL        the database; without it that of store in tapeline.yaml. The
                  password comes from store_password_file or PGPASSFILE
  --ledger FILE   the ledger, if it isn't where the configuration says
  --json          one JSON object
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { moveStoreCommand.run = moveStore }

// movedStore is what was carried over, and is the same at both ends.
type movedStore struct {
	Store   []jobs.Carried   `json:"store"`
	Ledger  []ledger.Carried `json:"ledger"`
	Waiting int              `json:"waiting"` // clips with a job
}

func moveStore(ctx context.Context, s streams, args []string) error {
	var asJSON bool
	var to, file, conf string
	var sp speech
	f := flag.NewFlagSet("move-store", flag.ContinueOnError)
	f.StringVar(&to, "to", "", "")
	f.StringVar(&file, "ledger", "", "")
	f.BoolVar(&asJSON, "json", false, "")
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	names, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("move-store: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	c := y.c
	c.Store, c.Ledger = cmp.Or(to, c.Store), ""
	if c.Store == "" {
		return usage("move-store: to which database? Write --to or store in tapeline.yaml")
	}
	if err := c.Validate(); err != nil {
		return usage("move-store: %v", err)
	}
	url, err := c.StoreURL()
	if err != nil {
		return usage("%v", err)
	}
	file = cmp.Or(file, y.c.Ledger, filepath.Join(y.work, jobs.LessonsDir, ledger.File))
	store := filepath.Join(y.work, jobs.StoreFile)
	if !exists(store) && !exists(file) {
		return usage("move-store: neither %q nor %q is there", store, file)
	}
	if exists(y.work) {
		unlock, err := jobs.Lock(ctx, y.work)
		if err != nil {
			return y.busy(err)
		}
		defer unlock()
	}
	var out movedStore
	bar := newBar(s.err, jobs.StoreName(url))
	tell := func(table string, rows int) { bar.tell(table, rows, rows) }
	if asJSON {
		tell = nil
	}
	if err = moveClips(ctx, store, url, &out, tell); err == nil {
		err = moveBook(ctx, file, url, &out, tell)
	}
	bar.end()
	if err != nil {
		if ctx.Err() != nil {
			return &pipeline.Error{Fault: pipeline.FaultInterrupted, What: "interrupted; not everything is carried over", Hint: "run it again: it goes on"}
		}
		return err
	}
	if asJSON {
		return writeJSON(s.out, out)
	}
	t := y.text.Work
	var rows [][]string
	for _, c := range append(out.Store, out.Ledger...) {
		rows = append(rows, []string{c.Table, fmt.Sprintf(t["move_rows"], c.Rows, c.Added), c.Hash[:16]})
	}
	table(s.out, rows)
	fmt.Fprintf(s.out, "\n"+t["move_same"]+"\n\n", out.Waiting)
	steps := []string{}
	if y.c.Store != c.Store {
		steps = append(steps, fmt.Sprintf(t["move_write"], c.Store))
	}
	if y.c.Ledger != "" {
		steps = append(steps, t["move_ledger"])
	}
	steps = append(steps, t["move_start"], t["move_delete"])
	for i, step := range steps {
		fmt.Fprintf(s.out, "%d. %s\n", i+1, step)
	}
	for _, p := range []string{store, file} {
		if exists(p) {
			fmt.Fprintln(s.out, "   "+p)
		}
	}
	fmt.Fprintln(s.out, "\n"+t["move_back"])
	return nil
}

// moveClips carries the store over.
func moveClips(ctx context.Context, path, url string, out *movedStore, tell func(string, int)) (err error) {
	if !exists(path) {
		return nil
	}
	from, err := jobs.OpenSQLite(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	to, err := jobs.OpenPostgres(ctx, url)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	_, unlock, err := to.TakerLock(ctx)
	if errors.Is(err, jobs.ErrBusy) {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: jobs.StoreName(url), What: "another machine takes clips in there; nothing was carried over", Hint: "stop its \"tapeline watch\" for a moment"}
	} else if err != nil {
		return err
	}
	defer unlock()
	out.Store, out.Waiting, err = from.Carry(ctx, to, tell)
	return err
}

// moveBook carries the ledger over.
func moveBook(ctx context.Context, path, url string, out *movedStore, tell func(string, int)) (err error) {
	if _, err := os.Lstat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	from, err := ledger.Open(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	to, err := ledger.CreatePostgres(ctx, url)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	for _, l := range []*ledger.Ledger{from, to} {
		_, unlock, err := l.Sending(ctx)
		if errors.Is(err, ledger.ErrBusy) {
			return &pipeline.Error{Fault: pipeline.FaultOutput, What: "another tapeline is sending; the ledger was not carried over", Hint: "run it again when it has ended"}
		} else if err != nil {
			return err
		}
		defer unlock()
	}
	out.Ledger, err = from.Carry(ctx, to, tell)
	return err
}
