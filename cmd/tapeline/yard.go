package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/inbox"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

// yard is what watch, nightly, status and retry share: the work folder and what
// is configured of it, every path absolute.
type yard struct {
	c    config.Config
	work string
	text words.Lang
}

func openYard(conf string, sp speech) (*yard, error) {
	c, err := load(conf)
	if err != nil {
		return nil, err
	}
	y := &yard{c: c}
	if y.text, err = sp.over(c); err != nil {
		return nil, err
	}
	if y.work, err = filepath.Abs(c.Work); err != nil {
		return nil, usage("work: %v", err)
	}
	return y, nil
}

// log is one line an event.
func (y *yard) log(w io.Writer) *slog.Logger {
	var level slog.Level
	_ = level.UnmarshalText([]byte(y.c.Log.Level)) // it has been validated
	o := &slog.HandlerOptions{Level: level}
	if y.c.Log.Format == "json" {
		return slog.New(slog.NewJSONHandler(w, o))
	}
	return slog.New(slog.NewTextHandler(w, o))
}

// engine joins the work folder with the reading. dirs take the place of the
// configured inbox; d is where several machines meet, nil where there is one.
func (y *yard) engine(s *jobs.Store, d *depot.Depot, dirs []string, log *slog.Logger) (*jobs.Engine, error) {
	o, err := y.options(d, log)
	if err != nil {
		return nil, err
	}
	if o.Inbox, err = y.inboxes(dirs); err != nil {
		return nil, err
	}
	if d != nil {
		o.Feed = y.feed(d, s, o.Inbox[0], log)
	}
	return jobs.New(s, o), nil
}

// options are those of an engine that has no inbox.
func (y *yard) options(d *depot.Depot, log *slog.Logger) (o jobs.Options, err error) {
	c := y.c
	if c.Roster == "" {
		return o, usage("roster: who may be filmed must be known; write roster: FILE in %s", config.File)
	}
	r := &liveRoster{path: c.Roster, log: log}
	if err := r.load(); err != nil {
		return o, usage("%v", err)
	}
	memory, _ := config.ParseBytes(c.Limits.Memory)
	space, _ := config.ParseBytes(c.Limits.Space)
	night, _ := c.Night()
	zone, _ := c.Zone()
	book, err := y.ledger()
	if err != nil {
		return o, err
	}
	env, err := y.environment()
	if err != nil {
		return o, err
	}
	limits := jobs.Limits{Time: c.Limits.Time, Memory: memory}
	if d != nil { // an interface that holds nil isn't nil
		o.Depot = d
	}
	return jobs.Options{
		Depot: o.Depot, Name: c.Worker.Called(), Silence: c.Worker.Silence, Version: version(),
		Work: y.work, Settle: c.Settle, Cap: c.Cap, Poll: c.Poll,
		Jobs: c.Jobs, Tries: c.Tries, Limits: limits, Space: uint64(space), Nightly: night, Zone: zone,
		Roster: r, Ready: r.ready, Note: note, Spans: carded(env, limits, c.Tries), Recorded: recorded, Long: recordingLength, Say: y.text.Why, Log: log,
		Scan: func(ctx context.Context, j jobs.Reading) error { return scanChild(env, j).Run(ctx) },
		Read: func(ctx context.Context, j jobs.Reading) error {
			p, _ := r.player(j.Clip.Player)
			file, done, err := book.forReading(ctx, j.Clip.Player, j.Out)
			if err != nil {
				return err
			}
			defer done()
			return runChild(child(p, file, env, j), ctx)
		},
		Record: func(ctx context.Context, clip jobs.Clip, dir string, still jobs.Still) error {
			p, _ := r.player(clip.Player)
			return record(ctx, book, p, clip, dir, still, now().In(zone))
		},
		Relate: func(ctx context.Context) error {
			if d == nil || !book.there(ctx) {
				return nil
			}
			l, err := book.open(ctx)
			if err != nil {
				return err
			}
			return errors.Join(l.Relate(ctx, y.work), l.Close())
		},
		Doubt: func(ctx context.Context, clip jobs.Clip) error {
			l, err := book.create(ctx)
			if err != nil {
				return err
			}
			return errors.Join(l.Hold(ctx, clip.Hash, now()), l.Close())
		},
	}, nil
}

// inboxes are the folders clips are dropped in: those named, else those that are
// configured.
func (y *yard) inboxes(named []string) (dirs []string, err error) {
	if dirs = named; len(named) == 0 {
		dirs = y.c.Inboxes()
	}
	for i, d := range dirs {
		abs, err := filepath.Abs(d)
		if err != nil {
			return nil, usage("%q: %v", d, err)
		}
		if dirs[i] = abs; len(named) == 0 && len(y.c.Inbox) == 0 {
			if err := os.MkdirAll(abs, 0o777); err != nil {
				return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Path: abs, What: "can't be created", Err: err}
			}
		}
		if own := y.clash(dirs[i]); own != "" {
			return nil, usage("%q can't be an inbox: it and %s lie in each other", d, own)
		}
	}
	return dirs, nil
}

// clash is the folder of ours that lies in an inbox, or that it lies in; links
// don't hide it. Both paths are absolute.
func (y *yard) clash(dir string) string {
	in := func(dir, path string) bool {
		rel, err := filepath.Rel(dir, path)
		return err == nil && rel != ".." && !strings.HasPrefix(rel, "../")
	}
	at, work := resolved(dir), resolved(y.work)
	for _, own := range []string{jobs.ArchiveDir, jobs.FailedDir, jobs.UnplacedDir, jobs.LessonsDir, "taken", "staging"} {
		path := resolved(filepath.Join(work, own))
		if in(at, path) || in(path, at) {
			return own
		}
	}
	return ""
}

// resolved is a path with every link in what is there of it resolved.
func resolved(path string) string {
	if p, err := filepath.EvalSymlinks(path); err == nil {
		return p
	}
	if up := filepath.Dir(path); up != path {
		return filepath.Join(resolved(up), filepath.Base(path))
	}
	return path
}

// runChild is a variable for tests: forty readings take minutes.
var runChild = jobs.Child.Run

// own is this program, to be run once more.
func own() string {
	exe, err := os.Executable()
	if err != nil {
		return os.Args[0]
	}
	return exe
}

// scanChild is the scan of a recording in a process of its own.
func scanChild(env []string, j jobs.Reading) jobs.Child {
	return jobs.Child{Path: own(), Args: []string{"scan", "--staged", "--json", "--cut", filepath.Join(j.Out, jobs.CutsDir), "--", j.Clip.Original()},
		Env: env, Dir: j.Out, Limits: j.Limits, Tell: j.Tell}
}

// child is the reading of one clip in a process of its own.
func child(p config.Player, book string, env []string, j jobs.Reading) jobs.Child {
	args := []string{"read", "--staged", "--json", "--out", j.Out, "--ledger", book, "--player", j.Clip.Player}
	if j.Clip.Dated {
		args = append(args, "--date", j.Clip.Day)
	}
	if j.Clip.Final != "" { // it is made anew
		args = append(args, "--track", filepath.Join(j.Clip.Final, pipeline.TrackFile))
	}
	return jobs.Child{Path: own(), Args: append(args, "--", j.Clip.Original()), Env: slices.Concat(env, playerEnv(p)), Dir: j.Out, In: p.FirstName, Limits: j.Limits, Tell: j.Tell}
}

// environment is all that a reading knows of the configuration: no secret is in
// it, and nothing is inherited but where things lie.
func (y *yard) environment() (env []string, err error) {
	for _, k := range []string{"PATH", "HOME", "TMPDIR", "TZ", "LANG", "LC_ALL", "XDG_CACHE_HOME", "LD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(k); ok {
			env = append(env, k+"="+v)
		}
	}
	c := y.c
	if c.Timezone != "Local" { // whose day it is: a container's own is UTC
		env = append(env, "TZ="+c.Timezone)
	}
	for _, p := range []*string{&c.Home, &c.Rules} {
		if *p != "" {
			if *p, err = filepath.Abs(*p); err != nil {
				return nil, err
			}
		}
	}
	for k, v := range map[string]string{
		"HOME": c.Home, "RULES": c.Rules, "LANG": y.text.Code, "UNITS": c.Units, "POSE_QUALITY": c.Pose.Quality, "DECODER": c.Decoder,
		"CAMERA_VIEW": c.Camera.View, "CAMERA_DISTANCE": c.Camera.Distance,
		"BATTER_LEVEL": c.Batter.Level, "BATTER_SPORT": c.Batter.Sport,
	} {
		if v != "" {
			env = append(env, "TAPELINE_"+k+"="+v)
		}
	}
	return env, nil
}

// playerEnv is what the roster knows of a player, below what a sidecar says.
func playerEnv(p config.Player) (env []string) {
	for k, v := range map[string]string{"LANG": p.Language, "BATTER_BATS": string(p.Bats), "BATTER_LEVEL": string(p.Level), "BATTER_SPORT": string(p.Sport)} {
		if v != "" {
			env = append(env, "TAPELINE_"+k+"="+v) // the last of a name counts
		}
	}
	if p.HeightCM > 0 {
		env = append(env, "TAPELINE_BATTER_HEIGHT="+strconv.FormatFloat(p.HeightCM, 'f', -1, 64)+"cm")
	}
	return env
}

// record puts a published lesson into the ledger, which knows it by its clip.
func record(ctx context.Context, book book, p config.Player, clip jobs.Clip, dir string, still jobs.Still, at time.Time) (err error) {
	b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
	if err != nil {
		return err
	}
	var rep pipeline.Report
	if err := json.Unmarshal(b, &rep); err != nil {
		return err
	}
	l, err := book.create(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	e := ledger.Entry{Player: clip.Player, Name: p.FirstName, Guardians: p.Guardians, Folder: dir, Report: rep, At: at, Still: still}
	if clip.Dated {
		e.Day = clip.Day
	}
	if clip.Stored != "" { // each machine has it below its own work folder
		e.Folder, e.Fence = filepath.Join(jobs.LessonsDir, clip.Player, filepath.Base(clip.Final)), clip.Fence
	}
	if _, err = l.Record(ctx, e); errors.Is(err, ledger.ErrStale) {
		err = jobs.ErrStale
	}
	return err
}

// note is what a sidecar says of where its clip belongs.
func note(path string) (inbox.Note, error) {
	s, err := config.ReadSidecar(path)
	n := inbox.Note{Player: s.Player, Day: s.Date}
	for _, p := range s.Players {
		from, to := p.Seconds()
		n.Players = append(n.Players, inbox.Span{From: from, To: to, Player: p.ID})
	}
	return n, err
}

// liveRoster is the roster as its file is now: consents are withdrawn without
// anybody starting the daemon anew. While the file can't be read nobody is
// known, so that nothing is read on an old consent.
type liveRoster struct {
	path string
	log  *slog.Logger

	mu   sync.Mutex
	mod  time.Time
	size int64
	now  *config.Roster
}

func (r *liveRoster) load() error {
	st, err := os.Stat(r.path)
	if err == nil && r.now != nil && st.Size() == r.size && st.ModTime().Equal(r.mod) {
		return nil
	}
	all, err := config.ReadRoster(r.path)
	if err != nil {
		r.now = nil
		return err
	}
	r.now = all
	if st != nil {
		r.mod, r.size = st.ModTime(), st.Size()
	}
	return nil
}

func (r *liveRoster) player(id string) (config.Player, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.load(); err != nil {
		r.log.Error("roster_unread") // what is wrong with it "tapeline check" says: it may quote a name or an address
		r.log.Debug("roster_unread", "err", err)
		return config.Player{}, false
	}
	return r.now.Player(id)
}

// players are all, in the order of the file.
func (r *liveRoster) players() []config.Player {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.load(); err != nil {
		return nil
	}
	return r.now.Players
}

// ready tells whether the file can be read.
func (r *liveRoster) ready() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.load()
}

// Known implements inbox.Roster.
func (r *liveRoster) Known(id string) bool {
	_, ok := r.player(id)
	return ok
}

// Film implements inbox.Roster.
func (r *liveRoster) Film(id string, day time.Time) bool {
	p, ok := r.player(id)
	return ok && p.Film.On(day)
}

// busy says that another program has the folder.
func (y *yard) busy(err error) error {
	if errors.Is(err, jobs.ErrOffice) {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "another machine takes clips in for this queue", Hint: "one machine watches; on others run \"tapeline work\""}
	}
	if errors.Is(err, jobs.ErrBusy) {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "another tapeline is at work here", Hint: "\"tapeline watch\" does the night's run itself"}
	}
	var e *pipeline.Error
	if err == nil || errors.As(err, &e) {
		return err
	}
	if errors.Is(err, context.Canceled) {
		return &pipeline.Error{Fault: pipeline.FaultInterrupted, What: "interrupted; what is waiting goes on next time"}
	}
	return &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: err.Error()}
}

// row writes columns of a table.
func row(w io.Writer, clip, player, what string) {
	fmt.Fprintf(w, "%-10s %-12s %s\n", clip, player, what)
}

// tell writes what became of a recording that was cut apart, and what of it needs
// somebody.
func (y *yard) tell(w io.Writer, r jobs.Recording) {
	row(w, r.Hash[:8], r.Player, y.whole(r))
	for _, l := range r.Left {
		row(w, "", l.Player, fmt.Sprintf("%d × %s: %s", l.N, y.text.Work[string(l.State)], y.text.Why(l.Reason, l.Detail)))
	}
}

// whole says in one line what became of a recording and its cuts.
func (y *yard) whole(r jobs.Recording) string {
	t := y.text.Work
	parts := []string{fmt.Sprintf("%s: %d", t["possible"], r.Candidates)}
	for _, p := range []struct {
		key string
		n   int
	}{{"lessons", r.Lessons}, {jobs.Empty, r.Empty}, {string(jobs.Unplaced), r.Unplaced}, {string(jobs.Held), r.Held}, {string(jobs.Failed), r.Failed}, {string(jobs.Waiting), r.Waiting}} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%s: %d", t[p.key], p.n))
		}
	}
	return t["recording"] + ": " + strings.Join(parts, ", ")
}

// going says how far a step is.
func (y *yard) going(step string, part, whole int) string {
	if said, ok := y.text.Work[step]; ok {
		step = said
	}
	return fmt.Sprintf(y.text.Work["step"], step, part, whole)
}

// yardArgs reads the arguments that all commands of the work folder have: the
// configuration and the language, and one switch of the command's own where it
// has one.
func yardArgs(command string, args []string, name string, on *bool) (names []string, conf string, sp speech, err error) {
	f := flag.NewFlagSet(command, flag.ContinueOnError)
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&sp.lang, "lang", "", "")
	if on != nil {
		f.BoolVar(on, name, false, "")
	}
	names, err = parse(f, args)
	return names, conf, sp, err
}
