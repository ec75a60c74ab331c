package main

import (
	"math"
	"path/filepath"
	"testing"

	"tapeline/pipeline"
)

// The renderer was told these figures (its parameters, and its summary in the
// truth files): they come out of the points it wrote.
func TestTruthOfTheSamples(t *testing.T) {
	for name, want := range map[string]map[kind]float64{
		"open_faults": {
			{"eye_drop", pipeline.Stance, pipeline.Contact}:    8,
			{"eye_forward", pipeline.Stance, pipeline.Contact}: 10,
			{"front_foot_open", "", pipeline.Plant}:            60,
			{"front_foot_open", "", pipeline.Contact}:          60,
		},
		"open_clean": {
			{"eye_drop", pipeline.Stance, pipeline.Contact}:    1,
			{"eye_forward", pipeline.Stance, pipeline.Contact}: 0,
			{"front_foot_open", "", pipeline.Plant}:            15,
		},
		"front_left": {
			{"eye_drop", pipeline.Stance, pipeline.Contact}:    4,
			{"eye_forward", pipeline.Stance, pipeline.Contact}: 5,
			{"front_foot_open", "", pipeline.Plant}:            35,
			{"front_foot_open", "", pipeline.Contact}:          45,
		},
	} {
		tr, err := readTruth(filepath.Join("..", "..", "samples", name+".truth.json"))
		if err != nil {
			t.Fatal(err)
		}
		got := tr.measures()
		for k, v := range want {
			if g, ok := got[k]; !ok || math.Abs(g-v) > 0.6 {
				t.Errorf("%s: %v = %.2f; want %.2f", name, k, g, v)
			}
		}
		for k, v := range got {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%s: %v = %v", name, k, v)
			}
		}
		t.Logf("%s: %v", name, got)
	}
}

func TestMixBetweenFrames(t *testing.T) {
	tr := &truth{}
	for i := range 3 {
		f := struct {
			T          float64
			Points     map[string]struct{ XYZ [3]float64 }
			EyeDrop    float64 `json:"eye_drop_from_stance_cm"`
			EyeForward float64 `json:"eye_forward_from_stance_cm"`
			FrontYaw   float64 `json:"front_foot_yaw_deg"`
			BackYaw    float64 `json:"back_foot_yaw_deg"`
		}{T: float64(i)}
		tr.Frames = append(tr.Frames, f)
	}
	f := func(i int) float64 { return float64(10 * i * i) }
	for s, want := range map[float64]float64{-1: 0, 0: 0, 0.5: 5, 1: 10, 1.25: 17.5, 2: 40, 9: 40} {
		if got := tr.at(s, f); math.Abs(got-want) > 1e-12 {
			t.Errorf("at %v: %v; want %v", s, got, want)
		}
	}
}

func TestFlexion(t *testing.T) {
	// Angle at (120,200) between (100,100) and (100,300) is 157.3801°, computed.
	if got := 180 - flexion(vec{100, 100}, vec{120, 200}, vec{100, 300}); math.Abs(got-157.3801) > 1e-4 {
		t.Errorf("angle %v", got)
	}
}
