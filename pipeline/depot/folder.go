package depot

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"strings"

	"gocloud.dev/blob/fileblob"
	"golang.org/x/sys/unix"

	"tapeline/pipeline"
)

const (
	noFollow = unix.O_NOFOLLOW | unix.O_NONBLOCK
	// markFile lies in a folder in which something was stored: one that isn't
	// mounted has none, and what isn't found there is not missing.
	markFile = ".tapeline-depot"
	// What fileblob calls its metadata, and what it has not written to its end.
	attrs, unfinished = ".attrs", ".tmp"
)

// openFolder opens a folder that every machine sees, a mounted share say.
func openFolder(u *url.URL) (*Depot, error) {
	root := filepath.Clean(u.Path)
	if u.Host != "" || u.RawQuery != "" || !filepath.IsAbs(u.Path) || root == "/" {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, What: "clips: is no folder", Hint: "write it with three slashes, file:///mnt/share/tapeline"}
	}
	st, err := os.Stat(root)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Path: root, What: "the folder of the store of files isn't there", Hint: "mount the shared folder there, or make it: mkdir -p " + root, Err: err}
	case err == nil && !st.IsDir():
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, Path: root, What: "clips: names a file; the store of files is a folder", Hint: "name another place"}
	}
	if errors.Is(err, fs.ErrPermission) {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, Path: root, What: "the folder of the store of files is closed to this account", Hint: "give the account the right to read, write and remove there", Err: err}
	}
	b, err := fileblob.OpenBucket(root, &fileblob.Options{NoTempDir: true, DirFileMode: 0o770})
	if err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Path: root, What: "the store of files can't be opened: " + plain(err), Hint: "is the shared folder mounted?", Err: err}
	}
	return &Depot{where: root, bucket: b, root: root}, nil
}

// begin leaves the mark.
func (d *Depot) begin() error {
	if d.root == "" || d.begun.Load() && exists(filepath.Join(d.root, markFile)) {
		return nil
	}
	if d.begun.Load() {
		return errUnset // it was there a moment ago
	}
	f, err := os.OpenFile(filepath.Join(d.root, markFile), os.O_CREATE|os.O_WRONLY, 0o660)
	if err != nil {
		return err
	}
	d.begun.Store(true)
	return f.Close()
}

func (d *Depot) marked() bool {
	ok := exists(filepath.Join(d.root, markFile))
	if ok {
		d.begun.Store(true)
	}
	return ok
}

func exists(p string) bool {
	_, err := os.Lstat(p)
	return err == nil
}

// openPlain opens a file below the folder from an offset. Links that lead out
// of it are not followed, pipes and devices not opened.
func (d *Depot) openPlain(ctx context.Context, key string, from int64, tag string) (*object, error) {
	root, err := os.OpenRoot(d.root)
	if err != nil {
		return nil, errUnset
	}
	defer root.Close()
	f, err := root.OpenFile(key, os.O_RDONLY|noFollow, 0)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) && !d.marked() && !below(key, Inbox) {
			return nil, errUnset
		}
		return nil, err
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = &fs.PathError{Op: "open", Path: key, Err: fs.ErrNotExist}
	}
	if err == nil && from > 0 {
		_, err = f.Seek(from, io.SeekStart)
	}
	if err != nil {
		_ = f.Close()
		return nil, err
	}
	o := &object{ReadCloser: f, size: st.Size(), tag: fileTag(st)}
	if below(key, Inbox) { // whoever may drop clips tells us nothing
		return o, nil
	}
	if a, err := d.bucket.Attributes(ctx, key); err == nil {
		o.sum = a.Metadata[sumKey]
	}
	return o, nil
}

func fileTag(st fs.FileInfo) string { return fmt.Sprint(st.Size(), " ", st.ModTime().UnixNano()) }

// plainFiles are those whose keys begin with a prefix.
func (d *Depot) plainFiles(ctx context.Context, prefix string) (out []stored, err error) {
	root, err := os.OpenRoot(d.root)
	if err != nil {
		return nil, errUnset
	}
	defer root.Close()
	start := path.Clean(path.Dir(prefix + "x"))
	err = fs.WalkDir(root.FS(), start, func(p string, e fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return err
		case ctx.Err() != nil:
			return ctx.Err()
		case e.IsDir() && p != "." && !strings.HasPrefix(p+"/", prefix) && !strings.HasPrefix(prefix, p+"/"):
			return fs.SkipDir
		case !e.Type().IsRegular() || !strings.HasPrefix(p, prefix) || checkKey(p) != nil || strings.HasSuffix(p, attrs) || p == markFile:
			return nil
		}
		st, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err == nil {
			out = append(out, stored{p, st.Size(), fileTag(st), st.ModTime()})
		}
		return err
	})
	return out, err
}

// clear removes a file or folder, its list first, and, if wanted, folders above
// that became empty.
func (d *Depot) clear(key string, empty bool) error {
	if !d.marked() && !below(key, Inbox) {
		return errUnset
	}
	root, err := os.OpenRoot(d.root)
	if err != nil {
		return errUnset
	}
	defer root.Close()
	gone := func(err error) error {
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, unix.ENOTDIR) {
			return nil
		}
		return err
	}
	names := []string{path.Join(key, ListFile), key, key + attrs}
	entries, err := fs.ReadDir(root.FS(), path.Dir(key))
	for _, e := range entries { // cut off while it was stored
		if strings.HasPrefix(e.Name(), path.Base(key)+".") && strings.HasSuffix(e.Name(), unfinished) {
			names = append(names, path.Join(path.Dir(key), e.Name()))
		}
	}
	err = gone(err)
	for _, n := range names {
		if err == nil {
			err = gone(root.RemoveAll(n))
		}
	}
	for up := path.Dir(key); empty && up != "." && up != Inbox && err == nil; up = path.Dir(up) {
		if root.Remove(up) != nil { // only if it is empty
			break
		}
	}
	return err
}

// settle makes sure that what was stored outlives a power cut.
func (d *Depot) settle(key string) error {
	if d.root == "" {
		return nil
	}
	p := filepath.Join(d.root, filepath.FromSlash(key))
	for _, p := range []string{p + attrs, filepath.Dir(p)} {
		if err := syncDir(p); err != nil {
			return err
		}
	}
	return nil
}

func syncDir(p string) error {
	f, err := os.Open(p)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// syncTree brings the folders of a tree to the disk.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || !e.IsDir() {
			return err
		}
		return syncDir(p)
	})
}

// place puts a written temporary file where nothing is.
func place(tmp *os.File, path string) error {
	if err := errors.Join(tmp.Sync(), tmp.Close()); err != nil {
		return err
	}
	if err := renameNew(tmp.Name(), path); err != nil {
		return err
	}
	_ = syncDir(filepath.Dir(path))
	return nil
}

// renameOld is renameNew where the file system can't do it in one step.
func renameOld(from, to string) error {
	if exists(to) {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: fs.ErrExist}
	}
	return os.Rename(from, to)
}
