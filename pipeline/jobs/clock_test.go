package jobs

import (
	"context"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tapeline/pipeline/inbox"
)

// nightLog keeps the nights that are told of.
type nightLog struct {
	slog.Handler
	mu   sync.Mutex
	told []string
}

func (l *nightLog) Handle(_ context.Context, r slog.Record) error {
	if r.Message == "night" {
		r.Attrs(func(a slog.Attr) bool {
			if a.Key == "night" {
				l.mu.Lock()
				l.told = append(l.told, a.Value.String())
				l.mu.Unlock()
			}
			return true
		})
	}
	return nil
}

// The daemon's own loop, and the store in a file, through nights on which the
// clock is changed: by summer time at both its ends, by hand, and with the
// daemon off or started anew in between. Each night's run begins once.
func TestNightRunsOnce(t *testing.T) {
	const restart = "restart"
	for _, c := range []struct {
		name, zone string
		at         time.Duration
		clock      []string // UTC, minute by minute between those joined by a dash
		want       string
	}{
		// IANA time zone database: Chicago −6, in summer −5; Madrid +1, in summer +2.
		{"the hour that is left out, Chicago", "America/Chicago", 2 * time.Hour, []string{"2026-03-08 07:00-2026-03-08 09:00"}, "2026-03-07 2026-03-08"},
		{"half past two does not come, Chicago", "America/Chicago", 150 * time.Minute, []string{"2026-03-08 07:00-2026-03-08 10:00"}, "2026-03-07 2026-03-08"},
		{"the hour that is left out, Madrid", "Europe/Madrid", 2 * time.Hour, []string{"2026-03-29 00:00-2026-03-29 02:00"}, "2026-03-28 2026-03-29"},
		{"half past two does not come, Madrid", "Europe/Madrid", 150 * time.Minute, []string{"2026-03-29 00:00-2026-03-29 03:00"}, "2026-03-28 2026-03-29"},
		{"started anew in the hour after", "Europe/Madrid", 2 * time.Hour, []string{"2026-03-29 00:50-2026-03-29 01:10", restart, "2026-03-29 01:11-2026-03-29 02:00"}, "2026-03-28 2026-03-29"},
		{"one o'clock twice, Chicago", "America/Chicago", time.Hour, []string{"2026-11-01 05:00-2026-11-01 09:00"}, "2026-10-31 2026-11-01"},
		{"half past one twice, started anew between, Chicago", "America/Chicago", 90 * time.Minute, []string{"2026-11-01 06:20-2026-11-01 06:50", restart, "2026-11-01 07:10-2026-11-01 08:30"}, "2026-10-31 2026-11-01"},
		{"two o'clock behind the hour that comes twice, Chicago", "America/Chicago", 2 * time.Hour, []string{"2026-11-01 06:00-2026-11-01 09:00"}, "2026-10-31 2026-11-01"},
		{"half past two twice, Madrid", "Europe/Madrid", 150 * time.Minute, []string{"2026-10-25 00:00-2026-10-25 03:00"}, "2026-10-24 2026-10-25"},
		{"half past two twice, started anew between, Madrid", "Europe/Madrid", 150 * time.Minute, []string{"2026-10-25 00:20-2026-10-25 00:40", restart, "2026-10-25 01:20-2026-10-25 01:40"}, "2026-10-24 2026-10-25"},
		{"set back across two after the run", "America/Chicago", 2 * time.Hour, []string{"2026-05-03 06:50-2026-05-03 07:20", "2026-05-03 06:30-2026-05-03 07:30", restart, "2026-05-03 06:55-2026-05-03 07:05"}, "2026-05-02 2026-05-03"},
		{"set forward past two", "America/Chicago", 2 * time.Hour, []string{"2026-05-03 06:40-2026-05-03 06:50", "2026-05-03 09:00-2026-05-03 10:00"}, "2026-05-02 2026-05-03"},
		{"set forward past two and back before it", "Europe/Madrid", 2 * time.Hour, []string{"2026-05-02 23:40-2026-05-02 23:50", "2026-05-03 02:00", "2026-05-02 23:55-2026-05-03 00:30"}, "2026-05-02 2026-05-03"},
		{"a year off, put right", "Europe/Madrid", 2 * time.Hour, []string{"2025-05-03 12:00", "2026-05-03 12:00", "2025-05-03 12:01", "2026-05-03 12:02-2026-05-04 00:10"}, "2025-05-03 2026-05-03 2026-05-04"},
		{"off over two", "America/Chicago", 2 * time.Hour, []string{"2026-05-03 05:00-2026-05-03 05:10", restart, "2026-05-03 13:00-2026-05-03 13:10"}, "2026-05-02 2026-05-03"},
		{"off for a week", "America/Chicago", 2 * time.Hour, []string{"2026-05-03 05:00", restart, "2026-05-10 13:00-2026-05-10 13:10"}, "2026-05-02 2026-05-10"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			zone, err := time.LoadLocation(c.zone)
			if err != nil {
				t.Fatal(err)
			}
			work := house(t)
			var mu sync.Mutex
			var now time.Time
			log := &nightLog{Handler: slog.DiscardHandler}
			o := options(work)
			o.Zone, o.Nightly, o.Log = zone, c.at, slog.New(alwaysOn{log})
			looks := make(chan struct{})
			live := func(minutes []time.Time) {
				s, err := OpenSQLite(t.Context(), filepath.Join(work, StoreFile))
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				// The loop looks at the clock when it begins a turn.
				o.Now = func() time.Time {
					select {
					case looks <- struct{}{}:
					default:
					}
					mu.Lock()
					defer mu.Unlock()
					return now
				}
				mu.Lock()
				now = minutes[0]
				mu.Unlock()
				e := New(s, o)
				s.now = time.Now // its stamps are not what is looked at
				if e.jobs, err = e.queue(""); err != nil {
					t.Fatal(err)
				}
				e.watch = inbox.New(inbox.Options{Dirs: o.Inbox})
				ctx, cancel := context.WithCancel(t.Context())
				over := make(chan struct{})
				go func() { defer close(over); e.nights(ctx, time.Millisecond) }()
				for _, m := range minutes {
					mu.Lock()
					now = m
					mu.Unlock()
					<-looks // may have been on its way
					<-looks
				}
				cancel()
				<-over
			}
			var minutes []time.Time
			for _, part := range append(c.clock, restart) {
				if part == restart {
					live(minutes)
					minutes = nil
					continue
				}
				from, to := part, part
				if len(part) > 16 {
					from, to = part[:16], part[17:]
				}
				a, err := time.Parse("2006-01-02 15:04", from)
				if err != nil {
					t.Fatal(err)
				}
				b, err := time.Parse("2006-01-02 15:04", to)
				if err != nil {
					t.Fatal(err)
				}
				for ; !a.After(b); a = a.Add(time.Minute) {
					minutes = append(minutes, a)
				}
			}
			if got := log.told; !slices.Equal(got, strings.Fields(c.want)) {
				t.Errorf("nights %v; want %s", got, c.want)
			}
		})
	}
}

// alwaysOn hears every level.
type alwaysOn struct{ *nightLog }

func (alwaysOn) Enabled(context.Context, slog.Level) bool { return true }
