package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/mail"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/deliver"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/outbox"
	"tapeline/pipeline/words"
)

// post is what the commands that release and send share.
type post struct {
	*yard
	book *ledger.Ledger
	box  *outbox.Outbox
	zone *time.Location
}

// openPost opens the ledger and the outbox. Close gives the ledger back.
func (y *yard) openPost(ctx context.Context, log *slog.Logger) (*post, error) {
	if y.c.Roster == "" {
		return nil, usage("roster: who may be written to must be known; write roster: FILE in %s", config.File)
	}
	at, err := y.ledger()
	if err != nil {
		return nil, err
	}
	book, err := at.open(ctx)
	if err != nil {
		return nil, err
	}
	p, err := y.post(book, log)
	if err != nil {
		return nil, errors.Join(err, book.Close())
	}
	return p, nil
}

// makePost is openPost where there may be no ledger yet.
func (y *yard) makePost(ctx context.Context, log *slog.Logger) (*post, error) {
	at, err := y.ledger()
	if err != nil {
		return nil, err
	}
	book, err := at.create(ctx)
	if err != nil {
		return nil, err
	}
	return y.post(book, log)
}

// post joins the outbox with roster, mail server and packing.
func (y *yard) post(book *ledger.Ledger, log *slog.Logger) (*post, error) {
	m := y.c.Mail
	zone, err := y.c.Zone()
	if err != nil {
		return nil, usage("timezone: %v", err)
	}
	env, err := y.environment()
	if err != nil {
		return nil, err
	}
	o := outbox.Options{
		Ledger: book, Roster: y.families, Compose: deliver.Compose,
		Pack: func(ctx context.Context, l ledger.Lesson, others string, tell pipeline.Progress) error {
			return y.packLesson(ctx, env, l, others, tell)
		},
		Outdated: y.outdated,
		From:     mail.Address{Name: m.Name, Address: m.From}, Academy: deliver.Academy{Name: y.c.Academy.Name, Colour: y.c.Academy.Colour, Foot: y.c.Academy.Foot},
		Lang: y.text.Code, Imperial: y.c.Units == string(words.Imperial), Auto: y.c.Release == "auto", Others: y.c.Others, Again: m.Unsure == "again", PerHour: m.PerHour,
		Zone: zone, Log: log, Now: now,
	}
	if m.ReplyTo != "" {
		o.ReplyTo = mail.Address{Name: m.Name, Address: m.ReplyTo}
	}
	if m.Unsubscribe != "" {
		if o.Unsubscribe, err = url.Parse(m.Unsubscribe); err != nil {
			return nil, usage("mail.unsubscribe: %v", err)
		}
	}
	if m.Host != "" {
		o.Dial = func(ctx context.Context) (deliver.Line, error) {
			server, err := mailServer(m)
			if err != nil {
				return nil, err
			}
			return dial(ctx, server)
		}
	}
	return &post{yard: y, book: book, box: outbox.New(o), zone: zone}, nil
}

// dial is a variable for tests: a server with a certificate of its own.
var dial = deliver.Dial

// mailServer is the configured server; the password is read at the last moment.
func mailServer(m config.Mail) (deliver.Server, error) {
	password, err := m.Password()
	return deliver.Server{Host: m.Host, Port: m.Port, TLS: m.TLS, User: m.User, Password: password, Timeout: m.Timeout, DSN: true}, err
}

// Close gives the ledger back.
func (p *post) Close() error { return p.book.Close() }

// families is the roster as its file is at this moment.
func (y *yard) families() (outbox.Roster, error) {
	r, err := config.ReadRoster(y.c.Roster)
	if err != nil {
		return nil, err
	}
	return func(id string) (outbox.Family, bool) {
		p, ok := r.Player(id)
		return outbox.Family{Name: p.FirstName, Guardians: p.Guardians, Lang: p.Language, Film: p.Film.On, Mail: p.Mail.On}, ok
	}, nil
}

// outdated tells that what lies beside the original of a lesson of the work
// folder was changed at the desk after the lesson was made.
func (y *yard) outdated(l *ledger.Lesson) bool {
	beside := filepath.Join(y.work, jobs.ArchiveDir, filepath.Base(filepath.Dir(l.Folder)), filepath.Base(l.Folder)+jobs.HistoryEnding)
	return changedSince(beside, l.Folder)
}

// packLesson makes what may leave of a lesson in a process of its own, from the
// clip as the store knows it.
func (y *yard) packLesson(ctx context.Context, env []string, l ledger.Lesson, others string, tell pipeline.Progress) error {
	if there, err := y.storeThere(ctx); err != nil {
		return err
	} else if !there {
		return &outbox.Why{Reason: outbox.NoClip}
	}
	st, err := y.store(ctx, false)
	if err != nil {
		return err
	}
	defer st.Close()
	c, ok, err := st.Clip(ctx, l.Clip)
	if err != nil {
		return err
	}
	if _, e := os.Stat(c.Original()); !ok || e != nil {
		return &outbox.Why{Reason: outbox.NoClip}
	}
	folder, err := filepath.Abs(l.Folder)
	if err != nil {
		return err
	}
	memory, _ := config.ParseBytes(y.c.Limits.Memory) // it has been validated
	args := []string{"pack", "--staged", "--json", "--clip", c.Original(), "--others", others, "--max-bytes", y.c.Mail.MaxBytes, "--date", l.Day}
	if f, err := y.families(); err == nil {
		if f, ok := f(l.Player); ok && f.Lang != "" {
			args = append(args, "--lang", f.Lang)
		}
	}
	err = runChild(jobs.Child{Path: own(), Args: append(args, "--", folder), Env: env, Dir: y.work, In: l.Name,
		Limits: jobs.Limits{Time: y.c.Limits.Time, Memory: memory}, Tell: tell}, ctx)
	var slip *jobs.Slip
	if errors.As(err, &slip) {
		fault := pipeline.FaultPartial
		if ctx.Err() != nil {
			fault = pipeline.FaultInterrupted
		}
		return &pipeline.Error{Fault: fault, Step: "pack", Path: l.Folder, What: "what may leave of it could not be made: " + y.text.Why(slip.Reason, slip.Detail)}
	}
	return err
}

// find gives the lessons that names stand for, each once. players tells which
// of them were named by their player.
func (p *post) find(ctx context.Context, command string, names []string) (out []ledger.Lesson, byPlayer map[string]bool, err error) {
	all, err := p.book.Heads(ctx)
	if err != nil {
		return nil, nil, err
	}
	byPlayer, seen := map[string]bool{}, map[string]bool{}
	for _, n := range names {
		found, none, many := outbox.Find(all, n)
		switch {
		case many:
			return nil, nil, usage("%s: %q fits several lessons, or a lesson and a player; write more of it, or its folder", command, n)
		case none:
			return nil, nil, usage("%s: the ledger knows no lesson and no player %q; a lesson is its folder or its code in \"tapeline waiting\"", command, n)
		}
		for _, l := range found {
			if l.Player == n {
				byPlayer[l.Clip] = true
			}
			if !seen[l.Clip] {
				seen[l.Clip] = true
				out = append(out, l)
			}
		}
	}
	return out, byPlayer, nil
}

// why says a reason, and what it is about where that is no name.
func (y *yard) why(w *outbox.Why) string {
	if w == nil {
		return ""
	}
	said := y.text.Outbox[w.Reason]
	if w.Reason == outbox.Unknown || w.Reason == outbox.NoFilm || w.Reason == outbox.NoMail || w.Reason == outbox.NoGuardian || w.Reason == outbox.Renamed ||
		w.Reason == outbox.Unnamed || w.Reason == outbox.Moved || w.Detail == "" {
		return said // the player stands beside it
	}
	return said + " (" + w.Detail + ")"
}

// short is what a lesson is called where its folder is too long.
func short(clip string) string { return clip[:min(8, len(clip))] }

// table writes columns.
func table(w io.Writer, rows [][]string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.TrimRight(strings.Join(r, "\t"), "\t"))
	}
	_ = t.Flush()
}

// stamp is a day and a time as a table has it.
func (p *post) stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(p.zone).Format("2006-01-02 15:04")
}

// reasonOf is the Why in an error, or one made of it.
func reasonOf(err error) (*outbox.Why, bool) {
	var w *outbox.Why
	ok := errors.As(err, &w)
	return w, ok
}

func dash(s string) string { return cmp.Or(s, "-") }

// tend prepares and sends as long as the daemon runs, and removes every night
// what was kept long enough.
func (p *post) tend(ctx context.Context, st *jobs.Store, log *slog.Logger) {
	var wait sync.WaitGroup
	defer wait.Wait()
	if p.c.Mail.Host != "" {
		wait.Go(func() { p.box.Run(ctx, outboxEvery, nil) })
	}
	at, _ := p.c.Night() // it has been validated
	tick := time.NewTicker(outboxEvery)
	defer tick.Stop()
	fails := outbox.Fails{Log: log, What: "keep_failed", Over: "keep_back"}
	for done := ""; ; {
		if night := jobs.Night(now(), p.zone, at); night != done {
			lessons, originals, err := p.retire(ctx, st, p.book)
			if ctx.Err() == nil {
				fails.Note(err)
			}
			if lessons+originals > 0 {
				log.Info("kept_long", "lessons", lessons, "originals", originals)
			}
			if err == nil {
				done = night
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// measured adds where lessons stand to the metrics of the engine.
func (p *post) measured(inner http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		inner.ServeHTTP(w, r)
		if r.Method != http.MethodGet || r.URL.Path != "/metrics" {
			return
		}
		if n, err := p.box.Counts(r.Context()); err == nil {
			fmt.Fprint(w, "# HELP tapeline_lessons Lessons by where they stand on their way to the family.\n# TYPE tapeline_lessons gauge\n")
			for _, s := range outbox.States {
				fmt.Fprintf(w, "tapeline_lessons{state=%q} %d\n", s, n[s])
			}
		}
	})
}
