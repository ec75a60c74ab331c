package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"tapeline/pipeline"
)

// This file measures what detect/swing/sim/errors.json holds: how far the
// network's raw readings lie from the truth of rendered clips.

// errorPhases are the moments a landmark's error is taken at.
var errorPhases = []string{"stance", "stride", "plant", "swing", "hit", "after"}

// errorGroups of landmarks scatter alike.
var errorGroups = []struct {
	name string
	of   []int
}{
	{"face", []int{0, 1, 2, 3, 4, 5, 6, 9, 10}}, {"ears", []int{7, 8}}, {"shoulders", []int{11, 12}}, {"elbows", []int{13, 14}},
	{"hands", []int{15, 16, 17, 18, 19, 20, 21, 22}}, {"hips", []int{23, 24}}, {"knees", []int{25, 26}}, {"ankles", []int{27, 28}},
	{"heels", []int{29, 30}}, {"toes", []int{31, 32}},
}

// errorNames are the renderer's names of the 33 landmarks: it has one point an
// eye, and no thumb.
var errorNames = strings.Fields(`nose left_eye left_eye left_eye right_eye right_eye right_eye left_ear right_ear left_mouth right_mouth
	left_shoulder right_shoulder left_elbow right_elbow left_wrist right_wrist left_pinky right_pinky left_index right_index left_index right_index
	left_hip right_hip left_knee right_knee left_ankle right_ankle left_heel right_heel left_foot_index right_foot_index`)

// seenTruth is what measuring needs of a truth file beside truth itself.
type seenTruth struct {
	truth
	Focal  float64 `json:"focal_px"`
	Frames []struct {
		T      float64
		Points map[string]struct {
			Px    [2]float64
			XYZ   vec
			Depth float64
		}
		Camera [4][4]float64
	}
}

// clipErrors are one clip's, of a right-handed batter 1.78 m tall: [landmark]
// [frame or phase] of [lateral, down] and [lateral, down, away], cm.
type clipErrors struct {
	view          pipeline.View
	times         []float64
	px            [pipeline.NumJoints][][2]float64
	world         [pipeline.NumJoints][][3]float64
	atPx          [pipeline.NumJoints][6][2]float64
	atWorld       [pipeline.NumJoints][6][3]float64
	still, moving [pipeline.NumJoints][2]float64
	stillWorld    [pipeline.NumJoints][3]float64

	size, load, plant, contact float64
	scores                     [pipeline.NumJoints][]float64
	feet                       [2][][2]float64 // true heel→toe of the left and right foot
}

// guessed landmarks are out of the network's sight by its own account (score
// under .5) for most of the clip: that is no error of seeing.
func (c *clipErrors) guessed(j int) bool { return middle(c.scores[j]) < .5 }

// seeing are those of a view's clips that see landmark j; all where none does.
func seeing(clips []*clipErrors, j int) (s []*clipErrors) {
	for _, c := range clips {
		if !c.guessed(j) {
			s = append(s, c)
		}
	}
	if len(s) == 0 {
		return clips
	}
	return s
}

// feet of a landmark table: heel, toe.
var feet = [2][2]int{{pipeline.LeftHeel, pipeline.LeftToe}, {pipeline.RightHeel, pipeline.RightToe}}

// footShape is the share, across and down the picture, that the network draws
// of the true heel→toe vector of the front foot while it stands, least squares
// over clips of one view, every clip alike.
func footShape(clips []*clipErrors) (k [2]float64) {
	for a := range k {
		var num, den float64
		for _, c := range seeing(clips, pipeline.LeftToe) {
			var n, d, frames float64
			for i, t := range c.times {
				if t < c.plant || t > c.contact+.035 {
					continue
				}
				v := c.feet[0][i][a]
				n += v * (v + c.px[feet[0][1]][i][a] - c.px[feet[0][0]][i][a])
				d += v * v
				frames++
			}
			if frames > 0 {
				num, den = num+n/frames, den+d/frames
			}
		}
		k[a] = num / den
	}
	return k
}

func middle(v []float64) float64 { return quantile(v, .5) }

func sd(v []float64) float64 {
	var m, s float64
	for _, x := range v {
		m += x / float64(len(v))
	}
	for _, x := range v {
		s += (x - m) * (x - m) / float64(len(v))
	}
	return math.Sqrt(s)
}

// readErrors compares a clip's track with its truth.
func readErrors(truthPath, trackPath string) (*clipErrors, error) {
	base, err := readTruth(truthPath)
	if err != nil {
		return nil, err
	}
	b, err := os.ReadFile(truthPath)
	if err != nil {
		return nil, err
	}
	t := seenTruth{truth: *base}
	if err := json.Unmarshal(b, &t); err != nil {
		return nil, fmt.Errorf("%s: %w", truthPath, err)
	}
	if b, err = os.ReadFile(trackPath); err != nil {
		return nil, err
	}
	track, err := pipeline.ParseTrack(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", trackPath, err)
	}
	if len(track.Windows) == 0 {
		return nil, fmt.Errorf("%s: no window", trackPath)
	}
	load, plant, contact := t.Phases["load"].T, t.Phases["plant"].T, t.Phases["contact"].T
	c := &clipErrors{view: renderedView[t.Params.View], load: load, plant: plant, contact: contact, size: 178 / (100 * t.Params.Stature)}
	swap := func(j int) int { // as of a right-handed batter
		switch {
		case t.Params.Hand != "L" || j == pipeline.Nose:
			return j
		case j <= pipeline.LeftEyeOuter:
			return j + 3
		case j <= pipeline.RightEyeOuter:
			return j - 3
		case j%2 == 1:
			return j + 1
		}
		return j - 1
	}
	lateral := math.Copysign(1, t.Frames[0].Camera[0][0])
	if !t.sideOn() {
		lateral = -math.Copysign(1, t.Frames[0].Camera[1][0])
		if t.Params.Hand == "L" {
			lateral *= -1
		}
	}
	size := c.size
	stature := func(at func(j int) vec) float64 {
		d := func(a, b int) float64 { return at(a).sub(at(b)).norm() }
		legs := (d(23, 25) + d(25, 27) + d(24, 26) + d(26, 28)) / 2
		var trunk vec
		for k := range trunk {
			trunk[k] = (at(11)[k] + at(12)[k] - at(23)[k] - at(24)[k]) / 2
		}
		return legs + trunk.norm()
	}
	var net, own []float64 // statures in the stance
	type pair struct{ got, want [pipeline.NumJoints]vec }
	var pairs []pair
	for _, s := range track.Windows[0].Frames {
		if s.Pose == nil || s.Index >= len(t.Frames) {
			continue
		}
		f := t.Frames[s.Index]
		c.times = append(c.times, f.T)
		var hips vec
		for k := range hips {
			hips[k] = (f.Points["left_hip"].XYZ[k] + f.Points["right_hip"].XYZ[k]) / 2
		}
		var p pair
		for j, n := range errorNames {
			q := f.Points[n]
			cm := t.Focal / q.Depth / 100
			l, w := s.Pose.Joints[j], s.Pose.World[j]
			to := swap(j)
			c.scores[to] = append(c.scores[to], l.Score)
			c.px[to] = append(c.px[to], [2]float64{(l.X - q.Px[0]) / cm * lateral, (l.Y - q.Px[1]) / cm})
			v := q.XYZ.sub(hips)
			for k := range v {
				p.want[j][k] = f.Camera[0][k]*v[0] + f.Camera[1][k]*v[1] + f.Camera[2][k]*v[2]
			}
			p.want[j][1], p.want[j][2] = -p.want[j][1], -p.want[j][2]
			p.got[j] = vec{w.X, w.Y, w.Z}
		}
		pairs = append(pairs, p)
		for n, foot := range feet {
			a, b := f.Points[errorNames[swap(foot[0])]], f.Points[errorNames[swap(foot[1])]]
			cm := 2 * t.Focal / (a.Depth + b.Depth) / 100
			c.feet[n] = append(c.feet[n], [2]float64{(b.Px[0] - a.Px[0]) / cm * lateral, (b.Px[1] - a.Px[1]) / cm})
		}
		if f.T < load {
			net = append(net, stature(func(j int) vec { return p.got[j] }))
			own = append(own, stature(func(j int) vec { return p.want[j] }))
		}
	}
	if len(net) < 3 {
		return nil, fmt.Errorf("%s: no stance", trackPath)
	}
	sum := func(v []float64) (s float64) {
		for _, x := range v {
			s += x
		}
		return s
	}
	k := sum(own) / sum(net)
	for _, p := range pairs {
		for j := range p.got {
			var e [3]float64
			for i := range e {
				e[i] = (p.got[j][i]*k - p.want[j][i]) * 100 * size
			}
			e[0] *= lateral
			c.world[swap(j)] = append(c.world[swap(j)], e)
		}
	}
	return c, nil
}

// settle takes the shape k of the feet off the errors of heels and toes and
// fills the errors of phases and frames.
func (c *clipErrors) settle(k [2]float64) {
	load, plant, contact, size := c.load, c.plant, c.contact, c.size
	for n, foot := range feet {
		for i, v := range c.feet[n] {
			for a := range k {
				c.px[foot[0]][i][a] += (k[a] - 1) * v[a] / 2
				c.px[foot[1]][i][a] -= (k[a] - 1) * v[a] / 2
			}
		}
	}
	in := func(phase string, s float64) bool {
		switch phase {
		case "stance":
			return s < load
		case "stride":
			return math.Abs(s-(load+plant)/2) < .12
		case "plant":
			return math.Abs(s-plant) < .04
		case "swing":
			return s >= plant+.05 && s < contact-.035
		case "hit":
			return math.Abs(s-contact) <= .035
		}
		return s > contact+.08 && s < contact+.25
	}
	for j := range c.px {
		for i, phase := range errorPhases {
			for a := range 3 {
				var v, w []float64
				for n, s := range c.times {
					if !in(phase, s) {
						continue
					}
					if a < 2 {
						v = append(v, c.px[j][n][a]*size)
					}
					w = append(w, c.world[j][n][a])
				}
				if a < 2 {
					c.atPx[j][i][a] = middle(v)
				}
				c.atWorld[j][i][a] = middle(w)
			}
		}
		for a := range 3 {
			var still, moving, world []float64
			for n := 1; n < len(c.times); n++ {
				s := c.times[n]
				if a < 2 {
					d := c.px[j][n][a] - c.px[j][n-1][a]
					if s < load {
						still = append(still, d)
					} else if s > plant && s < contact+.1 {
						moving = append(moving, d)
					}
				}
				if s < load {
					world = append(world, c.world[j][n][a]-c.world[j][n-1][a])
				}
			}
			if a < 2 {
				c.still[j][a], c.moving[j][a] = sd(still)/math.Sqrt2, sd(moving)/math.Sqrt2
			}
			c.stillWorld[j][a] = sd(world) / math.Sqrt2
		}
	}
}

// renderedView turns the renderer's names of views into ours.
var renderedView = map[string]pipeline.View{"open": pipeline.ViewChest, "closed": pipeline.ViewBack, "front": pipeline.ViewPitcher, "rear": pipeline.ViewCatcher}

// measureErrors writes the table of errors of every NAME.truth.json in the folders
// that has NAME.track.json, or NAME/track.json, in tracks.
func measureErrors(w io.Writer, tracks string, folders []string) error {
	byView := map[pipeline.View][]*clipErrors{}
	names := map[pipeline.View][]string{}
	for _, dir := range folders {
		truths, err := filepath.Glob(filepath.Join(dir, "*.truth.json"))
		if err != nil {
			return err
		}
		for _, path := range truths {
			name := strings.TrimSuffix(filepath.Base(path), ".truth.json")
			track := filepath.Join(tracks, name, pipeline.TrackFile)
			if _, err := os.Stat(track); err != nil {
				track = filepath.Join(tracks, name+".track.json")
			}
			if _, err := os.Stat(track); err != nil {
				continue
			}
			c, err := readErrors(path, track)
			if err != nil {
				return err
			}
			byView[c.view] = append(byView[c.view], c)
			names[c.view] = append(names[c.view], name)
		}
	}
	if len(byView) == 0 {
		return fmt.Errorf("no track of a clip with a truth file")
	}
	round := func(v float64, n int) float64 { k := math.Pow(10, float64(n)); return math.Round(v*k)/k + 0 }
	row := func(v []float64) string {
		s := make([]string, len(v))
		for i := range v {
			s[i] = fmt.Sprint(round(v[i], 1))
		}
		return "[" + strings.Join(s, ",") + "]"
	}

	fmt.Fprintln(w, "{\n \"about\": [")
	about := []string{
		"Errors of the heavy pose network, measured as its raw reading minus the exact truth of rendered clips; made by: accuracy --errors --tracks TRACKS FOLDER ...",
		"px: place in the picture, centimetres at the joint's own depth, for a batter 1.78 m tall: [landmark][phase][lateral, down]. Lateral is toward the pitcher from the chest and the back, toward the plate from the pitcher and the catcher.",
		"world: the network's 3-D points, stretched to the true body's size, minus the true points about the hips' middle: [landmark][phase][lateral, down, away from the camera], centimetres for 1.78 m.",
		"foot: the share, across and down, that the network draws of a foot's true heel-to-toe vector; what px says of heels and toes is beside that.",
		"Landmarks as those of a right-handed batter (left = front); a left-handed one has them exchanged. Phases: medians over the stance, the middle of the stride, plant, the swing, contact, and .08-.25 s after it.",
		"groups: one standard deviation, centimetres: clip = of a clip from its view's mean, all phases alike; phase = of each phase beside that; [lateral, down]. still and moving = from frame to frame in the stance and between plant and .1 s after contact. world = frame to frame.",
		"Rendered clips are few: see clips. Views that are missing borrow from the others, which is said where it is done.",
	}
	for i, s := range about {
		b, _ := json.Marshal(s)
		fmt.Fprintf(w, "  %s%s\n", b, comma(i, len(about)))
	}
	fmt.Fprint(w, " ],\n \"phases\": ")
	b, _ := json.Marshal(errorPhases)
	fmt.Fprintf(w, "%s,\n \"groups\": {\n", b)
	views := []pipeline.View{}
	for v := range byView {
		views = append(views, v)
	}
	sort.Slice(views, func(i, j int) bool { return views[i] < views[j] })
	meanPx := map[pipeline.View]*[pipeline.NumJoints][6][2]float64{}
	meanWorld := map[pipeline.View]*[pipeline.NumJoints][6][3]float64{}
	shapes := map[pipeline.View][2]float64{}
	for _, v := range views {
		shapes[v] = footShape(byView[v])
		for _, c := range byView[v] {
			c.settle(shapes[v])
		}
		p, q := &[pipeline.NumJoints][6][2]float64{}, &[pipeline.NumJoints][6][3]float64{}
		for j := range p {
			see := seeing(byView[v], j)
			n := float64(len(see))
			for _, c := range see {
				for i := range p[j] {
					for a := range 3 {
						if a < 2 {
							p[j][i][a] += c.atPx[j][i][a] / n
						}
						q[j][i][a] += c.atWorld[j][i][a] / n
					}
				}
			}
		}
		meanPx[v], meanWorld[v] = p, q
	}
	for gi, g := range errorGroups {
		var clip, phase [2][]float64
		var still, moving []float64
		var world [3][]float64
		for _, v := range views {
			cs := byView[v]
			for _, c := range cs {
				var s, m []float64
				var w [3][]float64
				for _, j := range g.of {
					s, m = append(s, c.still[j][:]...), append(m, c.moving[j][:]...)
					for a := range w {
						w[a] = append(w[a], c.stillWorld[j][a])
					}
					n := float64(len(seeing(cs, j)))
					if n < 2 || c.guessed(j) {
						continue
					}
					f := math.Sqrt(n / (n - 1))
					for a := range clip {
						all := 0.0
						for i := range errorPhases {
							all += f * (c.atPx[j][i][a] - meanPx[v][j][i][a]) / float64(len(errorPhases))
						}
						clip[a] = append(clip[a], all*all)
						for i := range errorPhases {
							d := f*(c.atPx[j][i][a]-meanPx[v][j][i][a]) - all
							phase[a] = append(phase[a], d*d)
						}
					}
				}
				still, moving = append(still, middle(s)), append(moving, middle(m))
				for a := range w {
					world[a] = append(world[a], middle(w[a]))
				}
			}
		}
		mean := func(v []float64) (m float64) {
			for _, x := range v {
				m += x / float64(len(v))
			}
			return m
		}
		fmt.Fprintf(w, "  %q: {\"clip\": [%g, %g], \"phase\": [%g, %g], \"still\": %g, \"moving\": %g, \"world\": [%g, %g, %g]}%s\n", g.name,
			round(math.Sqrt(mean(clip[0])), 2), round(math.Sqrt(mean(clip[1])), 2), round(math.Sqrt(mean(phase[0])), 2), round(math.Sqrt(mean(phase[1])), 2),
			round(mean(still), 2), round(mean(moving), 2), round(mean(world[0]), 2), round(mean(world[1]), 2), round(mean(world[2]), 2), comma(gi, len(errorGroups)))
	}
	fmt.Fprintln(w, " },\n \"views\": {")
	for vi, v := range views {
		n, _ := json.Marshal(slices.Clone(names[v]))
		fmt.Fprintf(w, "  %q: {\n   \"clips\": %s,\n   \"foot\": [%g, %g],\n", v, n, round(shapes[v][0], 2), round(shapes[v][1], 2))
		for a, key := range []string{"px", "world"} {
			fmt.Fprintf(w, "   %q: [\n", key)
			for j := range pipeline.NumJoints {
				var cells []string
				for i := range errorPhases {
					if a == 0 {
						cells = append(cells, row(meanPx[v][j][i][:]))
					} else {
						cells = append(cells, row(meanWorld[v][j][i][:]))
					}
				}
				fmt.Fprintf(w, "    [%s]%s\n", strings.Join(cells, ","), comma(j, pipeline.NumJoints))
			}
			fmt.Fprintf(w, "   ]%s\n", comma(a, 2))
		}
		fmt.Fprintf(w, "  }%s\n", comma(vi, len(views)))
	}
	fmt.Fprintln(w, " }\n}")
	return nil
}

func comma(i, n int) string {
	if i < n-1 {
		return ","
	}
	return ""
}
