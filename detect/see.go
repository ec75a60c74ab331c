package detect

import (
	"context"
	"fmt"
	"math"
	"sort"
	"sync"

	"tapeline/detect/marker"
	"tapeline/detect/pose"
	"tapeline/pipeline"
)

// Opener gives the frames of the clip from presentation second from to to,
// decoded so that the longer side has at most maxSide pixels. Frames keep
// their index in the whole clip.
type Opener func(ctx context.Context, maxSide int, from, to float64) (pipeline.Source, error)

// Nets finds and reads people for several goroutines at a time; *pose.Nets is one.
type Nets interface {
	Detect(*pipeline.Frame) ([]pose.Person, error)
	DetectNear(f *pipeline.Frame, at pipeline.Point, side float64) ([]pose.Person, error)
	Read(net string, f *pipeline.Frame, r pipeline.Region) (pose.Reading, error)
	Follow(net string, start pipeline.Region) *pose.Follower
	Warm(net string) error
	Models() []pipeline.Model
}

// Qualities of reading the swing.
const (
	Best  = "best"  // the heavy network in the windows
	Quick = "quick" // the full one: four times as fast, and several centimetres wrong at the head near contact
)

// Options of See.
type Options struct {
	Clip     pipeline.Clip
	Given    pipeline.Given
	Nets     Nets
	Open     Opener
	Onsets   []pipeline.Onset
	Quality  string // Best when empty
	Progress pipeline.Progress

	marker *marker.Colour // of the sticker to follow; nil: none was named
}

// net is the network of the windows.
func (o *Options) net() string {
	if o.Quality == Quick {
		return pose.Full
	}
	return pose.Heavy
}

// See reads the clip. Without a batter the error is a *pipeline.Error with
// FaultNoBatter, without a swing one with FaultNoSwing.
func See(ctx context.Context, o Options) (pipeline.Track, error) {
	t := pipeline.Track{Schema: pipeline.TrackSchema, Clip: o.Clip, Given: o.Given, Onsets: o.Onsets,
		Windows: []pipeline.Window{}, Warnings: []pipeline.Warning{}}
	if t.Onsets == nil {
		t.Onsets = []pipeline.Onset{}
	}
	switch o.Quality {
	case "":
		o.Quality = Best
	case Best, Quick:
	default:
		return t, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "see", What: fmt.Sprintf("no quality %q", o.Quality), Hint: "best or quick"}
	}
	if err := o.Given.Fits(o.Clip); err != nil {
		return t, err
	}
	var err error
	if o.marker, err = sticker(ctx, &o); err != nil {
		return t, err
	}
	// The network of the windows is loaded during the scan; what is wrong with
	// it is said when it is wanted.
	var warming sync.WaitGroup
	defer warming.Wait()
	warming.Go(func() {
		var fault error
		defer pipeline.Catch(&fault)
		_ = o.Nets.Warm(o.net())
	})
	s, err := scan(ctx, &o)
	if err != nil {
		return t, err
	}
	t.People = s.atOnce
	if len(s.people) == 0 {
		return t, &pipeline.Error{Fault: pipeline.FaultNoBatter, Step: "see", What: "nobody seen in the clip",
			Hint: "the whole batter must be in view, upright and not too small"}
	}
	bs, maybe, guide, err := choose(s.people, o.Given)
	if err != nil {
		return t, err
	}
	start := func(net string, at pipeline.Region) follower { return o.Nets.Follow(net, at) }
	for _, b := range maybe {
		ok, err := confirm(ctx, &o, start, &b, guide)
		if err != nil {
			return t, err
		}
		if ok {
			bs = append(bs, b)
		}
	}
	bs = merge(bs)
	if len(bs) == 0 {
		return t, &pipeline.Error{Fault: pipeline.FaultNoSwing, Step: "see", What: "no swing in the clip: " + said(s.people),
			Hint: "film from a second before the swing to two seconds after it; of slow motion say --capture"}
	}
	for i, sp := range spans(bs, o.Clip) {
		w, err := window(ctx, &o, start, sp, bs[i], guide, func(done, total int) {
			o.Progress.Tell("pose", i*total+done, len(bs)*total)
		})
		if err != nil {
			return t, err
		}
		if len(w.Frames) > 0 {
			t.Windows = append(t.Windows, w)
		}
	}
	if len(t.Windows) == 0 {
		return t, &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: "see", What: "the swing's pictures can't be decoded"}
	}
	t.Models = o.Nets.Models()
	t.Warnings = append(t.Warnings, warn(&t, s)...)
	return t, nil
}

// sticker is the colour of the marker that was named by its colour or by its
// place in the first picture; nil when none was.
func sticker(ctx context.Context, o *Options) (*marker.Colour, error) {
	bad := func(what string) error {
		return &pipeline.Error{Fault: pipeline.FaultUsage, Step: "see", What: "--marker: " + what, Hint: "a marker has a bright colour, no white, grey or black"}
	}
	if at := o.Given.MarkerAt; at != nil {
		src, err := o.Open(ctx, workMost, 0, math.Inf(1))
		if err != nil {
			return nil, err
		}
		defer src.Close()
		f, err := src.Next()
		if err != nil {
			return nil, err
		}
		c, ok := marker.At(f, *at)
		if !ok {
			return nil, bad(fmt.Sprintf("no bright colour at %g,%g in the first picture", at.X, at.Y))
		}
		return &c, nil
	}
	if o.Given.Marker == "" {
		return nil, nil
	}
	c, ok := marker.Parse(o.Given.Marker)
	if !ok {
		return nil, bad(fmt.Sprintf("%q has no colour", o.Given.Marker))
	}
	return &c, nil
}

// said is how the fastest hands moved, for the line of an error.
func said(ps []*person) string {
	speed, way := 0.0, 0.0
	for _, p := range ps {
		for _, path := range hands(p.samples) {
			if v, w := fastest(path); v > speed {
				speed, way = v, w
			}
		}
	}
	return fmt.Sprintf("hands reach %.1f body heights a second over %.2f, a swing %.1f over %.2f", speed, way, swings.speed, swings.travel)
}

// choose finds the batter's way through the clip, his swings, and bursts that
// might be swings but are not sure; all in order of time.
func choose(ps []*person, g pipeline.Given) (sure, maybe []burst, guide []sample, err error) {
	var all []burst
	for i, p := range ps {
		for _, path := range hands(p.samples) {
			for _, b := range bursts(path, doubts) {
				b.who, b.pts = i, nearest(p.samples, b.t).pts
				all = append(all, b)
			}
		}
	}
	batter := -1
	if g.Batter != nil {
		if batter = pointed(ps, *g.Batter); batter < 0 {
			return nil, nil, nil, &pipeline.Error{Fault: pipeline.FaultNoBatter, Step: "see",
				What: fmt.Sprintf("nobody seen at %.0f,%.0f in the first frames", g.Batter.X, g.Batter.Y), Hint: "point at the middle of the batter's body"}
		}
	} else {
		for _, b := range all {
			if batter < 0 || b.rank() > rankOf(all, batter) {
				batter = b.who
			}
		}
	}
	if batter < 0 {
		return nil, nil, nil, nil
	}
	mine := map[int]bool{batter: true}
	guide = append([]sample(nil), ps[batter].samples...)
	for i, p := range ps {
		if i != batter && continues(ps[batter].samples, p.samples) {
			mine[i] = true
			guide = append(guide, p.samples...)
		}
	}
	sort.SliceStable(guide, func(i, j int) bool { return guide[i].t < guide[j].t })
	for _, b := range all {
		if mine[b.who] && b.speed >= swings.speed && b.travel >= swings.travel {
			sure = append(sure, b)
		}
	}
	sure = merge(sure)
	for _, b := range all {
		if mine[b.who] && !near(sure, b) {
			maybe = append(maybe, b)
		}
	}
	return sure, merge(maybe), guide, nil
}

// rankOf is the highest rank among a person's bursts.
func rankOf(bs []burst, who int) float64 {
	r := 0.0
	for _, b := range bs {
		if b.who == who {
			r = math.Max(r, b.rank())
		}
	}
	return r
}

// pointed is the person nearest to a point in the first frames, -1 if nobody
// is near it.
func pointed(ps []*person, at pipeline.Point) int {
	best, near := -1, math.Inf(1)
	start := math.Inf(1)
	for _, p := range ps {
		start = math.Min(start, p.samples[0].t)
	}
	for i, p := range ps {
		s := p.samples[0]
		if s.t > start+lookAgain+.1 {
			continue
		}
		h := hips(&s.pose)
		if d := math.Hypot(h.X-at.X, h.Y-at.Y) / s.pose.Height(); d < near && d < 1 {
			best, near = i, d
		}
	}
	return best
}

// continues tells whether b is the person of a, lost and found again: at
// another time, in the same place, of the same size.
func continues(a, b []sample) bool {
	const apart, size = .6, 1.35
	if len(a) == 0 || len(b) == 0 {
		return false
	}
	var p, q *sample
	switch {
	case a[len(a)-1].t < b[0].t:
		p, q = &a[len(a)-1], &b[0]
	case b[len(b)-1].t < a[0].t:
		p, q = &b[len(b)-1], &a[0]
	default:
		return false
	}
	hp, hq := p.pose.Height(), q.pose.Height()
	x, y := hips(&p.pose), hips(&q.pose)
	return hp < size*hq && hq < size*hp && math.Hypot(x.X-y.X, x.Y-y.Y) < apart*hp
}

// nearest sample in capture time.
func nearest(ss []sample, t float64) *sample {
	i := sort.Search(len(ss), func(i int) bool { return ss[i].t >= t })
	if i == len(ss) || i > 0 && t-ss[i-1].t < ss[i].t-t {
		i--
	}
	return &ss[i]
}
