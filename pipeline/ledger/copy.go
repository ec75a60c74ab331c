package ledger

import (
	"context"
	"database/sql"

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
