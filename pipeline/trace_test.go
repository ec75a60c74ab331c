package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"sync"
	"testing"
)

func TestTrace(t *testing.T) {
	Tracing(context.Background()).Begin("a", "nobody listens").End() // the nil Trace

	tr := NewTrace()
	ctx := WithTrace(context.Background(), tr)
	outer := Tracing(ctx).Begin("a", "outer")
	Tracing(ctx).Begin("a", "inner").End()
	outer.End()
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() { Tracing(ctx).Begin("b", "beside").End() })
	}
	wg.Wait()

	var b bytes.Buffer
	if err := tr.Write(&b); err != nil {
		t.Fatal(err)
	}
	var f TraceFile
	if err := json.Unmarshal(b.Bytes(), &f); err != nil {
		t.Fatal(err)
	}
	spans, lanes := map[string][]TraceEvent{}, map[int]string{}
	for _, e := range f.Events {
		switch e.Phase {
		case "X":
			spans[e.Name] = append(spans[e.Name], e)
		case "M":
			lanes[e.TID] = e.Args["name"]
		default:
			t.Errorf("phase %q", e.Phase)
		}
	}
	if len(spans["outer"]) != 1 || len(spans["inner"]) != 1 || len(spans["beside"]) != 8 {
		t.Fatalf("spans: %v", spans)
	}
	o, i := spans["outer"][0], spans["inner"][0]
	if i.TS < o.TS || i.TS+i.Dur > o.TS+o.Dur+1e-3 {
		t.Errorf("inner %+v is not inside of outer %+v", i, o)
	}
	if lanes[o.TID] != "a" || lanes[i.TID] != "a" || lanes[spans["beside"][0].TID] != "b" {
		t.Errorf("lanes %v", lanes)
	}
}
