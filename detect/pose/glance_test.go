package pose

import (
	"errors"
	"reflect"
	"sync"
	"testing"

	"tapeline/pipeline"
)

// delayed is a person who walks; a frame's look waits until it may.
type delayed struct {
	may   []chan struct{} // by frame; nil: at once
	mu    sync.Mutex
	looks [][]float64 // by frame, centres of the regions looked at
}

// walked is where the person is in a frame.
func walked(frame int) float64 { return 100 + 2*float64(frame) }

func (d *delayed) ReadJittered(_ string, f *pipeline.Frame, r pipeline.Region, _ int) (Reading, error) {
	if c := d.may[f.Index]; c != nil {
		<-c
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.looks[f.Index] = append(d.looks[f.Index], r.CX)
	return at(walked(f.Index)), nil
}

func (d *delayed) DetectNear(*pipeline.Frame, pipeline.Point, float64) ([]Person, error) {
	return nil, nil
}

// A glance looks once, where the last frame stepped through pointed when it
// began, whether it is done before the step beside it or after: poses are the
// same.
func TestGlance(t *testing.T) {
	const n = 6
	walk := func(late bool) (poses []*pipeline.Pose, looks [][]float64) {
		d := &delayed{may: make([]chan struct{}, n+1), looks: make([][]float64, n+1)}
		for i := range d.may[1:] {
			d.may[1+i] = make(chan struct{})
		}
		w := &Follower{nets: d, next: at(walked(0)).Next}
		frame := func(i int) *pipeline.Frame { return &pipeline.Frame{Index: i, PTS: float64(i) / 30} }
		var glance *Glance
		for i := range n {
			next := w.Glance(frame(i + 1))
			if (next == nil) != (i == 0) {
				t.Fatalf("frame %d glanced at: %v", i+1, next != nil)
			}
			if !late {
				close(d.may[i+1])
				next.Wait()
			}
			p, err := w.Step(frame(i), glance)
			if err != nil {
				t.Fatal(err)
			}
			poses = append(poses, p)
			if late {
				close(d.may[i+1])
				next.Wait()
			}
			glance = next
		}
		return poses, d.looks
	}
	poses, looks := walk(false)
	for i, p := range poses {
		if p == nil || p.Region.CX != walked(i) {
			t.Errorf("frame %d: %+v", i, p)
		}
		// The first is read thrice, the second follows it, the others' look began
		// before the frame before was stepped through.
		if want := walked(max(0, i-2)); i > 0 && (len(looks[i]) != 1 || looks[i][0] != want) {
			t.Errorf("frame %d looked at in %v, want once in %g", i, looks[i], want)
		}
	}
	if latePoses, lateLooks := walk(true); !reflect.DeepEqual(latePoses, poses) || !reflect.DeepEqual(lateLooks, looks) {
		t.Errorf("a late glance looks in %v, an early one in %v", lateLooks, looks)
	}
}

// Another follower's glance is worth nothing, and a defect in one's own comes
// back as an error.
func TestGlanceOfAnother(t *testing.T) {
	k := &fake{look: func(pipeline.Region) Reading { return at(100) }}
	other := &fake{look: func(pipeline.Region) Reading { return at(104) }}
	mine, others := &Follower{nets: k, next: at(100).Next}, &Follower{nets: other, next: at(100).Next}
	step(t, mine, 0)
	step(t, others, 0)
	f := &pipeline.Frame{PTS: 1. / 60}
	p, err := mine.Step(f, others.Glance(f))
	if err != nil || p == nil || p.Region.CX != 100 || k.reads != firstReads+1 {
		t.Errorf("%+v after %d reads, %v", p, k.reads, err)
	}
	k.look = func(pipeline.Region) Reading { panic("a defect") }
	f = &pipeline.Frame{PTS: 2. / 60}
	var e *pipeline.Error
	if _, err := mine.Step(f, mine.Glance(f)); !errors.As(err, &e) || e.Fault != pipeline.FaultInternal {
		t.Errorf("a defect: %v", err)
	}
}
