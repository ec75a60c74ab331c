package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/pressly/goose/v3"
	_ "modernc.org/sqlite"

	"tapeline/pipeline"
	"tapeline/pipeline/internal/postgres"
)

// File is the name of the ledger in the output folder.
const File = "ledger.db"

// magic is how every SQLite file begins (www.sqlite.org/fileformat.html, 1.3).
const magic = "SQLite format 3\x00"

// patience is how long a writer waits for another, milliseconds.
const patience = 15000

//go:embed migrations/*.sql
var migrations embed.FS

// Ledger is open on one file, or on a database. It is safe for use by several
// goroutines, and several processes may have it open.
type Ledger struct {
	db   *sql.DB
	path string         // where it is, as it may be told
	base *postgres.Base // nil: SQLite

	under string // see Under
}

// Under says where folders of lessons lie that are written relative: those of
// several machines, each of which has them below its own work folder.
func (l *Ledger) Under(dir string) { l.under = dir }

// Open opens the ledger at path, bringing one of an older version up to this
// one. A file that isn't a ledger, is damaged or was written by a newer version
// is refused and left as it is, byte for byte. Errors are *pipeline.Error with
// FaultLedger.
func Open(ctx context.Context, path string) (*Ledger, error) {
	current, err := inspect(ctx, path, "")
	if err != nil {
		return nil, err
	}
	for _, end := range []string{"", "-wal", "-shm"} { // a copy brought back may be open to all
		_ = os.Chmod(path+end, private)
	}
	l, err := connect(ctx, path)
	if err != nil {
		return nil, err
	}
	if !current {
		if err := l.migrate(ctx); err != nil {
			return nil, errors.Join(err, l.Close())
		}
	}
	return l, nil
}

// private is the mode of the ledger: its owner's alone.
const private = 0o600

// Create opens the ledger at path and makes a new one, with its folder, where
// there is none.
func Create(ctx context.Context, path string) (*Ledger, error) {
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := create(ctx, path); err != nil {
			return nil, err
		}
	}
	return Open(ctx, path)
}

// create makes an empty ledger beside its final place and links it there, so
// that of two that create at once one wins and nobody sees half of it.
func create(ctx context.Context, path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return fault(path, "the ledger's folder can't be created", "name another place for it", err)
	}
	dir, err := os.MkdirTemp(filepath.Dir(path), ".tapeline-")
	if err != nil {
		return fault(path, "the ledger can't be created", "name another place for it", err)
	}
	defer os.RemoveAll(dir)
	draft := filepath.Join(dir, File)
	f, err := os.OpenFile(draft, os.O_CREATE|os.O_EXCL|os.O_RDWR, private)
	if err != nil {
		return fault(path, "the ledger can't be created", "name another place for it", err)
	}
	_ = f.Close()
	l, err := connect(ctx, draft)
	if err != nil {
		return err
	}
	err = l.migrate(ctx)
	if err := errors.Join(err, l.Close()); err != nil {
		return fault(path, "the ledger can't be created", "is the disk full?", err)
	}
	err = os.Link(draft, path)
	switch {
	case err == nil, errors.Is(err, fs.ErrExist):
		return nil
	}
	// A disk without links.
	if _, err := os.Lstat(path); err == nil {
		return nil
	}
	if err := os.Rename(draft, path); err != nil {
		return fault(path, "the ledger can't be created", "name another place for it", err)
	}
	return nil
}

// connect opens the file for reading and writing on one connection.
func connect(ctx context.Context, path string) (*Ledger, error) {
	db, err := sql.Open("sqlite", source(path, fmt.Sprintf(
		"mode=rw&_txlock=immediate&_pragma=busy_timeout(%d)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)", patience)))
	if err != nil {
		return nil, fault(path, "the ledger can't be opened", "", err)
	}
	db.SetMaxOpenConns(1)
	if err := db.PingContext(ctx); err != nil {
		_ = db.Close()
		return nil, fault(path, "the ledger can't be opened for writing", "is another program holding it?", err)
	}
	return &Ledger{db: db, path: path}, nil
}

// source is the file's address for the driver; any character may stand in it.
func source(path, query string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + query
}

// Close gives the file back.
func (l *Ledger) Close() error {
	if l.base != nil {
		return l.base.Close()
	}
	if err := l.db.Close(); err != nil {
		return fault(l.path, "the ledger can't be closed", "", err)
	}
	return nil
}

func provider(db *sql.DB) (*goose.Provider, error) {
	return (&Ledger{db: db}).provider()
}

func (l *Ledger) provider() (*goose.Provider, error) {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	if l.base != nil {
		return goose.NewProvider(goose.DialectPostgres, l.db, postgres.Migrations(dir))
	}
	return goose.NewProvider(goose.DialectSQLite3, l.db, dir)
}

// newest is the version this program writes.
func newest() (v int64, err error) {
	entries, err := migrations.ReadDir("migrations")
	if err != nil {
		return 0, err
	}
	for _, e := range entries {
		n, err := goose.NumericComponent(e.Name())
		if err != nil {
			return 0, err
		}
		v = max(v, n)
	}
	return v, nil
}

// migrate brings the tables up to the newest version. When another process
// does the same at the same time one of the two fails, and finds it done.
func (l *Ledger) migrate(ctx context.Context) error {
	p, err := l.provider()
	if err != nil {
		return fault(l.path, "the ledger can't be brought up to date", "", err)
	}
	want, _ := newest()
	for range 20 { // each step may be the other's first
		if _, err = p.Up(ctx); err == nil {
			return nil
		}
		if at, e := p.GetDBVersion(ctx); e == nil && at == want {
			return nil
		}
		if ctx.Err() != nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	return fault(l.path, "the ledger can't be brought up to date", "", err)
}

// Inspect looks at the ledger at path as Open does, but leaves no trace beside
// it; current tells that it is of this program's version, else Open brings it
// up to date.
func Inspect(ctx context.Context, path string) (current bool, err error) {
	if st, err := os.Stat(path + "-wal"); err == nil && st.Size() > 0 {
		return inspect(ctx, path, "") // somebody is writing: what lies beside is theirs
	}
	return inspect(ctx, path, "&immutable=1")
}

// Holds counts the lessons in the ledger at path; it leaves no trace either.
func Holds(ctx context.Context, path string) (lessons int, err error) {
	if _, err := Inspect(ctx, path); err != nil {
		return 0, err
	}
	how := "&immutable=1"
	if st, err := os.Stat(path + "-wal"); err == nil && st.Size() > 0 {
		how = ""
	}
	db, err := unchanged(path, how)
	if err != nil {
		return 0, err
	}
	defer db.Close()
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM lessons").Scan(&lessons); err != nil {
		return 0, fault(path, "the ledger can't be read", "", err)
	}
	return lessons, nil
}

// unchanged is a ledger's file without the right to change it.
func unchanged(path, how string) (*sql.DB, error) {
	db, err := sql.Open("sqlite", source(path, fmt.Sprintf("mode=ro&_pragma=busy_timeout(%d)&_pragma=query_only(1)%s", patience, how)))
	if err != nil {
		return nil, fault(path, "the ledger can't be opened", "", err)
	}
	db.SetMaxOpenConns(1)
	return db, nil
}

// inspect looks at the file without the right to change it; current tells that
// it is of this program's version. how is added to the file's address.
func inspect(ctx context.Context, path, how string) (current bool, err error) {
	st, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, fault(path, "there is no ledger yet", "read a clip with --player, or name the place with --ledger", err)
	case err != nil:
		return false, fault(path, "the ledger can't be opened", "", err)
	case !st.Mode().IsRegular():
		return false, fault(path, "is no ledger but a folder or device", "name another place for it", nil)
	}
	if err := begins(path, magic); err != nil {
		return false, err
	}
	db, err := unchanged(path, how)
	if err != nil {
		return false, err
	}
	defer db.Close()

	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&verdict); err != nil || verdict != "ok" {
		if ctx.Err() != nil {
			return false, fault(path, "the ledger could not be read", "", ctx.Err())
		}
		return false, fault(path, "the ledger is damaged; it was left as it is", "bring back a copy, or move it away to begin a new one", err)
	}
	var tables int
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('players', 'lessons', 'goose_db_version')").Scan(&tables); err != nil {
		return false, fault(path, "the ledger can't be read", "", err)
	}
	if tables != 3 {
		return false, fault(path, "is a database, but not a ledger of tapeline; it was left as it is", "name another place for the ledger", nil)
	}
	var at int64
	if err := db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version").Scan(&at); err != nil {
		return false, fault(path, "the ledger can't be read", "", err)
	}
	want, err := newest()
	if err != nil {
		return false, fault(path, "the ledger can't be read", "", err)
	}
	if at > want {
		return false, newer(path, at, want)
	}
	return at == want, nil
}

func newer(path string, at, want int64) error {
	return fault(path, fmt.Sprintf("the ledger is of version %d, this tapeline knows version %d; it was left as it is", at, want), "use the newer tapeline", nil)
}

func begins(path, with string) error {
	f, err := os.Open(path)
	if err != nil {
		return fault(path, "the ledger can't be opened", "", err)
	}
	defer f.Close()
	head := make([]byte, len(with))
	if _, err := io.ReadFull(f, head); err != nil || string(head) != with {
		return fault(path, "is not a ledger; it was left as it is", "name another place for the ledger, or move the file away", err)
	}
	return nil
}

func fault(path, what, hint string, err error) error {
	var e *pipeline.Error
	if errors.As(err, &e) {
		return err
	}
	return &pipeline.Error{Fault: pipeline.FaultLedger, Step: "ledger", Path: path, What: what, Hint: hint, Err: err}
}
