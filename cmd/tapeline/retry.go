package main

import (
	"context"
	"errors"
	"fmt"

	"tapeline/pipeline/jobs"
)

var retryCommand = command{
	name:  "retry",
	about: "read failed clips again",
	usage: `usage: tapeline retry CLIP… | --all [flags]

Makes failed clips wait again, those named by their code in "tapeline status",
or all. They are read by the "tapeline watch" that is running, or the next one.

  --all           every failed clip
  --config FILE   configuration (default tapeline.yaml, if it is there)
  --lang L        en or es
`,
}

func init() { retryCommand.run = retry }

func retry(ctx context.Context, s streams, args []string) error {
	var all bool
	names, conf, sp, err := yardArgs("retry", args, "all", &all)
	if err != nil {
		return err
	}
	if all == (len(names) > 0) {
		return usage("retry: name the clips, or --all")
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
	n, err := st.Retry(ctx, names, all)
	var no *jobs.NoSuchClip
	if errors.As(err, &no) {
		if no.Fits > 1 {
			return usage("retry: %q fits several failed clips; write more of it", no.Name)
		}
		return usage("retry: %q is no failed clip", no.Name)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, y.text.Work["again"]+"\n", n)
	return nil
}
