package jobs

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline/inbox"
)

// A card that a coach films says whose the clips are that follow it in the same
// folder, until the next card. Clips follow each other by the times their files
// say they were recorded at, those of the same second and those that don't say
// by their names. So a clip that nothing else places waits until every
// clip before it in its folder has been taken.

// cardHolds is how long after a card a clip may still be its player's: the
// length of a long lesson. Common practice, no source.
const cardHolds = 4 * time.Hour

// cardsStay is how long a card is kept: clips may come days after it.
const cardsStay = 7 * 24 * time.Hour

// filmed is a place in the order of a folder's clips.
type filmed struct {
	at   time.Time // zero: unknown
	name string
}

// before is an order: of two of which only one says when it was filmed neither
// is before the other, else three could wait for each other.
func (f filmed) before(g filmed) bool {
	if f.at.IsZero() != g.at.IsZero() {
		return false
	}
	if !f.at.Equal(g.at) {
		return f.at.Before(g.at)
	}
	return natural(f.name, g.name) < 0
}

// natural orders names with numbers in them: clip9 before clip10.
func natural(a, b string) int {
	for a != "" && b != "" {
		m, n := digits(a), digits(b)
		if m > 0 && n > 0 {
			x, y := strings.TrimLeft(a[:m], "0"), strings.TrimLeft(b[:n], "0")
			if len(x) != len(y) {
				return len(x) - len(y)
			}
			if c := strings.Compare(x, y); c != 0 {
				return c
			}
			a, b = a[m:], b[n:]
			continue
		}
		if a[0] != b[0] {
			return int(a[0]) - int(b[0])
		}
		a, b = a[1:], b[1:]
	}
	return len(a) - len(b)
}

func digits(s string) (n int) {
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// shown is a card in a clip.
type shown struct {
	folder string
	filmed
	came   time.Time
	player string // empty: which of several is not known
}

// byCard places a clip that nothing else does: by the cards in it, else by the
// last one before it.
func (e *Engine) byCard(ctx context.Context, c *Clip, a inbox.Arrival, note inbox.Note, today time.Time) (p inbox.Place, err error) {
	p = inbox.Find(a.Rel, note, "", e.o.Roster, today)
	here, err := e.filmed(ctx, a.Path())
	if err != nil {
		return p, err
	}
	if wait, err := e.earlier(ctx, c.Lies, here); err != nil {
		return p, err
	} else if wait {
		return p, inbox.ErrLater
	}
	var spans []Span
	if err := e.guarded(ctx, a.Hash, func() (err error) {
		spans, err = e.o.Spans(ctx, a)
		return err
	}); err != nil {
		return p, err
	}
	carded := ""
	if len(spans) > 0 {
		c.shown = &shown{folder: c.Lies, filmed: here, came: e.o.Now(), player: last(spans)}
		var all []string
		for _, s := range spans {
			if !slices.Contains(all, s.Player) {
				all = append(all, s.Player)
			}
		}
		if len(all) > 1 {
			p.Reason, p.Detail = inbox.TwoPlayers, strings.Join(all, ", ")
			return p, nil
		}
		carded = all[0]
		if s := spans[0]; s.To > 0 && s.From > s.To/2 {
			// What was filmed before the card is another's, what comes after it short.
			p.Reason, p.Detail = CardLate, carded
			return p, nil
		}
		if !e.o.Roster.Known(carded) {
			c.shown.player = "" // nor are the clips behind it those of the card before
		}
	} else {
		before, ok, err := e.store.cardBefore(ctx, c.Lies, here, e.o.Now())
		switch {
		case err != nil:
			return p, err
		case !ok:
			return p, nil
		case before == "":
			p.Reason = CardUnclear
			return p, nil
		}
		carded = before
	}
	return inbox.Find(a.Rel, note, carded, e.o.Roster, today), nil
}

// last is whose the end of a clip is; empty where several cards were shown at
// once.
func last(spans []Span) string {
	from := slices.MaxFunc(spans, func(a, b Span) int {
		switch {
		case a.From < b.From:
			return -1
		case a.From > b.From:
			return 1
		}
		return 0
	}).From
	player := ""
	for _, s := range spans {
		switch {
		case s.From < from:
		case player == "":
			player = s.Player
		case player != s.Player:
			return ""
		}
	}
	return player
}

// filmed is where a file of the inbox stands in the order of its folder.
func (e *Engine) filmed(ctx context.Context, path string) (filmed, error) {
	f := filmed{name: filepath.Base(path)}
	if e.o.Recorded == nil {
		return f, nil
	}
	st, err := os.Lstat(path)
	if err != nil {
		return f, err
	}
	key := stamped{path, st.Size(), st.ModTime().UnixNano()}
	if at, ok := e.recorded[key]; ok {
		f.at = at
		return f, nil
	}
	if f.at, err = e.o.Recorded(ctx, path); err != nil {
		return f, err
	}
	if len(e.recorded) > 100000 {
		clear(e.recorded)
	}
	e.recorded[key] = f.at
	return f, nil
}

// stamped is a file as it was looked at.
type stamped struct {
	path      string
	size, mod int64
}

// revisit looks again at clips that could not be placed when they came and were
// filmed behind a card, or a recording, that came later into their folder; ""
// is every folder. What somebody has touched meanwhile stays.
func (e *Engine) revisit(ctx context.Context, folder string) error {
	lost, err := e.store.Clips(ctx, Unplaced)
	if err != nil {
		return err
	}
	delete(e.owed, folder)
	today := day(e.o.Now().In(e.o.Zone))
	for i := range lost {
		c := &lost[i]
		in := filepath.Dir(c.Came)
		if folder != "" && in != folder || c.Kind == KindRecording || c.Reason != inbox.NoPlayer && c.Reason != CardUnclear || c.Lies != e.dir(UnplacedDir) {
			continue
		}
		if any, err := e.store.cardsIn(ctx, in); err != nil {
			return err
		} else if !any && c.Reason == inbox.NoPlayer {
			continue
		}
		st, err := os.Lstat(c.Original())
		if err != nil || st.Size() != c.Size || !st.ModTime().Equal(c.Modified) {
			continue
		}
		film := *c
		if c.Parent != "" { // a cut was filmed when its recording was; there no card is before it
			var ok bool
			if film, ok, err = e.store.Clip(ctx, c.Parent); err != nil {
				return err
			} else if !ok || c.Reason != inbox.NoPlayer || !exists(film.Original()) {
				continue
			}
		}
		here, err := e.filmed(ctx, film.Original())
		if err != nil {
			return err
		}
		here.name = filepath.Base(film.Came)
		player, carded, err := e.store.cardBefore(ctx, in, here, film.Added)
		if err != nil {
			return err
		}
		// What lies before it in the inbox may show another card.
		if wait, err := e.earlier(ctx, in, here); err == nil && wait {
			e.owed[in] = true
			continue
		}
		var note inbox.Note
		if c.Sidecar {
			if note, err = e.o.Note(filepath.Join(c.Lies, c.Stem+".yaml")); err != nil {
				continue
			}
		}
		p := inbox.Place{Reason: CardUnclear}
		if player != "" || !carded {
			p = inbox.Find(e.below(film.Came), note, player, e.o.Roster, today)
		}
		if p.Reason == c.Reason {
			continue
		}
		c.Player, c.How, c.Reason, c.Detail = p.Player, p.How, p.Reason, p.Detail
		switch p.Reason {
		case "":
			c.State = Waiting
		case inbox.NoConsent:
			c.State = Held
		}
		if err := e.store.placed(ctx, e.jobs, c); errors.Is(err, errStale) {
			continue
		} else if err != nil {
			return err
		}
		hook("revisited")
		if c.State == Waiting {
			e.o.Log.Info("clip_waiting", "clip", c.Short(), "player", c.Player, "by", c.How)
			if err := e.pick(ctx, c); err != nil {
				return err
			}
			continue
		}
		if err := e.explain(c); err != nil {
			return err
		}
		e.came(c, string(c.State))
	}
	return nil
}

// below is a path in one of the inboxes, from there on.
func (e *Engine) below(path string) string {
	for _, root := range e.o.Inbox {
		if rel, err := filepath.Rel(root, path); err == nil && rel != ".." && !strings.HasPrefix(rel, "../") {
			return rel
		}
	}
	return filepath.Base(path)
}

// cardsIn tells whether there are cards in a folder.
func (s *Store) cardsIn(ctx context.Context, folder string) (bool, error) {
	return s.any(ctx, `SELECT count(*) FROM cards WHERE folder = $1`, quoted(folder))
}

// show notes a card.
func (s *Store) show(ctx context.Context, tx *sql.Tx, hash string, c *shown) error {
	var at int64
	if !c.at.IsZero() {
		at = c.at.UnixNano()
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO cards (clip, folder, name, recorded, came, player) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (clip) DO UPDATE SET folder = excluded.folder, name = excluded.name, recorded = excluded.recorded, came = excluded.came, player = excluded.player`,
		hash, quoted(c.folder), quoted(c.name), at, c.came.UnixNano(), c.player)
	return err
}

// cardBefore is the player of the last card in a folder before a clip that
// came at a time.
func (s *Store) cardBefore(ctx context.Context, folder string, clip filmed, came time.Time) (player string, ok bool, err error) {
	_, player, ok, err = s.lastCard(ctx, folder, clip, came)
	return player, ok, err
}

// lastCard is cardBefore with the card's place in the order of the folder.
func (s *Store) lastCard(ctx context.Context, folder string, clip filmed, came time.Time) (best filmed, player string, ok bool, err error) {
	err = s.read(ctx, func() error {
		best, player, ok, err = s.lastOf(ctx, folder, clip, came)
		return err
	})
	return best, player, ok, err
}

func (s *Store) lastOf(ctx context.Context, folder string, clip filmed, came time.Time) (best filmed, player string, ok bool, err error) {
	rows, err := s.db.QueryContext(ctx, `SELECT name, recorded, came, player FROM cards WHERE folder = $1`, quoted(folder))
	if err != nil {
		return best, "", false, storeFault(s.where, "can't be read", err)
	}
	defer rows.Close()
	for rows.Next() {
		var c filmed
		var who string
		var name string
		var at, shown int64
		if err := rows.Scan(&name, &at, &shown, &who); err != nil {
			return best, "", false, storeFault(s.where, "can't be read", err)
		}
		if c.name, err = unquoted(name); err != nil {
			return best, "", false, storeFault(s.where, "is damaged", err)
		}
		if at != 0 {
			c.at = time.Unix(0, at)
		}
		if c.holds(clip, came.Sub(time.Unix(0, shown))) && (!ok || best.before(c)) {
			best, player, ok = c, who, true
		}
	}
	return best, player, ok, rows.Err()
}

// holds tells whether a card may say whose a clip behind it is. Where neither
// says when it was filmed they came at about the same time, the clip so much
// later.
func (f filmed) holds(clip filmed, came time.Duration) bool {
	since := came
	if !f.at.IsZero() {
		since = clip.at.Sub(f.at)
	}
	return since.Abs() <= cardHolds && f.before(clip)
}

// contradicts doubts the clips that an earlier card has placed and that were
// filmed behind this one, which came later and shows another player. What was
// made of them can't be taken back, but nobody else's family must get it.
func (e *Engine) contradicts(ctx context.Context, card *Clip) error {
	s := card.shown
	if e.o.Doubt == nil {
		return nil
	}
	placed, err := e.store.list(ctx, `WHERE how = $1 AND parent = '' AND kind = $2 AND state IN ('waiting', 'running', 'publishing', 'done') AND added >= $3`,
		inbox.ByCard, KindClip, e.o.Now().Add(-cardsStay).UTC().Format(time.RFC3339Nano))
	if err != nil {
		return err
	}
	for i := range placed {
		c := &placed[i]
		if filepath.Dir(c.Came) != s.folder || c.Hash == card.Hash || c.Player == s.player {
			continue
		}
		if own, err := e.store.shows(ctx, c.Hash); err != nil {
			return err
		} else if own {
			continue
		}
		here, ok, err := e.wasFilmed(ctx, c.Hash)
		if err != nil {
			return err
		}
		if !ok || !s.holds(here, c.Added.Sub(s.came)) {
			continue
		}
		last, _, ok, err := e.store.lastCard(ctx, s.folder, here, c.Added)
		if err != nil {
			return err
		}
		if ok && s.before(last) {
			continue
		}
		if err := e.o.Doubt(ctx, *c); err != nil {
			return err
		}
		e.o.Log.Warn("card_contradicts", "clip", c.Short(), "player", c.Player, "card", card.Short())
	}
	return nil
}

// wasFilmed is where a clip stood in the order of the folder it came to, by its
// original, wherever that is now; false where it is gone.
func (e *Engine) wasFilmed(ctx context.Context, hash string) (f filmed, ok bool, err error) {
	e.moving.Lock()
	defer e.moving.Unlock()
	c, ok, err := e.store.Clip(ctx, hash)
	if err != nil || !ok || !exists(c.Original()) {
		return f, false, err
	}
	f, err = e.filmed(ctx, c.Original())
	f.name = filepath.Base(c.Came)
	return f, true, err
}

// any tells whether a query counts any.
func (s *Store) any(ctx context.Context, query string, args ...any) (bool, error) {
	var n int
	if err := s.read(ctx, func() error { return s.db.QueryRowContext(ctx, query, args...).Scan(&n) }); err != nil {
		return false, storeFault(s.where, "can't be read", err)
	}
	return n > 0, nil
}

// shows tells whether a clip shows a card.
func (s *Store) shows(ctx context.Context, hash string) (bool, error) {
	return s.any(ctx, `SELECT count(*) FROM cards WHERE clip = $1`, hash)
}

// dropCards forgets cards that hold no more.
func (s *Store) dropCards(ctx context.Context, before time.Time) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM cards WHERE came < $1`, before.UnixNano())
		return err
	})
}
