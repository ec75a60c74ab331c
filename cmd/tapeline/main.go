// Command tapeline reads phone clips of a batting swing and makes a lesson of
// each: an annotated video, a contact sheet and a report of measures.
// "tapeline help" tells the rest.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"tapeline/pipeline"
)

func main() {
	// Most of what lives is pictures, few and quickly looked at: collecting
	// sooner costs nothing and saves 50 MB.
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(40)
	}
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// command is one word after "tapeline".
type command struct {
	name  string
	about string // one line
	usage string // what "tapeline help NAME" prints
	run   func(ctx context.Context, io streams, args []string) error
}

type streams struct {
	in       io.Reader
	out, err io.Writer
}

// commands in the order help lists them. A function, because help lists
// itself.
func commands() []command {
	return []command{readCommand, judgeCommand, packCommand, watchCommand, nightlyCommand, workCommand, scanCommand, statusCommand, deskCommand, correctionsCommand, retryCommand, waitingCommand, releaseCommand, holdCommand, sendCommand, sentCommand, previewCommand, forgetCommand, moveStoreCommand, checkCommand, progressCommand, compareCommand, exportCommand, cardsCommand, versionCommand, helpCommand}
}

// run does what the arguments say and gives the exit code, a pipeline.Fault
// or 0. Results go to stdout, progress and complaints to stderr.
func run(args []string, stdin io.Reader, stdout, stderr io.Writer) (code int) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s := streams{stdin, stdout, stderr}
	defer func() {
		if p := recover(); p != nil {
			fmt.Fprintf(stderr, "tapeline: internal defect: %v\n", p)
			code = int(pipeline.FaultInternal)
		}
	}()

	if len(args) == 0 {
		fmt.Fprint(stderr, overview())
		return int(pipeline.FaultUsage)
	}
	name := args[0]
	switch name {
	case "-h", "-help", "--help":
		name = "help"
	case "-version", "--version":
		name = "version"
	}
	for _, c := range commands() {
		if c.name == name {
			err := c.run(ctx, s, args[1:])
			if errors.Is(err, errHelp) {
				fmt.Fprint(stdout, c.usage)
				return 0
			}
			return complain(stderr, err)
		}
	}
	return complain(stderr, usage("%q is no command; there are %s", name, strings.Join(names(), ", ")))
}

// complain prints err on one line and gives its exit code.
func complain(w io.Writer, err error) int {
	if err == nil {
		return 0
	}
	var e *pipeline.Error
	if !errors.As(err, &e) {
		e = &pipeline.Error{Fault: pipeline.FaultInternal, What: err.Error()}
	}
	if e.What != "" || e.Err != nil {
		fmt.Fprintf(w, "tapeline: %s\n", strings.Join(strings.Fields(e.Error()), " "))
		if e.Fault == pipeline.FaultInternal && e.Err != nil && os.Getenv("TAPELINE_DEBUG") != "" {
			fmt.Fprintf(w, "%v\n", e.Err)
		}
	}
	return int(e.Fault)
}

// usage is the error of a wrong command line.
func usage(format string, a ...any) error {
	return &pipeline.Error{Fault: pipeline.FaultUsage, What: fmt.Sprintf(format, a...), Hint: "see tapeline help"}
}
