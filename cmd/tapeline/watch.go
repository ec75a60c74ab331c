package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"sync"
	_ "time/tzdata" // a container may know no zones
)

var watchCommand = command{
	name:  "watch",
	about: "make a lesson of every clip that is dropped in a folder",
	usage: `usage: tapeline watch [flags]

Watches the inbox folders and makes a lesson of every clip that comes, until it
is stopped. Whose clip it is, its folder says (inbox/b07/swing.mov), the notes
beside it (player: b07), or its name (b07_swing.mov). Where none of them does, a
number card ("tapeline cards") in it, or in the last clip with one that was
recorded before it into the same folder: one folder a phone. Below the work
folder:
  inbox/        drop clips here, with their notes and voice notes
  lessons/      PLAYER/DAY-CLIP/ with what "tapeline read" makes
  archive/      originals, unchanged; they still carry where they were filmed
                (_recordings: those of whole lessons, which show several players)
  unplaced/     clips nobody can be found for, the reason beside
  failed/       clips that can't be read, the reason beside
The recording of a whole lesson, more than a minute, is cut apart and each swing
read as a clip of its own. Whose it is, cards in the recording say, else times in
the notes beside it, players: [{from: 0:00, to: 12:30, id: b07}], else what tells
of the whole; where nothing does the cut goes to unplaced/, for you to put into
its player's folder. See also "tapeline help scan".
Who may not be filmed is not read: the clip stays where it is. What is hidden,
still being copied, a link or no file is left alone; notes without their clip
wait for it. Every night, at the configured time, everything that lies in wait
is looked at again, and what was kept long enough (keep) is removed. With a mail
server configured what may leave of each new lesson is made, and what is
released ("tapeline release") is sent within a minute.

Where several machines work (store: and clips: in the configuration) this is the
one that takes clips in, from its own inbox and that of the store of files, and
has the lessons for the desk; "tapeline work" on the others reads with it, or,
with jobs: 0, for it.

  --config FILE   configuration (default tapeline.yaml, if it is there); "tapeline
                  help" lists its keys. A roster must be named in it.
  --lang L        language of the reasons and lessons: en or es

Events go to standard error, one a line, without names.
`,
}

func init() { watchCommand.run = watch }

func watch(ctx context.Context, s streams, args []string) error {
	names, conf, sp, err := yardArgs("watch", args, "", nil)
	if err != nil {
		return err
	}
	if len(names) > 0 {
		return usage("watch: %q is too much; the folders stand in the configuration", names[0])
	}
	y, err := openYard(conf, sp)
	if err != nil {
		return err
	}
	st, err := y.store(ctx, true)
	if err != nil {
		return err
	}
	defer st.Close()
	log := y.log(s.err)
	d, err := y.depot(ctx)
	if err != nil {
		return err
	}
	if d != nil {
		defer d.Close()
	}
	e, err := y.engine(st, d, nil, log)
	if err != nil {
		return err
	}
	p, err := y.makePost(ctx, log)
	if err != nil {
		return err
	}
	defer p.Close()
	if y.c.Metrics != "" {
		at, err := net.Listen("tcp", y.c.Metrics)
		if err != nil {
			return usage("metrics: %v", err)
		}
		srv := e.Server(y.c.Metrics)
		srv.Handler = p.measured(srv.Handler)
		defer srv.Close()
		go func() {
			if err := srv.Serve(at); !errors.Is(err, http.ErrServerClosed) {
				log.Error("metrics_failed", "err", err)
			}
		}()
	}
	tended, end := context.WithCancel(ctx)
	var post sync.WaitGroup
	post.Go(func() { p.tend(tended, st, log) })
	err = e.Run(ctx)
	end()
	post.Wait()
	return y.busy(err)
}
