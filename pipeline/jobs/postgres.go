package jobs

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"

	"tapeline/pipeline/internal/postgres"
)

// clipsSchema is where the store lies in a database.
const clipsSchema = "tapeline_clips"

// OpenPostgres opens the store in a PostgreSQL database, making it where there is
// none; several machines may. url has the password in it where one is needed.
// What is lost on the way to the server is tried again for two minutes, but not
// the opening. Errors are *pipeline.Error with FaultLedger and tell no password.
func OpenPostgres(ctx context.Context, url string) (*Store, error) {
	b, err := postgres.Open(ctx, url, clipsSchema, true)
	if err != nil {
		return nil, storeFault(postgres.Where(url), "can't be opened", err)
	}
	s := &Store{db: b.DB, driver: riverdatabasesql.New(b.DB), where: b.Where, now: time.Now, base: b}
	err = b.Alone(ctx, func(db *sql.DB) error {
		patient := &Store{db: db, driver: riverdatabasesql.New(db), where: b.Where, base: b}
		return patient.migrate(ctx, goose.DialectPostgres)
	})
	if err != nil {
		return nil, errors.Join(storeFault(b.Where, "can't be brought up to date", err), b.Close())
	}
	return s, nil
}

// Seen is what Examine found.
type Seen = postgres.Seen

// StoreName is the server and the database of an address as they may be told.
func StoreName(url string) string { return postgres.Where(url) }

// Examine looks at a store in a PostgreSQL database without changing anything;
// current tells that it is of this program's version. Errors as OpenPostgres has
// them.
func Examine(ctx context.Context, url string) (s Seen, current bool, err error) {
	if s, err = postgres.Look(ctx, url, clipsSchema, "clips"); err != nil {
		return s, false, storeFault(postgres.Where(url), "can't be opened", err)
	}
	want, err := newest()
	if err == nil && s.Version > want {
		err = storeFault(postgres.Where(url), fmt.Sprintf("is of version %d, this tapeline knows version %d", s.Version, want), nil)
	}
	return s, s.Version == want, err
}

// Shared tells that several machines may use the store.
func (s *Store) Shared() bool { return s.base != nil }

// TakerLock makes this the only one that takes clips in for the store; ErrBusy
// where another machine does. held tells, by asking the server about once a
// second, whether it is so still: where the connection was lost it tries to get
// the lock again. A store of one machine has the work folder's lock for that.
func (s *Store) TakerLock(ctx context.Context) (held func() bool, release func(), err error) {
	if s.base == nil {
		return func() bool { return true }, func() {}, nil
	}
	take := func(ctx context.Context) (*postgres.Lock, error) {
		l, err := s.base.Lock(ctx, "taker")
		if errors.Is(err, postgres.ErrBusy) {
			return nil, ErrBusy
		} else if err != nil {
			return nil, storeFault(s.where, "can't be locked", err)
		}
		return l, nil
	}
	lock, err := take(ctx)
	if err != nil {
		return nil, nil, err
	}
	var mu sync.Mutex
	var tried time.Time
	var over bool
	return func() bool {
			mu.Lock()
			defer mu.Unlock()
			if over || lock.Held(time.Second) {
				return !over
			}
			if time.Since(tried) < time.Second {
				return false
			}
			ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
			defer cancel()
			again, err := take(ctx)
			if tried = time.Now(); err != nil {
				return false
			}
			lock.Release()
			lock = again
			return true
		}, func() {
			mu.Lock()
			defer mu.Unlock()
			if !over {
				over = true
				lock.Release()
			}
		}, nil
}

// read does what only reads, and again where it was lost on the way.
func (s *Store) read(ctx context.Context, f func() error) error {
	if s.base == nil {
		return f()
	}
	return postgres.Patiently(ctx, f)
}
