package pipeline

import "sync"

// Sparse is a Source that can leave frames out for less than it costs to make
// pictures of them.
type Sparse interface {
	// Apart leaves out every frame that comes less than gap seconds of
	// presentation time after the last one given; 0 leaves out none.
	Apart(gap float64)
	// Pick leaves out all frames but those of these numbers, which rise.
	Pick(frames []int)
}

// Ahead reads a Source in a goroutine of its own, at most as many frames ahead
// as it is told, so that decoding overlaps with what is done to the frames.
// Unlike those of a Source its frames are the caller's until given to Free.
type Ahead struct {
	src   Source
	ready chan ahead
	free  chan *Frame
	stop  chan struct{}
	once  sync.Once
	done  sync.WaitGroup
	last  *ahead // what ended it
}

type ahead struct {
	f   *Frame
	err error
}

// ReadAhead begins to read src, which Close closes; most ≥ 1 frames exist at a
// time, the caller's included.
func ReadAhead(src Source, most int) *Ahead {
	a := &Ahead{src: src, ready: make(chan ahead, most), free: make(chan *Frame, most), stop: make(chan struct{})}
	for range most {
		a.free <- &Frame{}
	}
	a.done.Go(a.read)
	return a
}

func (a *Ahead) read() {
	for {
		var mine *Frame
		select {
		case mine = <-a.free:
		case <-a.stop:
			return
		}
		if err := a.copy(mine); err != nil {
			a.ready <- ahead{err: err}
			return
		}
		a.ready <- ahead{f: mine}
	}
}

func (a *Ahead) copy(to *Frame) (err error) {
	defer Catch(&err)
	f, err := a.src.Next()
	if err != nil {
		return err
	}
	pix := append(to.Pix[:0], f.Pix...)
	*to = *f
	to.Pix = pix
	return nil
}

// Next is the next frame; its errors are the Source's.
func (a *Ahead) Next() (*Frame, error) {
	if a.last == nil {
		n := <-a.ready
		if n.err == nil {
			return n.f, nil
		}
		a.last = &n
	}
	return nil, a.last.err
}

// Free gives a frame's memory back.
func (a *Ahead) Free(f *Frame) { a.free <- f }

// Close stops reading and closes the Source; frames not given back are lost.
// Closing twice is harmless.
func (a *Ahead) Close() (err error) {
	a.once.Do(func() {
		close(a.stop)
		a.done.Wait()
		err = a.src.Close()
	})
	return err
}
