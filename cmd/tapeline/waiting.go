package main

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"tapeline/pipeline/ledger"
	"tapeline/pipeline/outbox"
)

var waitingCommand = command{
	name:  "waiting",
	about: "tell which lessons have not been sent, and why",
	usage: `usage: tapeline waiting [flags]

Lists every lesson that has not been sent to the family: those that wait for
your word, those that may not leave and why, those that are held, released, not
delivered, or may or may not have been ("unsure").

  --json          one JSON object
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

var sentCommand = command{
	name:  "sent",
	about: "tell what was sent of a player's lessons, when and to whom",
	usage: `usage: tapeline sent PLAYER [flags]

Tells what was released of a player's lessons: when, by whom, and for every
address (shown in part) what the mail server answered.

  --json          one JSON object
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { waitingCommand.run, sentCommand.run = waiting, sent }

// waitingLesson is a lesson as "waiting" tells of it.
type waitingLesson struct {
	Lesson string      `json:"lesson"`
	Player string      `json:"player"`
	Day    string      `json:"day"`
	State  string      `json:"state"`
	Why    *outbox.Why `json:"why,omitempty"`
	To     []string    `json:"to"` // masked
	Next   *time.Time  `json:"next_try,omitempty"`
	Folder string      `json:"folder"`
}

func waiting(ctx context.Context, s streams, args []string) (err error) {
	var asJSON bool
	names, conf, sp, err := yardArgs("waiting", args, "json", &asJSON)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("waiting: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	p, err := y.openPost(ctx, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer p.Close()
	items, err := p.box.Waiting(ctx)
	if err != nil {
		return err
	}
	out := []waitingLesson{}
	for _, it := range items {
		w := waitingLesson{Lesson: it.Lesson.Clip, Player: it.Lesson.Player, Day: it.Lesson.Day, State: it.State, Why: it.Why, To: outbox.Masked(it.To), Folder: it.Lesson.Folder}
		if next := it.Next(); it.State == ledger.Released && !next.IsZero() {
			w.Next = &next
		}
		out = append(out, w)
	}
	if asJSON {
		return writeJSON(s.out, struct {
			Lessons []waitingLesson `json:"lessons"`
		}{out})
	}
	t := y.text.Outbox
	if len(out) == 0 {
		fmt.Fprintln(s.out, t["nothing"])
		return nil
	}
	rows := [][]string{{t["lesson"], t["player"], t["day"], t["state"], t["to"], t["why"]}}
	for _, w := range out {
		why := y.why(w.Why)
		if w.Next != nil {
			why = strings.TrimSpace(why + " " + fmt.Sprintf(t["next_try"], p.stamp(*w.Next)))
		}
		rows = append(rows, []string{short(w.Lesson), w.Player, w.Day, t[w.State], dash(strings.Join(w.To, ", ")), why})
	}
	table(s.out, rows)
	return nil
}

// sentLetter is one address as "sent" tells of it.
type sentLetter struct {
	To        string    `json:"to"` // masked
	State     string    `json:"state"`
	At        time.Time `json:"at,omitzero"` // of the answer
	Code      int       `json:"code"`
	Answer    string    `json:"answer"`
	MessageID string    `json:"message_id"`
	Hash      string    `json:"hash"`
	Size      int64     `json:"size"`
}

// sentRelease is one release as "sent" tells of it.
type sentRelease struct {
	Lesson   string       `json:"lesson"`
	State    string       `json:"state"`
	Why      *outbox.Why  `json:"why,omitempty"`
	By       string       `json:"by"`
	Released time.Time    `json:"released"`
	Letters  []sentLetter `json:"letters"`
}

func sent(ctx context.Context, s streams, args []string) error {
	var asJSON bool
	names, conf, sp, err := yardArgs("sent", args, "json", &asJSON)
	if err != nil {
		return err
	}
	if len(names) != 1 {
		return usage("sent: name one player")
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	p, err := y.openPost(ctx, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer p.Close()
	all, err := p.book.Releases(ctx, names[0])
	if err != nil {
		return err
	}
	out := []sentRelease{}
	for _, r := range all {
		x := sentRelease{Lesson: r.Lesson, State: r.State, By: r.By, Released: r.At, Letters: []sentLetter{}}
		if r.Reason != "" {
			x.Why = &outbox.Why{Reason: r.Reason, Detail: r.Detail}
		}
		for _, l := range r.Letters {
			x.Letters = append(x.Letters, sentLetter{To: outbox.Mask(l.Address), State: l.State, At: l.Ended, Code: l.Code, Answer: l.Answer, MessageID: l.MessageID, Hash: l.Hash, Size: l.Size})
		}
		out = append(out, x)
	}
	if asJSON {
		return writeJSON(s.out, struct {
			Player   string        `json:"player"`
			Releases []sentRelease `json:"releases"`
		}{names[0], out})
	}
	t := y.text.Outbox
	if len(out) == 0 {
		if _, ok, err := p.book.Player(ctx, names[0]); err != nil {
			return err
		} else if !ok {
			return usage("sent: the ledger knows no player %q", names[0])
		}
		fmt.Fprintln(s.out, t["nothing_sent"])
		return nil
	}
	var rows [][]string
	for _, r := range out {
		by := t["by_coach"]
		if r.By == ledger.ByRule {
			by = t["by_rule"]
		}
		rows = append(rows, []string{short(r.Lesson), p.stamp(r.Released), t[ledger.Released] + ", " + by, t[r.State], y.why(r.Why)})
		for _, l := range r.Letters {
			state := l.State
			if state == ledger.Pending && r.State != ledger.Released {
				state = ledger.Refused // it is not tried any more
			}
			answer := l.Answer
			if l.Code > 0 {
				answer = fmt.Sprint(l.Code, " ", answer)
			}
			rows = append(rows, []string{"", p.stamp(l.At), l.To, t[state], answer})
		}
	}
	table(s.out, rows)
	return nil
}
