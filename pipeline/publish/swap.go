package publish

import (
	"os"
	"syscall"
)

// swap exchanges two folders by three renames; when the second fails the
// first is undone.
func swap(tmp, final string) error {
	aside := tmp + "-old"
	if err := os.Rename(final, aside); err != nil {
		return err
	}
	if err := os.Rename(tmp, final); err != nil {
		if back := os.Rename(aside, final); back != nil {
			return back
		}
		return err
	}
	return os.Rename(aside, tmp)
}

// umask of the process: what os.MkdirTemp's 0700 must be widened to.
func umask() os.FileMode {
	m := syscall.Umask(0)
	syscall.Umask(m)
	return os.FileMode(m)
}
