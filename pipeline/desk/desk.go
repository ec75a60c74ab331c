// Package desk is where a coach looks through the lessons of a day, puts right
// what was read, and lets them go: a few pages served to a browser on the same
// machine.
//
//  1. guard.go: nobody comes in without the token of the printed address (or the
//     password); who asks from elsewhere, or for another, is refused
//  2. list.go: lessons by day and player, what needs a look first
//  3. lesson.go: one lesson: its frames, phases and points, judged again at every
//     change from what was seen
//  4. paper.go: the notes beside the original, who changed them and when
//  5. film.go: stills on demand, with the neighbours of the wanted one
//
// It reads no clip and judges nothing itself: what it needs is handed to it as a
// Shelf.
package desk

import (
	"context"
	"embed"
	"encoding/json"
	"errors"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Item is one clip and what became of it.
type Item struct {
	ID        string // SHA-256 of the clip, hex
	Player    string
	FirstName string
	Day       string // 2006-01-02
	State     string // code of words.Lang.Work
	Reason    string // code, with Detail
	Detail    string
	Step      string // of a reading at work, with Part of Whole
	Part      int
	Whole     int
	// Lesson: there is one. View and Bats are its own, Swing is the swing it
	// shows: its contact and findings; Fill adds Bands and the headline measures.
	Lesson bool
	View   pipeline.View
	Bats   pipeline.Side
	Bands  []pipeline.Band
	Swing  *pipeline.Swing
	// Mended: the notes were changed after the lesson was made.
	Mended bool
	Here   bool   // the original is here, so that it can be corrected
	Open   bool   // the lesson can be opened: it is one of the work folder
	File   string // name of the original; empty: none lies in the work folder
	Out    Out
}

// Out is how far a lesson is on its way to the family.
type Out struct {
	State string // code "out_…" of words.Lang.Desk; empty: nothing is known of it
	Why   string // sentence
	Asks  bool   // somebody should look at it because of Why
}

// Word is a coach's word that lessons may leave.
type Word struct {
	Who        string
	Others     string // what is done about other people: "", "blur" or "allow"
	NewAddress bool   // an address is new and the coach knows whose it is
	Again      bool   // also what has left already
	// Named are the lessons of which the coach says that they are their
	// player's although they look like the other batting side.
	Named []string
}

// Lesson is one lesson as it is opened.
type Lesson struct {
	Item
	Clip    pipeline.Clip
	Drawn   *pipeline.Report // as the lesson was made; nil: none yet
	Notes   []byte           // JSON object: what is noted beside the original
	Tag     string           // of Notes
	Players []Player         // who it may be
	Voice   bool             // there is a voice note
	History []Change         // newest first
}

// Player is somebody of the roster.
type Player struct{ ID, FirstName string }

// Change is one change of the notes.
type Change struct {
	At   time.Time
	Who  string
	What string // "notes" or "voice"
}

// Family is who gets a lesson.
type Family struct {
	ID        string // of the lesson
	Player    string
	FirstName string
	Day       string
	To        []string // addresses; none: nobody
	Why       string   // sentence, where it can't leave
	OtherSide string   // sentence, where it can only if it is named
}

// ErrNone: there is no such lesson, or it can't be opened.
var ErrNone = errors.New("no such lesson")

// Conflict says that the notes were changed by somebody else meanwhile.
type Conflict struct {
	Tag   string
	Notes []byte // JSON, theirs
	At    time.Time
	Who   string
}

func (c *Conflict) Error() string { return "the notes were changed meanwhile" }

// Shelf is the work folder as the desk needs it. IDs come from outside: what is
// no clip's gives ErrNone. Errors that a person can do something about are
// *pipeline.Error.
type Shelf interface {
	// Items are all clips with their lessons, in no order; Fill adds the numbers
	// of those that are shown.
	Items(ctx context.Context) ([]Item, error)
	Fill(ctx context.Context, items []*Item) error
	Lesson(ctx context.Context, id string) (*Lesson, error)
	// Clip is the clip of a lesson whose original is here.
	Clip(ctx context.Context, id string) (pipeline.Clip, error)
	// Judge judges what was seen by the notes, a JSON object.
	Judge(ctx context.Context, id string, notes []byte) (*pipeline.Report, error)
	// Save keeps the notes beside the original. A tag that is no longer theirs
	// gives a *Conflict and changes nothing.
	Save(ctx context.Context, id string, notes []byte, tag, who string) (newTag string, err error)
	// Voice is the path of the voice note; SetVoice keeps what a browser
	// recorded, or nothing.
	Voice(ctx context.Context, id string) (string, error)
	SetVoice(ctx context.Context, id string, sound []byte, who string) error
	// Made is the path of one of the lesson's own files, by its name.
	Made(ctx context.Context, id, name string) (string, error)
	// Sheet is a small JPEG of the contact sheet.
	Sheet(ctx context.Context, id string) ([]byte, error)
	// Redraw lets the lesson be made again by its notes.
	Redraw(ctx context.Context, id, who string) error
	// Doing is what becomes of one clip now.
	Doing(ctx context.Context, id string) (Item, error)
	// Families says who would get which lesson.
	Families(ctx context.Context, ids []string) ([]Family, error)
	// Release lets lessons go, Hold keeps them.
	Release(ctx context.Context, ids []string, word Word) error
	Hold(ctx context.Context, ids []string, who string) error
}

// Options of a desk.
type Options struct {
	Text   words.Lang
	Guard  *Guard
	Shelf  Shelf
	Stills Stills
	Log    *slog.Logger
	Now    func() time.Time
}

type desk struct {
	o    Options
	film *film
}

//go:embed assets
var assets embed.FS

var pages = template.Must(template.New("").Funcs(template.FuncMap{"wrap": func(of any, it listed) wrapped { return wrapped{of, it} }}).ParseFS(assets, "assets/*.html"))

// wrapped is a lesson of the list with the page around it.
type wrapped struct {
	Of any
	It listed
}

// New makes the desk's handler. What it decodes in the background ends with ctx.
func New(ctx context.Context, o Options) http.Handler {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	d := &desk{o: o, film: newFilm(ctx, o.Stills, filmMemory)}
	mux := http.NewServeMux()
	for pattern, h := range d.routes() {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if strings.Contains(pattern, "{id}") && !idForm.MatchString(r.PathValue("id")) {
				refuse(w, http.StatusNotFound)
				return
			}
			h(w, r, r.Context().Value(sessionKey{}).(*session))
		})
	}
	return o.Guard.around(func(w http.ResponseWriter, r *http.Request, s *session) {
		mux.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), sessionKey{}, s)))
	})
}

type sessionKey struct{}

// routes are all there are.
func (d *desk) routes() map[string]visitor {
	return map[string]visitor{
		"GET /{$}":                   d.list,
		"GET /desk.css":              asset("desk.css", "text/css; charset=utf-8"),
		"GET /desk.js":               asset("desk.js", "text/javascript; charset=utf-8"),
		"GET /lesson/{id}":           d.lesson,
		"GET /lesson/{id}/frame/{n}": d.frame,
		"GET /lesson/{id}/sheet":     d.sheet,
		"GET /lesson/{id}/voice":     d.voice,
		"GET /lesson/{id}/video":     d.made(pipeline.LessonFile, "video/mp4"),
		"GET /lesson/{id}/captions":  d.made(pipeline.CaptionsFile, "text/vtt; charset=utf-8"),
		"GET /lesson/{id}/doing":     d.doing,
		"GET /lesson/{id}/next":      d.next,
		"POST /lesson/{id}/judge":    d.judge,
		"POST /lesson/{id}/notes":    d.save,
		"POST /lesson/{id}/voice":    d.setVoice,
		"POST /lesson/{id}/redraw":   d.redraw,
		"GET /release":               d.families,
		"POST /release":              d.release,
		"POST /leave":                func(w http.ResponseWriter, r *http.Request, _ *session) { d.o.Guard.leave(w, r) },
	}
}

func asset(name, kind string) visitor {
	b, err := fs.ReadFile(assets, "assets/"+name)
	if err != nil {
		panic(err)
	}
	return func(w http.ResponseWriter, _ *http.Request, _ *session) {
		w.Header().Set("Content-Type", kind)
		_, _ = w.Write(b)
	}
}

// Server is an http.Server with the desk's limits.
func Server(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: time.Minute, WriteTimeout: 3 * time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 32 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug)}
}

var idForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// wrong answers an error: in one line a person can do something about, else
// with its code alone.
func (d *desk) wrong(w http.ResponseWriter, r *http.Request, err error) {
	var e *pipeline.Error
	var c *Conflict
	var big *http.MaxBytesError
	switch {
	case r.Context().Err() != nil:
	case errors.Is(err, ErrNone):
		refuse(w, http.StatusNotFound)
	case errors.As(err, &big):
		refuse(w, http.StatusRequestEntityTooLarge)
	case errors.As(err, &c):
		answer(w, http.StatusConflict, map[string]any{"what": d.w("conflict_what"), "tag": c.Tag, "notes": json.RawMessage(c.Notes), "who": c.Who, "at": d.clock(c.At)})
	case errors.As(err, &e):
		told := *e
		told.Path = "" // a path leads to a player
		answer(w, http.StatusUnprocessableEntity, map[string]any{"what": told.Error()})
	default:
		d.o.Log.Error("desk", "path", r.Pattern, "err", err)
		refuse(w, http.StatusInternalServerError)
	}
}

func answer(w http.ResponseWriter, code int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		refuse(w, http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(b)
}

// page writes a template as a whole or not at all.
func (d *desk) page(w http.ResponseWriter, r *http.Request, name string, v any) {
	b, err := render(name, v)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(len(b)))
	_, _ = w.Write(b)
}

func (d *desk) w(key string) string { return d.o.Text.Desk[key] }

// clock is a moment as the coach's clock shows it.
func (d *desk) clock(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	t = t.In(time.Local)
	return d.o.Text.Date(t.Format(time.DateOnly)) + " " + t.Format("15:04")
}
