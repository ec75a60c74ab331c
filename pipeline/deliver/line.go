package deliver

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/mail"
	"net/textproto"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail/smtp"

	"tapeline/pipeline"
)

// How a connection to the mail server is protected (Server.TLS).
const (
	StartTLS    = "starttls" // upgraded before anything else is said; the rule at port 587
	ImplicitTLS = "tls"      // from the first byte; the rule at port 465
	NoTLS       = "none"     // only where the server is this machine
)

// ErrSettings is in an error of Dial or Send that trying again does not mend:
// somebody has to look at password, certificate, host or port.
var ErrSettings = errors.New("the settings of mail need a look")

// Server is the mail server that takes the letters, and how to speak to it.
type Server struct {
	Host     string
	Port     int    // 0: 465 with ImplicitTLS, else 587
	TLS      string // see StartTLS; empty: ImplicitTLS at port 465, else StartTLS
	User     string // empty: no AUTH
	Password string
	Helo     string        // name given in EHLO; empty: "[127.0.0.1]", which tells nothing about this machine
	Timeout  time.Duration // for a connection, a command, or a piece of a message to go; 0: a minute
	DSN      bool          // ask for a notice of failure or delay where the server offers it

	roots *x509.CertPool // of tests; nil: the system's
	end   time.Duration  // of tests, for the answer to a message; 0: as below
}

// The clocks. RFC 5321 4.5.3.2 gives the end of a message ten minutes, because
// who hangs up too early does not know what became of it (RFC 1047).
const (
	usualTimeout = time.Minute
	longestEnd   = 10 * time.Minute
	slowest      = 16 << 10         // bytes a second of a whole message
	piece        = 32 << 10         // bytes between two looks at the clock
	lastWord     = 10 * time.Second // for the answer to a message that has gone, when all is to end
	wordiest     = 1 << 20          // bytes of answers to one command
)

// filled is the server with what was left out, or what is wrong with it.
func (s Server) filled() (Server, error) {
	wrong := func(what, hint string) (Server, error) {
		return s, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: what, Hint: hint, Err: ErrSettings}
	}
	if s.TLS == "" {
		s.TLS = StartTLS
		if s.Port == 465 {
			s.TLS = ImplicitTLS
		}
	}
	if s.Port == 0 {
		s.Port = 587
		if s.TLS == ImplicitTLS {
			s.Port = 465
		}
	}
	if s.Helo == "" {
		s.Helo = "[127.0.0.1]"
	}
	if s.Timeout <= 0 {
		s.Timeout = usualTimeout
	}
	if s.end <= 0 {
		s.end = max(s.Timeout, min(10*s.Timeout, longestEnd))
	}
	host := s.Host
	if net.ParseIP(host) == nil {
		ascii, err := domain(host)
		if err != nil {
			return wrong(fmt.Sprintf("%q is no name of a mail server", s.Host), "a host like mail.example.org; the port has its own key")
		}
		s.Host = ascii
	}
	switch {
	case s.Port < 1 || s.Port > 65535:
		return wrong(fmt.Sprintf("%d is no port of a mail server", s.Port), "usually 587 or 465")
	case !slices.Contains([]string{StartTLS, ImplicitTLS, NoTLS}, s.TLS):
		return wrong(fmt.Sprintf("%q is no way to protect mail", s.TLS), "starttls, tls, or none on this machine only")
	case s.TLS == NoTLS && !local(s.Host):
		return wrong("mail to "+s.Host+" would go unprotected", "starttls or tls; none is for a server on this machine")
	case strings.ContainsFunc(s.Helo, func(r rune) bool { return r <= ' ' || r > '~' }):
		return wrong("the name for EHLO is not one plain word", "")
	case strings.ContainsAny(s.User+s.Password, "\x00\r\n"):
		return wrong("user or password of mail has a control character", "is there an end of line in the environment variable?")
	}
	return s, nil
}

// Check tells what is wrong with the server's settings, without a connection.
func (s Server) Check() error {
	_, err := s.filled()
	return err
}

// local is true of names and addresses of this machine.
func local(host string) bool {
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}

// line speaks over one connection. dead is why it no longer can.
type line struct {
	s    Server
	wire *wire
	c    *smtp.Client
	used bool // a message was begun: RSET before the next
	dead error
}

// wire is the connection with the clock, and an end to what a server may say.
type wire struct {
	net.Conn
	left int // bytes

	mu       sync.Mutex
	patience time.Duration // after the context has ended
}

func (w *wire) Read(b []byte) (int, error) {
	n, err := w.Conn.Read(b)
	if w.left -= n; w.left < 0 && err == nil {
		err = errors.New("the server's answer has no end")
	}
	return n, err
}

// within gives the next step so much time, and none when ctx has ended.
func (w *wire) within(ctx context.Context, d time.Duration) {
	w.left = wordiest
	w.mu.Lock()
	defer w.mu.Unlock()
	if ctx.Err() != nil {
		d = min(d, w.patience)
	}
	_ = w.SetDeadline(time.Now().Add(d)) // a closed connection says so at the next step
}

// listen makes the end of ctx end what waits; the returned function undoes it.
func (w *wire) listen(ctx context.Context) func() bool {
	return context.AfterFunc(ctx, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		_ = w.SetDeadline(time.Now().Add(w.patience))
	})
}

// patient is how long what waits may go on when ctx has ended.
func (w *wire) patient(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.patience = d
}

// Dial opens a line to the server: connection, TLS and, with a User, AUTH. An
// error is one line (*pipeline.Error); where trying again won't help it is
// ErrSettings, too.
func Dial(ctx context.Context, s Server) (Line, error) {
	s, err := s.filled()
	if err != nil {
		return nil, err
	}
	l := &line{s: s}
	if err := l.open(ctx); err != nil {
		if l.wire != nil {
			_ = l.wire.Close()
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, err
	}
	return l, nil
}

func (l *line) open(ctx context.Context) error {
	d := net.Dialer{Timeout: l.s.Timeout}
	conn, err := d.DialContext(ctx, "tcp", net.JoinHostPort(l.s.Host, strconv.Itoa(l.s.Port)))
	if err != nil {
		return l.failed("does not answer", err)
	}
	l.wire = &wire{Conn: conn}
	defer l.wire.listen(ctx)()
	if a, ok := conn.RemoteAddr().(*net.TCPAddr); l.s.TLS == NoTLS && (!ok || !a.IP.IsLoopback()) {
		return l.settings("is not this machine, and mail would go unprotected", nil, "starttls or tls")
	}
	secure := &tls.Config{ServerName: l.s.Host, RootCAs: l.s.roots, MinVersion: tls.VersionTLS12}
	var under net.Conn = l.wire
	l.wire.within(ctx, l.s.Timeout)
	if l.s.TLS == ImplicitTLS {
		t := tls.Client(l.wire, secure)
		if err := t.HandshakeContext(ctx); err != nil {
			return l.unsafe(err)
		}
		under = t
	}
	l.wire.within(ctx, l.s.Timeout)
	if l.c, err = smtp.NewClient(under, l.s.Host); err != nil {
		return l.failed("takes no mail now", err)
	}
	l.wire.within(ctx, l.s.Timeout)
	if err := l.c.Hello(l.s.Helo); err != nil {
		return l.failed("does not greet", err)
	}
	if l.s.TLS == StartTLS {
		if ok, _ := l.c.Extension("STARTTLS"); !ok {
			return l.settings("offers no STARTTLS, and mail would go unprotected", nil, "is the port right? 465 wants tls: tls")
		}
		l.wire.within(ctx, l.s.Timeout)
		if err := l.c.StartTLS(secure); err != nil {
			return l.unsafe(err)
		}
	}
	if l.s.DSN {
		// As the return of a whole film would help nobody: headers.
		l.c.SetDSNMailReturnOption("HDRS")
		l.c.SetDSNRcptNotifyOption("FAILURE,DELAY")
	}
	return l.login(ctx)
}

// login authenticates with what the server offers: over TLS in the order of
// how common it is, without (this machine only) without showing the password.
func (l *line) login(ctx context.Context) error {
	if l.s.User == "" {
		return nil
	}
	_, offered := l.c.Extension("AUTH")
	order := []string{"PLAIN", "LOGIN", "CRAM-MD5"}
	if l.s.TLS == NoTLS {
		order = []string{"CRAM-MD5", "PLAIN", "LOGIN"}
	}
	has := strings.Fields(strings.ToUpper(offered))
	i := slices.IndexFunc(order, func(m string) bool { return slices.Contains(has, m) })
	if i < 0 {
		return l.settings("offers no way to say user and password that is known here", nil, "PLAIN, LOGIN or CRAM-MD5")
	}
	auth := map[string]smtp.Auth{
		"PLAIN":    smtp.PlainAuth("", l.s.User, l.s.Password, l.s.Host, l.s.TLS == NoTLS),
		"LOGIN":    smtp.LoginAuth(l.s.User, l.s.Password, l.s.Host, l.s.TLS == NoTLS),
		"CRAM-MD5": smtp.CRAMMD5Auth(l.s.User, l.s.Password),
	}[order[i]]
	l.wire.within(ctx, l.s.Timeout)
	if err := l.c.Auth(auth); err != nil {
		if code, _, _ := answer(err); code >= 500 {
			return l.settings("does not take user and password", err, "look at the user and at the environment variable of the password")
		}
		return l.failed("did not take user and password now", err)
	}
	return nil
}

func (l *line) failed(what string, err error) error {
	code, text, _ := answer(err)
	if code > 0 {
		text = fmt.Sprintf("%d %s", code, text)
	}
	return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "mail", What: fmt.Sprintf("the mail server %s %s: %s", l.s.Host, what, text), Err: err}
}

func (l *line) settings(what string, err error, hint string) error {
	what = fmt.Sprintf("the mail server %s %s", l.s.Host, what)
	if err == nil {
		return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: what, Hint: hint, Err: ErrSettings}
	}
	code, text, _ := answer(err)
	if code > 0 {
		text = fmt.Sprintf("%d %s", code, text)
	}
	return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "mail", What: what + ": " + text, Hint: hint, Err: fmt.Errorf("%w: %w", ErrSettings, err)}
}

// unsafe sorts what went wrong with TLS.
func (l *line) unsafe(err error) error {
	var cert *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	switch {
	case errors.As(err, &cert):
		return l.settings("shows a certificate that can't be trusted", cert.Err, "the host must be written as in the certificate")
	case errors.As(err, &record):
		return l.settings("does not speak TLS at this port", nil, "587 wants tls: starttls, 465 tls: tls")
	}
	return l.failed("broke off while the connection was protected", err)
}

// answer is the server's code and its words on one line, or what went wrong in
// place of an answer, code 0. alive: the connection can be used on.
func answer(err error) (code int, text string, alive bool) {
	var said *textproto.Error
	var babel textproto.ProtocolError
	var deaf net.Error
	switch {
	case errors.As(err, &said):
		return said.Code, oneLine(said.Msg), said.Code != 421
	case errors.As(err, &babel):
		return 0, oneLine("an answer that is not SMTP: " + string(babel)), false
	case errors.Is(err, os.ErrDeadlineExceeded), errors.As(err, &deaf) && deaf.Timeout():
		return 0, "no answer in time", false
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return 0, "the connection was closed", false
	}
	return 0, oneLine(err.Error()), false
}

// longest is the most that is kept of a server's words, bytes.
const longest = 200

// oneLine makes a foreign text safe to print: one line, nothing invisible.
func oneLine(s string) string {
	s = strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if hidden(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))), " ")
	if len(s) <= longest {
		return s
	}
	end := 0
	for i, r := range s {
		if i+len(string(r)) > longest-len("…") {
			break
		}
		end = i + len(string(r))
	}
	return s[:end] + "…"
}

// sending gathers the answers; open are those not given yet.
type sending struct {
	answers []Answer
	path    []string // the addresses as the envelope has them
	open    []int
}

func (s *sending) answer(i int, o Outcome, code int, text string) {
	s.answers[i].Outcome, s.answers[i].Code, s.answers[i].Text = o, code, text
	s.open = slices.DeleteFunc(s.open, func(j int) bool { return i == j })
}

// rest answers all that are open.
func (s *sending) rest(o Outcome, code int, text string) {
	for _, i := range slices.Clone(s.open) {
		s.answer(i, o, code, text)
	}
}

// Send hands a message over; see Line. What happens when the connection ends
// depends on where: until the end of the message has been written nothing was
// handed over, as a server must drop a message that breaks off (RFC 5321
// 4.1.1.10: it "MUST cancel any pending transaction" and act as if there had
// been "a temporary error"), so the answer is Later; from the first byte of
// that end to a whole answer it is Unsure.
func (l *line) Send(ctx context.Context, m *Message, to []string, going func(taken []string) error) ([]Answer, error) {
	s := &sending{answers: make([]Answer, len(to)), path: make([]string, len(to))}
	for i, a := range to {
		s.answers[i].To = a
		s.open = append(s.open, i)
	}
	if l.dead == nil && ctx.Err() != nil {
		l.dead = ctx.Err()
	}
	if l.dead != nil {
		s.rest(Later, 0, oneLine(l.dead.Error()))
		return s.answers, l.dead
	}
	defer l.wire.listen(ctx)()
	if err := l.send(ctx, m, s, going); err != nil {
		// Without QUIT: it would first write the end of a message that broke off.
		_ = l.wire.Close()
		if l.dead = err; ctx.Err() != nil {
			l.dead = ctx.Err()
		}
		s.rest(Later, 0, oneLine(l.dead.Error()))
		return s.answers, l.dead
	}
	return s.answers, nil
}

// send does it; an error is the end of the line. Answers that it leaves open
// are Later.
func (l *line) send(ctx context.Context, m *Message, s *sending, going func(taken []string) error) error {
	if !l.fits(m, s) {
		return nil
	}
	if l.used {
		l.wire.within(ctx, l.s.Timeout)
		if err := l.c.Reset(); err != nil {
			return l.failed("no longer listens", err)
		}
	}
	l.used = true
	if more, err := l.envelope(ctx, m, s); !more {
		return err
	}
	l.wire.within(ctx, l.s.Timeout)
	data, err := l.c.Data()
	if err != nil {
		return l.refused(s, "at the message", err)
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	taken := make([]string, len(s.open))
	for n, i := range s.open {
		taken[n] = s.answers[i].To
	}
	if err := going(taken); err != nil {
		return err
	}
	if err := l.body(ctx, data, m.Raw); err != nil {
		return l.brokeOff(ctx, s, err)
	}
	l.wire.patient(lastWord)
	defer l.wire.patient(0)
	l.wire.within(ctx, l.s.end)
	err = data.Close() // writes the end, reads the answer
	code, text, alive := 250, "", true
	if err == nil {
		if d, ok := data.(*smtp.DataCloser); ok {
			text = oneLine(d.ServerResponse())
		}
	} else {
		code, text, alive = answer(err)
	}
	switch code / 100 {
	case 2:
		s.rest(Taken, code, text)
	case 4:
		s.rest(Later, code, text)
	case 5:
		s.rest(Never, code, text)
	default:
		s.rest(Unsure, code, text)
		alive = false
	}
	if !alive {
		return l.failed("hung up", err)
	}
	return nil
}

// fits answers what can't go over this line; false if nothing is left to do.
func (l *line) fits(m *Message, s *sending) bool {
	wide := false
	can, _ := l.c.Extension("SMTPUTF8")
	for _, i := range slices.Clone(s.open) {
		a, err := address(mail.Address{Address: s.answers[i].To}, "the address")
		s.path[i] = a.Address
		switch {
		case err != nil:
			s.answer(i, Never, 0, oneLine(err.Error()))
		case ascii(a.Address):
		case !can:
			s.answer(i, Never, 0, "the mail server can't send to an address with such letters (no SMTPUTF8)")
		default:
			wide = true
		}
	}
	if !envelopeForm(m.From) {
		s.rest(Never, 0, "not an address that can be sent from")
	}
	l.c.SkipSMTPUTF8(!wide)
	if most := l.most(); most > 0 && len(m.Raw) > most {
		s.rest(Never, 0, fmt.Sprintf("the message has %.1f MB, the mail server takes at most %.1f MB", float64(len(m.Raw))/1e6, float64(most)/1e6))
	}
	return len(s.open) > 0
}

// most is the server's SIZE, RFC 1870; 0: none is known.
func (l *line) most() int {
	_, size := l.c.Extension("SIZE")
	n, err := strconv.Atoi(strings.TrimSpace(size))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// envelope says MAIL and every RCPT. more: somebody was taken.
func (l *line) envelope(ctx context.Context, m *Message, s *sending) (more bool, err error) {
	from := "<" + m.From + ">"
	if ok, _ := l.c.Extension("SIZE"); ok {
		from += fmt.Sprintf(" SIZE=%d", len(m.Raw))
	}
	l.wire.within(ctx, l.s.Timeout)
	if err := l.c.Mail(from); err != nil {
		return false, l.refused(s, "from this sender", err)
	}
	taken := 0
	for _, i := range slices.Clone(s.open) {
		l.wire.within(ctx, l.s.Timeout)
		err := l.c.Rcpt("<" + s.path[i] + ">")
		if err == nil {
			taken++
			continue
		}
		code, text, alive := answer(err)
		switch {
		case !alive || needsLogin(code):
			return false, l.refused(s, "to this address", err)
		case code/100 == 5 && !(code == 552 && taken > 0): // 552 after others is "too many", RFC 5321 4.5.3.1.10
			s.answer(i, Never, code, text)
		default:
			s.answer(i, Later, code, text)
		}
	}
	return taken > 0, nil
}

// needsLogin are the codes that say that AUTH is missing or not enough, RFC 4954.
func needsLogin(code int) bool { return slices.Contains([]int{530, 534, 535, 538}, code) }

// refused answers all that are open with what a command before the message was
// answered. An error is the end of the line.
func (l *line) refused(s *sending, what string, err error) error {
	code, text, alive := answer(err)
	switch {
	case needsLogin(code):
		s.rest(Later, code, text)
		return l.settings("wants user and password", err, "")
	case code/100 == 5:
		s.rest(Never, code, text)
	default:
		s.rest(Later, code, text)
	}
	if !alive || code/100 < 4 {
		return l.failed("broke off "+what, err)
	}
	return nil
}

// body writes the message but for its end. After an error the end has surely
// not been written: it is data.Close that writes it.
func (l *line) body(ctx context.Context, data io.Writer, raw []byte) error {
	last := time.Now().Add(l.s.Timeout + time.Duration(len(raw)/slowest)*time.Second)
	for p := range slices.Chunk(raw, piece) {
		l.wire.within(ctx, min(l.s.Timeout, time.Until(last)))
		if _, err := data.Write(p); err != nil {
			return err
		}
	}
	return l.c.Text.W.Flush()
}

// brokeOff answers for a message that could not be written to its end. Some
// servers say why before they hang up.
func (l *line) brokeOff(ctx context.Context, s *sending, err error) error {
	if ctx.Err() == nil {
		l.wire.within(ctx, min(l.s.Timeout, time.Second))
		_, _, said := l.c.Text.ReadResponse(250)
		if code, text, _ := answer(said); said != nil && code >= 400 {
			o := Later
			if code >= 500 {
				o = Never
			}
			s.rest(o, code, text)
			return l.failed("broke off in the message", said)
		}
	}
	_, text, _ := answer(err)
	s.rest(Later, 0, text)
	return l.failed("broke off in the message", err)
}

// Close says good-bye where somebody may listen.
func (l *line) Close() error {
	if l.dead == nil {
		l.dead = errors.New("the line is closed")
		l.wire.within(context.Background(), min(l.s.Timeout, 5*time.Second))
		_ = l.c.Quit() // what was answered was answered
	}
	_ = l.wire.Close()
	return nil
}
