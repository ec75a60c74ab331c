package ledger

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/internal/postgres"
)

// Player is one batter. ID is a short code, never a name; Name is a first name
// or empty. Heights are oldest first.
type Player struct {
	ID      string         `json:"id"`
	Name    string         `json:"name,omitempty"`
	Bats    pipeline.Side  `json:"bats"`
	Level   pipeline.Level `json:"level,omitempty"`
	Sport   pipeline.Sport `json:"sport,omitempty"`
	Heights []Height       `json:"heights"`
}

// Height is a standing height as it was given on a day.
type Height struct {
	Day string  `json:"day"`
	CM  float64 `json:"cm"`
}

// Lesson is what is remembered of one clip. Times within swings are not.
type Lesson struct {
	Clip       string           `json:"clip"` // SHA-256 of its bytes, hex
	Player     string           `json:"player"`
	Name       string           `json:"-"`   // first name as it stood when it was made, or empty
	Family     []string         `json:"-"`   // Fingerprint of each guardian's address then; none: not known
	Day        string           `json:"day"` // filmed, 2006-01-02
	DayAssumed bool             `json:"day_assumed"`
	View       pipeline.View    `json:"view"`
	Bats       pipeline.Side    `json:"bats"`
	HeightCM   *float64         `json:"height_cm"`
	Folder     string           `json:"folder"`
	Schema     int              `json:"report_schema"`
	Created    time.Time        `json:"created"`
	Updated    time.Time        `json:"updated"`
	Bands      []pipeline.Band  `json:"bands"`
	Swings     []pipeline.Swing `json:"-"` // Index, Chosen, Measures and Findings
}

// Shown is the swing that the lesson shows, nil if it has none.
func (l *Lesson) Shown() *pipeline.Swing {
	for i := range l.Swings {
		if l.Swings[i].Chosen {
			return &l.Swings[i]
		}
	}
	return nil
}

// Band is what a measure was held against in this lesson, nil if nothing.
func (l *Lesson) Band(m *pipeline.Measure) *pipeline.Band {
	for i := range l.Bands {
		if b := &l.Bands[i]; b.Key == m.Key && b.From == m.From && b.At == m.At && b.Unit == m.Unit {
			return b
		}
	}
	return nil
}

// Entry is what goes in. Day is when it was filmed; empty: not known, the day
// of At is taken and marked as assumed. At is the moment of recording.
type Entry struct {
	Player string
	Name   string // first name, empty: as before
	Day    string
	Folder string // of the lesson
	// Guardians are the addresses of the family; none: not known.
	Guardians []string
	Report    pipeline.Report
	At        time.Time
	// Fence of the claim under which the lesson was made: one that is smaller than
	// that of the lesson that is there is refused with ErrStale. 0: not made by the
	// queue, written whatever is there.
	Fence int64
	// Still is asked in the transaction, when nobody else can write any more, whether
	// the lesson is to be recorded still: no, and it is ErrStale, and nothing is
	// changed. So what removes the clip first and its lessons afterwards leaves
	// neither. It may be asked several times; nil: yes.
	Still func(ctx context.Context) (bool, error)
}

// Fingerprint tells whether an address is the one that it was, and nothing
// else.
func Fingerprint(lesson, address string) string {
	sum := sha256.Sum256([]byte(lesson + "\n" + strings.ToLower(address)))
	return hex.EncodeToString(sum[:8])
}

func fingerprints(lesson string, addresses []string) []string {
	out := []string{}
	for _, a := range addresses {
		out = append(out, Fingerprint(lesson, a))
	}
	return out
}

// nobody stands where no address is meant: it is no address's fingerprint.
const nobody = "-"

// both are the fingerprints of a lesson that is made anew under the same code:
// of the addresses that were its family's before and are now. The code may have
// been given to another child in between, and nobody says whose the clip is.
func both(before, now []string) []string {
	switch {
	case len(before) == 0:
		return now
	case len(now) == 0:
		return before
	}
	out := slices.DeleteFunc(slices.Clone(now), func(f string) bool { return !slices.Contains(before, f) })
	if len(out) == 0 {
		return []string{nobody}
	}
	return out
}

// Recorded says what Record did.
type Recorded struct {
	Lesson  Lesson
	Updated bool   // the clip was there before and was replaced
	From    string // the player it was under before, where that was another
	Was     string // the day it had before, where that was another
	Name    string // the player's first name before, where that was another
}

// Record writes a lesson in one transaction. The same clip recorded again is
// the same lesson, replaced; without a day it keeps the one it had. ErrStale: see
// Entry.Fence; nothing was changed then.
func (l *Ledger) Record(ctx context.Context, e Entry) (r Recorded, err error) {
	rep := e.Report
	switch {
	case !pipeline.PlayerForm.MatchString(e.Player):
		return r, &pipeline.Error{Fault: pipeline.FaultUsage, What: fmt.Sprintf("%q is no player's code", e.Player), Hint: "small letters, digits, - and _, at most 32"}
	case len(rep.Clip.ID) == 0:
		return r, fault(l.path, "a lesson without its clip can't be recorded", "", nil)
	}
	if _, err := time.Parse(time.DateOnly, e.Day); e.Day != "" && err != nil {
		return r, &pipeline.Error{Fault: pipeline.FaultUsage, What: fmt.Sprintf("%q is not a day", e.Day), Hint: "write it like 2026-05-03"}
	}
	made := Lesson{
		Clip: rep.Clip.ID, Player: e.Player, Day: e.Day, DayAssumed: e.Day == "", View: rep.Batter.View, Bats: rep.Batter.Bats,
		HeightCM: rep.Batter.HeightCM, Folder: e.Folder, Schema: rep.Schema, Created: e.At.UTC().Truncate(time.Second),
		Bands: rep.Bands, Swings: rep.Swings, Family: fingerprints(rep.Clip.ID, e.Guardians),
	}
	made.Updated = made.Created
	if made.DayAssumed {
		made.Day = e.At.Format(time.DateOnly)
	}
	var les Lesson
	err = l.write(ctx, func(tx *sql.Tx) error {
		les, r = made, Recorded{}
		if e.Still != nil {
			if still, err := e.Still(ctx); err != nil {
				return err
			} else if !still {
				return ErrStale
			}
		}
		do := func(query string, args ...any) (err error) {
			_, err = tx.ExecContext(ctx, query, args...)
			return err
		}
		var was Lesson
		var family, created string
		var fence int64
		switch err := tx.QueryRowContext(ctx, `SELECT player, name, family, day, day_assumed, created, fence FROM lessons WHERE id = $1`, les.Clip).Scan(&was.Player, &was.Name, &family, &was.Day, &was.DayAssumed, &created, &fence); {
		case err == nil && e.Fence > 0 && e.Fence < fence:
			return ErrStale
		case err == nil:
			r.Updated = true
			if was.Player != les.Player {
				r.From, was.Name = was.Player, ""
			} else {
				les.Family = both(strings.Fields(family), les.Family)
			}
			if les.DayAssumed {
				les.Day, les.DayAssumed = was.Day, was.DayAssumed
			}
			if les.Created, err = time.Parse(time.RFC3339, created); err != nil {
				return err
			}
		case !errors.Is(err, sql.ErrNoRows):
			return err
		}
		if r.Updated && was.Day != les.Day {
			r.Was = was.Day
		}
		switch err := tx.QueryRowContext(ctx, `SELECT name FROM players WHERE id = $1`, les.Player).Scan(&r.Name); {
		case err != nil && !errors.Is(err, sql.ErrNoRows):
			return err
		case e.Name == "" || r.Name == e.Name:
			r.Name = ""
		}
		b := rep.Batter
		if err := do(`INSERT INTO players (id, name, bats, level, sport) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (id) DO UPDATE SET
				name = CASE WHEN excluded.name = '' THEN players.name ELSE excluded.name END,
				bats = CASE WHEN excluded.bats = '' THEN players.bats ELSE excluded.bats END,
				level = CASE WHEN excluded.level = '' THEN players.level ELSE excluded.level END,
				sport = CASE WHEN excluded.sport = '' THEN players.sport ELSE excluded.sport END`,
			les.Player, e.Name, string(b.Bats), string(b.Level), string(b.Sport)); err != nil {
			return err
		}
		if b.HeightCM != nil && !slices.Contains(b.Inferred, "height_cm") {
			if err := do(`INSERT INTO heights (player, day, cm) VALUES ($1, $2, $3) ON CONFLICT (player, day) DO UPDATE SET cm = excluded.cm`,
				les.Player, les.Day, *b.HeightCM); err != nil {
				return err
			}
		}
		if err := do(`DELETE FROM lessons WHERE id = $1`, les.Clip); err != nil {
			return err
		}
		if les.Name = cmp.Or(e.Name, was.Name); les.Name == "" { // whose the code is now
			if err := tx.QueryRowContext(ctx, `SELECT name FROM players WHERE id = $1`, les.Player).Scan(&les.Name); err != nil {
				return err
			}
		}
		if err := insert(do, &les, max(e.Fence, fence)); err != nil || !r.Updated {
			return err
		}
		// What was taken for another player's or another day's height goes too.
		return do(`DELETE FROM heights WHERE player = $1 AND day = $2
			AND NOT EXISTS (SELECT 1 FROM lessons WHERE lessons.player = $1 AND lessons.day = $2)`, was.Player, was.Day)
	})
	r.Lesson = les
	return r, err
}

func insert(do func(query string, args ...any) error, l *Lesson, fence int64) error {
	if err := do(`INSERT INTO lessons (id, player, name, family, day, day_assumed, view, bats, height_cm, folder, report_schema, created, updated, fence)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
		l.Clip, l.Player, l.Name, strings.Join(l.Family, " "), l.Day, flag(l.DayAssumed), string(l.View), string(l.Bats), l.HeightCM, l.Folder, l.Schema,
		l.Created.Format(time.RFC3339), l.Updated.Format(time.RFC3339), fence); err != nil {
		return err
	}
	for i, b := range l.Bands {
		if err := do(`INSERT INTO bands (lesson, position, rule, key, from_event, at_event, unit, least, most, origin, setting, own)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
			l.Clip, i, b.Rule, b.Key, string(b.From), string(b.At), b.Unit, b.Min, b.Max, b.Origin, flag(b.Setting), flag(b.Own)); err != nil {
			return err
		}
	}
	for _, s := range l.Swings {
		if err := do(`INSERT INTO swings (lesson, swing, shown) VALUES ($1, $2, $3)`, l.Clip, s.Index, flag(s.Chosen)); err != nil {
			return err
		}
		for i, e := range s.Events {
			if err := do(`INSERT INTO phases (lesson, swing, position, phase, t, lo, hi, frame, reason) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
				l.Clip, s.Index, i, string(e.Kind), e.T, e.Lo, e.Hi, e.Frame, e.Reason); err != nil {
				return err
			}
		}
		for i, m := range s.Measures {
			if err := do(`INSERT INTO measures (lesson, swing, position, key, from_event, at_event, unit, value, lo, hi, warnings)
				VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
				l.Clip, s.Index, i, m.Key, string(m.From), string(m.At), m.Unit, m.Value, m.Lo, m.Hi, strings.Join(m.Warnings, " ")); err != nil {
				return err
			}
		}
		for i, f := range s.Findings {
			if err := do(`INSERT INTO findings (lesson, swing, position, rule, kind, evidence, words) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
				l.Clip, s.Index, i, f.Rule, f.Kind, strings.Join(f.Evidence, " "), f.Text); err != nil {
				return err
			}
		}
	}
	return nil
}

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}

// write runs f in a transaction that is the only writer. On PostgreSQL f may run
// several times, of which one counts.
func (l *Ledger) write(ctx context.Context, f func(*sql.Tx) error) (err error) {
	if l.base != nil {
		if err := l.base.Write(ctx, f); err != nil {
			return fault(l.path, "can't be written in the ledger: "+err.Error(), "", err)
		}
		return nil
	}
	fail := func(err error) error {
		return fault(l.path, "can't be written in the ledger", "is the disk full, or another program holding it?", err)
	}
	tx, err := l.db.BeginTx(ctx, nil)
	if err != nil {
		return fail(err)
	}
	if err := f(tx); err != nil {
		return fail(errors.Join(err, tx.Rollback()))
	}
	if err := tx.Commit(); err != nil {
		return fail(err)
	}
	return nil
}

// Players are all players by their codes.
func (l *Ledger) Players(ctx context.Context) (out []Player, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		out = nil
		at := map[string]int{}
		if err := each(ctx, tx, `SELECT id, name, bats, level, sport FROM players ORDER BY id`, nil, func(scan func(...any) error) error {
			p := Player{Heights: []Height{}}
			if err := scan(&p.ID, &p.Name, &p.Bats, &p.Level, &p.Sport); err != nil {
				return err
			}
			at[p.ID] = len(out)
			out = append(out, p)
			return nil
		}); err != nil {
			return err
		}
		return each(ctx, tx, `SELECT player, day, cm FROM heights ORDER BY player, day`, nil, func(scan func(...any) error) error {
			var id string
			var h Height
			if err := scan(&id, &h.Day, &h.CM); err != nil {
				return err
			}
			i, ok := at[id]
			if !ok {
				return fmt.Errorf("a height of no player %q", id)
			}
			out[i].Heights = append(out[i].Heights, h)
			return nil
		})
	})
	return out, err
}

// Player by code; ok is false where there is none.
func (l *Ledger) Player(ctx context.Context, id string) (p Player, ok bool, err error) {
	all, err := l.Players(ctx)
	for _, p := range all {
		if p.ID == id {
			return p, true, err
		}
	}
	return p, false, err
}

// Lessons of a player, or of all ("") by player, in the order of their days
// and, within one, of their first recording.
func (l *Ledger) Lessons(ctx context.Context, player string) (out []Lesson, err error) {
	const which = ` WHERE $1 = '' OR l.player = $1 `
	err = l.read(ctx, func(tx *sql.Tx) error {
		at := map[string]int{}
		swing := func(lesson string, n int) *pipeline.Swing {
			les := &out[at[lesson]]
			for i := range les.Swings {
				if les.Swings[i].Index == n {
					return &les.Swings[i]
				}
			}
			les.Swings = append(les.Swings, pipeline.Swing{Index: n})
			return &les.Swings[len(les.Swings)-1]
		}
		var failed error // what belongs to lessons that could not be read is left
		rows := func(query string, f func(scan func(...any) error) error) {
			if failed == nil {
				failed = each(ctx, tx, query, []any{player}, f)
			}
		}
		if out, failed = l.heads(ctx, tx, which, player); failed == nil {
			for i := range out {
				at[out[i].Clip] = i
			}
		}
		rows(`SELECT b.lesson, b.rule, b.key, b.from_event, b.at_event, b.unit, b.least, b.most, b.origin, b.setting, b.own
			FROM bands b JOIN lessons l ON l.id = b.lesson`+which+`ORDER BY b.lesson, b.position`, func(scan func(...any) error) error {
			var id string
			var b pipeline.Band
			if err := scan(&id, &b.Rule, &b.Key, &b.From, &b.At, &b.Unit, &b.Min, &b.Max, &b.Origin, &b.Setting, &b.Own); err != nil {
				return err
			}
			les := &out[at[id]]
			les.Bands = append(les.Bands, b)
			return nil
		})
		rows(`SELECT s.lesson, s.swing, s.shown FROM swings s JOIN lessons l ON l.id = s.lesson`+which+`ORDER BY s.lesson, s.swing`, func(scan func(...any) error) error {
			var id string
			var n int
			var shown bool
			if err := scan(&id, &n, &shown); err != nil {
				return err
			}
			swing(id, n).Chosen = shown
			return nil
		})
		rows(`SELECT p.lesson, p.swing, p.phase, p.t, p.lo, p.hi, p.frame, p.reason
			FROM phases p JOIN lessons l ON l.id = p.lesson`+which+`ORDER BY p.lesson, p.swing, p.position`, func(scan func(...any) error) error {
			var id string
			var n int
			var e pipeline.Event
			if err := scan(&id, &n, &e.Kind, &e.T, &e.Lo, &e.Hi, &e.Frame, &e.Reason); err != nil {
				return err
			}
			s := swing(id, n)
			s.Events = append(s.Events, e)
			return nil
		})
		rows(`SELECT m.lesson, m.swing, m.key, m.from_event, m.at_event, m.unit, m.value, m.lo, m.hi, m.warnings
			FROM measures m JOIN lessons l ON l.id = m.lesson`+which+`ORDER BY m.lesson, m.swing, m.position`, func(scan func(...any) error) error {
			var id, warnings string
			var n int
			m := pipeline.Measure{Frames: []int{}}
			if err := scan(&id, &n, &m.Key, &m.From, &m.At, &m.Unit, &m.Value, &m.Lo, &m.Hi, &warnings); err != nil {
				return err
			}
			m.Warnings = append([]string{}, strings.Fields(warnings)...)
			s := swing(id, n)
			s.Measures = append(s.Measures, m)
			return nil
		})
		rows(`SELECT f.lesson, f.swing, f.rule, f.kind, f.evidence, f.words
			FROM findings f JOIN lessons l ON l.id = f.lesson`+which+`ORDER BY f.lesson, f.swing, f.position`, func(scan func(...any) error) error {
			var id, evidence string
			var n int
			var f pipeline.Finding
			if err := scan(&id, &n, &f.Rule, &f.Kind, &evidence, &f.Text); err != nil {
				return err
			}
			f.Evidence = append([]string{}, strings.Fields(evidence)...)
			s := swing(id, n)
			s.Findings = append(s.Findings, f)
			return nil
		})
		return failed
	})
	return out, err
}

// heads reads lessons without what belongs to them.
func (l *Ledger) heads(ctx context.Context, tx *sql.Tx, which, arg string) (out []Lesson, err error) {
	err = each(ctx, tx, `SELECT l.id, l.player, l.name, l.family, l.day, l.day_assumed, l.view, l.bats, l.height_cm, l.folder, l.report_schema, l.created, l.updated
		FROM lessons l`+which+`ORDER BY l.player, l.day, l.created, l.id`, []any{arg}, func(scan func(...any) error) error {
		les := Lesson{Bands: []pipeline.Band{}}
		var family, created, updated string
		if err := scan(&les.Clip, &les.Player, &les.Name, &family, &les.Day, &les.DayAssumed, &les.View, &les.Bats, &les.HeightCM, &les.Folder, &les.Schema, &created, &updated); err != nil {
			return err
		}
		if l.under != "" && !filepath.IsAbs(les.Folder) {
			les.Folder = filepath.Join(l.under, les.Folder)
		}
		var a, b error
		les.Created, a = time.Parse(time.RFC3339, created)
		les.Updated, b = time.Parse(time.RFC3339, updated)
		les.Family = append([]string{}, strings.Fields(family)...)
		out = append(out, les)
		return errors.Join(a, b)
	})
	return out, err
}

// Heads are all lessons as Lessons gives them, without bands and swings.
func (l *Ledger) Heads(ctx context.Context) (out []Lesson, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		out, err = l.heads(ctx, tx, ` WHERE $1 = '' `, "")
		return err
	})
	return out, err
}

// Head is one lesson by its clip, without bands and swings.
func (l *Ledger) Head(ctx context.Context, clip string) (les Lesson, ok bool, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		out, err := l.heads(ctx, tx, ` WHERE l.id = $1 `, clip)
		if len(out) == 1 {
			les, ok = out[0], true
		}
		return err
	})
	return les, ok, err
}

// read runs f on one state of the ledger. On PostgreSQL f may run several times.
func (l *Ledger) read(ctx context.Context, f func(*sql.Tx) error) error {
	again := func(_ context.Context, f func() error) error { return f() }
	if l.base != nil {
		again = postgres.Patiently
	}
	if err := again(ctx, func() error {
		tx, err := l.state(ctx)
		if err != nil {
			return err
		}
		return errors.Join(f(tx), tx.Rollback())
	}); err != nil {
		what := "the ledger can't be read"
		if l.base != nil {
			what += ": " + err.Error()
		}
		return fault(l.path, what, "", err)
	}
	return nil
}

func each(ctx context.Context, tx *sql.Tx, query string, args []any, f func(scan func(...any) error) error) error {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Last is the newest of a player's lessons that was filmed on an earlier day
// than day, batting from the same side: from the same view where there is one,
// else the newest of all. Nil where there is none.
func Last(lessons []Lesson, day string, view pipeline.View, bats pipeline.Side) (last *Lesson) {
	for i := range lessons {
		l := &lessons[i]
		if l.Day >= day || l.Bats != bats || l.Shown() == nil {
			continue
		}
		if last == nil || l.View == view || last.View != view {
			last = l
		}
	}
	return last
}
