package depot

import "golang.org/x/sys/unix"

func pipe(path string) error { return unix.Mkfifo(path, 0o600) }
