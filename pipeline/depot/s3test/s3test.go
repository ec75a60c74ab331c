// Package s3test runs an S3-compatible store inside a test.
package s3test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
)

// Bucket is the one there is.
const Bucket = "clips"

// Server is one store, gone with its test.
type Server struct {
	// URL opens its bucket; credentials are in the environment.
	URL  string
	HTTP *httptest.Server
	// Memory holds what was stored.
	Memory *s3mem.Backend

	mu     sync.Mutex
	before func(w http.ResponseWriter, r *http.Request) bool
}

// New starts a store with an empty bucket, of which it keeps earlier versions
// if versions is set.
func New(t testing.TB, versions bool) *Server {
	t.Helper()
	for k, v := range map[string]string{
		"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_SESSION_TOKEN": "", "AWS_PROFILE": "", "AWS_REGION": "",
		"AWS_CONFIG_FILE": "/dev/null", "AWS_SHARED_CREDENTIALS_FILE": "/dev/null", "AWS_EC2_METADATA_DISABLED": "true",
	} {
		t.(interface{ Setenv(string, string) }).Setenv(k, v)
	}
	s := &Server{Memory: s3mem.New()}
	if err := s.Memory.CreateBucket(Bucket); err != nil {
		t.Fatal(err)
	}
	if versions {
		if err := s.Memory.SetVersioningConfiguration(Bucket, gofakes3.VersioningConfiguration{Status: gofakes3.VersioningEnabled}); err != nil {
			t.Fatal(err)
		}
	}
	inner := gofakes3.New(s.Memory).Server()
	s.HTTP = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		before := s.before
		s.mu.Unlock()
		if before != nil && before(w, r) {
			return
		}
		if r.Method == http.MethodPut && !checked(w, r) {
			return
		}
		inner.ServeHTTP(w, r)
	}))
	t.Cleanup(func() {
		s.HTTP.CloseClientConnections()
		s.HTTP.Close()
	})
	s.URL = "s3://" + Bucket + "?region=us-east-1&endpoint=" + s.HTTP.URL
	return s
}

// Before is called with every request; it may change it, or answer and return
// true. nil: none.
func (s *Server) Before(f func(w http.ResponseWriter, r *http.Request) bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.before = f
}

// Cut ends the connection of a request without an answer.
func Cut(w http.ResponseWriter) {
	if c, _, err := w.(http.Hijacker).Hijack(); err == nil {
		_ = c.Close()
	}
}

// checked compares a body with the checksums it came with, which gofakes3
// doesn't: "Amazon S3 … compares … if they don't match, returns an error"
// (docs.aws.amazon.com/AmazonS3/latest/userguide/checking-object-integrity.html).
func checked(w http.ResponseWriter, r *http.Request) bool {
	b, err := io.ReadAll(r.Body)
	if err != nil {
		return true // gofakes3 sees the body end, too
	}
	r.Body = io.NopCloser(bytes.NewReader(b))
	sum := sha256.Sum256(b)
	want := r.Header.Get("X-Amz-Checksum-Sha256")
	signed := r.Header.Get("X-Amz-Content-Sha256")
	if want != "" && want != base64.StdEncoding.EncodeToString(sum[:]) || len(signed) == 64 && signed != hex.EncodeToString(sum[:]) {
		w.Header().Set("Content-Type", "application/xml")
		w.WriteHeader(http.StatusBadRequest)
		_, _ = io.WriteString(w, `<?xml version="1.0" encoding="UTF-8"?><Error><Code>BadDigest</Code><Message>The SHA256 you specified did not match the calculated checksum.</Message></Error>`)
		return false
	}
	return true
}

// Spoil changes a byte of an object, and nothing that is said of it.
func (s *Server) Spoil(t testing.TB, key string) {
	t.Helper()
	o, err := s.Memory.GetObject(Bucket, key, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(o.Contents)
	if err != nil || len(b) == 0 {
		t.Fatal(len(b), err)
	}
	b[len(b)/2] ^= 1
	if _, err := s.Memory.PutObject(Bucket, key, o.Metadata, bytes.NewReader(b), int64(len(b)), nil); err != nil {
		t.Fatal(err)
	}
}

// Everything is what the bucket holds: the content of every version of every
// object, by key and number; of the mark of a removal "(removed)".
func (s *Server) Everything(t testing.TB) map[string]string {
	t.Helper()
	all, err := s.Memory.ListBucketVersions(Bucket, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for i, v := range all.Versions {
		switch v := v.(type) {
		case *gofakes3.DeleteMarker:
			out[fmt.Sprint(v.Key, " #", i)] = "(removed)"
		case *gofakes3.Version:
			o, err := s.Memory.GetObjectVersion(Bucket, v.Key, v.VersionID, nil)
			if err != nil {
				t.Fatal(err)
			}
			b, err := io.ReadAll(o.Contents)
			if err != nil {
				t.Fatal(err)
			}
			out[fmt.Sprint(v.Key, " #", i)] = string(b)
		}
	}
	return out
}

// Role is the address of a cloud's service that tells a machine the keys of its
// role (docs.aws.amazon.com/AWSEC2/latest/UserGuide/instance-metadata-security-credentials.html).
func Role(t testing.TB) string {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/latest/api/token":
			w.Header().Set("X-Aws-Ec2-Metadata-Token-Ttl-Seconds", "60")
			_, _ = io.WriteString(w, "token")
		case "/latest/meta-data/iam/security-credentials/":
			_, _ = io.WriteString(w, "barn")
		case "/latest/meta-data/iam/security-credentials/barn":
			_, _ = io.WriteString(w, `{"Code": "Success", "Type": "AWS-HMAC", "AccessKeyId": "role", "SecretAccessKey": "role", "Token": "t", "Expiration": "2099-01-01T00:00:00Z"}`)
		default:
			http.NotFound(w, r)
		}
	}))
	t.Cleanup(srv.Close)
	return srv.URL
}
