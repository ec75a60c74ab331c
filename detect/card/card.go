// Package card finds the number cards a coach films to say whose swings
// follow: a square code with a player's short code in it, never a name.
//
// A recording passes these stages:
//
//  1. Find: a few pictures a second, Reader in each → sightings
//  2. Spans: a card holds until the next one → who from when to when
package card

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"

	"tapeline/pipeline"
)

// What is enough to see a card that is shown for a second: the longer side of
// the pictures, pixels, and pictures a second of presentation time.
const (
	Side = 960
	Rate = 4.
)

// apart is how long after one card another says something new, seconds: two
// sooner than that may be a slip, and which of them was meant isn't known.
const apart = 2.

// Sighting is a card seen in one picture.
type Sighting struct {
	T  float64 // presentation seconds
	ID string
}

// Span is a part of a recording that follows a card, presentation seconds.
type Span struct {
	From, To float64
	Player   string   // empty: several cards were shown at about the same time
	Of       []string // the players of those cards, sorted
}

// Find reads every picture of a source, opened at no more than Side and Rate.
func Find(ctx context.Context, src pipeline.Source) ([]Sighting, error) {
	r := NewReader()
	defer r.Close()
	var out []Sighting
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f, err := src.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		ids, err := r.Read(f)
		if err != nil {
			return nil, err
		}
		for _, id := range ids {
			out = append(out, Sighting{f.PTS, id})
		}
	}
}

// Spans says whose which part of a recording of so many seconds is, in order
// of time. What comes before the first card belongs to nobody. Cards of
// different players less than two seconds apart leave what follows, until the
// next card, without a player.
func Spans(seen []Sighting, duration float64) []Span {
	seen = slices.Clone(seen)
	slices.SortStableFunc(seen, func(a, b Sighting) int {
		if a.T < b.T {
			return -1
		} else if a.T > b.T {
			return 1
		}
		return 0
	})
	var out []Span
	last := math.Inf(-1)
	for _, s := range seen {
		if n := len(out) - 1; s.T-last < apart {
			out[n].Of = append(out[n].Of, s.ID)
		} else {
			out = append(out, Span{From: s.T, Of: []string{s.ID}})
		}
		last = s.T
	}
	joined := out[:0]
	for _, s := range out {
		slices.Sort(s.Of)
		s.Of = slices.Compact(s.Of)
		if len(s.Of) == 1 {
			s.Player, s.Of = s.Of[0], nil
			if n := len(joined); n > 0 && joined[n-1].Player == s.Player {
				continue // the same card once more
			}
		}
		joined = append(joined, s)
	}
	for i := range joined {
		joined[i].To = math.Max(joined[i].From, duration)
		if i+1 < len(joined) {
			joined[i].To = joined[i+1].From
		}
	}
	return joined
}

// At is the span a time lies in; false before the first card.
func At(spans []Span, t float64) (Span, bool) {
	for i := len(spans) - 1; i >= 0; i-- {
		if t >= spans[i].From {
			return spans[i], true
		}
	}
	return Span{}, false
}
