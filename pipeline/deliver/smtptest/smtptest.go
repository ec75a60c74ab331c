// Package smtptest is a mail server for tests that fails on demand: it follows
// a script, one fault for every connection or message, and afterwards says what
// it kept. It speaks RFC 5321 as far as a sender meets it.
package smtptest

import (
	"bufio"
	"bytes"
	"crypto/hmac"
	"crypto/md5" //nolint:gosec // CRAM-MD5 is made of it, RFC 2195
	"crypto/tls"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// Fault is what goes wrong with one connection or one message.
type Fault string

// None: the message is taken. The faults of a connection:
const (
	None Fault = "none"

	Refuse     Fault = "refuse"      // reset before a word
	DropGreet  Fault = "drop greet"  // closed before the greeting
	HangGreet  Fault = "hang greet"  // no greeting ever
	Greet421   Fault = "greet 421"   //
	Greet554   Fault = "greet 554"   //
	GreetBabel Fault = "greet babel" // speaks no SMTP
	HangEHLO   Fault = "hang ehlo"   //
	DropEHLO   Fault = "drop ehlo"   //
)

// The faults of a message before its bytes go. Nothing was kept.
const (
	Mail421   Fault = "mail 421"
	Mail451   Fault = "mail 451"
	Mail452   Fault = "mail 452"
	Mail550   Fault = "mail 550"
	Mail552   Fault = "mail 552"
	HangMail  Fault = "hang mail"
	DropMail  Fault = "drop mail"
	Rcpt421   Fault = "rcpt 421"
	Rcpt450   Fault = "rcpt 450" // greylisted
	Rcpt452   Fault = "rcpt 452"
	Rcpt550   Fault = "rcpt 550"
	RcptMixed Fault = "rcpt mixed" // the first 550, the second 250, the third 450, …
	HangRcpt  Fault = "hang rcpt"
	DropRcpt  Fault = "drop rcpt"
	Data421   Fault = "data 421"
	Data451   Fault = "data 451"
	Data554   Fault = "data 554"
	HangData  Fault = "hang data"
	DropData  Fault = "drop data"
)

// The faults while the message goes and after it. Kept are those with a word
// about it.
const (
	DropMid   Fault = "drop mid"   // closed in the middle of the message
	ResetMid  Fault = "reset mid"  // reset there
	HangMid   Fault = "hang mid"   // reads no further
	Mid552    Fault = "mid 552"    // says in the middle that it is too large, and closes
	End421    Fault = "end 421"    // the answer, then closed
	End451    Fault = "end 451"    //
	End452    Fault = "end 452"    //
	End550    Fault = "end 550"    //
	End552    Fault = "end 552"    //
	DropLost  Fault = "drop lost"  // closed after the message, without an answer; not kept
	DropKept  Fault = "drop kept"  // closed after the message, without an answer; KEPT
	HangLost  Fault = "hang lost"  // never answers; not kept
	HangKept  Fault = "hang kept"  // never answers; KEPT
	BabelKept Fault = "babel kept" // answers what is no SMTP; KEPT
	HalfKept  Fault = "half kept"  // closed in the middle of its answer; KEPT
	Slow      Fault = "slow"       // reads and answers slowly; KEPT and answered
	Wordy     Fault = "wordy"      // answers many long lines with odd bytes; KEPT and answered
	Closes    Fault = "closes"     // takes the message, then closes; KEPT and answered
)

// Faults are all of them but None.
var Faults = []Fault{
	Refuse, DropGreet, HangGreet, Greet421, Greet554, GreetBabel, HangEHLO, DropEHLO,
	Mail421, Mail451, Mail452, Mail550, Mail552, HangMail, DropMail,
	Rcpt421, Rcpt450, Rcpt452, Rcpt550, RcptMixed, HangRcpt, DropRcpt,
	Data421, Data451, Data554, HangData, DropData,
	DropMid, ResetMid, HangMid, Mid552, End421, End451, End452, End550, End552,
	DropLost, DropKept, HangLost, HangKept, BabelKept, HalfKept, Slow, Wordy, Closes,
}

// ofConnection are the faults that strike before a message is named.
var ofConnection = map[Fault]bool{Refuse: true, DropGreet: true, HangGreet: true, Greet421: true, Greet554: true, GreetBabel: true, HangEHLO: true, DropEHLO: true}

// Random is a script of n entries, about half of them None; the same number
// gives the same script.
func Random(number uint64, n int) []Fault {
	r := rand.New(rand.NewPCG(number, 0x7a9e))
	out := make([]Fault, n)
	for i := range out {
		out[i] = None
		if r.IntN(2) == 0 {
			out[i] = Faults[r.IntN(len(Faults))]
		}
	}
	return out
}

// Received is a message that the server kept, as far as a server's word goes:
// it lies in the mailboxes of To.
type Received struct {
	From     string   // of the envelope, without parameters
	Params   []string // of MAIL, "SIZE=…"
	To       []string // those that RCPT was answered 250 for
	Raw      []byte   // dots taken out again
	Answered bool     // the sender could learn of it
	TLS      bool
	User     string // that authenticated
}

// Options of a server. The zero value is one without TLS and AUTH that offers
// 8BITMIME, SMTPUTF8, DSN and a SIZE of 50 MB.
type Options struct {
	TLS            bool     // offers STARTTLS
	Implicit       bool     // TLS from the first byte
	Names          []string // of its certificate; nil: localhost and 127.0.0.1
	Offer          []string // of EHLO, in place of the usual ones
	User, Password string   // AUTH is offered and needed
	Mechanisms     string   // of AUTH; empty: "PLAIN LOGIN CRAM-MD5"
}

// Server is a running server.
type Server struct {
	l    net.Listener
	opt  Options
	cert tls.Certificate
	root *authority
	quit chan struct{}
	wg   sync.WaitGroup

	mu       sync.Mutex
	script   []Fault
	met      []Fault
	received []Received
	conns    map[net.Conn]bool
	opened   int
	commands []string
}

// New starts a server on a free port of this machine; it ends with the test.
func New(t testing.TB, script ...Fault) *Server { return NewWith(t, Options{}, script...) }

// NewWith is New with options.
func NewWith(t testing.TB, opt Options, script ...Fault) *Server {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if opt.Mechanisms == "" {
		opt.Mechanisms = "PLAIN LOGIN CRAM-MD5"
	}
	s := &Server{l: l, opt: opt, script: script, quit: make(chan struct{}), conns: map[net.Conn]bool{}}
	if opt.TLS || opt.Implicit {
		names := opt.Names
		if names == nil {
			names = []string{"localhost", "127.0.0.1"}
		}
		if s.root, err = newAuthority(); err == nil {
			s.cert, err = s.root.issue(names)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s.wg.Add(1)
	go s.accept()
	t.Cleanup(s.Close)
	return s
}

// Close ends the server and all connections.
func (s *Server) Close() {
	s.mu.Lock()
	select {
	case <-s.quit:
	default:
		close(s.quit)
	}
	for c := range s.conns {
		_ = c.Close()
	}
	s.mu.Unlock()
	_ = s.l.Close()
	s.wg.Wait()
}

// Port of 127.0.0.1 on which it listens.
func (s *Server) Port() int { return s.l.Addr().(*net.TCPAddr).Port }

// RootPEM is the authority that signed the server's certificate.
func (s *Server) RootPEM() []byte { return s.root.pem }

// Then adds to the script.
func (s *Server) Then(more ...Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.script = append(s.script, more...)
}

// Met is what was met of the script, in order.
func (s *Server) Met() []Fault {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Fault(nil), s.met...)
}

// Received is what was kept, in order.
func (s *Server) Received() []Received {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Received(nil), s.received...)
}

// Opened counts the connections.
func (s *Server) Opened() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.opened
}

// Commands are all lines that came outside of messages, AUTH's without its
// words.
func (s *Server) Commands() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.commands...)
}

// next takes the script's next fault if want likes it.
func (s *Server) next(want func(Fault) bool) (Fault, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.script) == 0 {
		return None, want(None)
	}
	f := s.script[0]
	if !want(f) {
		return f, false
	}
	s.script, s.met = s.script[1:], append(s.met, f)
	return f, true
}

func (s *Server) accept() {
	defer s.wg.Done()
	for {
		c, err := s.l.Accept()
		if err != nil {
			return
		}
		if t, ok := c.(*net.TCPConn); ok {
			_ = t.SetReadBuffer(32 << 10) // so that a sender learns early that nobody reads
		}
		s.mu.Lock()
		s.opened++
		s.conns[c] = true
		s.mu.Unlock()
		s.wg.Add(1)
		go func() {
			defer s.wg.Done()
			(&session{s: s, raw: c, c: c, r: bufio.NewReader(c)}).run()
			_ = c.Close()
			s.mu.Lock()
			delete(s.conns, c)
			s.mu.Unlock()
		}()
	}
}

// session is one connection.
type session struct {
	s      *Server
	raw, c net.Conn
	r      *bufio.Reader
	tls    bool
	user   string

	fault  Fault // of the message at hand
	from   string
	params []string
	to     []string
	asked  int // RCPTs
}

func (c *session) say(format string, args ...any) bool {
	_, err := fmt.Fprintf(c.c, format+"\r\n", args...)
	return err == nil
}

// hang waits until the server ends or the sender gives up.
func (c *session) hang() {
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		_, _ = io.Copy(io.Discard, c.raw)
	}()
	select {
	case <-gone:
	case <-c.s.quit:
	}
}

// reset ends the connection with RST, so that what is under way is lost.
func (c *session) reset() {
	if t, ok := c.raw.(*net.TCPConn); ok {
		_ = t.SetLinger(0)
	}
	_ = c.raw.Close()
}

func (c *session) run() {
	f, ok := c.s.next(func(f Fault) bool { return ofConnection[f] })
	if !ok {
		f = None
	}
	switch f {
	case Refuse:
		c.reset()
		return
	case DropGreet:
		return
	case HangGreet:
		c.hang()
		return
	}
	if c.s.opt.Implicit && !c.upgrade() {
		return
	}
	switch f {
	case Greet421:
		c.say("421 4.3.2 not now")
		return
	case Greet554:
		c.say("554 5.3.2 no mail here")
		return
	case GreetBabel:
		c.say("HTTP/1.1 400 Bad Request")
		return
	}
	c.say("220 mail.example ESMTP")
	for {
		line, err := c.r.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		verb, rest, _ := strings.Cut(line, " ")
		verb = strings.ToUpper(verb)
		c.s.mu.Lock()
		if verb == "AUTH" {
			mech, _, _ := strings.Cut(rest, " ")
			c.s.commands = append(c.s.commands, "AUTH "+mech)
		} else {
			c.s.commands = append(c.s.commands, line)
		}
		c.s.mu.Unlock()
		if !c.command(f, verb, rest) {
			return
		}
	}
}

// command answers one; false ends the connection.
func (c *session) command(conn Fault, verb, rest string) bool {
	switch verb {
	case "EHLO", "HELO":
		switch conn {
		case HangEHLO:
			c.hang()
			return false
		case DropEHLO:
			return false
		}
		return c.hello(verb)
	case "STARTTLS":
		if !c.s.opt.TLS || c.tls {
			return c.say("502 5.5.1 no TLS")
		}
		c.say("220 go ahead")
		return c.upgrade()
	case "AUTH":
		return c.auth(rest)
	case "RSET":
		c.clear()
		return c.say("250 2.0.0 ok")
	case "NOOP":
		return c.say("250 2.0.0 ok")
	case "QUIT":
		c.say("221 2.0.0 bye")
		return false
	case "MAIL":
		return c.mail(rest)
	case "RCPT":
		return c.rcpt(rest)
	case "DATA":
		return c.data()
	}
	return c.say("500 5.5.2 what?")
}

func (c *session) hello(verb string) bool {
	c.clear()
	if verb == "HELO" {
		return c.say("250 mail.example")
	}
	offer := c.s.opt.Offer
	if offer == nil {
		offer = []string{"8BITMIME", "SMTPUTF8", "DSN", "SIZE 50000000", "ENHANCEDSTATUSCODES"}
	}
	lines := append([]string{"mail.example"}, offer...)
	if c.s.opt.TLS && !c.tls {
		lines = append(lines, "STARTTLS")
	}
	if c.s.opt.User != "" {
		lines = append(lines, "AUTH "+c.s.opt.Mechanisms)
	}
	for i, l := range lines {
		sep := "-"
		if i == len(lines)-1 {
			sep = " "
		}
		c.say("250%s%s", sep, l)
	}
	return true
}

func (c *session) upgrade() bool {
	t := tls.Server(c.raw, &tls.Config{Certificates: []tls.Certificate{c.s.cert}, MinVersion: tls.VersionTLS12})
	if t.Handshake() != nil {
		return false
	}
	c.c, c.r, c.tls = t, bufio.NewReader(t), true
	return true
}

func (c *session) auth(rest string) bool {
	mech, first, _ := strings.Cut(rest, " ")
	ask := func(challenge string) string {
		c.say("334 %s", base64.StdEncoding.EncodeToString([]byte(challenge)))
		line, _ := c.r.ReadString('\n')
		b, _ := base64.StdEncoding.DecodeString(strings.TrimSpace(line))
		return string(b)
	}
	right := false
	switch strings.ToUpper(mech) {
	case "PLAIN":
		b, _ := base64.StdEncoding.DecodeString(first)
		right = string(b) == "\x00"+c.s.opt.User+"\x00"+c.s.opt.Password
	case "LOGIN":
		user := ask("Username:")
		right = ask("Password:") == c.s.opt.Password && user == c.s.opt.User
	case "CRAM-MD5":
		const challenge = "<1896.697170952@mail.example>"
		m := hmac.New(md5.New, []byte(c.s.opt.Password))
		m.Write([]byte(challenge))
		right = ask(challenge) == c.s.opt.User+" "+hex.EncodeToString(m.Sum(nil))
	default:
		return c.say("504 5.5.4 unknown mechanism")
	}
	if !right {
		return c.say("535 5.7.8 wrong user or password")
	}
	c.user = c.s.opt.User
	return c.say("235 2.7.0 welcome")
}

func (c *session) clear() { c.fault, c.from, c.params, c.to, c.asked = "", "", nil, nil, 0 }

// path takes the address out of "FROM:<a@b> SIZE=1".
func path(rest, word string) (addr string, params []string, ok bool) {
	if len(rest) < len(word) || !strings.EqualFold(rest[:len(word)], word) {
		return "", nil, false
	}
	rest = rest[len(word):]
	end := strings.LastIndex(rest, ">")
	if !strings.HasPrefix(rest, "<") || end < 0 {
		return "", nil, false
	}
	return rest[1:end], strings.Fields(rest[end+1:]), true
}

func (c *session) mail(rest string) bool {
	if c.s.opt.User != "" && c.user == "" {
		return c.say("530 5.7.0 authentication required")
	}
	if c.fault != "" {
		return c.say("503 5.5.1 a message is under way")
	}
	f, ok := c.s.next(func(f Fault) bool { return !ofConnection[f] })
	if !ok { // the next connection meets it
		c.say("421 4.3.2 no more on this connection")
		return false
	}
	from, params, ok := path(rest, "FROM:")
	if !ok {
		return c.say("501 5.5.4 no address")
	}
	switch f {
	case HangMail:
		c.hang()
		return false
	case DropMail:
		return false
	case Mail421:
		c.say("421 4.3.2 shutting down")
		return false
	case Mail451, Mail452:
		return c.say("%s 4.3.0 try later", code(f))
	case Mail550, Mail552:
		return c.say("%s 5.7.1 not from you", code(f))
	}
	c.fault, c.from, c.params = f, from, params
	return c.say("250 2.1.0 ok")
}

func code(f Fault) string { return string(f)[len(f)-3:] }

func (c *session) rcpt(rest string) bool {
	to, _, ok := path(rest, "TO:")
	if c.fault == "" {
		return c.say("503 5.5.1 MAIL first")
	}
	if !ok || strings.Count(to, "@") != 1 {
		return c.say("501 5.1.3 no address")
	}
	c.asked++
	switch c.fault {
	case HangRcpt:
		c.hang()
		return false
	case DropRcpt:
		return false
	case Rcpt421:
		c.say("421 4.3.2 shutting down")
		return false
	case Rcpt450, Rcpt452:
		return c.say("%s 4.2.0 come again", code(c.fault))
	case Rcpt550: // many a server repeats the address
		return c.say("550 5.1.1 <%s>: nobody of that name", to)
	case RcptMixed:
		switch c.asked % 3 {
		case 1:
			return c.say("550 5.1.1 nobody of that name")
		case 0:
			return c.say("450 4.2.0 greylisted")
		}
	}
	c.to = append(c.to, to)
	return c.say("250 2.1.5 ok")
}

func (c *session) data() bool {
	switch {
	case len(c.to) == 0:
		return c.say("503 5.5.1 RCPT first")
	case c.fault == HangData:
		c.hang()
		return false
	case c.fault == DropData:
		return false
	case c.fault == Data421:
		c.say("421 4.3.2 shutting down")
		return false
	case c.fault == Data451:
		return c.say("451 4.3.0 try later")
	case c.fault == Data554:
		return c.say("554 5.6.0 no")
	}
	c.say("354 go ahead")
	var raw bytes.Buffer
	for n := 0; ; n++ {
		line, err := c.r.ReadBytes('\n')
		if err != nil {
			return false
		}
		if n == 3 { // inside of the header of any message
			switch c.fault {
			case DropMid:
				return false
			case ResetMid:
				c.reset()
				return false
			case HangMid:
				<-c.s.quit // unread, so that the sender's buffers fill
				return false
			case Mid552:
				c.say("552 5.3.4 too large")
				time.Sleep(20 * time.Millisecond)
				return false
			}
		}
		if c.fault == Slow && n%1000 == 0 {
			time.Sleep(5 * time.Millisecond)
		}
		if bytes.Equal(line, []byte(".\r\n")) {
			break
		}
		if line[0] == '.' {
			line = line[1:]
		}
		raw.Write(line)
	}
	return c.end(raw.Bytes())
}

// end answers the whole message.
func (c *session) end(raw []byte) bool {
	f := c.fault
	keep := func(answered bool) {
		c.s.mu.Lock()
		defer c.s.mu.Unlock()
		c.s.received = append(c.s.received, Received{From: c.from, Params: c.params, To: c.to, Raw: raw, Answered: answered, TLS: c.tls, User: c.user})
	}
	switch f {
	case DropLost:
		return false
	case DropKept:
		keep(false)
		return false
	case HangLost:
		c.hang()
		return false
	case HangKept:
		keep(false)
		c.hang()
		return false
	case BabelKept:
		keep(false)
		c.say("fine, thanks")
		return false
	case HalfKept:
		keep(false)
		_, _ = io.WriteString(c.c, "25")
		return false
	case End421:
		c.say("421 4.3.2 shutting down")
		return false
	case End451, End452, End550, End552:
		c.clear()
		return c.say("%s %s.3.0 not this one", code(f), code(f)[:1])
	case Wordy:
		keep(true)
		c.clear()
		for range 30 {
			c.say("250-%s\x07\x1b[31m\xff", strings.Repeat("word ", 50))
		}
		return c.say("250 2.0.0 done")
	}
	keep(true)
	c.clear()
	if f == Slow {
		time.Sleep(20 * time.Millisecond)
	}
	return c.say("250 2.0.0 taken as %s", strconv.Itoa(len(raw))) && f != Closes
}
