// Package long finds in a recording of a whole lesson what may be swings, and
// whose they are, without looking for people: an hour is scanned in a fraction
// of an hour and in little memory. Every candidate is then cut out and read as
// a clip of its own, which decides whether there is a swing in it.
//
// A recording passes these stages:
//
//  1. small pictures, 15 a second: what moves beyond light, noise and a hand's shaking; a few a second: number cards (detect/card)
//  2. sharp sounds (detect/sound), in pieces
//  3. bursts: motion that is several times that of the seconds around it, and
//     cracks with more motion than usual
//  4. candidates: bursts close together are one, with room before and after
package long

import (
	"cmp"
	"context"
	"math"
	"runtime/debug"
	"slices"
	"sort"
	"sync"

	"tapeline/detect/card"
	"tapeline/detect/sound"
	"tapeline/pipeline"
)

// Least is the length of a recording that isn't a clip of a swing, seconds:
// only what is longer is scanned.
const Least = 60.

// Is tells whether a clip is a long recording.
func Is(c pipeline.Clip) bool { return c.Duration > Least }

// Options of Scan.
type Options struct {
	Clip pipeline.Clip
	// Look goes through the recording once and hands its pictures to all looks,
	// to each on a goroutine of its own, stretches perhaps side by side. It does
	// also, unless that is nil, beside them; the first error of all ends it.
	Look func(ctx context.Context, also func(context.Context) error, looks ...pipeline.Look) error
	// Sound hands on the sound in pieces of size samples, mono, rate a second,
	// with the presentation time of each piece's first sample. nil: no sound.
	Sound    func(ctx context.Context, rate, size int, each func(samples []float32, start float64) error) error
	Progress pipeline.Progress
}

// Candidate is a part of the recording in which somebody may have swung a bat,
// presentation seconds. No two overlap.
type Candidate struct {
	From, To float64   // to cut out
	Bursts   []float64 // of much motion, the hardest first; at least one
	Heard    bool      // there was a sharp sound near one
}

// Recording is what a scan finds.
type Recording struct {
	Candidates []Candidate
	Cards      []card.Sighting
	Players    []card.Span
}

const (
	motionSide = 320 // longer side of the picture motion is seen in, pixels
	motionRate = 15. // pictures a second of capture time: of a twenty-minute lesson as many swings are found as with 30
	soundRate  = 48000
	soundPiece = 10 * soundRate
	soundLap   = soundRate / 2 // samples of a piece heard once more with the next
)

// Scan goes through the recording once, its pictures and its sound.
func Scan(ctx context.Context, o Options) (r Recording, err error) {
	k := math.Max(1, o.Clip.TimeFactor)
	var cracks []float64
	var ear func(context.Context) error
	if o.Sound != nil && k == 1 {
		ear = func(ctx context.Context) (err error) {
			defer pipeline.Catch(&err)
			defer debug.FreeOSMemory() // of sound nothing is wanted any more
			cracks, err = listen(ctx, &o)
			return err
		}
	}
	moves, seen, err := look(ctx, &o, k, ear)
	if err != nil {
		return Recording{}, err
	}
	r.Cards, r.Players = seen, card.Spans(seen, o.Clip.Duration)
	r.Candidates = candidates(moves, cracks, k, o.Clip.Duration)
	return r, nil
}

// move is the motion between two pictures, see motion; t is the presentation time of the later one.
type move struct{ t, e float64 }

// look gives the cards and the motion of the whole recording.
func look(ctx context.Context, o *Options, k float64, ear func(context.Context) error) (moves []move, seen []card.Sighting, err error) {
	var telling sync.Mutex
	done := 0. // seconds, of all stretches
	tell := func(seconds float64) {
		telling.Lock()
		defer telling.Unlock()
		done += seconds
		o.Progress.Tell("scan", int(done), int(o.Clip.Duration))
	}
	// A stretch's own, in its order; stretches are put together at the end.
	var moved []*[]move
	var shown []*[]card.Sighting
	var cards readers
	defer cards.close()
	err = o.Look(ctx, ear,
		pipeline.Look{Side: motionSide, Rate: motionRate / k, Begin: func(from, _ float64) func(*pipeline.Frame) error {
			var m motion
			out, last := new([]move), from
			moved = append(moved, out)
			return func(f *pipeline.Frame) error {
				e := m.next(f)
				if f.PTS < from {
					return nil
				}
				tell(f.PTS - last)
				last = f.PTS
				*out = append(*out, move{f.PTS, e})
				return nil
			}
		}},
		pipeline.Look{Side: card.Side, Rate: card.Rate, Begin: func(from, _ float64) func(*pipeline.Frame) error {
			out := new([]card.Sighting)
			shown = append(shown, out)
			return func(f *pipeline.Frame) error {
				if f.PTS < from {
					return nil
				}
				ids, err := cards.read(f)
				for _, id := range ids {
					*out = append(*out, card.Sighting{T: f.PTS, ID: id})
				}
				return err
			}
		}})
	for i := range moved {
		moves, seen = append(moves, *moved[i]...), append(seen, *shown[i]...)
	}
	return moves, seen, err
}

// readers are as many as read at once, not as many as there are stretches.
type readers struct {
	sync.Mutex
	free []*card.Reader
}

func (r *readers) read(f *pipeline.Frame) ([]string, error) {
	r.Lock()
	if len(r.free) == 0 {
		r.free = append(r.free, card.NewReader())
	}
	n := len(r.free) - 1
	one := r.free[n]
	r.free = r.free[:n]
	r.Unlock()
	defer func() {
		r.Lock()
		defer r.Unlock()
		r.free = append(r.free, one)
	}()
	return one.Read(f)
}

// close frees them; none may be reading.
func (r *readers) close() {
	for _, one := range r.free {
		one.Close()
	}
}

// listen gives the times of the sharp sounds.
func listen(ctx context.Context, o *Options) (cracks []float64, err error) {
	var held []float32 // what of the last piece is heard once more
	err = o.Sound(ctx, soundRate, soundPiece, func(samples []float32, start float64) error {
		n := len(held)
		all := append(held, samples...)
		// Half of what is heard twice counts here, half there.
		from, to := start-float64(n)/soundRate/2, start+float64(len(samples))/soundRate
		if len(samples) == soundPiece {
			to -= float64(soundLap) / soundRate / 2
		}
		for _, on := range sound.Onsets(all, soundRate, start-float64(n)/soundRate) {
			if on.T >= from && on.T < to {
				cracks = append(cracks, on.T)
			}
		}
		held = slices.Clone(all[max(0, len(all)-soundLap):])
		return nil
	})
	slices.Sort(cracks)
	return cracks, err
}

// BurstDoubt is how far, in seconds of capture time, a burst may be from its
// hardest moment.
const BurstDoubt = smoothing

// In seconds of capture time.
const (
	smoothing = .17 // what lasts less is no swing: three pictures
	around    = 5.  // before and after: what is usual
	near      = .35 // of a crack in which its swing's motion is
	together  = 3.  // bursts no farther apart are one candidate
	longest   = 6.  // from its first burst to its last
	room      = 3.  // before the first and after the last
	// Fifteen rendered swings had 3 to 20 times the least stillness, in clips
	// whose usual motion was below it.
	burstOver = 2.2 // a burst has so many times the usual motion
	crackOver = 1.5 // and with a crack
	stillness = .03 // less motion than this is none: what is usual is at least this
)

// burst is a place of much motion.
type burst struct {
	t, over float64
	heard   bool
}

// candidates are the bursts with room around them.
func candidates(moves []move, cracks []float64, k, duration float64) []Candidate {
	var out []Candidate
	last := math.Inf(-1) // last burst of the candidate before
	all := bursts(moves, cracks, k)
	for _, g := range groups(lead(all, k), k) {
		from, to := g[0].t, g[len(g)-1].t
		c := Candidate{From: math.Max(0, from-room*k), To: math.Min(duration, to+room*k)}
		for _, b := range g {
			c.Heard = c.Heard || b.heard
		}
		if n := len(out); n > 0 && c.From < out[n-1].To {
			c.From = (last + from) / 2
			out[n-1].To = c.From
		}
		out, last = append(out, c), to
	}
	// Those that lead left out count, too: a card may part them from the harder
	// one beside them.
	slices.SortStableFunc(all, func(a, b burst) int { return cmp.Compare(b.over, a.over) })
	for i := range out {
		c := &out[i]
		for _, b := range all {
			if b.t >= c.From && b.t <= c.To {
				c.Bursts = append(c.Bursts, b.t)
			}
		}
	}
	return out
}

// groups puts together what belongs together: no gap wider than together, and
// where that makes it longer than longest it is parted at its widest gap.
func groups(bs []burst, k float64) (out [][]burst) {
	var part func(g []burst)
	part = func(g []burst) {
		if len(g) == 0 {
			return
		}
		at, widest := 0, 0.
		for i := 1; i < len(g); i++ {
			if d := g[i].t - g[i-1].t; d > widest {
				at, widest = i, d
			}
		}
		if widest > together*k || g[len(g)-1].t-g[0].t > longest*k {
			part(g[:at])
			part(g[at:])
			return
		}
		out = append(out, g)
	}
	part(bs)
	return out
}

// bursts in order of time.
func bursts(moves []move, cracks []float64, k float64) []burst {
	n := len(moves)
	if n < 3 {
		return nil
	}
	// A picture that jumps, as key frames do, is no swing: the median of the
	// pictures around it doesn't know of it.
	smooth := make([]float64, n)
	var inside usual
	lo, hi := 0, 0
	for i := range moves {
		for ; hi < n && moves[hi].t <= moves[i].t+smoothing*k/2; hi++ {
			inside.add(moves[hi].e)
		}
		for ; moves[lo].t < moves[i].t-smoothing*k/2; lo++ {
			inside.drop(moves[lo].e)
		}
		smooth[i] = inside.median()
	}
	heard := func(t float64) bool {
		i := sort.SearchFloat64s(cracks, t-near)
		return i < len(cracks) && cracks[i] <= t+near
	}
	var out []burst
	var usual usual
	from, to := 0, 0
	for i := range moves {
		for ; to < n && moves[to].t <= moves[i].t+around*k; to++ {
			usual.add(smooth[to])
		}
		for ; moves[from].t < moves[i].t-around*k; from++ {
			usual.drop(smooth[from])
		}
		if i > 0 && smooth[i] < smooth[i-1] || i+1 < n && smooth[i] <= smooth[i+1] {
			continue
		}
		b := burst{t: moves[i].t, over: smooth[i] / math.Max(usual.median(), stillness), heard: heard(moves[i].t)}
		if b.over >= burstOver || b.heard && b.over >= crackOver && smooth[i] >= burstOver*stillness {
			out = append(out, b)
		}
	}
	return out
}

// lead leaves out what is small beside a burst close by: that one's room holds
// it, and it must not move the candidate's ends.
func lead(bs []burst, k float64) (out []burst) {
	for i, b := range bs {
		small := false
		for j := i; j >= 0 && b.t-bs[j].t <= room*k/2; j-- {
			small = small || b.over < bs[j].over/2
		}
		for j := i; j < len(bs) && bs[j].t-b.t <= room*k/2; j++ {
			small = small || b.over < bs[j].over/2
		}
		if !small {
			out = append(out, b)
		}
	}
	return out
}

// usual is a running median.
type usual struct{ sorted []float64 }

func (u *usual) add(v float64) {
	i := sort.SearchFloat64s(u.sorted, v)
	u.sorted = slices.Insert(u.sorted, i, v)
}

func (u *usual) drop(v float64) {
	i := sort.SearchFloat64s(u.sorted, v)
	u.sorted = slices.Delete(u.sorted, i, i+1)
}

func (u *usual) median() float64 {
	if len(u.sorted) == 0 {
		return 0
	}
	return u.sorted[len(u.sorted)/2]
}
