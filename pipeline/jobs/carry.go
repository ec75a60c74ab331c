package jobs

import (
	"context"
	"database/sql"
	"errors"

	"tapeline/pipeline"
	"tapeline/pipeline/internal/rows"
)

// Carried is what came of one table of a store that is moved.
type Carried = rows.Count

// carried are the tables that are moved. The queue isn't: waiting clips get their
// jobs anew. Nor are workers: none is at work.
var carried = []rows.Table{
	{Name: "clips", Key: []string{"hash"}},
	{Name: "nights", Key: []string{"night"}},
	{Name: "cards", Key: []string{"clip"}},
	{Name: "deaths", Key: []string{"clip"}},
	{Name: "office", Key: []string{"one"}},
}

// Carry brings every row of the store over to another, which is empty or has
// nothing but rows of this one, and then compares all of both, row by row and
// column by column. It gives what there is of each table and how many clips got a
// job. What differs is an error that names table and key, and stays as it is. It
// goes on where it was cut off. Who calls holds Lock and the other's TakerLock.
func (s *Store) Carry(ctx context.Context, to *Store, tell func(table string, rows int)) (out []Carried, waiting int, err error) {
	fail := func(err error) error {
		var d *rows.Differs
		if errors.As(err, &d) {
			var e *pipeline.Error
			if err = storeFault(to.where, "has rows that are not from "+s.where, d); errors.As(err, &e) {
				e.Hint = rows.Foreign
			}
			return err
		}
		return storeFault(s.where, "can't be moved", err)
	}
	tx, err := s.db.BeginTx(ctx, nil) // of SQLite: nobody else writes meanwhile
	if err != nil {
		return nil, 0, fail(err)
	}
	defer func() { _ = tx.Rollback() }()
	if out, err = rows.Move(ctx, tx, to.write, to.state, carried, tell); err != nil {
		return nil, 0, fail(err)
	}
	q, err := to.inserter()
	if err != nil {
		return nil, 0, fail(err)
	}
	if err := to.ensure(ctx, q); err != nil {
		return nil, 0, fail(err)
	}
	n, err := to.Counts(ctx)
	return out, n[Waiting], err
}

// state is the store as it is at one moment, for reading.
func (s *Store) state(ctx context.Context) (*sql.Tx, error) {
	o := &sql.TxOptions{ReadOnly: true}
	if s.base != nil {
		o.Isolation = sql.LevelRepeatableRead
	}
	return s.db.BeginTx(ctx, o)
}
