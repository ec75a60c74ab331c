package pose

import (
	"math"
	"slices"

	"tapeline/pipeline"
)

// Limits of following. Lengths are shares of the region's side: for somebody
// who stands the side is about 1.3 body heights, some 2.4 m for an adult.
const (
	firstReads = 3 // the first frame, each time on the region the last read gave

	// Somebody else is suspected when the region's centre moves further in
	// one step than noise and shake (base) plus a sprint (6 m/s: rate) allow.
	jumpBase = .12
	jumpRate = 2.5 // a second
	jumpMost = .45 // however long the gap: another person stands no nearer than about a metre

	// The region's side grows and shrinks with the posture, not at once.
	growBase = .25
	growRate = 1.5 // a second
	growMost = .6

	patience   = .5 // seconds nobody may be seen before the track is lost
	nearSquare = 2. // side of the square the detector searches, in regions

	// Left and right: see repair.
	swapGain = .06 // of the body height, for knees and for ankles
	swapGap  = .05 // seconds; over a longer gap legs may have crossed truly

	// Bones: a length in world metres this many times its running median (or
	// that part of it) marks what hangs on it.
	boneFactor = 1.6
	boneKeep   = 31 // readings in the median
	boneMin    = 8  // before it is trusted
	boneDoubt  = .5 // the marked joints' scores are multiplied by this
)

// reads is what following needs of the networks.
type reads interface {
	ReadJittered(net string, f *pipeline.Frame, r pipeline.Region, count int) (Reading, error)
	DetectNear(f *pipeline.Frame, at pipeline.Point, side float64) ([]Person, error)
}

// Follower follows one person through the frames of a clip, in order; frames
// may be left out. Net and Crops may be changed between steps.
type Follower struct {
	Net   string // Full or Heavy
	Crops int    // regions a frame as in ReadJittered; below 2 is one

	nets    reads
	next    pipeline.Region // where to look
	last    *pipeline.Pose  // as given out
	seen    float64         // PTS of last
	vx, vy  float64         // of the region's centre, pixels a second
	swapped bool
	bones   [len(bones)][]float64
	begun   bool
	lost    bool
}

// Follow starts following the person in the region, which Detect or an earlier
// Read gave.
func (n *Nets) Follow(net string, start pipeline.Region) *Follower {
	return &Follower{Net: net, nets: n, next: start}
}

// Lost is true once nobody was seen for half a second of presentation time;
// from then on Step gives nothing.
func (w *Follower) Lost() bool { return w.lost }

// Region is where the person is expected in the next frame, full-size pixels.
func (w *Follower) Region() pipeline.Region { return w.next }

// Glance is a first look at a frame, in a goroutine of its own, in the region
// where the person was expected when it began.
type Glance struct {
	of   *Follower
	at   pipeline.Region // where it looks
	done chan struct{}
	p    *Reading
	err  error
}

// Wait waits until the frame is no longer looked at; nil has nothing to wait for.
func (g *Glance) Wait() {
	if g != nil {
		<-g.done
	}
}

// Glance begins to look at a frame before the one before it was stepped
// through, so that two are read at once; nil while nothing is known of the
// person. The region comes from the last frame stepped through, whatever the
// goroutines do, so that results don't depend on them. The frame must not be
// changed until Wait returns.
func (w *Follower) Glance(f *pipeline.Frame) *Glance {
	if !w.begun || w.lost {
		return nil
	}
	g := &Glance{of: w, at: w.next, done: make(chan struct{})}
	net, crops := w.Net, w.Crops // w may change before it is read
	go func() {
		defer close(g.done)
		defer pipeline.Catch(&g.err)
		g.p, g.err = w.read(net, crops, f, g.at)
	}()
	return g
}

// Step reads the person in the frame; nil when they can't be seen in it or
// only somebody else can. Joints are full-size pixels, raw but for exchanged
// sides (Swapped); the scores of joints on a bone of unlikely length are
// halved. A glance at the same frame spares the first look; nil is none, and
// so is another follower's.
func (w *Follower) Step(f *pipeline.Frame, g *Glance) (*pipeline.Pose, error) {
	g.Wait()
	if w.lost {
		return nil, nil
	}
	var r *Reading
	var err error
	if !w.begun {
		r, err = w.first(f)
	} else {
		r, err = w.again(f, g)
	}
	if err != nil {
		return nil, err
	}
	if r == nil {
		w.lost = !w.begun || f.PTS-w.seen > patience
		return nil, nil
	}
	w.accept(f, r)
	return w.last, nil
}

// first settles on the person: the detector's region often cuts off the feet.
func (w *Follower) first(f *pipeline.Frame) (*Reading, error) {
	r := w.next
	for range firstReads - 1 {
		p, err := w.nets.ReadJittered(w.Net, f, r, 1)
		if err != nil {
			return nil, err
		}
		if !(p.Score >= LostScore) || !sane(p.Next) {
			return nil, nil
		}
		r = p.Next
	}
	return w.look(f, r, nil)
}

// again takes what the glance found, or looks where the last reading pointed,
// then where the last speed points, then at whom the detector sees around there.
func (w *Follower) again(f *pipeline.Frame, g *Glance) (*Reading, error) {
	dt := max(f.PTS-w.seen, 0)
	ok := func(r pipeline.Region) bool { return w.near(r, dt) }
	if g != nil && g.of == w {
		if g.err != nil {
			return nil, g.err
		}
		if g.p != nil && ok(g.p.Next) {
			return g.p, nil
		}
	}
	var p *Reading
	var err error
	if g == nil || g.of != w || g.at != w.next { // else it would find the same
		if p, err = w.look(f, w.next, ok); p != nil || err != nil {
			return p, err
		}
	}
	moved := w.next
	moved.CX, moved.CY = moved.CX+w.vx*dt, moved.CY+w.vy*dt
	if p, err = w.look(f, moved, ok); p != nil || err != nil {
		return p, err
	}
	people, err := w.nets.DetectNear(f, pipeline.Point{X: moved.CX, Y: moved.CY}, nearSquare*moved.Size)
	if err != nil {
		return nil, err
	}
	away := func(p Person) float64 { return math.Hypot(p.Region.CX-w.next.CX, p.Region.CY-w.next.CY) }
	slices.SortStableFunc(people, func(a, b Person) int {
		if away(a) < away(b) {
			return -1
		}
		return 1
	})
	for _, c := range people {
		if !ok(c.Region) {
			continue
		}
		if p, err = w.look(f, c.Region, ok); p != nil || err != nil {
			return p, err
		}
	}
	return nil, nil
}

// look reads one region; nil when nobody is in it or the body found is not
// the one followed.
func (w *Follower) look(f *pipeline.Frame, r pipeline.Region, ok func(pipeline.Region) bool) (*Reading, error) {
	p, err := w.read(w.Net, w.Crops, f, r)
	if err != nil || p == nil || ok != nil && !ok(p.Next) {
		return nil, err
	}
	return p, nil
}

// read reads one region; nil when nobody is in it.
func (w *Follower) read(net string, crops int, f *pipeline.Frame, r pipeline.Region) (*Reading, error) {
	if !sane(r) {
		return nil, nil
	}
	p, err := w.nets.ReadJittered(net, f, r, max(crops, 1))
	if err != nil || !(p.Score >= LostScore) || !sane(p.Next) {
		return nil, err
	}
	return &p, nil
}

// near tells whether the region can hold the same person dt seconds later.
func (w *Follower) near(r pipeline.Region, dt float64) bool {
	from := w.next
	stay := math.Hypot(r.CX-from.CX, r.CY-from.CY)
	keep := math.Hypot(r.CX-from.CX-w.vx*dt, r.CY-from.CY-w.vy*dt)
	if min(stay, keep) > min(jumpBase+jumpRate*dt, jumpMost)*from.Size {
		return false
	}
	grow := 1 + min(growBase+growRate*dt, growMost)
	return r.Size < from.Size*grow && r.Size > from.Size/grow
}

func (w *Follower) accept(f *pipeline.Frame, r *Reading) {
	p, dt := r.Pose, f.PTS-w.seen
	if w.begun && dt > 0 {
		// Half old, half new: one shaken frame is no speed.
		w.vx = (w.vx + (r.Next.CX-w.next.CX)/dt) / 2
		w.vy = (w.vy + (r.Next.CY-w.next.CY)/dt) / 2
	}
	w.repair(&p, dt)
	w.watch(&p)
	w.next, w.last, w.seen, w.begun = r.Next, &p, f.PTS, true
}

// pairs are the joints that exist twice, left first.
var pairs = [][2]int{
	{pipeline.LeftEyeInner, pipeline.RightEyeInner}, {pipeline.LeftEye, pipeline.RightEye}, {pipeline.LeftEyeOuter, pipeline.RightEyeOuter},
	{pipeline.LeftEar, pipeline.RightEar}, {pipeline.MouthLeft, pipeline.MouthRight},
	{pipeline.LeftShoulder, pipeline.RightShoulder}, {pipeline.LeftElbow, pipeline.RightElbow}, {pipeline.LeftWrist, pipeline.RightWrist},
	{pipeline.LeftPinky, pipeline.RightPinky}, {pipeline.LeftIndex, pipeline.RightIndex}, {pipeline.LeftThumb, pipeline.RightThumb},
	{pipeline.LeftHip, pipeline.RightHip}, {pipeline.LeftKnee, pipeline.RightKnee}, {pipeline.LeftAnkle, pipeline.RightAnkle},
	{pipeline.LeftHeel, pipeline.RightHeel}, {pipeline.LeftToe, pipeline.RightToe},
}

func exchange(p *pipeline.Pose) {
	for _, q := range pairs {
		p.Joints[q[0]], p.Joints[q[1]] = p.Joints[q[1]], p.Joints[q[0]]
		p.World[q[0]], p.World[q[1]] = p.World[q[1]], p.World[q[0]]
		if p.Spread != nil {
			p.Spread[q[0]], p.Spread[q[1]] = p.Spread[q[1]], p.Spread[q[0]]
		}
	}
}

// repair undoes exchanges of left and right, which a batter seen from behind
// provokes: the sides turn over when that is nearer to the frame before by
// more than swapGain for the knees and for the ankles at once, and stay turned
// until the same happens the other way. Shoulders and hips have no say: they
// cross truly when the body turns.
func (w *Follower) repair(p *pipeline.Pose, dt float64) {
	if w.last == nil || dt <= 0 || dt > swapGap {
		w.swapped = false
		return
	}
	if w.swapped {
		exchange(p)
	}
	// The region is a circle around the hips that holds the body, with
	// regionGrowth of room: its side is about 1.25 × 1.06 body heights.
	margin := swapGain * w.next.Size / 1.3
	if w.gain(p, pipeline.LeftKnee, pipeline.RightKnee) > margin && w.gain(p, pipeline.LeftAnkle, pipeline.RightAnkle) > margin {
		exchange(p)
		w.swapped = !w.swapped
	}
	p.Swapped = w.swapped
}

// gain is how much nearer to the last pose a pair comes when exchanged.
func (w *Follower) gain(p *pipeline.Pose, left, right int) float64 {
	d := func(a, b int) float64 {
		return math.Hypot(p.Joints[a].X-w.last.Joints[b].X, p.Joints[a].Y-w.last.Joints[b].Y)
	}
	return d(left, left) + d(right, right) - d(left, right) - d(right, left)
}

// bones are watched; marked is what a bone of unlikely length makes doubtful.
var bones = [...]struct {
	a, b   int
	marked []int
}{
	{pipeline.LeftShoulder, pipeline.LeftHip, []int{pipeline.LeftShoulder, pipeline.LeftHip}},
	{pipeline.RightShoulder, pipeline.RightHip, []int{pipeline.RightShoulder, pipeline.RightHip}},
	{pipeline.LeftShoulder, pipeline.LeftElbow, []int{pipeline.LeftElbow}},
	{pipeline.RightShoulder, pipeline.RightElbow, []int{pipeline.RightElbow}},
	{pipeline.LeftElbow, pipeline.LeftWrist, []int{pipeline.LeftWrist, pipeline.LeftPinky, pipeline.LeftIndex, pipeline.LeftThumb}},
	{pipeline.RightElbow, pipeline.RightWrist, []int{pipeline.RightWrist, pipeline.RightPinky, pipeline.RightIndex, pipeline.RightThumb}},
	{pipeline.LeftHip, pipeline.LeftKnee, []int{pipeline.LeftKnee}},
	{pipeline.RightHip, pipeline.RightKnee, []int{pipeline.RightKnee}},
	{pipeline.LeftKnee, pipeline.LeftAnkle, []int{pipeline.LeftAnkle, pipeline.LeftHeel, pipeline.LeftToe}},
	{pipeline.RightKnee, pipeline.RightAnkle, []int{pipeline.RightAnkle, pipeline.RightHeel, pipeline.RightToe}},
}

// watch names the joints whose bone suddenly has another length, and lowers
// their scores.
func (w *Follower) watch(p *pipeline.Pose) {
	doubt := [pipeline.NumJoints]bool{}
	for k, b := range bones {
		u, v := p.World[b.a], p.World[b.b]
		l := math.Sqrt((u.X-v.X)*(u.X-v.X) + (u.Y-v.Y)*(u.Y-v.Y) + (u.Z-v.Z)*(u.Z-v.Z))
		if len(w.bones[k]) >= boneMin {
			m := median(slices.Clone(w.bones[k]))
			if l > m*boneFactor || l < m/boneFactor {
				for _, j := range b.marked {
					doubt[j] = true
				}
			}
		}
		// Odd lengths count too: the median bears them, and a wrong start heals.
		w.bones[k] = append(w.bones[k], l)
		if len(w.bones[k]) > boneKeep {
			w.bones[k] = w.bones[k][1:]
		}
	}
	for j, bad := range doubt {
		if bad {
			p.Joints[j].Score *= boneDoubt
			p.Odd = append(p.Odd, j)
		}
	}
}
