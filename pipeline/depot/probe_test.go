package depot

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/depot/s3test"
)

// What a bucket's keys may not do is found by doing it, told by the name that a
// policy has for it, and leaves nothing behind that can be removed.
func TestCheckRights(t *testing.T) {
	query := func(name string) func(*http.Request) bool {
		return func(r *http.Request) bool { return r.URL.Query().Has(name) }
	}
	method := func(m string) func(*http.Request) bool {
		return func(r *http.Request) bool { return r.Method == m }
	}
	for _, c := range []struct {
		name, refused, untried string
		is                     func(r *http.Request) bool
		left                   bool
	}{
		{"everything is allowed", "", "", func(*http.Request) bool { return false }, false},
		{"keys that only read", "s3:PutObject s3:DeleteObject", "s3:GetObject s3:DeleteObjectVersion", nil, false},
		{"no writing", "s3:PutObject", "s3:GetObject s3:DeleteObject s3:DeleteObjectVersion", method(http.MethodPut), false},
		{"no reading", "s3:GetObject", "", func(r *http.Request) bool {
			return r.Method == http.MethodGet && strings.Contains(r.URL.Path, ProbeDir)
		}, false},
		{"no listing", "s3:ListBucket", "", query("list-type"), false},
		{"no listing of versions", "s3:ListBucketVersions", "", query("versions"), false},
		{"nothing of versions", "s3:ListBucketVersions", "", func(r *http.Request) bool {
			return r.Method == http.MethodGet && (r.URL.Query().Has("versions") || r.URL.Query().Has("versioning"))
		}, false},
		{"no listing of uploads", "s3:ListBucketMultipartUploads", "", query("uploads"), false},
		{"no removing", "s3:DeleteObject s3:DeleteObjectVersion", "", method(http.MethodDelete), true},
		{"no removing of versions", "s3:DeleteObjectVersion", "", func(r *http.Request) bool { return r.Method == http.MethodDelete && r.URL.Query().Has("versionId") }, true},
	} {
		for _, versions := range []bool{false, true} {
			t.Run(fmt.Sprint(c.name, " ", versions), func(t *testing.T) {
				if c.is == nil {
					c.refused, c.untried, c.is = "s3:PutObject", "s3:GetObject s3:DeleteObject s3:DeleteObjectVersion", func(r *http.Request) bool { return r.Method != http.MethodGet && r.Method != http.MethodHead }
				}
				s := s3test.New(t, versions)
				d := at(t, s.URL+"&prefix=barn")
				s.Before(func(w http.ResponseWriter, r *http.Request) bool {
					if !c.is(r) {
						return false
					}
					w.Header().Set("Content-Type", "application/xml")
					w.WriteHeader(http.StatusForbidden)
					_, _ = io.WriteString(w, `<Error><Code>AccessDenied</Code><Message>Access Denied</Message></Error>`)
					return true
				})
				names := func(all []Right) string {
					var out []string
					for _, r := range all {
						out = append(out, r.Action())
					}
					return strings.Join(out, " ")
				}
				for range 2 { // what can't be removed lies below one key
					f, err := d.Check(t.Context())
					untried := c.untried
					if !versions && c.refused == "s3:ListBucketVersions" {
						untried = "s3:DeleteObjectVersion"
					}
					left := c.left && (versions || c.name == "no removing")
					if err != nil || !f.Bucket || f.Versions != (versions && c.name != "nothing of versions") || names(f.Refused) != c.refused || names(f.Untried) != untried || (f.Left != "") != left {
						t.Errorf("%+v, %v", f, err)
					}
				}
				keys := map[string]bool{}
				all := s.Everything(t)
				for k := range all {
					k, _, _ = strings.Cut(k, " ")
					keys[k] = true
				}
				left := c.left && (versions || c.name == "no removing")
				if want := map[bool]int{false: 0, true: 1}[left]; len(keys) != want || left && !keys["barn/"+probeKey()] || len(all) > 4 { // two a check
					t.Errorf("left: %v", all)
				}
			})
		}
	}
}

// Keys that nobody knows are another trouble than rights that they lack, and what
// can't be reached is none of the configuration's.
func TestCheckFaults(t *testing.T) {
	s := s3test.New(t, true)
	d := at(t, s.URL)
	what := ""
	s.Before(func(w http.ResponseWriter, _ *http.Request) bool {
		w.Header().Set("Content-Type", "application/xml")
		w.WriteHeader(http.StatusForbidden)
		_, _ = fmt.Fprintf(w, `<Error><Code>%s</Code><Message>x</Message></Error>`, what)
		return true
	})
	var e *pipeline.Error
	for _, what = range []string{"InvalidAccessKeyId", "SignatureDoesNotMatch"} {
		if _, err := d.Check(t.Context()); !errors.As(err, &e) || e.Fault != pipeline.FaultUsage || !strings.Contains(err.Error(), what) || !strings.Contains(err.Error(), "credentials") {
			t.Errorf("%v", err)
		}
	}
	s.HTTP.Close()
	if _, err := d.Check(t.Context()); !errors.As(err, &e) || e.Fault != pipeline.FaultOutput || strings.Contains(err.Error(), "\n") {
		t.Errorf("%v", err)
	}
	gone := filepath.Join(t.TempDir(), "nothere")
	if _, err := Open(t.Context(), "file://"+gone); !errors.As(err, &e) || e.Fault != pipeline.FaultOutput || e.Path != gone || !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "mkdir -p "+gone) {
		t.Errorf("%v", err)
	}
	if _, err := Open(t.Context(), "file://"+file(t, "x")); !errors.As(err, &e) || e.Fault != pipeline.FaultUsage {
		t.Errorf("%v", err)
	}
}

// A folder that was looked at is as it was, without the mark of a store that is
// used; one in which nothing may be written is told of.
func TestCheckFolder(t *testing.T) {
	root := t.TempDir()
	d := at(t, "file://"+root)
	if f, err := d.Check(t.Context()); err != nil || len(f.Refused) > 0 || len(tree(t, root)) > 0 {
		t.Errorf("%+v, %v, %v", f, err, tree(t, root))
	}
	if entries, err := os.ReadDir(root); len(entries) > 0 || err != nil {
		t.Errorf("%v, %v", entries, err)
	}
	if err := os.WriteFile(filepath.Join(root, ProbeDir), nil, 0o600); err != nil { // root may do anything
		t.Fatal(err)
	}
	var e *pipeline.Error
	if f, err := d.Check(t.Context()); !errors.As(err, &e) || len(f.Untried) > 0 {
		t.Errorf("%+v, %v", f, err)
	}
}

// A machine's role is asked for once, and who never answers holds up nothing.
func TestNoRole(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for seconds")
	}
	for _, k := range []string{"AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_PROFILE", "AWS_EC2_METADATA_DISABLED"} {
		t.Setenv(k, "")
	}
	t.Setenv("HOME", t.TempDir())
	mute, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	t.Setenv("AWS_EC2_METADATA_SERVICE_ENDPOINT", "http://"+mute.Addr().String())
	d := at(t, "s3://clips?region=us-east-1&endpoint=http://127.0.0.1:1")
	began := time.Now()
	if _, err := d.Check(t.Context()); !errors.Is(err, errNoKeys) || time.Since(began) > 5*time.Second {
		t.Errorf("%v after %s", err, time.Since(began))
	}
	if _, err := d.Keys(t.Context(), "x"); err == nil || !strings.HasSuffix(err.Error(), errNoKeys.Error()) || strings.Contains(err.Error(), "operation") {
		t.Errorf("%v", err)
	}
}

// A machine of a cloud has its keys by its role.
func TestRole(t *testing.T) {
	s := s3test.New(t, false)
	for _, k := range []string{"AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_EC2_METADATA_DISABLED"} {
		t.Setenv(k, "")
	}
	cloud := s3test.Role(t)
	t.Setenv("AWS_EC2_METADATA_SERVICE_ENDPOINT", cloud)
	if f, err := at(t, s.URL).Check(t.Context()); err != nil || len(f.Refused) > 0 {
		t.Errorf("%+v, %v", f, err)
	}
}
