package outbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"tapeline/pipeline/deliver"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/ledger"
)

// faultRuns is how many sequences of faults are gone through; scripts/soak sets
// FAULTS.
func faultRuns() int {
	if n, err := strconv.Atoi(os.Getenv("FAULTS")); err == nil && n > 0 {
		return n
	}
	if testing.Short() {
		return 6
	}
	return 30
}

// errDied is the panic with which a test ends a sender in the middle.
var errDied = errors.New("died here")

// stages at which a sender can die.
var stages = []string{"dialed", "begun", "going", "sent", "answered"}

// sendOrDie is Send in a process that may die at the n-th passing of a stage:
// nothing of what a deferred function would mend is mended, but for the lock,
// which the kernel gives back.
func sendOrDie(h *house, o *Outbox, stage string, n int) (dead bool) {
	hook = func(s string) {
		if s == stage {
			if n--; n < 0 {
				panic(errDied)
			}
		}
	}
	defer func() {
		hook = func(string) {}
		if p := recover(); p != nil {
			if p != any(errDied) {
				panic(p)
			}
			dead = true
		}
	}()
	h.send(o)
	return false
}

// Whatever server and power do, for every release each address gets the lesson
// at most once (unless the rule says: send again), and every letter ends in a
// state that is told and is true.
func TestFaults(t *testing.T) {
	deaths, kept, unsure, refused := 0, 0, 0, 0
	for run := range faultRuns() {
		t.Run(fmt.Sprint(run), func(t *testing.T) {
			r := rand.New(rand.NewPCG(uint64(run), 6))
			h, s := withServer(t, smtptest.Random(uint64(run), 10+r.IntN(20))...)
			h.o.Again = r.IntN(4) == 0
			lessons := []ledger.Lesson{}
			for i := range 2 + r.IntN(4) {
				id := fmt.Sprint("p0", i)
				to := []string{id + "-mother@example.org"}
				if r.IntN(2) == 0 {
					to = append(to, id+"-father@example.org")
				}
				h.family(id, "Name"+id, to...)
				lessons = append(lessons, h.lesson(id, id))
			}
			o := New(h.o)
			for _, l := range lessons {
				h.released(o, l)
			}
			for range 14 {
				if r.IntN(3) == 0 {
					if sendOrDie(h, o, stages[r.IntN(len(stages))], r.IntN(4)) {
						deaths++
						o = New(h.o)
					}
				} else {
					h.send(o)
				}
				h.pass(time.Duration(1+r.IntN(90)) * time.Minute)
			}
			h.pass(25 * time.Hour)
			for range 2 { // what was tried a day ago is over now
				h.send(o)
				h.pass(time.Hour)
			}
			all, err := h.book.Releases(t.Context(), "")
			if err != nil || len(all) != len(lessons) {
				t.Fatalf("%d releases of %d; %v", len(all), len(lessons), err)
			}
			for _, rel := range all {
				if rel.State == ledger.Released || rel.State == ledger.Stopped {
					t.Errorf("%s is still %s, %s", rel.Player, rel.State, rel.Reason)
				}
				if want := len(h.roster[rel.Player].Guardians); len(rel.Letters) != want && rel.Reason != TooLate {
					t.Errorf("%s: %d letters for %d guardians, %s", rel.Player, len(rel.Letters), want, rel.Reason)
				}
				open := 0
				for _, x := range rel.Letters {
					n := got(s, rel.Lesson, x.Address)
					kept += n
					if n > 1 && !h.o.Again {
						t.Errorf("%s got it %d times", x.Address, n)
					}
					switch x.State {
					case ledger.Taken:
						if n == 0 {
							t.Errorf("%s: lost, and said to be taken", x.Address)
						}
					case ledger.Unsure:
						unsure++
						if h.o.Again {
							t.Errorf("%s: left unsure", x.Address)
						}
					default:
						open++
						if n > 0 && !h.o.Again {
							t.Errorf("%s has it, and is said to be %s", x.Address, x.State)
						}
					}
					if x.Phase != ledger.Answered && x.Phase != "" {
						t.Errorf("%s is left %s", x.Address, x.Phase)
					}
				}
				if rel.State == ledger.Sent && open > 0 || rel.State == ledger.Refused && rel.Reason == "" {
					t.Errorf("%s: %s with %d open, %q", rel.Player, rel.State, open, rel.Reason)
				}
				if rel.State == ledger.Refused {
					refused++
				}
			}
			// Nothing the server has is missing from the ledger, and nobody got
			// another family's.
			for _, m := range s.Received() {
				for _, to := range m.To {
					id, _, _ := strings.Cut(to, "-")
					if !strings.Contains(string(m.Raw), "clip="+clipOf(id)) {
						t.Errorf("%s got another's lesson", to)
					}
				}
			}
		})
	}
	t.Logf("%d sequences: %d letters kept, %d deaths, %d unsure, %d refused", faultRuns(), kept, deaths, unsure, refused)
	if !testing.Short() && (deaths == 0 || kept == 0 || unsure == 0) {
		t.Error("nothing was tried")
	}
}

const childEnv = "TAPELINE_OUTBOX_CHILD"

func TestMain(m *testing.M) {
	if spec := os.Getenv(childEnv); spec != "" {
		childSends(spec)
	}
	os.Exit(m.Run())
}

// childSends sends in a process of its own and kills it at a stage.
func childSends(spec string) {
	f := strings.Split(spec, "|")
	port, _ := strconv.Atoi(f[1])
	hook = func(s string) {
		if s == f[2] {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			time.Sleep(time.Minute) // it need not die at once
		}
	}
	h := newHouse(stopper{}, f[0], port)
	h.family("b07", "Ada", "a@example.org", "b@example.org")
	if _, err := New(h.o).Send(context.Background(), nil); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

type stopper struct{}

func (stopper) Helper()                   {}
func (stopper) Fatal(a ...any)            { fmt.Fprintln(os.Stderr, a...); os.Exit(1) }
func (stopper) Fatalf(f string, a ...any) { fmt.Fprintf(os.Stderr, f, a...); os.Exit(1) }
func (stopper) Errorf(f string, a ...any) { fmt.Fprintf(os.Stderr, f, a...) }

// A process that is killed at any stage: what had not gone is sent, what had is
// unsure and waits for the coach's word, and is told.
func TestKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for stage, want := range map[string]struct {
		state string
		kept  int // of a's copies in the end
	}{"dialed": {ledger.Sent, 1}, "begun": {ledger.Sent, 1}, "going": {ledger.Unsure, 0}, "sent": {ledger.Unsure, 1}, "answered": {ledger.Sent, 1}} {
		t.Run(stage, func(t *testing.T) {
			h, s := withServer(t)
			h.family("b07", "Ada", "a@example.org", "b@example.org")
			l := h.lesson("b07", "one")
			o := New(h.o)
			h.released(o, l)
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s|%d|%s", childEnv, h.dir, s.Port(), stage))
			out, err := cmd.CombinedOutput()
			var exit *exec.ExitError
			if !errors.As(err, &exit) || exit.ExitCode() != -1 {
				t.Fatalf("the child was not killed: %v, %s", err, out)
			}
			h.send(o)
			h.pass(time.Hour)
			h.send(o)
			if it := h.stand(o, l); it.State != want.state {
				t.Errorf("%s; want %s", it.State, want.state)
			}
			for _, a := range []string{"a@example.org", "b@example.org"} {
				if n := got(s, l.Clip, a); n != want.kept {
					t.Errorf("%s has %d copies; want %d", a, n, want.kept)
				}
			}
			if _, err := os.Stat(filepath.Join(h.dir, ledger.File+".sending")); err != nil {
				t.Error(err)
			}
		})
	}
}

// A line that says it took a message that never went isn't believed.
type liar struct{}

func (liar) Send(_ context.Context, _ *deliver.Message, to []string, _ func([]string) error) (out []deliver.Answer, err error) {
	for _, a := range to {
		out = append(out, deliver.Answer{To: a, Outcome: deliver.Taken, Code: 250})
	}
	return out, nil
}
func (liar) Close() error { return nil }

func TestLiar(t *testing.T) {
	h := newHouse(t, t.TempDir(), 0)
	defer h.book.Close()
	h.o.Dial = func(context.Context) (deliver.Line, error) { return liar{}, nil }
	h.family("b07", "Ada", "a@example.org")
	l := h.lesson("b07", "one")
	o := New(h.o)
	h.released(o, l)
	h.send(o)
	if it := h.stand(o, l); it.State != ledger.Unsure {
		t.Errorf("%s", it.State)
	}
}

// What fails again and again is told once, whatever port it had.
func TestFails(t *testing.T) {
	const lost = "read tcp 10.0.0.2:%d->10.0.0.9:5432: connection reset by peer"
	for _, c := range []struct {
		went []error
		told string
	}{
		{[]error{fmt.Errorf(lost, 41234), fmt.Errorf(lost, 50912), nil, nil}, "failed back"},
		{[]error{fmt.Errorf(lost, 41234), errors.New("no roster"), nil}, "failed failed back"},
		{[]error{errors.New("lesson a1"), errors.New("lesson b2")}, "failed failed"},
		{[]error{errors.New("12345"), nil, errors.New("54321"), nil, nil}, "failed back failed back"},
	} {
		var b bytes.Buffer
		f := Fails{Log: slog.New(slog.NewTextHandler(&b, nil)), What: "failed", Over: "back"}
		for _, err := range c.went {
			f.Note(err)
		}
		var told []string
		for _, m := range regexp.MustCompile(`msg=(\w+)`).FindAllStringSubmatch(b.String(), -1) {
			told = append(told, m[1])
		}
		if got := strings.Join(told, " "); got != c.told {
			t.Errorf("%v: %s", c.went, got)
		}
	}
}
