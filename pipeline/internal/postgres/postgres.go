// Package postgres is what the store of clips and the ledger share where both
// lie in a PostgreSQL database: each has a schema of its own there, found by the
// search path, so that their SQL is the one that SQLite reads too.
//
// One writer at a time, as in SQLite: every writing transaction begins with the
// schema's advisory lock. What is lost on the way to the server is done again
// for a while; whether a COMMIT whose answer was lost went through is told by a
// row that each transaction leaves.
package postgres

import (
	"bytes"
	"context"
	"crypto/rand"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	mathrand "math/rand/v2"
	"net"
	"os"
	"path"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

const (
	// patience is how long what was lost on the way is tried again.
	patience = 2 * time.Minute
	// mute is after how long without a byte a server that was asked something
	// counts as lost.
	mute = 30 * time.Second
	// oldest server that is taken; 15 is the one that is tried.
	oldest = 130000
	// connections at once of one schema: River and what we do beside it.
	connections = 8
)

// Base is one schema of a database.
type Base struct {
	DB *sql.DB
	// Where is the server and the database as they may be told: no user, no
	// password.
	Where string

	schema string
	config *pgx.ConnConfig

	mu     sync.Mutex
	free   []string // marks
	number int64
}

// ErrNone: there is no such schema.
var ErrNone = errors.New("the database has none of tapeline's tables")

// ErrBusy: somebody else has the lock.
var ErrBusy = errors.New("somebody else has the lock")

// Where is the server and the database of an address as they may be told.
func Where(url string) string {
	c, err := parse(url)
	if err != nil {
		return "postgres"
	}
	return where(c)
}

func where(c *pgx.ConnConfig) string {
	host := net.JoinHostPort(c.Host, fmt.Sprint(c.Port))
	if strings.HasPrefix(c.Host, "/") {
		host = c.Host
	}
	return "postgres " + host + " " + c.Database
}

func parse(url string) (*pgx.ConnConfig, error) {
	c, err := pgx.ParseConfig(url)
	if err != nil { // the library's words quote the address
		return nil, errors.New("the address can't be understood")
	}
	return c, nil
}

// Open connects to the schema, making it where there is none and create is set;
// else ErrNone. It gives up at once where the server can't be reached, but waits
// for one that is just starting.
func Open(ctx context.Context, url, schema string, create bool) (*Base, error) {
	c, err := parse(url)
	if err != nil {
		return nil, err
	}
	if c.ConnectTimeout == 0 {
		c.ConnectTimeout = 10 * time.Second
	}
	for k, v := range map[string]string{
		"search_path": schema, "application_name": "tapeline",
		// A machine that is cut off or stands still holds nothing for long.
		"idle_in_transaction_session_timeout": "30s", "tcp_keepalives_idle": "20", "tcp_keepalives_interval": "10", "tcp_keepalives_count": "3",
	} {
		c.RuntimeParams[k] = v
	}
	b := &Base{Where: where(c), schema: schema, config: c}
	b.DB = b.connect(mute)
	b.DB.SetMaxOpenConns(connections)
	b.DB.SetMaxIdleConns(connections / 2)
	b.DB.SetConnMaxIdleTime(5 * time.Minute)
	if err := b.begin(ctx, create); err != nil {
		_ = b.DB.Close()
		return nil, err
	}
	return b, nil
}

// connect gives connections that are lost after so long without an answer; 0:
// never.
func (b *Base) connect(mute time.Duration) *sql.DB {
	c := b.config.Copy()
	d := net.Dialer{KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 20 * time.Second, Interval: 10 * time.Second, Count: 3}}
	c.DialFunc = func(ctx context.Context, network, addr string) (net.Conn, error) {
		n, err := d.DialContext(ctx, network, addr)
		if err != nil || mute == 0 {
			return n, err
		}
		return &wire{Conn: n, mute: mute}, nil
	}
	return stdlib.OpenDB(*c)
}

func (b *Base) begin(ctx context.Context, create bool) error {
	var version int
	var schema, there bool
	look := func() error {
		return b.DB.QueryRowContext(ctx, `SELECT current_setting('server_version_num')::int, EXISTS (SELECT 1 FROM pg_namespace WHERE nspname = $1), to_regclass('writes') IS NOT NULL`, b.schema).Scan(&version, &schema, &there)
	}
	err := look()
	for begun := time.Now(); code(err) == "57P03" && time.Since(begun) < mute && ctx.Err() == nil; err = look() {
		time.Sleep(200 * time.Millisecond)
	}
	switch {
	case err != nil:
		return OneLine(err)
	case version < oldest:
		return tooOld(version)
	case there:
		return nil
	case !create && !schema:
		return ErrNone
	}
	return b.Alone(ctx, func(db *sql.DB) error {
		if !schema {
			if _, err := db.ExecContext(ctx, `CREATE SCHEMA IF NOT EXISTS `+b.schema); err != nil {
				return err
			}
		}
		// The last writes, see Write.
		_, err := db.ExecContext(ctx, `CREATE TABLE IF NOT EXISTS writes (mark TEXT PRIMARY KEY, n BIGINT NOT NULL, at TIMESTAMPTZ NOT NULL DEFAULT now())`)
		return err
	})
}

func tooOld(version int) error {
	return fmt.Errorf("the server is PostgreSQL %d, it must be 13 or newer", version/10000)
}

// Close gives the connections back. Nothing is written any more: what was noted of
// writes whose end is known goes.
func (b *Base) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.free) > 0 { // a program that died left its own
		_, _ = b.DB.ExecContext(ctx, `DELETE FROM writes WHERE mark = ANY($1) OR at < now() - interval '1 day'`, b.free)
	}
	return b.DB.Close()
}

// OneLine is an error of the driver as one line.
func OneLine(err error) error {
	if err == nil || !strings.ContainsAny(err.Error(), "\n\t") {
		return err
	}
	return &oneLine{err}
}

type oneLine struct{ error }

func (e *oneLine) Error() string { return strings.Join(strings.Fields(e.error.Error()), " ") }
func (e *oneLine) Unwrap() error { return e.error }

func code(err error) string {
	var e *pgconn.PgError
	if errors.As(err, &e) {
		return e.Code
	}
	return ""
}

// Lost tells whether an error is one of the way to the server, or of the
// server's state, and another try may do.
func Lost(err error) bool {
	if err == nil || errors.Is(err, context.Canceled) {
		return false
	}
	// PostgreSQL's appendix A: connection exceptions, shut down or starting, what
	// waited too long in a transaction, too many connections, what met another
	// transaction.
	switch c := code(err); {
	case strings.HasPrefix(c, "08"), strings.HasPrefix(c, "57P"), c == "25P03", c == "53300", c == "40001", c == "40P01":
		return true
	case c != "":
		return false
	}
	for _, e := range []error{driver.ErrBadConn, sql.ErrConnDone, io.EOF, io.ErrUnexpectedEOF, net.ErrClosed, os.ErrDeadlineExceeded, syscall.ECONNRESET, syscall.EPIPE, syscall.ECONNREFUSED} {
		if errors.Is(err, e) {
			return true
		}
	}
	var e net.Error
	return errors.As(err, &e) || pgconn.SafeToRetry(err)
}

// Patiently does f, and again for a while where it was lost on the way; a
// deadline of ctx counts.
func Patiently(ctx context.Context, f func() error) error {
	end := time.Now().Add(patience)
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := f()
		if !Lost(err) || ctx.Err() != nil || time.Now().After(end) {
			return OneLine(err)
		}
		select {
		case <-ctx.Done():
			return OneLine(err)
		case <-time.After(wait/2 + mathrand.N(wait)):
		}
	}
}

// Write runs f in a transaction that is the schema's only writer, and again
// where it was lost on the way: f may run several times, of which one counts.
func (b *Base) Write(ctx context.Context, f func(*sql.Tx) error) error {
	mine, number, free := b.mark()
	defer free()
	lost := false // whether a COMMIT went through isn't known
	return Patiently(ctx, func() error {
		// What is begun is ended: ctx stops f, not the COMMIT.
		tx, err := b.DB.BeginTx(context.WithoutCancel(ctx), nil)
		if err != nil {
			return err
		}
		done := false
		err = func() error {
			if lost { // one that goes on still holds the lock, and is waited for
				if _, err := tx.ExecContext(ctx, `SELECT pg_advisory_xact_lock($1)`, b.key("write")); err != nil {
					return err
				}
				var last int64
				if err := tx.QueryRowContext(ctx, `SELECT n FROM writes WHERE mark = $1`, mine).Scan(&last); err != nil && !errors.Is(err, sql.ErrNoRows) {
					return err
				}
				if done = last == number; done {
					return nil
				}
			}
			if _, err := tx.ExecContext(ctx, `INSERT INTO writes (mark, n) SELECT $2, $3 FROM pg_advisory_xact_lock($1) ON CONFLICT (mark) DO UPDATE SET n = excluded.n, at = now()`, b.key("write"), mine, number); err != nil {
				return err
			}
			return errors.Join(f(tx), ctx.Err())
		}()
		if err != nil || done {
			_ = tx.Rollback()
			return err
		}
		hook("commit")
		err = tx.Commit()
		lost = Lost(err)
		return err
	})
}

// hook is told each stage that was passed; tests stop there.
var hook = func(stage string) {}

// mark is a row of writes that no other writing that goes on has, and a number to
// be in it. The number of the transaction would not do: after a crash the server
// gives the ones it lost to others.
func (b *Base) mark() (mark string, number int64, free func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.number++
	if len(b.free) == 0 {
		b.free = []string{rand.Text()}
	}
	mark, b.free = b.free[0], b.free[1:]
	return mark, b.number, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.free = append(b.free, mark)
	}
}

// key of a lock; it is the database's, and schema and name are in it.
func (b *Base) key(name string) int64 {
	h := fnv.New64a()
	_, _ = io.WriteString(h, b.schema+" "+name)
	return int64(h.Sum64())
}

// Alone runs f while nobody else's Alone runs, on a connection that may take its
// time: for tables that are made, changed or written anew.
func (b *Base) Alone(ctx context.Context, f func(*sql.DB) error) error {
	db := b.connect(0)
	defer db.Close()
	lock, err := db.Conn(ctx)
	if err != nil {
		return OneLine(err)
	}
	defer lock.Close() // ends the session with db, and the lock with it
	if _, err := lock.ExecContext(ctx, `SELECT pg_advisory_lock($1)`, b.key("alone")); err != nil {
		return OneLine(err)
	}
	return OneLine(f(db))
}

// Compact writes tables anew without what was deleted. The server's log of
// changes, its backups and copies are not its business.
func (b *Base) Compact(ctx context.Context) error {
	return b.Alone(ctx, func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, `SELECT quote_ident(tablename) FROM pg_tables WHERE schemaname = $1 ORDER BY 1`, b.schema)
		if err != nil {
			return err
		}
		defer rows.Close()
		var tables []string
		for rows.Next() {
			var t string
			if err := rows.Scan(&t); err != nil {
				return err
			}
			tables = append(tables, t)
		}
		if err := rows.Err(); err != nil {
			return err
		}
		for _, t := range tables {
			if _, err := db.ExecContext(ctx, `VACUUM (FULL) `+b.schema+"."+t); err != nil {
				return err
			}
		}
		return nil
	})
}

// Lock is held as long as its connection lasts.
type Lock struct {
	db   *sql.DB
	key  int64
	stop chan struct{}

	mu   sync.Mutex
	conn *sql.Conn // nil: lost
	seen time.Time
}

// Lock takes a lock of the schema; ErrBusy where somebody else has it. One of a
// machine that is cut off or stands still is free again after half a minute.
func (b *Base) Lock(ctx context.Context, name string) (*Lock, error) {
	l := &Lock{db: b.connect(mute), key: b.key(name), stop: make(chan struct{})}
	var err error
	if l.conn, err = l.db.Conn(ctx); err != nil {
		_ = l.db.Close()
		return nil, OneLine(err)
	}
	var got bool
	// The server may not know yet that a program that has it is dead.
	for until := time.Now().Add(500 * time.Millisecond); ; time.Sleep(50 * time.Millisecond) {
		// The setting is there from PostgreSQL 14 on.
		err = l.conn.QueryRowContext(ctx, `SELECT pg_try_advisory_lock($1), (SELECT count(set_config(name, '30s', false)) FROM pg_settings WHERE name = 'idle_session_timeout')`, l.key).Scan(&got, new(int))
		if err != nil || got || time.Now().After(until) {
			break
		}
	}
	if err != nil || !got {
		_ = l.conn.Close()
		_ = l.db.Close()
		if err == nil {
			err = ErrBusy
		}
		return nil, OneLine(err)
	}
	l.seen = time.Now()
	go func() {
		for {
			select {
			case <-l.stop:
				return
			case <-time.After(5 * time.Second):
				l.Held(0)
			}
		}
	}()
	return l, nil
}

// Held tells whether the lock is held still: the server is asked unless it was
// so lately. Once it is lost it stays so.
func (l *Lock) Held(lately time.Duration) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conn == nil {
		return false
	}
	if time.Since(l.seen) < lately {
		return true
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	// Not a ping, after which another connection could answer.
	if err := l.conn.QueryRowContext(ctx, `SELECT 1`).Scan(new(int)); err != nil {
		_ = l.conn.Close()
		_ = l.db.Close()
		l.conn = nil
		return false
	}
	l.seen = time.Now()
	return true
}

// Release gives the lock back.
func (l *Lock) Release() {
	close(l.stop)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conn != nil { // the server ends a session a moment after it was told so
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_, _ = l.conn.ExecContext(ctx, `SELECT pg_advisory_unlock($1)`, l.key)
		_ = l.conn.Close()
		l.conn = nil
	}
	_ = l.db.Close()
}

// wire is a connection on which an answer that doesn't come counts as lost.
type wire struct {
	net.Conn
	mute time.Duration

	mu  sync.Mutex
	end time.Time // set by who uses it
}

func (w *wire) SetDeadline(t time.Time) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.end = t
	return w.Conn.SetDeadline(t)
}

func (w *wire) SetReadDeadline(t time.Time) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.end = t
	return w.Conn.SetReadDeadline(t)
}

func (w *wire) Read(p []byte) (int, error) {
	w.mu.Lock()
	end := time.Now().Add(w.mute)
	if !w.end.IsZero() && w.end.Before(end) {
		end = w.end
	}
	err := w.Conn.SetReadDeadline(end)
	w.mu.Unlock()
	if err != nil {
		return 0, err
	}
	return w.Conn.Read(p)
}

var textColumn = regexp.MustCompile(`\bTEXT\b`)

// Migrations are those of SQLite with text in the order of its bytes, as SQLite
// has it, whatever the database's own order is.
func Migrations(of fs.FS) fs.FS { return bytewise{of} }

type bytewise struct{ fs.FS }

func (b bytewise) Open(name string) (fs.File, error) {
	f, err := b.FS.Open(name)
	if err != nil || path.Ext(name) != ".sql" {
		return f, err
	}
	text, err := io.ReadAll(f)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &rewritten{f, bytes.NewReader(textColumn.ReplaceAll(text, []byte(`TEXT COLLATE "C"`)))}, nil
}

// rewritten is a file with another text.
type rewritten struct {
	fs.File
	text io.Reader
}

func (r *rewritten) Read(p []byte) (int, error) { return r.text.Read(p) }

// Seen is what Look found.
type Seen struct {
	Server  string // its version, "15.4"
	There   bool   // the schema has our tables
	Version int64  // of those
	Rows    int    // of the table that was asked for
	// Clock is how much the server's is ahead of ours, give or take half of Answer,
	// which is how long it took to answer.
	Clock, Answer time.Duration
	Sealed        bool // the connection is encrypted, or doesn't leave this machine
}

// Look looks at a schema without changing anything, and counts the rows of one of
// its tables.
func Look(ctx context.Context, url, schema, table string) (s Seen, err error) {
	c, err := parse(url)
	if err != nil {
		return s, err
	}
	if c.ConnectTimeout == 0 {
		c.ConnectTimeout = 10 * time.Second
	}
	c.RuntimeParams["default_transaction_read_only"] = "on"
	c.RuntimeParams["search_path"] = schema
	db := (&Base{config: c}).connect(mute)
	defer db.Close()
	db.SetMaxOpenConns(1)
	var version int
	var full string
	var known sql.NullString
	if err := db.QueryRowContext(ctx, `SELECT current_setting('server_version_num')::int, current_setting('server_version'), to_regclass('goose_db_version')::text,
		coalesce((SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()), false) OR coalesce(inet_server_addr() = inet_client_addr(), true)`).Scan(&version, &full, &known, &s.Sealed); err != nil {
		return s, OneLine(err)
	}
	s.Server, _, _ = strings.Cut(full, " ")
	if version < oldest {
		return s, tooOld(version)
	}
	if s.There = known.Valid; s.There {
		if err := db.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version`).Scan(&s.Version); err != nil {
			return s, OneLine(err)
		}
		s.There = s.Version > 0
	}
	if s.There {
		if err := db.QueryRowContext(ctx, `SELECT count(*) FROM `+table).Scan(&s.Rows); err != nil {
			return s, OneLine(err)
		}
	}
	var there time.Time
	asked := time.Now()
	if err := db.QueryRowContext(ctx, `SELECT clock_timestamp()`).Scan(&there); err != nil {
		return s, OneLine(err)
	}
	s.Answer = time.Since(asked)
	s.Clock = there.Sub(asked.Add(s.Answer / 2))
	return s, nil
}
