package ledger

import (
	"context"
	"database/sql"
	"errors"

	"tapeline/pipeline/internal/rows"
)

// part is a table of the ledger. Of one player's rows are those that where picks,
// none where it is empty.
type part struct {
	rows.Table
	where string
}

const ofPlayer = `WHERE lesson IN (SELECT id FROM lessons WHERE player = $1)`

// parts are all tables, those that others refer to first.
var parts = []part{
	{rows.Table{Name: "players", Key: []string{"id"}}, `WHERE id = $1`},
	{rows.Table{Name: "heights", Key: []string{"player", "day"}}, `WHERE player = $1`},
	{rows.Table{Name: "lessons", Key: []string{"id"}}, `WHERE player = $1`},
	{rows.Table{Name: "bands", Key: []string{"lesson", "position"}}, ofPlayer},
	{rows.Table{Name: "swings", Key: []string{"lesson", "swing"}}, ofPlayer},
	{rows.Table{Name: "phases", Key: []string{"lesson", "swing", "phase"}}, ofPlayer},
	{rows.Table{Name: "measures", Key: []string{"lesson", "swing", "key", "from_event", "at_event"}}, ofPlayer},
	{rows.Table{Name: "findings", Key: []string{"lesson", "swing", "position"}}, ofPlayer},
	{rows.Table{Name: "releases", Key: []string{"id"}}, ""},
	{rows.Table{Name: "letters", Key: []string{"release_id", "address"}}, ""},
	{rows.Table{Name: "holds", Key: []string{"lesson"}}, ""},
	{rows.Table{Name: "handed"}, ""},
	{rows.Table{Name: "tombstones"}, ""},
}

// Copy brings what from remembers of one player and his lessons into another
// ledger: all that a reading asks for. Nothing of what leaves is in it.
func Copy(ctx context.Context, from, to *Ledger, player string) error {
	return from.read(ctx, func(tx *sql.Tx) error {
		for _, p := range parts {
			if p.where == "" {
				continue
			}
			if _, err := rows.Carry(ctx, tx, to.write, p.Table, p.where, []any{player}, nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// Carried is what came of one table of a ledger that is moved.
type Carried = rows.Count

// Carry brings all of the ledger over to another, which is empty or has nothing
// but rows of this one, and then compares all of both, row by row and column by
// column. What differs is an error that names table and key, and stays as it is.
// It goes on where it was cut off. Who calls is the only sender of both.
func (l *Ledger) Carry(ctx context.Context, to *Ledger, tell func(table string, rows int)) (out []Carried, err error) {
	fail := func(err error) error {
		var d *rows.Differs
		if errors.As(err, &d) {
			return fault(to.path, "the ledger there has rows that are not from "+l.path+": "+d.Error(), rows.Foreign, d)
		}
		return fault(l.path, "the ledger can't be moved: "+err.Error(), "run the command again: it goes on", err)
	}
	var tables []rows.Table
	for _, p := range parts {
		tables = append(tables, p.Table)
	}
	tx, err := l.db.BeginTx(ctx, nil) // of SQLite: nobody else writes meanwhile
	if err != nil {
		return nil, fail(err)
	}
	defer func() { _ = tx.Rollback() }()
	if out, err = rows.Move(ctx, tx, to.write, to.state, tables, tell); err != nil {
		return nil, fail(err)
	}
	return out, nil
}

// state is the ledger as it is at one moment, for reading.
func (l *Ledger) state(ctx context.Context) (*sql.Tx, error) {
	o := &sql.TxOptions{ReadOnly: true}
	if l.base != nil {
		o.Isolation = sql.LevelRepeatableRead
	}
	return l.db.BeginTx(ctx, o)
}
