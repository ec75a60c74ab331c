package jobs

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapeline/pipeline/inbox"
)

// telling makes clips tell in words when they were recorded and what they show:
// "swing 5m p004", "nobody 1m p004", "swing -".
func telling(o *Options, from time.Time) {
	words := func(path string) []string {
		b, err := os.ReadFile(path)
		if err != nil {
			return []string{"", "-"}
		}
		return strings.Fields(string(b))
	}
	o.Spans = func(_ context.Context, a inbox.Arrival) (out []Span, err error) {
		for _, w := range words(a.Path())[2:] {
			if strings.HasPrefix(w, "#") { // only to make it another clip
				continue
			}
			s := Span{To: 4}
			if late, ok := strings.CutPrefix(w, "late:"); ok {
				w, s.From = late, 3
			}
			for id := range strings.SplitSeq(w, "+") { // at the same time
				s.Player = id
				out = append(out, s)
			}
		}
		return out, nil
	}
	o.Recorded = func(_ context.Context, path string) (time.Time, error) {
		w := words(path)[1]
		if w == "-" {
			return time.Time{}, nil
		}
		d, err := time.ParseDuration(w)
		return from.Add(d), err
	}
}

// A card is that of all clips behind it in its folder until the next one, by
// the times they were recorded at, whatever their names; elsewhere by names.
func TestCardsHold(t *testing.T) {
	for _, c := range []struct {
		name string
		drop map[string]string
		want map[string]string // player, outcome and reason
	}{
		{"by time, names the other way round", map[string]string{
			"phone/z.mov": "nobody 0m p004", "phone/y.mov": "swing 1m", "phone/x.mov": "swing 2m",
			"phone/w.mov": "swing 3m p005", "phone/v.mov": "swing 4m", "phone/u.mov": "swing -5m",
		}, map[string]string{
			"phone/z.mov": "p004 card only_card", "phone/y.mov": "p004 done ", "phone/x.mov": "p004 done ",
			"phone/w.mov": "p005 done ", "phone/v.mov": "p005 done ", "phone/u.mov": " unplaced no_player",
		}},
		{"by name where no file says when", map[string]string{
			"phone/IMG_9.mov": "nobody - p004", "phone/IMG_10.mov": "swing - #1", "phone/IMG_11.mov": "swing - p005", "phone/IMG_100.mov": "swing - #2",
		}, map[string]string{
			"phone/IMG_9.mov": "p004 card only_card", "phone/IMG_10.mov": "p004 done ", "phone/IMG_11.mov": "p005 done ", "phone/IMG_100.mov": "p005 done ",
		}},
		{"each folder has its own", map[string]string{
			"a/1.mov": "nobody 0m p004", "b/2.mov": "swing 1m", "2.mov": "swing 1m #1", "a/2.mov": "swing 1m #2",
		}, map[string]string{
			"a/1.mov": "p004 card only_card", "b/2.mov": " unplaced no_player", "2.mov": " unplaced no_player", "a/2.mov": "p004 done ",
		}},
		{"one that doesn't say when stands apart", map[string]string{"a/z.mov": "nobody 0m p004", "a/a.mov": "swing 1m", "a/m.mov": "swing -"}, map[string]string{
			"a/z.mov": "p004 card only_card", "a/a.mov": "p004 done ", "a/m.mov": " unplaced no_player",
		}},
		{"not until the next day", map[string]string{"a/1.mov": "nobody 0m p004", "a/2.mov": "swing 3h", "a/3.mov": "swing 5h"}, map[string]string{
			"a/1.mov": "p004 card only_card", "a/2.mov": "p004 done ", "a/3.mov": " unplaced no_player",
		}},
		{"what else tells is said before", map[string]string{"a/1.mov": "nobody 0m p004", "a/p006_2.mov": "swing 1m"}, map[string]string{
			"a/1.mov": "p004 card only_card", "a/p006_2.mov": "p006 done ",
		}},
		{"nobody gets what isn't clear", map[string]string{
			"a/1.mov": "swing 0m p004+p005", "a/2.mov": "swing 1m", "a/3.mov": "swing 2m late:p006", "a/4.mov": "swing 3m", "a/5.mov": "swing 4m q", "a/6.mov": "swing 5m",
		}, map[string]string{
			"a/1.mov": " unplaced two_players", "a/2.mov": " unplaced card_unclear", "a/3.mov": " unplaced card_late", "a/4.mov": "p006 done ",
			"a/5.mov": " unplaced unknown_player", "a/6.mov": " unplaced card_unclear",
		}},
		{"no consent", map[string]string{"a/1.mov": "nobody 0m p007", "a/2.mov": "swing 1m", "a/3.mov": "swing 2m p004"}, map[string]string{
			"a/1.mov": "p007 held no_consent", "a/2.mov": "p007 held no_consent", "a/3.mov": "p004 done ",
		}},
		{"nobody without a card", map[string]string{"p004/1.mov": "nobody 0m"}, map[string]string{"p004/1.mov": "p004 failed no_batter"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			work := house(t)
			names := map[string]string{}
			for name, text := range c.drop {
				names[drop(t, work, "inbox/"+name, text)] = name
			}
			sum := once(t, work, func(o *Options) { telling(o, time.Now().Add(-6*time.Hour)) })
			got := map[string]string{}
			for _, o := range sum.Outcomes {
				got[names[o.Hash]] = o.Player + " " + o.State + " " + o.Reason
			}
			if fmt.Sprint(got) != fmt.Sprint(c.want) || sum.Left+sum.Waiting != 0 {
				t.Errorf("got  %q\nwant %q; left %d, waiting %d", got, c.want, sum.Left, sum.Waiting)
			}
		})
	}
}

// A card holds for clips that come in a later run, and its own clip is kept
// like any other.
func TestCardsLater(t *testing.T) {
	work := house(t)
	at := time.Now().Add(-time.Hour)
	card := drop(t, work, "inbox/phone/1.mov", "nobody 0m p004")
	once(t, work, func(o *Options) { telling(o, at) })
	if w := where(t, work, card); len(w) != 1 || filepath.Dir(w[0]) != ArchiveDir+"/p004" {
		t.Errorf("the card's clip lies at %v", w)
	}
	drop(t, work, "inbox/phone/2.mov", "swing 1m")
	sum := once(t, work, func(o *Options) { telling(o, at) })
	if len(sum.Outcomes) != 1 || sum.Outcomes[0].Player != "p004" || sum.Outcomes[0].State != string(Done) {
		t.Errorf("%+v", sum.Outcomes)
	}
	drop(t, work, "inbox/phone/3.mov", "nobody 0m p004") // the same bytes again
	if sum = once(t, work, func(o *Options) { telling(o, at) }); len(sum.Outcomes) != 1 || sum.Outcomes[0].State != Duplicate {
		t.Errorf("%+v", sum.Outcomes)
	}
}

// What looking for cards finds out is the reason beside the clip.
func TestCardsCantLook(t *testing.T) {
	work := house(t)
	drop(t, work, "inbox/a.mov", "swing -")
	drop(t, work, "inbox/b.mov", "swing - #")
	sum := once(t, work, func(o *Options) {
		o.Spans = func(_ context.Context, a inbox.Arrival) ([]Span, error) {
			if a.Rel == "a.mov" {
				return nil, &Slip{Reason: Unread}
			}
			return nil, &Slip{Reason: CardLate}
		}
	})
	var got []string
	for _, o := range sum.Outcomes {
		got = append(got, o.State+" "+o.Reason)
	}
	slices.Sort(got)
	if want := []string{"failed unreadable", "unplaced card_late"}; !slices.Equal(got, want) {
		t.Errorf("%q; want %q", got, want)
	}
}

// Looking at a store tells its version and leaves nothing behind.
func TestInspect(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	path := filepath.Join(dir, StoreFile)
	s, err := OpenSQLite(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		do      string
		current bool
		fails   string
	}{
		{"SELECT 1", true, ""},
		{"DELETE FROM goose_db_version WHERE version_id > 1", false, ""},
		{"INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)", false, "version 99"},
		{"DROP TABLE nights", false, "another database"},
	} {
		if s == nil {
			if s, err = reopen(path); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := s.db.ExecContext(ctx, c.do); err != nil {
			t.Fatal(err)
		}
		look := func(how string) {
			current, err := Inspect(ctx, path)
			if current != c.current || (err == nil) != (c.fails == "") || err != nil && !strings.Contains(err.Error(), c.fails) {
				t.Errorf("%s, %s: %v %v", c.do, how, current, err)
			}
		}
		look("open")
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = nil
		look("closed")
		if left, err := os.ReadDir(dir); err != nil || len(left) != 1 {
			t.Errorf("%v %v", left, err)
		}
	}
}

// reopen opens a store whatever its version.
func reopen(path string) (*Store, error) {
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(WAL)")
	return &Store{db: db, where: path}, err
}

// The order of names is one: no two are before each other, none before itself,
// and leading noughts change nothing but what else is alike.
func TestNatural(t *testing.T) {
	sign := func(n int) int { return min(1, max(-1, n)) }
	name := rapid.StringMatching(`[a-c]?[0-3]{0,3}[a-c]?[0-2]{0,2}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := name.Draw(t, "a"), name.Draw(t, "b"), name.Draw(t, "c")
		if sign(natural(a, b)) != -sign(natural(b, a)) || natural(a, a) != 0 {
			t.Errorf("%q %q", a, b)
		}
		if natural(a, b) < 0 && natural(b, c) < 0 && natural(a, c) >= 0 {
			t.Errorf("%q before %q before %q", a, b, c)
		}
	})
	rapid.Check(t, func(t *rapid.T) { // no three wait for each other
		var f [3]filmed
		for i := range f {
			f[i].name = name.Draw(t, "name")
			if n := rapid.IntRange(0, 3).Draw(t, "at"); n > 0 {
				f[i].at = time.Unix(int64(n), 0)
			}
		}
		if f[0].before(f[1]) && (f[1].before(f[0]) || f[1].before(f[2]) && !f[0].before(f[2])) {
			t.Errorf("%v", f)
		}
	})
	for _, p := range [][2]string{{"IMG_9.mov", "IMG_10.mov"}, {"a1", "a02"}, {"a", "b"}, {"clip 2 (1).mov", "clip 2 (10).mov"}} {
		if natural(p[0], p[1]) >= 0 {
			t.Errorf("%q", p)
		}
	}
}

// A card that comes late doubts the clips behind it that an earlier one has
// placed, read or not, and no others; once.
func TestLateCardDoubts(t *testing.T) {
	t.Parallel()
	work := house(t)
	begin := time.Now().Add(-time.Hour)
	var doubted []string
	with := func(o *Options) {
		telling(o, begin)
		o.Doubt = func(_ context.Context, c Clip) error {
			doubted = append(doubted, filepath.Base(c.Came)+" "+c.Player)
			return nil
		}
	}
	for name, text := range map[string]string{
		"phone/1.mov": "nobody 0m p004", "phone/2.mov": "swing 3m #2", "phone/4.mov": "swing 10m #4", "phone/5.mov": "swing 12m p004 #5",
		"phone/6.mov": "nobody 20m p007", "phone/7.mov": "swing 22m #7", "phone/p004_8.mov": "swing 11m #8", "other/1.mov": "nobody 0m p004 #o", "other/2.mov": "swing 10m #o",
	} {
		drop(t, work, "inbox/"+name, text)
	}
	once(t, work, with)
	if len(doubted) > 0 {
		t.Fatalf("in order: %v", doubted)
	}
	drop(t, work, "inbox/phone/3.mov", "nobody 5m p005")
	once(t, work, with)
	drop(t, work, "inbox/phone/3b.mov", "nobody 4m p004")
	once(t, work, with)
	if len(doubted) != 1 || doubted[0] != "4.mov p004" {
		t.Errorf("doubted: %v", doubted)
	}
}
