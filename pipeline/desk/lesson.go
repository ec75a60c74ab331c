package desk

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

func render(name string, v any) ([]byte, error) {
	var b bytes.Buffer
	err := pages.ExecuteTemplate(&b, name, v)
	return b.Bytes(), err
}

// frameView is a page around what a template shows.
type frameView struct {
	Lang  string
	W     map[string]string
	CSRF  string
	Who   string
	Title string
}

func (d *desk) frameOf(s *session, title string) frameView {
	return frameView{Lang: d.o.Text.Code, W: d.o.Text.Desk, CSRF: s.csrf, Who: s.who, Title: title}
}

// lessonView is what the page of a lesson begins with; the script does the
// rest.
type lessonView struct {
	frameView
	Item    listed
	History []moment
	Start   start
	Views   []choice
	Batsmen []choice
	Levels  []choice
	Sports  []choice
	Players []choice
	Back    string // the list that led here, and the next lesson of it
	Next    string
}

type choice struct{ Value, Name string }

// moment is a change as the page tells of it.
type moment struct{ At, Who, What string }

// start is the data the script begins with.
type start struct {
	ID     string            `json:"id"`
	CSRF   string            `json:"csrf"`
	W      map[string]string `json:"w"`
	Width  int               `json:"width"`
	Height int               `json:"height"`
	PTS    []float64         `json:"pts"`
	Notes  json.RawMessage   `json:"notes"`
	Tag    string            `json:"tag"`
	Voice  bool              `json:"voice"`
	Here   bool              `json:"here"`
	Parts  []named           `json:"parts"`
	Kinds  []named           `json:"kinds"`
	Rules  map[string]ruled  `json:"rules"`
	Judged *judged           `json:"judged"`
	What   string            `json:"what,omitempty"` // why nothing is judged
	Doing  doing             `json:"doing"`
	Slow   float64           `json:"slow"`
}

// named is a part of the body or a phase.
type named struct {
	Key  string `json:"key"`
	Name string `json:"name"`
}

// ruled are the words of a rule's findings.
type ruled struct {
	Good string `json:"good"`
	Fix  string `json:"fix"`
}

// judged is a report as the script shows it.
type judged struct {
	Swing    int       `json:"swing"`
	Swings   []int     `json:"swings"`
	From     int       `json:"from"` // frames of the window
	To       int       `json:"to"`
	Unit     string    `json:"unit"`
	Events   []event   `json:"events"`
	Path     []placed  `json:"path"`
	Rows     []row     `json:"rows"`
	Findings []finding `json:"findings"`
	Doubts   []string  `json:"doubts"`
	About    string    `json:"about"`
}

// event is one peg. Frames; −1: none.
type event struct {
	Kind  string `json:"kind"`
	Name  string `json:"name"`
	Frame int    `json:"frame"`
	Lo    int    `json:"lo"`
	Hi    int    `json:"hi"`
	Clock string `json:"clock"`
	Why   string `json:"why"`
	Hand  bool   `json:"hand"`
}

// placed is one frame of the trace and the points, picture pixels of the frame
// in the order of pipeline.Parts; a pair of nulls is none.
type placed struct {
	Frame  int        `json:"f"`
	Drop   *float64   `json:"d"`
	Doubt  float64    `json:"h"`
	Energy float64    `json:"e"`
	Points []*float64 `json:"p"`
}

// row is one measure, as the lesson has it and as it is now.
type row struct {
	Name     string `json:"name"`
	Was      string `json:"was"`
	Now      string `json:"now"`
	Standing string `json:"standing"`
	Changed  bool   `json:"changed"`
	Banded   bool   `json:"banded"`
}

type finding struct {
	Rule string `json:"rule"`
	Kind string `json:"kind"`
	Text string `json:"text"`
	Own  bool   `json:"own"`
}

// doing is the state of the clip for the script.
type doing struct {
	State  string `json:"state"`
	Text   string `json:"text"`
	Done   int    `json:"done"`
	Total  int    `json:"total"`
	Busy   bool   `json:"busy"`
	Mended bool   `json:"mended"`
}

func (d *desk) lesson(w http.ResponseWriter, r *http.Request, s *session) {
	id := r.PathValue("id")
	l, err := d.o.Shelf.Lesson(r.Context(), id)
	if err != nil {
		d.sorry(w, r, s, err)
		return
	}
	v := lessonView{frameView: d.frameOf(s, ""), Item: d.listed(&l.Item)}
	v.Title = v.Item.Title
	a := askedOf(r.URL.Query())
	v.Back, v.Next = a.list(), "/lesson/"+id+"/next?"+r.URL.RawQuery
	for _, c := range l.History {
		v.History = append(v.History, moment{d.clock(c.At), c.Who, d.w("past_" + c.What)})
	}
	for _, k := range []pipeline.View{pipeline.ViewChest, pipeline.ViewBack, pipeline.ViewPitcher, pipeline.ViewCatcher} {
		v.Views = append(v.Views, choice{string(k), d.w("view_" + string(k))})
	}
	for _, k := range []pipeline.Side{pipeline.BatsRight, pipeline.BatsLeft} {
		v.Batsmen = append(v.Batsmen, choice{string(k), d.w("bats_" + string(k))})
	}
	for _, k := range pipeline.Levels {
		v.Levels = append(v.Levels, choice{string(k), d.w("level_" + string(k))})
	}
	for _, k := range pipeline.Sports {
		v.Sports = append(v.Sports, choice{string(k), d.w("sport_" + string(k))})
	}
	for _, p := range l.Players {
		n := p.ID
		if p.FirstName != "" {
			n += " · " + p.FirstName
		}
		v.Players = append(v.Players, choice{p.ID, n})
	}
	v.Start = start{ID: id, CSRF: s.csrf, W: d.o.Text.Desk, Width: l.Clip.Width, Height: l.Clip.Height, PTS: l.Clip.PTS, Notes: l.Notes, Tag: l.Tag, Voice: l.Voice,
		Here: l.Here, Rules: map[string]ruled{}, Doing: d.doingOf(&l.Item), Slow: max(l.Clip.TimeFactor, 1)}
	for _, p := range pipeline.Parts {
		v.Start.Parts = append(v.Start.Parts, named{p, d.w("part_" + p)})
	}
	for _, k := range pipeline.EventKinds {
		v.Start.Kinds = append(v.Start.Kinds, named{string(k), d.o.Text.Events[k]})
	}
	for rule, f := range d.o.Text.Findings {
		v.Start.Rules[rule] = ruled{f.Good, f.Fix}
	}
	rep, err := d.o.Shelf.Judge(r.Context(), id, l.Notes)
	if err != nil {
		v.Start.What = told(err, d.w("unjudged"))
	} else {
		v.Start.Judged = d.judgedOf(l, rep)
		if e := rep.Chosen().Event(pipeline.Contact); l.Here && e != nil && e.Frame != nil {
			d.film.warm(id, *e.Frame, len(l.Clip.PTS))
		}
	}
	d.page(w, r, "lesson.html", v)
}

// told is what an error says to a person, or other where it says nothing.
func told(err error, other string) string {
	if e, ok := err.(*pipeline.Error); ok {
		c := *e
		c.Path = ""
		return c.Error()
	}
	return other
}

// judge judges by the notes in the body and changes nothing.
func (d *desk) judge(w http.ResponseWriter, r *http.Request, _ *session) {
	id := r.PathValue("id")
	notes, ok := d.body(w, r)
	if !ok {
		return
	}
	l, err := d.o.Shelf.Lesson(r.Context(), id)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	rep, err := d.o.Shelf.Judge(r.Context(), id, notes)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	answer(w, http.StatusOK, d.judgedOf(l, rep))
}

// body is a JSON object; false: the answer is given.
func (d *desk) body(w http.ResponseWriter, r *http.Request) ([]byte, bool) {
	if !strings.HasPrefix(r.Header.Get("Content-Type"), "application/json") {
		refuse(w, http.StatusUnsupportedMediaType)
		return nil, false
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, notesLimit))
	if err != nil {
		d.wrong(w, r, err)
		return nil, false
	}
	var m map[string]json.RawMessage
	if json.Unmarshal(b, &m) != nil || m == nil {
		refuse(w, http.StatusBadRequest)
		return nil, false
	}
	return b, true
}

func (d *desk) save(w http.ResponseWriter, r *http.Request, s *session) {
	id := r.PathValue("id")
	notes, ok := d.body(w, r)
	if !ok {
		return
	}
	tag, err := d.o.Shelf.Save(r.Context(), id, notes, strings.Trim(r.Header.Get("If-Match"), `"`), s.who)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	answer(w, http.StatusOK, map[string]string{"tag": tag, "at": d.clock(d.o.Now()), "who": s.who})
}

func (d *desk) redraw(w http.ResponseWriter, r *http.Request, s *session) {
	id := r.PathValue("id")
	if err := d.o.Shelf.Redraw(r.Context(), id, s.who); err != nil {
		d.wrong(w, r, err)
		return
	}
	d.doing(w, r, s)
}

func (d *desk) doing(w http.ResponseWriter, r *http.Request, _ *session) {
	id := r.PathValue("id")
	i, err := d.o.Shelf.Doing(r.Context(), id)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	answer(w, http.StatusOK, d.doingOf(&i))
}

func (d *desk) doingOf(i *Item) doing {
	busy := slices.Contains([]string{"waiting", "running", "publishing"}, i.State)
	return doing{State: i.State, Text: d.state(i), Done: i.Part, Total: i.Whole, Busy: busy, Mended: i.Mended}
}

// state is what becomes of a clip, in a few words.
func (d *desk) state(i *Item) string {
	t := d.o.Text.Work
	what := t[i.State]
	if i.Step != "" {
		step := i.Step
		if said, ok := t[step]; ok {
			step = said
		}
		what += ": " + fmt.Sprintf(t["step"], step, i.Part, i.Whole)
	}
	return what
}

// frame is one still. The browser may not keep it: they are minors.
func (d *desk) frame(w http.ResponseWriter, r *http.Request, _ *session) {
	id := r.PathValue("id")
	n, err := strconv.Atoi(r.PathValue("n"))
	if err != nil || n < 0 || r.PathValue("n") != strconv.Itoa(n) {
		refuse(w, http.StatusNotFound)
		return
	}
	c, err := d.o.Shelf.Clip(r.Context(), id)
	if err != nil || n >= len(c.PTS) {
		refuse(w, http.StatusNotFound)
		return
	}
	b, err := d.film.at(r.Context(), id, n, len(c.PTS))
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(b)))
	_, _ = w.Write(b)
}

func (d *desk) sheet(w http.ResponseWriter, r *http.Request, _ *session) {
	id := r.PathValue("id")
	b, err := d.o.Shelf.Sheet(r.Context(), id)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	_, _ = w.Write(b)
}

func (d *desk) voice(w http.ResponseWriter, r *http.Request, _ *session) {
	id := r.PathValue("id")
	path, err := d.o.Shelf.Voice(r.Context(), id)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	kinds := map[string]string{".m4a": "audio/mp4", ".mp3": "audio/mpeg", ".wav": "audio/wav"}
	serve(w, r, path, kinds[filepath.Ext(path)])
}

// made serves one of the lesson's own files.
func (d *desk) made(name, kind string) visitor {
	return func(w http.ResponseWriter, r *http.Request, _ *session) {
		id := r.PathValue("id")
		path, err := d.o.Shelf.Made(r.Context(), id, name)
		if err != nil {
			d.wrong(w, r, err)
			return
		}
		serve(w, r, path, kind)
	}
}

// serve gives a file, or a part of it; its name is told to nobody.
func serve(w http.ResponseWriter, r *http.Request, path, kind string) {
	f, err := os.Open(path)
	if err != nil {
		refuse(w, http.StatusNotFound)
		return
	}
	defer f.Close()
	w.Header().Set("Content-Type", kind)
	http.ServeContent(w, r, "", time.Time{}, f)
}

func (d *desk) setVoice(w http.ResponseWriter, r *http.Request, s *session) {
	id := r.PathValue("id")
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, voiceLimit))
	if err == nil {
		err = d.o.Shelf.SetVoice(r.Context(), id, b, s.who)
	}
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	answer(w, http.StatusOK, map[string]bool{"voice": len(b) > 0})
}

// judgedOf lays a report out beside the one that the lesson was made by.
func (d *desk) judgedOf(l *Lesson, rep *pipeline.Report) *judged {
	text := d.o.Text
	sw := rep.Chosen()
	if sw == nil {
		return nil
	}
	j := &judged{Swing: sw.Index, Unit: sw.Geometry.Unit, Events: []event{}, Path: []placed{}, Rows: []row{}, Findings: []finding{}, Doubts: []string{}}
	for i := range rep.Swings {
		j.Swings = append(j.Swings, rep.Swings[i].Index)
	}
	about := []string{text.Bats[rep.Batter.Bats], text.Views[rep.Batter.View]}
	if h := rep.Batter.HeightCM; h != nil {
		about = append(about, text.Tall(*h))
	}
	j.About = strings.Join(about, " · ")
	var contact *pipeline.Event
	if contact = sw.Event(pipeline.Contact); contact != nil && contact.T == nil {
		contact = nil
	}
	for _, k := range pipeline.EventKinds {
		e := sw.Event(k)
		v := event{Kind: string(k), Name: text.Events[k], Frame: -1, Lo: -1, Hi: -1}
		if e != nil {
			if e.Frame != nil && e.T != nil {
				v.Frame = *e.Frame
				if e.Lo != nil && e.Hi != nil {
					v.Lo, v.Hi = l.Clip.FrameAt(*e.Lo), l.Clip.FrameAt(*e.Hi)
				}
				if contact != nil {
					half := 0.0
					if contact.Lo != nil && contact.Hi != nil {
						half = l.Clip.Capture(*contact.Hi-*contact.Lo) / 2
					}
					v.Clock = text.Time(l.Clip.Capture(*e.T-*contact.T), half)
				}
			}
			if e.Reason != "" {
				v.Why = text.Warning(pipeline.Warning{Code: e.Reason})
			}
			v.Hand = e.Reason == "coach"
		}
		j.Events = append(j.Events, v)
	}
	for _, q := range sw.Path {
		p := placed{Frame: q.Frame, Energy: round(q.Energy, 4)}
		if q.Seen {
			drop := round(q.Drop, 2)
			p.Drop, p.Doubt, p.Points = &drop, round(q.DropDoubt, 2), pointsOf(&q)
		}
		j.Path = append(j.Path, p)
	}
	if len(j.Path) > 0 {
		j.From, j.To = j.Path[0].Frame, j.Path[len(j.Path)-1].Frame
	}
	var was *pipeline.Swing
	if l.Drawn != nil {
		was = l.Drawn.Chosen()
	}
	for i := range sw.Measures {
		m := &sw.Measures[i]
		if sw.Unasked(m) {
			continue
		}
		b := rep.Band(m)
		v := row{Name: text.MeasureName(m), Now: text.Against(m, b), Banded: b != nil}
		if b != nil {
			v.Standing = text.Verdict(m, b)
		}
		if was != nil {
			if o := was.Measure(m.Key, m.From, m.At); o != nil {
				v.Was = text.Against(o, b)
			}
			v.Changed = v.Was != v.Now
		}
		j.Rows = append(j.Rows, v)
	}
	slices.SortStableFunc(j.Rows, func(a, b row) int {
		switch {
		case a.Banded == b.Banded:
			return 0
		case a.Banded:
			return -1
		}
		return 1
	})
	for _, f := range sw.Findings {
		v := finding{Rule: f.Rule, Kind: f.Kind, Text: f.Text, Own: f.Rule == "coach"}
		if v.Text == "" {
			w := text.Findings[f.Rule]
			switch f.Kind {
			case pipeline.Strength:
				v.Text = w.Good
			case pipeline.CantTell:
				if m := words.Evidence(sw, f); m != nil {
					v.Text = text.MeasureName(m)
				}
			default:
				v.Text = w.Fix
			}
		}
		if v.Text == "" {
			v.Text = strings.ReplaceAll(f.Rule, "_", " ")
		}
		j.Findings = append(j.Findings, v)
	}
	for _, w := range rep.Warnings {
		j.Doubts = append(j.Doubts, text.Warning(w))
	}
	return j
}

// pointsOf are the parts in the frame's own pixels.
func pointsOf(q *pipeline.Drawn) []*float64 {
	var out []*float64
	for _, part := range pipeline.Parts {
		p, ok := q.PartAt(part)
		if !ok {
			out = append(out, nil, nil)
			continue
		}
		x, y := round(p.X, 1), round(p.Y, 1)
		out = append(out, &x, &y)
	}
	return out
}

func round(v float64, decimals int) float64 {
	s := math.Pow(10, float64(decimals))
	return math.Round(v*s) / s
}
