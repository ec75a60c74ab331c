package desk

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"tapeline/pipeline/words"
)

// Limits of what a request may carry, bytes, and of a session.
const (
	notesLimit   = 256 << 10
	voiceLimit   = 24 << 20
	sessionLasts = 12 * time.Hour
	mostSessions = 64
	mostWho      = 40 // runes of a name at the desk
)

// Guard lets in who knows the token of the printed address, or the password,
// and nobody else: whatever is asked without a session gets a 403.
type Guard struct {
	hosts    map[string]bool
	secure   bool   // the address begins with https
	password []byte // SHA-256; nil: by token only
	coach    string
	text     words.Lang
	now      func() time.Time
	used     func() // a token was used; may be nil

	mu       sync.Mutex
	token    [sha256.Size]byte // of the token; zero: none
	sessions map[[sha256.Size]byte]*session
	trying   sync.Mutex // one password at a time
	pause    time.Duration
}

type session struct {
	who   string
	csrf  string
	since time.Time
}

// NewGuard makes a guard that answers to the given Host headers only, and asks
// for the password in the words of text.
func NewGuard(hosts []string, secure bool, password, coach string, text words.Lang) *Guard {
	g := &Guard{hosts: map[string]bool{}, secure: secure, coach: coach, text: text, now: time.Now, sessions: map[[sha256.Size]byte]*session{}, pause: time.Second}
	for _, h := range hosts {
		g.hosts[strings.ToLower(h)] = true
	}
	if password != "" {
		sum := sha256.Sum256([]byte(password))
		g.password = sum[:]
	}
	return g
}

func secret() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}

// Token makes a new one-time token; the one before is void. used is called
// when somebody has come in with it.
func (g *Guard) Token(used func()) string {
	t := secret()
	g.mu.Lock()
	defer g.mu.Unlock()
	g.token, g.used = sha256.Sum256([]byte(t)), used
	return t
}

func (g *Guard) cookie() string {
	if g.secure {
		return "__Host-tapeline"
	}
	return "tapeline_desk"
}

// admit begins a session and leads to the list.
func (g *Guard) admit(w http.ResponseWriter, r *http.Request, who string) {
	key := secret()
	g.mu.Lock()
	now := g.now()
	for k, s := range g.sessions {
		if now.Sub(s.since) > sessionLasts {
			delete(g.sessions, k)
		}
	}
	full := len(g.sessions) >= mostSessions
	if !full {
		g.sessions[sha256.Sum256([]byte(key))] = &session{who: who, csrf: secret(), since: now}
	}
	g.mu.Unlock()
	if full {
		refuse(w, http.StatusServiceUnavailable)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: g.cookie(), Value: key, Path: "/", MaxAge: int(sessionLasts / time.Second), HttpOnly: true, Secure: g.secure, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// enter takes a token, or a password.
func (g *Guard) enter(w http.ResponseWriter, r *http.Request) {
	if t := r.URL.Query().Get("token"); r.Method == http.MethodGet && t != "" {
		sum := sha256.Sum256([]byte(t))
		g.mu.Lock()
		ok := g.token != [sha256.Size]byte{} && subtle.ConstantTimeCompare(sum[:], g.token[:]) == 1
		used := g.used
		if ok {
			g.token, g.used = [sha256.Size]byte{}, nil
		}
		g.mu.Unlock()
		if !ok {
			refuse(w, http.StatusForbidden)
			return
		}
		g.admit(w, r, g.coach)
		if used != nil {
			used()
		}
		return
	}
	if g.password == nil {
		refuse(w, http.StatusForbidden)
		return
	}
	switch r.Method {
	case http.MethodGet:
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_ = enterPage.Execute(w, frameView{Lang: g.text.Code, W: g.text.Desk})
	case http.MethodPost:
		r.Body = http.MaxBytesReader(w, r.Body, 4096)
		if err := r.ParseForm(); err != nil {
			refuse(w, http.StatusBadRequest)
			return
		}
		// One try a second, whoever tries.
		g.trying.Lock()
		sum := sha256.Sum256([]byte(r.PostForm.Get("password")))
		ok := subtle.ConstantTimeCompare(sum[:], g.password) == 1
		if !ok {
			time.Sleep(g.pause)
		}
		g.trying.Unlock()
		if !ok {
			refuse(w, http.StatusForbidden)
			return
		}
		who := name(r.PostForm.Get("who"))
		if who == "" {
			who = g.coach
		}
		g.admit(w, r, who)
	default:
		refuse(w, http.StatusForbidden)
	}
}

// name is a name in one short line.
func name(s string) string {
	s = strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, ""))), " ")
	if r := []rune(s); len(r) > mostWho {
		s = string(r[:mostWho])
	}
	return s
}

// It stands before the door, so it has no style sheet and no script.
var enterPage = template.Must(template.New("enter").Parse(`<!DOCTYPE html>
<html lang="{{.Lang}}"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark"><title>tapeline</title></head>
<body><main><h1>tapeline</h1><form method="post" action="/enter">
<p><label>{{index .W "enter_name"}} <input name="who" autocomplete="name" maxlength="40"></label></p>
<p><label>{{index .W "enter_password"}} <input name="password" type="password" autocomplete="current-password" required></label></p>
<p><button>{{index .W "enter_do"}}</button></p></form></main></body></html>
`))

// leave ends a session.
func (g *Guard) leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(g.cookie()); err == nil {
		g.mu.Lock()
		delete(g.sessions, sha256.Sum256([]byte(c.Value)))
		g.mu.Unlock()
	}
	http.SetCookie(w, &http.Cookie{Name: g.cookie(), Path: "/", MaxAge: -1, HttpOnly: true, Secure: g.secure, SameSite: http.SameSiteStrictMode})
	refuse(w, http.StatusForbidden)
}

func (g *Guard) session(r *http.Request) *session {
	c, err := r.Cookie(g.cookie())
	if err != nil || len(c.Value) != 64 {
		return nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	s := g.sessions[sha256.Sum256([]byte(c.Value))]
	if s == nil || g.now().Sub(s.since) > sessionLasts {
		return nil
	}
	return s
}

// policy: everything comes from the desk itself, nothing is written into a page.
// Voice notes are played from what was just recorded.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src 'self' blob:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func heads(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(self)")
	h.Set("Cache-Control", "no-store")
}

// refuse says no more than the code.
func refuse(w http.ResponseWriter, code int) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write([]byte(http.StatusText(code) + "\n"))
}

// visitor is a handler that knows who asks.
type visitor func(w http.ResponseWriter, r *http.Request, s *session)

// csrfHeader carries the session's word in requests of the script; forms have a
// field "csrf".
const csrfHeader = "X-Desk"

// around is the door before every handler.
func (g *Guard) around(next visitor) http.Handler {
	var cross http.CrossOriginProtection
	inner := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/enter" {
			g.enter(w, r)
			return
		}
		s := g.session(r)
		if s == nil {
			refuse(w, http.StatusForbidden)
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			word := r.Header.Get(csrfHeader)
			if word == "" && strings.HasPrefix(r.Header.Get("Content-Type"), "application/x-www-form-urlencoded") {
				r.Body = http.MaxBytesReader(w, r.Body, notesLimit)
				word = r.PostFormValue("csrf")
			}
			if subtle.ConstantTimeCompare([]byte(word), []byte(s.csrf)) != 1 {
				refuse(w, http.StatusForbidden)
				return
			}
		}
		next(w, r, s)
	})
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { refuse(w, http.StatusForbidden) }))
	guarded := cross.Handler(inner)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		heads(w.Header())
		if g.secure {
			w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		}
		if !g.hosts[strings.ToLower(r.Host)] || !plain(r.URL) {
			refuse(w, http.StatusForbidden)
			return
		}
		guarded.ServeHTTP(w, r)
	})
}

// plain refuses paths that name something else than they show.
func plain(u *url.URL) bool {
	return u.RawPath == "" && !strings.Contains(u.Path, "//") && !strings.Contains(u.Path, "..") && !strings.ContainsAny(u.Path, "\\\x00")
}
