package publish

import (
	"errors"

	"golang.org/x/sys/unix"
)

// exchange swaps two folders in one step where the file system can, else in
// two renames.
func exchange(tmp, final string) error {
	err := unix.Renameat2(unix.AT_FDCWD, tmp, unix.AT_FDCWD, final, unix.RENAME_EXCHANGE)
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.ENOTSUP) {
		return swap(tmp, final)
	}
	return err
}
