package jobs

import (
	"fmt"
	"net/http"
	"strings"
	"time"
)

// Handler serves /healthz and, in the text format of Prometheus
// (prometheus.io/docs/instrumenting/exposition_formats), /metrics. Numbers and
// states only.
func (e *Engine) Handler() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) {
		if _, err := e.store.Counts(r.Context()); err != nil {
			http.Error(w, "the queue can't be read", http.StatusServiceUnavailable)
			return
		}
		if b := e.blocked(); b != "" {
			http.Error(w, b, http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ok")
	})
	m.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		n, err := e.store.Counts(r.Context())
		if err != nil {
			http.Error(w, "the queue can't be read", http.StatusServiceUnavailable)
			return
		}
		w.Header().Set("Content-Type", "text/plain; version=0.0.4")
		var b strings.Builder
		b.WriteString("# HELP tapeline_clips Clips by state.\n# TYPE tapeline_clips gauge\n")
		for _, s := range States {
			fmt.Fprintf(&b, "tapeline_clips{state=%q} %d\n", s, n[s])
		}
		b.WriteString("# HELP tapeline_outcomes_total What became of clips since the start.\n# TYPE tapeline_outcomes_total counter\n")
		e.mu.Lock()
		for _, s := range []string{string(Done), string(Failed), string(Unplaced), string(Held), Duplicate, Card, Scanned, Empty} {
			fmt.Fprintf(&b, "tapeline_outcomes_total{outcome=%q} %d\n", s, e.sum[s])
		}
		blocked := flag(e.block != "")
		e.mu.Unlock()
		fmt.Fprintf(&b, "# HELP tapeline_blocked No clip can be read now.\n# TYPE tapeline_blocked gauge\ntapeline_blocked %d\n", blocked)
		if free, err := e.o.Free(e.o.Work); err == nil {
			fmt.Fprintf(&b, "# HELP tapeline_free_bytes Room on the disk of the work folder.\n# TYPE tapeline_free_bytes gauge\ntapeline_free_bytes %d\n", free)
		}
		_, _ = w.Write([]byte(b.String()))
	})
	return m
}

// Server is that handler with the patience of a server.
func (e *Engine) Server(at string) *http.Server {
	return &http.Server{Addr: at, Handler: e.Handler(), ReadTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second}
}
