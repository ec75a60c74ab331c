package ledger

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline"
)

func num(v float64) *float64 { return &v }

// report is a lesson's report: eye drop v in each swing given, the first shown.
func report(clip string, view pipeline.View, drops ...float64) pipeline.Report {
	rep := pipeline.Report{
		Schema: pipeline.ReportSchema,
		Clip:   pipeline.ClipInfo{ID: clip, Name: clip + ".mp4"},
		Batter: pipeline.Batter{Bats: pipeline.BatsLeft, View: view, HeightCM: num(152.4), Level: pipeline.Youth, Sport: pipeline.Softball},
		Bands: []pipeline.Band{
			{Rule: "eye_drop", Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Max: num(5), Origin: "K", Setting: true},
			{Rule: "hands_start", Key: "hands_start", At: pipeline.Stance, Unit: "cm", Min: num(0), Origin: "K", Own: true},
		},
	}
	for i, v := range drops {
		frame := 40 + i
		rep.Swings = append(rep.Swings, pipeline.Swing{Index: i + 1, Chosen: i == 0,
			Events: []pipeline.Event{
				{Kind: pipeline.Plant, Reason: "no_stride"},
				{Kind: pipeline.Contact, T: num(1.2), Lo: num(1.19), Hi: num(1.21), Frame: &frame, Reason: "sound"},
			},
			Measures: []pipeline.Measure{
				{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Value: num(v), Lo: num(v - 1), Hi: num(v + 1.5), Frames: []int{}, Warnings: []string{}},
				{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Finish, Unit: "cm", Frames: []int{}, Warnings: []string{"clip_ends_early", "oblique"}},
				{Key: "front_foot_open", At: pipeline.Contact, Unit: "deg", Lo: num(-3), Hi: num(60), Frames: []int{}, Warnings: []string{"foot_ambiguous"}},
			},
			Findings: []pipeline.Finding{
				{Rule: "eye_drop", Kind: pipeline.Priority, Evidence: []string{"eye_drop@contact"}},
				{Rule: "coach", Kind: pipeline.Secondary, Text: "Watch the ball “in”; don't peek.", Evidence: []string{}},
			}})
	}
	return rep
}

var noon = time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)

// contract is what every ledger must do. store makes an empty one and gives a
// function that opens it again, each time on connections of its own.
func contract(t *testing.T, store func(t *testing.T) (open func() (*Ledger, error))) {
	ctx := context.Background()
	opened := func(t *testing.T, open func() (*Ledger, error)) *Ledger {
		t.Helper()
		l, err := open()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		return l
	}
	fresh := func(t *testing.T) *Ledger { return opened(t, store(t)) }
	record := func(t *testing.T, l *Ledger, e Entry) Recorded {
		t.Helper()
		r, err := l.Record(ctx, e)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	lessons := func(t *testing.T, l *Ledger, player string) []Lesson {
		t.Helper()
		out, err := l.Lessons(ctx, player)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}

	t.Run("what goes in comes out", func(t *testing.T) {
		open := store(t)
		rep := report("c1", pipeline.ViewChest, 7.9, 6.1)
		want := record(t, opened(t, open), Entry{Player: "b07", Name: "Ada", Day: "2026-05-02", Folder: "lessons/c1", Report: rep, At: noon})
		if want.Updated || want.From != "" {
			t.Errorf("a new lesson: %+v", want)
		}
		l := opened(t, open)
		got := lessons(t, l, "b07")
		if len(got) != 1 || !reflect.DeepEqual(got[0], want.Lesson) {
			t.Fatalf("got %+v\nwant %+v", got, want.Lesson)
		}
		if !reflect.DeepEqual(got[0].Swings, rep.Swings) || !reflect.DeepEqual(got[0].Bands, rep.Bands) {
			t.Errorf("swings %+v, bands %+v", got[0].Swings, got[0].Bands)
		}
		p, ok, err := l.Player(ctx, "b07")
		if err != nil || !ok || !reflect.DeepEqual(p, Player{ID: "b07", Name: "Ada", Bats: "L", Level: "youth", Sport: "softball", Heights: []Height{{"2026-05-02", 152.4}}}) {
			t.Errorf("player %+v, %v, %v", p, ok, err)
		}
		if _, ok, err := l.Player(ctx, "b08"); ok || err != nil {
			t.Errorf("a player nobody recorded: %v, %v", ok, err)
		}
	})

	t.Run("an empty one is empty", func(t *testing.T) {
		l := fresh(t)
		if got := lessons(t, l, ""); len(got) != 0 {
			t.Errorf("lessons %+v", got)
		}
		if p, err := l.Players(ctx); len(p) != 0 || err != nil {
			t.Errorf("players %+v, %v", p, err)
		}
	})

	t.Run("the same clip is the same lesson", func(t *testing.T) {
		l := fresh(t)
		record(t, l, Entry{Player: "b07", Name: "Ada", Day: "2026-05-02", Report: report("c1", pipeline.ViewChest, 7.9, 6.1, 5), At: noon})
		r := record(t, l, Entry{Player: "b07", Report: report("c1", pipeline.ViewBack, 4), Folder: "again", At: noon.AddDate(0, 1, 0)})
		if !r.Updated || r.From != "" {
			t.Errorf("%+v", r)
		}
		got := lessons(t, l, "b07")
		if len(got) != 1 {
			t.Fatalf("%d lessons", len(got))
		}
		g := got[0]
		if g.Day != "2026-05-02" || g.DayAssumed || g.View != pipeline.ViewBack || g.Folder != "again" || len(g.Swings) != 1 || *g.Swings[0].Measures[0].Value != 4 || len(g.Swings[0].Findings) != 2 {
			t.Errorf("%+v", g)
		}
		if !g.Created.Equal(noon) || !g.Updated.Equal(noon.AddDate(0, 1, 0)) {
			t.Errorf("created %v, updated %v", g.Created, g.Updated)
		}
		if p, _, _ := l.Player(ctx, "b07"); p.Name != "Ada" {
			t.Errorf("the name went away: %+v", p)
		}
	})

	t.Run("a clip under the wrong player moves", func(t *testing.T) {
		l := fresh(t)
		record(t, l, Entry{Player: "b07", Report: report("c1", pipeline.ViewChest, 7.9), At: noon})
		r := record(t, l, Entry{Player: "b08", Report: report("c1", pipeline.ViewChest, 7.9), At: noon})
		if !r.Updated || r.From != "b07" || len(lessons(t, l, "b07")) != 0 || len(lessons(t, l, "b08")) != 1 || len(lessons(t, l, "")) != 1 {
			t.Errorf("%+v; %+v", r, lessons(t, l, ""))
		}
		if p, _, _ := l.Player(ctx, "b07"); len(p.Heights) != 0 {
			t.Errorf("the height stays with the wrong player: %+v", p)
		}
	})

	t.Run("a day that isn't known is assumed once", func(t *testing.T) {
		l := fresh(t)
		e := Entry{Player: "b07", Report: report("c1", pipeline.ViewChest, 7.9), At: noon}
		if r := record(t, l, e); r.Lesson.Day != "2026-05-03" || !r.Lesson.DayAssumed {
			t.Errorf("%+v", r.Lesson)
		}
		e.At = noon.AddDate(0, 0, 9)
		if r := record(t, l, e); r.Lesson.Day != "2026-05-03" || !r.Lesson.DayAssumed {
			t.Errorf("read again: %+v", r.Lesson)
		}
		e.Day = "2026-04-12"
		if r := record(t, l, e); r.Lesson.Day != "2026-04-12" || r.Lesson.DayAssumed {
			t.Errorf("with its day: %+v", r.Lesson)
		}
		if p, _, _ := l.Player(ctx, "b07"); !reflect.DeepEqual(p.Heights, []Height{{"2026-04-12", 152.4}}) {
			t.Errorf("heights %+v", p.Heights)
		}
	})

	t.Run("an inferred height is no height", func(t *testing.T) {
		l := fresh(t)
		rep := report("c1", pipeline.ViewChest, 7.9)
		rep.Batter.Inferred = []string{"height_cm"}
		record(t, l, Entry{Player: "b07", Report: rep, At: noon})
		if p, _, _ := l.Player(ctx, "b07"); len(p.Heights) != 0 {
			t.Errorf("%+v", p.Heights)
		}
	})

	t.Run("order and players apart", func(t *testing.T) {
		l := fresh(t)
		for i, day := range []string{"2026-05-03", "2026-04-12", "2026-04-12"} {
			record(t, l, Entry{Player: "b07", Day: day, Report: report(fmt.Sprint("c", 9-i), pipeline.ViewChest, 1), At: noon.Add(time.Duration(i) * time.Minute)})
		}
		record(t, l, Entry{Player: "a01", Day: "2026-06-01", Report: report("c0", pipeline.ViewChest, 1), At: noon})
		var got []string
		for _, x := range lessons(t, l, "") {
			got = append(got, x.Clip)
		}
		if strings.Join(got, " ") != "c0 c8 c7 c9" {
			t.Errorf("order %v", got)
		}
		if n := len(lessons(t, l, "b07")); n != 3 {
			t.Errorf("%d lessons of b07", n)
		}
	})

	t.Run("what isn't right is refused and leaves no trace", func(t *testing.T) {
		l := fresh(t)
		twice := report("c1", pipeline.ViewChest, 1)
		twice.Swings[0].Measures = append(twice.Swings[0].Measures, twice.Swings[0].Measures[0])
		for name, c := range map[string]struct {
			e     Entry
			fault pipeline.Fault
		}{
			"a name for a code": {Entry{Player: "Ada", Report: report("c1", pipeline.ViewChest, 1), At: noon}, pipeline.FaultUsage},
			"no player":         {Entry{Report: report("c1", pipeline.ViewChest, 1), At: noon}, pipeline.FaultUsage},
			"no day":            {Entry{Player: "b07", Day: "2026-02-30", Report: report("c1", pipeline.ViewChest, 1), At: noon}, pipeline.FaultUsage},
			"no clip":           {Entry{Player: "b07", Report: report("", pipeline.ViewChest, 1), At: noon}, pipeline.FaultLedger},
			"a measure twice":   {Entry{Player: "b07", Report: twice, At: noon}, pipeline.FaultLedger},
		} {
			_, err := l.Record(ctx, c.e)
			var e *pipeline.Error
			if !errors.As(err, &e) || e.Fault != c.fault || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: %v", name, err)
			}
		}
		if p, _ := l.Players(ctx); len(p) != 0 || len(lessons(t, l, "")) != 0 {
			t.Error("something was left behind")
		}
	})

	t.Run("a failed replacement keeps what was there", func(t *testing.T) {
		l := fresh(t)
		record(t, l, Entry{Player: "b07", Report: report("c1", pipeline.ViewChest, 7.9), At: noon})
		bad := report("c1", pipeline.ViewChest, 3)
		bad.Swings = append(bad.Swings, bad.Swings[0])
		if _, err := l.Record(ctx, Entry{Player: "b07", Report: bad, At: noon}); err == nil {
			t.Fatal("a swing twice was taken")
		}
		if got := lessons(t, l, ""); len(got) != 1 || *got[0].Swings[0].Measures[0].Value != 7.9 {
			t.Errorf("%+v", got)
		}
	})

	t.Run("words stay words", func(t *testing.T) {
		l := fresh(t)
		record(t, l, Entry{Player: "b07", Name: "'); DROP TABLE lessons;--", Folder: "a'b\"c\n", Report: report("c1'", pipeline.ViewChest, 1), At: noon})
		got := lessons(t, l, "b07")
		if len(got) != 1 || got[0].Folder != "a'b\"c\n" || got[0].Clip != "c1'" {
			t.Errorf("%+v", got)
		}
	})

	t.Run("a call that is given up leaves no trace", func(t *testing.T) {
		l := fresh(t)
		gone, cancel := context.WithCancel(ctx)
		cancel()
		if _, err := l.Record(gone, Entry{Player: "b07", Report: report("c1", pipeline.ViewChest, 1), At: noon}); err == nil {
			t.Error("recorded all the same")
		}
		if len(lessons(t, l, "")) != 0 {
			t.Error("something was left behind")
		}
	})

	t.Run("many write at once", func(t *testing.T) {
		open := store(t)
		var wg sync.WaitGroup
		for w := range 4 {
			wg.Go(func() {
				l, err := open()
				if err != nil {
					t.Error(err)
					return
				}
				defer l.Close()
				for i := range 10 {
					own, shared := report(fmt.Sprintf("w%d-%d", w, i), pipeline.ViewChest, 1, 2), report(fmt.Sprintf("shared-%d", i), pipeline.ViewBack, float64(w), 2)
					for _, rep := range []pipeline.Report{own, shared} {
						if _, err := l.Record(ctx, Entry{Player: fmt.Sprint("p", w), Report: rep, At: noon}); err != nil {
							t.Errorf("writer %d: %v", w, err)
						}
					}
					if _, err := l.Lessons(ctx, ""); err != nil {
						t.Errorf("writer %d reading: %v", w, err)
					}
				}
			})
		}
		wg.Wait()
		all := lessons(t, opened(t, open), "")
		if len(all) != 50 {
			t.Errorf("%d lessons; want 50", len(all))
		}
		for _, x := range all {
			if len(x.Swings) != 2 || len(x.Swings[0].Measures) != 3 || len(x.Swings[1].Findings) != 2 || len(x.Bands) != 2 {
				t.Errorf("half a lesson: %+v", x)
			}
			if strings.HasPrefix(x.Clip, "shared") && fmt.Sprint("p", *x.Swings[0].Measures[0].Value) != x.Player {
				t.Errorf("%s: of %s, written by %v", x.Clip, x.Player, *x.Swings[0].Measures[0].Value)
			}
		}
	})

	t.Run("a slow machine writes over nothing newer", func(t *testing.T) {
		l := fresh(t)
		e := Entry{Player: "b07", Day: "2026-05-02", Folder: "new", Report: report("c1", pipeline.ViewChest, 4), At: noon, Fence: 8}
		record(t, l, e)
		late := Entry{Player: "b08", Day: "2026-05-09", Folder: "old", Report: report("c1", pipeline.ViewBack, 9), At: noon, Fence: 7}
		if _, err := l.Record(ctx, late); !errors.Is(err, ErrStale) {
			t.Errorf("a fence of before: %v", err)
		}
		if got := lessons(t, l, ""); len(got) != 1 || got[0].Folder != "new" || got[0].Player != "b07" || *got[0].Swings[0].Measures[0].Value != 4 {
			t.Errorf("%+v", got)
		}
		if p, err := l.Players(ctx); len(p) != 1 || err != nil {
			t.Errorf("%+v, %v", p, err)
		}
		if r := record(t, l, e); !r.Updated {
			t.Errorf("the same fence again: %+v", r)
		}
		e.Fence, e.Folder = 0, "by hand" // by nobody's claim
		record(t, l, e)
		if _, err := l.Record(ctx, late); !errors.Is(err, ErrStale) {
			t.Errorf("a fence of before, after a reading by hand: %v", err)
		}
		late.Fence = 9
		if r := record(t, l, late); r.From != "b07" {
			t.Errorf("%+v", r)
		}
	})

	t.Run("what was forgotten meanwhile isn't recorded", func(t *testing.T) {
		open := store(t)
		l, other := opened(t, open), opened(t, open)
		record(t, l, Entry{Player: "c12", Report: report("stays", pipeline.ViewChest, 1), At: noon})
		e := Entry{Player: "b07", Name: "Ada", Day: "2026-05-02", Report: report("c1", pipeline.ViewChest, 4), At: noon, Fence: 8}
		none := func() {
			t.Helper()
			if p, err := l.Players(ctx); err != nil || len(p) != 1 || len(lessons(t, l, "")) != 1 {
				t.Errorf("%+v, %v, %d lessons", p, err, len(lessons(t, l, "")))
			}
		}
		e.Still = func(context.Context) (bool, error) { return false, nil }
		if _, err := l.Record(ctx, e); !errors.Is(err, ErrStale) {
			t.Errorf("forgotten before: %v", err)
		}
		none()
		e.Still = func(context.Context) (bool, error) { return true, errors.New("who knows") }
		if _, err := l.Record(ctx, e); err == nil || errors.Is(err, ErrStale) {
			t.Errorf("it can't be known: %v", err)
		}
		none()
		// The answer is yes, and the forgetting begins before the lesson is written:
		// it has to wait, and takes out what it didn't know of when it began.
		gone := make(chan error, 1)
		e.Still = func(context.Context) (bool, error) {
			go func() {
				g, err := other.Forget(ctx, "b07", "2026-06-01", 0)
				if err == nil && len(g.Lessons) != 1 {
					err = fmt.Errorf("forgotten: %+v", g)
				}
				gone <- err
			}()
			select {
			case err := <-gone:
				return true, fmt.Errorf("it was forgotten at once: %w", err)
			case <-time.After(200 * time.Millisecond):
				return true, nil
			}
		}
		record(t, l, e)
		if err := <-gone; err != nil {
			t.Error(err)
		}
		none()
		// Forgotten, and dropped again: a fence of before is too old for it.
		e.Still, e.Fence = nil, 9
		record(t, l, e)
		e.Fence = 8
		if _, err := l.Record(ctx, e); !errors.Is(err, ErrStale) {
			t.Errorf("under the claim of before: %v", err)
		}
	})

	t.Run("one player's part of it", func(t *testing.T) {
		l := fresh(t)
		for i := range 3 {
			record(t, l, Entry{Player: "b07", Name: "Ada", Guardians: []string{"a@example.org"}, Day: fmt.Sprint("2026-05-0", i+1), Report: report(fmt.Sprint("c", i), pipeline.ViewChest, float64(i), 9), At: noon, Fence: 3})
			record(t, l, Entry{Player: fmt.Sprint("other", i), Name: "Ben", Day: "2026-05-01", Report: report(fmt.Sprint("x", i), pipeline.ViewChest, 1), At: noon})
		}
		record(t, l, Entry{Player: "b07-2", Report: report("y", pipeline.ViewChest, 1), At: noon})
		small, err := Create(ctx, filepath.Join(t.TempDir(), File))
		if err != nil {
			t.Fatal(err)
		}
		defer small.Close()
		for range 2 { // once more changes nothing
			if err := Copy(ctx, l, small, "b07"); err != nil {
				t.Fatal(err)
			}
		}
		if got, want := lessons(t, small, ""), lessons(t, l, "b07"); len(got) != 3 || !reflect.DeepEqual(got, want) {
			t.Errorf("got %+v\nwant %+v", got, want)
		}
		want, _, _ := l.Player(ctx, "b07")
		if all, err := small.Players(ctx); err != nil || len(all) != 1 || !reflect.DeepEqual(all[0], want) {
			t.Errorf("%+v, %v", all, err)
		}
		if err := Copy(ctx, l, small, "nobody"); err != nil {
			t.Error(err)
		}
	})

	t.Run("codes are in the order of their letters", func(t *testing.T) {
		l := fresh(t)
		codes := []string{"a-b", "a1", "a_b", "aa", "b"} // - 1 _ a in ASCII
		for _, c := range codes {
			record(t, l, Entry{Player: c, Report: report("clip of "+c, pipeline.ViewChest, 1), At: noon})
		}
		all, err := l.Players(ctx)
		if err != nil || !slices.IsSortedFunc(all, func(a, b Player) int { return strings.Compare(a.ID, b.ID) }) || len(all) != len(codes) {
			t.Errorf("%+v, %v", all, err)
		}
	})

	t.Run("one sends at a time", func(t *testing.T) {
		open := store(t)
		a, b := opened(t, open), opened(t, open)
		held, unlock, err := a.Sending(ctx)
		if err != nil || !held() {
			t.Fatal(err)
		}
		if _, _, err := b.Sending(ctx); !errors.Is(err, ErrBusy) {
			t.Errorf("a second sender: %v", err)
		}
		if err := b.Hold(ctx, "c1", noon); err != nil { // nobody else waits for that
			t.Error(err)
		}
		unlock()
		if _, unlock, err := b.Sending(ctx); err != nil {
			t.Error(err)
		} else {
			unlock()
		}
	})

	t.Run("what a list shows is what lessons hold", func(t *testing.T) {
		l := fresh(t)
		for i := range 3 {
			record(t, l, Entry{Player: fmt.Sprint("p", i), Report: report(fmt.Sprint("clip", i), pipeline.ViewChest, float64(i), 9), Day: "2026-05-03", At: noon})
		}
		none := report("none", pipeline.ViewChest)
		record(t, l, Entry{Player: "p0", Report: none, Day: "2026-05-04", At: noon})
		all := lessons(t, l, "")
		shown, err := l.Shown(ctx)
		if err != nil || len(shown) != len(all) {
			t.Fatalf("%d of %d: %v", len(shown), len(all), err)
		}
		for i, want := range all {
			got := shown[i]
			if got.Clip != want.Clip || got.Player != want.Player || got.Day != want.Day || got.Folder != want.Folder || (got.Shown() == nil) != (want.Shown() == nil) {
				t.Errorf("%+v, want %+v", got, want)
			}
			measures, bands, err := l.Numbers(ctx, want.Clip)
			if err != nil {
				t.Fatal(err)
			}
			if want.Shown() == nil {
				if len(measures) > 0 {
					t.Errorf("%s: %+v", want.Clip, measures)
				}
				continue
			}
			a, z := got.Shown(), want.Shown()
			if a.Index != z.Index || len(a.Events) != 1 || !reflect.DeepEqual(a.Events[0], *z.Event(pipeline.Contact)) || len(a.Findings) != len(z.Findings) || len(measures) != len(z.Measures) || len(bands) != len(want.Bands) {
				t.Fatalf("%s: %+v, %d measures, %d bands; want %+v", want.Clip, a, len(measures), len(bands), z)
			}
			for i, f := range a.Findings {
				if f.Rule != z.Findings[i].Rule || f.Kind != z.Findings[i].Kind || f.Text != z.Findings[i].Text {
					t.Errorf("%+v, want %+v", f, z.Findings[i])
				}
			}
			for i, m := range measures {
				if want := z.Measures[i]; m.Key != want.Key || !reflect.DeepEqual(m.Value, want.Value) || !reflect.DeepEqual(m.Hi, want.Hi) || m.Unit != want.Unit {
					t.Errorf("%+v, want %+v", m, want)
				}
			}
			if b := bands[0]; b.Key != "eye_drop" || *b.Max != 5 || b.Min != nil {
				t.Errorf("%+v", b)
			}
		}
		if m, b, err := l.Numbers(ctx, "nobody's"); len(m)+len(b) > 0 || err != nil {
			t.Errorf("%v %v %v", m, b, err)
		}
	})

	leaving(t, fresh, store)
}
