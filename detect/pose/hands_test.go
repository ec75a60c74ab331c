package pose

import (
	"reflect"
	"sync"
	"testing"

	"tapeline/pipeline"
)

// Two runs of one network at once, both filled before either is run, say what
// each says alone; where a run can't have its memory it fails, every time,
// instead of waiting for a hand that was never made.
func TestTwoHands(t *testing.T) {
	n := open(t)
	f := picture(t, frames[0])
	regions := []pipeline.Region{{CX: 480, CY: 270, Size: 500}, {CX: 500, CY: 260, Size: 420}}
	var want, got [2]Reading
	for i, r := range regions {
		var err error
		if want[i], err = n.Read(Full, f, r); err != nil {
			t.Fatal(err)
		}
	}
	s, err := n.reader(Full)
	if err != nil {
		t.Fatal(err)
	}
	var both, filled sync.WaitGroup
	filled.Add(len(regions))
	for i, r := range regions {
		both.Go(func() {
			if err := s.look(func(in []float32) {
				crop(f, r, landmarkSide, 0, 1, false, in)
				filled.Done()
				filled.Wait()
			}, func(out map[string][]float32) { got[i] = landmarksOf(Full, out, r) }); err != nil {
				t.Error(err)
			}
		})
	}
	both.Wait()
	if len(s.hands) != atOnce || !reflect.DeepEqual(got, want) {
		t.Errorf("%d hands read something else at once", len(s.hands))
	}

	none := &session{side: landmarkSide, outputs: map[string][]int64{"world": {-1}}, names: []string{"world"}, idle: make(chan *hand, atOnce)}
	for range atOnce + 1 {
		if err := none.look(nil, nil); err == nil {
			t.Error("a tensor of no size")
		}
	}
	if err := none.close(); err != nil || len(none.hands) != 0 {
		t.Errorf("%d hands, %v", len(none.hands), err)
	}
}
