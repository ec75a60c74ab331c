package jobs

import (
	"cmp"
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivermigrate"
	_ "modernc.org/sqlite"

	"tapeline/pipeline"
	"tapeline/pipeline/internal/postgres"
)

// State of a clip.
type State string

// The states, see the package's picture.
const (
	Waiting    State = "waiting"
	Running    State = "running"
	Publishing State = "publishing"
	Done       State = "done"
	Failed     State = "failed"
	Unplaced   State = "unplaced"
	Held       State = "held"
)

// States in the order in which they are told.
var States = []State{Waiting, Running, Publishing, Done, Failed, Unplaced, Held}

// Clip is one clip and what became of it.
type Clip struct {
	Hash     string // SHA-256 of its bytes, hex
	Player   string
	How      string // how the player is known, see inbox.ByFolder
	Day      string // 2006-01-02: filmed, or of arrival
	Dated    bool   // Day was said
	State    State
	Fence    int64
	Tries    int
	Lies     string // folder in which the original lies
	Stem     string // its name without the ending
	Ext      string
	Sidecar  bool
	Voice    string // ending of the voice note
	Came     string // path it was dropped at
	Size     int64
	Modified time.Time
	Staging  string
	Final    string // folder of the lesson
	Copies   int
	Reason   string // a code of words.Lang.Work
	Detail   string
	Step     string // of the reading, with Part of Whole
	Part     int
	Whole    int
	Added    time.Time
	Changed  time.Time

	Kind   string // KindClip or KindRecording
	Parent string // hash of the recording it was cut out of; empty: of none
	From   int64  // where in that it begins, milliseconds
	Length int64  // of a recording or a cut, milliseconds

	// Where several machines work, see doc.go.
	Worker  string // who reads or publishes it
	Stored  string // key of its lesson in the depot
	Stocked int64  // the depot has the original and what travels with it as they were then, nanoseconds since 1970 by the office's clock; 0: it hasn't; see Spoilt and Absent

	shown *shown // a card in it, while it is taken
	away  bool   // it is made by a worker: the office has none of its files
}

// Original is the path of the clip itself.
func (c *Clip) Original() string { return filepath.Join(c.Lies, c.Stem+c.Ext) }

// Short is what a clip is called where a name could tell too much.
func (c *Clip) Short() string { return c.Hash[:8] }

// endings are those of the clip and of what travels with it.
func (c *Clip) endings() []string {
	out := []string{c.Ext}
	if c.Sidecar {
		out = append(out, ".yaml")
	}
	if c.Voice != "" {
		out = append(out, c.Voice)
	}
	return append(out, HistoryEnding) // if there is one
}

// Store remembers clips and the queue. Its SQL is what SQLite and PostgreSQL
// understand alike; OpenSQLite is one way to have one.
type Store struct {
	db     *sql.DB
	driver riverdriver.Driver[*sql.Tx]
	where  string
	now    func() time.Time
	base   *postgres.Base // nil: SQLite
	root   string         // see Share
}

//go:embed migrations/*.sql
var migrations embed.FS

// StoreFile is the name of the store in the work folder.
const StoreFile = "store.db"

// OpenSQLite opens the store in a file, making it where there is none. It has
// one connection: SQLite has one writer anyhow. Errors are *pipeline.Error with
// FaultLedger.
func OpenSQLite(ctx context.Context, path string) (*Store, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, storeFault(path, "can't be opened", err)
	}
	// The file is its owner's alone from its first byte.
	f, err := os.OpenFile(abs, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, storeFault(path, "can't be opened", err)
	}
	if err := errors.Join(f.Chmod(0o600), f.Close()); err != nil {
		return nil, storeFault(path, "can't be opened", err)
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: abs}).EscapedPath()+
		"?_txlock=immediate&_pragma=busy_timeout(15000)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)")
	if err != nil {
		return nil, storeFault(path, "can't be opened", err)
	}
	db.SetMaxOpenConns(1)
	s := &Store{db: db, driver: riversqlite.New(db), where: path, now: time.Now}
	if err := s.migrate(ctx, goose.DialectSQLite3); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return s, nil
}

// Inspect looks at a store without changing anything on the disk; current tells
// that it is of this program's version, else OpenSQLite brings it up to date.
// Errors are *pipeline.Error with FaultLedger.
func Inspect(ctx context.Context, path string) (current bool, err error) {
	db, err := unchanged(path)
	if err != nil {
		return false, err
	}
	defer db.Close()
	var tables int
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('clips', 'nights', 'goose_db_version')").Scan(&tables); err != nil {
		return false, storeFault(path, "can't be read", err)
	}
	if tables != 3 {
		return false, storeFault(path, "is none, but another database", nil)
	}
	var at, want int64
	if err := db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version").Scan(&at); err != nil {
		return false, storeFault(path, "can't be read", err)
	}
	if want, err = newest(); err != nil {
		return false, err
	}
	if at > want {
		return false, storeFault(path, fmt.Sprintf("is of version %d, this tapeline knows version %d", at, want), nil)
	}
	return at == want, nil
}

// Holds counts the clips in a store without changing anything on the disk.
func Holds(ctx context.Context, path string) (clips int, err error) {
	if _, err := Inspect(ctx, path); err != nil {
		return 0, err
	}
	db, err := unchanged(path)
	if err != nil {
		return 0, err
	}
	defer db.Close()
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM clips").Scan(&clips); err != nil {
		return 0, storeFault(path, "can't be read", err)
	}
	return clips, nil
}

// unchanged is a store's file without the right to change it.
func unchanged(path string) (*sql.DB, error) {
	how := "&immutable=1"
	if st, err := os.Stat(path + "-wal"); err == nil && st.Size() > 0 {
		how = "" // somebody is writing: what lies beside is theirs
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, storeFault(path, "can't be opened", err)
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: abs}).EscapedPath()+"?mode=ro&_pragma=busy_timeout(2000)&_pragma=query_only(1)"+how)
	if err != nil {
		return nil, storeFault(path, "can't be opened", err)
	}
	db.SetMaxOpenConns(1)
	return db, nil
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

func (s *Store) provider(dialect goose.Dialect) (*goose.Provider, error) {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	if s.base != nil {
		dir = postgres.Migrations(dir)
	}
	return goose.NewProvider(dialect, s.db, dir)
}

func (s *Store) migrate(ctx context.Context, dialect goose.Dialect) error {
	up := func() error {
		p, err := s.provider(dialect)
		if err != nil {
			return err
		}
		at, want, err := p.GetVersions(ctx)
		if err != nil {
			return err
		}
		if at > want {
			return fmt.Errorf("it is of version %d, this tapeline knows version %d", at, want)
		}
		if _, err := p.Up(ctx); err != nil {
			return err
		}
		m, err := rivermigrate.New(s.driver, nil)
		if err != nil {
			return err
		}
		_, err = m.Migrate(ctx, rivermigrate.DirectionUp, nil)
		return err
	}
	err := up()
	for range 20 { // of several that open at once one makes each step, and the others find it done
		if err == nil || ctx.Err() != nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
		err = up()
	}
	if err != nil {
		return storeFault(s.where, "can't be brought up to date", err)
	}
	return nil
}

// Close gives the store back.
func (s *Store) Close() error {
	if s.base != nil {
		return s.base.Close()
	}
	return s.db.Close()
}

func storeFault(path, what string, err error) error {
	var e *pipeline.Error
	if errors.As(err, &e) {
		return err
	}
	if err != nil {
		what += ": " + err.Error()
	}
	return &pipeline.Error{Fault: pipeline.FaultLedger, Step: "store", Path: path, What: "the queue " + what, Err: err}
}

// write runs f in a transaction. On PostgreSQL f may run several times, of which
// one counts.
func (s *Store) write(ctx context.Context, f func(*sql.Tx) error) error {
	if s.base != nil {
		err := s.base.Write(ctx, f)
		if postgres.Lost(err) {
			return storeFault(s.where, "can't be written", err)
		}
		return err
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return storeFault(s.where, "can't be written", err)
	}
	if err := f(tx); err != nil {
		_ = tx.Rollback()
		return err
	}
	if err := tx.Commit(); err != nil {
		return storeFault(s.where, "can't be written", err)
	}
	return nil
}

const columns = `hash, player, how, day, dated, state, fence, tries, lies, stem, ext, sidecar, voice, came, size, modified,
	staging, final, copies, reason, detail, step, part, whole, added, changed, kind, parent, from_ms, length_ms, worker, stored, stocked`

func unquoted(s string) (string, error) { return strconv.Unquote(s) }

func quoted(s string) string { return strconv.QuoteToASCII(s) }

func (s *Store) scan(row interface{ Scan(...any) error }) (c Clip, err error) {
	var dated, side int
	var mod int64
	var lies, stem, ext, came, staging, final, added, changed string
	if err := row.Scan(&c.Hash, &c.Player, &c.How, &c.Day, &dated, &c.State, &c.Fence, &c.Tries, &lies, &stem, &ext, &side, &c.Voice, &came, &c.Size, &mod,
		&staging, &final, &c.Copies, &c.Reason, &c.Detail, &c.Step, &c.Part, &c.Whole, &added, &changed,
		&c.Kind, &c.Parent, &c.From, &c.Length, &c.Worker, &c.Stored, &c.Stocked); err != nil {
		return c, err
	}
	c.Dated, c.Sidecar, c.Modified = dated == 1, side == 1, time.Unix(0, mod)
	for _, q := range []struct {
		from string
		to   *string
	}{{lies, &c.Lies}, {stem, &c.Stem}, {ext, &c.Ext}, {came, &c.Came}, {staging, &c.Staging}, {final, &c.Final}} {
		if q.from == "" {
			continue
		}
		if *q.to, err = unquoted(q.from); err != nil {
			return c, fmt.Errorf("a name in the queue is damaged: %w", err)
		}
	}
	c.Lies, c.Staging, c.Final = s.abs(c.Lies), s.abs(c.Staging), s.abs(c.Final)
	var a, b error
	c.Added, a = time.Parse(time.RFC3339Nano, added)
	c.Changed, b = time.Parse(time.RFC3339Nano, changed)
	return c, errors.Join(a, b)
}

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (s *Store) stamp() string { return s.now().UTC().Format(time.RFC3339Nano) }

// put writes a clip as a whole, new or in place of its row.
func (s *Store) put(ctx context.Context, tx *sql.Tx, c *Clip) error {
	_, err := s.insert(ctx, tx, c, `ON CONFLICT (hash) DO UPDATE SET player = excluded.player, how = excluded.how, day = excluded.day, dated = excluded.dated,
			state = excluded.state, fence = clips.fence + 1, tries = excluded.tries, lies = excluded.lies, stem = excluded.stem,
			ext = excluded.ext, sidecar = excluded.sidecar, voice = excluded.voice, came = excluded.came, size = excluded.size,
			modified = excluded.modified, staging = '', final = '', copies = excluded.copies, reason = excluded.reason,
			detail = excluded.detail, step = '', part = 0, whole = 0, changed = excluded.changed, kind = excluded.kind, length_ms = excluded.length_ms,
			worker = '', stored = '', stocked = CASE WHEN excluded.stocked = 0 AND clips.stocked = -1 THEN clips.stocked ELSE excluded.stocked END, home = CASE WHEN excluded.home < 0 THEN excluded.home ELSE clips.fence + 1 END`)
	return err
}

// insert writes a new row; conflict says what is done where there is one.
func (s *Store) insert(ctx context.Context, tx *sql.Tx, c *Clip, conflict string) (rows int64, err error) {
	fence, home := s.birth(c)
	r, err := tx.ExecContext(ctx, `INSERT INTO clips (`+columns+`, home)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26, $27, $28, $29, $30, '', '', $31, $32) `+conflict,
		c.Hash, c.Player, c.How, c.Day, flag(c.Dated), string(c.State), fence, c.Tries, quoted(s.rel(c.Lies)), quoted(c.Stem), quoted(c.Ext), flag(c.Sidecar), c.Voice,
		quoted(c.Came), c.Size, c.Modified.UnixNano(), "", "", c.Copies, c.Reason, c.Detail, "", 0, 0, s.stamp(), s.stamp(),
		cmp.Or(c.Kind, KindClip), c.Parent, c.From, c.Length, c.Stocked, home)
	if err != nil {
		return 0, storeFault(s.where, "can't be written", err)
	}
	return r.RowsAffected()
}

// Clip by its hash.
func (s *Store) Clip(ctx context.Context, hash string) (c Clip, ok bool, err error) {
	err = s.read(ctx, func() (err error) {
		c, err = s.scan(s.db.QueryRowContext(ctx, `SELECT `+columns+` FROM clips WHERE hash = $1`, hash))
		return err
	})
	if errors.Is(err, sql.ErrNoRows) {
		return c, false, nil
	}
	if err != nil {
		return c, false, storeFault(s.where, "can't be read", err)
	}
	return c, true, nil
}

// Clips of a state in the order in which they came; of all with "".
func (s *Store) Clips(ctx context.Context, state State) (out []Clip, err error) {
	return s.list(ctx, `WHERE $1 = '' OR state = $1 ORDER BY added, hash`, string(state))
}

func (s *Store) list(ctx context.Context, which string, args ...any) (out []Clip, err error) {
	err = s.read(ctx, func() error {
		out = nil
		rows, err := s.db.QueryContext(ctx, `SELECT `+columns+` FROM clips `+which, args...)
		if err != nil {
			return storeFault(s.where, "can't be read", err)
		}
		defer rows.Close()
		for rows.Next() {
			c, err := s.scan(rows)
			if err != nil {
				return storeFault(s.where, "can't be read", err)
			}
			out = append(out, c)
		}
		return rows.Err()
	})
	return out, err
}

// Counts tells how many clips are in each state. Done are the clips that have a
// lesson or show a card: no recordings, no cuts without a swing; cuts that somebody took away count nowhere.
func (s *Store) Counts(ctx context.Context) (out map[State]int, err error) {
	err = s.read(ctx, func() error {
		out = map[State]int{}
		rows, err := s.db.QueryContext(ctx, `SELECT state, count(*) FROM clips WHERE NOT (state = 'done' AND (kind = 'recording' OR reason = $1)) AND reason <> $2 GROUP BY state`, NoSwingHere, TakenBack)
		if err != nil {
			return storeFault(s.where, "can't be read", err)
		}
		defer rows.Close()
		for rows.Next() {
			var st State
			var n int
			if err := rows.Scan(&st, &n); err != nil {
				return storeFault(s.where, "can't be read", err)
			}
			out[st] = n
		}
		return rows.Err()
	})
	return out, err
}

// errStale: somebody else has the clip by now.
var errStale = errors.New("the clip was taken over")

// change is one UPDATE that must meet exactly one row, else errStale.
func (s *Store) change(ctx context.Context, tx *sql.Tx, query string, args ...any) error {
	r, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return storeFault(s.where, "can't be written", err)
	}
	if n, err := r.RowsAffected(); err != nil || n != 1 {
		return errors.Join(errStale, err)
	}
	return nil
}

func (s *Store) update(ctx context.Context, query string, args ...any) error {
	return s.write(ctx, func(tx *sql.Tx) error { return s.change(ctx, tx, query, args...) })
}

// claim makes a waiting clip running under a new fence.
// worker is who does it where there are several: one that isn't gone, and only
// what the depot has.
func (s *Store) claim(ctx context.Context, hash, worker string) (c Clip, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `UPDATE clips SET state = 'running', worker = $3, fence = fence + 1, tries = tries + 1, reason = '', detail = '', step = '', part = 0, whole = 0, changed = $2
			WHERE hash = $1 AND state = 'waiting' AND ($3 = '' OR stocked > 0 AND EXISTS (SELECT 1 FROM workers WHERE id = $3 AND state <> 'gone'))`, hash, s.stamp(), worker); err != nil {
			return err
		}
		c, err = s.scan(tx.QueryRowContext(ctx, `SELECT `+columns+` FROM clips WHERE hash = $1`, hash))
		return err
	})
	return c, err
}

// progress of a running clip.
func (s *Store) progress(ctx context.Context, c *Clip, step string, part, whole int) error {
	return s.update(ctx, `UPDATE clips SET step = $3, part = $4, whole = $5 WHERE hash = $1 AND fence = $2 AND state = 'running'`, c.Hash, c.Fence, step, part, whole)
}

// intend is the point of no return: what lies in staging will be at final.
func (s *Store) intend(ctx context.Context, c *Clip) error {
	return s.update(ctx, `UPDATE clips SET state = 'publishing', staging = $3, final = $4, stored = $5, changed = $6 WHERE hash = $1 AND fence = $2 AND state = 'running'`,
		c.Hash, c.Fence, quoted(s.rel(c.Staging)), quoted(s.rel(c.Final)), c.Stored, s.stamp())
}

// published ends what intend began.
func (s *Store) published(ctx context.Context, c *Clip) error {
	return s.update(ctx, `UPDATE clips SET state = 'done', staging = '', step = '', part = 0, whole = 0, changed = $3 WHERE hash = $1 AND fence = $2 AND state = 'publishing'`,
		c.Hash, c.Fence, s.stamp())
}

// seize takes a publishing clip from whoever began it.
func (s *Store) seize(ctx context.Context, c *Clip, worker string) error {
	err := s.update(ctx, `UPDATE clips SET fence = fence + 1, worker = $3 WHERE hash = $1 AND fence = $2 AND state = 'publishing'`, c.Hash, c.Fence, worker)
	if err == nil {
		c.Fence++
	}
	return err
}

// release makes a clip wait again; a try that wasn't its own fault is given
// back.
func (s *Store) release(ctx context.Context, c *Clip, reason, detail string, giveBack bool) error {
	return s.update(ctx, `UPDATE clips SET state = 'waiting', tries = CASE WHEN tries > $6 THEN tries - $6 ELSE 0 END, staging = '', final = CASE WHEN state = 'running' THEN final ELSE '' END, stored = CASE WHEN state = 'running' THEN stored ELSE '' END, step = '', part = 0, whole = 0, reason = $3, detail = $4, changed = $5
		WHERE hash = $1 AND fence = $2 AND state IN ('running', 'publishing')`, c.Hash, c.Fence, reason, detail, s.stamp(), flag(giveBack))
}

// quiet ends a clip without a lesson that it could have.
func (s *Store) quiet(ctx context.Context, c *Clip) error {
	return s.update(ctx, `UPDATE clips SET state = 'done', staging = '', final = '', stored = '', step = '', part = 0, whole = 0, reason = $3, detail = $4, changed = $5
		WHERE hash = $1 AND fence = $2 AND state = 'running'`, c.Hash, c.Fence, c.Reason, c.Detail, s.stamp())
}

// fail ends a clip that can't be read.
func (s *Store) fail(ctx context.Context, c *Clip) error {
	return s.update(ctx, `UPDATE clips SET state = 'failed', staging = '', final = '', stored = '', step = '', part = 0, whole = 0, reason = $3, detail = $4, changed = $5
		WHERE hash = $1 AND fence = $2 AND state = 'running'`, c.Hash, c.Fence, c.Reason, c.Detail, s.stamp())
}

// lies notes where the original lies now.
func (s *Store) lies(ctx context.Context, c *Clip) error {
	return s.update(ctx, `UPDATE clips SET lies = $2, stem = $3 WHERE hash = $1`, c.Hash, quoted(s.rel(c.Lies)), quoted(c.Stem))
}

// copied counts a further copy.
func (s *Store) copied(ctx context.Context, c *Clip) error {
	c.Copies++
	return s.update(ctx, `UPDATE clips SET copies = $2, changed = $3 WHERE hash = $1`, c.Hash, c.Copies, s.stamp())
}

// forget drops the row of a clip whose file is no longer here.
func (s *Store) forget(ctx context.Context, c *Clip) error {
	return s.update(ctx, `DELETE FROM clips WHERE hash = $1 AND fence = $2`, c.Hash, c.Fence)
}

// night begins the run of a night; false where it was begun already.
func (s *Store) night(ctx context.Context, night string) (began bool, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		r, err := tx.ExecContext(ctx, `INSERT INTO nights (night, began) VALUES ($1, $2) ON CONFLICT (night) DO NOTHING`, night, s.stamp())
		if err != nil {
			return storeFault(s.where, "can't be written", err)
		}
		n, err := r.RowsAffected()
		began = n == 1
		return err
	})
	return began, err
}
