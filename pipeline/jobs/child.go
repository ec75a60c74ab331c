package jobs

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"tapeline/pipeline"
)

// Limits of one reading.
type Limits struct {
	Time   time.Duration
	Memory int64 // bytes of the process and all its children together
}

// Child is a process that makes one lesson.
//
// Its memory is limited by looking: RLIMIT_AS counts what Go's runtime and the
// inference library merely reserve (many times what they use), RLIMIT_DATA
// counts for each process alone, not for it and its ffmpeg together, and both
// end in a crash that looks like any other. So the memory in use of the whole
// process group is looked at several times a second, and RLIMIT_DATA, at twice
// the limit, is there only for what grows faster. Core files, which would hold
// a child's picture, are off.
type Child struct {
	Path   string
	Args   []string
	Env    []string // all of it: nothing is inherited
	Dir    string
	In     string // what it finds on its standard input: nothing that others may see in a list of processes
	Limits Limits
	Tell   pipeline.Progress // called from one goroutine, may be nil
}

// Reasons for which a reading fails, beside those of the reading itself.
const (
	TooLong   = "too_long"
	TooLarge  = "too_large"
	Crashed   = "crashed"
	Unread    = "unreadable"
	NoBatter  = "no_batter"
	NoSwing   = "no_swing"
	BadNotes  = "bad_notes" // sidecar or other words that can't be followed
	NotReady  = "not_ready" // the set-up is missing: no clip's fault
	NoSpace   = "no_space"  // so is a full disk
	NoRoster  = "no_roster" // and a roster that can't be read
	Stopped   = "stopped"   // the program was stopped meanwhile
	NotWhole  = "not_whole" // the reading ended well but its lesson is not complete
	NoRecord  = "no_record" // the ledger could not be written
	NotMoved  = "not_moved" // a file could not be moved
	Duplicate = "duplicate" // the same bytes came again
	Mistake   = "mistake"   // anything else
	Changed   = "changed"   // it was still being written

	Card        = "card"         // what became of a clip that shows a card and no swing
	OnlyCard    = "only_card"    // why it has no lesson
	CardUnclear = "card_unclear" // which of several cards before it counts is not known
	CardLate    = "card_late"    // a card is shown in its second half
)

// Slip is why a reading failed. Again says that another try may help, Blocked
// that no clip can be read now.
type Slip struct {
	Reason  string
	Detail  string
	Again   bool
	Blocked bool
	spoilt  bool // the original in the depot is damaged
}

func (s *Slip) Error() string { return strings.TrimSpace(s.Reason + " " + s.Detail) }

// Step is one line of progress on a child's standard error.
type Step struct {
	Step  string `json:"step"`
	Done  int    `json:"done"`
	Total int    `json:"total"`
}

// lookEvery is how often memory is looked at; errLimit how much of a child's
// words is kept.
const (
	lookEvery = 200 * time.Millisecond
	keepBytes = 64 << 10
)

// Run runs the child to its end. When ctx ends, or a limit is passed, its whole
// process group is killed. Errors are *Slip.
func (c Child) Run(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, c.Limits.Time)
	defer cancel()
	cmd := exec.Command(c.Path, c.Args...)
	cmd.Env, cmd.Dir = c.Env, c.Dir
	if cmd.Env == nil {
		cmd.Env = []string{}
	}
	cmd.SysProcAttr = attributes()
	cmd.Stdin = strings.NewReader(c.In)
	out := &tail{}
	cmd.Stdout = out
	cmd.WaitDelay = 2 * time.Second // a grandchild may hold on to the pipes
	errs, w, err := os.Pipe()
	if err != nil {
		return &Slip{Reason: Mistake, Detail: err.Error(), Again: true}
	}
	defer errs.Close()
	cmd.Stderr = w
	// The kernel kills the child when the thread that made it ends.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	err = cmd.Start()
	_ = w.Close()
	if err != nil {
		return &Slip{Reason: NotReady, Detail: err.Error(), Blocked: true}
	}
	group := cmd.Process.Pid
	constrain(group, c.Limits.Memory)
	kill := func() { _ = syscall.Kill(-group, syscall.SIGKILL) }

	var large atomic.Bool
	over := make(chan struct{})
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		tick := time.NewTicker(lookEvery)
		defer tick.Stop()
		for {
			select {
			case <-over:
				return
			case <-ctx.Done():
				kill()
				return
			case <-tick.C:
				if c.Limits.Memory > 0 && inUse(group) > c.Limits.Memory {
					large.Store(true)
					kill()
					return
				}
			}
		}
	}()
	heard := make(chan string, 1)
	go func() { heard <- c.listen(errs) }()
	err = cmd.Wait()
	close(over)
	<-watched
	kill() // what the child left running
	said := <-heard

	var exit *exec.ExitError
	switch {
	case err == nil:
		return nil
	case large.Load():
		return &Slip{Reason: TooLarge, Again: true}
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return &Slip{Reason: TooLong, Again: true}
	case ctx.Err() != nil:
		return &Slip{Reason: Stopped, Again: true}
	case !errors.As(err, &exit):
		return &Slip{Reason: Mistake, Detail: err.Error(), Again: true}
	case exit.ExitCode() < 0:
		return &Slip{Reason: Crashed, Detail: exit.ProcessState.String(), Again: true}
	}
	code, why := pipeline.Fault(exit.ExitCode()), out.what()
	if why == "" {
		why = said
		if code == pipeline.FaultUsage { // Go's runtime ends so too, when native code crashes
			code = pipeline.FaultInternal
		}
	}
	return slip(code, why)
}

// slip sorts a reading's exit code by what may help.
func slip(code pipeline.Fault, why string) *Slip {
	switch code {
	case pipeline.FaultUnreadable:
		return &Slip{Reason: Unread, Detail: why}
	case pipeline.FaultNoBatter:
		return &Slip{Reason: NoBatter, Detail: why}
	case pipeline.FaultNoSwing:
		return &Slip{Reason: NoSwing, Detail: why}
	case pipeline.FaultUsage:
		return &Slip{Reason: BadNotes, Detail: why}
	case pipeline.FaultSetup:
		return &Slip{Reason: NotReady, Detail: why, Blocked: true}
	case pipeline.FaultOutput:
		return &Slip{Reason: NoSpace, Detail: why, Blocked: true}
	case pipeline.FaultLedger:
		return &Slip{Reason: NoRecord, Detail: why, Again: true}
	case pipeline.FaultInterrupted:
		return &Slip{Reason: Stopped, Detail: why, Again: true}
	}
	if why == "" {
		why = fmt.Sprintf("exit code %d", code)
	}
	return &Slip{Reason: Crashed, Detail: why, Again: true}
}

// listen passes progress on and gives the first line that is none.
func (c Child) listen(r io.Reader) (first string) {
	in := bufio.NewReaderSize(r, keepBytes)
	for {
		line, long, err := in.ReadLine()
		if err != nil {
			return first
		}
		if long {
			continue
		}
		var s Step
		if bytes.HasPrefix(line, []byte("{")) && json.Unmarshal(line, &s) == nil && s.Step != "" {
			c.Tell.Tell(s.Step, s.Done, s.Total)
			continue
		}
		if t := strings.TrimSpace(strings.ToValidUTF8(string(line), "?")); t != "" && first == "" {
			first = t
		}
	}
}

// tail keeps the end of what is written to it.
type tail struct{ b []byte }

func (t *tail) Write(p []byte) (int, error) {
	t.b = append(t.b, p...)
	if len(t.b) > 2*keepBytes {
		t.b = append(t.b[:0], t.b[len(t.b)-keepBytes:]...)
	}
	return len(p), nil
}

// what is the error that "tapeline read --json" told.
func (t *tail) what() string {
	var line struct {
		Error *struct{ What, Hint string } `json:"error"`
	}
	if json.Unmarshal(bytes.TrimSpace(t.b), &line) != nil || line.Error == nil {
		return ""
	}
	if line.Error.Hint != "" {
		return line.Error.What + " (" + line.Error.Hint + ")"
	}
	return line.Error.What
}
