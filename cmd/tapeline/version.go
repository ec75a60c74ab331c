package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"

	"tapeline/pipeline"
)

var versionCommand = command{
	name:  "version",
	about: "print the version",
	usage: "usage: tapeline version\n\nPrints the version, the source it was built from, and the versions of the files it writes.\n",
	run: func(_ context.Context, io streams, args []string) error {
		if len(args) > 0 {
			return usage("version takes nothing more")
		}
		fmt.Fprintf(io.out, "tapeline %s\nreport.json version %d, track.json version %d\n%s %s/%s\n",
			version(), pipeline.ReportSchema, pipeline.TrackSchema, runtime.Version(), runtime.GOOS, runtime.GOARCH)
		return nil
	},
}

// version is the module's, or the commit it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v, dirty := info.Main.Version, ""
	if v == "" || v == "(devel)" {
		v = "development"
		for _, s := range info.Settings {
			switch {
			case s.Key == "vcs.revision" && len(s.Value) >= 12:
				v = s.Value[:12]
			case s.Key == "vcs.modified" && s.Value == "true":
				dirty = " with changes"
			}
		}
	}
	return v + dirty
}
