package desk

import (
	"container/list"
	"context"
	"errors"
	"fmt"
	"sync"
)

// Stills decodes the frames from ≤ n ≤ to of a lesson's clip, in order, and
// hands each on as a JPEG.
type Stills func(ctx context.Context, id string, from, to int, each func(n int, jpeg []byte) error) error

const (
	runLength  = 64        // frames decoded at once: a stretch around the wanted one
	runsAtOnce = 2         // decoders at work
	filmMemory = 192 << 20 // bytes of stills kept
)

// film keeps the stills around those that were asked for: what precedes a frame
// must be decoded to reach it, so a stretch costs little more than one.
type film struct {
	ctx    context.Context // ends with the desk
	decode Stills
	limit  int

	mu    sync.Mutex
	size  int
	order *list.List // of *still, the one used last in front
	have  map[frameKey]*list.Element
	runs  map[frameKey]*run // by their first frame
	slots chan struct{}
}

type frameKey struct {
	id string
	n  int
}

type still struct {
	key  frameKey
	jpeg []byte
}

// run is one stretch being decoded.
type run struct {
	done chan struct{}
	step chan struct{} // closed and made anew with every still
	err  error
}

func newFilm(ctx context.Context, decode Stills, limit int) *film {
	return &film{ctx: ctx, decode: decode, limit: limit, order: list.New(), have: map[frameKey]*list.Element{}, runs: map[frameKey]*run{}, slots: make(chan struct{}, runsAtOnce)}
}

// at gives frame n of a clip that has so many; it waits until it is decoded.
func (f *film) at(ctx context.Context, id string, n, count int) ([]byte, error) {
	if n < 0 || n >= count {
		return nil, fmt.Errorf("frame %d of %d", n, count)
	}
	first := n / runLength * runLength
	f.mu.Lock()
	if e, ok := f.have[frameKey{id, n}]; ok {
		f.order.MoveToFront(e)
		// The stretch that will be wanted next is decoded meanwhile.
		switch into := n - first; {
		case into >= runLength*3/4 && first+runLength < count:
			f.begin(id, first+runLength, count)
		case into < runLength/4 && first > 0:
			f.begin(id, first-runLength, count)
		}
		f.mu.Unlock()
		return e.Value.(*still).jpeg, nil
	}
	r := f.start(id, first, count)
	for {
		step := r.step
		f.mu.Unlock()
		select {
		case <-step:
		case <-r.done:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		f.mu.Lock()
		if e, ok := f.have[frameKey{id, n}]; ok {
			f.order.MoveToFront(e)
			f.mu.Unlock()
			return e.Value.(*still).jpeg, nil
		}
		select {
		case <-r.done:
			err := r.err
			f.mu.Unlock()
			if err == nil {
				err = errors.New("the frame is missing")
			}
			return nil, err
		default:
		}
	}
}

// warm begins the stretch around a frame that will be asked for.
func (f *film) warm(id string, n, count int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if n >= 0 && n < count {
		f.begin(id, n/runLength*runLength, count)
	}
}

// begin starts a stretch unless it is there or a decoder is at work: what
// somebody waits for goes first.
func (f *film) begin(id string, first, count int) {
	if len(f.runs) > 0 {
		return
	}
	if _, ok := f.have[frameKey{id, first}]; ok {
		if _, ok := f.have[frameKey{id, min(first+runLength, count) - 1}]; ok {
			return
		}
	}
	f.start(id, first, count)
}

// start decodes a stretch; the lock is held. One that is being decoded is
// joined.
func (f *film) start(id string, first, count int) *run {
	key := frameKey{id, first}
	if r, ok := f.runs[key]; ok {
		return r
	}
	r := &run{done: make(chan struct{}), step: make(chan struct{})}
	f.runs[key] = r
	go func() {
		var err error
		select {
		case f.slots <- struct{}{}:
			err = f.decode(f.ctx, id, first, min(first+runLength, count)-1, func(n int, jpeg []byte) error {
				f.mu.Lock()
				f.keep(frameKey{id, n}, jpeg)
				close(r.step)
				r.step = make(chan struct{})
				f.mu.Unlock()
				return nil
			})
			<-f.slots
		case <-f.ctx.Done():
			err = f.ctx.Err()
		}
		f.mu.Lock()
		r.err = err
		delete(f.runs, key)
		close(r.done)
		f.mu.Unlock()
	}()
	return r
}

// keep puts a still in front and lets go of the ones unused for longest.
func (f *film) keep(key frameKey, jpeg []byte) {
	if e, ok := f.have[key]; ok {
		f.order.MoveToFront(e)
		return
	}
	f.have[key] = f.order.PushFront(&still{key, jpeg})
	f.size += len(jpeg)
	for f.size > f.limit && f.order.Len() > 1 {
		e := f.order.Back()
		s := f.order.Remove(e).(*still)
		delete(f.have, s.key)
		f.size -= len(s.jpeg)
	}
}
