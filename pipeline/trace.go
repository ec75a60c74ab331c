package pipeline

import (
	"context"
	"encoding/json"
	"io"
	"sync"
	"time"
)

// Trace notes when what was worked on. The nil Trace notes nothing, so that
// whoever works need not ask. Safe for several goroutines.
type Trace struct {
	mu    sync.Mutex
	start time.Time
	spans []traced
	lanes map[string]int
}

type traced struct {
	lane, name string
	from, long time.Duration
}

// NewTrace begins now.
func NewTrace() *Trace { return &Trace{start: time.Now(), lanes: map[string]int{}} }

// TraceSpan is one piece of work that has begun.
type TraceSpan struct {
	t          *Trace
	lane, name string
	from       time.Time
}

// Begin starts a piece of work in a lane, a row of its own in the picture:
// pieces of one lane follow or contain each other.
func (t *Trace) Begin(lane, name string) TraceSpan {
	if t == nil {
		return TraceSpan{}
	}
	return TraceSpan{t, lane, name, time.Now()}
}

// End notes the piece of work.
func (s TraceSpan) End() {
	if s.t == nil {
		return
	}
	long := time.Since(s.from)
	s.t.mu.Lock()
	defer s.t.mu.Unlock()
	if _, ok := s.t.lanes[s.lane]; !ok {
		s.t.lanes[s.lane] = len(s.t.lanes) + 1
	}
	s.t.spans = append(s.t.spans, traced{s.lane, s.name, s.from.Sub(s.t.start), long})
}

// TraceEvent is one object of the Trace Event Format, "JSON Object Format",
// that browsers' trace viewers read: ph "X" is a span with its begin and
// length in microseconds, "M" names a lane.
type TraceEvent struct {
	Name  string            `json:"name"`
	Phase string            `json:"ph"`
	PID   int               `json:"pid"`
	TID   int               `json:"tid"`
	TS    float64           `json:"ts"`
	Dur   float64           `json:"dur,omitempty"`
	Args  map[string]string `json:"args,omitempty"`
}

// TraceFile is what Write writes.
type TraceFile struct {
	Events []TraceEvent `json:"traceEvents"`
}

// Write writes all spans that have ended.
func (t *Trace) Write(w io.Writer) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	f := TraceFile{Events: []TraceEvent{}}
	for name, id := range t.lanes {
		f.Events = append(f.Events, TraceEvent{Name: "thread_name", Phase: "M", PID: 1, TID: id, Args: map[string]string{"name": name}})
	}
	µs := func(d time.Duration) float64 { return float64(d.Nanoseconds()) / 1e3 }
	for _, s := range t.spans {
		f.Events = append(f.Events, TraceEvent{Name: s.name, Phase: "X", PID: 1, TID: t.lanes[s.lane], TS: µs(s.from), Dur: µs(s.long)})
	}
	return json.NewEncoder(w).Encode(f)
}

type traceKey struct{}

// WithTrace hands a Trace down to whatever works under ctx.
func WithTrace(ctx context.Context, t *Trace) context.Context {
	return context.WithValue(ctx, traceKey{}, t)
}

// Tracing is the Trace of ctx, nil when there is none.
func Tracing(ctx context.Context) *Trace {
	t, _ := ctx.Value(traceKey{}).(*Trace)
	return t
}
