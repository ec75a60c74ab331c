// Package rows carries rows from one of our databases to another, SQLite or
// PostgreSQL, as they are, and compares them. Both have the tables of the same
// migrations.
package rows

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"math"
	"slices"
	"strings"
)

// Table is one that is carried. Key are the columns that tell its rows apart, in
// whose order they are read; none: it has none, and is carried all at once.
type Table struct {
	Name string
	Key  []string
}

// A Writer runs f in a transaction; f may run several times.
type Writer func(ctx context.Context, f func(*sql.Tx) error) error

// Count is what was carried or compared of one table.
type Count struct {
	Table string `json:"table"`
	Rows  int    `json:"rows"`
	Added int    `json:"added"`          // carried now; the others were there
	Hash  string `json:"hash,omitempty"` // SHA-256 of all rows in the order of their keys, hex
}

// Differs says that a row is there and another.
type Differs struct {
	Table, Key, Column string // Column is empty where a row is on one side only
}

func (d *Differs) Error() string {
	if d.Column == "" {
		return fmt.Sprintf("table %s, row %s is on one side only", d.Table, d.Key)
	}
	return fmt.Sprintf("table %s, row %s: %s differs", d.Table, d.Key, d.Column)
}

// Foreign is what to do where there are rows of another origin.
const Foreign = "name an empty database, and run it again; if that one serves already, there is nothing to carry: move the file away"

// batch is how many rows go in one transaction.
const batch = 500

// reader of a table's rows in order.
type reader struct {
	t    Table
	rows *sql.Rows
	cols []string
	key  []int // of the columns
	row  []any // nil: no more
}

func read(ctx context.Context, tx *sql.Tx, t Table, where string, args ...any) (*reader, error) {
	cols, err := columns(ctx, tx, t.Name)
	if err != nil {
		return nil, err
	}
	order := t.Key
	if len(order) == 0 {
		order = cols
	}
	rows, err := tx.QueryContext(ctx, `SELECT `+strings.Join(cols, ", ")+` FROM `+t.Name+` `+where+` ORDER BY `+strings.Join(order, ", "), args...)
	if err != nil {
		return nil, err
	}
	r := &reader{t: t, rows: rows, cols: cols}
	for _, k := range order {
		r.key = append(r.key, slices.Index(cols, k))
	}
	return r, nil
}

// columns of a table by their names, whatever order they were added in.
func columns(ctx context.Context, tx *sql.Tx, table string) ([]string, error) {
	rows, err := tx.QueryContext(ctx, `SELECT * FROM `+table+` WHERE 1 = 0`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	cols, err := rows.Columns()
	slices.Sort(cols)
	return cols, errors.Join(err, rows.Err())
}

func (r *reader) next() error {
	r.row = nil
	if !r.rows.Next() {
		return r.rows.Err()
	}
	row, at := make([]any, len(r.cols)), make([]any, len(r.cols))
	for i := range row {
		at[i] = &row[i]
	}
	if err := r.rows.Scan(at...); err != nil {
		return err
	}
	for i, v := range row {
		switch v := v.(type) {
		case []byte:
			row[i] = string(v)
		case nil, int64, float64, string:
		default:
			return fmt.Errorf("table %s, column %s holds %T", r.t.Name, r.cols[i], v)
		}
	}
	r.row = row
	return nil
}

// name is the key of the row as it is told.
func (r *reader) name(row []any) string {
	var parts []string
	for _, k := range r.key[:min(len(r.key), 4)] {
		parts = append(parts, fmt.Sprintf("%.40q", fmt.Sprint(row[k])))
	}
	return strings.Join(parts, " ")
}

func same(a, b any) bool {
	x, ok := a.(float64)
	y, also := b.(float64)
	if ok && also {
		return math.Float64bits(x) == math.Float64bits(y)
	}
	return a == b
}

// order of two values as both databases have it.
func order(a, b any) int {
	switch x := a.(type) {
	case string:
		if y, ok := b.(string); ok {
			return strings.Compare(x, y)
		}
	case int64:
		if y, ok := b.(int64); ok {
			return int(max(-1, min(1, x-y)))
		}
	}
	return strings.Compare(fmt.Sprint(a), fmt.Sprint(b))
}

func (r *reader) before(a, b []any) int {
	for _, k := range r.key {
		if c := order(a[k], b[k]); c != 0 {
			return c
		}
	}
	return 0
}

// digest takes in one row, without doubt where a value ends.
func digest(h hash.Hash, row []any) {
	for _, v := range row {
		var kind byte
		var text string
		switch v := v.(type) {
		case int64:
			kind, text = 'i', fmt.Sprint(v)
		case float64:
			kind, text = 'f', fmt.Sprint(math.Float64bits(v))
		case string:
			kind, text = 's', v
		}
		var head [9]byte
		head[0] = kind
		binary.BigEndian.PutUint64(head[1:], uint64(len(text)))
		_, _ = h.Write(head[:])
		_, _ = io.WriteString(h, text)
	}
}

// Compare reads every row of a table from both sides; the first that differs or
// is missing is a *Differs. With within b need not have all that a has, and
// nothing more.
func Compare(ctx context.Context, a, b *sql.Tx, t Table, within bool) (c Count, err error) {
	c.Table = t.Name
	x, err := read(ctx, a, t, "")
	if err != nil {
		return c, err
	}
	defer x.rows.Close()
	y, err := read(ctx, b, t, "")
	if err != nil {
		return c, err
	}
	defer y.rows.Close()
	if !slices.Equal(x.cols, y.cols) {
		return c, fmt.Errorf("table %s has other columns there", t.Name)
	}
	h := sha256.New()
	if err := errors.Join(x.next(), y.next()); err != nil {
		return c, err
	}
	for x.row != nil || y.row != nil {
		if x.row == nil {
			return c, &Differs{t.Name, y.name(y.row), ""}
		}
		place := -1
		if y.row != nil {
			place = x.before(x.row, y.row)
		}
		switch {
		case place > 0:
			return c, &Differs{t.Name, y.name(y.row), ""}
		case place < 0 && !within:
			return c, &Differs{t.Name, x.name(x.row), ""}
		case place == 0:
			for i := range x.row {
				if !same(x.row[i], y.row[i]) {
					return c, &Differs{t.Name, x.name(x.row), x.cols[i]}
				}
			}
			c.Rows++
			digest(h, x.row)
			if err := y.next(); err != nil {
				return c, err
			}
		}
		if err := x.next(); err != nil {
			return c, err
		}
	}
	c.Hash = hex.EncodeToString(h.Sum(nil))
	return c, nil
}

// Carry brings the rows of a table over, some hundred in a transaction; where is
// the condition on those that are meant, with args, empty: all. What is there and
// the same is passed over, what is there and another is a *Differs. tell is told
// after each transaction how many are through.
func Carry(ctx context.Context, from *sql.Tx, to Writer, t Table, where string, args []any, tell func(rows int)) (c Count, err error) {
	c.Table = t.Name
	r, err := read(ctx, from, t, where, args...)
	if err != nil {
		return c, err
	}
	defer r.rows.Close()
	if len(t.Key) == 0 {
		return r.whole(ctx, to)
	}
	for {
		var some [][]any
		for len(some) < batch {
			if err := r.next(); err != nil {
				return c, err
			}
			if r.row == nil {
				break
			}
			some = append(some, r.row)
		}
		if len(some) == 0 {
			return c, nil
		}
		added := 0
		if err := to(ctx, func(tx *sql.Tx) error {
			added = 0
			for _, row := range some {
				n, err := r.insert(ctx, tx, row, ` ON CONFLICT DO NOTHING`)
				if err != nil {
					return err
				}
				if n == 0 {
					if err := r.there(ctx, tx, row); err != nil {
						return err
					}
				}
				added += n
			}
			return nil
		}); err != nil {
			return c, err
		}
		c.Rows, c.Added = c.Rows+len(some), c.Added+added
		if tell != nil {
			tell(c.Rows)
		}
	}
}

func (r *reader) insert(ctx context.Context, tx *sql.Tx, row []any, conflict string) (int, error) {
	marks := make([]string, len(row))
	for i := range marks {
		marks[i] = fmt.Sprint("$", i+1)
	}
	result, err := tx.ExecContext(ctx, `INSERT INTO `+r.t.Name+` (`+strings.Join(r.cols, ", ")+`) VALUES (`+strings.Join(marks, ", ")+`)`+conflict, row...)
	if err != nil {
		return 0, fmt.Errorf("table %s, row %s: %w", r.t.Name, r.name(row), err)
	}
	n, err := result.RowsAffected()
	return int(n), err
}

// there checks that the row that is there is the same.
func (r *reader) there(ctx context.Context, tx *sql.Tx, row []any) error {
	var conditions []string
	var args []any
	for i, k := range r.key {
		conditions = append(conditions, fmt.Sprintf("%s = $%d", r.cols[k], i+1))
		args = append(args, row[k])
	}
	other, err := read(ctx, tx, r.t, `WHERE `+strings.Join(conditions, " AND "), args...)
	if err != nil {
		return err
	}
	defer other.rows.Close()
	if err := other.next(); err != nil {
		return err
	}
	if other.row == nil { // another key of the table met another row
		return &Differs{r.t.Name, r.name(row), ""}
	}
	for i := range row {
		if !same(row[i], other.row[i]) {
			return &Differs{r.t.Name, r.name(row), r.cols[i]}
		}
	}
	return nil
}

// whole carries a table without a key: there is nothing there, or all of it.
func (r *reader) whole(ctx context.Context, to Writer) (c Count, err error) {
	c.Table = r.t.Name
	var all [][]any
	for {
		if err := r.next(); err != nil {
			return c, err
		}
		if r.row == nil {
			break
		}
		all = append(all, r.row)
	}
	c.Rows = len(all)
	err = to(ctx, func(tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM `+r.t.Name).Scan(&n); err != nil {
			return err
		}
		if c.Added = 0; n > 0 { // Compare tells whether it is the same
			return nil
		}
		for _, row := range all {
			if _, err := r.insert(ctx, tx, row, ""); err != nil {
				return err
			}
		}
		c.Added = len(all)
		return nil
	})
	return c, err
}

// Move carries tables over and then reads every row of them from both sides. First
// of all it looks whether there is anything at the other end that isn't from here:
// then it is a *Differs, and nothing was changed. It can be done again where it was
// cut off. tell is told how many rows of a table are through.
func Move(ctx context.Context, from *sql.Tx, to Writer, look func(context.Context) (*sql.Tx, error), tables []Table, tell func(table string, rows int)) (out []Count, err error) {
	compare := func(within bool) (out []Count, err error) {
		tx, err := look(ctx)
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, tx.Rollback()) }()
		for _, t := range tables {
			c, err := Compare(ctx, from, tx, t, within)
			if err != nil {
				return nil, err
			}
			out = append(out, c)
		}
		return out, nil
	}
	if _, err := compare(true); err != nil {
		return nil, err
	}
	added := map[string]int{}
	for _, t := range tables {
		c, err := Carry(ctx, from, to, t, "", nil, func(rows int) {
			if tell != nil {
				tell(t.Name, rows)
			}
		})
		if err != nil {
			return nil, err
		}
		added[t.Name] = c.Added
	}
	out, err = compare(false)
	for i := range out {
		out[i].Added = added[out[i].Table]
	}
	return out, err
}
