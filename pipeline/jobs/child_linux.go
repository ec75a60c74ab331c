package jobs

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// attributes: a group of its own, to be killed as a whole, which the kernel
// ends with us.
func attributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

// constrain lays limits on a process that runs already.
func constrain(pid int, memory int64) {
	_ = unix.Prlimit(pid, unix.RLIMIT_CORE, &unix.Rlimit{}, nil)
	if memory > 0 {
		most := uint64(2 * memory)
		_ = unix.Prlimit(pid, unix.RLIMIT_DATA, &unix.Rlimit{Cur: most, Max: most}, nil)
	}
}

// inUse is the memory in use of a process group, bytes: resident pages as in
// proc(5), /proc/PID/stat, fields 5 (pgrp) and 24 (rss). Pages that two of the
// group share count twice.
func inUse(group int) (sum int64) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, p := range stats {
		b, err := os.ReadFile(p)
		if err != nil {
			continue
		}
		i := bytes.LastIndexByte(b, ')') // the name before may hold anything
		f := bytes.Fields(b[i+1:])       // from field 3
		if i < 0 || len(f) < 22 {
			continue
		}
		if g, _ := strconv.Atoi(string(f[2])); g != group {
			continue
		}
		pages, _ := strconv.ParseInt(string(f[21]), 10, 64)
		sum += pages * int64(os.Getpagesize())
	}
	return sum
}
