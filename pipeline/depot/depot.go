// Package depot keeps originals and lessons where several machines reach them:
// a folder they all see, or a bucket of an S3-compatible store. It is what
// jobs.Depot describes. Every file is stored with the SHA-256 of its bytes;
// who stores or fetches compares. Nothing is fetched over what lies there, and
// nothing half of a file or folder is ever to be seen.
package depot

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/aws/aws-sdk-go-v2/service/s3"
	"gocloud.dev/blob"
)

const (
	// ListFile names what a folder consists of; it is stored last and removed
	// first.
	ListFile = "list.json"
	// Inbox is the key below which anybody with the right to it drops clips.
	Inbox = "inbox"

	// sumKey is where an object's metadata has the SHA-256 of its bytes, hex.
	sumKey = "sha256"
	// fetching begins the name of what is still being fetched.
	fetching = ".fetch-"
	// listLimit is the largest list that is read, bytes.
	listLimit = 8 << 20
)

// Depot is one store of files. It may be used by several goroutines.
type Depot struct {
	where  string       // for messages
	bucket *blob.Bucket // with the prefix
	// A folder:
	root  string
	begun atomic.Bool // its mark was seen
	// A bucket:
	s3           *s3.Client
	name, prefix string
	plainSums    bool // checksums only where the protocol asks for them
	partSize     int64
	tries        int
	pause        time.Duration
}

// Where is the store as a person would name it, without anything secret.
func (d *Depot) Where() string { return d.where }

// Close lets go of connections.
func (d *Depot) Close() error { return d.bucket.Close() }

// object is something stored, open for reading.
type object struct {
	io.ReadCloser
	size    int64  // of all of it, bytes
	sum     string // as its metadata says; empty: not said
	tag     string // another one after every change
	version string // S3's, where earlier ones are kept
}

// checkKey refuses what is no plain path.
func checkKey(key string) error {
	bad := key == "" || len(key) > 900 || !utf8.ValidString(key) || path.Clean("/"+key) != "/"+key ||
		strings.ContainsFunc(key, unicode.IsControl) || strings.ContainsAny(key, `\`) || strings.Contains(key, "__0x")
	for part := range strings.SplitSeq(key, "/") {
		bad = bad || part == ".." || strings.HasPrefix(part, fetching) || len(part) > 200
	}
	if bad {
		return &Error{op: "key", kind: badKey, err: errors.New("it is no key of the store of files")}
	}
	return nil
}

// checkOwn refuses what may not be stored either: names that a folder's store
// has for itself.
func checkOwn(key string) error {
	if strings.HasSuffix(key, attrs) || strings.HasSuffix(key, unfinished) {
		return &Error{op: "key", kind: badKey, err: errors.New("it is no key of the store of files")}
	}
	return checkKey(key)
}

// Put stores the plain file at a local path under a key. Where the same bytes
// have that key nothing is sent; other bytes are replaced at once.
func (d *Depot) Put(ctx context.Context, key, path string) error {
	if err := checkOwn(key); err != nil {
		return err
	}
	_, err := d.put(ctx, key, path)
	return err
}

// put gives what it stored.
func (d *Depot) put(ctx context.Context, key, path string) (e entry, err error) {
	err = d.again(ctx, "store", key, func() error {
		f, err := os.OpenFile(path, os.O_RDONLY|noFollow, 0)
		if err != nil {
			return &localError{err}
		}
		defer f.Close()
		st, err := f.Stat()
		if err != nil {
			return &localError{err}
		}
		if !st.Mode().IsRegular() {
			return &localError{errors.New("it is no plain file")}
		}
		h := sha256.New()
		n, err := io.Copy(h, withContext(ctx, f))
		if err != nil {
			return &localError{err}
		}
		e = entry{Size: n, SHA256: hex.EncodeToString(h.Sum(nil))}
		if d.has(ctx, key, e) {
			return nil
		}
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return &localError{err}
		}
		return d.write(ctx, key, f, e)
	})
	return e, err
}

// has tells that the same bytes are stored. Of a folder the file is read: it
// may have been cut off beside the name of its sum.
func (d *Depot) has(ctx context.Context, key string, e entry) bool {
	if d.root == "" {
		a, err := d.bucket.Attributes(ctx, key)
		return err == nil && a.Size == e.Size && a.Metadata[sumKey] == e.SHA256
	}
	o, err := d.open(ctx, key, 0, "")
	if err != nil {
		return false
	}
	defer o.Close()
	h := sha256.New()
	n, err := io.Copy(h, withContext(ctx, o))
	return err == nil && o.sum == e.SHA256 && n == e.Size && hex.EncodeToString(h.Sum(nil)) == e.SHA256
}

// write stores what r has, which must be what e says; else nothing is stored.
func (d *Depot) write(ctx context.Context, key string, r io.Reader, e entry) (err error) {
	if err := d.begin(); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var tmp *os.File
	w, err := d.bucket.NewWriter(ctx, key, &blob.WriterOptions{
		ContentType: "application/octet-stream",
		Metadata:    map[string]string{sumKey: e.SHA256},
		BufferSize:  int(d.partSize), MaxConcurrency: partsAtOnce,
		BeforeWrite: func(as func(any) bool) error {
			if !as(&tmp) {
				d.uploader(as)
			}
			return nil
		},
	})
	if err != nil {
		return err
	}
	h := sha256.New()
	n, err := io.Copy(w, io.TeeReader(withContext(ctx, r), h))
	if err == nil && (n != e.Size || hex.EncodeToString(h.Sum(nil)) != e.SHA256) {
		err = errChanged
	}
	if err == nil && tmp != nil {
		err = tmp.Sync()
	}
	if err != nil {
		cancel() // closing would store what there is
		cerr := w.Close()
		if errors.Is(err, io.ErrClosedPipe) || errors.Is(err, context.Canceled) {
			err = cmp.Or(cerr, err)
		}
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	return d.settle(key)
}

// Get fetches a file to a local path where nothing is (fs.ErrExist), whole and
// checked. fs.ErrNotExist: nothing has that key.
func (d *Depot) Get(ctx context.Context, key, path string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	_, err := d.get(ctx, key, path, "")
	return err
}

// get fetches a file that has a sum, or, where sum is given, that one.
func (d *Depot) get(ctx context.Context, key, path, sum string) (e entry, err error) {
	if _, err := os.Lstat(path); err == nil {
		return e, &Error{op: "fetch", key: key, kind: inTheWay, err: fs.ErrExist}
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), fetching+"*")
	if err != nil {
		return e, &Error{op: "fetch", key: key, err: err}
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	said, got, err := d.fetch(ctx, key, tmp)
	e = got.entry
	switch {
	case err != nil:
		return e, err
	case said == "" || sum != "" && said != sum:
		return e, &Error{op: "fetch", key: key, kind: damaged, err: errNoSum}
	}
	if err := place(tmp, path); err != nil {
		return e, &Error{op: "fetch", key: key, kind: inTheWayIf(err), err: err}
	}
	return e, nil
}

// fetched is what came of an object.
type fetched struct {
	entry
	tag, version string
}

// fetch writes an object into a file from its beginning, going on behind what
// came where the connection is cut. said is the sum it was stored with, which
// is checked; empty: it was stored by others.
func (d *Depot) fetch(ctx context.Context, key string, to *os.File) (said string, got fetched, err error) {
	h := sha256.New()
	var done int64
	var tag string
	damages := 0
	err = d.again(ctx, "fetch", key, func() error {
		restart := func() error {
			h.Reset()
			done, tag = 0, ""
			if _, err := to.Seek(0, io.SeekStart); err != nil {
				return &localError{err}
			}
			if err := to.Truncate(0); err != nil {
				return &localError{err}
			}
			return nil
		}
		if done == 0 {
			if err := restart(); err != nil {
				return err
			}
		}
		o, err := d.open(ctx, key, done, tag)
		if err != nil {
			if changed(err) { // another one has the key by now
				return errors.Join(restart(), errChanged)
			}
			return err
		}
		defer o.Close()
		if done > 0 && o.tag != tag {
			return errors.Join(restart(), errChanged)
		}
		tag = o.tag
		n, err := io.Copy(io.MultiWriter(localWriter{to}, h), withContext(ctx, o))
		done += n
		damage := func() error {
			done = 0
			if damages++; damages < 2 { // once more: it may have been the way
				return &damageError{again: true}
			}
			return &damageError{}
		}
		switch {
		case err != nil && badSum(err): // the store's own; all of it came
			return damage()
		case err != nil:
			return err
		case done < o.size:
			return io.ErrUnexpectedEOF
		}
		said, got = o.sum, fetched{entry{Size: done, SHA256: hex.EncodeToString(h.Sum(nil))}, o.tag, o.version}
		if done > o.size || said != "" && said != got.SHA256 {
			return damage()
		}
		return nil
	})
	return said, got, err
}

// PutFolder stores the plain files of a folder, and of those in it, below a
// key. The list goes last.
func (d *Depot) PutFolder(ctx context.Context, key, dir string) error {
	if err := checkOwn(key); err != nil {
		return err
	}
	var l list
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		name := filepath.ToSlash(rel)
		if name == ListFile {
			return &Error{op: "store", key: key, kind: badKey, err: errors.New("the folder has a " + ListFile + " of its own")}
		}
		if err := checkOwn(path.Join(key, name)); err != nil {
			return err
		}
		stored, err := d.put(ctx, path.Join(key, name), p)
		stored.Name = name
		l.Files = append(l.Files, stored)
		return err
	})
	if err != nil {
		return wrap("store", key, err)
	}
	b, err := json.MarshalIndent(l, "", " ")
	if err != nil {
		return err
	}
	h := sha256.Sum256(b)
	e := entry{Size: int64(len(b)), SHA256: hex.EncodeToString(h[:])}
	at := path.Join(key, ListFile)
	return d.again(ctx, "store", at, func() error {
		if d.has(ctx, at, e) {
			return nil
		}
		return d.write(ctx, at, bytes.NewReader(b), e)
	})
}

// list is what a folder consists of.
type list struct {
	Files []entry `json:"files"`
}

type entry struct {
	Name   string `json:"name"` // path below the folder, with slashes
	Size   int64  `json:"size"` // bytes
	SHA256 string `json:"sha256"`
}

// list reads and checks a folder's list.
func (d *Depot) list(ctx context.Context, key string) (l list, err error) {
	if err := checkKey(key); err != nil {
		return l, err
	}
	tmp, err := os.CreateTemp("", fetching+"*")
	if err != nil {
		return l, &Error{op: "fetch", key: key, err: err}
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	said, _, err := d.fetch(ctx, path.Join(key, ListFile), tmp)
	if err != nil {
		return l, err
	}
	b, err := os.ReadFile(tmp.Name())
	if err != nil {
		return l, &Error{op: "fetch", key: key, err: err}
	}
	dec := json.NewDecoder(io.LimitReader(bytes.NewReader(b), listLimit))
	dec.DisallowUnknownFields()
	bad := said == "" || dec.Decode(&l) != nil
	seen := map[string]bool{ListFile: true}
	for _, f := range l.Files {
		bad = bad || seen[f.Name] || f.Size < 0 || len(f.SHA256) != 64 || checkKey(f.Name) != nil || !filepath.IsLocal(filepath.FromSlash(f.Name))
		seen[f.Name] = true
	}
	if bad {
		return l, &Error{op: "fetch", key: key, kind: damaged, err: errors.New("its list can't be read")}
	}
	return l, nil
}

// GetFolder fetches what a folder's list names into the folder dir, which is
// made (fs.ErrExist) and appears with everything in it.
func (d *Depot) GetFolder(ctx context.Context, key, dir string) error {
	if _, err := os.Lstat(dir); err == nil {
		return &Error{op: "fetch", key: key, kind: inTheWay, err: fs.ErrExist}
	}
	l, err := d.list(ctx, key)
	if err != nil {
		return err
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), fetching+"*")
	if err != nil {
		return &Error{op: "fetch", key: key, err: err}
	}
	defer os.RemoveAll(tmp)
	for _, f := range l.Files {
		to := filepath.Join(tmp, filepath.FromSlash(f.Name))
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			return &Error{op: "fetch", key: key, err: err}
		}
		if _, err := d.get(ctx, path.Join(key, f.Name), to, f.SHA256); err != nil {
			if errors.Is(err, fs.ErrNotExist) { // the list is there, the file isn't
				return &Error{op: "fetch", key: key, kind: damaged, err: errors.New("a file of its list isn't there")}
			}
			return err
		}
	}
	if err := errors.Join(syncTree(tmp), renameNew(tmp, dir)); err != nil {
		return &Error{op: "fetch", key: key, kind: inTheWayIf(err), err: err}
	}
	_ = syncDir(filepath.Dir(dir)) // it is there; only a power cut could undo it
	return nil
}

// Whole is nil where a folder's list is there.
func (d *Depot) Whole(ctx context.Context, key string) error {
	_, err := d.list(ctx, key)
	return err
}

// Keys are those that begin with a prefix, in order.
func (d *Depot) Keys(ctx context.Context, prefix string) ([]string, error) {
	var keys []string
	err := d.again(ctx, "list", prefix, func() error {
		all, err := d.objects(ctx, prefix)
		keys = keys[:0]
		for _, o := range all {
			keys = append(keys, o.key)
		}
		return err
	})
	slices.Sort(keys)
	return keys, err
}

// stored is what a listing tells of an object.
type stored struct {
	key      string
	size     int64
	tag      string
	modified time.Time // by the store's clock
}

// Remove removes what has the key or lies below it; a folder's list first. What
// a bucket keeps of earlier versions stays.
func (d *Depot) Remove(ctx context.Context, key string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	if d.root != "" {
		return d.Purge(ctx, key)
	}
	return d.again(ctx, "remove", key, func() error {
		all, err := d.objects(ctx, key)
		if err != nil {
			return err
		}
		keys := []string{}
		for _, o := range all {
			if below(o.key, key) {
				keys = append(keys, o.key)
			}
		}
		listsFirst(keys, func(k string) string { return k })
		for _, k := range keys {
			if err := d.bucket.Delete(ctx, k); err != nil && !errors.Is(wrap("", "", err), fs.ErrNotExist) {
				return err
			}
		}
		return nil
	})
}

// Purge removes what has the key or lies below it with all its earlier
// versions and what of uploads was left unfinished there.
func (d *Depot) Purge(ctx context.Context, key string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	return d.again(ctx, "remove", key, func() error {
		if d.root != "" {
			return d.clear(key, true)
		}
		return d.purge(ctx, key)
	})
}

// below tells that a key is another one or lies below it.
func below(key, top string) bool { return key == top || strings.HasPrefix(key, top+"/") }

// listsFirst puts lists before what they list.
func listsFirst[T any](all []T, key func(T) string) {
	slices.SortStableFunc(all, func(a, b T) int {
		rank := func(t T) int {
			if path.Base(key(t)) == ListFile {
				return 0
			}
			return 1
		}
		return rank(a) - rank(b)
	})
}

// String never shows what the address holds beside its place.
func (d *Depot) String() string { return fmt.Sprintf("depot %s", d.where) }
