package jobs

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/riverqueue/river"

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
)

// The recording of a whole lesson goes this way:
//
//	waiting → running → publishing → done         it lies in archive/_recordings/
//	          a child   intent, its    one transaction makes a clip of each cut
//	          scans it  folder of cuts and its job
//	          and cuts  is renamed
//
// From then on each cut is a clip like any other, known by its bytes, and by its
// recording and where in it it begins. A cut without a swing ends quietly: the
// recording still has it.

// Kinds of rows.
const (
	KindClip      = "clip"
	KindRecording = "recording"
)

// What becomes of recordings and cuts beside their states.
const (
	Scanned     = "scanned"       // a recording that has been cut apart
	Empty       = "empty"         // a cut without a swing
	NoSwingHere = "no_swing_here" // why it has no lesson
	TakenBack   = "taken_back"    // a cut that somebody took out of the folder where it lay for him
)

// recordingsDir is below ArchiveDir; it can't be a player's code.
const recordingsDir = "_recordings"

// CutsDir is the folder a scan makes below Reading.Out, PlanFile the Plan in it.
const (
	CutsDir  = "cuts"
	PlanFile = "plan.json"
)

// Plan is what a scan found, seconds from the recording's first frame.
type Plan struct {
	Seconds float64 `json:"duration_s"`
	Cuts    []Cut   `json:"cuts"`
	// Cards says whose a part is by the number cards in the recording; where
	// several were shown at once it is there once for each.
	Cards []Span `json:"cards"`
}

// Cut is a part in which there may be a swing.
type Cut struct {
	File  string  `json:"file,omitempty"` // in the folder of the plan
	From  float64 `json:"from_s"`
	To    float64 `json:"to_s"`
	At    float64 `json:"at_s"`  // of the hardest motion
	Heard bool    `json:"heard"` // there was a sharp sound
}

// WritePlan writes a plan last, behind its cuts: where it is all are whole.
func WritePlan(dir string, p Plan) error {
	for _, c := range p.Cuts {
		if err := syncFile(filepath.Join(dir, c.File)); err != nil {
			return err
		}
	}
	b, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return err
	}
	tmp := filepath.Join(dir, draft+PlanFile)
	if err := os.WriteFile(tmp, append(b, '\n'), 0o600); err != nil {
		return err
	}
	if err := errors.Join(syncFile(tmp), os.Rename(tmp, filepath.Join(dir, PlanFile))); err != nil {
		return err
	}
	return syncDir(dir)
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// planned is the plan in a folder; an error where one of its cuts is missing.
func planned(dir string) (p Plan, err error) {
	b, err := os.ReadFile(filepath.Join(dir, PlanFile))
	if err != nil {
		return p, err
	}
	if err := json.Unmarshal(b, &p); err != nil {
		return p, err
	}
	last := int64(-1)
	for _, c := range p.Cuts {
		if c.File == "" || filepath.Base(c.File) != c.File || !exists(filepath.Join(dir, c.File)) {
			return p, fmt.Errorf("the cut at %.1f s is missing", c.From)
		}
		if ms := millis(c.From); ms <= last {
			return p, fmt.Errorf("the cut at %.1f s is there twice", c.From)
		} else {
			last = ms
		}
	}
	return p, nil
}

func millis(seconds float64) int64 { return int64(math.Round(seconds * 1000)) }

// limits of the scan of a recording of so many milliseconds: a scan takes less
// time than the recording on one core, with the machine busy otherwise it may
// take twice as long.
func (o *Options) limits(length int64) Limits {
	l := o.Limits
	l.Time += 2 * time.Duration(length) * time.Millisecond
	return l
}

// isLong is the length of a recording, zero of a clip; what was looked at is
// not looked at again.
func (e *Engine) isLong(ctx context.Context, path string) (time.Duration, error) {
	if e.o.Long == nil {
		return 0, nil
	}
	st, err := os.Lstat(path)
	if err != nil {
		return 0, err
	}
	key := stamped{path, st.Size(), st.ModTime().UnixNano()}
	if d, ok := e.long[key]; ok {
		return d, nil
	}
	d, err := e.o.Long(ctx, path)
	if err != nil {
		return 0, err
	}
	if len(e.long) > 10000 {
		clear(e.long)
	}
	e.long[key] = d
	return d, nil
}

// placeRecording says what is known of a recording when it arrives: nobody has
// to be. p is what path, notes and name say.
func (e *Engine) placeRecording(ctx context.Context, c *Clip, p inbox.Place, note inbox.Note) error {
	for _, s := range note.Players {
		if !e.o.Roster.Known(s.Player) {
			c.State, c.Reason, c.Detail = Unplaced, inbox.UnknownPlayer, s.Player
			return nil
		}
	}
	if p.Reason != inbox.NoPlayer {
		return nil
	}
	c.State, c.Reason, c.Detail = Waiting, "", ""
	here, err := e.filmed(ctx, c.Original())
	if err != nil {
		return err
	}
	// Whose the clips behind it are is known when it has been scanned.
	c.shown = &shown{folder: c.Lies, filmed: here, came: e.o.Now()}
	return nil
}

// cutsDir is where the cuts of a recording lie until they are read.
func (e *Engine) cutsDir(c *Clip) string { return e.dir(takenDir, c.Hash+"-"+CutsDir) }

// divide makes clips of a recording's cuts, which lie in their folder. Everything
// in it can be done again; an error leaves the recording publishing.
func (e *Engine) divide(ctx context.Context, c *Clip) error {
	e.taking.Lock()
	defer e.taking.Unlock()
	plan, err := planned(c.Final)
	if err != nil {
		return err
	}
	cuts, err := e.cutsOf(ctx, c, plan)
	if err != nil {
		return err
	}
	if err := e.store.divided(ctx, e.jobs, c, cuts, e.shownIn(c, plan)); err != nil {
		return err
	}
	c.State = Done
	hook("divided")
	e.tidy(ctx, c)
	for i := range cuts {
		n := &cuts[i]
		if now, ok, err := e.store.Clip(ctx, n.Hash); err != nil || !ok || now.Parent != c.Hash || now.State != n.State {
			continue
		} else {
			*n = now
		}
		switch n.State {
		case Unplaced:
			if err := e.settle(ctx, n); err != nil {
				e.o.Log.Error("not_moved", "clip", n.Short(), "err", scrub(err))
			}
			fallthrough
		case Held:
			e.came(n, string(n.State))
		}
	}
	if err := e.settle(ctx, c); err != nil {
		e.o.Log.Error("not_moved", "clip", c.Short(), "err", scrub(err))
	}
	hook("archived")
	e.o.Log.Info("recording_cut", "clip", c.Short(), "cuts", len(cuts))
	c.Final, c.Reason, c.Detail = "", "", ""
	e.came(c, Scanned)
	if err := e.revisit(ctx, filepath.Dir(c.Came)); err != nil && ctx.Err() == nil {
		e.o.Log.Error("cards_failed", "err", scrub(err))
	}
	return nil
}

// cutsOf are the clips that a recording is divided into.
func (e *Engine) cutsOf(ctx context.Context, c *Clip, plan Plan) (out []Clip, err error) {
	var note inbox.Note
	var bad error
	if c.Sidecar {
		note, bad = e.o.Note(filepath.Join(c.Lies, c.Stem+".yaml"))
	}
	// What a card says that was filmed before it into its folder holds until its
	// own first one.
	here := filmed{name: filepath.Base(c.Came)}
	if e.o.Recorded != nil {
		if here.at, err = e.o.Recorded(ctx, c.Original()); err != nil {
			return nil, err
		}
	}
	before, carded, err := e.store.cardBefore(ctx, filepath.Dir(c.Came), here, c.Added)
	if err != nil {
		return nil, err
	}
	today := day(e.o.Now().In(e.o.Zone))
	stem := pipeline.FolderName(c.Came)
	for i, cut := range plan.Cuts {
		path := filepath.Join(c.Final, cut.File)
		st, err := os.Lstat(path)
		if err != nil {
			return nil, err
		}
		sum, err := hash(ctx, path)
		if err != nil {
			return nil, err
		}
		ext := filepath.Ext(cut.File)
		name := fmt.Sprintf("%s-%03d-%s%s", stem, i+1, Clock(cut.From), ext)
		n := Clip{Hash: sum, Kind: KindClip, Parent: c.Hash, From: millis(cut.From), Length: millis(cut.To - cut.From), Day: c.Day, Dated: c.Dated,
			Lies: c.Final, Stem: strings.TrimSuffix(cut.File, ext), Ext: ext, Came: filepath.Join(filepath.Dir(c.Came), name), Size: st.Size(), Modified: st.ModTime()}
		n.Sidecar = exists(filepath.Join(n.Lies, n.Stem+".yaml"))
		p := inbox.Place{Reason: inbox.BadSidecar}
		if bad != nil {
			p.Detail = bad.Error()
		} else if p = e.whose(c, note, plan.Cards, cut.At, today); p.Reason == inbox.NoPlayer && carded && !slices.ContainsFunc(plan.Cards, func(s Span) bool { return s.From <= cut.At }) {
			if p.Reason = CardUnclear; before != "" {
				p = e.whose(c, note, []Span{{Player: before}}, cut.At, today)
			}
		}
		n.Player, n.How, n.Reason, n.Detail = p.Player, p.How, p.Reason, p.Detail
		switch p.Reason {
		case "":
			n.State = Waiting
		case inbox.NoConsent:
			n.State = Held
		default:
			n.State = Unplaced
		}
		out = append(out, n)
	}
	return out, nil
}

// whose says whose the part of a recording at a second is: cards in it, the
// times in its notes, and what its path, notes and name say of the whole must
// agree where several speak.
func (e *Engine) whose(c *Clip, note inbox.Note, cards []Span, at float64, today time.Time) inbox.Place {
	carded := during(cards, at)
	if len(carded) > 1 {
		return inbox.Place{Reason: CardUnclear}
	}
	said := inbox.Note{Player: c.Player}
	if c.Dated {
		said.Day = c.Day
	}
	timed := during(note.Players, at)
	if len(timed) > 0 {
		if c.Player != "" && c.Player != timed[0] {
			return inbox.Place{Reason: inbox.TwoPlayers, Detail: c.Player + ", " + timed[0]}
		}
		said.Player = timed[0]
	}
	p := inbox.Find("", said, strings.Join(carded, ""), e.o.Roster, today)
	if len(timed) == 0 && c.Player != "" && p.How == inbox.BySidecar {
		p.How = c.How
	}
	return p
}

// during are the players of the spans in which a second lies.
func during(spans []Span, at float64) (out []string) {
	for _, s := range spans {
		if at >= s.From && (s.To == 0 || at < s.To) && !slices.Contains(out, s.Player) {
			out = append(out, s.Player)
		}
	}
	return out
}

// shownIn is what the cards in a recording say of the clips behind it; nil where
// there are none.
func (e *Engine) shownIn(c *Clip, plan Plan) *shown {
	if len(plan.Cards) == 0 {
		return nil
	}
	s := &shown{player: last(plan.Cards)}
	if !e.o.Roster.Known(s.player) {
		s.player = ""
	}
	return s
}

// Clock writes seconds as part of a file's name, 00h12m31s.
func Clock(seconds float64) string {
	s := int(seconds)
	return fmt.Sprintf("%02dh%02dm%02ds", s/3600, s/60%60, s%60)
}

// tidy removes from a divided recording's folder of cuts what is no clip's: the
// plan, and cuts whose bytes had come before.
func (e *Engine) tidy(ctx context.Context, c *Clip) {
	dir := e.cutsDir(c)
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	cuts, err := e.store.cuts(ctx, c.Hash)
	if err != nil {
		return
	}
	for _, d := range entries {
		if !slices.ContainsFunc(cuts, func(n Clip) bool {
			return n.Lies == dir && slices.ContainsFunc(n.endings(), func(ext string) bool { return n.Stem+ext == d.Name() })
		}) {
			_ = os.Remove(filepath.Join(dir, d.Name()))
		}
	}
	_ = os.Remove(dir) // only if it is empty
}

// empty tells that a clip is a cut in which there was no swing. Its file goes.
func (c *Clip) empty() bool { return c.Parent != "" && c.State == Done && c.Reason == NoSwingHere }

// noSwing ends a cut in which there is none.
func (e *Engine) noSwing(ctx context.Context, c *Clip) error {
	c.State, c.Reason, c.Detail = Done, NoSwingHere, ""
	if err := e.store.quiet(ctx, c); err != nil {
		return err
	}
	hook("empty")
	e.over(ctx, c, Empty)
	return nil
}

// consented makes clips wait that were held and don't lie in an inbox, from
// where they would come again, when their players may be filmed.
func (e *Engine) consented(ctx context.Context) error {
	held, err := e.store.Clips(ctx, Held)
	if err != nil || e.o.Ready != nil && e.o.Ready() != nil {
		return err
	}
	today := day(e.o.Now().In(e.o.Zone))
	for i := range held {
		c := &held[i]
		filmed, err := time.Parse(time.DateOnly, c.Day)
		if err != nil || !e.ours(c) || !e.o.Roster.Film(c.Player, filmed) || !e.o.Roster.Film(c.Player, today) {
			continue
		}
		c.State, c.Reason, c.Detail = Waiting, "", ""
		if err := e.store.placed(ctx, e.jobs, c); err != nil && !errors.Is(err, errStale) {
			return err
		}
	}
	return nil
}

// ours tells whether a clip lies in a folder of ours.
func (e *Engine) ours(c *Clip) bool {
	return c.Lies == e.dir(UnplacedDir) || filepath.Dir(c.Lies) == e.dir(takenDir)
}

// placed writes what is known now of a clip that was held or not placed, and
// puts it into the queue where it waits.
func (s *Store) placed(ctx context.Context, q *river.Client[*sql.Tx], c *Clip) error {
	fence := c.Fence
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `UPDATE clips SET state = $3, player = $4, how = $5, day = $6, dated = $7, reason = $8, detail = $9, changed = $10, fence = fence + 1
			WHERE hash = $1 AND fence = $2 AND state IN ('held', 'unplaced')`,
			c.Hash, fence, string(c.State), c.Player, c.How, c.Day, flag(c.Dated), c.Reason, c.Detail, s.stamp()); err != nil {
			return err
		}
		c.Fence = fence + 1
		if c.State != Waiting {
			return nil
		}
		return s.enqueue(ctx, tx, q, c)
	})
}

// divided ends a recording and makes its cuts clips, with their jobs, all at
// once. A cut whose bytes have come before isn't there again.
func (s *Store) divided(ctx context.Context, q *river.Client[*sql.Tx], c *Clip, cuts []Clip, cards *shown) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := s.change(ctx, tx, `UPDATE clips SET state = 'done', staging = '', final = '', step = '', part = 0, whole = $3, changed = $4
			WHERE hash = $1 AND fence = $2 AND state = $5`, c.Hash, c.Fence, len(cuts), s.stamp(), string(c.State)); err != nil {
			return err
		}
		for i := range cuts {
			n, err := s.insert(ctx, tx, &cuts[i], `ON CONFLICT DO NOTHING`)
			if err != nil {
				return err
			}
			if n == 1 && cuts[i].State == Waiting {
				if err := s.enqueue(ctx, tx, q, &cuts[i]); err != nil {
					return err
				}
			}
		}
		if cards == nil { // nothing is known of what follows but what was before
			_, err := tx.ExecContext(ctx, `DELETE FROM cards WHERE clip = $1`, c.Hash)
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE cards SET player = $2 WHERE clip = $1`, c.Hash, cards.player)
		return err
	})
}

// cuts of a recording in their order.
func (s *Store) cuts(ctx context.Context, recording string) (out []Clip, err error) {
	return s.list(ctx, `WHERE parent = $1 ORDER BY from_ms`, recording)
}

// Recording is what became of the recording of a lesson: its candidates for
// swings, and how many of them have come to what.
type Recording struct {
	Hash       string    `json:"recording"`
	Player     string    `json:"player,omitempty"` // of the whole, where its path, notes or name tell
	State      State     `json:"state"`
	Came       string    `json:"came"` // path it was dropped at
	Seconds    float64   `json:"duration_s"`
	Step       string    `json:"step,omitempty"` // of the scan, with Part of Whole
	Part       int       `json:"done,omitempty"`
	Whole      int       `json:"total,omitempty"`
	Reason     string    `json:"reason,omitempty"`
	Detail     string    `json:"detail,omitempty"`
	Changed    time.Time `json:"changed"` // it or one of its cuts
	Candidates int       `json:"candidates"`
	Lessons    int       `json:"lessons"`
	Empty      int       `json:"empty"`
	Unplaced   int       `json:"unplaced"`
	Held       int       `json:"held"`
	Failed     int       `json:"failed"`
	Waiting    int       `json:"waiting"` // or being read
	// Left are the cuts that need somebody, those of one reason together.
	Left []Left `json:"left,omitempty"`
}

// Left is why so many cuts of a recording are not placed or held.
type Left struct {
	N      int    `json:"n"`
	State  State  `json:"state"`
	Player string `json:"player,omitempty"`
	Reason string `json:"reason"`
	Detail string `json:"detail,omitempty"`
}

// leave counts one more.
func (r *Recording) leave(c *Clip) {
	for i := range r.Left {
		if l := &r.Left[i]; l.State == c.State && l.Player == c.Player && l.Reason == c.Reason && l.Detail == c.Detail {
			l.N++
			return
		}
	}
	r.Left = append(r.Left, Left{1, c.State, c.Player, c.Reason, c.Detail})
}

// Recordings in the order in which they came.
func (s *Store) Recordings(ctx context.Context) (out []Recording, err error) {
	all, err := s.list(ctx, `WHERE kind = $1 ORDER BY added, hash`, KindRecording)
	if err != nil {
		return nil, err
	}
	for _, c := range all {
		r := Recording{Hash: c.Hash, Player: c.Player, State: c.State, Came: c.Came, Seconds: float64(c.Length) / 1000, Step: c.Step, Part: c.Part, Whole: c.Whole,
			Reason: c.Reason, Detail: c.Detail, Changed: c.Changed}
		if c.State == Done {
			r.Candidates, r.Whole = c.Whole, 0
		}
		cuts, err := s.cuts(ctx, c.Hash)
		if err != nil {
			return nil, err
		}
		for _, n := range cuts {
			if n.Changed.After(r.Changed) {
				r.Changed = n.Changed
			}
			switch {
			case n.empty():
				r.Empty++
			case n.State == Done:
				r.Lessons++
			case n.Reason == TakenBack:
			case n.State == Unplaced:
				r.Unplaced++
				r.leave(&n)
			case n.State == Held:
				r.Held++
				r.leave(&n)
			case n.State == Failed:
				r.Failed++
			default:
				r.Waiting++
			}
		}
		out = append(out, r)
	}
	return out, nil
}

// Told tells whether nothing more is to be done for a recording.
func (r *Recording) Told() bool {
	return r.State == Done && r.Waiting+r.Unplaced+r.Held+r.Failed == 0
}
