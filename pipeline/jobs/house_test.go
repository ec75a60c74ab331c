package jobs

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/inbox"
	"tapeline/pipeline/ledger"
)

// The test program is also the daemon that is killed, and the reading it runs
// as a child.
func TestMain(m *testing.M) {
	switch os.Getenv("JOBS_TEST") {
	case "daemon":
		os.Exit(daemon())
	case "carrier":
		os.Exit(carrier())
	case "reader":
		os.Exit(readerMain(os.Args[1], os.Args[2]))
	case "scanner":
		os.Exit(scannerMain(os.Args[1], os.Args[2]))
	}
	os.Exit(m.Run())
}

// roster has players p000 … p499; those with a 7 at the end may not be filmed.
type roster struct{}

func (roster) Known(id string) bool {
	var n int
	_, err := fmt.Sscanf(id, "p%03d", &n)
	return err == nil && len(id) == 4 && n < 500
}
func (roster) Film(id string, _ time.Time) bool { return !strings.HasSuffix(id, "7") }

// readerMain makes a lesson of a clip that says in words what it does.
func readerMain(out, clip string) int {
	b, err := os.ReadFile(clip)
	if err != nil {
		fmt.Printf(`{"error":{"exit":3,"what":"can't be opened"}}` + "\n")
		return 3
	}
	slow := 5
	_, _ = fmt.Sscan(os.Getenv("SLOW"), &slow)
	for i := range 4 {
		fmt.Fprintf(os.Stderr, `{"step":"pose","done":%d,"total":4}`+"\n", i)
		time.Sleep(time.Duration(rand.IntN(slow)) * time.Millisecond)
	}
	word, _, _ := strings.Cut(string(b), " ")
	switch word {
	case "unreadable":
		fmt.Println(`{"error":{"exit":3,"what":"not a clip","hint":"film it again"}}`)
		return 3
	case "nobody":
		fmt.Println(`{"error":{"exit":4,"what":"nobody is seen"}}`)
		return 4
	case "crash":
		_ = syscall.Kill(os.Getpid(), syscall.SIGSEGV)
		time.Sleep(time.Minute)
	case "hang":
		time.Sleep(time.Hour)
	case "eat":
		var all [][]byte
		for {
			p := make([]byte, 8<<20)
			for i := range p {
				p[i] = 1
			}
			all = append(all, p)
			time.Sleep(5 * time.Millisecond)
			_ = all
		}
	case "setup":
		fmt.Println(`{"error":{"exit":6,"what":"no models"}}`)
		return 6
	case "half":
		_ = os.MkdirAll(filepath.Join(out, "lesson"), 0o777)
		return 0
	case "env":
		_ = os.WriteFile(filepath.Join(filepath.Dir(filepath.Dir(out)), "env"), []byte(strings.Join(os.Environ(), "\n")), 0o666)
	}
	sum := sha256.Sum256(b)
	rep := pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: hex.EncodeToString(sum[:])}}
	report, err := pipeline.MarshalReport(rep)
	if err != nil {
		return 1
	}
	tmp := filepath.Join(out, ".draft")
	if os.Mkdir(tmp, 0o777) != nil {
		return 7
	}
	for _, n := range pipeline.Outputs {
		text := b
		if n == pipeline.ReportFile {
			text = report
		}
		if os.WriteFile(filepath.Join(tmp, n), text, 0o666) != nil {
			return 7
		}
	}
	if os.Rename(tmp, filepath.Join(out, "lesson")) != nil {
		return 7
	}
	return 0
}

// options are those of every test: short times, the reader above.
func options(work string) Options {
	exe, err := os.Executable()
	if err != nil {
		panic(err)
	}
	o := Options{
		Work: work, Inbox: []string{filepath.Join(work, InboxDir)}, Settle: 50 * time.Millisecond, Cap: 5 * time.Second,
		Jobs: 2, Tries: 2, Limits: Limits{Time: 20 * time.Second, Memory: 400 << 20}, Nightly: 2 * time.Hour, Zone: time.UTC,
		Roster: roster{}, Say: func(reason, detail string) string { return reason + ": " + detail },
		Note: func(path string) (n inbox.Note, err error) {
			b, err := os.ReadFile(path)
			if strings.HasPrefix(string(b), "bad") {
				return n, errors.New("can't be understood")
			}
			n.Player = strings.TrimSpace(string(b))
			if spans, ok := strings.CutPrefix(n.Player, "parts "); ok { // 0-30:p001 30-60:p002
				n.Player = ""
				for p := range strings.FieldsSeq(spans) {
					var s Span
					if _, err := fmt.Sscanf(p, "%g-%g:%s", &s.From, &s.To, &s.Player); err != nil {
						return n, err
					}
					n.Players = append(n.Players, s)
				}
			}
			return n, err
		},
		Record: func(ctx context.Context, c Clip, dir string, _ Still) error {
			var rep pipeline.Report
			b, err := os.ReadFile(filepath.Join(dir, pipeline.ReportFile))
			if err == nil {
				err = json.Unmarshal(b, &rep)
			}
			if err != nil {
				return err
			}
			l, err := ledger.Create(ctx, filepath.Join(work, ledger.File))
			if err != nil {
				return err
			}
			defer l.Close()
			_, err = l.Record(ctx, ledger.Entry{Player: c.Player, Day: c.Day, Folder: dir, Report: rep, At: time.Now()})
			return err
		},
		Log:       slog.New(slog.NewTextHandler(said(), nil)),
		Backoff:   func(int) time.Duration { return 10 * time.Millisecond },
		Pause:     100 * time.Millisecond,
		pollQueue: 20 * time.Millisecond,
	}
	o.Read = func(ctx context.Context, r Reading) error {
		return Child{Path: exe, Args: []string{r.Out, r.Clip.Original()}, Env: []string{"JOBS_TEST=reader", "SLOW=" + os.Getenv("SLOW")}, Dir: r.Out, Limits: r.Limits, Tell: r.Tell}.Run(ctx)
	}
	o.Long, o.Scan = isLesson, func(ctx context.Context, r Reading) error {
		return Child{Path: exe, Args: []string{r.Out, r.Clip.Original()}, Env: []string{"JOBS_TEST=scanner"}, Dir: r.Out, Limits: r.Limits, Tell: r.Tell}.Run(ctx)
	}
	return o
}

// said is where the log goes: nowhere, or with TELL to standard error.
func said() io.Writer {
	if os.Getenv("TELL") != "" {
		return os.Stderr
	}
	return io.Discard
}

// daemon is an engine in a process of its own. DIE names the stage at which it
// dies, N how many times it is passed before.
func daemon() int {
	work, die := os.Getenv("WORK"), os.Getenv("DIE")
	var n int
	_, _ = fmt.Sscan(os.Getenv("N"), &n)
	hook = func(stage string) {
		if stage == die {
			if n--; n < 0 {
				how := syscall.SIGKILL
				switch os.Getenv("HOW") {
				case "crash":
					how = syscall.SIGSEGV // as native code does
				case "freeze":
					how, n = syscall.SIGSTOP, 1<<30
				case "ask": // goes on when the test says so
					n = 1 << 30
					meet(work)
					return
				}
				_ = syscall.Kill(os.Getpid(), how)
				if how != syscall.SIGSTOP {
					select {}
				}
			}
		}
	}
	ctx := context.Background()
	o := options(work)
	o.Log = slog.New(slog.NewTextHandler(os.Stderr, nil))
	if os.Getenv("DEPOT") != "" {
		return awayDaemon(ctx, o)
	}
	if os.Getenv("CARDS") != "" {
		telling(&o, time.Now().Add(-time.Hour))
	}
	s, err := OpenSQLite(ctx, filepath.Join(work, StoreFile))
	if err == nil {
		e := New(s, o)
		if os.Getenv("RUN") == "once" {
			_, err = e.Once(ctx)
		} else {
			err = e.Run(ctx)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

func start(t *testing.T, work string, env ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append([]string{"JOBS_TEST=daemon", "WORK=" + work}, env...)
	cmd.Stderr = &bytes.Buffer{}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd
}

// drop puts a file under the work folder and gives the hash of its bytes.
func drop(t *testing.T, work, name, text string) string {
	t.Helper()
	p := filepath.Join(work, name)
	if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
		t.Fatal(err)
	}
	tmp := filepath.Join(filepath.Dir(p), ".tmp")
	if err := os.WriteFile(tmp, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(tmp, p); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

func house(t *testing.T) string {
	t.Helper()
	work := t.TempDir()
	if err := os.Mkdir(filepath.Join(work, InboxDir), 0o777); err != nil {
		t.Fatal(err)
	}
	return work
}

func store(t *testing.T, work string) *Store {
	t.Helper()
	s, err := OpenSQLite(context.Background(), filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func once(t *testing.T, work string, change func(*Options)) Summary {
	t.Helper()
	o := options(work)
	if change != nil {
		change(&o)
	}
	s, err := OpenSQLite(context.Background(), filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	sum, err := New(s, o).Once(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return sum
}

// where lists the files of a work folder that hold those bytes.
func where(t *testing.T, work, hash string) (out []string) {
	t.Helper()
	_ = filepath.WalkDir(work, func(p string, d fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(work, p)
		if err != nil || !d.Type().IsRegular() || strings.HasPrefix(rel, LessonsDir+"/") || strings.HasPrefix(rel, stagingDir+"/") {
			return nil
		}
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(b); hex.EncodeToString(sum[:]) == hash {
			out = append(out, rel)
		}
		return nil
	})
	return out
}

// wantLessons: every clip has exactly one lesson, whole, in the folders and in
// the ledger; its original lies once, in the archive; nothing is left over.
func wantLessons(t *testing.T, work string, hashes map[string]string) {
	t.Helper()
	found := map[string]int{}
	dirs, _ := filepath.Glob(filepath.Join(work, LessonsDir, "*", "*"))
	for _, d := range dirs {
		for h := range hashes {
			if strings.HasSuffix(d, h[:8]) {
				found[h]++
				if err := whole(d, h); err != nil {
					t.Errorf("%s: %v", d, err)
				}
			}
		}
	}
	l, err := ledger.Open(context.Background(), filepath.Join(work, ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	rows, err := l.Lessons(context.Background(), "")
	if err != nil {
		t.Fatal(err)
	}
	kept := map[string]int{}
	for _, r := range rows {
		kept[r.Clip]++
	}
	for h, player := range hashes {
		if found[h] != 1 || kept[h] != 1 {
			t.Errorf("clip %s: %d lessons, %d in the ledger", h[:8], found[h], kept[h])
		}
		w := where(t, work, h)
		if len(w) != 1 || !strings.HasPrefix(w[0], ArchiveDir+"/"+player+"/") {
			t.Errorf("the original of %s lies at %v", h[:8], w)
		}
	}
	if len(dirs) != len(hashes) || len(rows) != len(hashes) {
		t.Errorf("%d lessons, %d in the ledger, %d clips", len(dirs), len(rows), len(hashes))
	}
	for _, d := range []string{stagingDir, takenDir} {
		if left, _ := os.ReadDir(filepath.Join(work, d)); len(left) > 0 {
			t.Errorf("left in %s: %v", d, left)
		}
	}
}
