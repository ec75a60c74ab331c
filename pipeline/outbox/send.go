package outbox

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/mail"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver"
	"tapeline/pipeline/ledger"
)

// hook is told each stage that was passed; tests stop there.
var hook = func(stage string) {}

// ErrBusy: another program is sending.
var ErrBusy = ledger.ErrBusy

// errUnlocked: the lock was lost with the connection to the database. Somebody
// else may be sending.
var errUnlocked = &pipeline.Error{Fault: pipeline.FaultLedger, Step: "send", What: "the connection to the database was lost, so nothing more was sent", Hint: "it goes on next time"}

// Outcome is what became of one release in a run.
type Outcome struct {
	Lesson string `json:"lesson"`
	Player string `json:"player"`
	State  string `json:"state"` // of the release
	Why    *Why   `json:"why,omitempty"`
}

// Run is what a run of sending has done.
type Run struct {
	Outcomes []Outcome `json:"lessons"`
	// Left are released lessons whose time has not come, or that the limit of
	// an hour keeps back.
	Left int `json:"left"`
	// Blocked is why nothing more could be sent.
	Blocked *Why `json:"blocked,omitempty"`
	// Next is when it is worth trying again; zero: nothing waits.
	Next time.Time `json:"next,omitzero"`
}

// Count of outcomes that ended so.
func (r *Run) Count(state string) (n int) {
	for _, o := range r.Outcomes {
		if o.State == state {
			n++
		}
	}
	return n
}

// sender is one run, with the one connection it uses.
type sender struct {
	*Outbox
	ctx  context.Context // for the connection
	db   context.Context // what is begun in the ledger is ended
	line deliver.Line
	held func() bool // it is the only sender still
}

// Send hands what is released and due to the mail server, over one connection,
// and tells after each how many of how many are through. It holds the lock: of
// two that send at once one gets ErrBusy.
func (o *Outbox) Send(ctx context.Context, tell func(done, of int)) (run Run, err error) {
	if o.o.Dial == nil {
		return run, &Why{NoMailSet, ""}
	}
	held, unlock, err := o.o.Ledger.Sending(ctx)
	if err != nil {
		return run, err
	}
	defer unlock()
	s := &sender{Outbox: o, ctx: ctx, db: context.WithoutCancel(ctx), held: held}
	defer s.drop()
	now := o.o.Now()
	var next time.Time
	if o.o.Again {
		next = now.Add(o.o.Backoff(1))
	}
	if n, err := o.o.Ledger.Recover(s.db, now, next); err != nil {
		return run, err
	} else if n > 0 {
		o.o.Log.Warn("letters_unsure", "letters", n)
	}
	all, err := o.o.Ledger.Releases(s.db, "")
	if err != nil {
		return run, err
	}
	var due []ledger.Release
	for _, r := range all {
		if r.State != ledger.Released {
			continue
		}
		due = append(due, r)
	}
	later := func(t time.Time) {
		if run.Next.IsZero() || t.Before(run.Next) {
			run.Next = t
		}
	}
	for i := range due {
		r := &due[i]
		if ctx.Err() != nil {
			run.Left += len(due) - i
			return run, ctx.Err()
		}
		if !held() {
			run.Left += len(due) - i
			return run, errUnlocked
		}
		out := Outcome{Lesson: r.Lesson, Player: r.Player, State: ledger.Released}
		out.State, out.Why, err = s.one(r, run.Blocked)
		var wait *notYet
		switch {
		case errors.As(err, &wait):
			run.Left++
			later(wait.until)
		case errors.Is(err, ledger.ErrStale): // held meanwhile, say
		case err != nil:
			return run, err
		default:
			run.Outcomes = append(run.Outcomes, out)
			if out.State == ledger.Released && out.Why != nil && (out.Why.Reason == NoServer || out.Why.Reason == NoRoster) {
				run.Blocked = out.Why
			}
			if out.State == ledger.Released {
				later(now.Add(o.o.Backoff(1)))
			}
			o.o.Log.Info("letter_"+out.State, "clip", r.Lesson[:min(8, len(r.Lesson))], "player", r.Player, "why", why(out.Why))
		}
		if tell != nil {
			tell(i+1, len(due))
		}
	}
	return run, nil
}

func why(w *Why) string {
	if w == nil {
		return ""
	}
	return w.Reason
}

// notYet: the time of a release has not come.
type notYet struct{ until time.Time }

func (n *notYet) Error() string { return "not yet" }

// errNotSent stops a message whose first byte was about to go.
var errNotSent = errors.New("not sent")

// check is a release checked against everything as it is at this moment. A Why
// with NoRoster stops nothing but this run.
func (s *sender) check(r *ledger.Release) (rd Ready, w *Why, err error) {
	l, ok, err := s.o.Ledger.Head(s.db, r.Lesson)
	if err != nil {
		return rd, nil, err
	}
	if !ok || l.Player != r.Player {
		return rd, &Why{Moved, r.Player}, nil
	}
	holds, err := s.o.Ledger.Holds(s.db)
	if err != nil {
		return rd, nil, err
	}
	if !holds[l.Clip].IsZero() {
		return rd, &Why{Held, ""}, nil
	}
	f, w := s.may(&l)
	if w != nil {
		return rd, w, nil
	}
	if l.Name != r.Name {
		return rd, &Why{Renamed, r.Player}, nil
	}
	if w := strangers(&l, r.Family, f); w != nil {
		return rd, w, nil
	}
	if rd, w = packed(s.db, &l); w == nil && rd.Content != r.Content || w != nil && w.Reason == NotPacked {
		w = &Why{Changed, ""}
	}
	rd.Family = f
	return rd, w, nil
}

// one tries one release. The state is that which it has then.
func (s *sender) one(r *ledger.Release, blocked *Why) (state string, w *Why, err error) {
	now := s.o.Now()
	fence, err := s.o.Ledger.Claim(s.db, r.ID, now)
	if err != nil {
		return "", nil, err
	}
	r.Fence = fence
	if r.Tried.IsZero() {
		r.Tried = now
	}
	rd, w, err := s.check(r)
	switch {
	case err != nil:
		return "", nil, err
	case w != nil && w.Reason == NoRoster:
		return s.stay(r, w)
	case w != nil:
		return s.end(r, ledger.Stopped, w)
	}
	have, err := s.have(r)
	if err != nil {
		return "", nil, err
	}
	to, next := s.open(r, rd.Family.Guardians, have)
	switch {
	case len(to) == 0 && !next.IsZero() && now.Sub(r.Tried) < s.o.Patience:
		return "", nil, &notYet{next}
	case len(to) == 0 || now.Sub(r.Tried) >= s.o.Patience && blocked == nil && len(r.Letters) > 0:
		return s.settle(r, rd.Family.Guardians, have)
	}
	if blocked != nil {
		return s.late(r, blocked)
	}
	n, oldest, err := s.o.Ledger.Handed(s.db, now.Add(-time.Hour))
	if err != nil {
		return "", nil, err
	}
	if n > 0 && n+len(to) > s.o.PerHour {
		if _, _, err := s.stay(r, &Why{PerHour, ""}); err != nil {
			return "", nil, err
		}
		return "", nil, &notYet{oldest.Add(time.Hour)}
	}
	m, err := s.o.Compose(s.letter(r, &rd))
	if err != nil {
		return s.end(r, ledger.Stopped, &Why{NotMade, oneLine(err)})
	}
	if w, err := s.hand(r, m, to, have); err != nil || w != nil {
		switch {
		case err != nil:
			return "", nil, err
		case w.Reason == NoServer:
			return s.late(r, w)
		case w.Reason == NoRoster:
			return s.stay(r, w)
		}
		return s.end(r, ledger.Stopped, w)
	}
	return s.settle(r, rd.Family.Guardians, have)
}

// letter is what is composed, the same every time for the same family.
func (o *Outbox) letter(r *ledger.Release, rd *Ready) deliver.Letter {
	l := deliver.Letter{ID: r.ID, At: r.At, Lang: rd.Family.Lang, Imperial: o.o.Imperial, FirstName: r.Name, Day: rd.Lesson.Day,
		From: o.o.From, ReplyTo: o.o.ReplyTo, Academy: o.o.Academy, Unsubscribe: o.o.Unsubscribe, Report: rd.Report, Note: r.Note, FilmWaits: rd.Leaving.FilmWaits}
	if l.Lang == "" {
		l.Lang = o.o.Lang
	}
	for _, a := range rd.Family.Guardians {
		l.To = append(l.To, mail.Address{Address: a})
	}
	for _, f := range rd.Files {
		path := filepath.Join(rd.Dir, f.Name)
		switch f.Name {
		case pipeline.LeavingFilmFile:
			l.Film = path
		case pipeline.LeavingSheetFile:
			l.Sheet = path
		case pipeline.LeavingCaptionsFile:
			l.Captions = path
		}
	}
	if l.Film != "" {
		l.FilmWaits = ""
	}
	return l
}

// have are the addresses that got the same from an earlier release that did
// not reach everybody.
func (s *sender) have(r *ledger.Release) (map[string]bool, error) {
	all, err := s.o.Ledger.Releases(s.db, r.Player)
	if err != nil {
		return nil, err
	}
	out := map[string]bool{}
	for _, old := range all {
		if old.ID == r.ID {
			r.Letters, r.Tried = old.Letters, old.Tried
			continue
		}
		if old.Lesson != r.Lesson || old.Content != r.Content || old.State == ledger.Sent {
			continue
		}
		for _, x := range old.Letters {
			if x.State == ledger.Taken {
				out[strings.ToLower(x.Address)] = true
			}
		}
	}
	return out, nil
}

// open are the guardians' addresses that may be written to now; next is when
// the others may.
func (s *sender) open(r *ledger.Release, guardians []string, have map[string]bool) (to []string, next time.Time) {
	now := s.o.Now()
	for _, a := range guardians {
		x := letterTo(r, a)
		switch {
		case x == nil && !have[strings.ToLower(a)]:
			to = append(to, a)
		case x == nil || x.State != ledger.Pending:
		case x.NextTry.After(now):
			if next.IsZero() || x.NextTry.Before(next) {
				next = x.NextTry
			}
		default:
			to = append(to, x.Address)
		}
	}
	return to, next
}

// letterTo finds an address whatever the case of its letters.
func letterTo(r *ledger.Release, address string) *ledger.Letter {
	for i := range r.Letters {
		if strings.EqualFold(r.Letters[i].Address, address) {
			return &r.Letters[i]
		}
	}
	return nil
}

// hand sends one message to addresses. A Why: nothing has left, and why.
func (s *sender) hand(r *ledger.Release, m *deliver.Message, to []string, have map[string]bool) (*Why, error) {
	for again := false; ; again = true {
		fresh := s.line == nil
		if fresh {
			line, err := s.o.Dial(s.ctx)
			if err != nil {
				return &Why{NoServer, oneLine(err)}, nil
			}
			s.line = line
			hook("dialed")
		}
		if err := s.o.Ledger.Begin(s.db, r.ID, r.Fence, ledger.Letter{MessageID: m.ID, Hash: m.Hash, Size: int64(len(m.Raw)), Begun: s.o.Now()}, to); err != nil {
			return nil, err
		}
		hook("begun")
		var stop *Why
		var fail error
		var gone []string
		// While it is at work it isn't the sender's: should anything panic in there
		// nothing more may be said on it, not even good-bye, which ends a message.
		line := s.line
		s.line = nil
		answers, err := line.Send(s.ctx, m, to, func(taken []string) error {
			// The last moment at which it can be kept back.
			rd, w, err := s.check(r)
			if err == nil && w == nil {
				for _, a := range taken {
					if !slices.ContainsFunc(rd.Family.Guardians, func(g string) bool { return strings.EqualFold(a, g) }) {
						w = &Why{Changed, ""} // no guardian any more
					}
				}
			}
			if stop, fail = w, err; err != nil || w != nil {
				return errNotSent
			}
			if !s.held() {
				fail = errUnlocked
				return errNotSent
			}
			if fail = s.o.Ledger.Go(s.db, r.ID, r.Fence, taken, s.o.Now()); fail != nil {
				return errNotSent
			}
			gone = taken
			hook("going")
			return nil
		})
		hook("sent")
		if s.line = line; err != nil {
			s.drop()
		}
		idle := err != nil && len(gone) == 0 && stop == nil && fail == nil && !fresh && !again && s.ctx.Err() == nil
		if e := s.o.Ledger.Answer(s.db, r.ID, s.came(r, to, gone, answers, stop != nil || fail != nil || idle || s.ctx.Err() != nil, err)); e != nil {
			return nil, errors.Join(fail, e)
		}
		hook("answered")
		switch {
		case fail != nil:
			return nil, fail
		case stop != nil:
			return stop, nil
		case s.ctx.Err() != nil && len(gone) == 0:
			return nil, s.ctx.Err()
		case idle: // an old connection that had died costs nobody a try
			continue
		}
		return nil, nil
	}
}

// came is what the letters' rows say after a sending. free: what has not gone
// costs no try.
func (s *sender) came(r *ledger.Release, to, gone []string, answers []deliver.Answer, free bool, broke error) (out []ledger.Letter) {
	now := s.o.Now()
	for _, a := range to {
		x := ledger.Letter{Address: a, State: ledger.Pending, Phase: ledger.Answered, Ended: now}
		if old := letterTo(r, a); old != nil {
			x.Address, x.Tries = old.Address, old.Tries
		}
		went := slices.Contains(gone, a)
		i := slices.IndexFunc(answers, func(b deliver.Answer) bool { return strings.EqualFold(a, b.To) })
		o := deliver.Later
		if went {
			o = deliver.Unsure
		}
		if i >= 0 {
			o, x.Code, x.Answer = answers[i].Outcome, answers[i].Code, answers[i].Text
		} else if broke != nil {
			x.Answer = oneLine(broke)
		}
		x.Answer = masked(x.Answer, to)
		switch {
		case o == deliver.Taken && went:
			x.State = ledger.Taken
		case o == deliver.Taken || o == deliver.Unsure && went:
			// Taken without having gone is no answer to be believed.
			x.State = ledger.Unsure
			if s.o.Again {
				x.State, x.Tries = ledger.Pending, x.Tries+1
				x.NextTry = now.Add(s.o.Backoff(x.Tries))
			}
		case free && !went:
			x.Phase, x.Ended, x.Answer, x.Code = "", time.Time{}, "", 0
		case o == deliver.Never:
			x.State = ledger.Refused
		default:
			x.Tries++
			x.NextTry = now.Add(s.o.Backoff(x.Tries))
		}
		out = append(out, x)
	}
	return out
}

// settle ends a release that has come to its end for every guardian.
func (s *sender) settle(r *ledger.Release, guardians []string, have map[string]bool) (string, *Why, error) {
	if _, err := s.have(r); err != nil { // its letters as they are now
		return "", nil, err
	}
	var open, taken, unsure int
	var last, never *ledger.Letter
	for _, a := range guardians {
		switch x := letterTo(r, a); {
		case x == nil && have[strings.ToLower(a)]:
			taken++
		case x == nil:
			open++
		case x.State == ledger.Pending:
			open++
			last = x
		case x.State == ledger.Taken:
			taken++
		case x.State == ledger.Unsure:
			unsure++
		default:
			never = x
		}
	}
	// One who is no guardian any more may have it: that is not forgotten.
	for _, x := range r.Letters {
		if x.State == ledger.Unsure && !slices.ContainsFunc(guardians, func(g string) bool { return strings.EqualFold(g, x.Address) }) {
			unsure++
		}
	}
	late := s.o.Now().Sub(r.Tried) >= s.o.Patience
	said := func(reason string, x *ledger.Letter) *Why {
		if taken > 0 {
			reason = PartTaken
		}
		if x == nil {
			return &Why{reason, ""}
		}
		return &Why{reason, strings.TrimSpace(fmt.Sprint(Mask(x.Address), " ", x.Answer))}
	}
	switch {
	case open > 0 && !late:
		return s.stay(r, said(NotNow, last))
	case unsure > 0:
		return s.end(r, ledger.Unsure, &Why{Died, ""})
	case open > 0:
		return s.end(r, ledger.Refused, said(TooLate, last))
	case never != nil:
		return s.end(r, ledger.Refused, said(NotTaken, never))
	case taken == 0:
		return s.end(r, ledger.Stopped, &Why{NoGuardian, r.Player})
	}
	return s.end(r, ledger.Sent, nil)
}

// late is stay, or the end where it has been tried for too long.
func (s *sender) late(r *ledger.Release, w *Why) (string, *Why, error) {
	if s.o.Now().Sub(r.Tried) < s.o.Patience {
		return s.stay(r, w)
	}
	for _, x := range r.Letters {
		switch x.State {
		case ledger.Unsure:
			return s.end(r, ledger.Unsure, &Why{Died, ""})
		case ledger.Taken:
			return s.end(r, ledger.Refused, &Why{PartTaken, w.Detail})
		}
	}
	return s.end(r, ledger.Refused, &Why{TooLate, w.Detail})
}

func (s *sender) stay(r *ledger.Release, w *Why) (string, *Why, error) {
	detail := w.Detail
	if w.Reason == NoRoster { // a line of the roster may hold another family's address
		detail = ""
	}
	return ledger.Released, w, s.o.Ledger.Note(s.db, r.ID, w.Reason, detail)
}

func (s *sender) end(r *ledger.Release, state string, w *Why) (string, *Why, error) {
	reason, detail := "", ""
	if w != nil {
		reason, detail = w.Reason, w.Detail
	}
	if state == ledger.Stopped && slices.ContainsFunc(r.Letters, func(x ledger.Letter) bool { return x.State == ledger.Unsure }) {
		state = ledger.Unsure // of what is unsure the coach must know first
	}
	return state, w, s.o.Ledger.End(s.db, r.ID, r.Fence, state, reason, detail, s.o.Now())
}

func (s *sender) drop() {
	if s.line != nil {
		_ = s.line.Close()
		s.line = nil
	}
}

// oneLine is the text of an error on one line, not too long.
func oneLine(err error) string {
	t := strings.Join(strings.Fields(strings.ToValidUTF8(err.Error(), "?")), " ")
	if len(t) > 200 {
		t = strings.ToValidUTF8(t[:200], "") + "…"
	}
	return t
}

// Preview is the message as it would leave now, to nobody. Only packing and the
// roster are asked for, and consent to film, without which no film is looked at;
// why says what keeps it from leaving.
func (o *Outbox) Preview(ctx context.Context, l ledger.Lesson, note string, tell pipeline.Progress) (m *deliver.Message, r Ready, why *Why, err error) {
	f, why := o.may(&l)
	if why != nil && (why.Reason == NoRoster || why.Reason == Unknown || why.Reason == NoFilm || len(f.Guardians) == 0) {
		return nil, r, why, why
	}
	if r, err = o.Packed(ctx, l, "", tell); err != nil {
		return nil, r, why, err
	}
	if why == nil {
		why = free(r.Leaving)
	}
	r.Family = f
	m, err = o.o.Compose(o.letter(&ledger.Release{ID: strings.Repeat("0", 32), Name: l.Name, Note: note, At: o.o.Now()}, &r))
	return m, r, why, err
}

// Run prepares and sends every minute and when it is woken, until ctx ends.
func (o *Outbox) Run(ctx context.Context, every time.Duration, wake <-chan struct{}) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	fails := Fails{Log: o.o.Log, What: "outbox_failed", Over: "outbox_back"}
	for {
		_, failed := o.Prepare(ctx)
		o.mu.Lock()
		rest := o.o.Now().Before(o.rest)
		o.mu.Unlock()
		if !rest {
			run, err := o.Send(ctx, nil)
			if err != nil && !errors.Is(err, ErrBusy) && failed == nil {
				failed = err // one is enough: mostly the same is the matter
			}
			o.rests(run.Blocked != nil && run.Blocked.Reason == NoServer)
		}
		if ctx.Err() == nil {
			fails.Note(failed)
		}
		select {
		case <-ctx.Done():
			return
		case <-wake:
			o.rests(false) // somebody just said so
		case <-tick.C:
		}
	}
}

// Fails tells of what fails again and again once, and once that it is over.
type Fails struct {
	Log        *slog.Logger
	What, Over string // events
	told       string
}

// passing are numbers that differ each time: a connection's port, what ends the
// name of a temporary file.
var passing = regexp.MustCompile(`[0-9]{4,}`)

// Note notes how it went.
func (f *Fails) Note(err error) {
	what := ""
	if err != nil {
		what = passing.ReplaceAllString(err.Error(), "#")
	}
	switch {
	case err == nil && f.told != "":
		f.Log.Info(f.Over)
		f.told = ""
	case err != nil && what == f.told:
		f.Log.Debug(f.What, "err", err)
	case err != nil:
		f.Log.Error(f.What, "err", err)
		f.told = what
	}
}

// rests puts off the next dial after one that failed.
func (o *Outbox) rests(failed bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !failed {
		o.down, o.rest = 0, time.Time{}
		return
	}
	o.down++
	o.rest = o.o.Now().Add(min(o.o.Backoff(o.down), time.Hour))
}
