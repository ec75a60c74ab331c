package jobs

import (
	"context"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"
)

// A year of nights, looked at every so often with a clock that jumps: each day
// once.
func TestNights(t *testing.T) {
	for _, zone := range []string{"America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "America/Sao_Paulo", "Asia/Beirut", "UTC"} {
		z, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []time.Duration{0, time.Hour + 30*time.Minute, 2 * time.Hour, 2*time.Hour + 30*time.Minute, 23*time.Hour + 59*time.Minute} {
			began := map[string]int{}
			last := ""
			start := time.Date(2018, 1, 1, 12, 0, 0, 0, z)
			for now := start; now.Before(start.AddDate(1, 0, 0)); now = now.Add(7 * time.Minute) {
				if n := Night(now, z, at); n != last { // a store remembers all of them
					if began[n]++; began[n] > 1 {
						t.Errorf("%s %v: %s begins again at %v", zone, at, n, now)
					}
					_, a := now.Zone()
					_, b := now.Add(-2 * time.Hour).Zone()
					// No earlier than its hour, and within the step and the hour that is missing.
					want := at
					if h := time.Duration(now.Hour())*time.Hour + time.Duration(now.Minute())*time.Minute; last != "" && a >= b && (h < want || h > want+68*time.Minute) && now.Format(time.DateOnly) == n {
						t.Errorf("%s %v: %s begins at %v", zone, at, n, now)
					}
					last = n
				}
			}
			if len(began) < 365 || len(began) > 366 {
				t.Errorf("%s %v: %d nights", zone, at, len(began))
			}
		}
	}
}

// Whatever the clock does, a night that was begun is not begun again, and one
// whose hour is seen is begun.
func TestNightsOfAJumpingClock(t *testing.T) {
	s := store(t, house(t))
	z, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	begun := map[string]bool{}
	rapid.Check(t, func(r *rapid.T) {
		now := time.Date(2026, 3, 7, 12, 0, 0, 0, z).Add(time.Duration(rapid.Int64Range(0, 400*24*60).Draw(r, "start")) * time.Minute)
		for range 10 {
			now = now.Add(time.Duration(rapid.IntRange(-3000, 3000).Draw(r, "minutes")) * time.Minute)
			n := Night(now, z, 2*time.Hour)
			began, err := s.night(context.Background(), n)
			if err != nil {
				r.Fatal(err)
			}
			if began == begun[n] {
				r.Errorf("%v: night %s begun %v after %v", now, n, began, begun[n])
			}
			begun[n] = true
			if d, _ := time.ParseInLocation(time.DateOnly, n, z); now.Sub(d) > 51*time.Hour || now.Before(d) {
				r.Errorf("night %s at %v", n, now)
			}
		}
	})
}
