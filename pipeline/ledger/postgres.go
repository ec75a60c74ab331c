package ledger

import (
	"context"
	"database/sql"
	"errors"
	"os"

	"golang.org/x/sys/unix"

	"tapeline/pipeline/internal/postgres"
)

// schema is where the ledger lies in a database.
const schema = "tapeline_ledger"

// OpenPostgres opens the ledger in a PostgreSQL database, as Open does a file:
// brought up to this version, refused where it is newer or there is none. url has
// the password in it where one is needed. Errors are *pipeline.Error with
// FaultLedger and tell no password.
func OpenPostgres(ctx context.Context, url string) (*Ledger, error) {
	return openPostgres(ctx, url, false)
}

// CreatePostgres opens the ledger and makes one where there is none.
func CreatePostgres(ctx context.Context, url string) (*Ledger, error) {
	return openPostgres(ctx, url, true)
}

func openPostgres(ctx context.Context, url string, create bool) (*Ledger, error) {
	b, err := postgres.Open(ctx, url, schema, create)
	switch {
	case errors.Is(err, postgres.ErrNone):
		return nil, fault(postgres.Where(url), "there is no ledger yet", "read a clip with --player, or move one here with \"tapeline move-store\"", err)
	case err != nil:
		return nil, fault(postgres.Where(url), "the ledger can't be opened: "+err.Error(), "", err)
	}
	l := &Ledger{db: b.DB, path: b.Where, base: b}
	if err := l.current(ctx, create); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// current brings the tables up to this version.
func (l *Ledger) current(ctx context.Context, create bool) error {
	fail := func(err error) error { return fault(l.path, "the ledger can't be brought up to date", "", err) }
	want, err := newest()
	if err != nil {
		return fail(err)
	}
	err = l.base.Alone(ctx, func(db *sql.DB) error {
		p, err := (&Ledger{db: db, base: l.base}).provider()
		if err != nil {
			return err
		}
		at, err := p.GetDBVersion(ctx)
		switch {
		case err != nil:
			return err
		case at > want:
			return newer(l.path, at, want)
		case at == 0 && !create:
			return fault(l.path, "there is no ledger yet", "read a clip with --player, or move one here with \"tapeline move-store\"", nil)
		}
		_, err = p.Up(ctx)
		return err
	})
	if err != nil {
		return fail(err)
	}
	return nil
}

// Seen is what Examine found.
type Seen = postgres.Seen

// Examine looks at a ledger in a PostgreSQL database without changing anything;
// current tells that it is of this program's version. Errors as OpenPostgres has
// them.
func Examine(ctx context.Context, url string) (s Seen, current bool, err error) {
	if s, err = postgres.Look(ctx, url, schema, "lessons"); err != nil {
		return s, false, fault(postgres.Where(url), "the ledger can't be opened: "+err.Error(), "", err)
	}
	want, err := newest()
	if err == nil && s.Version > want {
		err = newer(postgres.Where(url), s.Version, want)
	}
	return s, s.Version == want, err
}

// ErrBusy: another program is sending.
var ErrBusy = errors.New("another tapeline is sending")

// Sending makes this the only sender; ErrBusy where another is. held tells
// whether it is so still: with a database the server is asked, and once the
// connection was lost it is not.
func (l *Ledger) Sending(ctx context.Context) (held func() bool, unlock func(), err error) {
	fail := func(path string, err error) error {
		return fault(path, "can't be locked, so nothing can be sent", "", err)
	}
	if l.base != nil {
		lock, err := l.base.Lock(ctx, "sending")
		switch {
		case errors.Is(err, postgres.ErrBusy):
			return nil, nil, ErrBusy
		case err != nil:
			return nil, nil, fail(l.path, err)
		}
		return func() bool { return lock.Held(0) }, lock.Release, nil
	}
	path := l.path + ".sending"
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, private)
	if err != nil {
		return nil, nil, fail(path, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, nil, ErrBusy
	}
	return func() bool { return true }, func() { _ = f.Close() }, nil
}
