package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// bar shows how far a clip has come: a bar with the time left on a
// terminal, else a plain line at the start of a step and at each quarter of it.
type bar struct {
	w       io.Writer
	clip    string
	bars    bool
	step    string
	bar     *progressbar.ProgressBar
	quarter int
}

// steps says what the rooms' steps are to whoever waits.
var steps = map[string]string{
	"scan":  "looking for swings",
	"cut":   "cutting out",
	"pose":  "reading the swing",
	"paint": "painting the lesson",
	"look":  "looking for other people",
	"check": "looking at what was hidden",
	"send":  "sending",
}

func newBar(w io.Writer, clip string) *bar {
	f, ok := w.(*os.File)
	return &bar{w: w, clip: clip, bars: ok && term.IsTerminal(int(f.Fd()))}
}

func (p *bar) tell(step string, done, total int) {
	if said, ok := steps[step]; ok {
		step = said
	}
	total = max(total, 1)
	if step != p.step {
		p.end()
		p.step, p.quarter = step, 0
		if p.bars {
			p.bar = progressbar.NewOptions(total, progressbar.OptionSetWriter(p.w), progressbar.OptionSetDescription(p.clip+" "+step),
				progressbar.OptionSetPredictTime(true), progressbar.OptionSetWidth(30), progressbar.OptionThrottle(100*time.Millisecond),
				progressbar.OptionClearOnFinish(), progressbar.OptionSetRenderBlankState(true))
		} else {
			fmt.Fprintf(p.w, "%s: %s\n", p.clip, step)
		}
	}
	if p.bar != nil {
		p.bar.ChangeMax(total)
		_ = p.bar.Set(min(done, total))
		return
	}
	if q := 4 * done / total; q > p.quarter && q < 4 {
		p.quarter = q
		fmt.Fprintf(p.w, "%s: %s %d %%\n", p.clip, step, 25*q)
	}
}

// end takes the bar away.
func (p *bar) end() {
	if p.bar != nil {
		_ = p.bar.Clear()
		p.bar = nil
	}
}
