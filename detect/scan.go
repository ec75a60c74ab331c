package detect

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"sync"

	"tapeline/detect/pose"
	"tapeline/pipeline"
)

const (
	scanSide   = 960 // longer side of the picture in the scan, pixels
	scanRate   = 30. // frames a second of capture time
	most       = 4   // people followed at once
	lookAgain  = .5  // seconds between looks for more people
	tilesAgain = 1.  // seconds between looks with enlarged tiles
	giveUp     = 5   // samples in a row without the person
	comeBack   = 1.  // seconds within which somebody found near where one was lost is the same

	framesAhead = 3 // decoded while the networks run
)

// person is somebody followed in the scan.
type person struct {
	samples []sample
	region  pipeline.Region // where to look next
	misses  int
	active  bool
}

func (p *person) last() *sample { return &p.samples[len(p.samples)-1] }

// scanned is what the scan leaves.
type scanned struct {
	people []*person
	atOnce int       // most people at once
	luma   []float64 // mean grey level of each frame looked at
	again  float64   // when to look for more people next, capture seconds
	tiles  float64   // and when with enlarged tiles
}

// scan follows the people of the clip. Positions are full-size pixels.
func scan(ctx context.Context, o *Options) (*scanned, error) {
	src, err := o.Open(ctx, scanSide, 0, math.Inf(1))
	if err != nil {
		return nil, err
	}
	if s, ok := src.(pipeline.Sparse); ok {
		s.Apart(.9 / scanRate / o.Clip.Capture(1))
	}
	ahead := pipeline.ReadAhead(src, framesAhead)
	defer ahead.Close()
	s := &scanned{again: math.Inf(-1), tiles: math.Inf(-1)}
	at := func(pts float64) float64 { return o.Clip.Capture(pts) }
	due := math.Inf(-1)
	total := len(o.Clip.PTS)
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f, err := ahead.Next()
		if errors.Is(err, io.EOF) {
			return s, nil
		}
		if err != nil {
			return nil, err
		}
		if t := at(f.PTS); t >= due {
			due = t + .9/scanRate
			o.Progress.Tell("scan", f.Index, max(total, f.Index))
			if err := s.look(o.Nets, f, t); err != nil {
				return nil, err
			}
		}
		ahead.Free(f)
	}
}

// look takes in the next frame looked at, at capture second t.
func (s *scanned) look(nets Nets, f *pipeline.Frame, t float64) error {
	s.luma = append(s.luma, luma(f))
	due := t >= s.again
	var found []pose.Person
	detected := func() (err error) {
		found, err = nets.Detect(f)
		return err
	}
	if err := inTwo(2, func(i int) error {
		switch {
		case i == 0:
			return s.follow(nets, f, t)
		case due:
			return detected()
		}
		return nil
	}); err != nil {
		return err
	}
	active := s.active()
	if !due {
		if active > 0 {
			return nil
		}
		if err := detected(); err != nil {
			return err
		}
	}
	s.again = t + lookAgain
	if t >= s.tiles {
		// The detector looks for one or two people that fill the picture:
		// a batter behind a bystander, or far off, shows in a part of it.
		s.tiles = t + tilesAgain
		parts := []float64{1. / 2}
		if len(found) == 0 && active == 0 {
			parts = append(parts, 1./3)
		}
		more, err := inTiles(nets, f, parts)
		if err != nil {
			return err
		}
		found = append(found, more...)
	}
	for _, d := range found {
		if err := s.meet(nets, f, t, d); err != nil {
			return err
		}
	}
	s.atOnce = max(s.atOnce, s.active())
	return nil
}

func (s *scanned) active() int {
	n := 0
	for _, p := range s.people {
		if p.active {
			n++
		}
	}
	return n
}

// inTwo does n things, two at a time, and returns the error of the first that
// had one.
func inTwo(n int, do func(i int) error) error {
	errs := make([]error, n)
	from := func(i int) {
		for ; i < n; i += 2 {
			if errs[i] = do(i); errs[i] != nil {
				return
			}
		}
	}
	var other sync.WaitGroup
	defer other.Wait() // a panic here, too, must not leave a network running
	if n > 1 {
		other.Go(func() {
			defer pipeline.Catch(&errs[1])
			from(1)
		})
	}
	from(0)
	other.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// follow reads everybody who is followed in the next frame.
func (s *scanned) follow(nets Nets, f *pipeline.Frame, t float64) error {
	var followed []*person
	for _, p := range s.people {
		if p.active {
			followed = append(followed, p)
		}
	}
	read := make([]pose.Reading, len(followed))
	if err := inTwo(len(followed), func(i int) (err error) {
		read[i], err = nets.Read(pose.Full, f, followed[i].region)
		return err
	}); err != nil {
		return err
	}
	for i, p := range followed {
		r := &read[i]
		if r.Score < pose.LostScore || !follows(&p.last().pose, &r.Pose, t-p.last().t) {
			if p.misses++; p.misses >= giveUp {
				p.active = false
			}
			continue
		}
		p.misses = 0
		p.samples = append(p.samples, sample{t, f.PTS, f.Index, r.Pose, r.Next})
		p.region = r.Next
	}
	// Two regions that slid onto one person: the one followed longer stays.
	for i, p := range s.people {
		for _, q := range s.people[:i] {
			if p.active && q.active && p.misses == 0 && q.misses == 0 && same(&p.last().pose, &q.last().pose) {
				if len(q.samples) < len(p.samples) {
					p, q = q, p
				}
				p.active = false
			}
		}
	}
	return nil
}

// meet takes up a person the detector saw, unless followed already.
func (s *scanned) meet(nets Nets, f *pipeline.Frame, t float64, d pose.Person) error {
	if s.active() >= most {
		return nil
	}
	for _, p := range s.people {
		if p.active && known(&p.last().pose, d) {
			return nil
		}
	}
	region := d.Region
	var r pose.Reading
	for range 2 { // once more on its own region brings cut-off feet back
		var err error
		if r, err = nets.Read(pose.Full, f, region); err != nil {
			return err
		}
		if r.Score < pose.LostScore {
			return nil
		}
		region = r.Next
	}
	for _, p := range s.people {
		if p.active && same(&p.last().pose, &r.Pose) {
			return nil
		}
	}
	now := sample{t, f.PTS, f.Index, r.Pose, r.Next}
	for _, p := range s.people {
		if !p.active && t-p.last().t <= comeBack && follows(&p.last().pose, &r.Pose, t-p.last().t) {
			p.samples, p.region, p.active, p.misses = append(p.samples, now), r.Next, true, 0
			return nil
		}
	}
	s.people = append(s.people, &person{samples: []sample{now}, region: r.Next, active: true})
	return nil
}

// follows tells whether b, dt seconds later, can be the person of a: neither
// the hips nor the size may jump.
func follows(a, b *pipeline.Pose, dt float64) bool {
	ha, hb := a.Height(), b.Height()
	if ha <= 0 || hb <= 0 || hb > 1.5*ha || ha > 1.5*hb {
		return false
	}
	p, q := hips(a), hips(b)
	return math.Hypot(p.X-q.X, p.Y-q.Y) <= (.25+2.5*math.Min(dt, .2))*ha
}

// same tells whether two poses of one frame are one person.
func same(a, b *pipeline.Pose) bool {
	var d float64
	js := []int{pipeline.LeftShoulder, pipeline.RightShoulder, pipeline.LeftHip, pipeline.RightHip, pipeline.Nose}
	for _, j := range js {
		d += math.Hypot(a.Joints[j].X-b.Joints[j].X, a.Joints[j].Y-b.Joints[j].Y) / float64(len(js))
	}
	return d < .12*math.Max(a.Height(), b.Height())
}

// known tells whether the detector's person is the one of the pose.
func known(p *pipeline.Pose, d pose.Person) bool {
	h := hips(p)
	return math.Hypot(h.X-d.Hips.X, h.Y-d.Hips.Y) < .12*p.Height() &&
		d.Region.Size < 1.5*p.Region.Size && p.Region.Size < 1.5*d.Region.Size
}

func hips(p *pipeline.Pose) pipeline.Point { return p.Mean(pipeline.LeftHip, pipeline.RightHip) }

// inTiles looks for people in overlapping squares of these parts of the
// picture's longer side, one part after the other until somebody is found.
func inTiles(nets Nets, f *pipeline.Frame, parts []float64) ([]pose.Person, error) {
	w, h := float64(f.Width)*f.Scale, float64(f.Height)*f.Scale
	for _, part := range parts {
		side := part * math.Max(w, h)
		var at []pipeline.Point
		for _, y := range centres(h, side) {
			for _, x := range centres(w, side) {
				at = append(at, pipeline.Point{X: x, Y: y})
			}
		}
		seen := make([][]pose.Person, len(at))
		if err := inTwo(len(at), func(i int) (err error) {
			seen[i], err = nets.DetectNear(f, at[i], side)
			return err
		}); err != nil {
			return nil, err
		}
		var out []pose.Person
		for _, d := range slices.Concat(seen...) {
			fresh := true
			for _, o := range out {
				fresh = fresh && math.Hypot(o.Hips.X-d.Hips.X, o.Hips.Y-d.Hips.Y) > .2*d.Region.Size
			}
			if fresh {
				out = append(out, d)
			}
		}
		if len(out) > 0 {
			return out, nil
		}
	}
	return nil, nil
}

// centres are those of tiles of a side that cover a length, half overlapping.
func centres(length, side float64) []float64 {
	if length <= side {
		return []float64{length / 2}
	}
	n := int(math.Ceil((length-side)/(side/2))) + 1
	out := make([]float64, n)
	for i := range out {
		out[i] = side/2 + (length-side)*float64(i)/float64(n-1)
	}
	return out
}

// luma is the mean grey level of a sparse sample of the picture (BT.709).
func luma(f *pipeline.Frame) float64 {
	var sum float64
	n := 0
	for i := 0; i+2 < len(f.Pix); i += 3 * 37 {
		sum += .0722*float64(f.Pix[i]) + .7152*float64(f.Pix[i+1]) + .2126*float64(f.Pix[i+2])
		n++
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}
