// Package outbox says whether, when and to whom a lesson leaves, and sees to it
// that it leaves once.
//
//		a lesson waits → released → sent             every address has it
//		                          ↘ refused          the server took it for none, or not for all
//		                          ↘ unsure           it had gone, no answer came: the coach is asked
//		                          ↘ stopped          no longer as it was released: it waits again
//		held                                         until it is released
//
//	 1. check.go: may it leave now? roster, consents, names, files
//	 2. certain.go: is everything it says certain?
//	 3. release.go: the coach's word, or the rule's; hold
//	 4. send.go: one sender at a time hands released lessons to the server; a row
//	    stands in the ledger before anything leaves and says afterwards what came
//	    of it
//	 5. list.go: what waits and why, what was sent
//
// A release gives each address at most one message that the server took. Where
// the program dies after the first byte of a message and before the answer
// nobody can know; then the rule of mail.unsure holds.
package outbox

import (
	"context"
	"log/slog"
	"net/mail"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver"
	"tapeline/pipeline/ledger"
)

// Family is what the roster says of a player now.
type Family struct {
	Name      string   // first name, or empty
	Guardians []string // addresses
	Lang      string   // empty: the configured one
	// Film and Mail tell whether that consent holds on a day (UTC midnight).
	Film, Mail func(day time.Time) bool
}

// Roster is who may be written to, as its file is now.
type Roster func(player string) (Family, bool)

// Others is what is done about other people in what leaves.
const (
	OthersAsk   = "ask"
	OthersBlur  = "blur"
	OthersAllow = "allow"
)

// Options of an Outbox.
type Options struct {
	Ledger *ledger.Ledger
	// Roster reads the roster anew; an error stops all sending.
	Roster func() (Roster, error)
	// Pack makes the folder of what may leave of a lesson, in place of the one
	// that is there.
	Pack func(ctx context.Context, l ledger.Lesson, others string, tell pipeline.Progress) error
	// Outdated tells that a lesson was corrected after it was made: what would
	// leave is not what the coach says. nil: none is.
	Outdated func(l *ledger.Lesson) bool
	// Compose and Dial are those of pipeline/deliver; Dial nil: no mail is
	// configured.
	Compose func(deliver.Letter) (*deliver.Message, error)
	Dial    func(ctx context.Context) (deliver.Line, error)

	From        mail.Address
	ReplyTo     mail.Address
	Academy     deliver.Academy
	Unsubscribe *url.URL
	Lang        string // where the roster says none
	Imperial    bool

	Auto    bool   // release what is certain without asking
	Others  string // OthersAsk, OthersBlur or OthersAllow
	Again   bool   // what is unsure is sent again without asking
	PerHour int    // addresses written to within an hour

	Zone *time.Location
	Log  *slog.Logger
	// The rest may be left out.
	Now      func() time.Time
	Backoff  func(try int) time.Duration
	Patience time.Duration // how long a release is tried; a day
}

// Outbox is safe for use by several goroutines.
type Outbox struct {
	o Options

	mu    sync.Mutex
	down  int                  // dials that failed in a row
	rest  time.Time            // no dial before, for Run
	unfit map[string]time.Time // packing failed, by lesson: not again before
}

// New makes an outbox.
func New(o Options) *Outbox {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Backoff == nil {
		o.Backoff = Backoff
	}
	if o.Patience == 0 {
		o.Patience = 24 * time.Hour
	}
	if o.PerHour == 0 {
		o.PerHour = 100
	}
	if o.Others == "" {
		o.Others = OthersAsk
	}
	return &Outbox{o: o, unfit: map[string]time.Time{}}
}

// Backoff is five minutes after the first refusal for now, which is what
// greylisting asks for (RFC 6647, 4.2: delays of a minute to a day; most wait
// for less than five), then ten, twenty …, at most four hours.
func Backoff(try int) time.Duration {
	d := 5 * time.Minute
	for range min(max(try, 1)-1, 10) {
		d *= 2
	}
	return min(d, 4*time.Hour)
}

// Why is a reason for which a lesson doesn't leave: a code of words.Lang.Outbox
// and what it is about. Path is the file concerned.
type Why struct {
	Reason string `json:"reason"`
	Detail string `json:"detail,omitempty"`
}

func (w *Why) Error() string { return strings.TrimSpace(w.Reason + " " + w.Detail) }

// Reasons.
const (
	// of the roster
	NoRoster   = "no_roster"
	Unknown    = "unknown_player"
	NoFilm     = "no_film"
	NoMail     = "no_mail"
	NoGuardian = "no_guardian"
	Renamed    = "renamed"
	Unnamed    = "unnamed"
	Strangers  = "strangers" // an address that was no guardian's when the lesson was made, or released
	// of the ledger
	Moved      = "moved"
	Held       = "is_held"
	IsReleased = "is_released"
	IsSent     = "is_sent"
	IsUnsure   = "is_unsure"
	IsOver     = "is_over"
	// of the lesson
	NoLesson   = "no_lesson"
	NotPacked  = "not_packed"
	NoClip     = "no_clip" // for Pack: the clip it was read from isn't known
	OthersSeen = "others_seen"
	OtherSide  = "other_side" // the picture looks like the other batting side than was given: another player's clip?
	Changed    = "changed"
	NotRedrawn = "not_redrawn" // corrected, and not made again since
	// why the rule doesn't release it
	ForCoach  = "for_coach"
	Untold    = "untold"
	Doubtful  = "doubtful"
	NothingIn = "nothing_in"
	TooOld    = "too_old"
	// of the sending
	NoServer  = "no_server"
	NotNow    = "not_now"
	TooLate   = "too_late"
	NotTaken  = "not_taken"
	PartTaken = "part_taken"
	Died      = "died"
	NotMade   = "not_made"
	PerHour   = "per_hour"
	NoMailSet = "no_mail_set"
)

// Reasons are all codes, for the test of the words.
var Reasons = []string{NoRoster, Unknown, NoFilm, NoMail, NoGuardian, Renamed, Unnamed, Strangers, Moved, Held, IsReleased, IsSent, IsUnsure, IsOver,
	NoLesson, NotPacked, NoClip, OthersSeen, OtherSide, Changed, NotRedrawn, ForCoach, Untold, Doubtful, NothingIn, TooOld, NoServer, NotNow, TooLate, NotTaken, PartTaken, Died, NotMade, PerHour, NoMailSet}

// Mask shows enough of an address to be recognised by who knows it:
// a***@example.org.
func Mask(address string) string {
	at := strings.LastIndexByte(address, '@')
	if at < 0 {
		return "***"
	}
	first := ""
	for _, r := range address[:at] {
		first = string(r)
		break
	}
	return first + "***" + address[at:]
}

// masked is a server's answer with the addresses masked that it repeats.
func masked(answer string, addresses []string) string {
	for _, a := range addresses {
		answer = regexp.MustCompile("(?i)"+regexp.QuoteMeta(a)).ReplaceAllLiteralString(answer, Mask(a))
	}
	return answer
}

// Masked are addresses masked, sorted.
func Masked(addresses []string) []string {
	out := []string{}
	for _, a := range addresses {
		out = append(out, Mask(a))
	}
	slices.Sort(out)
	return out
}

// today is the calendar day as a roster writes it.
func (o *Outbox) today() time.Time {
	t := o.o.Now().In(o.o.Zone)
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}
