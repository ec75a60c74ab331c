package outbox

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/deliver"
	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/ledger"
)

// failer is what testing.T and rapid.T have in common.
type failer interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
	Errorf(string, ...any)
}

// house is an academy with a ledger, a roster that can be changed and a clock.
type house struct {
	failer
	dir    string
	book   *ledger.Ledger
	mu     sync.Mutex
	roster map[string]Family
	gone   error // the roster can't be read
	now    time.Time
	o      Options
}

var noon = time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)

func always(time.Time) bool { return true }
func never(time.Time) bool  { return false }

// newHouse makes one below dir; port 0: there is no mail server.
func newHouse(t failer, dir string, port int) *house {
	t.Helper()
	h := &house{failer: t, dir: dir, roster: map[string]Family{}, now: noon}
	path := filepath.Join(dir, ledger.File)
	var err error
	if _, e := os.Stat(path); e != nil {
		b, e := emptyBook()
		err = errors.Join(e, os.WriteFile(path, b, 0o600))
	}
	if err == nil {
		h.book, err = ledger.Open(context.Background(), path)
	}
	if err != nil {
		t.Fatal(err)
	}
	h.o = Options{
		Ledger: h.book, Roster: h.read, Pack: h.pack, Compose: compose, Lang: "en", Zone: time.UTC,
		Now: func() time.Time { h.mu.Lock(); defer h.mu.Unlock(); return h.now },
		Dial: func(ctx context.Context) (deliver.Line, error) {
			if port == 0 {
				return nil, errors.New("nobody listens")
			}
			return deliver.Dial(ctx, deliver.Server{Host: "127.0.0.1", Port: port, TLS: deliver.NoTLS, Timeout: patience})
		},
	}
	return h
}

// emptyBook is the file of a ledger with nothing in it; making one takes longer
// than all that is done with it here.
var emptyBook = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "book")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	l, err := ledger.Create(context.Background(), filepath.Join(dir, ledger.File))
	if err != nil {
		return nil, err
	}
	if err := errors.Join(l.Compact(context.Background()), l.Close()); err != nil {
		return nil, err
	}
	return os.ReadFile(filepath.Join(dir, ledger.File))
})

// patience with the server of the tests.
const patience = 80 * time.Millisecond

func (h *house) read() (Roster, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.gone != nil {
		return nil, h.gone
	}
	all := map[string]Family{}
	for id, f := range h.roster {
		all[id] = f
	}
	return func(id string) (Family, bool) { f, ok := all[id]; return f, ok }, nil
}

// family puts a player into the roster.
func (h *house) family(id, name string, guardians ...string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.roster[id] = Family{Name: name, Guardians: guardians, Film: always, Mail: always}
}

func (h *house) set(id string, change func(*Family)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	f := h.roster[id]
	change(&f)
	h.roster[id] = f
}

func (h *house) pass(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.now = h.now.Add(d)
}

func num(v float64) *float64 { return &v }

// certain is a report of which everything is certain.
func certain(clip string) pipeline.Report {
	return pipeline.Report{
		Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: clip, Name: "swing.mp4"}, Batter: pipeline.Batter{Bats: pipeline.BatsRight, View: pipeline.ViewChest},
		Warnings: []pipeline.Warning{{Code: "no_stride"}},
		Swings: []pipeline.Swing{{Index: 1, Chosen: true,
			Measures: []pipeline.Measure{{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Value: num(7), Lo: num(6), Hi: num(8)}},
			Findings: []pipeline.Finding{{Rule: "eye_drop", Kind: pipeline.Priority, Evidence: []string{"eye_drop@contact"}}, {Rule: "coach", Kind: pipeline.Strength, Text: "Good eye."}}}},
	}
}

// lesson makes a lesson of a player as the roster has him now, and packs it.
func (h *house) lesson(player, what string) ledger.Lesson {
	h.Helper()
	l := h.unpacked(player, certain(clipOf(what)))
	if err := h.pack(context.Background(), l, OthersAsk, nil); err != nil {
		h.Fatal(err)
	}
	return l
}

func clipOf(what string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(what))) }

func (h *house) unpacked(player string, rep pipeline.Report) ledger.Lesson {
	h.Helper()
	dir := filepath.Join(h.dir, "lessons", player, rep.Clip.ID[:8])
	b, err := pipeline.MarshalReport(rep)
	if err != nil {
		h.Fatal(err)
	}
	if err := errors.Join(os.MkdirAll(dir, 0o777), os.WriteFile(filepath.Join(dir, pipeline.ReportFile), b, 0o666)); err != nil {
		h.Fatal(err)
	}
	f := h.roster[player]
	r, err := h.book.Record(context.Background(), ledger.Entry{Player: player, Name: f.Name, Guardians: f.Guardians, Folder: dir, Report: rep, At: h.now})
	if err != nil {
		h.Fatal(err)
	}
	return r.Lesson
}

// seen is how many frames of a film packed by pack show others, by clip.
var seen = map[string]int{}

// pack makes a folder of what may leave without looking at any picture.
func (h *house) pack(_ context.Context, l ledger.Lesson, others string, _ pipeline.Progress) error {
	dir := filepath.Join(l.Folder, pipeline.LeavingDir)
	report, err := os.ReadFile(filepath.Join(l.Folder, pipeline.ReportFile))
	if err != nil {
		return err
	}
	sum := func(b []byte) string { s := sha256.Sum256(b); return hex.EncodeToString(s[:]) }
	lv := pipeline.Leaving{Schema: pipeline.LeavingSchema, Clip: l.Clip, Report: sum(report), Name: l.Name, Others: others, Looked: 30, Seen: seen[l.Clip], Files: map[string]string{}}
	if others == OthersBlur {
		lv.Blurred = lv.Seen
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	for _, n := range []string{pipeline.LeavingFilmFile, pipeline.LeavingSheetFile} {
		b := []byte("of " + l.Clip + " for " + l.Name + ": " + n)
		if err := os.WriteFile(filepath.Join(dir, n), b, 0o600); err != nil {
			return err
		}
		lv.Files[n] = sum(b)
	}
	b, err := json.Marshal(lv)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, pipeline.LeavingFile), b, 0o600)
}

// compose is a message that says which lesson is in it and for whom.
func compose(l deliver.Letter) (*deliver.Message, error) {
	m := &deliver.Message{ID: l.ID + "@test", From: "coach@example.org"}
	for _, a := range l.To {
		m.To = append(m.To, a.Address)
	}
	film, err := os.ReadFile(l.Film)
	if err != nil {
		return nil, err
	}
	m.Raw = fmt.Appendf(nil, "Message-ID: <%s>\r\nTo: %s\r\nSubject: %s\r\n\r\nclip=%s\r\n%s\r\n", m.ID, strings.Join(m.To, ", "), l.FirstName, l.Report.Clip.ID, film)
	// Long enough to break off in the middle of.
	m.Raw = append(m.Raw, strings.Repeat("0123456789abcdef0123456789abcdef0123456789abcdef\r\n", 1200)...)
	s := sha256.Sum256(m.Raw)
	m.Hash = hex.EncodeToString(s[:])
	return m, nil
}

// release lets a lesson go.
func (h *house) release(o *Outbox, l ledger.Lesson, w Word) (ledger.Release, error) {
	r, err := o.Ready(context.Background(), l, "", nil)
	if err != nil {
		return ledger.Release{}, err
	}
	if w.By == "" {
		w.By = ledger.ByCoach
	}
	return o.Release(context.Background(), r, w)
}

func (h *house) released(o *Outbox, l ledger.Lesson) ledger.Release {
	h.Helper()
	r, err := h.release(o, l, Word{})
	if err != nil {
		h.Fatal(err)
	}
	return r
}

func (h *house) send(o *Outbox) Run {
	h.Helper()
	r, err := o.Send(context.Background(), nil)
	if err != nil {
		h.Fatal(err)
	}
	return r
}

// stand is where a lesson stands.
func (h *house) stand(o *Outbox, l ledger.Lesson) Item {
	h.Helper()
	all, err := o.Items(context.Background())
	if err != nil {
		h.Fatal(err)
	}
	for _, it := range all {
		if it.Lesson.Clip == l.Clip {
			return it
		}
	}
	h.Fatalf("no lesson %s", l.Clip)
	return Item{}
}

func reason(err error) string {
	var w *Why
	if errors.As(err, &w) && w != nil {
		return w.Reason
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// got counts the messages about a clip that the server kept for an address.
func got(s *smtptest.Server, clip, address string) (n int) {
	for _, m := range s.Received() {
		for _, to := range m.To {
			if strings.EqualFold(to, address) && strings.Contains(string(m.Raw), "clip="+clip) {
				n++
			}
		}
	}
	return n
}

func withServer(t *testing.T, script ...smtptest.Fault) (*house, *smtptest.Server) {
	t.Helper()
	s := smtptest.New(t, script...)
	h := newHouse(t, t.TempDir(), s.Port())
	t.Cleanup(func() { h.book.Close() })
	return h, s
}
