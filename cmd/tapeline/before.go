package main

import (
	"context"
	"errors"

	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

// retireBefore removes what was kept long enough from the files that "move-store"
// carried over and left: their rows have names and measures. A file that is none
// of ours stays; "tapeline forget" tells of it. today is for the ledger's note.
func (y *yard) retireBefore(ctx context.Context, day, today string, young func(hash string) bool) error {
	store, book, err := y.before()
	if err != nil {
		return err
	}
	if _, err := jobs.Inspect(ctx, store); exists(store) && err == nil {
		st, err := jobs.OpenSQLite(ctx, store)
		if err != nil {
			return err
		}
		_, err = st.Old(ctx, jobs.Removal{Work: y.work, Rows: true}, day, young)
		if err = errors.Join(err, st.Close()); err != nil {
			return err
		}
	}
	if _, err := ledger.Inspect(ctx, book); !exists(book) || err != nil {
		return ctx.Err()
	}
	l, err := ledger.Open(ctx, book)
	if err != nil {
		return err
	}
	return errors.Join(func() error {
		all, err := l.Heads(ctx)
		if err != nil {
			return err
		}
		var old []string
		for _, les := range all {
			if les.Day < day && !young(les.Clip) {
				old = append(old, les.Clip)
			}
		}
		if len(old) == 0 {
			return nil
		}
		if _, err := l.Drop(ctx, old, today, 0); err != nil {
			return err
		}
		return l.Compact(ctx)
	}(), l.Close())
}
