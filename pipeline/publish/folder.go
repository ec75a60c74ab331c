package publish

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// Folder makes the folder final of what fill writes into an empty one beside
// it: all of it appears at once, in place of all that was there before, or,
// where fill fails, nothing changes.
func Folder(final string, fill func(dir string) error) (err error) {
	tmp, err := os.MkdirTemp(filepath.Dir(final), ".tapeline-")
	if err != nil {
		return fault(final, "can't be written to", "", err)
	}
	defer os.RemoveAll(tmp)
	if err := fill(tmp); err != nil {
		return err
	}
	entries, err := os.ReadDir(tmp)
	for _, e := range entries {
		err = errors.Join(err, sync(filepath.Join(tmp, e.Name())))
	}
	if err = errors.Join(err, os.Chmod(tmp, 0o777&^umask()), sync(tmp)); err != nil {
		return fault(final, "can't be written to the disk", "is it full?", err)
	}
	switch st, err := os.Lstat(final); {
	case errors.Is(err, fs.ErrNotExist):
		err = os.Rename(tmp, final)
		if err != nil {
			return fault(final, "can't be put in place", "", err)
		}
	case err != nil || !st.IsDir():
		return fault(final, "is in the way", "move it away", err)
	default:
		if err := exchange(tmp, final); err != nil { // what was there goes with tmp
			return fault(final, "can't be replaced", "", err)
		}
	}
	_ = sync(filepath.Dir(final)) // it is there; only a power cut could undo it
	return nil
}
