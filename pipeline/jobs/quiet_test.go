package jobs

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"tapeline/pipeline"
)

// What went wrong is logged without what a file or a line of the roster may
// call a child.
func TestLogsNoNames(t *testing.T) {
	work := house(t)
	h := drop(t, work, "inbox/p001/Ada Lovelace.mov", "ok")
	var said bytes.Buffer
	log := slog.New(slog.NewTextHandler(&said, nil))
	once(t, work, func(o *Options) {
		o.Log = log
		o.Ready = func() error { return errors.New(`roster.csv:3: first_name: "Ada Lovelace" is no first name`) }
	})
	once(t, work, func(o *Options) {
		o.Log = log
		o.Long = func(_ context.Context, path string) (time.Duration, error) {
			return 0, &pipeline.Error{Fault: pipeline.FaultSetup, Step: "probe", Path: path, What: "ffprobe is missing"}
		}
	})
	for _, want := range []string{NoRoster, "not_taken", "ffprobe is missing", h[:8]} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("%q is not said in\n%s", want, said.String())
		}
	}
	if strings.Contains(said.String(), "Lovelace") {
		t.Errorf("a name is in the log:\n%s", said.String())
	}
}
