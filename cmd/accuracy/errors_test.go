package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

// A network that puts every point 1.5 cm toward the pitcher and sees a body
// nine tenths the size is measured as that.
func TestMeasureErrors(t *testing.T) {
	for name, side := range map[string]float64{"open_clean": 1, "front_left": 0} {
		samples := filepath.Join("..", "..", "samples")
		b, err := os.ReadFile(filepath.Join(samples, name+".truth.json"))
		if err != nil {
			t.Fatal(err)
		}
		var tr seenTruth
		if err := json.Unmarshal(b, &tr); err != nil {
			t.Fatal(err)
		}
		w := pipeline.Window{}
		for i, f := range tr.Frames {
			p := &pipeline.Pose{}
			for j, n := range errorNames {
				q := f.Points[n]
				cm := tr.Focal / q.Depth / 100
				p.Joints[j] = pipeline.Landmark{X: q.Px[0] + 1.5*side*cm, Y: q.Px[1], Score: 1}
				var v vec
				for k := range v {
					for a := range 3 {
						v[k] += f.Camera[a][k] * (q.XYZ[a] - (f.Points["left_hip"].XYZ[a]+f.Points["right_hip"].XYZ[a])/2)
					}
				}
				p.World[j] = pipeline.World{X: .9 * v[0], Y: -.9 * v[1], Z: -.9 * v[2]}
			}
			w.Frames = append(w.Frames, pipeline.Seen{Index: i, PTS: f.T, Pose: p})
		}
		b, err = pipeline.MarshalTrack(pipeline.Track{Schema: pipeline.TrackSchema, Windows: []pipeline.Window{w}})
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, name+".track.json"), b, 0o666); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := run([]string{"--errors", "--tracks", dir, samples}, &out); err != nil {
			t.Fatal(err)
		}
		var table struct {
			Views map[string]struct {
				Clips []string
				Px    [33][6][2]float64
				World [33][6][3]float64
			}
		}
		if err := json.Unmarshal(out.Bytes(), &table); err != nil {
			t.Fatal(err)
		}
		if len(table.Views) != 1 {
			t.Fatalf("%d views; want the one clip that has a track", len(table.Views))
		}
		for v, x := range table.Views {
			for j := range x.Px {
				for i := range x.Px[j] {
					if math.Abs(x.Px[j][i][0]-1.5*side) > .051 || math.Abs(x.Px[j][i][1]) > .051 {
						t.Fatalf("%s, landmark %d, %s: %v", v, j, errorPhases[i], x.Px[j][i])
					}
					for _, e := range x.World[j][i] {
						if math.Abs(e) > .15 {
							t.Fatalf("%s, landmark %d, %s: world %v", v, j, errorPhases[i], x.World[j][i])
						}
					}
				}
			}
		}
	}
}
