package jobs

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"tapeline/pipeline"
)

// draft begins the name of a copy that isn't whole.
const draft = ".tapeline-"

// folder opens a folder; inside one of the roots it is reached without leaving
// that root, whatever links were put there meanwhile.
func folder(roots []string, dir string) (*os.File, error) {
	for _, r := range roots {
		rel, err := filepath.Rel(r, dir)
		if err != nil || rel == ".." || strings.HasPrefix(rel, "../") {
			continue
		}
		root, err := os.OpenRoot(r)
		if err != nil {
			return nil, err
		}
		defer root.Close()
		return root.Open(rel)
	}
	return os.Open(dir)
}

// move takes a file from one folder to a path in another, bit for bit: by
// renaming, else by a copy that is written, read back and compared before the
// file is removed. Nothing is ever written over.
func move(ctx context.Context, roots []string, dir, base, to string) error {
	d, err := folder(roots, dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if _, err := os.Lstat(to); err == nil {
		return &fs.PathError{Op: "move", Path: to, Err: fs.ErrExist}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	var st unix.Stat_t
	if err := unix.Fstatat(int(d.Fd()), base, &st, unix.AT_SYMLINK_NOFOLLOW); err != nil {
		return &fs.PathError{Op: "move", Path: base, Err: err}
	}
	if st.Mode&unix.S_IFMT != unix.S_IFREG {
		return fmt.Errorf("it is no plain file any more")
	}
	err = rename(int(d.Fd()), base, to)
	if errors.Is(err, syscall.EXDEV) {
		return carry(ctx, d, base, to)
	}
	if err != nil {
		return &fs.PathError{Op: "move", Path: to, Err: err}
	}
	return errors.Join(syncDir(filepath.Dir(to)), d.Sync())
}

// rename is a variable for tests: two file systems.
var rename = func(dir int, base, to string) error { return unix.Renameat(dir, base, unix.AT_FDCWD, to) }

func carry(ctx context.Context, d *os.File, base, to string) (err error) {
	fd, err := unix.Openat(int(d.Fd()), base, unix.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return &fs.PathError{Op: "move", Path: base, Err: err}
	}
	in := os.NewFile(uintptr(fd), base)
	defer in.Close()
	st, err := in.Stat()
	if err != nil {
		return err
	}
	out, err := os.CreateTemp(filepath.Dir(to), draft)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(out.Name())
		}
	}()
	read := sha256.New()
	_, err = io.Copy(out, io.TeeReader(reader{ctx, in}, read))
	if err = errors.Join(err, out.Sync(), out.Close()); err != nil {
		return err
	}
	sum, err := hash(ctx, out.Name())
	if err != nil {
		return err
	}
	if sum != hex.EncodeToString(read.Sum(nil)) {
		return errors.New("the copy is not what was copied")
	}
	if err = os.Chtimes(out.Name(), st.ModTime(), st.ModTime()); err != nil {
		return err
	}
	if err = os.Rename(out.Name(), to); err != nil {
		return err
	}
	if err = syncDir(filepath.Dir(to)); err != nil {
		return err
	}
	if err := unix.Unlinkat(int(d.Fd()), base, 0); err != nil {
		return &fs.PathError{Op: "move", Path: base, Err: err}
	}
	return d.Sync()
}

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

// hash is the SHA-256 of a file, hex.
func hash(ctx context.Context, path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, reader{ctx, f}); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// exists tells whether a plain file lies there.
func exists(path string) bool {
	st, err := os.Lstat(path)
	return err == nil && st.Mode().IsRegular()
}

// scrub leaves out the path, which may hold a name.
func scrub(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	var le *os.LinkError
	if errors.As(err, &le) {
		return le.Err
	}
	var e *pipeline.Error
	if errors.As(err, &e) {
		return errors.New(e.What)
	}
	return err
}
