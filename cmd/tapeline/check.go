package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tapeline/config"
	"tapeline/detect/coach"
	"tapeline/detect/pose"
	"tapeline/pipeline"
	"tapeline/pipeline/deliver"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

var checkCommand = command{
	name:  "check",
	about: "tell what is missing before clips come",
	usage: `usage: tapeline check [flags]

Looks at everything "tapeline watch" and "tapeline nightly" need: configuration,
roster, rules, models, inference library, ffmpeg, folders, free space, queue and
ledger and, where they are configured, the store of files and the mail server
(without sending anything). It changes nothing but for a small file below check/
in the store of files, which it writes, reads back, and removes. For whatever is missing
or wrong it says what to do. The exit code is 0 only where nothing is wrong, 6
where the set-up has to be run, 2 where something has to be put right; where all
else is right 9 if the database, 7 if the store of files or the mail server can't
be reached now: try again.

  --json          one JSON object
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { checkCommand.run = check }

// How a thing that was looked at stands.
const (
	isRight = "right"
	isNoted = "noted" // nothing is wrong, but it should be known
	isWrong = "wrong"
)

// looked is one thing that was looked at.
type looked struct {
	Check  string `json:"check"`
	State  string `json:"state"`
	Code   string `json:"code,omitempty"` // why it isn't right
	About  string `json:"about,omitempty"`
	Detail string `json:"detail,omitempty"`
	Do     string `json:"do,omitempty"`

	away pipeline.Fault // it is right, but can't be reached now; 0: it can
}

// checking gathers what was looked at.
type checking struct {
	text  words.Lang
	all   []looked
	setUp bool // something is wrong that the set-up mends
}

func (k *checking) right(check, about, detail string) {
	k.all = append(k.all, looked{Check: check, State: isRight, About: about, Detail: detail})
}

func (k *checking) add(state, check, code, about, detail string) {
	k.all = append(k.all, looked{Check: check, State: state, Code: code, About: about, Detail: detail, Do: k.text.Work["do_"+code]})
}

func (k *checking) wrong(check, code, about, detail string) {
	k.add(isWrong, check, code, about, detail)
}

// gone is something that can't be reached now: nothing has to be put right here.
func (k *checking) gone(fault pipeline.Fault, check, code, about, detail string) {
	k.wrong(check, code, about, detail)
	k.all[len(k.all)-1].away = fault
}

func (k *checking) note(check, code, about, detail string) {
	k.add(isNoted, check, code, about, detail)
}

func check(ctx context.Context, s streams, args []string) error {
	var asJSON bool
	names, conf, sp, err := yardArgs("check", args, "json", &asJSON)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("check: %q is too much", names[0])
	}
	if sp.lang != "" { // a slip of the command line is no finding
		if _, err := words.For(sp.lang); err != nil {
			return usage("--lang: %v", err)
		}
	}
	k := &checking{text: words.English()}
	if l, err := words.For(sp.lang); err == nil {
		k.text = l
	}
	y, err := openYard(conf, sp)
	if err != nil {
		what := err.Error()
		var e *pipeline.Error
		if errors.As(err, &e) {
			what = e.What
		}
		k.wrong("configuration", "config", "", what)
		y = nil
	} else {
		k.text = y.text
		about := cmp.Or(conf, config.File)
		if _, err := os.Stat(about); err != nil {
			k.note("configuration", "defaults", about, "")
		} else {
			k.right("configuration", about, "")
		}
	}
	home := ""
	if y != nil {
		home = y.c.Home
		k.roster(y.c.Roster)
		k.rules(y.c.Rules)
	}
	partsOf(k, ctx, cmp.Or(home, pose.DefaultDir()))
	for _, p := range []string{"ffmpeg", "ffprobe"} {
		k.program(ctx, p)
	}
	if y != nil {
		k.folders(y)
		k.space(y)
		k.databases(ctx, y)
		k.files(ctx, y)
		k.mail(ctx, y)
	}
	if y == nil {
		k.note("rest", "unchecked", "", "")
	}
	if ctx.Err() != nil {
		return &pipeline.Error{Fault: pipeline.FaultInterrupted, What: "interrupted"}
	}
	return k.tell(s, asJSON)
}

func (k *checking) tell(s streams, asJSON bool) error {
	bad, away := 0, pipeline.Fault(0)
	mine := false // something has to be put right
	for _, l := range k.all {
		if l.State == isWrong {
			bad++
			mine, away = mine || l.away == 0, max(away, l.away)
		}
	}
	if asJSON {
		b, err := json.Marshal(struct {
			OK     bool     `json:"ok"`
			Checks []looked `json:"checks"`
		}{bad == 0, k.all})
		if err != nil {
			return err
		}
		if _, err := s.out.Write(append(b, '\n')); err != nil {
			return err
		}
	} else {
		t := k.text.Work
		for i, l := range k.all {
			about := l.About
			if l.Detail != "" {
				about = strings.TrimSpace(about + " (" + l.Detail + ")")
			}
			fmt.Fprintf(s.out, "%-6s %-15s %s\n", t["check_"+l.State], t["check_"+l.Check], strings.Join(strings.Fields(about), " "))
			// What is the same for several in a row is said once, under the last.
			if l.Do != "" && (i+1 == len(k.all) || k.all[i+1].Do != l.Do) {
				fmt.Fprintf(s.out, "%-6s %-15s → %s\n", "", "", l.Do)
			}
		}
	}
	if bad == 0 {
		return nil
	}
	e := &pipeline.Error{Fault: pipeline.FaultUsage, What: fmt.Sprintf("things to put right: %d", bad)}
	switch {
	case k.setUp:
		e.Fault, e.Hint = pipeline.FaultSetup, "run scripts/setup"
	case !mine:
		e = &pipeline.Error{Fault: away, What: fmt.Sprintf("can't be reached now: %d", bad), Hint: "try again"}
	}
	return e
}

func (k *checking) roster(path string) {
	if path == "" {
		k.wrong("roster", "no_list", "", "")
		return
	}
	r, err := config.ReadRoster(path)
	if err != nil {
		if _, gone := os.Stat(path); errors.Is(gone, fs.ErrNotExist) {
			k.wrong("roster", "list_gone", path, "")
			return
		}
		what := strings.TrimSpace(strings.TrimPrefix(err.Error(), path+":"))
		if line, rest, ok := strings.Cut(what, ":"); ok && strings.Trim(line, "0123456789") == "" {
			what = "line " + line + ":" + rest
		}
		k.wrong("roster", "bad_list", path, what)
		return
	}
	k.right("roster", path, fmt.Sprintf(k.text.Work["players"], len(r.Players)))
	var held []string
	for _, p := range r.Players {
		if !p.Film.On(today()) {
			held = append(held, p.ID)
		}
	}
	if len(held) > 0 {
		k.note("roster", "no_film", strings.Join(held, ", "), "")
	}
	if st, err := os.Stat(path); err == nil && st.Mode().Perm()&0o077 != 0 {
		k.note("roster", "list_open", path, "")
	}
}

// today is the day now is on, as a roster writes it.
func today() time.Time {
	y, m, d := now().Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

func (k *checking) rules(path string) {
	if _, err := coach.RulesFile(path); err != nil {
		what := err.Error()
		var e *pipeline.Error
		if errors.As(err, &e) {
			what = e.What
		}
		k.wrong("rules", "bad_rules", path, what)
		return
	}
	k.right("rules", path, "")
}

// partsOf is a variable for tests: most need not hash the models.
var partsOf = (*checking).parts

// parts are models and inference library: their bytes, and whether they load.
func (k *checking) parts(ctx context.Context, home string) {
	whole := true
	for _, p := range pose.Installed(home) {
		check := "model"
		if p.Name == "" {
			check = "library"
		}
		var e *pipeline.Error
		switch {
		case errors.As(p.Err, &e):
			k.wrong(check, "set_up", p.Path, e.What)
			k.setUp, whole = true, false
		default:
			k.right(check, p.Path, "")
		}
	}
	if !whole || ctx.Err() != nil {
		return
	}
	nets, err := pose.Open(home, pose.Options{})
	if err != nil {
		what := err.Error()
		var e *pipeline.Error
		if errors.As(err, &e) {
			what = e.What
		}
		k.wrong("library", "set_up", home, what)
		k.setUp = true
		return
	}
	_ = nets.Close()
}

// program tells whether ffmpeg or ffprobe is there and runs, and whether ffmpeg
// can write what a lesson is made of.
func (k *checking) program(ctx context.Context, name string) {
	fail := func(about, detail string) {
		k.wrong(name, "no_ffmpeg", about, detail)
		k.setUp = true
	}
	path, err := exec.LookPath(name)
	if err != nil {
		fail("", "")
		return
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	b, err := exec.CommandContext(ctx, path, "-version").Output()
	line, _, _ := strings.Cut(string(b), "\n")
	says := strings.Fields(line)
	if err != nil || len(says) < 3 || says[0] != name || says[1] != "version" {
		fail(path, k.text.Work["no_run"])
		return
	}
	if name == "ffmpeg" {
		b, err := exec.CommandContext(ctx, path, "-v", "error", "-encoders").Output()
		for _, codec := range []string{"libx264", "aac"} {
			if err != nil || !bytes.Contains(b, []byte(" "+codec+" ")) {
				fail(path, codec)
				return
			}
		}
	}
	k.right(name, path, says[2])
}

// folders looks at every folder clips go through.
func (k *checking) folders(y *yard) {
	work := k.folder("work", y.work, "not_yet", isNoted)
	inboxes, err := absolute(y.c.Inboxes())
	if err != nil {
		k.wrong("inbox", "no_folder", "", err.Error())
	}
	for _, d := range inboxes {
		code, state := "no_folder", isWrong
		if len(y.c.Inbox) == 0 {
			code, state = "not_yet", isNoted
		}
		disk := k.folder("inbox", d, code, state)
		if own := y.clash(d); own != "" {
			k.wrong("inbox", "within", d, own)
		}
		if disk != work {
			k.note("inbox", "other_disk", d, "")
		}
	}
	for _, d := range []string{jobs.ArchiveDir, jobs.UnplacedDir, jobs.FailedDir, jobs.LessonsDir} {
		path := filepath.Join(y.work, d)
		disk := k.folder(d, path, "not_yet", isNoted)
		st, err := os.Stat(path)
		if err == nil && st.IsDir() && d != jobs.LessonsDir && st.Mode().Perm()&0o077 != 0 {
			k.wrong(d, "open_to_all", path, st.Mode().Perm().String())
		}
		if disk != work && d == jobs.LessonsDir {
			k.wrong(d, "split", path, "")
		} else if disk != work {
			k.note(d, "other_disk", path, "")
		}
	}
}

// mayWrite tells whether this account may write to a folder; a variable for
// tests, which may run as one that may do everything.
var mayWrite = func(dir string) bool { return unix.Access(dir, unix.R_OK|unix.W_OK|unix.X_OK) == nil }

// folder looks at one folder and gives the disk it lies on, or will: missing
// has that code and state, unless it can't be made.
func (k *checking) folder(check, path, code, state string) (disk uint64) {
	st, err := os.Stat(path)
	at, lacks := path, errors.Is(err, fs.ErrNotExist)
	for lacks && at != filepath.Dir(at) { // the nearest that is there
		at = filepath.Dir(at)
		if st, err = os.Stat(at); !errors.Is(err, fs.ErrNotExist) {
			break
		}
	}
	switch {
	case err != nil:
		k.wrong(check, "shut", path, "")
		return 0
	case !st.IsDir():
		k.wrong(check, "a_file", at, "")
	case lacks && state == isWrong:
		k.add(state, check, code, path, "")
	case !mayWrite(at):
		k.wrong(check, "shut", path, "")
	case lacks:
		k.add(state, check, code, path, "")
	default:
		k.right(check, path, "")
	}
	var u unix.Stat_t
	if unix.Stat(at, &u) == nil {
		disk = uint64(u.Dev)
	}
	return disk
}

// absolute makes paths absolute, leaving the list alone.
func absolute(paths []string) ([]string, error) {
	out := slices.Clone(paths)
	for i, p := range paths {
		abs, err := filepath.Abs(p)
		if err != nil {
			return out[:i], err
		}
		out[i] = abs
	}
	return out, nil
}

// there is the nearest folder of a path that is there.
func there(path string) string {
	for path != filepath.Dir(path) {
		if _, err := os.Stat(path); err == nil {
			break
		}
		path = filepath.Dir(path)
	}
	return path
}

func (k *checking) space(y *yard) {
	at := there(y.work)
	free, err := freeSpace(at)
	if err != nil {
		k.wrong("space", "shut", at, err.Error())
		return
	}
	least, _ := config.ParseBytes(y.c.Limits.Space) // it has been validated
	says := fmt.Sprintf(k.text.Work["space"], k.text.Number(float64(free)/1e9, 1))
	if free < uint64(least) {
		k.wrong("space", "low", "limits.space: "+y.c.Limits.Space, says)
		return
	}
	k.right("space", "", says)
}

// freeSpace is a variable for tests.
var freeSpace = jobs.Free

// databases looks at the store and the ledger without opening them for writing.
func (k *checking) databases(ctx context.Context, y *yard) {
	if _, err := y.c.StoreURL(); err != nil { // it is the store's, and the ledger's alike
		for _, check := range []string{"store", "ledger"} {
			k.wrong(check, "store_password", y.c.StorePasswordFile, oneLine(err))
		}
		return
	}
	book, err := y.ledger()
	if err != nil {
		k.wrong("ledger", "bad_book", y.c.Ledger, oneLine(err))
		return
	}
	if book.url != "" {
		left, leftBook, _ := y.notCarried(ctx) // what is wrong with the database is told below
		for _, d := range []struct {
			check, left string
			look        func(context.Context, string) (jobs.Seen, bool, error)
		}{{"store", left, jobs.Examine}, {"ledger", leftBook, ledger.Examine}} {
			if d.left != "" {
				k.wrong(d.check, "not_carried", d.left, "")
			} else {
				k.database(ctx, book.url, d.check, d.look)
			}
		}
		return
	}
	for _, d := range []struct {
		check, path, bad string
		look             func(context.Context, string) (bool, error)
	}{
		{"store", filepath.Join(y.work, jobs.StoreFile), "bad_store", jobs.Inspect},
		{"ledger", book.file, "bad_book", ledger.Inspect},
	} {
		if _, err := os.Lstat(d.path); errors.Is(err, fs.ErrNotExist) {
			if st, err := os.Stat(there(d.path)); err != nil || !st.IsDir() || !mayWrite(there(d.path)) {
				k.wrong(d.check, "shut", d.path, "")
			} else {
				k.note(d.check, "not_yet", d.path, "")
			}
			continue
		}
		current, err := d.look(ctx, d.path)
		switch {
		case err != nil:
			k.wrong(d.check, d.bad, d.path, oneLine(err))
		case !mayWrite(filepath.Dir(d.path)):
			k.wrong(d.check, "shut", d.path, "")
		case !current:
			k.note(d.check, "older", d.path, "")
		default:
			k.right(d.check, d.path, "")
		}
	}
}

// database looks at one of the two in the database that several machines share.
func (k *checking) database(ctx context.Context, url, check string, look func(context.Context, string) (jobs.Seen, bool, error)) {
	seen, current, err := look(ctx, url)
	if err != nil {
		var e *pipeline.Error
		path := ""
		if errors.As(err, &e) {
			path = e.Path
		}
		var dns *net.DNSError
		if jobs.Away(err) != "" && !(errors.As(err, &dns) && dns.IsNotFound) { // a name that nobody has is misspelt
			k.gone(pipeline.FaultLedger, check, "no_database", path, oneLine(err))
		} else {
			k.wrong(check, "no_database", path, oneLine(err))
		}
		return
	}
	about := jobs.StoreName(url)
	says := fmt.Sprintf(k.text.Work["database"], seen.Server, k.text.Number(seen.Clock.Abs().Seconds(), 1))
	switch {
	case !seen.Sealed:
		k.note(check, "unsealed", about, says)
	case !seen.There:
		k.note(check, "not_yet", about, says)
	case !current:
		k.note(check, "older", about, says)
	default:
		k.right(check, about, says)
	}
}

// files looks at the store of files that several machines share, by using it.
func (k *checking) files(ctx context.Context, y *yard) {
	if (y.c.Store == "") != (y.c.Clips == "") { // one machine may have it so
		check, code := "store", "store_alone"
		if y.c.Store == "" {
			check, code = "clips", "clips_alone"
		}
		k.note(check, code, check, "")
	}
	fail := func(where string, err error) {
		var e *pipeline.Error
		if errors.As(err, &e) && e.Path != "" {
			where = e.Path
		}
		switch {
		case !errors.As(err, &e) || e.Fault != pipeline.FaultOutput:
			k.wrong("clips", "no_files", where, oneLine(err))
		case errors.Is(err, fs.ErrNotExist): // trying again doesn't mount it
			k.wrong("clips", "no_share", where, "")
		default:
			k.gone(pipeline.FaultOutput, "clips", "no_files", where, oneLine(err))
		}
	}
	d, err := y.depot(ctx)
	if err != nil {
		fail("", err)
		return
	}
	if d == nil {
		return
	}
	defer d.Close()
	f, err := d.Check(ctx)
	t := k.text.Work
	if f.Left != "" {
		k.note("clips", "files_left", f.Left, "")
	}
	if err != nil {
		fail(d.Where(), err)
		return
	}
	var says []string
	if f.Bucket {
		says = append(says, fmt.Sprintf(t["bucket"], k.text.Number(f.Ahead.Abs().Seconds(), 0)))
	}
	if f.Versions {
		says = append(says, t["bucket_versions"])
	}
	switch {
	case len(f.Refused) > 0 && f.Bucket:
		k.wrong("clips", "keys_refused", d.Where(), k.rights(f))
	case len(f.Refused) > 0:
		k.wrong("clips", "folder_refused", d.Where(), k.rights(f))
	case f.Open:
		k.note("clips", "files_open", d.Where(), strings.Join(says, "; "))
	default:
		k.right("clips", d.Where(), strings.Join(says, "; "))
	}
	if err := depot.Subscribable(ctx, y.c.ClipsEvents); err != nil {
		k.wrong("clips", "no_events", "clips_events", oneLine(err))
	}
}

// rights says which are missing in a store of files.
func (k *checking) rights(f depot.Facts) string {
	names := func(all []depot.Right) string {
		var out []string
		for _, r := range all {
			s := k.text.Work["may_"+string(r)]
			if f.Bucket {
				s += " " + r.Action()
			}
			out = append(out, s)
		}
		return strings.Join(out, ", ")
	}
	s := fmt.Sprintf(k.text.Work["refused"], names(f.Refused))
	if len(f.Untried) > 0 {
		s += "; " + fmt.Sprintf(k.text.Work["untried"], names(f.Untried))
	}
	return s
}

// oneLine is an error without its path.
func oneLine(err error) string {
	var e *pipeline.Error
	if errors.As(err, &e) {
		return e.What
	}
	return err.Error()
}

// mail looks whether the mail server would take letters, without sending one.
func (k *checking) mail(ctx context.Context, y *yard) {
	m := y.c.Mail
	add := func(state, code, detail string) {
		about := ""
		if m.Host != "" {
			about = m.Host
		}
		k.all = append(k.all, looked{Check: "mail", State: state, Code: code, About: about, Detail: detail, Do: k.text.Outbox["check_"+code]})
	}
	if m.Host == "" {
		add(isNoted, "no_host", "")
		return
	}
	server, err := mailServer(m)
	switch {
	case err != nil:
		add(isWrong, "password", err.Error())
		return
	case m.User != "" && server.Password == "":
		add(isWrong, "password", "")
		return
	}
	server.Timeout = min(server.Timeout, mailPatience)
	line, err := dial(ctx, server)
	switch {
	case errors.Is(err, deliver.ErrSettings):
		add(isWrong, "settings", err.Error())
	case err != nil:
		add(isWrong, "server", err.Error())
		k.all[len(k.all)-1].away = pipeline.FaultOutput
	default:
		_ = line.Close()
		k.right("mail", m.Host, k.text.Outbox["check_takes"])
	}
	if r, err := config.ReadRoster(y.c.Roster); err == nil {
		var not []string
		for _, p := range r.Players {
			if p.Film.On(today()) && (len(p.Guardians) == 0 || !p.Mail.On(today())) {
				not = append(not, p.ID)
			}
		}
		if len(not) > 0 {
			k.all = append(k.all, looked{Check: "mail", State: isNoted, Code: "not_mailed", About: strings.Join(not, ", "), Do: k.text.Outbox["check_not_mailed"]})
		}
	}
	if y.c.Keep == "0" {
		k.all = append(k.all, looked{Check: "keep", State: isNoted, Code: "keep", Do: k.text.Outbox["check_keep"]})
	}
}

// mailPatience is how long the mail server may take for one answer here.
const mailPatience = 15 * time.Second
