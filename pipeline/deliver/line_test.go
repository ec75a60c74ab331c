package deliver

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver/smtptest"
)

func TestMain(m *testing.M) {
	before := openFiles()
	code := m.Run()
	if after := openFiles(); code == 0 && after > before+2 { // a browser or server that ended leaves none
		fmt.Printf("%d files open before the tests, %d after\n", before, after)
		code = 1
	}
	os.Exit(code)
}

func openFiles() int {
	d, _ := os.ReadDir("/proc/self/fd")
	return len(d)
}

// letterOf is a message of about so many bytes.
func letterOf(size int) *Message {
	raw := "From: coach@barn.example\r\nTo: ada@home.example\r\nSubject: x\r\nMIME-Version: 1.0\r\n\r\n..dots\r\n.\r\n"
	for len(raw) < size {
		raw += strings.Repeat(strings.Repeat("x", 900)+"\r\n.y\r\n", 1+size/2000)
	}
	return &Message{ID: "1@barn.example", From: "coach@barn.example", To: []string{"ada@home.example", "ben@home.example", "cy@home.example"}, Raw: []byte(raw)}
}

func serverOf(s *smtptest.Server) Server {
	return Server{Host: "127.0.0.1", Port: s.Port(), TLS: NoTLS, Timeout: 250 * time.Millisecond}
}

func goes([]string) error { return nil }

func outcomes(a []Answer) (out []Outcome) {
	for _, x := range a {
		out = append(out, x.Outcome)
	}
	return out
}

// What every fault becomes. "later" of a connection is an error of Dial.
func TestEveryFault(t *testing.T) {
	const dial = "dial"
	for f, want := range map[smtptest.Fault]struct {
		outcome string // of every address; or of the three, with commas
		dead    bool
		code    int
	}{
		smtptest.None: {"taken", false, 250}, smtptest.Slow: {"taken", false, 250}, smtptest.Wordy: {"taken", false, 250}, smtptest.Closes: {"taken", false, 250},
		smtptest.Refuse: {dial, true, 0}, smtptest.DropGreet: {dial, true, 0}, smtptest.HangGreet: {dial, true, 0}, smtptest.Greet421: {dial, true, 421},
		smtptest.Greet554: {dial, true, 554}, smtptest.GreetBabel: {dial, true, 0}, smtptest.HangEHLO: {dial, true, 0}, smtptest.DropEHLO: {dial, true, 0},
		smtptest.Mail421: {"later", true, 421}, smtptest.Mail451: {"later", false, 451}, smtptest.Mail452: {"later", false, 452},
		smtptest.Mail550: {"never", false, 550}, smtptest.Mail552: {"never", false, 552}, smtptest.HangMail: {"later", true, 0}, smtptest.DropMail: {"later", true, 0},
		smtptest.Rcpt421: {"later", true, 421}, smtptest.Rcpt450: {"later", false, 450}, smtptest.Rcpt452: {"later", false, 452}, smtptest.Rcpt550: {"never", false, 550},
		smtptest.RcptMixed: {"never,taken,later", false, 0}, smtptest.HangRcpt: {"later", true, 0}, smtptest.DropRcpt: {"later", true, 0},
		smtptest.Data421: {"later", true, 421}, smtptest.Data451: {"later", false, 451}, smtptest.Data554: {"never", false, 554},
		smtptest.HangData: {"later", true, 0}, smtptest.DropData: {"later", true, 0},
		smtptest.DropMid: {"later", true, 0}, smtptest.ResetMid: {"later", true, 0}, smtptest.HangMid: {"later", true, 0}, smtptest.Mid552: {"never", true, 552},
		smtptest.End421: {"later", true, 421}, smtptest.End451: {"later", false, 451}, smtptest.End452: {"later", false, 452},
		smtptest.End550: {"never", false, 550}, smtptest.End552: {"never", false, 552},
		smtptest.DropLost: {"unsure", true, 0}, smtptest.DropKept: {"unsure", true, 0}, smtptest.HangLost: {"unsure", true, 0}, smtptest.HangKept: {"unsure", true, 0},
		smtptest.BabelKept: {"unsure", true, 0}, smtptest.HalfKept: {"unsure", true, 0},
	} {
		t.Run(string(f), func(t *testing.T) {
			t.Parallel()
			s := smtptest.New(t, f)
			server := serverOf(s)
			size := 2 << 20 // more than the kernel's buffers, so that its middle is a middle
			switch {
			case f == smtptest.DropMid, f == smtptest.ResetMid:
				server.Timeout, size = 20*time.Second, 24<<20
			case f == smtptest.HangMid, f == smtptest.Mid552:
				size = 8 << 20
				if f == smtptest.Mid552 {
					server.Timeout = 20 * time.Second
				}
			case f == smtptest.HangLost, f == smtptest.HangKept:
				server.Timeout, server.end, size = 20*time.Second, 200*time.Millisecond, 400
			case strings.HasPrefix(string(f), "hang"):
				size = 400
			default:
				server.Timeout = 20 * time.Second // a busy machine is no fault
			}
			l, err := Dial(t.Context(), server)
			if want.outcome == dial {
				var pe *pipeline.Error
				if err == nil || !errors.As(err, &pe) || errors.Is(err, ErrSettings) || strings.Contains(err.Error(), "\n") {
					t.Errorf("Dial gave %v", err)
				}
				if code, _, _ := answer(err); code != want.code {
					t.Errorf("code %d, want %d", code, want.code)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			m := letterOf(size)
			called := 0
			got, err := l.Send(t.Context(), m, m.To, func(taken []string) error {
				called++
				if want.outcome != "never,taken,later" && !slices.Equal(taken, m.To) {
					t.Errorf("going to %q", taken)
				}
				return nil
			})
			wanted := strings.Split(want.outcome, ",")
			for i, a := range got {
				if a.To != m.To[i] || string(a.Outcome) != wanted[i%len(wanted)] || want.code != 0 && a.Code != want.code {
					t.Errorf("%+v, want %s %d", a, wanted[i%len(wanted)], want.code)
				}
				if len(a.Text) > longest || strings.ContainsFunc(a.Text, hidden) || !utf8.ValidString(a.Text) {
					t.Errorf("the answer's text is %q", a.Text)
				}
			}
			if (err != nil) != want.dead {
				t.Errorf("error %v, want one: %v", err, want.dead)
			}
			before := strings.HasPrefix(string(f), "mail") || strings.HasPrefix(string(f), "rcpt") || strings.HasPrefix(string(f), "data") ||
				slices.Contains([]smtptest.Fault{smtptest.HangMail, smtptest.DropMail, smtptest.HangRcpt, smtptest.DropRcpt, smtptest.HangData, smtptest.DropData}, f)
			if before && f != smtptest.RcptMixed != (called == 0) {
				t.Errorf("going was called %d times", called)
			}
			for _, r := range s.Received() {
				if !bytes.Equal(r.Raw, m.Raw) {
					t.Errorf("%d bytes came of %d, or others", len(r.Raw), len(m.Raw))
				}
			}
			if want.dead {
				again, err := l.Send(t.Context(), m, m.To[:1], goes)
				if err == nil || again[0].Outcome != Later {
					t.Errorf("a dead line answers %+v, %v", again, err)
				}
				return
			}
			if f == smtptest.Closes {
				return
			}
			// The line is as good as new.
			again, err := l.Send(t.Context(), m, m.To[:1], goes)
			if err != nil || len(again) != 1 || again[0].Outcome != Taken {
				t.Errorf("afterwards: %+v, %v", again, err)
			}
		})
	}
}

// Whatever the server does, what is called taken lies there once, and what is
// called later or never does not.
func TestNoAnswerLies(t *testing.T) {
	runs := 12
	if testing.Short() {
		runs = 3
	}
	for run := range runs {
		t.Run(fmt.Sprint(run), func(t *testing.T) {
			t.Parallel()
			s := smtptest.New(t, smtptest.Random(uint64(run), 24)...)
			server := serverOf(s)
			server.Timeout, server.end = 150*time.Millisecond, 300*time.Millisecond
			var l Line
			defer func() {
				if l != nil {
					l.Close()
				}
			}()
			kept := map[string]int{} // what the answers say
			unsure := map[string]bool{}
			for n := range 20 {
				size := 300
				if n%3 == 0 {
					size = 2 << 20
				}
				m := letterOf(size)
				m.Raw = append([]byte(fmt.Sprintf("X-Number: %d\r\n", n)), m.Raw...)
				open := m.To
				for try := 0; try < 4 && len(open) > 0; try++ {
					if l == nil {
						var err error
						if l, err = Dial(t.Context(), server); err != nil {
							continue
						}
					}
					answers, err := l.Send(t.Context(), m, open, goes)
					open = nil
					for _, a := range answers {
						key := fmt.Sprintf("%d %s", n, a.To)
						switch a.Outcome {
						case Taken:
							kept[key]++
						case Later:
							open = append(open, a.To)
						case Unsure:
							unsure[key] = true
						}
					}
					if err != nil {
						l.Close()
						l = nil
					}
				}
			}
			there := map[string]int{}
			for _, r := range s.Received() {
				n, _, _ := strings.Cut(strings.TrimPrefix(string(r.Raw), "X-Number: "), "\r\n")
				for _, to := range r.To {
					there[n+" "+to]++
				}
			}
			for key, n := range there {
				if n != 1 || kept[key] != 1 && !unsure[key] {
					t.Errorf("%s lies there %d times; the answers say %d, unsure %v", key, n, kept[key], unsure[key])
				}
			}
			for key, n := range kept {
				if n != 1 || there[key] != 1 {
					t.Errorf("%s was taken %d times, and lies there %d times", key, n, there[key])
				}
			}
			if len(there) == 0 {
				t.Error("nothing came at all")
			}
		})
	}
}

func TestGoingStops(t *testing.T) {
	s := smtptest.New(t)
	l, err := Dial(t.Context(), serverOf(s))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	m := letterOf(1000)
	no := errors.New("consent was withdrawn")
	got, err := l.Send(t.Context(), m, m.To, func([]string) error { return no })
	if !errors.Is(err, no) || !slices.Equal(outcomes(got), []Outcome{Later, Later, Later}) {
		t.Errorf("%+v, %v", got, err)
	}
	l.Close()
	s.Close() // all is read by then
	if r := s.Received(); len(r) != 0 {
		t.Errorf("%d messages left all the same", len(r))
	}
}

// One connection for many messages, and RSET between them.
func TestConnectionIsReused(t *testing.T) {
	s := smtptest.New(t, smtptest.None, smtptest.Rcpt550, smtptest.None, smtptest.End451, smtptest.None)
	l, err := Dial(t.Context(), serverOf(s))
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		if _, err := l.Send(t.Context(), letterOf(400), []string{"ada@home.example"}, goes); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if n := len(s.Received()); n != 3 || s.Opened() != 1 {
		t.Errorf("%d messages over %d connections", n, s.Opened())
	}
	c := s.Commands()
	if strings.Count(strings.Join(c, "\n"), "RSET") != 4 || c[len(c)-1] != "QUIT" || c[0] != "EHLO [127.0.0.1]" {
		t.Errorf("the commands were %q", c)
	}
}

func TestExtensions(t *testing.T) {
	for _, c := range []struct {
		name   string
		offer  []string
		dsn    bool
		to     []string
		size   int
		want   []Outcome
		said   string // in the first answer
		has    []string
		hasNot []string
	}{
		{"all", nil, true, []string{"ada@home.example"}, 400, []Outcome{Taken}, "", []string{"SIZE=", "BODY=8BITMIME", "RET=HDRS", "NOTIFY=FAILURE,DELAY"}, []string{"SMTPUTF8"}},
		{"DSN not asked", nil, false, []string{"ada@home.example"}, 400, []Outcome{Taken}, "", []string{"SIZE="}, []string{"RET=", "NOTIFY="}},
		{"none", []string{"HELP"}, true, []string{"ada@home.example"}, 400, []Outcome{Taken}, "", nil, []string{"SIZE=", "BODY", "RET=", "NOTIFY=", "SMTPUTF8"}},
		{"wide letters", nil, false, []string{"añá@home.example", "ada@home.example"}, 400, []Outcome{Taken, Taken}, "", []string{" SMTPUTF8", "RCPT TO:<añá@home.example>"}, nil},
		{"other domain", []string{"HELP"}, false, []string{"ada@España.example"}, 400, []Outcome{Taken}, "", []string{"RCPT TO:<ada@xn--espaa-rta.example>"}, nil},
		{"no SMTPUTF8", []string{"8BITMIME"}, false, []string{"añá@home.example", "ada@home.example"}, 400, []Outcome{Never, Taken}, "SMTPUTF8", nil, []string{"SMTPUTF8", "añá"}},
		{"too large", []string{"SIZE 10000"}, false, []string{"ada@home.example"}, 20000, []Outcome{Never}, "at most 0.0 MB", nil, []string{"MAIL", "DATA"}},
		{"no limit", []string{"SIZE 0"}, false, []string{"ada@home.example"}, 20000, []Outcome{Taken}, "", []string{"SIZE="}, nil},
		{"odd limit", []string{"SIZE many"}, false, []string{"ada@home.example"}, 20000, []Outcome{Taken}, "", []string{"SIZE="}, nil},
		{"two in one", nil, false, []string{"ada@home.example>\r\nRCPT TO:<eve@else.example", "ada@home.example,eve@else.example", "a b@x.example", ""}, 400, []Outcome{Never, Never, Never, Never}, "line break", nil, []string{"eve", "MAIL"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := smtptest.NewWith(t, smtptest.Options{Offer: c.offer})
			server := serverOf(s)
			server.DSN = c.dsn
			l, err := Dial(t.Context(), server)
			if err != nil {
				t.Fatal(err)
			}
			got, err := l.Send(t.Context(), letterOf(c.size), c.to, goes)
			l.Close()
			if err != nil || !slices.Equal(outcomes(got), c.want) || !strings.Contains(got[0].Text, c.said) {
				t.Errorf("%+v, %v", got, err)
			}
			all := strings.Join(s.Commands(), "\n")
			for _, w := range c.has {
				if !strings.Contains(all, w) {
					t.Errorf("no %q in %q", w, all)
				}
			}
			for _, w := range c.hasNot {
				if strings.Contains(all, w) {
					t.Errorf("%q in %q", w, all)
				}
			}
		})
	}
}

// A server that says one limit and means another.
func TestSizeLies(t *testing.T) {
	s := smtptest.NewWith(t, smtptest.Options{Offer: []string{"SIZE 99000000"}}, smtptest.End552)
	l, err := Dial(t.Context(), serverOf(s))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	m := letterOf(2 << 20)
	if got, err := l.Send(t.Context(), m, m.To[:1], goes); err != nil || got[0].Outcome != Never || got[0].Code != 552 {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestTLS(t *testing.T) {
	own := func(s *smtptest.Server) *x509.CertPool {
		p := x509.NewCertPool()
		if !p.AppendCertsFromPEM(s.RootPEM()) {
			t.Fatal("no certificate")
		}
		return p
	}
	for _, c := range []struct {
		name  string
		opt   smtptest.Options
		tls   string
		trust bool
		want  string // of the error
	}{
		{"starttls", smtptest.Options{TLS: true}, StartTLS, true, ""},
		{"tls", smtptest.Options{Implicit: true}, ImplicitTLS, true, ""},
		{"starttls, unknown authority", smtptest.Options{TLS: true}, StartTLS, false, "certificate that can't be trusted"},
		{"tls, unknown authority", smtptest.Options{Implicit: true}, ImplicitTLS, false, "certificate that can't be trusted"},
		{"starttls, wrong name", smtptest.Options{TLS: true, Names: []string{"mail.else.example"}}, StartTLS, true, "certificate that can't be trusted"},
		{"tls, wrong name", smtptest.Options{Implicit: true, Names: []string{"mail.else.example"}}, ImplicitTLS, true, "certificate that can't be trusted"},
		{"none offered", smtptest.Options{}, StartTLS, true, "offers no STARTTLS"},
		{"not at this port", smtptest.Options{}, ImplicitTLS, true, "does not speak TLS"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := smtptest.NewWith(t, c.opt)
			server := Server{Host: "127.0.0.1", Port: s.Port(), TLS: c.tls, Timeout: time.Second}
			if c.trust && (c.opt.TLS || c.opt.Implicit) {
				server.roots = own(s)
			}
			l, err := Dial(t.Context(), server)
			if c.want != "" {
				if err == nil || !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), c.want) {
					t.Errorf("Dial gave %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			m := letterOf(1 << 20)
			got, err := l.Send(t.Context(), m, m.To, goes)
			l.Close()
			if r := s.Received(); err != nil || got[0].Outcome != Taken || len(r) != 1 || !r[0].TLS || !bytes.Equal(r[0].Raw, m.Raw) {
				t.Errorf("%+v, %v, %d received", got, err, len(r))
			}
			if got := strings.Join(s.Commands(), " "); c.tls == StartTLS && !strings.HasPrefix(got, "EHLO [127.0.0.1] STARTTLS EHLO [127.0.0.1] MAIL") {
				t.Errorf("the commands were %q", got)
			}
		})
	}
}

func TestLogin(t *testing.T) {
	for _, c := range []struct {
		name, mech, password, want string
		tls                        bool
	}{
		{"plain", "PLAIN LOGIN CRAM-MD5", "open", "AUTH PLAIN", true},
		{"login", "LOGIN", "open", "AUTH LOGIN", true},
		{"cram", "CRAM-MD5", "open", "AUTH CRAM-MD5", true},
		{"not shown without TLS", "PLAIN LOGIN CRAM-MD5", "open", "AUTH CRAM-MD5", false},
		{"this machine", "PLAIN", "open", "AUTH PLAIN", false},
		{"wrong", "PLAIN", "shut", "535", true},
		{"unknown way", "GSSAPI", "open", "no way to say user", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := smtptest.NewWith(t, smtptest.Options{TLS: c.tls, User: "coach", Password: "open", Mechanisms: c.mech})
			server := serverOf(s)
			server.User, server.Password, server.Timeout = "coach", c.password, time.Second
			if c.tls {
				server.TLS, server.roots = StartTLS, x509.NewCertPool()
				server.roots.AppendCertsFromPEM(s.RootPEM())
			}
			l, err := Dial(t.Context(), server)
			if err != nil {
				if !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), c.password) {
					t.Errorf("Dial gave %v", err)
				}
				return
			}
			m := letterOf(100)
			got, err := l.Send(t.Context(), m, m.To[:1], goes)
			l.Close()
			r := s.Received()
			if err != nil || len(r) != 1 || r[0].User != "coach" || got[0].Outcome != Taken {
				t.Fatalf("%+v, %v", got, err)
			}
			if !slices.Contains(s.Commands(), c.want) {
				t.Errorf("no %s in %q", c.want, s.Commands())
			}
		})
	}
	t.Run("none given", func(t *testing.T) {
		s := smtptest.NewWith(t, smtptest.Options{User: "coach", Password: "open"})
		l, err := Dial(t.Context(), serverOf(s))
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		m := letterOf(100)
		got, err := l.Send(t.Context(), m, m.To[:1], goes)
		if !errors.Is(err, ErrSettings) || got[0].Outcome != Later || got[0].Code != 530 {
			t.Errorf("%+v, %v", got, err)
		}
	})
}

// The end of the context ends every wait, and quickly.
func TestContextEnds(t *testing.T) {
	for f, want := range map[smtptest.Fault]Outcome{
		smtptest.HangGreet: "", smtptest.HangEHLO: "", smtptest.HangMail: Later, smtptest.HangRcpt: Later, smtptest.HangData: Later, smtptest.HangMid: Later,
	} {
		t.Run(string(f), func(t *testing.T) {
			t.Parallel()
			s := smtptest.New(t, f)
			server := serverOf(s)
			server.Timeout = time.Minute
			ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
			defer cancel()
			start := time.Now()
			l, err := Dial(ctx, server)
			if err == nil {
				m := letterOf(8 << 20)
				var got []Answer
				got, err = l.Send(ctx, m, m.To[:1], goes)
				l.Close()
				if got[0].Outcome != want {
					t.Errorf("%+v", got)
				}
			}
			if !errors.Is(err, context.DeadlineExceeded) || time.Since(start) > 5*time.Second {
				t.Errorf("%v after %v", err, time.Since(start))
			}
		})
	}
	// A message that has gone is waited for a little, so that its answer is known.
	t.Run("gone", func(t *testing.T) {
		s := smtptest.New(t, smtptest.Slow)
		l, err := Dial(t.Context(), serverOf(s))
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ctx, cancel := context.WithCancel(t.Context())
		m := letterOf(400)
		got, err := l.Send(ctx, m, m.To[:1], func([]string) error {
			time.AfterFunc(10*time.Millisecond, cancel)
			return nil
		})
		if got[0].Outcome != Taken || err != nil {
			t.Errorf("%+v, %v", got, err)
		}
	})
}

func TestServerCheck(t *testing.T) {
	for _, c := range []struct {
		s    Server
		want string
	}{
		{Server{Host: "mail.example.org"}, ""},
		{Server{Host: "Mail.Example.org.", Port: 465}, ""},
		{Server{Host: "correo.españa.example"}, ""},
		{Server{Host: "::1", TLS: NoTLS}, ""},
		{Server{Host: "localhost", TLS: NoTLS}, ""},
		{Server{Host: "127.8.8.8", TLS: NoTLS}, ""},
		{Server{Host: "localhost.example.org", TLS: NoTLS}, "unprotected"},
		{Server{Host: "192.0.2.7", TLS: NoTLS}, "unprotected"},
		{Server{Host: ""}, "no name"},
		{Server{Host: "mail.example.org:587"}, "no name"},
		{Server{Host: "mail example.org"}, "no name"},
		{Server{Host: "mail.example.org", Port: 70000}, "no port"},
		{Server{Host: "mail.example.org", TLS: "ssl"}, "no way"},
		{Server{Host: "mail.example.org", Helo: "a b"}, "EHLO"},
		{Server{Host: "mail.example.org", Password: "open\n"}, "control"},
	} {
		err := c.s.Check()
		if (err == nil) != (c.want == "") || err != nil && (!strings.Contains(err.Error(), c.want) || !errors.Is(err, ErrSettings)) {
			t.Errorf("%+v: %v, want %q", c.s, err, c.want)
		}
	}
	if s, _ := (Server{Host: "h.example", Port: 465}).filled(); s.TLS != ImplicitTLS {
		t.Error("465 is not TLS")
	}
	if s, _ := (Server{Host: "h.example", TLS: ImplicitTLS}).filled(); s.Port != 465 {
		t.Error("TLS is not at 465")
	}
	if s, _ := (Server{Host: "h.example"}).filled(); s.Port != 587 || s.TLS != StartTLS {
		t.Error("587 is not where mail is submitted")
	}
}

// Nobody listens.
func TestNobodyListens(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	_, err = Dial(t.Context(), Server{Host: "127.0.0.1", Port: port, TLS: NoTLS, Timeout: time.Second})
	if err == nil || errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), "does not answer") {
		t.Errorf("Dial gave %v", err)
	}
}

// A server that talks for ever is not listened to for ever.
func TestTalkWithoutEnd(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		for {
			if _, err := io.WriteString(c, "220-"+strings.Repeat("a", 60000)+"\r\n"); err != nil {
				return
			}
		}
	}()
	_, err = Dial(t.Context(), Server{Host: "127.0.0.1", Port: l.Addr().(*net.TCPAddr).Port, TLS: NoTLS, Timeout: time.Minute})
	if err == nil || !strings.Contains(err.Error(), "no end") {
		t.Errorf("Dial gave %v", err)
	}
}

func TestOneLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) })).Draw(t, "s")
		got := oneLine(s)
		if len(got) > longest || !utf8.ValidString(got) || strings.ContainsFunc(got, hidden) {
			t.Errorf("%q", got)
		}
	})
	if got := oneLine("a\r\nb\tc"); got != "a b c" {
		t.Errorf("%q", got)
	}
	if got := oneLine(strings.Repeat("é", 300)); len(got) > longest || !strings.HasSuffix(got, "é…") {
		t.Errorf("%q", got)
	}
}
