// Package pgtest runs a PostgreSQL server for tests: Debian's programs, a folder
// of its own, gone with the test program however that ends. Nothing else uses
// it.
package pgtest

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"database/sql"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib"
)

// Server is one server.
type Server struct {
	Addr string // 127.0.0.1:port

	dir, password string
	tell          io.Writer
	told          *bufio.Reader
	mu            sync.Mutex
	empty         []string // databases
}

var shared struct {
	once   sync.Once
	server *Server
	err    error
}

// URL is a fresh, empty database on a server that all tests of the program
// share. Where there is no server the test is skipped.
func URL(t testing.TB) string {
	t.Helper()
	available(t)
	shared.once.Do(func() { shared.server, shared.err = start(false) })
	if shared.err != nil {
		t.Fatal(shared.err)
	}
	return shared.server.URL(t)
}

// New is a server of the test's own, which it may stop and restart. With safe it
// writes through to the disk.
func New(t testing.TB, safe bool) *Server {
	t.Helper()
	available(t)
	s, err := start(safe)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.end)
	return s
}

func available(t testing.TB) {
	t.Helper()
	if testing.Short() {
		t.Skip("short: no database server is started")
	}
	if programs() == "" {
		t.Skip("no PostgreSQL server is installed: /usr/lib/postgresql/*/bin (scripts/setup --dev)")
	}
}

// programs is the folder of the newest server.
func programs() string {
	all, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	if len(all) == 0 {
		return ""
	}
	version := func(p string) int {
		n, _ := strconv.Atoi(filepath.Base(filepath.Dir(filepath.Dir(p))))
		return n
	}
	return filepath.Dir(slices.MaxFunc(all, func(a, b string) int { return version(a) - version(b) }))
}

// keeper starts and stops the server by words on its input, and when that ends
// stops it for good and removes the folder.
const keeper = `
start() { "$BIN/postgres" -D "$DIR/data" >>"$DIR/log" 2>&1 </dev/null & p=$!; }
start
while read how; do
	if [ "$how" = start ]; then start; else kill -$how $p; wait $p; fi
	echo done
done
kill -QUIT $p 2>/dev/null
wait $p
rm -rf "$DIR"
`

func start(safe bool) (*Server, error) {
	bin := programs()
	dir, err := os.MkdirTemp("", "tapeline-pg-")
	if err != nil {
		return nil, err
	}
	s := &Server{dir: dir, password: rand.Text()}
	as := &syscall.SysProcAttr{Setpgid: true} // a ^C is for the test, which then ends it
	if os.Getuid() == 0 {                     // the server refuses root
		u, err := user.Lookup("postgres")
		if err != nil {
			return nil, err
		}
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		as.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		if err := os.Chown(dir, uid, gid); err != nil {
			return nil, err
		}
	}
	run := func(name string, args ...string) *exec.Cmd {
		c := exec.Command(name, args...)
		c.Dir, c.SysProcAttr, c.Env = dir, as, []string{"PATH=" + os.Getenv("PATH"), "BIN=" + bin, "DIR=" + dir, "LC_ALL=C"}
		return c
	}
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte(s.password+"\n"), 0o644); err != nil {
		return nil, err
	}
	args := []string{"-D", filepath.Join(dir, "data"), "-U", "tester", "-E", "UTF8", "--no-sync", "--pwfile", secret, "--auth-local", "trust", "--auth-host", "scram-sha-256", "--no-locale"}
	if b, _ := exec.Command(filepath.Join(bin, "initdb"), "--help").Output(); bytes.Contains(b, []byte("--icu-locale")) {
		// Words in an order of people's, which is not that of bytes.
		args = append(args, "--locale-provider=icu", "--icu-locale=en-US")
	}
	if b, err := run(filepath.Join(bin, "initdb"), args...).CombinedOutput(); err != nil {
		return nil, fmt.Errorf("initdb: %w: %s", err, b)
	}
	port, err := free()
	if err != nil {
		return nil, err
	}
	s.Addr = net.JoinHostPort("127.0.0.1", port)
	conf := fmt.Sprintf("port = %s\nlisten_addresses = '127.0.0.1'\nunix_socket_directories = '%s'\nmax_connections = 200\nshared_buffers = 16MB\nfsync = %t\n", port, dir, safe)
	f, err := os.OpenFile(filepath.Join(dir, "data", "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return nil, err
	}
	if _, err := f.WriteString(conf); err != nil {
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	c := run("/bin/sh", "-c", keeper)
	in, err := c.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := c.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := c.Start(); err != nil {
		return nil, err
	}
	s.tell, s.told = in, bufio.NewReader(out)
	return s, s.ready()
}

func free() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	_, port, err := net.SplitHostPort(l.Addr().String())
	return port, err
}

func (s *Server) url(database string) string {
	return (&url.URL{Scheme: "postgres", User: url.UserPassword("tester", s.password), Host: s.Addr, Path: "/" + database, RawQuery: "sslmode=disable"}).String()
}

func (s *Server) ready() error {
	db, err := sql.Open("pgx", s.url("postgres"))
	if err != nil {
		return err
	}
	defer db.Close()
	for range 300 {
		if err = db.PingContext(context.Background()); err == nil {
			return nil
		}
		time.Sleep(50 * time.Millisecond)
	}
	log, _ := os.ReadFile(filepath.Join(s.dir, "log"))
	return fmt.Errorf("the database server doesn't start: %w\n%s", err, log)
}

var databases atomic.Int64

// URL is a fresh, empty database. When the test ends what it has made in schemas
// is dropped, and the database is another test's: making one takes longer.
func (s *Server) URL(t testing.TB) string {
	t.Helper()
	s.mu.Lock()
	var name string
	if n := len(s.empty); n > 0 {
		name, s.empty = s.empty[n-1], s.empty[:n-1]
	}
	s.mu.Unlock()
	if name == "" {
		name = fmt.Sprintf("t%d", databases.Add(1))
		if err := s.exec("postgres", `CREATE DATABASE `+name); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		if s.exec(name, clear) == nil { // else it is gone with the server
			s.mu.Lock()
			defer s.mu.Unlock()
			s.empty = append(s.empty, name)
		}
	})
	return s.url(name)
}

// clear ends what others do in a database and drops all schemas of ours.
const clear = `DO $$
DECLARE s text;
BEGIN
	PERFORM pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid();
	FOR s IN SELECT nspname FROM pg_namespace WHERE nspname NOT LIKE 'pg\_%' AND nspname NOT IN ('information_schema', 'public') LOOP
		EXECUTE format('DROP SCHEMA %I CASCADE', s);
	END LOOP;
END $$`

func (s *Server) exec(database, query string) error {
	db, err := sql.Open("pgx", s.url(database))
	if err != nil {
		return err
	}
	defer db.Close()
	_, err = db.Exec(query)
	return err
}

// Data is the folder of its files.
func (s *Server) Data() string { return filepath.Join(s.dir, "data") }

// Stop ends every connection and the server; with crash at once, as if it were
// killed.
func (s *Server) Stop(t testing.TB, crash bool) {
	t.Helper()
	how := "INT"
	if crash {
		how = "QUIT"
	}
	s.word(t, how)
}

// Start starts it again, with its data, at its address.
func (s *Server) Start(t testing.TB) {
	t.Helper()
	s.word(t, "start")
	if err := s.ready(); err != nil {
		t.Fatal(err)
	}
}

// Restart stops and starts it.
func (s *Server) Restart(t testing.TB) {
	t.Helper()
	s.Stop(t, false)
	s.Start(t)
}

func (s *Server) word(t testing.TB, word string) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, err := io.WriteString(s.tell, word+"\n"); err != nil {
		t.Fatal(err)
	}
	if line, err := s.told.ReadString('\n'); err != nil || strings.TrimSpace(line) != "done" {
		t.Fatalf("%q, %v", line, err)
	}
}

func (s *Server) end() {
	if c, ok := s.tell.(io.Closer); ok {
		_ = c.Close()
	}
	_, _ = io.Copy(io.Discard, s.told)
}

// Proxy stands between a program and a server, and is cut.
type Proxy struct {
	Addr string

	to string
	l  net.Listener

	mu      sync.Mutex
	cut     bool
	swallow bool
	conns   map[net.Conn]bool
}

// NewProxy gives an address that leads to the server at to.
func NewProxy(t testing.TB, to string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{Addr: l.Addr().String(), to: to, l: l, conns: map[net.Conn]bool{}}
	t.Cleanup(func() { _ = l.Close(); p.Cut() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go p.serve(c)
		}
	}()
	return p
}

// Through is an address of a database led through the proxy.
func (p *Proxy) Through(t testing.TB, address string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	u.Host = p.Addr
	return u.String()
}

func (p *Proxy) serve(c net.Conn) {
	defer c.Close()
	s, err := net.Dial("tcp", p.to)
	if err != nil {
		return
	}
	defer s.Close()
	p.mu.Lock()
	if p.cut {
		p.mu.Unlock()
		return
	}
	p.conns[c], p.conns[s] = true, true
	p.mu.Unlock()
	done := make(chan struct{}, 2)
	for _, w := range [][2]net.Conn{{c, s}, {s, c}} {
		go func() {
			_, _ = io.Copy(&way{w[0], p, w[0] == c}, w[1])
			done <- struct{}{}
		}()
	}
	<-done
	p.mu.Lock()
	delete(p.conns, c)
	delete(p.conns, s)
	p.mu.Unlock()
}

// Cut ends every connection and lets none through until Mend.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = true
	for c := range p.conns {
		_ = c.Close()
	}
}

// Swallow lets what goes to the server through, and nothing back, until Mend.
func (p *Proxy) Swallow() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.swallow = true
}

// Mend lets everything through again.
func (p *Proxy) Mend() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut, p.swallow = false, false
}

// way is one direction through the proxy.
type way struct {
	net.Conn
	p    *Proxy
	back bool
}

func (w *way) Write(b []byte) (int, error) {
	w.p.mu.Lock()
	gone := w.p.swallow && w.back
	w.p.mu.Unlock()
	if gone {
		return len(b), nil
	}
	return w.Conn.Write(b)
}

// ReadFrom is not the connection's, which would know of no swallowing.
func (w *way) ReadFrom(r io.Reader) (int64, error) {
	return io.Copy(struct{ io.Writer }{w}, r)
}
