package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"tapeline/pipeline/jobs"
)

var statusCommand = command{
	name:  "status",
	about: "tell what waits, runs, is done or failed",
	usage: `usage: tapeline status [flags]

Tells how many clips are waiting, being read, done, failed, not placed and held,
those that need somebody with the reason, and the space left on the disk.

  --json          one JSON object
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { statusCommand.run = status }

// statusClip is a clip as status tells of it.
type statusClip struct {
	Clip    string    `json:"clip"`
	Player  string    `json:"player"`
	State   string    `json:"state"`
	Step    string    `json:"step,omitempty"`
	Done    int       `json:"done,omitempty"`
	Total   int       `json:"total,omitempty"`
	Tries   int       `json:"tries"`
	Reason  string    `json:"reason,omitempty"`
	Detail  string    `json:"detail,omitempty"`
	Lies    string    `json:"lies,omitempty"`
	Changed time.Time `json:"changed"`
}

func status(ctx context.Context, s streams, args []string) error {
	var asJSON bool
	names, conf, sp, err := yardArgs(&statusCommand, s, args, "json", &asJSON)
	if err != nil || names == nil {
		return err
	}
	if len(names) > 0 {
		return usage("status: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	st, err := y.store(ctx, false)
	if err != nil {
		return err
	}
	defer st.Close()
	counts, err := st.Counts(ctx)
	if err != nil {
		return err
	}
	free, err := jobs.Free(y.work)
	if err != nil {
		return y.busy(err)
	}
	out := struct {
		Counts map[jobs.State]int `json:"counts"`
		Free   uint64             `json:"free_bytes"`
		Clips  []statusClip       `json:"clips"` // but for those that are done
	}{Counts: map[jobs.State]int{}, Free: free, Clips: []statusClip{}}
	for _, state := range jobs.States {
		out.Counts[state] = counts[state]
		if state == jobs.Done {
			continue
		}
		clips, err := st.Clips(ctx, state)
		if err != nil {
			return err
		}
		for _, c := range clips {
			out.Clips = append(out.Clips, statusClip{Clip: c.Short(), Player: c.Player, State: string(c.State), Step: c.Step, Done: c.Part, Total: c.Whole,
				Tries: c.Tries, Reason: c.Reason, Detail: c.Detail, Lies: c.Original(), Changed: c.Changed})
		}
	}
	if asJSON {
		b, err := json.Marshal(out)
		if err != nil {
			return err
		}
		_, err = s.out.Write(append(b, '\n'))
		return err
	}
	t := y.text.Work
	for _, state := range jobs.States {
		if n := counts[state]; n > 0 || state != jobs.Publishing {
			fmt.Fprintf(s.out, "%-20s %d\n", t[string(state)], n)
		}
	}
	fmt.Fprintf(s.out, t["space"]+"\n", y.text.Number(float64(free)/1e9, 1))
	if len(out.Clips) == 0 {
		return nil
	}
	fmt.Fprintln(s.out)
	row(s.out, t["clip"], t["player"], t["what"])
	for _, c := range out.Clips {
		what := t[c.State]
		if c.Step != "" {
			step := c.Step
			if said, ok := t[step]; ok {
				step = said
			}
			what += ": " + fmt.Sprintf(t["step"], step, c.Done, c.Total)
		}
		if c.Reason != "" {
			what += ": " + y.text.Why(c.Reason, c.Detail)
		}
		row(s.out, c.Clip, c.Player, what)
	}
	if counts[jobs.Failed] > 0 {
		fmt.Fprintln(s.out, "\n"+t["try_again"])
	}
	return nil
}
