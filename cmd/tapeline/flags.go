package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"tapeline/config"
	"tapeline/pipeline"
)

// errHelp: the help of a command was asked for in place of its work.
var errHelp = flag.ErrHelp

// parse reads flags that stand before, between or behind the names, and gives
// the names. Everything behind "--" is a name.
func parse(f *flag.FlagSet, args []string) (names []string, err error) {
	var rest []string
	if i := slices.Index(args, "--"); i >= 0 {
		args, rest = args[:i], args[i+1:]
	}
	f.SetOutput(io.Discard)
	for len(args) > 0 {
		if err := f.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, errHelp
			}
			what := err.Error()
			for _, a := range args {
				if _, err := os.Stat(a); err == nil && strings.HasPrefix(a, "-") {
					what += fmt.Sprintf("; for the file of that name write ./%s", a)
					break
				}
			}
			return nil, usage("%s: %s", f.Name(), what)
		}
		if args = f.Args(); len(args) > 0 {
			names, args = append(names, args[0]), args[1:]
		}
	}
	return append(names, rest...), nil
}

// givenFlags are the flags that say what is known of batter and camera; empty
// ones leave what the configuration says.
type givenFlags struct {
	height, bats, view, distance, batter string
	swing                                int
}

func (g *givenFlags) add(f *flag.FlagSet) {
	f.StringVar(&g.height, "height", "", "")
	f.StringVar(&g.bats, "bats", "", "")
	f.StringVar(&g.view, "view", "", "")
	f.StringVar(&g.distance, "distance", "", "")
	f.StringVar(&g.batter, "batter", "", "")
	f.IntVar(&g.swing, "swing", 0, "")
}

// over lays the flags that were set over what was known before.
func (g *givenFlags) over(known pipeline.Given) (pipeline.Given, error) {
	out := known
	if g.height != "" {
		cm, err := config.ParseHeight(g.height)
		if err != nil {
			return out, usage("--height: %v", err)
		}
		out.HeightCM = cm
	}
	if g.distance != "" {
		m, err := config.ParseDistance(g.distance)
		if err != nil {
			return out, usage("--distance: %v", err)
		}
		out.Distance = m
	}
	switch b := pipeline.Side(strings.ToUpper(g.bats)); b {
	case pipeline.SideUnknown:
	case pipeline.BatsRight, pipeline.BatsLeft:
		out.Bats = b
	default:
		return out, usage("--bats: %q is not R or L", g.bats)
	}
	if g.view != "" {
		if !slices.Contains(config.Views, g.view) {
			return out, usage("--view: %q is not one of %s", g.view, strings.Join(config.Views, ", "))
		}
		out.View = pipeline.View(g.view)
	}
	if g.batter != "" {
		x, y, ok := strings.Cut(g.batter, ",")
		px, errX := strconv.ParseFloat(strings.TrimSpace(x), 64)
		py, errY := strconv.ParseFloat(strings.TrimSpace(y), 64)
		if !ok || errX != nil || errY != nil || !(px >= 0 && px < 1e5 && py >= 0 && py < 1e5) {
			return out, usage("--batter: %q is not a place in the picture; write x,y in pixels from the top left", g.batter)
		}
		out.Batter = &pipeline.Point{X: px, Y: py}
	}
	if g.swing < 0 {
		return out, usage("--swing: %d; swings count from 1", g.swing)
	}
	if g.swing > 0 {
		out.Swing = g.swing
	}
	return out, nil
}

// configured is what the configuration knows; it has been validated.
func configured(c config.Config) pipeline.Given {
	g := pipeline.Given{Bats: pipeline.Side(c.Batter.Bats), View: pipeline.View(c.Camera.View)}
	if c.Batter.Height != "" {
		g.HeightCM, _ = config.ParseHeight(c.Batter.Height)
	}
	if c.Camera.Distance != "" {
		g.Distance, _ = config.ParseDistance(c.Camera.Distance)
	}
	return g
}

// load reads the configuration as a usage error sees it.
func load(path string) (config.Config, error) {
	c, err := config.Load(path)
	if err != nil {
		return c, usage("%v", err)
	}
	return c, nil
}
