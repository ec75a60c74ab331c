package desk

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

const lessonID = "2a0606c5a7d22bdb48d0ef86d403c1cbf59efb31e3c2230285dedf725a3beaf2"

func num(v float64) *float64 { return &v }

// evil is a name and a note that would like to be a script.
const evil = `</script><script>alert(1)</script><img src=x onerror=alert(2)>"'&`

// shelf is one with one lesson, on paper in a folder.
type shelf struct {
	paper Paper
	items []Item

	released []string
	word     Word
	held     []string
	sound    []byte
	redrawn  int
}

func report() *pipeline.Report {
	frame := 2
	return &pipeline.Report{Batter: pipeline.Batter{Bats: pipeline.BatsRight, View: pipeline.ViewChest}, Swings: []pipeline.Swing{{Index: 1, Chosen: true,
		Events:   []pipeline.Event{{Kind: pipeline.Contact, T: num(.2), Lo: num(.1), Hi: num(.3), Frame: &frame, Reason: "sound"}},
		Measures: []pipeline.Measure{{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Value: num(8), Lo: num(7), Hi: num(9)}},
		Findings: []pipeline.Finding{{Rule: "coach", Kind: pipeline.Priority, Text: evil}},
		Path:     []pipeline.Drawn{{Frame: 0, Seen: true, Camera: pipeline.Identity()}, {Frame: 4, Seen: true, Camera: pipeline.Identity()}}}}}
}

func (s *shelf) Items(context.Context) ([]Item, error) { return s.items, nil }

func (s *shelf) Fill(context.Context, []*Item) error { return nil }

func (s *shelf) Lesson(_ context.Context, id string) (*Lesson, error) {
	if id != lessonID {
		return nil, ErrNone
	}
	b, err := s.paper.Read()
	l := &Lesson{Item: s.items[0], Clip: pipeline.Clip{Width: 16, Height: 9, PTS: []float64{0, .1, .2, .3, .4}, TimeFactor: 1}, Drawn: report(), Notes: b, Tag: TagOf(b),
		Players: []Player{{"b07", evil}}}
	if len(b) == 0 {
		l.Notes = []byte("{}")
	}
	return l, err
}

func (s *shelf) Clip(ctx context.Context, id string) (pipeline.Clip, error) {
	l, err := s.Lesson(ctx, id)
	if err != nil {
		return pipeline.Clip{}, err
	}
	return l.Clip, nil
}

func (s *shelf) Judge(_ context.Context, id string, notes []byte) (*pipeline.Report, error) {
	if id != lessonID {
		return nil, ErrNone
	}
	if strings.Contains(string(notes), "nonsense") {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, Path: "/home/ada/clip.mov", What: "times: no such phase"}
	}
	return report(), nil
}

func (s *shelf) Save(_ context.Context, id string, notes []byte, tag, who string) (string, error) {
	if id != lessonID {
		return "", ErrNone
	}
	t, err := s.paper.Write(notes, tag, who, time.Now())
	if errors.Is(err, ErrChanged) {
		b, _ := s.paper.Read()
		return "", &Conflict{Tag: TagOf(b), Notes: b, Who: "Pat"}
	}
	return t, err
}

func (s *shelf) Voice(context.Context, string) (string, error) { return "", ErrNone }

func (s *shelf) Made(_ context.Context, id, name string) (string, error) {
	if id != lessonID {
		return "", ErrNone
	}
	path := filepath.Join(filepath.Dir(s.paper.Notes), name)
	return path, os.WriteFile(path, []byte("the film"), 0o600)
}

func (s *shelf) SetVoice(_ context.Context, _ string, sound []byte, _ string) error {
	s.sound = sound
	return nil
}
func (s *shelf) Sheet(context.Context, string) ([]byte, error)        { return nil, ErrNone }
func (s *shelf) Redraw(context.Context, string, string) error         { s.redrawn++; return nil }
func (s *shelf) Doing(context.Context, string) (Item, error)          { return s.items[0], nil }
func (s *shelf) Hold(_ context.Context, ids []string, _ string) error { s.held = ids; return nil }
func (s *shelf) Families(_ context.Context, ids []string) (out []Family, err error) {
	for _, id := range ids {
		out = append(out, Family{ID: id, Player: "b07", FirstName: evil, Day: "2026-05-03", To: []string{"a***@example.org"}})
	}
	return out, nil
}

func (s *shelf) Release(_ context.Context, ids []string, w Word) error {
	s.released, s.word = ids, w
	return nil
}

// house is a desk on a server, and the address that lets one in.
type house struct {
	*httptest.Server
	shelf *shelf
	guard *Guard
}

func open(t *testing.T, password string) *house {
	t.Helper()
	dir := t.TempDir()
	s := &shelf{paper: Paper{filepath.Join(dir, "clip.yaml"), filepath.Join(dir, "clip.history.jsonl")},
		items: []Item{{ID: lessonID, Player: "b07", FirstName: evil, Day: "2026-05-03", State: "done", Lesson: true, Here: true, Open: true, Swing: report().Chosen()}}}
	srv := httptest.NewUnstartedServer(nil)
	host := srv.Listener.Addr().String()
	text, err := words.For("es")
	if err != nil {
		t.Fatal(err)
	}
	g := NewGuard([]string{host}, false, password, "Kim", text)
	g.pause = 0
	srv.Config = Server(New(t.Context(), Options{Text: words.English(), Guard: g, Shelf: s, Stills: func(_ context.Context, _ string, from, to int, each func(int, []byte) error) error {
		for n := from; n <= to; n++ {
			if err := each(n, fmt.Appendf(nil, "still %d", n)); err != nil {
				return err
			}
		}
		return nil
	}}), slog.New(slog.DiscardHandler))
	srv.Start()
	t.Cleanup(srv.Close)
	return &house{srv, s, g}
}

// visitor is a browser; in: it has come in.
func (h *house) visitor(t *testing.T, in bool) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Timeout: 20 * time.Second}
	if in {
		if code, _ := get(t, c, h.URL+"/enter?token="+h.guard.Token(nil)); code != http.StatusOK {
			t.Fatalf("not let in: %d", code)
		}
	}
	return c
}

func get(t *testing.T, c *http.Client, address string) (int, string) {
	t.Helper()
	r, err := c.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

// csrf is the session's word as its pages have it.
func (h *house) csrf() string {
	h.guard.mu.Lock()
	defer h.guard.mu.Unlock()
	for _, s := range h.guard.sessions {
		return s.csrf
	}
	return ""
}

func send(t *testing.T, c *http.Client, method, address, body string, head map[string]string) (int, string) {
	t.Helper()
	r, err := http.NewRequest(method, address, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for k, v := range head {
		if k == "Host" {
			r.Host = v
		}
		r.Header.Set(k, v)
	}
	a, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	b, err := io.ReadAll(a.Body)
	if err != nil {
		t.Fatal(err)
	}
	if csp := a.Header.Get("Content-Security-Policy"); csp != policy || a.Header.Get("X-Content-Type-Options") != "nosniff" || a.Header.Get("Cache-Control") != "no-store" ||
		strings.Contains(csp, "unsafe") || a.Header.Get("Access-Control-Allow-Origin") != "" {
		t.Errorf("%s %s: heads %v", method, address, a.Header)
	}
	return a.StatusCode, string(b)
}

// addresses are one of every route, and some that are none.
func addresses() (out [][2]string) {
	for pattern := range (&desk{}).routes() {
		method, path, _ := strings.Cut(pattern, " ")
		path = strings.NewReplacer("{$}", "", "{id}", lessonID, "{n}", "3").Replace(path)
		out = append(out, [2]string{method, path})
	}
	return append(out, [2]string{"GET", "/no/such"}, [2]string{"DELETE", "/"}, [2]string{"OPTIONS", "/"}, [2]string{"HEAD", "/"}, [2]string{"GET", "/enter"}, [2]string{"POST", "/enter"},
		[2]string{"GET", "/enter?token="}, [2]string{"GET", "/enter?token=" + strings.Repeat("0", 64)}, [2]string{"GET", "/favicon.ico"})
}

// Without a session there is a 403 and nothing else, whatever is asked.
func TestNothingWithoutTheToken(t *testing.T) {
	h := open(t, "")
	used := h.guard.Token(nil)
	first := h.visitor(t, false)
	if code, page := get(t, first, h.URL+"/enter?token="+used); code != http.StatusOK || !strings.Contains(page, "<h1") {
		t.Fatalf("%d %s", code, page)
	}
	for name, cookie := range map[string]string{"no cookie": "", "a made-up one": "tapeline_desk=" + strings.Repeat("a", 64), "half of one": "tapeline_desk=a"} {
		for _, a := range addresses() {
			head := map[string]string{csrfHeader: h.csrf()}
			if cookie != "" {
				head["Cookie"] = cookie
			}
			code, body := send(t, h.visitor(t, false), a[0], h.URL+a[1], "", head)
			if code != http.StatusForbidden || len(body) > 0 && body != "Forbidden\n" {
				t.Errorf("%s: %s %s: %d %q", name, a[0], a[1], code, body)
			}
		}
	}
	// A token lets one in once.
	if code, _ := get(t, h.visitor(t, false), h.URL+"/enter?token="+used); code != http.StatusForbidden {
		t.Errorf("a token that was used: %d", code)
	}
	if code, _ := get(t, first, h.URL+"/"); code != http.StatusOK {
		t.Errorf("who was in is out: %d", code)
	}
	// A session ends.
	h.guard.now = func() time.Time { return time.Now().Add(sessionLasts + time.Minute) }
	if code, _ := get(t, first, h.URL+"/"); code != http.StatusForbidden {
		t.Errorf("a session of yesterday: %d", code)
	}
	h.guard.now = time.Now
	second := h.visitor(t, true)
	if code, _ := send(t, second, "POST", h.URL+"/leave", "", map[string]string{csrfHeader: h.csrfOf(t, second)}); code != http.StatusForbidden {
		t.Error(code)
	}
	if code, _ := get(t, second, h.URL+"/"); code != http.StatusForbidden {
		t.Errorf("who has left is in: %d", code)
	}
}

// csrfOf is the word of a visitor's own session, from a page.
func (h *house) csrfOf(t *testing.T, c *http.Client) string {
	t.Helper()
	_, page := get(t, c, h.URL+"/")
	_, rest, ok := strings.Cut(page, `name="csrf" value="`)
	if !ok {
		t.Fatal("the page has no word")
	}
	word, _, _ := strings.Cut(rest, `"`)
	return word
}

// A password lets in, a wrong one doesn't; behind TLS the cookie is for it alone.
func TestPassword(t *testing.T) {
	h := open(t, "correct horse battery")
	form := map[string]string{"Content-Type": "application/x-www-form-urlencoded"}
	for body, want := range map[string]int{"password=correct+horse": http.StatusForbidden, "": http.StatusForbidden, "password=correct+horse+battery&who=+Pat%0A": http.StatusOK} {
		c := h.visitor(t, false)
		if code, _ := send(t, c, "POST", h.URL+"/enter", body, form); code != want {
			t.Errorf("%q: %d, want %d", body, code, want)
		} else if _, page := get(t, c, h.URL+"/"); want == http.StatusOK && !strings.Contains(page, "At the desk: Pat<") {
			t.Error("the desk doesn't know who it is")
		}
	}
	if code, _ := send(t, h.visitor(t, false), "POST", h.URL+"/enter", "password=correct+horse+battery", map[string]string{"Content-Type": form["Content-Type"], "Origin": "https://elsewhere.example"}); code != http.StatusForbidden {
		t.Errorf("from elsewhere: %d", code)
	}
	if code, page := get(t, h.visitor(t, false), h.URL+"/enter"); code != http.StatusOK || strings.Contains(page, "script") || !strings.Contains(page, `lang="es"`) || !strings.Contains(page, "Contraseña <input") {
		t.Errorf("the door: %d %s", code, page)
	}
	if code, _ := get(t, h.visitor(t, false), h.URL+"/"); code != http.StatusForbidden {
		t.Errorf("behind the door: %d", code)
	}
	g := NewGuard([]string{"desk.example"}, true, "", "Kim", words.English())
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "https://desk.example/enter?token="+g.Token(nil), nil)
	g.around(nil).ServeHTTP(w, r)
	c := w.Result().Cookies()
	if len(c) != 1 || c[0].Name != "__Host-tapeline" || !c[0].Secure || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Path != "/" || w.Header().Get("Strict-Transport-Security") == "" {
		t.Errorf("%+v", c)
	}
}

// Nothing is changed by a post that comes from elsewhere, or without the
// session's word, or under another name of the machine.
func TestCrossSite(t *testing.T) {
	h := open(t, "")
	c := h.visitor(t, true)
	notes := h.URL + "/lesson/" + lessonID + "/notes"
	good := map[string]string{"Content-Type": "application/json", "If-Match": TagOf(nil), csrfHeader: h.csrf()}
	with := func(k, v string) map[string]string {
		out := map[string]string{}
		for a, b := range good {
			out[a] = b
		}
		out[k] = v
		return out
	}
	for name, head := range map[string]map[string]string{
		"no word":            with(csrfHeader, ""),
		"another word":       with(csrfHeader, strings.Repeat("0", 64)),
		"from another site":  with("Origin", "https://elsewhere.example"),
		"fetched elsewhere":  with("Sec-Fetch-Site", "cross-site"),
		"another port":       with("Origin", "http://127.0.0.1:1"),
		"another host":       with("Host", "elsewhere.example"),
		"rebound":            with("Host", "elsewhere.example:"+strings.Split(h.URL, ":")[2]),
		"a form's body type": with("Content-Type", "text/plain"),
	} {
		want := http.StatusForbidden
		if name == "a form's body type" {
			want = http.StatusUnsupportedMediaType
		}
		if code, _ := send(t, c, "POST", notes, `{"view":"chest"}`, head); code != want {
			t.Errorf("%s: %d", name, code)
		}
	}
	for _, a := range addresses() {
		if a[0] == "POST" && a[1] != "/enter" {
			if code, _ := send(t, c, "POST", h.URL+a[1], "do=release&id="+lessonID, map[string]string{"Content-Type": "application/x-www-form-urlencoded"}); code != http.StatusForbidden {
				t.Errorf("%s without a word: %d", a[1], code)
			}
		}
	}
	if code, _ := send(t, c, "GET", h.URL+"/", "", map[string]string{"Host": "elsewhere.example"}); code != http.StatusForbidden {
		t.Errorf("a page under another name: %d", code)
	}
	if b, _ := h.shelf.paper.Read(); b != nil || h.shelf.released != nil || h.shelf.redrawn > 0 {
		t.Errorf("something was changed: %q %v", b, h.shelf.released)
	}
	if code, body := send(t, c, "POST", notes, `{"view":"chest"}`, good); code != http.StatusOK {
		t.Errorf("the desk's own: %d %s", code, body)
	}
}

// Paths that would like to be others, ids that are none, bodies too large.
func TestTricks(t *testing.T) {
	h := open(t, "")
	c := h.visitor(t, true)
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	for _, p := range []string{
		"/../../etc/passwd", "/lesson/../../etc/passwd", "/lesson/..%2f..%2fetc%2fpasswd", "/lesson/%2e%2e/", "/lesson/" + lessonID + "/../../x", "/desk.css/../desk.go", "//desk.css",
		"/lesson/" + lessonID + "/frame/-1", "/lesson/" + lessonID + "/frame/5", "/lesson/" + lessonID + "/frame/03", "/lesson/" + lessonID + "/frame/1e3", "/lesson/" + lessonID + "/frame/99999999999999999999",
		"/lesson/" + strings.Repeat("0", 64), "/lesson/" + strings.ToUpper(lessonID), "/lesson/x", "/lesson/" + lessonID + "%00", "/assets/desk.js", "/release?id=../../x", "/release?id=" + strings.Repeat("a", 65),
		"/lesson/" + lessonID + "/voice", "/lesson/" + lessonID + "/sheet",
	} {
		r, err := http.NewRequest("GET", h.URL, nil)
		if err != nil {
			t.Fatal(err)
		}
		path, query, _ := strings.Cut(p, "?")
		r.URL.Opaque, r.URL.RawQuery = path, query
		a, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := io.ReadAll(a.Body)
		a.Body.Close()
		if a.StatusCode < 400 || bytes.Contains(b, []byte("root:")) || len(b) > 100 {
			t.Errorf("%s: %d %s", p, a.StatusCode, b)
		}
	}
	if code, body := send(t, c, "GET", h.URL+"/lesson/"+lessonID+"/video", "", map[string]string{"Range": "bytes=4-"}); code != http.StatusPartialContent || body != "film" {
		t.Errorf("a part of the video: %d %q", code, body)
	}
	head := map[string]string{"Content-Type": "application/json", csrfHeader: h.csrf(), "If-Match": TagOf(nil)}
	at := h.URL + "/lesson/" + lessonID
	for _, x := range []struct {
		path, body string
		want       int
	}{
		{"/notes", `{"notes":["` + strings.Repeat("x", notesLimit) + `"]}`, http.StatusRequestEntityTooLarge},
		{"/judge", `{"notes":["` + strings.Repeat("x", notesLimit) + `"]}`, http.StatusRequestEntityTooLarge},
		{"/voice", strings.Repeat("x", voiceLimit+1), http.StatusRequestEntityTooLarge},
		{"/notes", `[]`, http.StatusBadRequest}, {"/notes", `null`, http.StatusBadRequest}, {"/notes", `{`, http.StatusBadRequest}, {"/notes", `a: &a [*a]`, http.StatusBadRequest},
	} {
		if code, _ := send(t, c, "POST", at+x.path, x.body, head); code != x.want {
			t.Errorf("%s %.20q: %d, want %d", x.path, x.body, code, x.want)
		}
	}
	if h.shelf.sound != nil {
		t.Error("the sound was taken")
	}
	code, body := send(t, c, "POST", at+"/judge", `{"nonsense":1}`, head)
	if code != http.StatusUnprocessableEntity || !strings.Contains(body, "no such phase") || strings.Contains(body, "ada") {
		t.Errorf("%d %s", code, body)
	}
	var ids url.Values = map[string][]string{"do": {"release"}, "csrf": {h.csrf()}}
	for i := range mostPicked + 1 {
		ids.Add("id", fmt.Sprintf("%064x", i))
	}
	if code, _ := send(t, c, "POST", h.URL+"/release", ids.Encode(), map[string]string{"Content-Type": "application/x-www-form-urlencoded"}); code != http.StatusBadRequest {
		t.Errorf("too many at once: %d", code)
	}
}

// Names and words stay text on every page.
func TestInert(t *testing.T) {
	h := open(t, "")
	c := h.visitor(t, true)
	if _, err := h.shelf.paper.Write([]byte(`{"notes":["</script><script>alert(1)</script><img src=x onerror=alert(2)>"]}`), TagOf(nil), evil, time.Now()); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"/", "/?q=" + url.QueryEscape(evil), "/lesson/" + lessonID, "/release?id=" + lessonID} {
		code, page := get(t, c, h.URL+p)
		if code != http.StatusOK || strings.Contains(page, "<script>") || strings.Contains(page, "<img src=x") || strings.Contains(page, "style=") || strings.Contains(page, " onerror") && strings.Contains(page, "<img src=x onerror") {
			t.Errorf("%s: %d\n%s", p, code, page)
		}
		if strings.Count(page, "<script") != strings.Count(page, "</script>") || strings.Count(page, "<script") > 2 {
			t.Errorf("%s: %d scripts", p, strings.Count(page, "<script"))
		}
		for _, kind := range []string{"http://", "https://", "//cdn"} {
			if strings.Contains(page, kind) {
				t.Errorf("%s asks elsewhere", p)
			}
		}
	}
}

// Two desks: the second to save is told, has theirs, and loses nothing.
func TestTwoDesks(t *testing.T) {
	h := open(t, "")
	a, b := h.visitor(t, true), h.visitor(t, true)
	at := h.URL + "/lesson/" + lessonID + "/notes"
	head := func(c *http.Client, tag string) map[string]string {
		return map[string]string{"Content-Type": "application/json", csrfHeader: h.csrfOf(t, c), "If-Match": `"` + tag + `"`}
	}
	none := TagOf(nil)
	if code, body := send(t, a, "POST", at, `{"bats":"R"}`, head(a, none)); code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	code, body := send(t, b, "POST", at, `{"bats":"L"}`, head(b, none))
	if code != http.StatusConflict || !strings.Contains(body, `{"bats":"R"}`) || !strings.Contains(body, TagOf([]byte(`{"bats":"R"}`))) || !strings.Contains(body, "Pat") {
		t.Errorf("%d %s", code, body)
	}
	if now, _ := h.shelf.paper.Read(); string(now) != `{"bats":"R"}` {
		t.Errorf("written over: %s", now)
	}
	if code, _ = send(t, b, "POST", at, `{"bats":"L"}`, head(b, TagOf([]byte(`{"bats":"R"}`)))); code != http.StatusOK {
		t.Errorf("mine after all: %d", code)
	}
	past, err := h.shelf.paper.Versions()
	if err != nil || len(past) != 2 || past[0].Notes != `{"bats":"R"}` || past[1].Notes != `{"bats":"L"}` || past[1].Who != "Kim" {
		t.Errorf("%+v %v", past, err)
	}
}

// What a form does, and what the coach's word says.
func TestReleaseForm(t *testing.T) {
	h := open(t, "")
	c := h.visitor(t, true)
	form := map[string]string{"Content-Type": "application/x-www-form-urlencoded"}
	post := func(v string) int {
		code, _ := send(t, c, "POST", h.URL+"/release", "csrf="+h.csrf()+"&id="+lessonID+v, form)
		return code
	}
	if code := post("&do=release&others=blur&new_address=1"); code != http.StatusOK || len(h.shelf.released) != 1 || !reflect.DeepEqual(h.shelf.word, Word{Who: "Kim", Others: "blur", NewAddress: true}) {
		t.Errorf("%d %v %+v", code, h.shelf.released, h.shelf.word)
	}
	if code := post("&do=hold"); code != http.StatusOK || len(h.shelf.held) != 1 {
		t.Errorf("%d %v", code, h.shelf.held)
	}
	for _, v := range []string{"&do=forget", "", "&do=release&others=all", "&do=release&id=x"} {
		if code := post(v); code != http.StatusBadRequest {
			t.Errorf("%s: %d", v, code)
		}
	}
	if code, page := get(t, c, h.URL+"/release?id="+lessonID); code != http.StatusOK || !strings.Contains(page, "a***@example.org") {
		t.Errorf("%d %s", code, page)
	}
}

// A paper keeps every version, whoever writes at once; what lay there before is
// the first.
func TestPaper(t *testing.T) {
	dir := t.TempDir()
	p := Paper{filepath.Join(dir, "a.yaml"), filepath.Join(dir, "a.history.jsonl")}
	if err := os.WriteFile(p.Notes, []byte("bats: R\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	var mu sync.Mutex
	kept, refused := 0, 0
	for i := range 8 {
		wait.Go(func() {
			for n := range 5 {
				b, err := p.Read()
				if err != nil {
					t.Error(err)
				}
				_, err = p.Write(fmt.Appendf(nil, "swing: %d%d\n", i, n), TagOf(b), fmt.Sprint(i), time.Now())
				mu.Lock()
				switch {
				case err == nil:
					kept++
				case errors.Is(err, ErrChanged):
					refused++
				default:
					t.Error(err)
				}
				mu.Unlock()
			}
		})
	}
	wait.Wait()
	past, err := p.Versions()
	if err != nil || len(past) != kept+1 || kept+refused != 40 || past[0].Notes != "bats: R\n" || past[0].Who != "" {
		t.Fatalf("%d kept, %d refused, %d versions, %v", kept, refused, len(past), err)
	}
	now, _ := p.Read()
	if last := past[len(past)-1]; last.Notes != string(now) || last.Tag != TagOf(now) {
		t.Errorf("%+v is not %q", last, now)
	}
	// A line that was cut off costs no other.
	f, err := os.OpenFile(p.History, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString(`{"at":"2026-`)
	f.Close()
	if _, err := p.Write(nil, TagOf(now), "x", time.Now()); err != nil {
		t.Fatal(err)
	}
	if err := p.Note("voice", "x", time.Now()); err != nil {
		t.Fatal(err)
	}
	more, err := p.Versions()
	if err != nil || len(more) != len(past)+2 || more[len(more)-1].What != "voice" {
		t.Errorf("%d versions, %v", len(more), err)
	}
	if b, err := p.Read(); b != nil || err != nil {
		t.Errorf("notes that were taken away: %q %v", b, err)
	}
}
