package jobs

import (
	"net/http/httptest"
	"strings"
	"testing"
)

func TestMetrics(t *testing.T) {
	work := house(t)
	drop(t, work, "inbox/p001/a.mov", "good")
	drop(t, work, "inbox/p007/b.mov", "held")
	drop(t, work, "inbox/c.mov", "nobody's")
	once(t, work, nil)
	o := options(work)
	o.Free = func(string) (uint64, error) { return 12345, nil }
	e := New(store(t, work), o)
	get := func(path string) (int, string) {
		w := httptest.NewRecorder()
		e.Handler().ServeHTTP(w, httptest.NewRequest("GET", path, nil))
		return w.Code, w.Body.String()
	}
	if code, body := get("/healthz"); code != 200 || body != "ok\n" {
		t.Errorf("%d %q", code, body)
	}
	code, body := get("/metrics")
	for _, want := range []string{`tapeline_clips{state="done"} 1`, `tapeline_clips{state="held"} 1`, `tapeline_clips{state="unplaced"} 1`, `tapeline_clips{state="failed"} 0`, "tapeline_free_bytes 12345", "tapeline_blocked 0"} {
		if code != 200 || !strings.Contains(body, want+"\n") {
			t.Errorf("%d: no %s in\n%s", code, want, body)
		}
	}
	if strings.Contains(body, "p001") || strings.Contains(body, work) {
		t.Errorf("it tells of whom:\n%s", body)
	}
	e.blocks(NoSpace, "")
	if code, body := get("/healthz"); code != 503 || body != NoSpace+"\n" {
		t.Errorf("%d %q", code, body)
	}
	if code, _ := get("/else"); code != 404 {
		t.Errorf("%d", code)
	}
}
