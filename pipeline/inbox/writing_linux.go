package inbox

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// writing tells whether somebody on this machine has the file open for
// writing: a read lease is refused then (fcntl(2), F_SETLEASE). Where leases
// are not to be had, nobody is taken to be.
func writing(f *os.File) bool {
	raw, err := f.SyscallConn()
	if err != nil {
		return false
	}
	busy := false
	_ = raw.Control(func(fd uintptr) {
		_, err := unix.FcntlInt(fd, unix.F_SETLEASE, unix.F_RDLCK)
		busy = errors.Is(err, unix.EAGAIN)
		if err == nil {
			_, _ = unix.FcntlInt(fd, unix.F_SETLEASE, unix.F_UNLCK)
		}
	})
	return busy
}
