package jobs

import "time"

// Night is the run that is due: the newest day, 2006-01-02 in the zone, whose
// hour at (since midnight) has come. A night is a calendar day, so that a
// clock that is put back or the hour that comes twice doesn't make another, and
// one that is put forward, or the hour that never comes, doesn't lose it.
func Night(now time.Time, zone *time.Location, at time.Duration) string {
	t := now.In(zone)
	due := func(days int) time.Time {
		d := time.Date(t.Year(), t.Month(), t.Day()+days, 0, int(at/time.Minute), 0, 0, zone)
		// An hour that is left out may come back as the one before.
		if wall := time.Duration(d.Hour())*time.Hour + time.Duration(d.Minute())*time.Minute; wall < at {
			d = d.Add(at - wall)
		}
		return d
	}
	if t.Before(due(0)) {
		return due(-1).Format(time.DateOnly)
	}
	return due(0).Format(time.DateOnly)
}
