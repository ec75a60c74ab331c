package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline/deliver/smtptest"
)

// The desk is served elsewhere than on this machine only with a password that
// nobody else reads, and a certificate.
func TestDeskDoor(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return p
	}
	cert, key, root := smtptest.Certificate(t, "desk.example", "127.0.0.1")
	good := deskFlags{password: file("password", "correct horse battery\n", 0o600), cert: file("cert.pem", string(cert), 0o600), key: file("key.pem", string(key), 0o600)}
	with := func(change func(*deskFlags)) deskFlags {
		d := good
		d.listen = "0.0.0.0:0"
		change(&d)
		return d
	}
	for name, c := range map[string]struct {
		d    deskFlags
		want string // part of the error; empty: fine
	}{
		"here":                 {deskFlags{listen: "127.0.0.1:0"}, ""},
		"here by name":         {deskFlags{listen: "localhost:4711"}, ""},
		"here, version 6":      {deskFlags{listen: "[::1]:0"}, ""},
		"everywhere":           {deskFlags{listen: "0.0.0.0:0"}, "not this machine alone"},
		"everywhere by nobody": {deskFlags{listen: ":4711"}, "not this machine alone"},
		"by a name":            {deskFlags{listen: "desk.example:443"}, "not this machine alone"},
		"with all":             {with(func(*deskFlags) {}), ""},
		"no password":          {with(func(d *deskFlags) { d.password = "" }), "not this machine alone"},
		"no certificate":       {with(func(d *deskFlags) { d.cert = "" }), "not this machine alone"},
		"no key":               {with(func(d *deskFlags) { d.key = "" }), "not this machine alone"},
		"a short password":     {with(func(d *deskFlags) { d.password = file("short", "secret", 0o600) }), "fewer than 12"},
		"an open password":     {with(func(d *deskFlags) { d.password = file("open", "correct horse battery", 0o644) }), "others may read it"},
		"a key of another": {with(func(d *deskFlags) {
			_, k, _ := smtptest.Certificate(t, "x")
			d.key = file("other.pem", string(k), 0o600)
		}), "--tls-cert"},
		"no port": {deskFlags{listen: "127.0.0.1"}, "no address"},
	} {
		_, err := c.d.door()
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}

	// Behind TLS: the password lets in, the cookie is for it alone.
	b := newDesk(t)
	d := with(func(*deskFlags) {})
	d.listen = "127.0.0.1:0"
	open, err := d.door()
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	shelf, err := openShelf(ctx, b.y, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	at, err := net.Listen("tcp", d.listen)
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- serveDesk(ctx, b.out, b.y, open, shelf, at) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		shelf.Close()
	}()
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(root)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Timeout: 10 * time.Second, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	base := "https://" + at.Addr().String()
	code := func(r *http.Response, err error) int {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		return r.StatusCode
	}
	if n := code(c.Get(base + "/")); n != http.StatusForbidden {
		t.Errorf("without: %d", n)
	}
	if n := code(c.PostForm(base+"/enter", url.Values{"password": {"correct horse battery"}, "who": {"Pat"}})); n != http.StatusOK {
		t.Errorf("with the password: %d", n)
	}
	u, _ := url.Parse(base)
	if all := jar.Cookies(u); len(all) != 1 || all[0].Name != "__Host-tapeline" {
		t.Errorf("%v", all)
	}
	if n := code(c.Get(base + "/lesson/" + b.id())); n != http.StatusOK {
		t.Errorf("a lesson: %d", n)
	}
	if strings.Contains(b.out.b.String(), "token") {
		t.Errorf("a token was printed: %s", b.out.b.String())
	}
}
