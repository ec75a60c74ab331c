package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

var forgetCommand = command{
	name:  "forget",
	about: "remove everything there is of a player",
	usage: `usage: tapeline forget PLAYER [--yes] [flags]

Removes for good what there is of the player of that short code: lessons and
their folders, rows of the ledger and of the queue, originals in archive/ with
their notes, voice notes and copies, what lies in inbox/, unplaced/ and failed/
for the player, recordings of whole lessons the player is in, releases and
letters, progress pictures and exports in the work folder. Both databases are
written anew, so that nothing deleted can be read in them, and with them the
files that "tapeline move-store" carried over. A line with day and counts stays,
nothing that tells whom.

Cuts and lessons of other players out of those recordings stay; the recordings
themselves can't be read again. It asks for the player's code first. Stop
"tapeline watch" before. Run it again if it was cut off.

What it can't reach it says: mail that was sent, files you took elsewhere, the
roster's line, machines that were cut off while they read. Run it in the folder
where "watch" and "read" were run: where there is neither a ledger nor a queue it
says where it looked and ends with code 9. Where several machines work, run it on
the one that watches: it has the films. On another it removes nothing.

  --yes           don't ask
  --json          what was removed as one JSON object
  --config FILE  --lang L
`,
}

func init() { forgetCommand.run = forget }

// forgotten is what "forget" removed.
type forgotten struct {
	Player    string   `json:"player"`
	Lessons   int      `json:"lessons"`
	Originals int      `json:"originals"`
	Letters   int      `json:"letters"`
	Files     int      `json:"other_files"`
	Delivered int      `json:"letters_delivered"` // which can't be called back
	Look      []string `json:"look_through"`      // nobody says who is in them
	Mentions  []string `json:"mentions"`          // files that may name the player
	Behind    []string `json:"left_behind"`       // what to do about machines that were cut off and may have a clip
}

func forget(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("forget", flag.ContinueOnError)
	var conf string
	var sp speech
	var yes, asJSON bool
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	f.BoolVar(&yes, "yes", false, "")
	f.BoolVar(&asJSON, "json", false, "")
	names, err := parse(f, args)
	switch {
	case err != nil:
		return err
	case len(names) != 1:
		return usage("forget: name one player")
	case !pipeline.PlayerForm.MatchString(names[0]):
		return usage("forget: %q is no player's code; small letters, digits, - and _, like b07", names[0])
	}
	player := names[0]
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	if err := y.somewhere(ctx, conf); err != nil {
		return err
	}
	t := y.text.Outbox
	if !yes {
		if !asJSON {
			fmt.Fprintf(s.out, t["forget_about"]+"\n", player)
		}
		if ok, err := asked(s, t["forget_ask"], player); err != nil {
			return err
		} else if !ok {
			fmt.Fprintln(s.out, t["not_done"])
			return nil
		}
	}
	if st, err := os.Stat(y.work); err == nil && st.IsDir() {
		unlock, err := jobs.Lock(ctx, y.work)
		if errors.Is(err, jobs.ErrBusy) {
			return &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "another tapeline is at work here; nothing was removed", Hint: "stop \"tapeline watch\" for a moment"}
		}
		if err != nil {
			return y.busy(err)
		}
		defer unlock()
	}
	unlock, err := y.alone(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	out, err := y.forgets(ctx, player)
	if err != nil {
		var e *pipeline.Error
		if ctx.Err() != nil {
			return &pipeline.Error{Fault: pipeline.FaultInterrupted, What: "interrupted; not everything is removed", Hint: "run it again"}
		}
		if errors.As(err, &e) {
			return err
		}
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "not everything is removed: " + err.Error(), Hint: "run it again"}
	}
	if asJSON {
		return writeJSON(s.out, out)
	}
	if out.Lessons+out.Originals+out.Letters+out.Files == 0 {
		fmt.Fprintln(s.out, t["forgot_none"])
	} else {
		fmt.Fprintf(s.out, t["forgot"]+"\n", out.Lessons, out.Originals, out.Letters, out.Files)
	}
	fmt.Fprintln(s.out, t["forget_left"])
	if out.Delivered > 0 {
		fmt.Fprintf(s.out, "  "+t["left_mail"]+"\n", out.Delivered)
	}
	fmt.Fprintln(s.out, "  "+t["left_export"])
	if y.c.Roster == "" {
		fmt.Fprintln(s.out, "  "+t["left_list"])
	} else {
		fmt.Fprintf(s.out, "  "+t["left_roster"]+"\n", player, y.c.Roster)
	}
	for _, b := range out.Behind {
		fmt.Fprintln(s.out, "  "+b)
	}
	for _, l := range []struct {
		key   string
		paths []string
	}{{"left_look", out.Look}, {"left_mentions", out.Mentions}} {
		if len(l.paths) > 0 {
			fmt.Fprintln(s.out, t[l.key])
			for _, p := range l.paths {
				fmt.Fprintln(s.out, "  "+p)
			}
		}
	}
	return nil
}

// ledgers are those that may know a player: that of the work folder or the
// database, and the one that "read" writes where nothing else is said.
func (y *yard) ledgers() (all []book, err error) {
	first, err := y.ledger()
	if err != nil {
		return nil, err
	}
	all = []book{first}
	second, err := bookOf(filepath.Join(y.c.Out, ledger.File), y.c, "")
	second.under = "" // "read" tells its folders from where it runs
	if err == nil && exists(second.file) && (first.url != "" || resolved(first.file) != resolved(second.file)) {
		if second.file, err = filepath.Abs(second.file); err == nil {
			all = append(all, second)
		}
	}
	return all, err
}

// somewhere refuses where there is nothing that could know the player: who stands
// in the wrong folder must not believe that the player was forgotten.
func (y *yard) somewhere(ctx context.Context, conf string) error {
	if err := y.carried(ctx); err != nil {
		return err
	}
	if there, err := y.storeThere(ctx); err != nil || there {
		return err
	}
	all, err := y.ledgers()
	if err != nil {
		return err
	}
	for _, b := range all {
		if b.there(ctx) {
			return nil
		}
	}
	looked := []string{strconv.Quote(all[0].told)}
	if y.c.Store == "" {
		looked = append(looked, strconv.Quote(filepath.Join(y.work, jobs.StoreFile)))
	}
	if out, err := filepath.Abs(filepath.Join(y.c.Out, ledger.File)); err == nil && out != all[0].told {
		looked = append(looked, strconv.Quote(out))
	}
	hint := "is it the configuration that \"tapeline watch\" has?"
	if conf == "" && !exists(config.File) {
		hint = "there is no " + config.File + " here; run it where \"tapeline watch\" runs, or name the file with --config"
	}
	return &pipeline.Error{Fault: pipeline.FaultLedger, What: "nothing was looked through and nothing removed: there is neither a ledger nor a queue here; looked for " + strings.Join(looked, ", "), Hint: hint}
}

// alone makes sure that no other machine takes clips of the store meanwhile, nor
// took them last: it has films in its folders that can't be reached from here.
func (y *yard) alone(ctx context.Context) (unlock func(), err error) {
	if err := y.carried(ctx); err != nil {
		return nil, err
	}
	there, err := y.storeThere(ctx)
	if err != nil || !there || y.c.Store == "" {
		return func() {}, err
	}
	st, err := y.store(ctx, false)
	if err != nil {
		return nil, err
	}
	_, release, err := st.TakerLock(ctx)
	if err != nil {
		if errors.Is(err, jobs.ErrBusy) {
			err = &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "another machine takes clips in for this queue and has films of them; nothing was removed", Hint: "stop \"tapeline watch\" there for a moment, and run it there"}
		}
		_ = st.Close()
		return nil, err
	}
	unlock = func() { release(); _ = st.Close() }
	elsewhere, err := st.OfficeElsewhere(ctx, y.work)
	if err == nil && elsewhere {
		err = &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "another machine was the last to take clips in for this queue and has films of them; nothing was removed",
			Hint: "run it on the machine where \"tapeline watch\" runs; if that one is gone for good, start \"tapeline watch\" here first: then this takes its place"}
	}
	if err != nil {
		unlock()
		return nil, err
	}
	return unlock, nil
}

// forgets removes a player. Files go before the rows that know of them, so
// that what was cut off is found again.
func (y *yard) forgets(ctx context.Context, player string) (out forgotten, err error) {
	out = forgotten{Player: player, Look: []string{}, Mentions: []string{}, Behind: []string{}}
	places, err := y.ledgers()
	if err != nil {
		return out, err
	}
	var books []*ledger.Ledger
	var mine, others []ledger.Lesson
	for _, at := range places {
		if !at.there(ctx) {
			continue
		}
		book, err := at.open(ctx)
		if err != nil {
			return out, err
		}
		defer book.Close()
		books = append(books, book)
		all, err := book.Heads(ctx)
		if err != nil {
			return out, err
		}
		for _, l := range all {
			if l.Player == player {
				mine = append(mine, l)
			} else {
				others = append(others, l)
			}
		}
		releases, err := book.Releases(ctx, player)
		if err != nil {
			return out, err
		}
		for _, r := range releases {
			for _, x := range r.Letters {
				if x.State == ledger.Taken || x.State == ledger.Unsure {
					out.Delivered++
				}
			}
		}
	}
	far, err := y.clearings(ctx)
	if err != nil {
		return out, err
	}
	defer far.close()
	for _, l := range mine {
		if err := y.removeLesson(l, &out); err != nil {
			return out, err
		}
	}
	inboxes, err := absolute(y.c.Inboxes())
	if err != nil {
		return out, err
	}
	removal := jobs.Removal{Work: y.work, Inboxes: inboxes, Known: y.inRoster(), Note: note, Away: far.away(),
		Theirs: func(hash string) bool {
			return slices.ContainsFunc(others, func(l ledger.Lesson) bool { return l.Clip == hash })
		}}
	clips, files, err := far.drops(ctx, y, player, removal)
	if out.Files += files - clips; err != nil {
		return out, err
	}
	if places[0].url != "" {
		if err := y.carriedOver(ctx, player, removal, &out); err != nil {
			return out, err
		}
	}
	if there, err := y.storeThere(ctx); err != nil {
		return out, err
	} else if there {
		st, err := y.store(ctx, false)
		if err != nil {
			return out, err
		}
		defer st.Close()
		if err := far.idle(ctx, y, st, player); err != nil {
			return out, err
		}
		gone, err := st.Forget(ctx, player, removal)
		if clips, out.Files = clips+gone.Clips, out.Files+max(0, gone.Files-gone.Clips); err != nil {
			return out, err
		}
		out.Look = append(out.Look, gone.Look...)
		behind, err := y.leftBehind(ctx, st)
		if out.Behind = append(out.Behind, behind...); err != nil {
			return out, err
		}
	}
	out.Originals = clips
	stored, err := far.lessons(ctx, y, player, mine, others)
	if out.Files += stored; err != nil {
		return out, err
	}
	// Folders of the player's own. A lesson in them may have become another's.
	for _, dir := range []string{filepath.Join(y.work, jobs.ArchiveDir, player), filepath.Join(y.work, jobs.LessonsDir, player)} {
		if err := removeBut(dir, others, &out); err != nil {
			return out, err
		}
	}
	if err := far.again(ctx); err != nil {
		return out, err
	}
	if err := y.traces(player, places[0].file, &out); err != nil {
		return out, err
	}
	originals := out.Originals // which one stone tells
	for _, book := range books {
		gone, err := book.Forget(ctx, player, now().Format(time.DateOnly), originals)
		if err != nil {
			return out, err
		}
		originals = 0
		out.Lessons, out.Letters = out.Lessons+len(gone.Lessons), out.Letters+gone.Letters
		if err := book.Compact(ctx); err != nil {
			return out, err
		}
	}
	return out, nil
}

// carriedOver removes a player from the files that "move-store" carried over and
// left as they were. One that can't be opened is told of: it may name the player.
func (y *yard) carriedOver(ctx context.Context, player string, removal jobs.Removal, out *forgotten) error {
	store, book, err := y.before()
	if err != nil {
		return err
	}
	removal.Rows, removal.Theirs, removal.Away = true, nil, nil
	if exists(store) {
		if _, err := jobs.Inspect(ctx, store); err != nil {
			out.Mentions = append(out.Mentions, store)
		} else if err := func() (err error) {
			st, err := jobs.OpenSQLite(ctx, store)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, st.Close()) }()
			_, err = st.Forget(ctx, player, removal)
			return err
		}(); err != nil {
			return err
		}
	}
	if exists(book) {
		if _, err := ledger.Inspect(ctx, book); err != nil {
			out.Mentions = append(out.Mentions, book)
		} else if err := func() (err error) {
			l, err := ledger.Open(ctx, book)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, l.Close()) }()
			if _, err := l.Forget(ctx, player, now().Format(time.DateOnly), 0); err != nil {
				return err
			}
			return l.Compact(ctx)
		}(); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// inRoster tells which codes the roster has; nil where it can't be read.
func (y *yard) inRoster() func(string) bool {
	if y.c.Roster == "" {
		return nil
	}
	r, err := config.ReadRoster(y.c.Roster)
	if err != nil {
		return nil
	}
	return func(id string) bool { _, ok := r.Player(id); return ok }
}

// removeLesson removes the folder of a lesson: all of it below the work
// folder, elsewhere only what is ours.
func (y *yard) removeLesson(l ledger.Lesson, out *forgotten) error {
	b, err := os.ReadFile(filepath.Join(l.Folder, pipeline.ReportFile))
	if err != nil { // it isn't there any more, or is no lesson
		// Or lies elsewhere than its row says: only what "watch" made is known to
		// have been in a player's folder here, see jobs.LessonsDir.
		if filepath.Dir(filepath.Dir(resolved(l.Folder))) != filepath.Join(resolved(y.work), jobs.LessonsDir) {
			out.Mentions = append(out.Mentions, l.Folder)
		}
		return nil
	}
	var rep struct{ Clip struct{ ID string } }
	if json.Unmarshal(b, &rep) != nil || rep.Clip.ID != l.Clip {
		return nil // another lesson took its place
	}
	rel, err := filepath.Rel(filepath.Join(resolved(y.work), jobs.LessonsDir), resolved(l.Folder))
	if err == nil && rel != "." && rel != ".." && !strings.HasPrefix(rel, "../") {
		out.Files += len(pipeline.Outputs)
		return os.RemoveAll(l.Folder)
	}
	// The report goes last: by it the folder is known.
	ours := append(slices.DeleteFunc(slices.Clone(pipeline.Outputs), func(n string) bool { return n == pipeline.ReportFile }), pipeline.LeavingDir, "preview.eml", pipeline.ReportFile)
	for _, n := range ours {
		p := filepath.Join(l.Folder, n)
		if _, err := os.Lstat(p); err == nil {
			out.Files++
		}
		if err := os.RemoveAll(p); err != nil {
			return err
		}
	}
	if err := os.Remove(l.Folder); err != nil && !errors.Is(err, fs.ErrNotExist) {
		out.Look = append(out.Look, l.Folder) // something else lies in it
	}
	return nil
}

// removeBut removes a folder but for lessons in it that are others'.
func removeBut(dir string, others []ledger.Lesson, out *forgotten) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, e := range entries {
		p := filepath.Join(dir, e.Name())
		if slices.ContainsFunc(others, func(l ledger.Lesson) bool { return resolved(l.Folder) == resolved(p) }) {
			out.Look = append(out.Look, p)
			continue
		}
		if stem := strings.TrimSuffix(p, filepath.Ext(p)); slices.ContainsFunc(out.Look, func(kept string) bool { return strings.HasPrefix(kept, stem+".") }) {
			continue // an original that is another's by now, and what lies beside it
		}
		out.Files++
		if err := os.RemoveAll(p); err != nil {
			return err
		}
	}
	_ = os.Remove(dir) // only if it is empty
	return nil
}

// traceLimit is the largest file that is read for a player's code, bytes.
const traceLimit = 64 << 20

// traces removes what commands wrote of the player into the work folder, and
// lists what else may name him: files of text with the code as a word of its
// own.
func (y *yard) traces(player, book string, out *forgotten) error {
	word := regexp.MustCompile(`(^|[^A-Za-z0-9_-])` + regexp.QuoteMeta(player) + `($|[^A-Za-z0-9_-])`)
	pictures := []string{"progress-" + player + ".png", "progress-" + player + ".svg", "compare.png"}
	for _, n := range pictures {
		switch err := os.Remove(filepath.Join(y.c.Out, n)); {
		case err == nil:
			out.Files++
		case !errors.Is(err, fs.ErrNotExist):
			return err
		}
	}
	return filepath.WalkDir(y.work, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() || path == book {
			return nil
		}
		base := d.Name()
		remove := func() error {
			out.Files++
			return os.Remove(path)
		}
		switch {
		case slices.Contains(pictures, base):
			return remove() // whose two swings a comparison shows nothing says
		case !slices.Contains([]string{".csv", ".json", ".jsonl", ".txt", ".yaml", ".yml", ".html", ".svg", ".eml", ".vtt", ".log"}, strings.ToLower(filepath.Ext(base))):
			return nil
		}
		f, err := os.Open(path)
		if err != nil {
			return nil
		}
		b, err := io.ReadAll(io.LimitReader(f, traceLimit))
		_ = f.Close()
		if err != nil || !word.Match(b) {
			return nil
		}
		if exported(b) {
			return remove()
		}
		out.Mentions = append(out.Mentions, path)
		return nil
	})
}

// exported tells that a file is what "tapeline export" wrote.
func exported(b []byte) bool {
	if bytes.HasPrefix(bytes.TrimPrefix(b, []byte("\xef\xbb\xbf")), []byte("record,player,")) {
		return true
	}
	var x struct {
		Schema  int              `json:"schema"`
		Players *json.RawMessage `json:"players"`
		Lessons *json.RawMessage `json:"lessons"`
	}
	return json.Unmarshal(b, &x) == nil && x.Schema > 0 && x.Players != nil && x.Lessons != nil
}

// retire removes what was kept long enough, by the day it was filmed: lessons,
// their rows and releases, originals. It gives how many lessons and originals.
func (y *yard) retire(ctx context.Context, st *jobs.Store, book *ledger.Ledger) (lessons, originals int, err error) {
	days, err := y.c.KeepDays()
	if err != nil || days == 0 {
		return 0, 0, err
	}
	zone, err := y.c.Zone()
	if err != nil {
		return 0, 0, err
	}
	today := now().In(zone)
	day := today.AddDate(0, 0, -days).Format(time.DateOnly)
	all, err := book.Heads(ctx)
	if err != nil {
		return 0, 0, err
	}
	later := func(hash string) bool {
		return slices.ContainsFunc(all, func(l ledger.Lesson) bool { return l.Clip == hash && l.Day >= day })
	}
	if y.c.Store != "" {
		if err := y.retireBefore(ctx, day, today.Format(time.DateOnly), later); err != nil {
			return 0, 0, err
		}
	}
	far, err := y.clearings(ctx)
	if err != nil {
		return 0, 0, err
	}
	defer far.close()
	var ids []string
	var old, young []ledger.Lesson
	var files forgotten
	for _, l := range all {
		if l.Day >= day {
			young = append(young, l)
			continue
		}
		if err := y.removeLesson(l, &files); err != nil {
			return 0, 0, err
		}
		old, ids = append(old, l), append(ids, l.Clip)
	}
	if len(old) > 0 {
		if _, err := far.lessons(ctx, y, "", old, young); err != nil {
			return 0, 0, err
		}
	}
	gone, err := st.Old(ctx, jobs.Removal{Work: y.work, Away: far.away()}, day, later)
	if err != nil || len(ids)+gone.Clips == 0 {
		return 0, gone.Clips, err
	}
	if _, err := book.Drop(ctx, ids, today.Format(time.DateOnly), gone.Clips); err != nil {
		return 0, gone.Clips, err
	}
	return len(ids), gone.Clips, book.Compact(ctx)
}
