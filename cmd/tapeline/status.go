package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"tapeline/pipeline/jobs"
	"tapeline/pipeline/outbox"
)

var statusCommand = command{
	name:  "status",
	about: "tell what waits, runs, is done or failed",
	usage: `usage: tapeline status [flags]

Tells how many clips are waiting, being read, done, failed, not placed and held,
those that need somebody with file and reason, where lessons stand on their way to the
families, and the space left on the disk. The recording of a whole lesson is one line:
possible swings, lessons, and what else became of them; as long as something is to be
done, or for a day.

Where several machines work it says why clips wait (no office, no reader, a store of
files or a disk that one of them can't use, and since when), and of each machine whether
it is the office or reads, the number of its process, how many clips it has in hand, and
its last sign of life, by the database's clock. One that was cut off is told of for a
day, and where clips may lie in its folder until it begins again, at most 90 days.

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
	Worker  string    `json:"worker,omitempty"` // id of who reads it, where there are several
	// Of the recording it was cut out of, and where in that it begins.
	Recording string  `json:"recording,omitempty"`
	From      float64 `json:"from_s,omitempty"`
}

// statusPatience is how long the database may take.
const statusPatience = 20 * time.Second

func status(ctx context.Context, s streams, args []string) (err error) {
	var asJSON bool
	names, conf, sp, err := yardArgs("status", args, "json", &asJSON)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("status: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	if y.c.Store != "" { // who asks wants to know now
		short, cancel := context.WithTimeout(ctx, statusPatience)
		defer cancel()
		ctx = short
		defer func() { err = y.baseAway(err) }()
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
		// Recordings of lessons that were changed today or have something left.
		Recordings []jobs.Recording `json:"recordings"`
		Lessons    map[string]int   `json:"lessons,omitempty"` // by where they stand on their way to the family
		// Workers are the machines that work here, where there are several, and Holds why
		// clips wait.
		Workers []machine `json:"workers,omitempty"`
		Holds   []snag    `json:"holds,omitempty"`
		// Clips whose files are in the office's folders and not in the store of files.
		Unstored int `json:"not_stored,omitempty"`
		// Elsewhere are those of them that lie at an office of before.
		Elsewhere int `json:"not_stored_elsewhere,omitempty"`
	}{Counts: map[jobs.State]int{}, Free: free, Clips: []statusClip{}, Recordings: []jobs.Recording{}}
	all, err := st.Recordings(ctx)
	if err != nil {
		return err
	}
	for _, r := range all {
		if !r.Told() || time.Since(r.Changed) < 24*time.Hour {
			out.Recordings = append(out.Recordings, r)
		}
	}
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
			if c.Reason == jobs.TakenBack {
				continue
			}
			out.Clips = append(out.Clips, statusClip{Clip: c.Short(), Player: c.Player, State: string(c.State), Step: c.Step, Done: c.Part, Total: c.Whole,
				Tries: c.Tries, Reason: c.Reason, Detail: c.Detail, Lies: c.Original(), Changed: c.Changed,
				Recording: c.Parent, From: float64(c.From) / 1000})
			switch last := &out.Clips[len(out.Clips)-1]; {
			case c.State == jobs.Running, c.State == jobs.Publishing:
				last.Worker = c.Worker
			case c.State == jobs.Waiting && c.Reason == "" && y.c.Clips != "" && c.Stocked <= 0:
				last.Reason = "not_stored"
			}
		}
	}
	if out.Lessons, err = y.lessonsStand(ctx); err != nil {
		return err
	}
	if y.c.Clips != "" {
		if out.Workers, err = y.machines(ctx, st, out.Clips); err != nil {
			return err
		}
		out.Holds = y.snags(out.Workers)
		if out.Unstored, out.Elsewhere, err = st.Unstored(ctx); err != nil {
			return err
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
	for _, state := range outbox.States {
		if n := out.Lessons[state]; n > 0 {
			fmt.Fprintf(s.out, "%-20s %d\n", y.text.Outbox["lesson"]+": "+y.text.Outbox[state], n)
		}
	}
	fmt.Fprintf(s.out, t["space"]+"\n", y.text.Number(float64(free)/1e9, 1))
	if out.Unstored > 0 {
		fmt.Fprintf(s.out, t["local"]+"\n", out.Unstored)
		if out.Elsewhere > 0 {
			fmt.Fprintf(s.out, t["local_before"]+"\n", out.Elsewhere)
		}
	}
	y.tellSnags(s.out, out.Holds, out.Workers)
	y.tellMachines(s.out, out.Workers)
	if len(out.Clips)+len(out.Recordings) == 0 {
		return nil
	}
	fmt.Fprintln(s.out)
	row(s.out, t["clip"], t["player"], t["what"])
	recordings := map[string]bool{}
	for _, r := range out.Recordings {
		switch recordings[r.Hash[:8]] = true; {
		case r.State == jobs.Done:
			y.tell(s.out, r)
			continue
		case r.Step != "":
			row(s.out, r.Hash[:8], r.Player, t["recording"]+": "+y.going(r.Step, r.Part, r.Whole))
			continue
		}
		what := t["recording"] + ": " + t[string(r.State)]
		if r.Reason != "" {
			what += ": " + y.text.Why(r.Reason, r.Detail)
		}
		row(s.out, r.Hash[:8], r.Player, what)
	}
	for _, c := range out.Clips {
		if recordings[c.Clip] || c.Recording != "" && c.State != string(jobs.Failed) && c.State != string(jobs.Running) {
			continue // it is told of with its recording
		}
		what := t[c.State]
		switch jobs.State(c.State) {
		case jobs.Failed, jobs.Unplaced, jobs.Held:
			what += " (" + y.shown(c.Lies) + ")"
		}
		if c.Step != "" {
			what += ": " + y.going(c.Step, c.Done, c.Total)
		}
		if c.Reason != "" && !(c.State == string(jobs.Waiting) && slices.ContainsFunc(out.Holds, func(h snag) bool { return h.Reason == c.Reason })) {
			what += ": " + y.text.Why(c.Reason, c.Detail)
		}
		row(s.out, c.Clip, c.Player, what)
	}
	if counts[jobs.Failed] > 0 {
		fmt.Fprintln(s.out, "\n"+t["try_again"])
	}
	return nil
}

// shown is a path as a list shows it: below the work folder where it lies
// there, and in quotes where a name would upset the line.
func (y *yard) shown(path string) string {
	if rel, err := filepath.Rel(y.work, path); err == nil && filepath.IsLocal(rel) {
		path = rel
	}
	if q := strconv.Quote(path); q != `"`+path+`"` {
		return q
	}
	return path
}

// lessonsStand counts lessons by where they stand on their way to the family;
// nil where there is no ledger yet or no roster.
func (y *yard) lessonsStand(ctx context.Context) (map[string]int, error) {
	at, err := y.ledger()
	if err != nil || y.c.Roster == "" || !at.there(ctx) {
		return nil, err
	}
	p, err := y.openPost(ctx, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, err
	}
	defer p.Close()
	return p.box.Counts(ctx)
}
