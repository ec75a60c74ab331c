package clip

import (
	"os"

	"golang.org/x/sys/unix"
)

// wideBytes is what an unprivileged pipe may hold (pipe(7), pipe-max-size).
const wideBytes = 1 << 20

// wide lets a pipe hold more than the usual 64 KB, so that a picture takes
// fewer turns between two processes. Where it can't it stays as it is.
func wide(pipe any) {
	f, ok := pipe.(*os.File)
	if !ok {
		return
	}
	if c, err := f.SyscallConn(); err == nil {
		_ = c.Control(func(fd uintptr) { _, _ = unix.FcntlInt(fd, unix.F_SETPIPE_SZ, wideBytes) })
	}
}
