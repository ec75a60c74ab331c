package jobs

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/riverqueue/river"

	"tapeline/pipeline/inbox"
	"tapeline/pipeline/ledger"
)

// A recording in these tests is a file whose first line is "lesson SECONDS" and
// whose further lines are "cut FROM TO AT what the cut says" and "card FROM TO
// PLAYER".

// isLesson is Options.Long.
func isLesson(_ context.Context, path string) (time.Duration, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	var s int
	if n, _ := fmt.Sscanf(string(b), "lesson %d\n", &s); n != 1 {
		return 0, nil
	}
	return time.Duration(s) * time.Second, nil
}

// scannerMain cuts such a recording apart.
func scannerMain(out, path string) int {
	b, err := os.ReadFile(path)
	if err != nil {
		return 3
	}
	dir := filepath.Join(out, CutsDir)
	if os.Mkdir(dir, 0o700) != nil {
		return 7
	}
	var p Plan
	for i, line := range strings.Split(string(b), "\n") {
		fmt.Fprintf(os.Stderr, `{"step":"scan","done":%d,"total":9}`+"\n", i)
		var c Cut
		var s Span
		switch {
		case strings.HasPrefix(line, "crash"):
			_ = syscall.Kill(os.Getpid(), syscall.SIGSEGV)
			time.Sleep(time.Minute)
		case strings.HasPrefix(line, "wait"):
			time.Sleep(30 * time.Millisecond)
		case strings.HasPrefix(line, "card"):
			if _, err := fmt.Sscanf(line, "card %g %g %s", &s.From, &s.To, &s.Player); err != nil {
				return 1
			}
			p.Cards = append(p.Cards, s)
		case strings.HasPrefix(line, "cut"):
			if _, err := fmt.Sscanf(line, "cut %g %g %g", &c.From, &c.To, &c.At); err != nil {
				return 1
			}
			c.File = fmt.Sprintf("%03d.mov", len(p.Cuts)+1)
			if os.WriteFile(filepath.Join(dir, c.File), []byte(cutText(line)), 0o600) != nil {
				return 7
			}
			p.Cuts = append(p.Cuts, c)
		}
	}
	if WritePlan(dir, p) != nil {
		return 7
	}
	return 0
}

// cutText is what a cut's file holds.
func cutText(line string) string {
	f := strings.SplitN(line, " ", 5)
	return f[len(f)-1]
}

func sum(text string) string {
	s := sha256.Sum256([]byte(text))
	return hex.EncodeToString(s[:])
}

// Cards, notes and place say whose a cut is; what they don't, or where they
// differ, the coach is asked.
func TestRecording(t *testing.T) {
	cuts := "cut 5 11 8 swing one\ncut 20 26 23 swing two\ncut 40 46 43 nobody there\ncut 50 56 53 swing three\n"
	cards := "card 0 30 p004\ncard 30 90 p005\n"
	const empty = " empty no_swing_here"
	for _, c := range []struct {
		name string
		drop map[string]string
		want []string // cuts in their order, then the recording
	}{
		{"cards", map[string]string{"phone/l.mov": cards + cuts}, []string{"p004 done ", "p004 done ", "p005" + empty, "p005 done ", " scanned "}},
		{"a player's folder", map[string]string{"p003/l.mov": cuts}, []string{"p003 done ", "p003 done ", "p003" + empty, "p003 done ", "p003 scanned "}},
		{"nobody known", map[string]string{"l.mov": cuts}, []string{" unplaced no_player", " unplaced no_player", " unplaced no_player", " unplaced no_player", " scanned "}},
		{"cards and folder differ", map[string]string{"p004/l.mov": cards + cuts}, []string{"p004 done ", "p004 done ", " unplaced two_players", " unplaced two_players", "p004 scanned "}},
		{"times in the notes", map[string]string{"l.mov": cuts, "l.yaml": "parts 0-21:p001 45-60:p002"}, []string{"p001 done ", " unplaced no_player", " unplaced no_player", "p002 done ", " scanned "}},
		{"times and cards differ", map[string]string{"l.mov": cards + cuts, "l.yaml": "parts 0-21:p004 21-60:p002"}, []string{"p004 done ", " unplaced two_players", " unplaced two_players", " unplaced two_players", " scanned "}},
		{"times and folder differ", map[string]string{"p001/l.mov": cuts, "p001/l.yaml": "parts 0-21:p002"}, []string{" unplaced two_players", "p001 done ", "p001" + empty, "p001 done ", "p001 scanned "}},
		{"several cards at once", map[string]string{"l.mov": "card 0 30 p001\ncard 0 30 p002\ncard 30 90 p003\n" + cuts}, []string{" unplaced card_unclear", " unplaced card_unclear", "p003" + empty, "p003 done ", " scanned "}},
		{"a card of nobody", map[string]string{"l.mov": "card 15 90 x9\n" + cuts}, []string{" unplaced no_player", " unplaced unknown_player", " unplaced unknown_player", " unplaced unknown_player", " scanned "}},
		{"no consent for one", map[string]string{"l.mov": "card 0 22 p001\ncard 22 90 p007\n" + cuts}, []string{"p001 done ", "p007 held no_consent", "p007 held no_consent", "p007 held no_consent", " scanned "}},
		{"no consent at all", map[string]string{"p007/l.mov": cuts}, []string{"p007 held no_consent"}},
		{"notes name nobody", map[string]string{"l.mov": cuts, "l.yaml": "parts 0-21:q"}, []string{" unplaced unknown_player"}},
		{"nothing in it", map[string]string{"l.mov": "wait\n"}, []string{" scanned "}},
		{"it breaks off", map[string]string{"l.mov": "crash\n"}, []string{" failed crashed"}},
		{"parts of a clip", map[string]string{"s.mov": "short", "s.yaml": "parts 0-1:p001"}, []string{" unplaced bad_sidecar"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			lesson := ""
			for name, text := range c.drop {
				if filepath.Ext(name) == ".mov" && text != "short" {
					text = "lesson 90\n" + text
				}
				if h := drop(t, work, "inbox/"+name, text); filepath.Ext(name) == ".mov" {
					lesson = h
				}
			}
			s := once(t, work, nil)
			slices.SortFunc(s.Outcomes, func(a, b Outcome) int {
				return cmp.Or(cmp.Compare(b.Recording, a.Recording), cmp.Compare(a.From, b.From))
			})
			var got []string
			for _, o := range s.Outcomes {
				if o.Recording != "" && o.Recording != lesson {
					t.Errorf("%+v", o)
				}
				got = append(got, o.Player+" "+o.State+" "+o.Reason)
			}
			if !slices.Equal(got, c.want) || s.Left+s.Waiting != 0 {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
			if got[len(got)-1] == c.want[len(c.want)-1] && strings.Contains(c.want[len(c.want)-1], Scanned) {
				wantRecording(t, work, lesson)
				r := s.Recordings
				if len(r) != 1 || r[0].Candidates != len(got)-1 || r[0].Lessons+r[0].Empty+r[0].Unplaced+r[0].Held != len(got)-1 {
					t.Errorf("%+v", r)
				}
				left := map[string]int{}
				for _, l := range r[0].Left {
					left[l.Player+" "+string(l.State)+" "+l.Reason] += l.N
				}
				for is, n := range left {
					if want := len(got) - len(slices.DeleteFunc(slices.Clone(got), func(o string) bool { return o == is })); n != want {
						t.Errorf("%d %q; want %d", n, is, want)
					}
				}
				if r := r[0]; (r.Unplaced+r.Held > 0) != (len(r.Left) > 0) {
					t.Errorf("%+v", r)
				}
			}
		})
	}
}

// wantRecording: a recording that was cut lies once in the archive, and every
// cut of it where its state says, none twice.
func wantRecording(t *testing.T, work, hash string) {
	t.Helper()
	ctx := context.Background()
	if w := where(t, work, hash); len(w) != 1 || !strings.HasPrefix(w[0], ArchiveDir+"/"+recordingsDir+"/") {
		t.Errorf("the recording lies at %v", w)
	}
	s, err := OpenSQLite(ctx, filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	cuts, err := s.cuts(ctx, hash)
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(work, takenDir, hash+"-"+CutsDir)
	for _, c := range cuts {
		want := map[State]string{Done: filepath.Join(work, ArchiveDir, c.Player), Unplaced: filepath.Join(work, UnplacedDir), Held: dir, Failed: filepath.Join(work, FailedDir)}[c.State]
		w := where(t, work, c.Hash)
		if c.empty() {
			if len(w) != 0 {
				t.Errorf("a cut without a swing lies at %v", w)
			}
			continue
		}
		if len(w) != 1 || filepath.Join(work, filepath.Dir(w[0])) != want || !exists(c.Original()) {
			t.Errorf("%s, %s, lies at %v", c.Short(), c.State, w)
		}
		if c.State == Unplaced && !exists(why(&c)) {
			t.Errorf("no reason beside %s", w)
		}
	}
	held := slices.ContainsFunc(cuts, func(c Clip) bool { return c.State == Held })
	left, _ := os.ReadDir(filepath.Join(work, takenDir))
	if _, err := os.Stat(filepath.Join(dir, PlanFile)); err == nil || len(left) > 0 != held {
		t.Errorf("left: %v", left)
	}
	if left, _ := os.ReadDir(filepath.Join(work, stagingDir)); len(left) > 0 {
		t.Errorf("left: %v", left)
	}
}

// A cut that the coach had to name is read when he drops it in its player's
// folder, under the name it was given.
func TestCutNamedByCoach(t *testing.T) {
	work := house(t)
	drop(t, work, "inbox/tue.mov", "lesson 4000\ncut 3751.2 3757 3754 a swing\n")
	once(t, work, nil)
	m, _ := filepath.Glob(filepath.Join(work, UnplacedDir, "tue-001-01h02m31s-*.mov"))
	if len(m) != 1 {
		m, _ = filepath.Glob(filepath.Join(work, UnplacedDir, "*"))
		t.Fatalf("%q", m)
	}
	in := filepath.Join(work, InboxDir, "p003")
	if err := os.MkdirAll(in, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(m[0], filepath.Join(in, filepath.Base(m[0]))); err != nil {
		t.Fatal(err)
	}
	s := once(t, work, nil)
	if len(s.Outcomes) != 1 || s.Outcomes[0].State != string(Done) || s.Outcomes[0].Player != "p003" || s.Outcomes[0].From != 3751.2 {
		t.Errorf("%+v", s.Outcomes)
	}
	if len(s.Recordings) != 1 || s.Recordings[0].Lessons != 1 || !s.Recordings[0].Told() {
		t.Errorf("%+v", s.Recordings)
	}
}

// Cuts that are held are read when there is consent, those of who has none stay.
func TestCutsHeld(t *testing.T) {
	work := house(t)
	r := &consents{}
	with := func(o *Options) { o.Roster = r }
	h := drop(t, work, "inbox/l.mov", "lesson 90\ncard 0 90 p001\ncut 5 11 8 a swing\n")
	if s := once(t, work, with); s.Count(string(Held)) != 1 || s.Count(Scanned) != 1 {
		t.Errorf("%+v", s)
	}
	if s := once(t, work, with); len(s.Outcomes) != 0 {
		t.Errorf("%+v", s)
	}
	wantRecording(t, work, h)
	r.ok = true
	if s := once(t, work, with); s.Count(string(Done)) != 1 || len(s.Outcomes) != 1 {
		t.Errorf("%+v", s)
	}
	wantRecording(t, work, h)
}

// The same recording again makes nothing twice; a cut with the same bytes as
// another is the same swing.
func TestRecordingTwice(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/l.mov", "lesson 90\ncut 5 11 8 a swing\ncut 25 31 28 a swing\n")
	if s := once(t, work, nil); s.Count(string(Done)) != 1 || s.Recordings[0].Lessons != 1 {
		t.Errorf("%+v", s)
	}
	wantRecording(t, work, h)
	drop(t, work, "inbox/p002/again.mov", "lesson 90\ncut 5 11 8 a swing\ncut 25 31 28 a swing\n")
	if s := once(t, work, nil); len(s.Outcomes) != 1 || s.Count(Duplicate) != 1 {
		t.Errorf("%+v", s)
	}
}

// A recording's cards hold for the clips behind it, and one before it for its
// beginning; until it is scanned nobody gets those clips.
func TestRecordingAmongClips(t *testing.T) {
	work := house(t)
	at := time.Now().Add(-time.Hour)
	with := func(o *Options) {
		telling(o, at)
		read := o.Recorded
		o.Recorded = func(ctx context.Context, path string) (time.Time, error) {
			if d, _ := isLesson(ctx, path); d > 0 {
				return at.Add(2 * time.Minute), nil
			}
			return read(ctx, path)
		}
	}
	names := map[string]string{}
	for name, text := range map[string]string{
		"1.mov": "nobody 0m p001", "2.mov": "lesson 90\nwait\nwait\nwait\nwait\nwait\nwait\ncut 5 11 8 swing 0 a\ncard 30 90 p002\ncut 35 41 38 swing 0 b\n", "3.mov": "swing 10m",
	} {
		names[drop(t, work, "inbox/phone/"+name, text)] = name
	}
	s := once(t, work, with)
	got := map[string]string{}
	for _, o := range s.Outcomes {
		if o.Recording != "" {
			names[o.Hash] = fmt.Sprint(o.From)
		}
		got[names[o.Hash]] = o.Player + " " + o.State + " " + o.Reason
	}
	want := map[string]string{"1.mov": "p001 card only_card", "2.mov": " scanned ", "5": "p001 done ", "35": "p002 done ", "3.mov": "p002 done "}
	if fmt.Sprint(got) != fmt.Sprint(want) || len(s.Outcomes) != len(want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

// The program dies at each stage of a recording's way.
func TestDiesOverARecording(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for _, stage := range []string{"accepted", "moved.mov 0", "claimed", "taken", "read", "intended", "renamed", "divided", "moved.mov 1", "moved.mov 2", "moved.mov 3", "archived", "empty", "claimed 1", "done"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			h := drop(t, work, "inbox/l.mov", "lesson 90\ncard 0 30 p004\ncut 5 11 8 one "+stage+"\ncut 20 26 23 nobody "+stage+"\ncut 35 41 38 two "+stage+"\ncard 30 50 p005\ncut 55 61 58 three "+stage+"\ncut 65 70 68 four "+stage+"\ncard 60 90 p007\n")
			die, n, _ := strings.Cut(stage, " ")
			if err := start(t, work, "RUN=once", "DIE="+die, "N="+n).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := start(t, work, "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			wantRecording(t, work, h)
			s := store(t, work)
			r, err := s.Recordings(context.Background())
			if err != nil || len(r) != 1 {
				t.Fatal(r, err)
			}
			if r := r[0]; r.Candidates != 5 || r.Lessons != 2 || r.Empty != 1 || r.Unplaced != 1 || r.Held != 1 {
				t.Errorf("%+v", r)
			}
			wantInLedger(t, work, sum("one "+stage), sum("two "+stage))
		})
	}
}

// wantInLedger: those clips have a lesson, once, and no other has.
func wantInLedger(t *testing.T, work string, hashes ...string) {
	t.Helper()
	l, err := ledger.Open(context.Background(), filepath.Join(work, ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	rows, err := l.Lessons(context.Background(), "")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, r := range rows {
		got = append(got, r.Clip)
		if err := whole(r.Folder, r.Clip); err != nil {
			t.Error(err)
		}
	}
	slices.Sort(got)
	slices.Sort(hashes)
	if !slices.Equal(got, hashes) {
		t.Errorf("%d lessons; want %d", len(got), len(hashes))
	}
	if dirs, _ := filepath.Glob(filepath.Join(work, LessonsDir, "*", "*")); len(dirs) != len(hashes) {
		t.Errorf("%d folders of lessons; want %d", len(dirs), len(hashes))
	}
}

// Kills at any moment while recordings are cut and read: no cut is lost, none
// is there twice.
func TestRandomKillsOverRecordings(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed tell no races")
	}
	kills := 10
	if s := os.Getenv("KILLS"); s != "" {
		kills, _ = strconv.Atoi(s)
	}
	work := house(t)
	var lessons, swings []string
	under := 0
	for i := range kills {
		if i%2 == 0 {
			text := "lesson 90\ncard 0 30 p004\ncard 30 70 p005\ncard 70 90 q\n"
			for j := range 2 + rand.IntN(5) {
				at := 3 + 14*j
				word := []string{"swing", "nobody"}[rand.IntN(2)]
				cut := fmt.Sprintf("%s %d %d", word, i, j)
				text += fmt.Sprintf("wait\ncut %d %d %d %s\n", at, at+6, at+3, cut)
				if word == "swing" && at+3 < 70 {
					swings = append(swings, sum(cut))
				}
			}
			lessons = append(lessons, drop(t, work, fmt.Sprintf("inbox/%d.mov", i), text))
		}
		cmd := start(t, work, "SLOW=40")
		if i%2 == 0 {
			busy(t, work)
		}
		time.Sleep(time.Duration(rand.IntN(700)) * time.Millisecond)
		_ = cmd.Process.Kill()
		if err := cmd.Wait(); !killed(err) {
			t.Fatalf("it ended by itself: %v: %s", err, cmd.Stderr)
		}
		if n := counted(t, work); n[Running]+n[Publishing] > 0 {
			under++
		}
	}
	if err := start(t, work, "RUN=once").Wait(); err != nil {
		t.Fatal(err)
	}
	for _, h := range lessons {
		wantRecording(t, work, h)
	}
	wantInLedger(t, work, swings...)
	t.Logf("%d kills, %d of them with something under way, %d recordings, %d swings", kills, under, len(lessons), len(swings))
	if under == 0 {
		t.Error("no kill met anything under way")
	}
}

// A clip over which the program breaks down each time is left alone after as
// many times as it has tries; being killed costs it nothing.
func TestTakesDown(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for stage, dir := range map[string]string{"looking": "inbox/phone", "taken": "inbox/p001"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			h := drop(t, work, dir+"/a.mov", "swing 1m p001")
			die := func(how string) {
				t.Helper()
				err := start(t, work, "RUN=once", "CARDS=1", "DIE="+stage, "HOW="+how).Wait()
				var exit *exec.ExitError
				if how == "" && !killed(err) || how != "" && (!errors.As(err, &exit) || killed(err)) {
					t.Fatalf("it did not die: %v", err)
				}
			}
			for _, how := range []string{"", "crash", "", "", "crash"} {
				die(how)
			}
			if err := start(t, work, "RUN=once", "CARDS=1", "DIE="+stage).Wait(); err != nil {
				t.Fatalf("it died once more: %v", err)
			}
			c, ok, err := store(t, work).Clip(context.Background(), h)
			if err != nil || !ok || c.State != Failed || c.Reason != TakesDown || c.Detail != "2" {
				t.Errorf("%+v %v", c, err)
			}
			if w := where(t, work, h); len(w) != 1 || filepath.Dir(w[0]) != FailedDir {
				t.Fatalf("%v", w)
			}
			// Dropped again it is looked at anew.
			if err := os.Rename(filepath.Join(work, where(t, work, h)[0]), filepath.Join(work, dir, "b.mov")); err != nil {
				t.Fatal(err)
			}
			die("crash")
			if err := start(t, work, "RUN=once", "CARDS=1").Wait(); err != nil {
				t.Fatal(err)
			}
			wantLessons(t, work, map[string]string{h: "p001"})
			if c, _, _ := store(t, work).Clip(context.Background(), h); c.Tries != 1 {
				t.Errorf("%d tries", c.Tries)
			}
			if _, err := os.Stat(filepath.Join(work, crashFile)); err == nil {
				t.Error("last words after an orderly end")
			}
		})
	}
}

// A panic costs a try, not the program.
func TestPanic(t *testing.T) {
	work := house(t)
	drop(t, work, "inbox/p001/a.mov", "swing")
	s := once(t, work, func(o *Options) {
		o.Read = func(context.Context, Reading) error { panic("at the worst time") }
	})
	if s.Count(string(Failed)) != 1 || s.Outcomes[0].Reason != Mistake {
		t.Errorf("%+v", s)
	}
}

// A card that comes after the clips it was filmed before: they are taken up
// again, unless somebody has touched them.
func TestCardComesLate(t *testing.T) {
	at := time.Now().Add(-6 * time.Hour)
	with := func(o *Options) {
		telling(o, at)
		read := o.Recorded
		o.Recorded = func(ctx context.Context, path string) (time.Time, error) {
			if d, _ := isLesson(ctx, path); d > 0 {
				return time.Time{}, nil
			}
			return read(ctx, path)
		}
	}
	for _, c := range []struct {
		name, clip, card, touch string
		want                    string
	}{
		{"by time", "phone/2.mov swing 1m", "phone/9.mov nobody 0m p004", "", "p004 done "},
		{"by name", "phone/2.mov swing -", "phone/1.mov nobody - p004", "", "p004 done "},
		{"a recording's cut", "phone/2.mov lesson 90\ncut 5 11 8 swing -\n", "phone/1.mov nobody - p004", "", "p004 done "},
		{"filmed behind it", "phone/2.mov swing 1m", "phone/1.mov nobody 2m p004", "", " unplaced no_player"},
		{"too long before", "phone/2.mov swing 5h", "phone/1.mov nobody 0m p004", "", " unplaced no_player"},
		{"another folder", "phone/2.mov swing 1m", "1.mov nobody 0m p004", "", " unplaced no_player"},
		{"which isn't clear", "phone/2.mov swing 1m", "phone/1.mov nobody 0m p004+p005", "", " unplaced card_unclear"},
		{"no consent", "phone/2.mov swing 1m", "phone/1.mov nobody 0m p017", "", "p017 held no_consent"},
		{"touched", "phone/2.mov swing 1m", "phone/1.mov nobody 0m p004", "edit", " unplaced no_player"},
		{"taken away", "phone/2.mov swing 1m", "phone/1.mov nobody 0m p004", "remove", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			name, text, _ := strings.Cut(c.clip, " ")
			h := drop(t, work, "inbox/"+name, text)
			s := once(t, work, with)
			if s.Count(string(Unplaced)) != 1 {
				t.Fatalf("%+v", s)
			}
			for _, o := range s.Outcomes {
				if o.Recording == h {
					h = o.Hash
				}
			}
			m, _ := filepath.Glob(filepath.Join(work, UnplacedDir, "*.mov"))
			switch c.touch {
			case "edit":
				if err := os.WriteFile(m[0], []byte("swing 1m #"), 0o666); err != nil {
					t.Fatal(err)
				}
			case "remove":
				if err := os.Remove(m[0]); err != nil {
					t.Fatal(err)
				}
			}
			name, text, _ = strings.Cut(c.card, " ")
			drop(t, work, "inbox/"+name, text)
			once(t, work, with)
			got := ""
			if c, ok, err := store(t, work).Clip(context.Background(), h); err != nil {
				t.Fatal(err)
			} else if ok {
				got = c.Player + " " + string(c.State) + " " + c.Reason
			}
			if got != c.want {
				t.Errorf("%q; want %q", got, c.want)
			}
			whys, _ := filepath.Glob(filepath.Join(work, UnplacedDir, "*"+inbox.WhyEnding))
			if strings.Contains(c.want, "done") && len(whys) != 0 {
				t.Errorf("left: %v", whys)
			}
		})
	}
}

// The same where the program dies at it.
func TestDiesAtALateCard(t *testing.T) {
	if testing.Short() {
		t.Skip("processes that are killed, nothing for the race detector")
	}
	for _, stage := range []string{"accepted", "moved.mov", "revisited", "claimed"} {
		t.Run(stage, func(t *testing.T) {
			t.Parallel()
			work := house(t)
			swing := drop(t, work, "inbox/phone/1.mov", "swing 10m #"+stage)
			if err := start(t, work, "CARDS=1", "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			drop(t, work, "inbox/phone/2.mov", "nobody 0m p004")
			if err := start(t, work, "CARDS=1", "RUN=once", "DIE="+stage).Wait(); !killed(err) {
				t.Fatalf("it did not die: %v", err)
			}
			if err := start(t, work, "CARDS=1", "RUN=once").Wait(); err != nil {
				t.Fatal(err)
			}
			wantLessons(t, work, map[string]string{swing: "p004"})
		})
	}
}

// A recording has the time its length needs, in its child and in River; a clip
// has that of a reading.
func TestLimits(t *testing.T) {
	e := &Engine{o: Options{Limits: Limits{Time: 15 * time.Minute, Memory: 1}}}
	w := &worker{e: e}
	for length, want := range map[time.Duration]time.Duration{0: 15 * time.Minute, 90 * time.Minute: 195 * time.Minute} {
		l := e.o.limits(length.Milliseconds())
		if river := w.Timeout(&river.Job[readArgs]{Args: readArgs{Length: length.Milliseconds()}}); l.Time != want || l.Memory != 1 || river <= l.Time {
			t.Errorf("%v: %+v, in River %v", length, l, river)
		}
	}
}
