package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/outbox"
)

var sendCommand = command{
	name:  "send",
	about: "send what is released, once",
	usage: `usage: tapeline send [flags]

Hands every released lesson whose time has come to the mail server, and ends.
Before each everything is looked at again: consents, names, addresses, files.
Where not all of them were delivered the exit code is 8; "tapeline waiting" and
"tapeline sent" tell more.

  --json          the outcome as one JSON object
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

var previewCommand = command{
	name:  "preview",
	about: "write the letter of a lesson to a file",
	usage: `usage: tapeline preview LESSON [-o FILE] [flags]

Writes the message as it would leave now to FILE (default preview.eml in the
lesson's folder), for any mail program to show. It is not sent, nothing is
opened, and no file is written over.

  -o FILE         where to
  --note TEXT     your own words to the family
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { sendCommand.run, previewCommand.run = send, preview }

func send(ctx context.Context, s streams, args []string) error {
	var asJSON bool
	names, conf, sp, err := yardArgs("send", args, "json", &asJSON)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("send: %q is too much; what is released is sent", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	if y.c.Mail.Host == "" {
		return usage("send: %s", y.text.Outbox[outbox.NoMailSet])
	}
	p, err := y.openPost(ctx, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer p.Close()
	return p.send(ctx, s, asJSON)
}

// send sends once and tells what became of it.
func (p *post) send(ctx context.Context, s streams, asJSON bool) error {
	bar := newBar(s.err, p.text.Outbox["letters"])
	run, err := p.box.Send(ctx, func(n, of int) { bar.tell("send", n, of) })
	bar.end()
	switch {
	case errors.Is(err, outbox.ErrBusy):
		return &pipeline.Error{Fault: pipeline.FaultOutput, What: err.Error(), Hint: "\"tapeline watch\" sends by itself"}
	case ctx.Err() != nil:
		return &pipeline.Error{Fault: pipeline.FaultInterrupted, What: "interrupted; what has not gone goes next time"}
	case err != nil:
		return err
	}
	if asJSON {
		if run.Outcomes == nil {
			run.Outcomes = []outbox.Outcome{}
		}
		if err := writeJSON(s.out, run); err != nil {
			return err
		}
	} else {
		p.told(s, run)
	}
	return sendVerdict(run)
}

func (p *post) told(s streams, run outbox.Run) {
	t := p.text.Outbox
	if len(run.Outcomes)+run.Left == 0 {
		fmt.Fprintln(s.out, t["nothing_due"])
		return
	}
	var rows [][]string
	for _, o := range run.Outcomes {
		rows = append(rows, []string{short(o.Lesson), o.Player, t[o.State], p.why(o.Why)})
	}
	table(s.out, rows)
	if run.Left > 0 {
		fmt.Fprintf(s.out, t["later_n"], run.Left)
		if !run.Next.IsZero() {
			fmt.Fprintf(s.out, " "+t["next_try"], p.stamp(run.Next))
		}
		fmt.Fprintln(s.out)
	}
}

// sendVerdict is the exit code of a sending.
func sendVerdict(run outbox.Run) error {
	sent := run.Count(ledger.Sent)
	switch {
	case sent == len(run.Outcomes) && run.Left == 0:
		return nil
	case sent == 0 && run.Blocked != nil && run.Blocked.Reason == outbox.NoServer:
		return &pipeline.Error{Fault: pipeline.FaultOutput, What: "nothing could be sent: " + run.Blocked.Detail}
	}
	return &pipeline.Error{Fault: pipeline.FaultPartial, What: fmt.Sprintf("lessons not delivered: %d", len(run.Outcomes)-sent+run.Left), Hint: "see tapeline waiting"}
}

func preview(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("preview", flag.ContinueOnError)
	var conf, path, note string
	var sp speech
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	f.StringVar(&path, "o", "", "")
	f.StringVar(&note, "note", "", "")
	names, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(names) != 1 {
		return usage("preview: one lesson, not %d", len(names))
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	if y.c.Mail.From == "" {
		return usage("preview: mail.from is empty; letters need the coach's address")
	}
	p, err := y.openPost(ctx, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer p.Close()
	which, _, err := p.find(ctx, "preview", names)
	if err != nil {
		return err
	}
	if len(which) != 1 {
		return usage("preview: player %s has %d lessons; name one", names[0], len(which))
	}
	if path == "" {
		path = filepath.Join(which[0].Folder, "preview.eml")
	}
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: path, What: "exists already", Hint: "name another file with -o"}
	}
	bar := newBar(s.err, short(which[0].Clip))
	m, _, why, err := p.box.Preview(ctx, which[0], note, bar.tell)
	bar.end()
	if w, ok := reasonOf(err); ok {
		return &pipeline.Error{Fault: pipeline.FaultPartial, Path: which[0].Folder, What: "there is no letter: " + y.why(w)}
	}
	if err != nil {
		return err
	}
	// A family's addresses: its owner's alone, and never over a file that is there.
	out, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: path, What: "can't be written", Err: err}
	}
	_, err = out.Write(m.Raw)
	if err := errors.Join(err, out.Close()); err != nil {
		_ = os.Remove(path)
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: path, What: "can't be written", Err: err}
	}
	fmt.Fprintln(s.out, path)
	fmt.Fprintln(s.out, y.text.Outbox["preview_made"])
	if why != nil {
		fmt.Fprintln(s.out, y.text.Outbox["would_not"], y.why(why))
	}
	return nil
}

// outboxEvery is how often the daemon looks whether something is to be sent.
const outboxEvery = time.Minute
