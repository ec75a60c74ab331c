package main

import (
	"context"
	"errors"
	"path/filepath"

	"tapeline/config"
	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
)

var workCommand = command{
	name:  "work",
	about: "read clips for a \"tapeline watch\" that runs on another machine",
	usage: `usage: tapeline work [flags]

Reads what waits in the queue that several machines share, until it is stopped,
and keeps nothing here: originals come from the store of files, lessons go there
(store: and clips: in the configuration). The roster must be here too: who may not be filmed is
not read. Any number of machines may, and several on one; how many clips at once
each reads is jobs:. A worker that dies, hangs or is cut off loses nothing: after
worker.silence without a sign of life the others take over what it did, and when
it comes back it begins anew. The clip it was reading when it was cut off lies in
workers/ of the work folder until "work" begins there again: start it once, or,
when nothing runs there, delete that folder. "tapeline status" names such machines
until then, or for 90 days.

Stopped by SIGTERM, or ^C, it takes nothing more and ends what it reads; a second
time, it gives back what it reads at once.

  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        language of the lessons: en or es

Events go to standard error, one a line, without names.
`,
}

func init() { workCommand.run = work }

func work(ctx context.Context, s streams, args []string) error {
	names, conf, sp, err := yardArgs("work", args, "", nil)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("work: %q is too much", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	if y.c.Store == "" || y.c.Clips == "" {
		return usage("work: several machines share a queue in a database and a store of files; write store: postgres://… and clips: … in %s", config.File)
	}
	if y.c.Jobs == 0 {
		return usage("work: jobs is 0, so nothing would be read here")
	}
	// The store is where "tapeline watch" made it.
	st, err := y.store(ctx, true)
	if err != nil {
		return err
	}
	defer st.Close()
	d, err := y.depot(ctx)
	if err != nil {
		return err
	}
	defer d.Close()
	o, err := y.options(d, y.log(s.err))
	if err != nil {
		return err
	}
	var unlock func()
	if o.Work, unlock, err = jobs.Slot(y.work); errors.Is(err, jobs.ErrBusy) {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: filepath.Join(y.work, "workers"), What: "more workers than a machine may have are at work here"}
	} else if err != nil {
		return &pipeline.Error{Fault: pipeline.FaultOutput, Path: y.work, What: "no folder for a worker can be made", Err: err}
	}
	defer unlock()
	st.Share(o.Work)

	hard, stop := jobs.Again(ctx)
	defer stop()
	return y.busy(jobs.New(st, o).Work(ctx, hard))
}
