// Package publish makes a lesson's files appear all at once under their final
// name, or not at all.
//
// A lesson is written into a hidden draft beside its final folder, synced, and
// renamed. A folder that is already there is exchanged in one step; whatever
// else lies in it stays: it is linked into the draft before the exchange.
package publish

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"tapeline/pipeline"
)

// Draft is a lesson in the making. It implements pipeline.Draft.
type Draft struct {
	final string   // the lesson's folder
	tmp   string   // the draft, beside it
	names []string // the files that are ours
	made  []string // folders created for it, outermost first
	done  bool
}

// Begin opens the draft of folder out/name, for files called names. It fails
// with FaultOutput when one of them exists and force is false, when out can't
// be written, and, force or not, when one of them is the input itself.
func Begin(out, name, input string, names []string, force bool) (*Draft, error) {
	d := &Draft{final: filepath.Join(out, name), names: names}
	// A folder reached through a link is exchanged where it really is.
	if real, err := filepath.EvalSymlinks(d.final); err == nil {
		d.final = real
	}
	switch st, err := os.Lstat(d.final); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fault(d.final, "can't be looked at", "", err)
	case !st.IsDir():
		return nil, fault(d.final, "is in the way: a file where the outputs would go", "choose another --out", nil)
	}
	in, _ := os.Stat(input)
	for _, n := range names {
		p := filepath.Join(d.final, n)
		st, err := os.Lstat(p)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fault(p, "can't be looked at", "", err)
		}
		if to, err := os.Stat(p); err == nil && in != nil && os.SameFile(in, to) {
			return nil, fault(p, "is the input clip and would be overwritten", "choose another --out", nil)
		}
		if !force {
			return nil, fault(p, "exists already", "--force replaces it, --out DIR writes elsewhere", nil)
		}
		if !st.Mode().IsRegular() {
			return nil, fault(p, "exists and is no plain file; it is not replaced", "move it away", nil)
		}
	}
	if err := d.mkdirs(filepath.Dir(d.final)); err != nil {
		d.Discard()
		return nil, fault(out, "can't be created", "choose another --out", err)
	}
	// The name is neutral: native code must never meet the clip's own.
	tmp, err := os.MkdirTemp(filepath.Dir(d.final), ".tapeline-")
	if err != nil {
		d.Discard()
		return nil, fault(out, "can't be written to", "choose another --out", err)
	}
	d.tmp = tmp
	return d, nil
}

// Dir is the folder to write into.
func (d *Draft) Dir() string { return d.tmp }

// Final is the folder that Publish makes appear.
func (d *Draft) Final() string { return d.final }

// Publish syncs the draft and makes it the final folder in one step. It wants
// every one of the names to be there and not empty, and takes nothing else.
func (d *Draft) Publish() error {
	if d.done {
		return errors.New("published already")
	}
	for _, n := range d.names {
		p := filepath.Join(d.tmp, n)
		st, err := os.Stat(p)
		if err != nil || st.Size() == 0 {
			return &pipeline.Error{Fault: pipeline.FaultInternal, Step: "publish", What: n + " was not written"}
		}
		if err := sync(p); err != nil {
			return fault(d.final, "can't be written to the disk", "is it full?", err)
		}
	}
	entries, err := os.ReadDir(d.tmp)
	if err != nil {
		return fault(d.final, "can't be published", "", err)
	}
	for _, e := range entries {
		if !slices.Contains(d.names, e.Name()) {
			return &pipeline.Error{Fault: pipeline.FaultInternal, Step: "publish", What: "left over in the draft: " + e.Name()}
		}
	}

	mode := fs.FileMode(0o777) &^ umask()
	old, err := os.Stat(d.final)
	if err == nil {
		mode = old.Mode().Perm()
		if err := d.linkOthers(); err != nil {
			return fault(d.final, "can't be published", "", err)
		}
	}
	if err := os.Chmod(d.tmp, mode); err != nil {
		return fault(d.final, "can't be published", "", err)
	}
	if err := sync(d.tmp); err != nil {
		return fault(d.final, "can't be written to the disk", "is it full?", err)
	}
	if old == nil {
		if err := os.Rename(d.tmp, d.final); err != nil {
			return fault(d.final, "can't be published", "did something else write there meanwhile?", err)
		}
	} else if err := exchange(d.tmp, d.final); err != nil {
		return fault(d.final, "can't be replaced", "", err)
	}
	d.done = true
	// From here the lesson is out; what follows only tidies up.
	_ = sync(filepath.Dir(d.final))
	if old != nil {
		if err := d.tidyOld(); err != nil {
			return fault(d.tmp, "holds other files of the old folder, which could not be moved back", "move them by hand; the lesson itself is complete", err)
		}
	}
	return nil
}

// linkOthers gives the draft every plain file of the old folder that isn't
// ours. Folders, and files on disks without links, follow after the exchange.
func (d *Draft) linkOthers() error {
	entries, err := os.ReadDir(d.final)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if !slices.Contains(d.names, e.Name()) && e.Type().IsRegular() {
			_ = os.Link(filepath.Join(d.final, e.Name()), filepath.Join(d.tmp, e.Name()))
		}
	}
	return nil
}

// tidyOld empties the exchanged folder: ours is deleted, everything else
// moves to the final folder unless its link is there already. A folder that
// can't be emptied is left rather than deleted with what is in it.
func (d *Draft) tidyOld() error {
	entries, err := os.ReadDir(d.tmp)
	for _, e := range entries {
		from, to := filepath.Join(d.tmp, e.Name()), filepath.Join(d.final, e.Name())
		if slices.Contains(d.names, e.Name()) {
			os.Remove(from)
			continue
		}
		a, errA := os.Lstat(from)
		b, errB := os.Lstat(to)
		switch {
		case errA == nil && errB == nil && os.SameFile(a, b):
			os.Remove(from)
		case errors.Is(errB, fs.ErrNotExist):
			err = errors.Join(err, os.Rename(from, to))
		}
	}
	return errors.Join(err, os.Remove(d.tmp))
}

// Discard removes the draft and the folders made for it, unless published.
func (d *Draft) Discard() {
	if d.done {
		return
	}
	if d.tmp != "" {
		os.RemoveAll(d.tmp)
	}
	for _, p := range slices.Backward(d.made) {
		os.Remove(p) // only if empty
	}
}

func (d *Draft) mkdirs(dir string) error {
	var missing []string
	for p := dir; ; p = filepath.Dir(p) {
		if _, err := os.Stat(p); err == nil || p == filepath.Dir(p) {
			break
		}
		missing = append(missing, p)
	}
	for _, p := range slices.Backward(missing) {
		if err := os.Mkdir(p, 0o777); err != nil {
			if errors.Is(err, fs.ErrExist) {
				continue
			}
			return err
		}
		d.made = append(d.made, p)
	}
	st, err := os.Stat(dir)
	if err == nil && !st.IsDir() {
		err = fmt.Errorf("%s is a file", filepath.Base(dir))
	}
	return err
}

// File writes one file at path by a draft beside it, synced and renamed, for
// outputs that come alone. The same faults as Begin.
func File(path string, b []byte, force bool) error {
	return file(path, b, force, 0o666&^umask(), "--out")
}

// Private is File for what only its owner may read.
func Private(path string, b []byte, force bool) error {
	return file(path, b, force, 0o600, "--out FILE")
}

func file(path string, b []byte, force bool, mode fs.FileMode, flag string) error {
	d := &Draft{}
	if _, err := os.Lstat(path); err == nil && !force {
		return fault(path, "exists already", "--force replaces it, "+flag+" writes elsewhere", nil)
	}
	if err := d.mkdirs(filepath.Dir(path)); err != nil {
		d.Discard()
		return fault(filepath.Dir(path), "can't be created", "choose another --out", err)
	}
	err := func() error {
		f, err := os.CreateTemp(filepath.Dir(path), ".tapeline-")
		if err != nil {
			return err
		}
		defer os.Remove(f.Name())
		_, err = f.Write(b)
		err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
		if err != nil {
			return err
		}
		return os.Rename(f.Name(), path)
	}()
	if err != nil {
		d.Discard()
		return fault(path, "can't be written", "choose another --out", err)
	}
	_ = sync(filepath.Dir(path)) // it is there; only a power cut could undo it
	return nil
}

func sync(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

func fault(path, what, hint string, err error) error {
	if err != nil {
		var pe *fs.PathError
		var le *os.LinkError
		switch {
		case errors.As(err, &pe):
			what += ": " + pe.Err.Error()
		case errors.As(err, &le):
			what += ": " + le.Err.Error()
		default:
			what += ": " + err.Error()
		}
	}
	return &pipeline.Error{Fault: pipeline.FaultOutput, Step: "publish", Path: path, What: what, Hint: hint, Err: err}
}
