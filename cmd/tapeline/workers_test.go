package main

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"tapeline/detect/coach"
	"tapeline/pipeline"
	"tapeline/pipeline/depot"
	"tapeline/pipeline/jobs"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/pgtest"
)

// recordedTrack in the environment names a recorded Track that stands for the
// reading of small clips, in child processes too: thirty readings take minutes.
const recordedTrack = "TAPELINE_TEST_TRACK"

// program is tapeline as tests run it.
func program() {
	if track := os.Getenv(recordedTrack); track != "" {
		real := runChild
		runChild = func(c jobs.Child, ctx context.Context) error {
			c.Env = append(c.Env, recordedTrack+"="+track)
			return real(c, ctx)
		}
		if len(os.Args) > 2 && os.Args[1] == "read" {
			if clip := os.Args[len(os.Args)-1]; small(clip) {
				if err := readRecorded(os.Args[slices.Index(os.Args, "--out")+1], clip, track); err != nil {
					fmt.Fprintln(os.Stderr, err)
					os.Exit(1)
				}
				os.Exit(0)
			}
		}
	}
	main()
}

func small(clip string) bool {
	st, err := os.Stat(clip)
	return err == nil && st.Size() < 1000
}

// readRecorded leaves what a reading would: report and track are judged from the
// recorded one, the rest is the clip's own bytes.
func readRecorded(out, clip, track string) error {
	f, err := os.Open(track)
	if err != nil {
		return err
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return err
	}
	var t pipeline.Track
	if err := json.NewDecoder(z).Decode(&t); err != nil {
		return err
	}
	b, err := os.ReadFile(clip)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(b)
	t.Clip.ID = hex.EncodeToString(sum[:])
	for i := range 5 {
		fmt.Fprintf(os.Stderr, `{"step":"pose","done":%d,"total":5}`+"\n", i)
		time.Sleep(time.Duration(50+rand.IntN(100)) * time.Millisecond)
	}
	rules, err := coach.RulesFile("")
	if err != nil {
		return err
	}
	rep, err := judging(rules)(t, t.Given)
	if err != nil {
		return err
	}
	report, err := pipeline.MarshalReport(rep)
	if err != nil {
		return err
	}
	seen, err := pipeline.MarshalTrack(t)
	if err != nil {
		return err
	}
	tmp, dir := filepath.Join(out, ".draft"), filepath.Join(out, "lesson")
	err = os.Mkdir(tmp, 0o700)
	for _, name := range pipeline.Outputs {
		text := b
		switch name {
		case pipeline.ReportFile:
			text = report
		case pipeline.TrackFile:
			text = seen
		}
		err = cmp.Or(err, os.WriteFile(filepath.Join(tmp, name), text, 0o600))
	}
	return cmp.Or(err, os.Rename(tmp, dir))
}

// academy is a machine that watches and others that read, on PostgreSQL and a
// folder as the store of files.
type academy struct {
	t       *testing.T
	dir     string
	address string // of the database
	depot   string
	st      *jobs.Store
	running []*exec.Cmd
}

const testSilence = 2 * time.Second

// machine writes a configuration with a work folder of its own.
func (a *academy) machine(name, store string, jobs int) string {
	a.t.Helper()
	u, err := url.Parse(store)
	if err != nil {
		a.t.Fatal(err)
	}
	password, _ := u.User.Password()
	u.User = url.User(u.User.Username())
	conf := filepath.Join(a.dir, name+".yaml")
	for path, text := range map[string]string{
		conf: fmt.Sprintf("work: %s\nroster: roster.csv\nstore: %s\nstore_password_file: password\nclips: %s\njobs: %d\nsettle: 1s\nlimits: {space: 1MB}\nworker: {name: %s, silence: %s}\npose: {quality: quick}\n",
			filepath.Join(a.dir, name), u, a.depot, jobs, name, testSilence),
		filepath.Join(a.dir, "password"): password + "\n",
	} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			a.t.Fatal(err)
		}
	}
	return conf
}

func (a *academy) start(command, conf string) *exec.Cmd {
	a.t.Helper()
	log, err := os.OpenFile(strings.TrimSuffix(conf, ".yaml")+".log", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		a.t.Fatal(err)
	}
	defer log.Close()
	track, err := filepath.Abs("testdata/front_left.track.json.gz")
	if err != nil {
		a.t.Fatal(err)
	}
	cmd := exec.Command("tapeline", command, "--config", conf)
	cmd.Env = append(os.Environ(), recordedTrack+"="+track)
	cmd.Dir, cmd.Stderr = a.dir, log
	if err := cmd.Start(); err != nil {
		a.t.Fatal(err)
	}
	a.running = append(a.running, cmd)
	return cmd
}

// until waits for something to be so.
func (a *academy) until(what string, ok func() bool) {
	a.t.Helper()
	for end := time.Now().Add(4 * time.Minute); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			a.t.Fatalf("it takes too long: %s", what)
		}
	}
}

func (a *academy) done() int {
	n, err := a.st.Counts(a.t.Context())
	if err != nil {
		a.t.Fatal(err)
	}
	return n[jobs.Done]
}

// Three workers read thirty clips, of which one is a real one, each in a child
// process. One or another is killed twice, one is frozen past its time and wakes,
// the database is restarted, and the way of one worker to it cut, for less and for
// more than others wait. Thirty lessons, each published once.
func TestThreeWorkers(t *testing.T) {
	if testing.Short() {
		t.Skip("a real clip is read")
	}
	t.Parallel() // long, with waits in it
	const clips = 30
	server := pgtest.New(t, false)
	a := &academy{t: t, dir: t.TempDir(), address: server.URL(t)}
	a.depot = "file://" + filepath.Join(a.dir, "depot")
	if err := os.Mkdir(filepath.Join(a.dir, "depot"), 0o700); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		for _, c := range a.running {
			if c.ProcessState == nil {
				_ = c.Process.Kill()
				_ = c.Wait()
			}
		}
		if logs, _ := filepath.Glob(filepath.Join(a.dir, "*.log")); t.Failed() {
			for _, l := range logs {
				b, _ := os.ReadFile(l)
				t.Logf("%s:\n%s", filepath.Base(l), b)
			}
		}
	})
	var roster strings.Builder
	roster.WriteString("id,first_name,height,consent_film\n")
	for i := range 10 {
		fmt.Fprintf(&roster, "p%02d,Ada%c,170cm,2026-01-10\n", i, 'a'+i)
	}
	if err := os.WriteFile(filepath.Join(a.dir, "roster.csv"), []byte(roster.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	way := pgtest.NewProxy(t, server.Addr)
	office := a.machine("office", a.address, 0)
	confs := []string{a.machine("cage1", a.address, 1), a.machine("cage2", a.address, 1), a.machine("cage3", way.Through(t, a.address), 1)}

	hashes := map[string]bool{}
	original, err := os.ReadFile("../../samples/front_left.mp4")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(original)
	long := hex.EncodeToString(sum[:])
	drop := func(player, name string, data []byte) {
		sum := sha256.Sum256(data)
		hashes[hex.EncodeToString(sum[:])] = true
		p := filepath.Join(a.dir, "office", "inbox", player, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o700), os.WriteFile(p, data, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	drop("p00", "0.mp4", original)
	for i := 1; i < clips; i++ {
		drop(fmt.Sprintf("p%02d", i%10), fmt.Sprintf("%d.mov", i), fmt.Appendf(nil, "clip %d", i))
	}
	if a.st, err = jobs.OpenPostgres(t.Context(), a.address); err != nil {
		t.Fatal(err)
	}
	defer a.st.Close()
	a.st.Share(filepath.Join(a.dir, "office"))

	began := time.Now()
	watches := a.start("watch", office)
	workers := map[string]*exec.Cmd{}
	for _, c := range confs {
		workers[c] = a.start("work", c)
	}
	// any is a worker that reads, but not the real clip: to read that twice would
	// take the longest.
	any := func() (conf string) {
		a.until("a worker reads", func() bool {
			all, err := a.st.Workers(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			running, err := a.st.Clips(t.Context(), jobs.Running)
			if err != nil {
				t.Fatal(err)
			}
			var can []string
			for _, c := range running {
				i := slices.IndexFunc(all, func(w jobs.Worker) bool { return w.ID == c.Worker && w.State == jobs.Working })
				if c.Hash != long && i >= 0 {
					can = append(can, all[i].Name)
				}
			}
			if len(can) > 0 {
				conf = filepath.Join(a.dir, can[rand.IntN(len(can))]+".yaml")
			}
			return len(can) > 0
		})
		time.Sleep(rand.N(300 * time.Millisecond))
		return conf
	}
	after := func(n int) { a.until(fmt.Sprint(n, " lessons"), func() bool { return a.done() >= n }) }
	kill := func() {
		c := any()
		_ = workers[c].Process.Kill()
		_ = workers[c].Wait()
		workers[c] = a.start("work", c)
	}
	after(3)
	kill()
	after(7)
	sleeps := any()
	_ = workers[sleeps].Process.Signal(syscall.SIGSTOP)
	name := strings.TrimSuffix(filepath.Base(sleeps), ".yaml")
	a.until("it is taken for dead", func() bool {
		var said struct{ Workers []jobs.Worker }
		b, err := exec.Command("tapeline", "status", "--json", "--config", office).Output()
		if err != nil || json.Unmarshal(b, &said) != nil {
			t.Fatalf("%v: %s", err, b)
		}
		return slices.ContainsFunc(said.Workers, func(w jobs.Worker) bool { return w.Name == name && w.State == jobs.Gone })
	})
	_ = workers[sleeps].Process.Signal(syscall.SIGCONT)
	after(12)
	server.Restart(t)
	after(16)
	for _, away := range []time.Duration{testSilence / 2, 2 * testSilence} {
		way.Cut()
		time.Sleep(away)
		way.Mend()
	}
	kill()
	after(clips)
	a.until("all of it is at the office", func() bool {
		m, _ := filepath.Glob(filepath.Join(a.dir, "office", jobs.ArchiveDir, "*", "*.m*"))
		return len(m) == clips
	})
	took := time.Since(began)
	time.Sleep(3 * testSilence / 2) // whoever woke says so by now
	for _, c := range append(slices.Collect(func(yield func(*exec.Cmd) bool) {
		for _, w := range workers {
			if !yield(w) {
				return
			}
		}
	}), watches) {
		_ = c.Process.Signal(syscall.SIGTERM)
		if err := c.Wait(); err != nil {
			t.Errorf("%v did not end well: %v", c.Args, err)
		}
	}
	a.published(hashes, long)
	logs, _ := filepath.Glob(filepath.Join(a.dir, "*.log"))
	password, err := os.ReadFile(filepath.Join(a.dir, "password"))
	if err != nil {
		t.Fatal(err)
	}
	woke := false
	for _, l := range logs {
		b, err := os.ReadFile(l)
		if err != nil {
			t.Fatal(err)
		}
		woke = woke || bytes.Contains(b, []byte("worker_taken_over"))
		if bytes.Contains(b, bytes.TrimSpace(password)) || bytes.Contains(b, []byte("Ada")) {
			t.Errorf("%s tells a password or a name", l)
		}
	}
	if !woke {
		t.Error("nobody found itself taken for dead")
	}
	t.Logf("%d clips in %.0f s", clips, took.Seconds())
}

// published: each clip has one lesson, the same in the store, the ledger, the
// store of files and the office's folders.
func (a *academy) published(hashes map[string]bool, long string) {
	t := a.t
	t.Helper()
	ctx := t.Context()
	d, err := depot.Open(ctx, a.depot)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	book, err := ledger.OpenPostgres(ctx, a.address)
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	book.Under(filepath.Join(a.dir, "office"))
	rows, err := book.Lessons(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	clips, err := a.st.Clips(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(hashes) || len(clips) != len(hashes) {
		t.Errorf("%d lessons in the ledger, %d rows, %d clips", len(rows), len(clips), len(hashes))
	}
	owned := map[string]bool{}
	for _, c := range clips {
		i := slices.IndexFunc(rows, func(l ledger.Lesson) bool { return l.Clip == c.Hash })
		if !hashes[c.Hash] || c.State != jobs.Done || i < 0 || rows[i].Folder != c.Final || rows[i].Player != c.Player || owned[c.Stored] || len(rows[i].Swings) == 0 {
			t.Errorf("%s: %s, %q, ledger %d", c.Short(), c.State, c.Stored, i)
			continue
		}
		owned[c.Stored] = true
		for _, dir := range []string{"depot/" + c.Stored, "office/" + strings.TrimPrefix(c.Final, filepath.Join(a.dir, "office")+"/")} {
			var rep pipeline.Report
			b, err := os.ReadFile(filepath.Join(a.dir, dir, pipeline.ReportFile))
			if err != nil || json.Unmarshal(b, &rep) != nil || rep.Clip.ID != c.Hash {
				t.Errorf("%s: %s: %v", c.Short(), dir, err)
			}
			for _, n := range pipeline.Outputs {
				if st, err := os.Stat(filepath.Join(a.dir, dir, n)); err != nil || st.Size() == 0 {
					t.Errorf("%s: %v", c.Short(), err)
				}
			}
		}
		if err := d.Whole(ctx, c.Stored); err != nil {
			t.Error(err)
		}
		f, err := os.Open(c.Original())
		if err != nil {
			t.Error(err)
			continue
		}
		h := sha256.New()
		_, err = io.Copy(h, f)
		if err := errors.Join(err, f.Close()); err != nil || hex.EncodeToString(h.Sum(nil)) != c.Hash {
			t.Errorf("%s: the original: %v", c.Short(), err)
		}
		if c.Hash == long {
			film, err := os.ReadFile(filepath.Join(c.Final, pipeline.LessonFile))
			if err != nil || len(film) < 100_000 {
				t.Errorf("the real clip's film: %d bytes, %v", len(film), err)
			}
		}
	}
	keys, err := d.Keys(ctx, jobs.LessonsDir+"/")
	if err != nil {
		t.Fatal(err)
	}
	vain := map[string]bool{}
	for _, k := range keys {
		parts := strings.Split(k, "/")
		if of := strings.Join(parts[:min(4, len(parts))], "/"); !owned[of] {
			vain[of] = true
		}
	}
	if len(vain) > 2 { // what the two that were killed had stored; a day later it goes
		t.Errorf("stored in vain: %v", vain)
	}
	for _, m := range []string{"cage1", "cage2", "cage3", "office"} {
		if left, _ := filepath.Glob(filepath.Join(a.dir, m, "workers", "*", "staging", "*")); len(left) > 0 {
			t.Errorf("left: %v", left)
		}
	}
}
