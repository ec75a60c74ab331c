package pipeline

import (
	"errors"
	"io"
	"testing"
)

// counted gives n frames in one buffer, as a decoder does.
type counted struct {
	i, n   int
	err    error
	pix    [1]byte
	closed int
}

func (c *counted) Next() (*Frame, error) {
	if c.i == c.n {
		return nil, c.err
	}
	c.pix[0] = byte(c.i)
	c.i++
	return &Frame{Index: c.i - 1, Pix: c.pix[:]}, nil
}

func (c *counted) Close() error { c.closed++; return nil }

func TestReadAhead(t *testing.T) {
	broken := errors.New("broken")
	for _, end := range []error{io.EOF, broken} {
		src := &counted{n: 50, err: end}
		a := ReadAhead(src, 3)
		var held *Frame // one frame stays with the caller while the next is read
		for i := range 50 {
			f, err := a.Next()
			if err != nil || f.Index != i || f.Pix[0] != byte(i) {
				t.Fatalf("frame %d: %+v %v", i, f, err)
			}
			if held != nil {
				if held.Pix[0] != byte(i-1) {
					t.Fatalf("frame %d was overwritten", i-1)
				}
				a.Free(held)
			}
			held = f
		}
		for range 2 {
			if _, err := a.Next(); err != end {
				t.Errorf("at the end: %v, want %v", err, end)
			}
		}
		for range 2 {
			if err := a.Close(); err != nil {
				t.Error(err)
			}
		}
		if src.closed != 1 {
			t.Errorf("closed %d times", src.closed)
		}
	}
}

// Whoever stops early leaves no reader behind, and never were there more
// frames than allowed.
func TestReadAheadLeftEarly(t *testing.T) {
	src := &counted{n: 1000, err: io.EOF}
	a := ReadAhead(src, 4)
	if _, err := a.Next(); err != nil {
		t.Fatal(err)
	}
	a.Close() // waits for the reader
	if src.i > 4 || src.closed != 1 {
		t.Errorf("%d frames read, closed %d times", src.i, src.closed)
	}
}

type panics struct{ counted }

func (*panics) Next() (*Frame, error) { panic("a defect") }

// A panic in the reading goroutine would end the program: it comes back as the
// error it is elsewhere.
func TestReadAheadPanic(t *testing.T) {
	a := ReadAhead(&panics{}, 2)
	defer a.Close()
	_, err := a.Next()
	var e *Error
	if !errors.As(err, &e) || e.Fault != FaultInternal {
		t.Errorf("%v", err)
	}
}
