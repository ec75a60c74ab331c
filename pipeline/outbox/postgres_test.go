package outbox

import (
	"database/sql"
	"errors"
	"testing"

	"tapeline/pipeline/ledger"
	"tapeline/pipeline/pgtest"
)

// On a database that several machines use one sends at a time, and who loses the
// lock with its connection stops before the next message, however far it was.
func TestLockLost(t *testing.T) {
	url := pgtest.URL(t)
	db, err := sql.Open("pgx", url)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, at := range []string{"answered", "begun"} {
		t.Run(at, func(t *testing.T) {
			h, s := withServer(t)
			h.book.Close()
			book, err := ledger.CreatePostgres(t.Context(), url)
			if err != nil {
				t.Fatal(err)
			}
			h.book, h.o.Ledger = book, book
			h.family("b07", "Ada", "a@example.org")
			one, two := h.lesson("b07", at+" one"), h.lesson("b07", at+" two")
			o, other := New(h.o), New(h.o)
			h.released(o, one)
			h.released(o, two)
			cut := false
			hook = func(stage string) {
				if stage != at || cut {
					return
				}
				cut = true
				if _, err := other.Send(t.Context(), nil); !errors.Is(err, ErrBusy) {
					t.Errorf("two send at once: %v", err)
				}
				var n int
				if err := db.QueryRow(`SELECT count(pg_terminate_backend(pid)) FROM pg_locks WHERE locktype = 'advisory' AND database = (SELECT oid FROM pg_database WHERE datname = current_database())`).Scan(&n); err != nil || n != 1 {
					t.Errorf("%d locks, %v", n, err)
				}
			}
			defer func() { hook = func(string) {} }()
			_, err = o.Send(t.Context(), nil)
			if !errors.Is(err, errUnlocked) {
				t.Errorf("it went on: %v", err)
			}
			want := 0
			if at == "answered" {
				want = 1
			}
			if n := len(s.Received()); n != want {
				t.Errorf("%d messages; want %d", n, want)
			}
			h.send(other)
			for _, l := range []ledger.Lesson{one, two} {
				if n := got(s, l.Clip, "a@example.org"); n != 1 {
					t.Errorf("%d messages about one lesson", n)
				}
			}
		})
	}
}
