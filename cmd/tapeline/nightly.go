package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/outbox"
)

var nightlyCommand = command{
	name:  "nightly",
	about: "make a lesson of everything that waits, once",
	usage: `usage: tapeline nightly [DIR…] [flags]

Does what "tapeline watch" does with everything that waits in the inbox, or in
the folders named, and ends. A table of what became of each clip goes to
standard output, one line for the recording of a whole lesson. Where some clips
could not be read or placed the exit code is 8. At its end what is released is
sent, where a mail server is configured, and what was kept long enough (keep) is
removed.

  --json          the summary as one JSON object instead of the table
  --config FILE   configuration (default tapeline.yaml, if it is there); a roster
                  must be named in it
  --lang L        language of the reasons and lessons: en or es
`,
}

func init() { nightlyCommand.run = nightly }

func nightly(ctx context.Context, s streams, args []string) error {
	var asJSON bool
	dirs, conf, sp, err := yardArgs("nightly", args, "json", &asJSON)
	if err != nil {
		return err
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	st, err := y.store(ctx, true)
	if err != nil {
		return err
	}
	defer st.Close()
	log := y.log(s.err)
	d, err := y.depot(ctx)
	if err != nil {
		return err
	}
	if d != nil {
		defer d.Close()
	}
	e, err := y.engine(st, d, dirs, log)
	if err != nil {
		return err
	}
	sum, err := e.Once(ctx)
	if err != nil {
		return y.busy(err)
	}
	p, err := y.makePost(ctx, log)
	if err != nil {
		return err
	}
	defer p.Close()
	if !asJSON {
		y.printSummary(s, sum)
	}
	posted, err := p.night(ctx, s, st, asJSON)
	if err != nil {
		return err
	}
	if asJSON {
		if sum.Outcomes == nil {
			sum.Outcomes = []jobs.Outcome{}
		}
		if err := json.NewEncoder(s.out).Encode(struct {
			jobs.Summary
			nightlyPost
		}{sum, posted}); err != nil {
			return err
		}
	}
	if err := verdict(sum); err != nil {
		return err
	}
	if posted.Sent != nil {
		return sendVerdict(*posted.Sent)
	}
	return nil
}

// nightlyPost is what a run has sent, and removed because it was kept long
// enough.
type nightlyPost struct {
	Sent      *outbox.Run `json:"sent,omitempty"` // nil: no mail is configured
	Lessons   int         `json:"lessons_removed,omitempty"`
	Originals int         `json:"originals_removed,omitempty"`
}

// night is what comes behind the reading: making what may leave, sending what
// is released, removing what was kept long enough.
func (p *post) night(ctx context.Context, s streams, st *jobs.Store, quiet bool) (n nightlyPost, err error) {
	if n.Lessons, n.Originals, err = p.retire(ctx, st, p.book); err != nil {
		return n, err
	}
	if n.Lessons+n.Originals > 0 && !quiet {
		fmt.Fprintf(s.out, p.text.Outbox["kept_long"]+"\n", n.Lessons, n.Originals)
	}
	if p.c.Mail.Host == "" {
		return n, nil
	}
	if _, err := p.box.Prepare(ctx); err != nil {
		return n, err
	}
	run, err := p.box.Send(ctx, nil)
	switch {
	case errors.Is(err, outbox.ErrBusy):
		return n, nil // whoever is sending sends it
	case err != nil:
		return n, p.busy(err)
	}
	if n.Sent = &run; !quiet && len(run.Outcomes)+run.Left > 0 {
		fmt.Fprintln(s.out)
		p.told(s, run)
	}
	return n, nil
}

func (y *yard) printSummary(s streams, sum jobs.Summary) {
	t := y.text.Work
	if len(sum.Outcomes)+sum.Waiting+sum.Left == 0 {
		fmt.Fprintln(s.out, t["nothing"])
		return
	}
	row(s.out, t["clip"], t["player"], t["what"])
	for _, r := range sum.Recordings {
		if r.State == jobs.Done {
			y.tell(s.out, r)
		}
	}
	for _, o := range sum.Outcomes {
		if o.State == jobs.Scanned || o.Recording != "" && o.State != string(jobs.Failed) {
			continue // it is told of in one line
		}
		what := t[o.State]
		if o.State != jobs.Duplicate && o.State != jobs.Card && o.Reason != "" {
			what += ": " + y.text.Why(o.Reason, o.Detail)
		} else if o.Lesson != "" {
			what += ": " + o.Lesson
		}
		row(s.out, o.Hash[:8], o.Player, what)
	}
	fmt.Fprintln(s.out)
	for _, k := range []string{string(jobs.Done), string(jobs.Failed), string(jobs.Unplaced), string(jobs.Held), jobs.Duplicate, jobs.Card, jobs.Scanned, jobs.Empty} {
		if n := sum.Count(k); n > 0 {
			fmt.Fprintf(s.out, "%s: %d\n", t[k], n)
		}
	}
	if sum.Waiting > 0 {
		fmt.Fprintf(s.out, t["waits"]+"\n", sum.Waiting)
	}
	if sum.Left > 0 {
		fmt.Fprintf(s.out, t["left"]+"\n", sum.Left)
	}
	if sum.Blocked != "" {
		fmt.Fprintln(s.out, y.text.Why(sum.Blocked, ""))
	}
}

// verdict is the exit code of a run: that nothing could be read for want of
// something has its own, a part that was not is FaultPartial.
func verdict(sum jobs.Summary) error {
	bad := sum.Count(string(jobs.Failed)) + sum.Count(string(jobs.Unplaced)) + sum.Count(string(jobs.Held)) + sum.Waiting + sum.Left
	if bad == 0 {
		return nil
	}
	if sum.Count(string(jobs.Done)) == 0 {
		switch sum.Blocked {
		case jobs.NotReady:
			return &pipeline.Error{Fault: pipeline.FaultSetup, What: "no clip could be read: something of the set-up is missing", Hint: "run scripts/setup"}
		case jobs.NoSpace:
			return &pipeline.Error{Fault: pipeline.FaultOutput, What: "no clip could be read: the disk is too full"}
		}
	}
	return &pipeline.Error{Fault: pipeline.FaultPartial, What: fmt.Sprintf("clips without a lesson: %d", bad), Hint: "the reasons stand beside them"}
}
