package depot

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"net"
	"net/url"
	"os"
	"strings"
	"syscall"
	"time"

	awshttp "github.com/aws/aws-sdk-go-v2/aws/transport/http"
	"github.com/aws/smithy-go"
	"gocloud.dev/gcerrors"
)

// Error is what went wrong with one object. errors.Is finds fs.ErrNotExist,
// fs.ErrExist and what the system said.
type Error struct {
	op, key string
	kind    kind
	err     error
}

type kind int

const (
	trouble  kind = iota // with the store, the network or the disk
	missing              // nothing has that key
	damaged              // what is stored is not what was stored
	badKey               // never to be stored
	inTheWay             // something lies where it should be fetched to
	unread               // the file on this machine that should be stored
)

// Error is one line without names of files, which may be a person's.
func (e *Error) Error() string {
	what := map[string]string{"store": "can't be stored", "fetch": "can't be fetched", "list": "can't be listed", "remove": "can't be removed", "key": "is refused"}[e.op]
	s := strings.TrimSpace("a file " + what)
	if e.key != "" && !below(e.key, Inbox) {
		s = fmt.Sprintf("%q %s", e.key, what)
	}
	if e.kind == missing && e.op != "store" {
		return s + ": there is nothing of that name"
	}
	return s + ": " + plain(e.err)
}

func (e *Error) Unwrap() []error {
	if e.kind == missing {
		return []error{fs.ErrNotExist, e.err}
	}
	if errors.Is(e.err, fs.ErrNotExist) { // of the machine, not of the store
		return nil
	}
	return []error{e.err}
}

// Temporary tells that it is nothing about the object: the store, the network
// or the disk was in trouble, and later it may go well.
func (e *Error) Temporary() bool { return e.kind == trouble }

// Damaged tells that what is stored under a key is not what was stored there.
func (e *Error) Damaged() bool { return e.kind == damaged }

var (
	errChanged = errors.New("it changed meanwhile")
	errNoSum   = errors.New("its checksum is not that of what was stored")
	errUnset   = errors.New("nothing was ever stored there; is the shared folder mounted?")
)

// localError is one of a file on this machine.
type localError struct{ error }

func (e *localError) Unwrap() error { return e.error }

// damageError: the bytes are not those of the sum.
type damageError struct{ again bool }

func (*damageError) Error() string { return "its bytes are not those that were stored (checksum)" }

// localWriter says of its errors that they are of this machine.
type localWriter struct{ w io.Writer }

func (l localWriter) Write(p []byte) (int, error) {
	n, err := l.w.Write(p)
	if err != nil {
		err = &localError{err}
	}
	return n, err
}

// wrap makes an Error of one.
func wrap(op, key string, err error) error {
	var e *Error
	var d *damageError
	var local *localError
	switch {
	case err == nil || errors.As(err, &e):
		return err
	case errors.Is(err, context.Canceled):
		return err
	case errors.As(err, &d), badSum(err):
		return &Error{op, key, damaged, err}
	case errors.As(err, &local) && op == "store" && errors.Is(err, fs.ErrNotExist):
		return &Error{op, key, missing, err}
	case errors.As(err, &local) && op == "store": // of that one file; others may go
		return &Error{op, key, unread, err}
	case errors.As(err, &local), errors.Is(err, errUnset):
		return &Error{op, key, trouble, err}
	case code(err) == "NoSuchBucket":
		return &Error{op, key, trouble, err}
	case gcerrors.Code(err) == gcerrors.NotFound, errors.Is(err, fs.ErrNotExist), code(err) == "NoSuchKey", code(err) == "NotFound":
		return &Error{op, key, missing, err}
	}
	return &Error{op, key, trouble, err}
}

// inTheWayIf tells an existing file from other trouble.
func inTheWayIf(err error) kind {
	if errors.Is(err, fs.ErrExist) {
		return inTheWay
	}
	return trouble
}

// code is what an S3 server called an error.
func code(err error) string {
	var api smithy.APIError
	if errors.As(err, &api) {
		return api.ErrorCode()
	}
	return ""
}

// status is an HTTP answer's, or 0.
func status(err error) int {
	var re *awshttp.ResponseError
	if errors.As(err, &re) {
		return re.HTTPStatusCode()
	}
	return 0
}

// badSum tells that the SDK met bytes that are not those of the store's own
// checksum, of which it has no type.
func badSum(err error) bool { return strings.Contains(err.Error(), "checksum did not match") }

// changed tells that an object is not that of the tag any more.
func changed(err error) bool { return status(err) == 412 || status(err) == 416 }

// damages are what servers call bytes that didn't arrive as they were sent, and
// uploads that somebody cleared away.
var damages = []string{"BadDigest", "InvalidDigest", "XAmzContentSHA256Mismatch", "XAmzContentChecksumMismatch", "IncompleteBody", "InvalidPart", "NoSuchUpload", "RequestTimeout", "SlowDown", "InternalError", "ServiceUnavailable"}

// worthwhile tells that the same call may go well in a moment.
func worthwhile(err error) bool {
	var cert *tls.CertificateVerificationError
	var e *Error
	var d *damageError
	var local *localError
	var n net.Error
	switch {
	case errors.As(err, &e), errors.As(err, &cert), errors.As(err, &local), errors.Is(err, context.Canceled):
		return false
	case errors.As(err, &d):
		return d.again
	case badSum(err), errors.Is(err, errChanged), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.ErrClosedPipe):
		return true
	case status(err) >= 500 && status(err) != 501, status(err) == 429, status(err) == 408:
		return true
	}
	for _, c := range damages {
		if code(err) == c {
			return true
		}
	}
	if errors.As(err, &n) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE) || errors.Is(err, syscall.ECONNREFUSED) {
		return true
	}
	// A shared folder: its server was away, or somebody cleared the empty
	// folder one was about to write to.
	return errors.Is(err, syscall.ESTALE) || errors.Is(err, syscall.EIO) || errors.Is(err, syscall.ETIMEDOUT)
}

// again calls f until it goes well, has no sense, or was tried often enough.
func (d *Depot) again(ctx context.Context, op, key string, f func() error) error {
	pause := d.pause
	for i := 1; ; i++ {
		err := f()
		if err == nil {
			return nil
		}
		if cerr := context.Cause(ctx); cerr != nil {
			return cerr
		}
		// Of a folder what isn't there is an errno like any other; only where one
		// stores may somebody just have cleared the folder.
		if i >= d.tries || !worthwhile(err) || op != "store" && errors.Is(err, fs.ErrNotExist) {
			return wrap(op, key, err)
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(pause/2 + rand.N(pause)):
		}
		pause = min(2*pause, 15*time.Second)
	}
}

// plain is what an error says without addresses and paths.
func plain(err error) string {
	var api smithy.APIError
	var u *url.Error
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.Is(err, errNoKeys):
		return errNoKeys.Error()
	case errors.As(err, &api):
		s := api.ErrorCode()
		if m := api.ErrorMessage(); m != "" && m != s {
			s += ", " + m
		}
		return s
	case errors.As(err, &u):
		return plain(u.Err)
	case errors.As(err, &p):
		return p.Err.Error()
	case errors.As(err, &l):
		return l.Err.Error()
	case status(err) != 0:
		return fmt.Sprintf("the store answered %d", status(err))
	}
	for inner := errors.Unwrap(err); inner != nil; inner = errors.Unwrap(err) {
		err = inner // those around it name the object
	}
	return strings.ReplaceAll(err.Error(), "\n", " ")
}

// withContext is a reader that ends with its context.
func withContext(ctx context.Context, r io.Reader) io.Reader { return reader{ctx, r} }

type reader struct {
	ctx context.Context
	r   io.Reader
}

func (r reader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}
