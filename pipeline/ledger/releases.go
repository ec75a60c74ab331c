package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// States of a release. Released ones are still to be sent, the others are over.
const (
	Released = "released"
	Sent     = "sent"    // every address has it
	Refused  = "refused" // the server took it for none of them, or not for all
	Unsure   = "unsure"  // it had gone to one of them and no answer came
	Stopped  = "stopped" // something was no longer as it was released
)

// States of a letter, and its phases.
const (
	Pending = "open"  // may be sent, from NextTry on
	Taken   = "taken" // by the server

	Begun    = "begun"    // its row stands, nothing has gone
	Going    = "going"    // it may have gone
	Answered = "answered" // the server spoke
)

// Who released a lesson.
const (
	ByCoach = "coach"
	ByRule  = "auto"
)

// Release is the word that a lesson may leave for its family.
type Release struct {
	ID      string // 32 hex digits
	Lesson  string // its clip
	Player  string
	Name    string   // first name in what leaves
	Family  []string // as in Lesson, when it was released
	Note    string   // the coach's words to this family
	Content string   // hash of what was released
	By      string
	At      time.Time
	State   string
	Reason  string // a code
	Detail  string
	Changed time.Time
	Tried   time.Time // first; zero: not yet
	Fence   int64
	Letters []Letter // by address
}

// Letter is one address of a release and what came of it. State Refused and
// Unsure are those of a release.
type Letter struct {
	Address   string
	State     string
	Phase     string // empty: nothing was tried, or nothing left
	MessageID string
	Hash      string // SHA-256 of the message's bytes, hex
	Size      int64
	Begun     time.Time
	Gone      time.Time
	Ended     time.Time
	Code      int    // of SMTP
	Answer    string // the server's words
	Tries     int
	NextTry   time.Time
}

// ErrStale: somebody else has the release, or the clip of the lesson, by now, or
// it is over.
var ErrStale = errors.New("it was taken over or is over")

// ErrReleased: the lesson is released already and not sent yet.
var ErrReleased = errors.New("the lesson is released already")

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

func moment(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	return time.Parse(time.RFC3339, s)
}

// ErrHeld: the lesson is held, and the rule lifts no hold.
var ErrHeld = errors.New("the lesson is held")

// one is an UPDATE that must meet exactly one row, else ErrStale.
func one(ctx context.Context, tx *sql.Tx, query string, args ...any) error {
	r, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return err
	}
	if n, err := r.RowsAffected(); err != nil || n != 1 {
		return errors.Join(ErrStale, err)
	}
	return nil
}

// Release writes a release down, and takes back that its lesson is held.
// ErrReleased where one of the lesson is still to be sent, ErrHeld where the rule
// would take it back.
func (l *Ledger) Release(ctx context.Context, r Release) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM releases WHERE lesson = $1 AND state = 'released'`, r.Lesson).Scan(&n); err != nil {
			return err
		}
		if n > 0 {
			return ErrReleased
		}
		// It must still be the lesson, and the player's, that was looked at.
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM lessons WHERE id = $1 AND player = $2 AND name = $3`, r.Lesson, r.Player, r.Name).Scan(&n); err != nil {
			return err
		}
		if n != 1 {
			return ErrStale
		}
		// Only the coach's word lifts a hold, however late it came.
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM holds WHERE lesson = $1`, r.Lesson).Scan(&n); err != nil {
			return err
		}
		if n > 0 && r.By == ByRule {
			return ErrHeld
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM holds WHERE lesson = $1`, r.Lesson); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO releases (id, lesson, player, name, family, note, content, word, at, state, changed) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, 'released', $9)`,
			r.ID, r.Lesson, r.Player, r.Name, strings.Join(r.Family, " "), r.Note, r.Content, r.By, instant(r.At))
		return err
	})
}

// Releases of a player, or of all (""), in the order in which they were given.
func (l *Ledger) Releases(ctx context.Context, player string) (out []Release, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		out = nil
		at := map[string]int{}
		if err := each(ctx, tx, `SELECT id, lesson, player, name, family, note, content, word, at, state, reason, detail, changed, tried, fence FROM releases
			WHERE $1 = '' OR player = $1 ORDER BY at, id`, []any{player}, func(scan func(...any) error) error {
			var r Release
			var family, given, changed, tried string
			if err := scan(&r.ID, &r.Lesson, &r.Player, &r.Name, &family, &r.Note, &r.Content, &r.By, &given, &r.State, &r.Reason, &r.Detail, &changed, &tried, &r.Fence); err != nil {
				return err
			}
			var errs [3]error
			r.At, errs[0] = moment(given)
			r.Changed, errs[1] = moment(changed)
			r.Tried, errs[2] = moment(tried)
			r.Family = strings.Fields(family)
			at[r.ID] = len(out)
			out = append(out, r)
			return errors.Join(errs[:]...)
		}); err != nil {
			return err
		}
		return each(ctx, tx, `SELECT l.release_id, l.address, l.state, l.phase, l.message_id, l.hash, l.size, l.begun, l.gone, l.ended, l.code, l.answer, l.tries, l.next_try
			FROM letters l JOIN releases r ON r.id = l.release_id WHERE $1 = '' OR r.player = $1 ORDER BY l.release_id, l.address`, []any{player}, func(scan func(...any) error) error {
			var id, begun, gone, ended, next string
			var x Letter
			if err := scan(&id, &x.Address, &x.State, &x.Phase, &x.MessageID, &x.Hash, &x.Size, &begun, &gone, &ended, &x.Code, &x.Answer, &x.Tries, &next); err != nil {
				return err
			}
			var errs [4]error
			x.Begun, errs[0] = moment(begun)
			x.Gone, errs[1] = moment(gone)
			x.Ended, errs[2] = moment(ended)
			x.NextTry, errs[3] = moment(next)
			i, ok := at[id]
			if !ok {
				return fmt.Errorf("a letter of no release %q", id)
			}
			out[i].Letters = append(out[i].Letters, x)
			return errors.Join(errs[:]...)
		})
	})
	return out, err
}

// Claim takes a release that is to be sent under a new fence.
func (l *Ledger) Claim(ctx context.Context, id string, at time.Time) (fence int64, err error) {
	err = l.write(ctx, func(tx *sql.Tx) error {
		if err := one(ctx, tx, `UPDATE releases SET fence = fence + 1, tried = CASE WHEN tried = '' THEN $2 ELSE tried END WHERE id = $1 AND state = 'released'`, id, instant(at)); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT fence FROM releases WHERE id = $1`, id).Scan(&fence)
	})
	return fence, err
}

// held checks that the release is still to be sent and nobody else's.
func held(ctx context.Context, tx *sql.Tx, id string, fence int64) error {
	var n int
	if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM releases WHERE id = $1 AND fence = $2 AND state = 'released'`, id, fence).Scan(&n); err != nil {
		return err
	}
	if n != 1 {
		return ErrStale
	}
	return nil
}

// Begin writes down, before anything is sent, which message goes to which
// addresses. One that is no longer open is refused with ErrStale.
func (l *Ledger) Begin(ctx context.Context, id string, fence int64, message Letter, to []string) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		if err := held(ctx, tx, id, fence); err != nil {
			return err
		}
		for _, a := range to {
			if _, err := tx.ExecContext(ctx, `INSERT INTO letters (release_id, address, state, phase) VALUES ($1, $2, 'open', '') ON CONFLICT (release_id, address) DO NOTHING`, id, a); err != nil {
				return err
			}
			if err := one(ctx, tx, `UPDATE letters SET phase = 'begun', message_id = $3, hash = $4, size = $5, begun = $6, gone = '', ended = '', code = 0, answer = ''
				WHERE release_id = $1 AND address = $2 AND state = 'open' AND phase IN ('', 'answered')`, id, a, message.MessageID, message.Hash, message.Size, instant(message.Begun)); err != nil {
				return err
			}
		}
		return nil
	})
}

// Go writes down that the next byte to leave is the message's first. Where it
// fails nothing may be sent.
func (l *Ledger) Go(ctx context.Context, id string, fence int64, to []string, at time.Time) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		if err := held(ctx, tx, id, fence); err != nil {
			return err
		}
		for _, a := range to {
			if err := one(ctx, tx, `UPDATE letters SET phase = 'going', gone = $3 WHERE release_id = $1 AND address = $2 AND state = 'open' AND phase = 'begun'`, id, a, instant(at)); err != nil {
				return err
			}
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM handed WHERE at < $1`, instant(at.Add(-2*time.Hour))); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO handed (at, addresses) VALUES ($1, $2)`, instant(at), len(to))
		return err
	})
}

// Answer writes down what came of letters that were begun. It is written
// whatever became of the release meanwhile: what has left has left.
func (l *Ledger) Answer(ctx context.Context, id string, letters []Letter) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		for _, x := range letters {
			if err := one(ctx, tx, `UPDATE letters SET state = $3, phase = $4, ended = $5, code = $6, answer = $7, tries = $8, next_try = $9
				WHERE release_id = $1 AND address = $2 AND phase IN ('begun', 'going')`,
				id, x.Address, x.State, x.Phase, instant(x.Ended), x.Code, x.Answer, x.Tries, instant(x.NextTry)); err != nil {
				return err
			}
		}
		return nil
	})
}

// End ends a release that is to be sent, or stops it.
func (l *Ledger) End(ctx context.Context, id string, fence int64, state, reason, detail string, at time.Time) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		return one(ctx, tx, `UPDATE releases SET state = $3, reason = $4, detail = $5, changed = $6 WHERE id = $1 AND fence = $2 AND state = 'released'`,
			id, fence, state, reason, detail, instant(at))
	})
}

// Note writes down why a release that stays to be sent was not sent.
func (l *Ledger) Note(ctx context.Context, id, reason, detail string) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE releases SET reason = $2, detail = $3 WHERE id = $1 AND state = 'released'`, id, reason, detail)
		return err
	})
}

// Recover clears up behind a sender that died: what had not gone may be sent
// again; of what had, nobody knows: unsure, or open from next on where that is
// not the zero time. Only who is the only sender may call it. It gives how
// many letters had gone.
func (l *Ledger) Recover(ctx context.Context, at, next time.Time) (gone int, err error) {
	err = l.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE releases SET fence = fence + 1 WHERE id IN (SELECT release_id FROM letters WHERE phase IN ('begun', 'going'))`); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE letters SET phase = '' WHERE phase = 'begun'`); err != nil {
			return err
		}
		state := Unsure
		if !next.IsZero() {
			state = Pending
		}
		r, err := tx.ExecContext(ctx, `UPDATE letters SET phase = 'answered', state = $1, ended = $2, next_try = $3 WHERE phase = 'going'`, state, instant(at), instant(next))
		if err != nil {
			return err
		}
		n, err := r.RowsAffected()
		gone = int(n)
		return err
	})
	return gone, err
}

// Reopen makes what is unsure in an ended release open again, on the coach's
// word: the same message, which a reader's program shows once. It gives how
// many letters.
func (l *Ledger) Reopen(ctx context.Context, id, content string, family []string, at time.Time) (n int, err error) {
	err = l.write(ctx, func(tx *sql.Tx) error {
		if err := one(ctx, tx, `UPDATE releases SET state = 'released', content = $2, family = $4, word = 'coach', reason = '', detail = '', changed = $3, tried = '', fence = fence + 1 WHERE id = $1 AND state IN ('unsure', 'stopped')`,
			id, content, instant(at), strings.Join(family, " ")); err != nil {
			return err
		}
		r, err := tx.ExecContext(ctx, `UPDATE letters SET state = 'open', next_try = '' WHERE release_id = $1 AND state = 'unsure'`, id)
		if err != nil {
			return err
		}
		k, err := r.RowsAffected()
		n = int(k)
		return err
	})
	return n, err
}

// Hold keeps a lesson from leaving until it is released; one that is on its
// way and has not gone is stopped.
func (l *Ledger) Hold(ctx context.Context, lesson string, at time.Time) error {
	return l.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO holds (lesson, at) VALUES ($1, $2) ON CONFLICT (lesson) DO NOTHING`, lesson, instant(at)); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE releases SET state = CASE WHEN EXISTS (SELECT 1 FROM letters WHERE release_id = releases.id AND letters.state = 'unsure') THEN 'unsure' ELSE 'stopped' END,
			reason = 'is_held', detail = '', changed = $2, fence = fence + 1 WHERE lesson = $1 AND state = 'released'`, lesson, instant(at))
		return err
	})
}

// Holds are the lessons that are held, and since when.
func (l *Ledger) Holds(ctx context.Context) (out map[string]time.Time, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		out = map[string]time.Time{}
		return each(ctx, tx, `SELECT lesson, at FROM holds`, nil, func(scan func(...any) error) (err error) {
			var lesson, at string
			if err := scan(&lesson, &at); err != nil {
				return err
			}
			out[lesson], err = moment(at)
			return err
		})
	})
	return out, err
}

// Handed counts addresses that were written to since.
func (l *Ledger) Handed(ctx context.Context, since time.Time) (n int, oldest time.Time, err error) {
	err = l.read(ctx, func(tx *sql.Tx) (err error) {
		var first string
		if err := tx.QueryRowContext(ctx, `SELECT coalesce(sum(addresses), 0), coalesce(min(at), '') FROM handed WHERE at > $1`, instant(since)).Scan(&n, &first); err != nil {
			return err
		}
		oldest, err = moment(first)
		return err
	})
	return n, oldest, err
}

// Gone is what Forget and Drop took out.
type Gone struct {
	Lessons []Lesson // without their measures
	Letters int
	Player  bool // there was one
}

// Forget takes a player out: lessons, heights, releases, letters, holds. A
// tombstone tells the day and how much, not of whom; none is set where nothing
// was there. clips is how many originals were removed elsewhere. Call Compact
// then.
func (l *Ledger) Forget(ctx context.Context, player, day string, clips int) (g Gone, err error) {
	if player == "" {
		return g, fault(l.path, "nobody can be forgotten without a code", "", nil)
	}
	err = l.write(ctx, func(tx *sql.Tx) (err error) {
		g = Gone{}
		if g.Lessons, err = l.heads(ctx, tx, ` WHERE l.player = $1 `, player); err != nil {
			return err
		}
		ids := []string{}
		for _, x := range g.Lessons {
			ids = append(ids, x.Clip)
		}
		if err := l.drop(ctx, tx, ids, &g); err != nil {
			return err
		}
		// Releases of lessons that have another player by now, too.
		n, err := count(ctx, tx, `DELETE FROM letters WHERE release_id IN (SELECT id FROM releases WHERE player = $1)`, player)
		if err != nil {
			return err
		}
		g.Letters += n
		if _, err := tx.ExecContext(ctx, `DELETE FROM releases WHERE player = $1`, player); err != nil {
			return err
		}
		if n, err = count(ctx, tx, `DELETE FROM players WHERE id = $1`, player); err != nil {
			return err
		}
		g.Player = n > 0
		if g.Player || clips > 0 || g.Letters > 0 {
			return tombstone(ctx, tx, day, "forgotten", g, clips)
		}
		return nil
	})
	return g, err
}

// Drop takes lessons out that were kept long enough, with their releases.
func (l *Ledger) Drop(ctx context.Context, lessons []string, day string, clips int) (g Gone, err error) {
	err = l.write(ctx, func(tx *sql.Tx) error {
		g = Gone{}
		if err := l.drop(ctx, tx, lessons, &g); err != nil {
			return err
		}
		if err := alone(ctx, tx); err != nil { // nor is the player kept
			return err
		}
		g.Lessons = make([]Lesson, len(lessons))
		return tombstone(ctx, tx, day, "kept_long", g, clips)
	})
	return g, err
}

// alone takes players out of whom there is no lesson.
func alone(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `DELETE FROM players WHERE NOT EXISTS (SELECT 1 FROM lessons WHERE lessons.player = players.id)
			AND NOT EXISTS (SELECT 1 FROM releases WHERE releases.player = players.id AND releases.state = 'released')`)
	return err
}

func (l *Ledger) drop(ctx context.Context, tx *sql.Tx, lessons []string, g *Gone) error {
	for _, id := range lessons {
		n, err := count(ctx, tx, `DELETE FROM letters WHERE release_id IN (SELECT id FROM releases WHERE lesson = $1)`, id)
		if err != nil {
			return err
		}
		g.Letters += n
		for _, q := range []string{
			`DELETE FROM releases WHERE lesson = $1`,
			`DELETE FROM holds WHERE lesson = $1`,
			`DELETE FROM heights WHERE EXISTS (SELECT 1 FROM lessons a WHERE a.id = $1 AND a.player = heights.player AND a.day = heights.day
				AND NOT EXISTS (SELECT 1 FROM lessons b WHERE b.player = a.player AND b.day = a.day AND b.id <> $1))`,
			`DELETE FROM lessons WHERE id = $1`,
		} {
			if _, err := tx.ExecContext(ctx, q, id); err != nil {
				return err
			}
		}
	}
	return nil
}

func count(ctx context.Context, tx *sql.Tx, query string, args ...any) (int, error) {
	r, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, err
	}
	n, err := r.RowsAffected()
	return int(n), err
}

func tombstone(ctx context.Context, tx *sql.Tx, day, why string, g Gone, clips int) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO tombstones (day, why, lessons, letters, clips) VALUES ($1, $2, $3, $4, $5)`, day, why, len(g.Lessons), g.Letters, clips)
	return err
}

// Tombstone says that something was forgotten, and how much.
type Tombstone struct {
	Day     string `json:"day"`
	Why     string `json:"why"` // "forgotten" or "kept_long"
	Lessons int    `json:"lessons"`
	Letters int    `json:"letters"`
	Clips   int    `json:"clips"`
}

// Tombstones in the order in which they were set.
func (l *Ledger) Tombstones(ctx context.Context) (out []Tombstone, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		out = nil
		return each(ctx, tx, `SELECT day, why, lessons, letters, clips FROM tombstones ORDER BY day`, nil, func(scan func(...any) error) error {
			var t Tombstone
			if err := scan(&t.Day, &t.Why, &t.Lessons, &t.Letters, &t.Clips); err != nil {
				return err
			}
			out = append(out, t)
			return nil
		})
	})
	return out, err
}

// Compact writes the file anew without what was deleted, so that no byte of it
// stays on the disk, and empties what lies beside.
func (l *Ledger) Compact(ctx context.Context) error {
	fail := func(err error) error {
		return fault(l.path, "what was deleted could not be wiped from the ledger's file", "is another tapeline reading it? run the command again", err)
	}
	if l.base != nil {
		if err := l.base.Compact(ctx); err != nil {
			return fault(l.path, "what was deleted could not be wiped from the ledger's tables", "run the command again", err)
		}
		return nil
	}
	if _, err := l.db.ExecContext(ctx, `VACUUM`); err != nil {
		return fail(err)
	}
	var busy, log, done int
	if err := l.db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done); err != nil {
		return fail(err)
	}
	if busy != 0 {
		return fail(errors.New("it is in use"))
	}
	return nil
}

// Is sorts the lessons that fit a name: a clip's hash from its first four
// digits on.
func Is(lessons []Lesson, name string) (out []Lesson) {
	for _, x := range lessons {
		if len(name) >= 4 && strings.HasPrefix(x.Clip, strings.ToLower(name)) {
			out = append(out, x)
		}
	}
	return slices.Clip(out)
}
