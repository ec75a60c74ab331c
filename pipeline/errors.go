package pipeline

import "fmt"

// Fault sorts errors by what the user can do about them; each has its own
// exit code.
type Fault int

const (
	FaultInternal    Fault = 1 // a defect of ours, or of native code
	FaultUsage       Fault = 2 // wrong flag, missing argument, bad config
	FaultUnreadable  Fault = 3 // not a clip, damaged, or beyond our limits
	FaultNoBatter    Fault = 4 // nobody seen, or nobody who could be batting
	FaultNoSwing     Fault = 5 // somebody, but no swing
	FaultSetup       Fault = 6 // models, inference library or ffmpeg missing or altered
	FaultOutput      Fault = 7 // output exists, can't be written, disk full
	FaultPartial     Fault = 8 // several clips: some read, some not
	FaultLedger      Fault = 9 // the ledger can't be read or written; what was made is there
	FaultInterrupted Fault = 130
)

// Error is what a stage returns when a clip can't go on: one clear line of
// what, where and what to do.
type Error struct {
	Fault Fault
	Step  string // stage, e.g. "probe"
	Path  string // file concerned, as the user gave it
	What  string // what is wrong
	Hint  string // what to do
	Err   error  // cause, for %w
}

// Error is one line.
func (e *Error) Error() string {
	s := e.What
	if e.Path != "" {
		s = fmt.Sprintf("%q: %s", e.Path, s)
	}
	if e.Err != nil && e.What == "" {
		s += e.Err.Error()
	}
	if e.Hint != "" {
		s += " (" + e.Hint + ")"
	}
	return s
}

func (e *Error) Unwrap() error { return e.Err }
