// Package mailpittest starts a real mail server for tests, mailpit
// (github.com/axllent/mailpit), which keeps what it gets and tells of it.
package mailpittest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// Server is one at work until its test ends: the ports of SMTP and of its API,
// both on 127.0.0.1.
type Server struct{ SMTP, API int }

// Message is what the server tells of one that it got.
type Message struct {
	ID, MessageID, Subject, Text, HTML string
	From                               struct{ Name, Address string }
	To, Bcc, ReplyTo                   []struct{ Name, Address string }
	ReturnPath                         string
	ListUnsubscribe                    struct{ Errors, Header, HeaderPost string }
	Inline, Attachments                []struct {
		PartID, FileName, ContentType, ContentID string
		Size                                     int
	}
}

// tool is a program that scripts/setup --dev puts into the cache folder.
func tool(t testing.TB, name string) string {
	t.Helper()
	home := os.Getenv("TAPELINE_HOME")
	if home == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			t.Skip("no cache folder: ", err)
		}
		home = filepath.Join(cache, "tapeline")
	}
	path := filepath.Join(home, "bin", name)
	if _, err := os.Stat(path); err != nil {
		t.Skip(name, " is not there; scripts/setup --dev builds it")
	}
	return path
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// Start starts a server with further flags and waits until it takes mail; the
// test is skipped where -short is given or mailpit is not there.
func Start(t testing.TB, args ...string) *Server {
	t.Helper()
	if testing.Short() {
		t.Skip("a program of its own")
	}
	m := &Server{freePort(t), freePort(t)}
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(context.Background())
	var log bytes.Buffer
	cmd := exec.CommandContext(ctx, tool(t, "mailpit"), append([]string{"--smtp", fmt.Sprintf("127.0.0.1:%d", m.SMTP), "--listen", fmt.Sprintf("127.0.0.1:%d", m.API),
		"--database", filepath.Join(dir, "mail.db"), "--disable-version-check", "--smtp-disable-rdns", "--smtp-strict-rfc-headers"}, args...)...)
	cmd.Env, cmd.Dir, cmd.Stdout, cmd.Stderr = []string{"HOME=" + dir, "TMPDIR=" + dir}, dir, &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		r, err := http.Get(m.URL("/readyz"))
		if err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return m
			}
		}
		if time.Now().After(end) {
			t.Fatalf("mailpit does not start: %v\n%s", err, log.String())
		}
	}
}

// URL of a path of the API.
func (m *Server) URL(path string) string { return fmt.Sprintf("http://127.0.0.1:%d%s", m.API, path) }

// Get is what lies at a path of the API.
func (m *Server) Get(t testing.TB, path string) []byte {
	t.Helper()
	r, err := http.Get(m.URL(path))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v %s", path, r.Status, err, b)
	}
	return b
}

// Read is the JSON at a path of the API.
func Read[T any](t testing.TB, m *Server, path string) (out T) {
	t.Helper()
	if err := json.Unmarshal(m.Get(t, path), &out); err != nil {
		t.Fatal(path, err)
	}
	return out
}

// Got are the messages it has, the newest first.
func (m *Server) Got(t testing.TB) (out []Message) {
	t.Helper()
	type list struct{ Messages []struct{ ID string } }
	for _, x := range Read[list](t, m, "/api/v1/messages").Messages {
		out = append(out, Read[Message](t, m, "/api/v1/message/"+x.ID))
	}
	return out
}

// Part is one attached file of a message.
func (m *Server) Part(t testing.TB, message, part string) []byte {
	t.Helper()
	return m.Get(t, "/api/v1/message/"+message+"/part/"+part)
}
