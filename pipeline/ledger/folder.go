package ledger

import (
	"context"
	"database/sql"
	"unicode/utf8"
)

// Relate says of lessons that lie below a folder where they lie there: each of
// several machines has them below its own, see Under.
func (l *Ledger) Relate(ctx context.Context, dir string) error {
	head := dir + "/"
	n := utf8.RuneCountInString(head)
	return l.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE lessons SET folder = substr(folder, $1) WHERE substr(folder, 1, $2) = $3`, n+1, n, head)
		return err
	})
}
