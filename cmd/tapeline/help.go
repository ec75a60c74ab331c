package main

import (
	"context"
	"fmt"
	"strings"

	"tapeline/pipeline"
)

var helpCommand = command{
	name:  "help",
	about: "explain a command",
	usage: "usage: tapeline help [command]\n\nExplains a command, or lists them all with the exit codes.\n",
}

func init() {
	helpCommand.run = func(_ context.Context, io streams, args []string) error {
		if len(args) == 0 {
			fmt.Fprint(io.out, overview())
			return nil
		}
		for _, c := range commands() {
			if len(args) == 1 && c.name == args[0] {
				fmt.Fprint(io.out, c.usage)
				return nil
			}
		}
		return usage("help: %q is no command; there are %s", strings.Join(args, " "), strings.Join(names(), ", "))
	}
}

// exits documents every exit code.
var exits = []struct {
	code    pipeline.Fault
	meaning string
}{
	{0, "done"},
	{pipeline.FaultInternal, "a defect of tapeline"},
	{pipeline.FaultUsage, "wrong flag, missing argument or bad configuration"},
	{pipeline.FaultUnreadable, "unreadable: not a clip, damaged, or beyond the limits"},
	{pipeline.FaultNoBatter, "no batter in the clip"},
	{pipeline.FaultNoSwing, "no swing in the clip"},
	{pipeline.FaultSetup, "set-up missing: models, inference library or ffmpeg"},
	{pipeline.FaultOutput, "output exists or can't be written; the store of files or the mail server is away"},
	{pipeline.FaultPartial, "several clips: some were read, some not"},
	{pipeline.FaultLedger, "ledger, queue or their database can't be read or written, or there is none; a lesson that was made is there"},
	{pipeline.FaultInterrupted, "interrupted; nothing half-written is left"},
}

func overview() string {
	var b strings.Builder
	b.WriteString("tapeline makes a lesson of a phone clip of a batting swing.\n\nusage: tapeline COMMAND …\n\n")
	for _, c := range commands() {
		fmt.Fprintf(&b, "  %-11s %s\n", c.name, c.about)
	}
	b.WriteString("\nexit codes:\n")
	for _, e := range exits {
		fmt.Fprintf(&b, "  %-11d %s\n", e.code, e.meaning)
	}
	b.WriteString(`
What stays the same from clip to clip can be written in tapeline.yaml in the
working folder, or set in the environment (TAPELINE_BATTER_HEIGHT for
batter.height); flags win:
  out: lessons
  home: DIR                    # where the set-up put the models
  ledger: FILE                 # players and lessons; else ledger.db in out
  lang: en                     # or es
  units: metric                # or imperial
  rules: FILE                  # an academy's own limits, over the shipped ones
  batter: {height: 170cm, bats: R, level: youth, sport: baseball}
  camera: {view: chest, distance: 5m}
  pose: {quality: best}
  decoder: auto                # of the film's pictures: video hardware, if there
                               # is some; software. All else is always software
For watch and nightly:
  work: tapeline-work          # inbox, archive, unplaced, failed, lessons in it
  inbox: [DIR, …]              # else inbox in work
  poll: 0s                     # 30s for network folders, which tell of nothing
  settle: 5s                   # a file is taken when quiet for so long
  cap: 10m                     # or, never quiet, after so long
  roster: FILE                 # who may be filmed; CSV or YAML
  nightly: "02:00"             # everything is looked at again
  timezone: Local              # or America/Chicago
  jobs: 1                      # readings at once
  tries: 3                     # of one clip
  limits: {time: 15m, memory: 3GB, space: 2GB}   # space: what stays free
  metrics: ""                  # 127.0.0.1:9100 for /healthz and /metrics
  log: {level: info, format: text}               # or debug, warn, error; json
  keep: "0"                    # 400d: what was filmed before is removed at night
For what leaves (release, send, watch, nightly):
  release: coach               # auto: what is certain leaves without your word
  others: ask                  # somebody else in the film: blur, allow
  academy: {name: "", colour: "#0072b2", foot: ""}
  mail:                        # nothing is sent without a host
    {host: "", port: 0, tls: starttls, user: "", password_file: FILE,
     from: ADDRESS, reply_to: ADDRESS, name: "", max_bytes: 14MB, per_hour: 100,
     unsure: ask, unsubscribe: "", timeout: 1m}
For several machines:
  store: ""                    # queue and ledger in a database:
                               # postgres://user@host/db?sslmode=verify-full;
                               # else in files: store.db and the ledger's
  store_password_file: FILE    # or PGPASSFILE; in store it may not stand
  clips: ""                    # store of files, originals and lessons for all:
                               # s3://bucket?region=R&endpoint=URL&prefix=P or
                               # file:///DIR; else the work folder
  clips_events: ""             # awssqs://…: told of what comes there
  worker: {name: "", silence: 60s}   # in status, else the machine's own name;
                               # silent so long, another takes over.
                               # jobs: 0 where only other machines read
The first line of a roster names its columns; only id must be there:
  id,first_name,bats,height,level,sport,language,guardian_email,consent_film,
  consent_mail,withdrawn_film,withdrawn_mail     # days as 2026-02-01; several
                                                 # addresses with ; between
The password comes from TAPELINE_MAIL_PASSWORD or the file. tls: tls for port
465, none for a server on this machine. unsure: again sends once more, without
asking, what had gone when no answer came.
`)
	return b.String()
}

func names() (out []string) {
	for _, c := range commands() {
		out = append(out, c.name)
	}
	return out
}
