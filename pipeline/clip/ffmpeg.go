package clip

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"

	"tapeline/pipeline"
)

// input are the arguments that hand a looked-at file to ffmpeg or ffprobe:
// demuxer and protocol fixed, and a name that can't be taken for an option, a
// pattern or an address.
func input(path, demuxer string) ([]string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	return []string{"-protocol_whitelist", "file", "-f", demuxer, "-i", "file:" + abs}, nil
}

// command is a program that Ctrl-C doesn't reach by itself: it ends when ctx
// does, so that we know why. It is told nothing of our configuration: what
// reads an unknown file needs no password.
func command(ctx context.Context, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "TAPELINE_") })
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	return cmd
}

// run starts an ffmpeg program and returns its standard output.
func run(ctx context.Context, step, path, name string, args ...string) ([]byte, error) {
	var out bytes.Buffer
	err := runTo(ctx, &out, step, path, name, args...)
	return out.Bytes(), err
}

// runTo starts an ffmpeg program that writes its standard output to out.
func runTo(ctx context.Context, out io.Writer, step, path, name string, args ...string) error {
	var errs bytes.Buffer
	cmd := command(ctx, name, args...)
	cmd.Stdout, cmd.Stderr = out, &errs
	if err := cmd.Run(); err != nil {
		return failed(ctx, step, path, name, err, errs.String())
	}
	// ffmpeg calls a file that ends too soon a success.
	for _, sign := range []string{"ended prematurely", "partial file", "Truncating packet"} {
		if strings.Contains(errs.String(), sign) {
			return unreadable(step, path, hintCopy, "the file is cut short")
		}
	}
	return nil
}

// failed turns the end of an ffmpeg program into one line.
func failed(ctx context.Context, step, path, name string, err error, stderr string) error {
	if ctx.Err() != nil {
		return &pipeline.Error{Fault: pipeline.FaultInterrupted, Step: step, Path: path, What: "stopped", Err: ctx.Err()}
	}
	if errors.Is(err, exec.ErrNotFound) || errors.Is(err, os.ErrNotExist) {
		return &pipeline.Error{Fault: pipeline.FaultSetup, Step: step, What: name + " is not installed", Hint: hintSetup, Err: err}
	}
	return &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: step, Path: path,
		What: "damaged or not playable: " + lastLine(stderr), Hint: hintCopy, Err: err}
}

var logSource = regexp.MustCompile(`^\[[^\]]*\] `)

// lastLine is the last thing a program said, without the names of its parts
// and of our files.
func lastLine(s string) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	for len(lines) > 1 && strings.Contains(lines[len(lines)-1], "Last message repeated") {
		lines = lines[:len(lines)-1]
	}
	l := logSource.ReplaceAllString(strings.TrimSpace(lines[len(lines)-1]), "")
	if i := strings.LastIndex(l, ": "); i >= 0 && strings.Contains(l[:i], "file:") {
		l = l[i+2:]
	}
	if l == "" {
		return "no reason given"
	}
	return l
}
