package others

import (
	"math"

	"tapeline/pipeline"
)

// Sure is the score from which somebody is there. On frames of a batter alone
// nothing but parts of the batter came near it.
const Sure = .4

// Seconds of capture time.
const (
	gap     = 1.  // somebody missed for so long is still the same where they were
	linger  = .5  // and was there so long before the first sight and after the last
	smooth  = .25 // what is covered holds all sights so long before and after
	overlap = .3  // intersection over union of two sights of somebody
	single  = .5  // the score from which one sight is enough

	// So often, so well and for so long doubted is somebody too.
	doubts   = 4
	doubted  = .3
	doubting = .25
)

// Frame is what was found in one frame. T is capture time, seconds; Camera
// brings places of different frames together.
type Frame struct {
	T      float64
	Camera pipeline.Camera
	Found  []Found
}

// Veil is what must be hidden of somebody in one frame: x0, y0, x1, y1, pixels
// of the frame, already with a margin. Tall is the height of the body it
// belongs to, the same in all its frames.
type Veil struct {
	Box  [4]float64
	Tall float64
}

// track is the sights of one person, boxes in key frame pixels.
type track struct {
	at   []int // frames
	box  [][4]float64
	best float64
}

// margin is how much wider and higher than the box a veil is, on each side, of
// its longer side: the network cuts hair, hands and feet off.
const margin = .15

// Join makes of what was found in frames, in order of time, who is there: what
// scores Sure in one frame is followed through doubtful ones, and where it was
// missed between them; what stays doubtful for long counts too. It gives the veils of each frame; a frame with none
// shows nobody but the batter.
func Join(frames []Frame) [][]Veil {
	var tracks []*track
	for i, f := range frames {
		taken := map[*track]bool{}
		for _, p := range f.Found {
			b := mapped(p.Box, f.Camera.Apply)
			var mine *track
			best := overlap
			for _, t := range tracks {
				last := len(t.at) - 1
				if s := share(b, t.box[last]); !taken[t] && f.T-frames[t.at[last]].T <= gap && s >= best {
					mine, best = t, s
				}
			}
			if mine == nil {
				mine = &track{}
				tracks = append(tracks, mine)
			}
			taken[mine] = true
			mine.at, mine.box, mine.best = append(mine.at, i), append(mine.box, b), math.Max(mine.best, p.Score)
		}
	}
	out := make([][]Veil, len(frames))
	for _, t := range tracks {
		if !t.somebody(frames) {
			continue
		}
		tall := 0.
		for _, b := range t.box {
			tall = math.Max(tall, math.Max(b[3]-b[1], 2*(b[2]-b[0]))) // cut off, they are taller than is seen
		}
		for i, f := range frames {
			if b, ok := t.around(frames, i); ok {
				m := margin * math.Max(b[2]-b[0], b[3]-b[1])
				out[i] = append(out[i], Veil{mapped([4]float64{b[0] - m, b[1] - m, b[2] + m, b[3] + m}, f.Camera.Invert), tall})
			}
		}
	}
	return out
}

// somebody tells whether the sights make a person.
func (t *track) somebody(frames []Frame) bool {
	n := len(t.at)
	return t.best >= single || t.best >= Sure && n > 1 ||
		t.best >= doubted && n >= doubts && frames[t.at[n-1]].T-frames[t.at[0]].T >= doubting
}

// around holds all sights near frame i and, where there is none, those before
// and after it.
func (t *track) around(frames []Frame, i int) (box [4]float64, ok bool) {
	now := frames[i].T
	join := func(b [4]float64) {
		if !ok {
			box, ok = b, true
		}
		box = [4]float64{math.Min(box[0], b[0]), math.Min(box[1], b[1]), math.Max(box[2], b[2]), math.Max(box[3], b[3])}
	}
	before, after := -1, -1
	for k, at := range t.at {
		d := frames[at].T - now
		if math.Abs(d) <= smooth {
			join(t.box[k])
		}
		if d <= 0 {
			before = k
		} else if after < 0 {
			after = k
		}
	}
	if before >= 0 && now-frames[t.at[before]].T <= linger || before >= 0 && after >= 0 {
		join(t.box[before])
	}
	if after >= 0 && (frames[t.at[after]].T-now <= linger || before >= 0) {
		join(t.box[after])
	}
	return box, ok
}

// mapped is the upright box around a box moved by to.
func mapped(b [4]float64, to func(pipeline.Point) pipeline.Point) [4]float64 {
	out := [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range []pipeline.Point{{X: b[0], Y: b[1]}, {X: b[2], Y: b[1]}, {X: b[0], Y: b[3]}, {X: b[2], Y: b[3]}} {
		q := to(p)
		out = [4]float64{math.Min(out[0], q.X), math.Min(out[1], q.Y), math.Max(out[2], q.X), math.Max(out[3], q.Y)}
	}
	return out
}
