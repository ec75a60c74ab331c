package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"

	"tapeline/pipeline"
	"tapeline/pipeline/desk"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/outbox"
)

// deskPost lets lessons go from the desk. What may leave of a lesson is made in
// the background, one after the other: it takes as long as its clip.
type deskPost struct {
	*post
	st   *jobs.Store
	ctx  context.Context // ends with the desk
	log  *slog.Logger
	wait sync.WaitGroup
	line chan struct{} // one at a time

	mu     sync.Mutex
	making map[string]bool   // being prepared, or waiting for that
	said   map[string]string // why the last word on a lesson came to nothing
}

func openDeskPost(y *yard, book *ledger.Ledger, st *jobs.Store, log *slog.Logger) (*deskPost, error) {
	p, err := y.post(book, log)
	if err != nil {
		return nil, err
	}
	return &deskPost{post: p, st: st, log: log, line: make(chan struct{}, 1), making: map[string]bool{}, said: map[string]string{}}, nil
}

// begin sets when what goes on in the background ends; end waits for it.
func (p *deskPost) begin(ctx context.Context) { p.ctx = ctx }

func (p *deskPost) end() { p.wait.Wait() }

// Outs is how far lessons are, by clip.
func (p *deskPost) Outs(ctx context.Context) (map[string]desk.Out, error) {
	items, err := p.box.Items(ctx)
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	out := map[string]desk.Out{}
	for i := range items {
		it := &items[i]
		o := desk.Out{State: "out_" + it.State}
		if it.Why != nil && it.Why.Reason != outbox.ForCoach && it.Why.Reason != outbox.Held && it.Why.Reason != outbox.NotPacked {
			o.Why = p.because(it.Why)
		}
		switch id := it.Lesson.Clip; {
		case p.making[id]:
			o = desk.Out{State: "out_making"}
		case p.said[id] != "" && it.State == outbox.Waits:
			o.Why, o.Asks = p.said[id], true
		}
		out[it.Lesson.Clip] = o
	}
	return out, nil
}

// Families says who would get which lesson.
func (p *deskPost) Families(ctx context.Context, ids []string) ([]desk.Family, error) {
	items, err := p.box.Items(ctx)
	if err != nil {
		return nil, err
	}
	at := map[string]*outbox.Item{}
	for i := range items {
		at[items[i].Lesson.Clip] = &items[i]
	}
	var out []desk.Family
	for _, id := range ids {
		it, ok := at[id]
		if !ok {
			return nil, desk.ErrNone
		}
		f := desk.Family{ID: id, Player: it.Lesson.Player, FirstName: it.Lesson.Name, Day: it.Lesson.Day, To: outbox.Masked(it.To)}
		why, err := p.unfit(ctx, id)
		if err != nil {
			return nil, err
		}
		switch {
		case why != "":
			f.Why = why
		case it.State == ledger.Sent:
			f.Why = p.because(&outbox.Why{Reason: outbox.IsSent})
		case it.State == ledger.Released:
			f.Why = p.because(&outbox.Why{Reason: outbox.IsReleased})
		case it.State == ledger.Unsure:
			f.Why = p.because(&outbox.Why{Reason: outbox.IsUnsure})
		case it.Why == nil, it.State == outbox.HeldNow, it.State == ledger.Refused:
		default:
			switch it.Why.Reason {
			case outbox.NoRoster, outbox.Unknown, outbox.NoFilm, outbox.NoMail, outbox.NoGuardian, outbox.Renamed, outbox.Unnamed, outbox.NoLesson, outbox.Strangers, outbox.OthersSeen:
				f.Why = p.because(it.Why)
			}
		}
		if rep, err := reportOf(it.Lesson.Folder); f.Why == "" && err == nil && outbox.OtherSided(rep) != nil {
			f.OtherSide = p.because(outbox.OtherSided(rep))
		}
		out = append(out, f)
	}
	return out, nil
}

// unfit says why a lesson may not leave as it is now, whoever it is for.
func (p *deskPost) unfit(ctx context.Context, id string) (string, error) {
	c, ok, err := p.st.Clip(ctx, id)
	switch {
	case err != nil || !ok:
		return "", err
	case c.State != jobs.Done:
		return p.text.Desk["no_lesson"], nil
	case mended(&c):
		return p.because(&outbox.Why{Reason: outbox.NotRedrawn}), nil
	}
	return "", nil
}

// heads are the lessons of these ids.
func (p *deskPost) heads(ctx context.Context, ids []string) (out []ledger.Lesson, err error) {
	for _, id := range ids {
		l, ok, err := p.book.Head(ctx, id)
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, desk.ErrNone
		}
		out = append(out, l)
	}
	return out, nil
}

// Hold keeps lessons.
func (p *deskPost) Hold(ctx context.Context, ids []string, who string) error {
	which, err := p.heads(ctx, ids)
	if err != nil {
		return err
	}
	if err := p.box.Hold(ctx, which); err != nil {
		return err
	}
	p.log.Info("held", "lessons", len(which), "by", who)
	return nil
}

// waits holds a lesson that was corrected and has not left: what is in its
// video, and would leave by the rule or by an earlier word, is no longer what
// the coach says. The coach's next word lets it go.
func (p *deskPost) waits(ctx context.Context, id string) error {
	items, err := p.box.Items(ctx)
	if err != nil {
		return err
	}
	for i := range items {
		if it := &items[i]; it.Lesson.Clip == id && (it.State == outbox.Waits || it.State == ledger.Released) {
			return p.box.Hold(ctx, []ledger.Lesson{it.Lesson})
		}
	}
	return nil
}

// Release begins what then goes on in the background.
func (p *deskPost) Release(ctx context.Context, ids []string, word desk.Word) error {
	which, err := p.heads(ctx, ids)
	if err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, l := range which {
		if p.making[l.Clip] {
			continue
		}
		p.making[l.Clip] = true
		p.wait.Go(func() {
			p.line <- struct{}{}
			err := p.one(l, word)
			<-p.line
			p.mu.Lock()
			defer p.mu.Unlock()
			delete(p.making, l.Clip)
			delete(p.said, l.Clip)
			if err != nil && p.ctx.Err() == nil {
				p.said[l.Clip] = p.sentence(err)
			}
		})
	}
	return nil
}

func (p *deskPost) one(l ledger.Lesson, word desk.Word) error {
	if err := p.ctx.Err(); err != nil {
		return err
	}
	if why, err := p.unfit(p.ctx, l.Clip); err != nil || why != "" {
		return errors.Join(err, &pipeline.Error{Fault: pipeline.FaultUsage, What: why})
	}
	ready, err := p.box.Ready(p.ctx, l, word.Others, nil)
	if err != nil {
		return err
	}
	_, err = p.box.Release(p.ctx, ready, outbox.Word{By: ledger.ByCoach, Again: word.Again, NewAddress: word.NewAddress, Named: slices.Contains(word.Named, l.Clip)})
	if err == nil {
		p.log.Info("released", "clip", short(l.Clip), "player", l.Player, "by", word.Who)
	}
	return err
}

// because is a reason in words of the desk: the command line's name its flags.
func (p *deskPost) because(w *outbox.Why) string {
	said, ok := p.text.Desk["why_"+w.Reason]
	switch {
	case !ok:
		return p.why(w)
	case w.Detail != "":
		said += " (" + w.Detail + ")"
	}
	return said
}

// sentence is an error as a coach reads it.
func (p *deskPost) sentence(err error) string {
	if why, ok := reasonOf(err); ok {
		return p.because(why)
	}
	var e *pipeline.Error
	if errors.As(err, &e) {
		return e.What
	}
	p.log.Error("not_released", "err", err)
	return fmt.Sprint(p.text.Desk["not_released"])
}
