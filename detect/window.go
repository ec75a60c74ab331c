package detect

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"

	"tapeline/detect/bat"
	"tapeline/detect/camera"
	"tapeline/detect/head"
	"tapeline/detect/marker"
	"tapeline/detect/plate"
	"tapeline/detect/pose"
	"tapeline/pipeline"
)

const (
	workSide    = 1280 // longer side of the picture in a window, pixels
	workMost    = 1920 // of a batter so small that he needs it
	regionSide  = 320  // region pixels the network (256) should have to look at
	poseRate    = 60.  // readings a second of capture time
	burstRate   = 120. // within burstSpan seconds of the burst
	burstSpan   = .25
	confirmSpan = .6  // seconds before and after a doubtful burst
	followRate  = 60. // frames a second followed in the pixels, where the hands are slow;
	followSpan  = .3  // every one within so many seconds of the burst
	strayed     = .3  // hips this far from the scan's are somebody else, body heights
	scanNear    = .1  // seconds within which the scan's reading says where the batter is
)

// window reads every frame of a span: the batter where the scan saw him, the
// camera, the energy and the head.
func window(ctx context.Context, o *Options, start starter, sp span, b burst, guide []sample, tell func(done, total int)) (w pipeline.Window, err error) {
	w = pipeline.Window{From: sp.from, To: sp.to, Burst: b.pts, HandSpeed: b.speed, HandTravel: b.travel, Frames: []pipeline.Seen{}}
	src, err := o.Open(ctx, side(o.Clip, nearest(guide, b.t)), sp.from, sp.to)
	if err != nil {
		return w, err
	}
	if s, ok := src.(pipeline.Sparse); ok && o.marker == nil && len(o.Clip.PTS) > 0 {
		s.Pick(wanted(o.Clip, sp, b))
	}
	ctx, cancel := context.WithCancel(ctx)
	ahead := pipeline.ReadAhead(src, windowAhead)
	poses := readPoses(ctx, o, ahead, &reader{net: o.net(), guide: guide, start: start}, sp, b)
	defer func() { // the reader first, then its frames
		cancel()
		for p := range poses {
			if p.f != nil {
				ahead.Free(p.f)
			}
		}
		err = errors.Join(err, ahead.Close())
	}()
	tr := pipeline.Tracing(ctx)
	grey, cam, balls := camera.NewGrey(), camera.New(), bat.NewBalls()
	defer grey.Close()
	defer cam.Close()
	defer balls.Close()
	ground := plate.New(sp.from, sp.to)
	meter := bat.NewMeter()
	defer meter.Close()
	skull := head.New()
	defer skull.Close()
	var spot *marker.Follower
	if o.marker != nil {
		spot = marker.New(*o.marker)
	}
	total := 0
	for _, p := range o.Clip.PTS {
		if p >= sp.from && p <= sp.to {
			total++
		}
	}
	keyed := false
	between := 0 // frames since the last that was followed
	for {
		p, ok := <-poses
		if err := ctx.Err(); err != nil {
			return w, err
		}
		if !ok || errors.Is(p.err, io.EOF) {
			for i := len(w.Frames) - between; i < len(w.Frames) && i > 0; i++ { // nothing followed them
				w.Frames[i].Camera = w.Frames[i-1].Camera
				w.Frames[i].Camera.OK = false
			}
			balls.Place(w.Frames)
			w.Plate, err = ground.Find()
			return w, err
		}
		if p.err != nil {
			return w, p.err
		}
		f, t := p.f, p.t
		s := pipeline.Seen{Index: f.Index, PTS: f.PTS, Pose: p.pose}
		// Frames passed over are filled in once it is known what lies on both
		// sides.
		if n := len(w.Frames); n > 0 {
			for i := w.Frames[n-1].Index + 1; i < f.Index && i < len(o.Clip.PTS); i++ {
				w.Frames = append(w.Frames, pipeline.Seen{Index: i, PTS: o.Clip.PTS[i]})
				between++
			}
		}
		if !p.followed && spot == nil {
			ahead.Free(f)
			w.Frames = append(w.Frames, s)
			between++
			continue
		}
		span := tr.Begin(traceLane, "camera")
		if err := grey.Take(f); err != nil {
			return w, err
		}
		if s.Camera, err = cam.Step(grey, s.Pose); err != nil {
			return w, err
		}
		if s.Camera.OK && !keyed {
			keyed, w.Key = true, f.Index
		}
		span.End()
		span = tr.Begin(traceLane, "plate")
		ground.Step(f, &s)
		span.End()
		span = tr.Begin(traceLane, "energy")
		if s.Energy, s.EnergyBat, err = meter.Step(grey, cam.Between(), s.Pose); err != nil {
			return w, err
		}
		s.BatAt = meter.At()
		span.End()
		if math.Abs(t-b.t) <= burstSpan {
			span = tr.Begin(traceLane, "ball")
			if err = balls.Step(grey, cam.Between(), &s, t); err != nil {
				return w, err
			}
			span.End()
		}
		span = tr.Begin(traceLane, "head")
		if s.Head, err = skull.Step(grey, cam.Between(), s.Pose, t); err != nil {
			return w, err
		}
		if spot != nil {
			s.Marker = spot.Step(f, s.Pose, s.Head, t)
		}
		span.End()
		ahead.Free(f)
		w.Frames = append(w.Frames, s)
		share(w.Frames[max(0, len(w.Frames)-2-between):])
		between = 0
		tell(len(w.Frames), max(total, len(w.Frames)))
	}
}

// share spreads what was followed from the first of some frames to the last
// evenly over those between, which were passed over: they are a fraction of a
// hundredth of a second apart.
func share(fs []pipeline.Seen) {
	n := len(fs) - 1
	if n < 2 {
		return
	}
	from, to := fs[0].Camera, &fs[n]
	k := 1 / float64(n)
	to.Energy, to.EnergyBat = k*to.Energy, k*to.EnergyBat
	to.Head.DX, to.Head.DY, to.Head.Rot = k*to.Head.DX, k*to.Head.DY, k*to.Head.Rot
	head := to.Head
	for i := 1; i <= n; i++ {
		f, u := &fs[i], k*float64(i)
		f.Head = head
		// The way began at the place where the corners were in the first frame.
		f.Head.CX, f.Head.CY = head.CX+float64(i-1)*head.DX, head.CY+float64(i-1)*head.DY
		if i == n {
			break
		}
		f.Energy, f.EnergyBat = to.Energy, to.EnergyBat
		mid := func(a, b float64) float64 { return a + u*(b-a) }
		c := to.Camera
		c.A, c.B, c.TX, c.TY = mid(from.A, c.A), mid(from.B, c.B), mid(from.TX, c.TX), mid(from.TY, c.TY)
		c.GX, c.GY = mid(from.GX, c.GX), mid(from.GY, c.GY)
		c.OK = c.OK && from.OK
		f.Camera = c
	}
}

// windowAhead is how many frames of a window are in memory: some decoded ahead,
// a turn and the first of the next, one in which the rest is followed.
const windowAhead = turnMost + 4 // at least turnMost + 2: a full turn waits for one more, and one may be lost on the way out

const traceLane = "see"

// pace says which frames of a window are read for a pose and which are followed
// in the pixels: by their times alone.
type pace struct{ burst, looked, followed float64 }

func newPace(b burst) *pace { return &pace{b.t, math.Inf(-1), math.Inf(-1)} }

// at decides on the next frame, at capture second t.
func (p *pace) at(t float64) (look, follow bool) {
	if look = t-p.looked >= .9/rateAt(t-p.burst); look {
		p.looked = t
	}
	if follow = look || math.Abs(t-p.burst) <= followSpan || t-p.followed >= .9/followRate; follow {
		p.followed = t
	}
	return look, follow
}

// wanted are the frames of a window that anything is done with.
func wanted(c pipeline.Clip, sp span, b burst) (frames []int) {
	pace, last := newPace(b), -1
	for i, pts := range c.PTS {
		if pts < sp.from-1e-6 || pts > sp.to+1e-6 {
			continue
		}
		if _, follow := pace.at(c.Capture(pts)); follow {
			frames = append(frames, i)
		}
		last = i
	}
	if n := len(frames); n > 0 && frames[n-1] < last { // where it ends is told by the last one
		frames = append(frames, last)
	}
	return frames
}

// posed is a frame with the pose read in it, nil where none was.
type posed struct {
	f    *pipeline.Frame
	t    float64 // capture seconds
	pose *pipeline.Pose
	err  error // the last one has it

	looked   bool // for a pose
	followed bool // in the pixels
}

// readPoses reads the poses of a span's frames in a goroutine of its own: what
// is followed in the pixels needs them, but not the other way round. The
// channel is closed at the end, or when ctx is.
func readPoses(ctx context.Context, o *Options, ahead *pipeline.Ahead, r *reader, sp span, b burst) <-chan posed {
	out := make(chan posed, windowAhead)
	go func() {
		defer close(out)
		var fault error
		defer func() {
			if fault != nil {
				out <- posed{err: fault}
			}
		}()
		defer pipeline.Catch(&fault)
		var was, next turn
		known := math.Inf(-1) // capture second of the last frame stepped through
		defer func() {
			was.glance.Wait()
			next.glance.Wait()
		}()
		pass := func() error {
			if len(was.frames) == 0 {
				return nil
			}
			var err error
			if p := &was.frames[0]; p.looked {
				if p.pose, err = r.read(p.f, p.t, was.glance); err != nil {
					return err
				}
				known = p.t
			}
			for _, p := range was.frames {
				out <- p
			}
			was = turn{frames: was.frames[:0]}
			return nil
		}
		for pace := newPace(b); ctx.Err() == nil; {
			f, err := ahead.Next()
			if err != nil {
				if fault = pass(); fault == nil {
					fault = err
				}
				return
			}
			if f.PTS < sp.from-1e-6 || f.PTS > sp.to+1e-6 {
				ahead.Free(f)
				continue
			}
			p := posed{f: f, t: o.Clip.Capture(f.PTS)}
			if p.looked, p.followed = pace.at(p.t); p.looked && p.t-known <= glanceMost {
				next.glance = r.glance(f, p.t)
			}
			if p.looked || len(was.frames) == turnMost {
				if fault = pass(); fault != nil {
					return
				}
				was.glance, next.glance = next.glance, nil
			}
			was.frames = append(was.frames, p)
		}
	}()
	return out
}

// turn is a frame in which a pose is read and those before the next such, which
// wait for it; those that are too many for it are turns of their own, in which
// nothing is read. The next one that is read is glanced at meanwhile.
type turn struct {
	frames []posed
	glance *pose.Glance // at the first
}

// glanceMost is how old the region of a glance may be, seconds: as old as in a
// clip of 30 frames a second it always is.
const glanceMost = 1.05 / 30

// turnMost is the most frames in a turn: one looked at in a clip of 240 frames a
// second and those between. Of more frames a second, and far from the burst,
// fewer are read two at a time.
const turnMost = 4

// confirm reads the hands around a doubtful burst with the heavy network, every
// frame up to poseRate, and says whether they make it a swing; the burst then
// has what they say.
func confirm(ctx context.Context, o *Options, start starter, b *burst, guide []sample) (bool, error) {
	k := max(o.Clip.TimeFactor, 0)
	if k == 0 {
		k = 1
	}
	src, err := o.Open(ctx, side(o.Clip, nearest(guide, b.t)), math.Max(0, b.pts-confirmSpan*k), b.pts+confirmSpan*k)
	if err != nil {
		return false, err
	}
	ahead := pipeline.ReadAhead(src, framesAhead)
	defer ahead.Close()
	r := reader{net: pose.Heavy, guide: guide, start: start}
	var ss []sample
	for last := math.Inf(-1); ; {
		if err := ctx.Err(); err != nil {
			return false, err
		}
		f, err := ahead.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return false, err
		}
		if t := o.Clip.Capture(f.PTS); t-last >= .9/poseRate {
			last = t
			p, err := r.read(f, t, nil)
			if err != nil {
				return false, err
			}
			if p != nil {
				ss = append(ss, sample{t: t, pts: f.PTS, frame: f.Index, pose: *p})
			}
		}
		ahead.Free(f)
	}
	found := false
	for _, path := range hands(ss) {
		for _, c := range bursts(path, swings) {
			if !found || c.rank() > b.rank() {
				found = true
				c.pts, c.who = nearest(ss, c.t).pts, b.who
				*b = c
			}
		}
	}
	return found, nil
}

// rateAt is how many poses a second are read dt seconds from the burst.
func rateAt(dt float64) float64 {
	if math.Abs(dt) <= burstSpan {
		return burstRate
	}
	return poseRate
}

// side is the longer side a window is decoded at: a small batter gets more.
func side(c pipeline.Clip, s *sample) int {
	long := float64(max(c.Width, c.Height))
	if s.pose.Region.Size <= 0 {
		return workSide
	}
	need := regionSide * long / s.pose.Region.Size
	return int(math.Round(math.Min(workMost, math.Max(workSide, need))))
}

// follower is one person followed; *pose.Follower is one.
type follower interface {
	Glance(*pipeline.Frame) *pose.Glance
	Step(*pipeline.Frame, *pose.Glance) (*pipeline.Pose, error)
	Lost() bool
}

// starter begins to follow whoever is in a region.
type starter func(net string, r pipeline.Region) follower

// reader reads one person, checked against where the scan saw him.
type reader struct {
	start starter
	net   string
	guide []sample
	f     follower
}

// glance begins to look at a frame that read comes to later; nil when nobody is followed.
func (r *reader) glance(f *pipeline.Frame, t float64) *pose.Glance {
	if r.f == nil || r.f.Lost() {
		return nil
	}
	now := *f
	now.PTS = t
	return r.f.Glance(&now)
}

// read is the pose in the next frame at capture second t, nil when nobody
// could be read; glance was one at that frame, or is nil.
func (r *reader) read(f *pipeline.Frame, t float64, glance *pose.Glance) (*pipeline.Pose, error) {
	// The frame goes on once this returns, also where who glanced at it is lost.
	glance.Wait()
	// A follower's limits are speeds: its clock must be capture time.
	now := *f
	now.PTS = t
	g := nearest(r.guide, t)
	near := math.Abs(g.t-t) <= scanNear
	if r.f != nil && !r.f.Lost() {
		p, err := r.f.Step(&now, glance)
		if err != nil {
			return nil, err
		}
		if p != nil && (!near || agrees(p, &g.pose)) {
			return p, nil
		}
	}
	if !near {
		return nil, nil
	}
	// In strong blur the heavy network fails before the full one.
	for _, net := range slices.Compact([]string{r.net, pose.Full}) {
		fresh := r.start(net, g.next)
		p, err := fresh.Step(&now, nil)
		if err != nil {
			return nil, err
		}
		if p != nil && agrees(p, &g.pose) {
			if net == r.net {
				r.f = fresh
			}
			return p, nil
		}
	}
	return nil, nil
}

// agrees tells whether a pose is the person the scan saw.
func agrees(p, scan *pipeline.Pose) bool {
	a, b := hips(p), hips(scan)
	h, hp := scan.Height(), p.Height()
	return math.Hypot(a.X-b.X, a.Y-b.Y) <= strayed*h && hp < 1.6*h && h < 1.6*hp
}
