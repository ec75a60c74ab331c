package jobs

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// runs starts a daemon on a work folder; it is stopped with the test.
func runs(t *testing.T, s *Store, o Options) *Engine {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan error, 1)
	e := New(s, o)
	go func() { over <- e.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	return e
}

// until waits for something to be so.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 1800 { // a machine may be busy with more than this
		if ok() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatal(what)
}

func count(t *testing.T, s *Store, st State) int {
	t.Helper()
	n, err := s.Counts(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return n[st]
}

// Notes, folders and special files that mean harm.
func TestHostileCompany(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	work := filepath.Join(top, "work")
	hashes := map[string]string{}
	long := strings.Repeat("n", 250)
	deep := strings.Repeat("d/", 12)
	for _, name := range []string{"p001/" + long, "p001/-x", "p001/a\nb", "x..", "p002/x.. ", "a\\..\\..\\x p003", deep + "p004/x"} {
		rel := InboxDir + "/" + name
		player := "p001"
		hashes[drop(t, work, rel+".mov", "clip of "+name)] = player
		drop(t, work, rel+".yaml", player)
		drop(t, work, rel+".wav", "said of "+name)
	}
	for _, text := range []string{"clip of p002/x.. ", "clip of " + deep + "p004/x"} { // folder and notes don't agree
		sum := sha256.Sum256([]byte(text))
		delete(hashes, hex.EncodeToString(sum[:]))
	}
	lost := 2
	for i, word := range []string{"../../outside", "/etc", "p001/../p002", "", "p001\n../x", strings.Repeat("p", 300)} {
		name := fmt.Sprintf("inbox/bad/%d", i)
		drop(t, work, name+".mov", "bad notes "+word)
		drop(t, work, name+".yaml", word)
		lost++
	}
	in := filepath.Join(work, InboxDir, "p001")
	sock, err := net.Listen("unix", filepath.Join(top, "s.mov"))
	if err != nil {
		t.Fatal(err)
	}
	defer sock.Close()
	if err := os.Rename(filepath.Join(top, "s.mov"), filepath.Join(in, "socket.mov")); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mknod(filepath.Join(in, "zero.mov"), unix.S_IFCHR|0o666, int(unix.Mkdev(1, 5))); err != nil {
		t.Log("no device made:", err)
	}
	drop(t, top, "outside/voice.wav", "secret")
	for _, l := range [][2]string{{filepath.Join(top, "outside/voice.wav"), "linked.wav"}, {"/dev/zero", "linked.yaml"}, {"/nowhere", "gone.mov"}} {
		if err := os.Symlink(l[0], filepath.Join(in, l[1])); err != nil {
			t.Fatal(err)
		}
	}
	hashes[drop(t, work, "inbox/p001/linked.mov", "its company is links")] = "p001"
	before := tree(t, filepath.Join(top, "outside"))
	sum := once(t, work, nil)
	if sum.Count(string(Done)) != len(hashes) || sum.Count(string(Unplaced)) != lost || sum.Left+sum.Waiting != 0 {
		t.Errorf("%d done of %d, %d unplaced of %d: %+v", sum.Count(string(Done)), len(hashes), sum.Count(string(Unplaced)), lost, sum)
	}
	wantLessons(t, work, hashes)
	if got := tree(t, filepath.Join(top, "outside")); got != before {
		t.Errorf("outside was\n%s\nis\n%s", before, got)
	}
	var beside []string
	entries, _ := os.ReadDir(top)
	for _, e := range entries {
		beside = append(beside, e.Name())
	}
	if !slices.Equal(beside, []string{"outside", "work"}) {
		t.Errorf("beside the work folder: %v", beside)
	}
}

// A folder that is put out of the way for a link between looking and taking:
// nothing is read or moved through it.
func TestFolderBecomesALink(t *testing.T) {
	top := t.TempDir()
	work := filepath.Join(top, "work")
	h := drop(t, work, "inbox/p001/a.mov", "the clip")
	drop(t, top, "outside/a.mov", "the clip") // the very same bytes
	before := tree(t, filepath.Join(top, "outside"))
	real := hook
	t.Cleanup(func() { hook = real })
	swapped := false
	hook = func(stage string) {
		if stage == "accepted" && !swapped {
			swapped = true
			in := filepath.Join(work, InboxDir, "p001")
			if err := errors.Join(os.Rename(in, in+"-away"), os.Symlink(filepath.Join(top, "outside"), in)); err != nil {
				t.Error(err)
			}
		}
	}
	once(t, work, nil)
	if got := tree(t, filepath.Join(top, "outside")); !swapped || got != before {
		t.Errorf("outside was\n%s\nis\n%s", before, got)
	}
	if w := where(t, work, h); !slices.Equal(w, []string{"inbox/p001-away/a.mov"}) {
		t.Errorf("%v", w)
	}
}

// A clip that is renamed again and again while it is found, read through and
// taken, on a daemon that is told of changes: one lesson.
func TestRenamedAllTheTime(t *testing.T) {
	t.Parallel()
	work := house(t)
	s := store(t, work)
	o := options(work)
	o.Settle = 20 * time.Millisecond
	runs(t, s, o)
	big := make([]byte, 8<<20) // so that reading it through takes a while
	if _, err := rand.Read(big); err != nil {
		t.Fatal(err)
	}
	h := drop(t, work, "inbox/p001/0.mov", string(big))
	names := 1
	for end := time.Now().Add(2 * time.Second); time.Now().Before(end); names++ {
		// Until it is taken; elsewhere in its player's folder, too.
		err := os.Rename(filepath.Join(work, InboxDir, "p001", fmt.Sprint(names-1, ".mov")), filepath.Join(work, InboxDir, "p001", fmt.Sprint(names, ".mov")))
		if err != nil {
			break
		}
		time.Sleep(time.Duration(10+names%40) * time.Millisecond)
	}
	until(t, "it is never read", func() bool { return count(t, s, Done) == 1 })
	until(t, "it is not put away", func() bool { return len(where(t, work, h)) == 1 && !exists(filepath.Join(work, InboxDir, "p001")) })
	wantLessons(t, work, map[string]string{h: "p001"})
	t.Logf("%d names", names)
}

// Renamed or taken away just after it was accepted, it comes under its new name
// or not at all.
func TestRenamedWhenAccepted(t *testing.T) {
	for _, to := range []string{"inbox/p001/other.mov", "inbox/p002/a.mov", ""} {
		t.Run(to, func(t *testing.T) {
			work := house(t)
			h := drop(t, work, "inbox/p001/a.mov", "the clip")
			if err := os.MkdirAll(filepath.Join(work, "inbox/p002"), 0o777); err != nil {
				t.Fatal(err)
			}
			real := hook
			t.Cleanup(func() { hook = real })
			hook = func(stage string) {
				if from := filepath.Join(work, "inbox/p001/a.mov"); stage == "accepted" && exists(from) {
					err := os.Remove
					if to != "" {
						err = func(from string) error { return os.Rename(from, filepath.Join(work, to)) }
					}
					if err := err(from); err != nil {
						t.Error(err)
					}
				}
			}
			once(t, work, nil)
			sum := once(t, work, nil)
			n, err := store(t, work).Counts(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if to == "" {
				if len(n) != 0 || len(where(t, work, h)) != 0 {
					t.Errorf("%v, %v", n, where(t, work, h))
				}
				return
			}
			if n[Done] != 1 || len(n) != 1 {
				t.Errorf("%v; %+v", n, sum)
			}
			wantLessons(t, work, map[string]string{h: filepath.Base(filepath.Dir(to))})
		})
	}
}

// An inbox that vanishes while a clip is read, and while one is being looked
// at, and comes back elsewhere on the disk: nothing is lost, nothing twice.
func TestInboxGoesAndComes(t *testing.T) {
	for name, poll := range map[string]time.Duration{"told": 0, "polling": 30 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			s := store(t, work)
			o := options(work)
			o.Poll = poll
			reads := make(chan struct{}, 10)
			goOn := make(chan struct{})
			read := o.Read
			var first atomic.Bool
			o.Read = func(ctx context.Context, r Reading) error {
				if first.CompareAndSwap(false, true) {
					reads <- struct{}{}
					<-goOn
				}
				return read(ctx, r)
			}
			runs(t, s, o)
			hashes := map[string]string{drop(t, work, "inbox/p001/a.mov", "read "+name): "p001"}
			<-reads
			in := filepath.Join(work, InboxDir)
			hashes[drop(t, work, "inbox/p002/b.mov", "left "+name)] = "p002"
			if err := os.Rename(in, in+"-away"); err != nil { // the cable is pulled
				t.Fatal(err)
			}
			time.Sleep(300 * time.Millisecond)
			close(goOn)
			until(t, "the one being read is not done", func() bool { return count(t, s, Done) >= 1 })
			if err := os.Rename(in+"-away", in); err != nil {
				t.Fatal(err)
			}
			hashes[drop(t, work, "inbox/p003/c.mov", "after "+name)] = "p003"
			until(t, "what came back is not seen", func() bool { return count(t, s, Done) == 3 && len(where(t, in, "")) == 0 })
			until(t, "it is not put away", func() bool { left, _ := os.ReadDir(filepath.Join(work, takenDir)); return len(left) == 0 })
			wantLessons(t, work, hashes)
		})
	}
}

// A disk that is really full: no work is taken, what is waiting or being read
// keeps, it is said, and goes on by itself when there is room.
func TestFullDisk(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that break off, nothing for the race detector")
	}
	work := t.TempDir()
	if err := unix.Mount("tmpfs", work, "tmpfs", 0, "size=24m"); err != nil {
		t.Skip("no disk of its own can be made here; TestGoesOn tells the engine that it is full: ", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(work, unix.MNT_DETACH) })
	s := store(t, work)
	o := options(work)
	o.Space = 2 << 20 // less than a clip needs
	t.Setenv("SLOW", "200")
	o.Read = options(work).Read
	e := runs(t, s, o)
	hashes := map[string]string{}
	clip := func(i int) {
		b := make([]byte, 300<<10) // its lesson takes seven times as much
		if _, err := rand.Read(b); err != nil {
			t.Fatal(err)
		}
		player := fmt.Sprintf("p%03d", i)
		hashes[drop(t, work, "inbox/"+player+"/a.mov", string(b))] = player
	}
	for i := range 3 {
		clip(i)
	}
	until(t, "nothing is read", func() bool { return count(t, s, Running) > 0 })
	// Somebody else fills the disk to its last byte.
	big, err := os.Create(filepath.Join(work, "big"))
	if err != nil {
		t.Fatal(err)
	}
	chunk := make([]byte, 64<<10)
	fill := func() {
		for {
			if _, err := big.Write(chunk); err != nil {
				if !errors.Is(err, unix.ENOSPC) {
					t.Fatal(err)
				}
				return
			}
		}
	}
	for end := time.Now().Add(2 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		fill()
	}
	until(t, "it does not say so", func() bool { return e.blocked() == NoSpace })
	done := count(t, s, Done)
	if err := big.Truncate(1 << 20); err != nil {
		t.Fatal(err)
	}
	if _, err := big.Seek(0, io.SeekEnd); err != nil {
		t.Fatal(err)
	}
	until(t, "it does not go on", func() bool { return count(t, s, Done) == 3 })
	if n, err := s.Counts(t.Context()); err != nil || n[Failed] > 0 {
		t.Errorf("%v, %v", n, err)
	}
	clip(3)
	until(t, "no work is taken again", func() bool { return count(t, s, Done) == 4 })
	until(t, "it is not put away", func() bool { left, _ := os.ReadDir(filepath.Join(work, takenDir)); return len(left) == 0 })
	wantLessons(t, work, hashes)
	t.Logf("%d done when it was full", done)
}

// The same bytes in many small folders, deeper than is looked: what is out of
// reach stays.
func TestTooDeep(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/"+strings.Repeat("d/", 40)+"p001/a.mov", "deep")
	if sum := once(t, work, nil); len(sum.Outcomes) != 0 {
		t.Errorf("%+v", sum)
	}
	if w := where(t, work, h); len(w) != 1 {
		t.Errorf("%v", w)
	}
}
