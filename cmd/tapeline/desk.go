package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/image/draw"

	"tapeline/config"
	"tapeline/detect/coach"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/desk"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
)

var deskCommand = command{
	name:  "desk",
	about: "look through the lessons in a browser, correct and release them",
	usage: `usage: tapeline desk [flags]

Serves a few pages to a browser on this machine, until it is stopped: the
lessons by day and player, what needs a look on top; each lesson with its
pictures one by one, its phases, points and words to put right; and who gets
what. What is corrected is judged at once and kept in the notes beside the
original in archive/, CLIP.yaml, so that a later reading keeps it; who changed
what and when stands beside it in CLIP.history.jsonl. The video is made again by
"tapeline watch", if it runs, or by the next "tapeline nightly".

The address it prints lets one browser in, once.

  --coach NAME    who is at the desk, for the history (default coach)
  --listen ADDR   where it listens (default 127.0.0.1:0, a free port). Elsewhere
                  than on this machine only with all of:
  --password-file F      the password is its first line, 12 characters or more
  --tls-cert F  --tls-key F   certificate and key, PEM; the names and addresses
                  in the certificate are the ones the desk answers to
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L  --units U    of the pages
`,
}

func init() { deskCommand.run = openDesk }

// deskFlags are those of the desk's door.
type deskFlags struct{ listen, password, cert, key, coach string }

func openDesk(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("desk", flag.ContinueOnError)
	var conf string
	var sp speech
	var d deskFlags
	sp.add(f)
	f.StringVar(&conf, "config", "", "")
	f.StringVar(&d.listen, "listen", "127.0.0.1:0", "")
	f.StringVar(&d.password, "password-file", "", "")
	f.StringVar(&d.cert, "tls-cert", "", "")
	f.StringVar(&d.key, "tls-key", "", "")
	f.StringVar(&d.coach, "coach", "coach", "")
	names, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("desk: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	door, err := d.door()
	if err != nil {
		return err
	}
	shelf, err := openShelf(ctx, y, y.log(s.err))
	if err != nil {
		return err
	}
	defer shelf.Close()
	at, err := net.Listen("tcp", d.listen)
	if err != nil {
		return usage("--listen: %v", err)
	}
	defer at.Close()
	return serveDesk(ctx, s.out, y, door, shelf, at)
}

// door is how the desk is entered.
type door struct {
	deskFlags
	password string
	tls      *tls.Config
	names    []string // that the certificate is for
}

// door checks the flags; what is served elsewhere than here needs a password
// and a certificate.
func (d deskFlags) door() (door, error) {
	out := door{deskFlags: d}
	host, _, err := net.SplitHostPort(d.listen)
	if err != nil {
		return out, usage("--listen: %q is no address; write it like 127.0.0.1:4711", d.listen)
	}
	ip := net.ParseIP(host)
	here := host == "localhost" || ip != nil && ip.IsLoopback()
	if !here && (d.password == "" || d.cert == "" || d.key == "") {
		return out, usage("--listen: %s is not this machine alone; that needs --password-file, --tls-cert and --tls-key", d.listen)
	}
	if d.password != "" {
		b, err := os.ReadFile(d.password)
		if err != nil {
			return out, usage("--password-file: can't be read")
		}
		if st, err := os.Stat(d.password); err == nil && st.Mode().Perm()&0o077 != 0 {
			return out, usage("--password-file: others may read it; chmod 600 %s", d.password)
		}
		line, _, _ := strings.Cut(string(b), "\n")
		if out.password = strings.TrimSpace(line); len([]rune(out.password)) < 12 {
			return out, usage("--password-file: the password has fewer than 12 characters")
		}
	}
	if (d.cert == "") != (d.key == "") {
		return out, usage("--tls-cert and --tls-key go together")
	}
	if d.cert == "" {
		return out, nil
	}
	pair, err := tls.LoadX509KeyPair(d.cert, d.key)
	if err != nil {
		return out, usage("--tls-cert: %v", err)
	}
	out.names = append(out.names, pair.Leaf.DNSNames...)
	for _, ip := range pair.Leaf.IPAddresses {
		out.names = append(out.names, ip.String())
	}
	out.tls = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	return out, nil
}

// serveDesk serves until ctx ends.
func serveDesk(ctx context.Context, out io.Writer, y *yard, d door, shelf *deskShelf, at net.Listener) error {
	host, port, err := net.SplitHostPort(at.Addr().String())
	if err != nil {
		return err
	}
	hosts := []string{net.JoinHostPort(host, port)}
	for _, n := range d.names {
		if strings.HasPrefix(n, "*") {
			continue
		}
		hosts = append(hosts, net.JoinHostPort(n, port))
		if port == "443" {
			hosts = append(hosts, n)
		}
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		hosts = append(hosts, net.JoinHostPort("localhost", port))
	}
	scheme := "http"
	if d.tls != nil {
		scheme = "https"
	}
	g := desk.NewGuard(hosts, d.tls != nil, d.password, d.coach, y.text)
	t := y.text.Desk
	if d.password == "" {
		address := func() string { return fmt.Sprintf("%s://%s/enter?token=", scheme, hosts[0]) }
		var another func()
		another = func() {
			fmt.Fprintf(out, "%s\n  %s\n", t["another"], address()+g.Token(another))
		}
		fmt.Fprintf(out, "%s\n  %s\n%s\n", t["open"], address()+g.Token(another), t["open_as"])
	} else {
		name := hosts[0]
		if len(hosts) > 1 {
			name = hosts[1]
		}
		fmt.Fprintf(out, t["asks"]+"\n", fmt.Sprintf("%s://%s/enter", scheme, name))
	}
	srv := desk.Server(desk.New(ctx, desk.Options{Text: y.text, Guard: g, Shelf: shelf, Stills: shelf.stills, Log: shelf.log}), shelf.log)
	go func() {
		<-ctx.Done()
		end, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if srv.Shutdown(end) != nil {
			_ = srv.Close()
		}
	}()
	if d.tls != nil {
		srv.TLSConfig = d.tls
		err = srv.ServeTLS(at, "", "")
	} else {
		err = srv.Serve(at)
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// deskShelf is the work folder as the desk sees it.
type deskShelf struct {
	y      *yard
	st     *jobs.Store
	roster *liveRoster
	rules  []coach.Rule
	ledger *ledger.Ledger
	log    *slog.Logger
	leave  *deskPost // nil: there is no roster

	mu     sync.Mutex
	tracks []openedTrack // the one used last in front
	sheets map[string]openedSheet
}

type openedTrack struct {
	path string
	mod  time.Time
	size int64
	t    *pipeline.Track
}

type openedSheet struct {
	mod  time.Time
	jpeg []byte
}

// Kept in memory.
const (
	mostTracks = 12
	mostSheets = 400
	sheetWide  = 384 // pixels of a small sheet
)

func openShelf(ctx context.Context, y *yard, log *slog.Logger) (*deskShelf, error) {
	d := &deskShelf{y: y, log: log, sheets: map[string]openedSheet{}}
	var err error
	if d.rules, err = coach.RulesFile(y.c.Rules); err != nil {
		return nil, err
	}
	if y.c.Roster != "" {
		d.roster = &liveRoster{path: y.c.Roster, log: log}
		if err := d.roster.ready(); err != nil {
			return nil, usage("%v", err)
		}
	}
	book, err := y.ledger()
	if err != nil {
		return nil, err
	}
	if d.st, err = y.store(ctx, false); err != nil {
		return nil, err
	}
	if d.ledger, err = book.create(ctx); err != nil {
		return nil, errors.Join(err, d.st.Close())
	}
	if d.roster != nil {
		if d.leave, err = openDeskPost(y, d.ledger, d.st, log); err != nil {
			return nil, errors.Join(err, d.ledger.Close(), d.st.Close())
		}
		d.leave.begin(ctx)
	}
	return d, nil
}

// Close ends what goes on; the context of openShelf has ended.
func (d *deskShelf) Close() {
	if d.leave != nil {
		d.leave.end()
	}
	_ = d.ledger.Close()
	_ = d.st.Close()
}

// player of the roster as it is now.
func (d *deskShelf) player(id string) config.Player {
	if d.roster == nil {
		return config.Player{ID: id}
	}
	p, ok := d.roster.player(id)
	if !ok {
		p.ID = id
	}
	return p
}

// Items implements desk.Shelf.
func (d *deskShelf) Items(ctx context.Context) ([]desk.Item, error) {
	clips, err := d.st.Clips(ctx, "")
	if err != nil {
		return nil, err
	}
	lessons, err := d.shown(ctx)
	if err != nil {
		return nil, err
	}
	outs := map[string]desk.Out{}
	if d.leave != nil {
		if outs, err = d.leave.Outs(ctx); err != nil {
			return nil, err
		}
	}
	names := map[string]string{}
	item := func(i desk.Item) desk.Item {
		n, ok := names[i.Player]
		if !ok {
			n = d.player(i.Player).FirstName
			names[i.Player] = n
		}
		i.FirstName = n
		if l, ok := lessons[i.ID]; ok {
			i.Lesson, i.View, i.Bats, i.Day, i.Out, i.Swing = true, l.View, l.Bats, l.Day, outs[i.ID], l.Shown()
			delete(lessons, i.ID)
		}
		return i
	}
	var out []desk.Item
	for i := range clips {
		// Without what has no swing in it: cards, parts of recordings.
		if c := &clips[i]; c.Kind != jobs.KindRecording && (c.State != jobs.Done || c.Final != "") {
			it := item(d.item(c))
			it.Open, it.Mended = it.Lesson && c.Final != "", it.Lesson && mended(c)
			out = append(out, it)
		}
	}
	for id, l := range lessons { // read without the work folder
		out = append(out, item(desk.Item{ID: id, Player: l.Player, State: string(jobs.Done)}))
	}
	return out, nil
}

// shown are the lessons of the ledger by clip.
func (d *deskShelf) shown(ctx context.Context) (map[string]*ledger.Lesson, error) {
	out := map[string]*ledger.Lesson{}
	all, err := d.ledger.Shown(ctx)
	for i := range all {
		out[all[i].Clip] = &all[i]
	}
	return out, err
}

// Fill implements desk.Shelf.
func (d *deskShelf) Fill(ctx context.Context, items []*desk.Item) error {
	for _, i := range items {
		measures, bands, err := d.ledger.Numbers(ctx, i.ID)
		if err != nil {
			return err
		}
		sw := *i.Swing
		sw.Measures = slices.DeleteFunc(measures, func(m pipeline.Measure) bool { return !isHeadline(&m) })
		i.Swing, i.Bands = &sw, bands
	}
	return nil
}

func (d *deskShelf) item(c *jobs.Clip) desk.Item {
	return desk.Item{ID: c.Hash, Player: c.Player, Day: c.Day, State: string(c.State), Reason: c.Reason, Detail: c.Detail, Step: c.Step, Part: c.Part, Whole: c.Whole, Here: c.Final != "", File: filepath.Base(c.Original())}
}

// mended tells that what lies beside the original was changed after the lesson
// was seen.
func mended(c *jobs.Clip) bool {
	return c.Final != "" && changedSince(noteMark(c), c.Final)
}

// changedSince tells that a file was written after what was seen of a lesson.
func changedSince(path, lesson string) bool {
	made, err := os.Stat(filepath.Join(lesson, pipeline.TrackFile))
	if err != nil {
		return false
	}
	v, err := os.Stat(path)
	return err == nil && v.ModTime().After(made.ModTime())
}

// noteMark is the file whose time is that of the last change of what a lesson is
// made by.
func noteMark(c *jobs.Clip) string { return paperOf(c).History }

func paperOf(c *jobs.Clip) desk.Paper {
	stem := filepath.Join(c.Lies, c.Stem)
	return desk.Paper{Notes: stem + ".yaml", History: stem + jobs.HistoryEnding}
}

// clip is the row of a lesson's clip; ErrNone where there is none.
func (d *deskShelf) clip(ctx context.Context, id string) (jobs.Clip, error) {
	c, ok, err := d.st.Clip(ctx, id)
	if err == nil && (!ok || c.Final == "" || c.Kind == jobs.KindRecording) {
		err = desk.ErrNone
	}
	return c, err
}

// Doing implements desk.Shelf.
func (d *deskShelf) Doing(ctx context.Context, id string) (desk.Item, error) {
	c, err := d.clip(ctx, id)
	if err != nil {
		return desk.Item{}, err
	}
	it := d.item(&c)
	it.Lesson, it.Mended = true, mended(&c)
	return it, nil
}

// track is what was seen in a clip; the caller copies what it changes.
func (d *deskShelf) track(c *jobs.Clip) (*pipeline.Track, error) {
	path := filepath.Join(c.Final, pipeline.TrackFile)
	st, err := os.Stat(path)
	if err != nil {
		return nil, desk.ErrNone
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, o := range d.tracks {
		if o.path == path && o.mod.Equal(st.ModTime()) && o.size == st.Size() {
			d.tracks = append([]openedTrack{o}, slices.Delete(d.tracks, i, i+1)...)
			return o.t, nil
		}
	}
	t, err := openTrack(path)
	if err != nil {
		return nil, err
	}
	d.tracks = append([]openedTrack{{path, st.ModTime(), st.Size(), &t}}, d.tracks...)
	d.tracks = d.tracks[:min(len(d.tracks), mostTracks)]
	return &t, nil
}

// Clip implements desk.Shelf.
func (d *deskShelf) Clip(ctx context.Context, id string) (pipeline.Clip, error) {
	c, err := d.clip(ctx, id)
	if err != nil {
		return pipeline.Clip{}, err
	}
	t, err := d.track(&c)
	if err != nil {
		return pipeline.Clip{}, err
	}
	out := t.Clip
	if out.Path = c.Original(); !regular(out.Path) {
		return out, desk.ErrNone
	}
	return out, nil
}

func regular(path string) bool {
	st, err := os.Lstat(path)
	return err == nil && st.Mode().IsRegular()
}

// stills decodes pictures of the original.
func (d *deskShelf) stills(ctx context.Context, id string, from, to int, each func(int, []byte) error) error {
	c, err := d.Clip(ctx, id)
	if err != nil {
		return err
	}
	return clip.Stills(ctx, c, from, to, deskSide, each)
}

// deskSide is the longest side of a picture at the desk, pixels.
const deskSide = 1920

// Lesson implements desk.Shelf.
func (d *deskShelf) Lesson(ctx context.Context, id string) (*desk.Lesson, error) {
	c, err := d.clip(ctx, id)
	if err != nil {
		return nil, err
	}
	t, err := d.track(&c)
	if err != nil {
		return nil, err
	}
	l := &desk.Lesson{Item: d.item(&c), Clip: t.Clip}
	l.FirstName, l.Lesson, l.Mended, l.Here = d.player(c.Player).FirstName, true, mended(&c), regular(c.Original())
	if d.leave != nil {
		outs, err := d.leave.Outs(ctx)
		if err != nil {
			return nil, err
		}
		l.Out = outs[id]
	}
	if rep, err := reportOf(c.Final); err == nil {
		l.Drawn, l.Swing = rep, rep.Chosen()
	}
	p := paperOf(&c)
	b, err := p.Read()
	if err != nil {
		return nil, err
	}
	side, err := config.ParseSidecar(b)
	if err != nil {
		return nil, sidecarFault(p.Notes, err)
	}
	if l.Notes, err = side.JSON(); err != nil {
		return nil, err
	}
	l.Tag = desk.TagOf(b)
	l.Voice = voiceBeside(c.Original()) != ""
	past, err := p.Versions()
	if err != nil {
		return nil, err
	}
	for _, v := range slices.Backward(past) {
		l.History = append(l.History, desk.Change{At: v.At, Who: v.Who, What: v.What})
	}
	if d.roster != nil {
		for _, p := range d.roster.players() {
			l.Players = append(l.Players, desk.Player{ID: p.ID, FirstName: p.FirstName})
		}
	}
	if !slices.ContainsFunc(l.Players, func(p desk.Player) bool { return p.ID == c.Player }) {
		l.Players = append([]desk.Player{{ID: c.Player}}, l.Players...)
	}
	return l, nil
}

// reportOf is the report that a lesson was made by.
func reportOf(dir string) (*pipeline.Report, error) {
	b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
	if err != nil {
		return nil, err
	}
	var rep pipeline.Report
	return &rep, json.Unmarshal(b, &rep)
}

func sidecarFault(path string, err error) error {
	return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "sidecar", Path: path, What: err.Error()}
}

// judging by notes: what a reading of the clip would give.
func (d *deskShelf) judged(ctx context.Context, id string, notes []byte) (c jobs.Clip, side config.Sidecar, rep pipeline.Report, err error) {
	if c, err = d.clip(ctx, id); err != nil {
		return c, side, rep, err
	}
	if side, err = config.ParseSidecar(notes); err != nil {
		return c, side, rep, sidecarFault("", err)
	}
	if tooLate(side.Date) {
		return c, side, rep, sidecarFault("", errors.New("date: "+side.Date+" is yet to come"))
	}
	t, err := d.track(&c)
	if err != nil {
		return c, side, rep, err
	}
	given, err := d.given(&c, t, side)
	if err != nil {
		return c, side, rep, err
	}
	own := *t
	own.Given = given
	rep, err = judging(d.rules)(own, given)
	return c, side, rep, err
}

// given is what a reading of the clip by these notes would be given.
func (d *deskShelf) given(c *jobs.Clip, t *pipeline.Track, side config.Sidecar) (pipeline.Given, error) {
	known := d.y.known(d.player(cmp.Or(side.Player, c.Player)))
	side.Batter, side.Marker = "", "" // followed when the clip was read
	known, err := noted(side, known, "")
	if err != nil {
		return known, err
	}
	known.Batter, known.Marker, known.MarkerAt = t.Given.Batter, t.Given.Marker, t.Given.MarkerAt
	return known, droppable(known.Coach, d.rules, "")
}

// known is what a reading knows of a player's clip without notes: see
// environment and playerEnv.
func (y *yard) known(p config.Player) pipeline.Given {
	c := config.Config{Camera: y.c.Camera, Batter: config.Batter{
		Level: cmp.Or(string(p.Level), y.c.Batter.Level), Sport: cmp.Or(string(p.Sport), y.c.Batter.Sport), Bats: string(p.Bats)}}
	g := configured(c)
	g.HeightCM = p.HeightCM
	return g
}

// Judge implements desk.Shelf.
func (d *deskShelf) Judge(ctx context.Context, id string, notes []byte) (*pipeline.Report, error) {
	_, _, rep, err := d.judged(ctx, id, notes)
	if err != nil {
		return nil, err
	}
	return &rep, nil
}

// Save implements desk.Shelf. What can't be judged isn't kept: a later reading
// would fail by it.
func (d *deskShelf) Save(ctx context.Context, id string, notes []byte, tag, who string) (string, error) {
	c, side, _, err := d.judged(ctx, id, notes)
	if err != nil {
		return "", err
	}
	if err := errors.Join(d.mayBe(side.Player, cmp.Or(side.Date, c.Day)), d.stays(&c)); err != nil {
		return "", err
	}
	p := paperOf(&c)
	was, err := p.Read()
	if err != nil {
		return "", err
	}
	b, err := side.Over(was)
	if err != nil {
		return "", sidecarFault("", err)
	}
	newTag, err := p.Write(b, tag, who, now())
	if errors.Is(err, desk.ErrChanged) {
		return "", d.conflict(p)
	}
	if err != nil {
		return "", notKept(err)
	}
	if err := d.beside(ctx, &c); err != nil {
		return "", err
	}
	if newTag != tag && d.leave != nil {
		err = d.leave.waits(ctx, id)
	}
	return newTag, err
}

// mayBe refuses a player that may not be filmed; empty: it stays as it was.
func (d *deskShelf) mayBe(player, day string) error {
	if player == "" || d.roster == nil {
		return nil
	}
	filmed, err := time.Parse(time.DateOnly, day)
	if err != nil || !d.roster.Film(player, filmed) || !d.roster.Film(player, now().UTC().Truncate(24*time.Hour)) {
		return &pipeline.Error{Fault: pipeline.FaultUsage, What: d.y.text.Desk["unknown_player"]}
	}
	return nil
}

// stays refuses to write beside an original that is gone, or on its way to
// another player: what is written would be left behind.
func (d *deskShelf) stays(c *jobs.Clip) error {
	if !regular(c.Original()) {
		return &pipeline.Error{Fault: pipeline.FaultUsage, What: d.y.text.Desk["not_here"]}
	}
	if c.State == jobs.Done || filepath.Base(c.Lies) == c.Player {
		return nil
	}
	return &pipeline.Error{Fault: pipeline.FaultUsage, What: d.y.text.Desk["redraw_busy"]}
}

func notKept(err error) error {
	return &pipeline.Error{Fault: pipeline.FaultOutput, What: "the notes can't be written", Hint: "is the disk full?", Err: err}
}

func (d *deskShelf) conflict(p desk.Paper) error {
	b, err := p.Read()
	if err != nil {
		return err
	}
	side, err := config.ParseSidecar(b)
	if err != nil {
		return sidecarFault("", err)
	}
	c := &desk.Conflict{Tag: desk.TagOf(b)}
	if c.Notes, err = side.JSON(); err != nil {
		return err
	}
	past, err := p.Versions()
	if n := len(past); n > 0 {
		c.At, c.Who = past[n-1].At, past[n-1].Who
	}
	return errors.Join(err, c)
}

// beside notes in the store what lies beside the original now.
func (d *deskShelf) beside(ctx context.Context, c *jobs.Clip) error {
	return d.st.Beside(ctx, c.Hash, regular(paperOf(c).Notes), filepath.Ext(voiceBeside(c.Original())))
}

// Made implements desk.Shelf.
func (d *deskShelf) Made(ctx context.Context, id, name string) (string, error) {
	c, err := d.clip(ctx, id)
	if err != nil {
		return "", err
	}
	if path := filepath.Join(c.Final, name); slices.Contains(pipeline.Outputs, name) && regular(path) {
		return path, nil
	}
	return "", desk.ErrNone
}

// Voice implements desk.Shelf.
func (d *deskShelf) Voice(ctx context.Context, id string) (string, error) {
	c, err := d.clip(ctx, id)
	if err != nil {
		return "", err
	}
	if path := voiceBeside(c.Original()); path != "" {
		return path, nil
	}
	return "", desk.ErrNone
}

// SetVoice implements desk.Shelf.
func (d *deskShelf) SetVoice(ctx context.Context, id string, sound []byte, who string) error {
	c, err := d.clip(ctx, id)
	if err != nil {
		return err
	}
	if err := d.stays(&c); err != nil {
		return err
	}
	stem := filepath.Join(c.Lies, c.Stem)
	if len(sound) > 0 {
		m4a, err := clip.NoteFrom(ctx, sound)
		if err != nil {
			return err
		}
		if err := desk.Replace(stem+".m4a", m4a); err != nil {
			return notKept(err)
		}
	}
	for _, form := range voiceForms {
		if form != ".m4a" || len(sound) == 0 {
			if err := os.Remove(stem + form); err != nil && !errors.Is(err, os.ErrNotExist) {
				return notKept(err)
			}
		}
	}
	if err := errors.Join(paperOf(&c).Note("voice", who, now()), d.beside(ctx, &c)); err != nil || d.leave == nil {
		return err
	}
	return d.leave.waits(ctx, id)
}

// Redraw implements desk.Shelf.
func (d *deskShelf) Redraw(ctx context.Context, id, who string) error {
	c, err := d.clip(ctx, id)
	if err != nil {
		return err
	}
	side, err := readSidecar(paperOf(&c).Notes)
	if err != nil {
		return err
	}
	if err := d.mayBe(side.Player, cmp.Or(side.Date, c.Day)); err != nil {
		return err
	}
	if !regular(c.Original()) {
		return d.stays(&c)
	}
	err = d.st.Redraw(ctx, id, cmp.Or(side.Player, c.Player))
	if errors.Is(err, jobs.ErrNotDone) {
		key := "redraw_none"
		if slices.Contains([]jobs.State{jobs.Waiting, jobs.Running, jobs.Publishing}, c.State) {
			key = "redraw_busy"
		}
		return &pipeline.Error{Fault: pipeline.FaultUsage, What: d.y.text.Desk[key]}
	}
	d.log.Info("redraw", "clip", c.Short(), "player", c.Player, "by", who)
	return err
}

// Sheet implements desk.Shelf.
func (d *deskShelf) Sheet(ctx context.Context, id string) ([]byte, error) {
	c, err := d.clip(ctx, id)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(c.Final, pipeline.SheetFile)
	st, err := os.Stat(path)
	if err != nil {
		return nil, desk.ErrNone
	}
	d.mu.Lock()
	o, ok := d.sheets[id]
	d.mu.Unlock()
	if ok && o.mod.Equal(st.ModTime()) {
		return o.jpeg, nil
	}
	b, err := smallSheet(path)
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.sheets) >= mostSheets {
		clear(d.sheets)
	}
	d.sheets[id] = openedSheet{st.ModTime(), b}
	return b, nil
}

func smallSheet(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		return nil, err
	}
	b := img.Bounds()
	small := image.NewRGBA(image.Rect(0, 0, sheetWide, max(1, b.Dy()*sheetWide/max(1, b.Dx()))))
	draw.ApproxBiLinear.Scale(small, small.Bounds(), img, b, draw.Src, nil)
	var out bytes.Buffer
	err = jpeg.Encode(&out, small, &jpeg.Options{Quality: 80})
	return out.Bytes(), err
}

// Families implements desk.Shelf.
func (d *deskShelf) Families(ctx context.Context, ids []string) ([]desk.Family, error) {
	if d.leave == nil {
		return nil, d.noRelease()
	}
	return d.leave.Families(ctx, ids)
}

// Release implements desk.Shelf.
func (d *deskShelf) Release(ctx context.Context, ids []string, word desk.Word) error {
	if d.leave == nil {
		return d.noRelease()
	}
	return d.leave.Release(ctx, ids, word)
}

// Hold implements desk.Shelf.
func (d *deskShelf) Hold(ctx context.Context, ids []string, who string) error {
	if d.leave == nil {
		return d.noRelease()
	}
	return d.leave.Hold(ctx, ids, who)
}

func (d *deskShelf) noRelease() error {
	return &pipeline.Error{Fault: pipeline.FaultUsage, What: d.y.text.Desk["no_release"]}
}
