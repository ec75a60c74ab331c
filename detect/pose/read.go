package pose

import (
	"fmt"
	"math"
	"slices"

	"tapeline/pipeline"
)

// LostScore is the score below which nobody is in the region (official graph).
const LostScore = .5

// Reading is a pose and the region to look at in the next frame, full-size
// pixels.
type Reading struct {
	pipeline.Pose
	Next pipeline.Region `json:"-"`
}

// Read reads the person inside the region with the network Full or Heavy.
// Region, joints and spread are full-size pixels, world points metres. A low
// Score is no error; see LostScore.
func (n *Nets) Read(net string, f *pipeline.Frame, r pipeline.Region) (Reading, error) {
	if err := n.usable(f); err != nil {
		return Reading{}, err
	}
	if !sane(r) {
		return Reading{}, fmt.Errorf("pose: region %+v", r)
	}
	s, err := n.reader(net)
	if err != nil {
		return Reading{}, err
	}
	var p Reading
	if err := s.look(func(in []float32) {
		crop(f, scaled(r, 1/scale(f)), landmarkSide, 0, 1, false, in)
	}, func(out map[string][]float32) {
		p = landmarksOf(net, out, r)
	}); err != nil {
		return Reading{}, fmt.Errorf("pose: %s: %w", net, err)
	}
	return p, nil
}

// sane is false for what no crop can be made of.
func sane(r pipeline.Region) bool {
	for _, v := range []float64{r.CX, r.CY, r.Size, r.Rot} {
		if math.IsNaN(v) || math.Abs(v) > 1e6 {
			return false
		}
	}
	return r.Size >= 1
}

// landmarksOf decodes the outputs of a landmark network that saw region r.
func landmarksOf(net string, out map[string][]float32, r pipeline.Region) Reading {
	raw, maps, world := out["landmarks"], out["heatmap"], out["world"]
	p := Reading{Pose: pipeline.Pose{Net: net, Score: float64(out["score"][0]), Region: r}}
	c, s := math.Cos(r.Rot), math.Sin(r.Rot)
	var aux [2]pipeline.Point
	for i := range points {
		v := raw[5*i : 5*i+5] // x, y, z, visibility, presence
		x, y := refine(maps[i*mapSide*mapSide:(i+1)*mapSide*mapSide], float64(v[0])/landmarkSide, float64(v[1])/landmarkSide)
		dx, dy := (x-.5)*r.Size, (y-.5)*r.Size
		at := pipeline.Point{X: r.CX + dx*c - dy*s, Y: r.CY + dx*s + dy*c}
		if i >= pipeline.NumJoints {
			aux[i-pipeline.NumJoints] = at
			continue
		}
		p.Joints[i] = pipeline.Landmark{X: at.X, Y: at.Y, Score: sigmoid(float64(v[3]))}
		wx, wy := float64(world[3*i]), float64(world[3*i+1])
		p.World[i] = pipeline.World{X: wx*c - wy*s, Y: wx*s + wy*c, Z: float64(world[3*i+2])}
	}
	p.Next = region(aux[0], aux[1])
	return p
}

// Of the official heatmap refinement.
const (
	refineReach = 3 // cells to each side
	refineSure  = .5
)

// refine moves a point (0…1) to the centre of gravity of its heatmap around
// it, if the map is sure there.
func refine(m []float32, x, y float64) (float64, float64) {
	cx, cy := int(x*mapSide), int(y*mapSide)
	// The official code does not test cy at the far end either.
	if cx < 0 || cx >= mapSide || cy < 0 {
		return x, y
	}
	var sum, sx, sy, top float64
	for r := max(0, cy-refineReach); r < min(mapSide, cy+refineReach+1); r++ {
		for q := max(0, cx-refineReach); q < min(mapSide, cx+refineReach+1); q++ {
			v := sigmoid(float64(m[r*mapSide+q]))
			sum += v
			sx += v * float64(q)
			sy += v * float64(r)
			top = max(top, v)
		}
	}
	if top < refineSure || sum <= 0 {
		return x, y
	}
	return sx / sum / mapSide, sy / sum / mapSide
}

// jitters are the regions ReadJittered looks at, in its order: shift along and
// across (sides of the region), size factor, turn (radians). The first is the
// region itself; the rest lie around it evenly so that the median stays.
var jitters = [...][4]float64{
	{0, 0, 1, 0},
	{.02, .01, 1.05, .03}, {-.02, -.01, .96, -.03},
	{-.01, .02, 1.03, -.05}, {.01, -.02, .98, .05},
	{.015, -.015, 1.07, .015}, {-.015, .015, .94, -.015},
	{.025, 0, 1, -.04}, {-.025, 0, 1.02, .04},
}

// MaxJitter is the most regions ReadJittered can look at.
const MaxJitter = len(jitters)

// ReadJittered reads the region count times (1…MaxJitter), each time a little
// shifted, scaled and turned: the joints, world points, scores and the next
// region are medians, Spread the standard deviation along one axis. The spread
// tells trouble, not error: all crops share the network's bias.
func (n *Nets) ReadJittered(net string, f *pipeline.Frame, r pipeline.Region, count int) (Reading, error) {
	if count < 1 || count > MaxJitter {
		return Reading{}, fmt.Errorf("pose: %d regions, want 1…%d", count, MaxJitter)
	}
	all := make([]Reading, count)
	for i, j := range jitters[:count] {
		var err error
		if all[i], err = n.Read(net, f, jittered(r, j)); err != nil {
			return Reading{}, err
		}
	}
	if count == 1 {
		return all[0], nil
	}
	return combine(all, r), nil
}

func jittered(r pipeline.Region, j [4]float64) pipeline.Region {
	c, s := math.Cos(r.Rot)*r.Size, math.Sin(r.Rot)*r.Size
	return pipeline.Region{CX: r.CX + j[0]*c - j[1]*s, CY: r.CY + j[0]*s + j[1]*c, Size: r.Size * j[2], Rot: r.Rot + j[3]}
}

// combine takes the medians of readings made around region r.
func combine(all []Reading, r pipeline.Region) Reading {
	v := make([]float64, len(all))
	mid := func(of func(*Reading) float64) float64 {
		for i := range all {
			v[i] = of(&all[i])
		}
		return median(v)
	}
	out := Reading{Pose: pipeline.Pose{Net: all[0].Net, Region: r, Spread: &[pipeline.NumJoints]float64{}}}
	out.Score = mid(func(p *Reading) float64 { return p.Score })
	for k := range out.Joints {
		j, w := &out.Joints[k], &out.World[k]
		j.X = mid(func(p *Reading) float64 { return p.Joints[k].X })
		sx := deviation(v)
		j.Y = mid(func(p *Reading) float64 { return p.Joints[k].Y })
		sy := deviation(v)
		j.Score = mid(func(p *Reading) float64 { return p.Joints[k].Score })
		out.Spread[k] = math.Sqrt((sx*sx + sy*sy) / 2)
		w.X = mid(func(p *Reading) float64 { return p.World[k].X })
		w.Y = mid(func(p *Reading) float64 { return p.World[k].Y })
		w.Z = mid(func(p *Reading) float64 { return p.World[k].Z })
	}
	out.Next.CX = mid(func(p *Reading) float64 { return p.Next.CX })
	out.Next.CY = mid(func(p *Reading) float64 { return p.Next.CY })
	out.Next.Size = mid(func(p *Reading) float64 { return p.Next.Size })
	// Angles around the first one, so that the median can't fall across ±π.
	first := all[0].Next.Rot
	out.Next.Rot = first + mid(func(p *Reading) float64 { return math.Remainder(p.Next.Rot-first, 2*math.Pi) })
	return out
}

// median sorts v.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}

// deviation is the sample standard deviation.
func deviation(v []float64) float64 {
	var sum, squares float64
	for _, x := range v {
		sum += x
	}
	mean := sum / float64(len(v))
	for _, x := range v {
		squares += (x - mean) * (x - mean)
	}
	return math.Sqrt(squares / float64(len(v)-1))
}
