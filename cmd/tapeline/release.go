package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/term"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/outbox"
	"tapeline/pipeline/words"
)

var releaseCommand = command{
	name:  "release",
	about: "let lessons leave for their families",
	usage: `usage: tapeline release LESSON… | PLAYER… | --all [flags]

Shows what is about to leave, and to whom (addresses in part), and after a yes
lets it leave: "tapeline watch" sends it within a minute, "tapeline nightly" at
its end, "tapeline send" at once. A lesson is named by its folder or its code in
"tapeline waiting", a player by the short code. Without consent to film and to
mail, or a guardian's address, nothing is released, whatever the flags.

  --all            everything that waits; what is held stays, and what looks like
                   the other batting side than was given: name that lesson itself
  --yes            don't ask
  --dry-run        show, and release nothing
  --again          also a lesson that was sent, or may have been: what is unsure
                   goes out as the very same message
  --new-address    an address came into the roster after the lesson was made,
                   and you know whose it is
  --blur-others    somebody else is in the film: hide them behind coarse blocks
  --allow-others   somebody else is in the film and may be seen; not with --all
  --note TEXT      your own words to the family, with one lesson
  --json           what leaves and what doesn't as one JSON object
  --config FILE  --lang L
`,
}

var holdCommand = command{
	name:  "hold",
	about: "keep lessons from leaving",
	usage: `usage: tapeline hold LESSON… | PLAYER… [flags]

Keeps lessons from leaving until you release them by name. One that is released
and has not gone yet is taken back.

  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { releaseCommand.run, holdCommand.run = release, hold }

// leaves is a lesson that is about to leave, or isn't, as "release" tells of it.
type leaves struct {
	Lesson  string        `json:"lesson"`
	Player  string        `json:"player"`
	Name    string        `json:"-"`
	Day     string        `json:"day"`
	To      []string      `json:"to,omitempty"` // masked
	Files   []outbox.File `json:"files,omitempty"`
	Looked  int           `json:"pictures,omitempty"`
	Seen    int           `json:"others_seen"`
	Blurred int           `json:"others_hidden"`
	Film    string        `json:"film_waits,omitempty"` // why there is none
	// The picture looks like the other batting side than was given.
	OtherSide bool        `json:"other_side,omitempty"`
	Released  bool        `json:"released"`
	Why       *outbox.Why `json:"why,omitempty"`

	ready outbox.Ready
	named bool // itself, not by its player or --all
}

func release(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("release", flag.ContinueOnError)
	var conf, note string
	var sp speech
	var all, yes, dry, again, anew, allow, blur, asJSON bool
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	f.StringVar(&note, "note", "", "")
	for _, b := range []struct {
		to   *bool
		name string
	}{{&all, "all"}, {&yes, "yes"}, {&dry, "dry-run"}, {&again, "again"}, {&anew, "new-address"}, {&allow, "allow-others"}, {&blur, "blur-others"}, {&asJSON, "json"}} {
		f.BoolVar(b.to, b.name, false, "")
	}
	names, err := parse(f, args)
	switch {
	case err != nil:
		return err
	case all == (len(names) > 0):
		return usage("release: name the lessons or players, or --all")
	case allow && blur:
		return usage("release: either --allow-others or --blur-others")
	case allow && all:
		return usage("release: --allow-others is for lessons you have looked at; name them")
	case !utf8.ValidString(note) || len(note) > 5000 || strings.ContainsFunc(note, func(r rune) bool { return unicode.IsControl(r) && r != '\n' }):
		return usage("release: --note is no short text")
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
	which, byPlayer, onWay, err := p.which(ctx, names, again)
	if err != nil {
		return err
	}
	if note != "" && len(which) != 1 {
		return usage("release: --note is for one lesson")
	}
	others := ""
	switch {
	case allow:
		others = outbox.OthersAllow
	case blur:
		others = outbox.OthersBlur
	}
	go_, stay := []leaves{}, []leaves{}
	for _, l := range which {
		x, err := p.look(ctx, s, l, others, anew)
		if err != nil {
			return err
		}
		if why := outbox.OtherSided(&x.ready.Report); why != nil {
			x.OtherSide = true
			if x.named = !byPlayer[l.Clip]; x.Why == nil && !x.named {
				x.Why = why
			}
		}
		if x.Why == nil {
			go_ = append(go_, x)
		} else {
			stay = append(stay, x)
		}
	}
	t := y.text.Outbox
	if !asJSON {
		p.show(s.out, go_, stay, onWay)
	}
	switch {
	case len(go_) == 0 && !asJSON:
		fmt.Fprintln(s.out, t["none_release"])
	case len(go_) > 0 && !dry && !yes:
		if ok, err := asked(s, fmt.Sprintf(t["ask_release"], len(go_)), t["say_yes"], "yes", "si"); err != nil {
			return err
		} else if !ok {
			fmt.Fprintln(s.out, t["not_done"])
			return nil
		}
	}
	n := 0
	for i := range go_ {
		if dry {
			continue
		}
		x := &go_[i]
		_, err := p.box.Release(ctx, x.ready, outbox.Word{By: ledger.ByCoach, Note: note, Again: again, NewAddress: anew, Named: x.named})
		if why, ok := reasonOf(err); ok {
			x.Why = why
			if stay = append(stay, *x); !asJSON {
				fmt.Fprintf(s.out, "%s  %s  %s\n", short(x.Lesson), x.Player, y.why(why))
			}
			continue
		} else if err != nil {
			return err
		}
		x.Released = true
		n++
	}
	if asJSON {
		if err := writeJSON(s.out, struct {
			Leaves []leaves `json:"leaving"`
			Stay   []leaves `json:"not_leaving"`
			Dry    bool     `json:"dry_run"`
		}{go_, stay, dry}); err != nil {
			return err
		}
	} else if dry {
		fmt.Fprintln(s.out, t["dry"])
	} else if n > 0 {
		fmt.Fprintf(s.out, t["released_n"]+" "+t["goes_when"]+"\n", n)
	}
	if len(stay) > 0 {
		return &pipeline.Error{Fault: pipeline.FaultPartial, What: fmt.Sprintf("lessons that don't leave: %d", len(stay)), Hint: "the reasons stand beside them"}
	}
	return nil
}

// which lessons are meant, which of them by their player or --all, and how many
// of those are sent or on their way already.
func (p *post) which(ctx context.Context, names []string, again bool) (out []ledger.Lesson, byPlayer map[string]bool, onWay int, err error) {
	items, err := p.box.Items(ctx)
	if err != nil {
		return nil, nil, 0, err
	}
	named, byPlayer, err := p.find(ctx, "release", names)
	if err != nil {
		return nil, nil, 0, err
	}
	stands := map[string]outbox.Item{}
	for _, it := range items {
		if stands[it.Lesson.Clip] = it; len(names) == 0 {
			named = append(named, it.Lesson)
			byPlayer[it.Lesson.Clip] = true
		}
	}
	for _, l := range named {
		state := stands[l.Clip].State
		switch {
		case !byPlayer[l.Clip]: // named itself
		case state == ledger.Sent || state == ledger.Released:
			onWay++
			continue
		case state == outbox.HeldNow, state == ledger.Unsure && !again:
			continue
		}
		out = append(out, l)
	}
	return out, byPlayer, onWay, nil
}

// look packs a lesson where that is needed and tells what would leave.
func (p *post) look(ctx context.Context, s streams, l ledger.Lesson, others string, anew bool) (x leaves, err error) {
	x = leaves{Lesson: l.Clip, Player: l.Player, Name: l.Name, Day: l.Day}
	bar := newBar(s.err, short(l.Clip))
	x.ready, err = p.box.Ready(ctx, l, others, bar.tell)
	bar.end()
	if why, ok := reasonOf(err); ok {
		x.Why = why
	} else if err != nil {
		var e *pipeline.Error
		if !errors.As(err, &e) || e.Fault != pipeline.FaultPartial {
			return x, err
		}
		x.Why = &outbox.Why{Reason: outbox.NotPacked, Detail: e.What}
	}
	if x.Why == nil && !anew {
		if x.Why, err = p.box.Strangers(ctx, l, x.ready.Family); err != nil {
			return x, err
		}
	}
	lv := x.ready.Leaving
	x.To, x.Files, x.Looked, x.Seen, x.Blurred, x.Film = outbox.Masked(x.ready.Family.Guardians), x.ready.Files, lv.Looked, lv.Seen, lv.Blurred, lv.FilmWaits
	return x, nil
}

// show prints what is about to leave and what isn't.
func (p *post) show(w io.Writer, leaving, stay []leaves, onWay int) {
	t := p.text.Outbox
	if len(leaving) > 0 {
		fmt.Fprintln(w, t["leaves"])
		var rows [][]string
		for _, x := range leaving {
			var files []string
			for _, f := range x.Files {
				files = append(files, f.Name+" "+amount(p.text, f.Size))
			}
			if x.Film != "" {
				files = append(files, t["film_waits"])
			}
			seen := t["nobody_seen"]
			switch {
			case x.Seen > 0 && x.Blurred == x.Seen:
				seen = fmt.Sprintf(t["hidden"], x.Blurred)
			case x.Seen > 0:
				seen = fmt.Sprintf(t["seen"], x.Seen, x.Looked)
			}
			if x.OtherSide {
				seen += "; " + p.text.Warning(pipeline.Warning{Code: "bats_doubtful"})
			}
			rows = append(rows, []string{"  " + short(x.Lesson), x.Player, dash(x.Name), x.Day, strings.Join(x.To, ", "), strings.Join(files, ", "), seen})
		}
		table(w, rows)
	}
	if len(stay) > 0 {
		fmt.Fprintln(w, t["not_leaving"])
		var rows [][]string
		for _, x := range stay {
			rows = append(rows, []string{"  " + short(x.Lesson), x.Player, x.Day, p.why(x.Why)})
		}
		table(w, rows)
	}
	if onWay > 0 {
		fmt.Fprintf(w, t["on_its_way"]+"\n", onWay)
	}
}

// amount of bytes as a person reads it.
func amount(l words.Lang, n int64) string {
	if n < 100_000 {
		return l.Number(float64(n)/1e3, 0) + " kB"
	}
	return l.Number(float64(n)/1e6, 1) + " MB"
}

// asked puts a question on a terminal. Elsewhere nobody can answer: a usage
// error.
func asked(s streams, question string, want ...string) (bool, error) {
	in, ok := s.in.(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return false, usage("nobody can be asked here; add --yes if you mean it")
	}
	fmt.Fprint(s.out, question)
	line, err := bufio.NewReader(in).ReadString('\n')
	if err != nil && line == "" {
		return false, nil
	}
	line = strings.TrimSpace(line)
	return slices.ContainsFunc(want, func(w string) bool { return strings.EqualFold(line, w) }), nil
}

func hold(ctx context.Context, s streams, args []string) error {
	names, conf, sp, err := yardArgs("hold", args, "", nil)
	if err != nil {
		return err
	}
	if len(names) == 0 {
		return usage("hold: name the lessons or players")
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
	which, _, err := p.find(ctx, "hold", names)
	if err != nil {
		return err
	}
	if err := p.box.Hold(ctx, which); err != nil {
		return err
	}
	fmt.Fprintf(s.out, y.text.Outbox["held_n"]+"\n", len(which))
	return nil
}
