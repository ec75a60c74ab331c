package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/image/colornames"

	"tapeline/config"
	"tapeline/detect/marker"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
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
			what := misread(f, err)
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

// The library's words for a wrong flag: their form, and ours for it.
var (
	undefinedFlag = regexp.MustCompile(`^flag provided but not defined: -(.*)$`)
	bareFlag      = regexp.MustCompile(`^flag needs an argument: -(.*)$`)
	invalidFlag   = regexp.MustCompile(`^invalid (?:boolean )?value "(.*)" for (?:flag )?-([^:]*): `)
	badFlag       = regexp.MustCompile(`^bad flag syntax: (.*)$`)
)

// misread says in our words what the library couldn't make out of a flag.
func misread(f *flag.FlagSet, err error) string {
	what := err.Error()
	if m := undefinedFlag.FindStringSubmatch(what); m != nil {
		var known []string
		f.VisitAll(func(x *flag.Flag) { known = append(known, "--"+x.Name) })
		return config.Unknown("flag", "--"+m[1], known)
	}
	if m := bareFlag.FindStringSubmatch(what); m != nil {
		return "--" + m[1] + ": needs a value behind it"
	}
	if m := badFlag.FindStringSubmatch(what); m != nil {
		return fmt.Sprintf("%q is no flag", m[1])
	}
	if m := invalidFlag.FindStringSubmatch(what); m != nil {
		is := "a value it takes"
		if x := f.Lookup(m[2]); x != nil {
			if g, ok := x.Value.(flag.Getter); ok {
				switch g.Get().(type) {
				case int:
					is = "a whole number"
				case float64:
					is = "a number"
				case bool:
					is = "true or false"
				}
			}
		}
		return fmt.Sprintf("--%s: %s is not %s", m[2], strconv.Quote(m[1]), is)
	}
	return what
}

// givenFlags are the flags that say what is known of batter and camera; empty
// ones leave what the configuration says.
type givenFlags struct {
	height, bats, view, level, sport, distance, batter, marker, scale string
	swing                                                             int
}

func (g *givenFlags) add(f *flag.FlagSet) {
	f.StringVar(&g.height, "height", "", "")
	f.StringVar(&g.bats, "bats", "", "")
	f.StringVar(&g.view, "view", "", "")
	f.StringVar(&g.level, "level", "", "")
	f.StringVar(&g.sport, "sport", "", "")
	f.StringVar(&g.distance, "distance", "", "")
	f.StringVar(&g.batter, "batter", "", "")
	f.StringVar(&g.marker, "marker", "", "")
	f.StringVar(&g.scale, "scale", "", "")
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
	if g.level != "" {
		if !slices.Contains(pipeline.Levels, pipeline.Level(g.level)) {
			return out, usage("--level: %q is not one of %s", g.level, join(pipeline.Levels))
		}
		out.Level = pipeline.Level(g.level)
	}
	if g.sport != "" {
		if !slices.Contains(pipeline.Sports, pipeline.Sport(g.sport)) {
			return out, usage("--sport: %q is not one of %s", g.sport, join(pipeline.Sports))
		}
		out.Sport = pipeline.Sport(g.sport)
	}
	if g.batter != "" {
		at, ok := places(g.batter, 1)
		if !ok {
			return out, usage("--batter: %q is not a place in the picture; write x,y in pixels from the top left", g.batter)
		}
		out.Batter = &at[0]
	}
	if g.marker != "" {
		out.Marker, out.MarkerAt = "", nil
		if at, ok := places(g.marker, 1); ok {
			out.MarkerAt = &at[0]
		} else if out.Marker = colour(g.marker); out.Marker == "" {
			return out, usage("--marker: %q is neither a colour (orange, green, #ff8000) nor a place x,y in the first picture", g.marker)
		} else if _, ok := marker.Parse(out.Marker); !ok {
			return out, usage("--marker: %q can't be followed; a marker has a bright colour, no white, grey or black", g.marker)
		}
	}
	if g.scale != "" {
		ends, long, _ := strings.Cut(g.scale, "=")
		at, ok := places(ends, 2)
		if !ok {
			return out, usage("--scale: %q does not name two points and a length; write x1,y1,x2,y2=17in", g.scale)
		}
		cm, err := config.ParseLength(long)
		if err != nil {
			return out, usage("--scale: %v", err)
		}
		if math.Hypot(at[0].X-at[1].X, at[0].Y-at[1].Y) < leastSpan {
			return out, usage("--scale: the two points are less than %d pixels apart", leastSpan)
		}
		out.Scale = &pipeline.Span{From: at[0], To: at[1], CM: cm}
	}
	if g.swing < 0 {
		return out, usage("--swing: %d; swings count from 1", g.swing)
	}
	if g.swing > 0 {
		out.Swing = g.swing
	}
	return out, nil
}

// speech are the flags that say how the reader is spoken to; empty ones leave
// what the configuration says.
type speech struct{ lang, units string }

func (s *speech) add(f *flag.FlagSet) {
	f.StringVar(&s.lang, "lang", "", "")
	f.StringVar(&s.units, "units", "", "")
}

// over gives the language and units to write in.
func (s *speech) over(c config.Config) (words.Lang, error) {
	from := [2]string{"lang", "units"} // the keys, until a flag is set
	if s.lang != "" {
		from[0], c.Lang = "--lang", s.lang
	}
	if s.units != "" {
		from[1], c.Units = "--units", s.units
	}
	l, err := words.For(c.Lang)
	if err != nil {
		return l, usage("%s: %v", from[0], err)
	}
	u := words.Units(c.Units)
	if !slices.Contains(words.Systems, u) {
		return l, usage("%s: %q is not one of %s", from[1], u, join(words.Systems))
	}
	return l.In(u), nil
}

// join lists words of a kind.
func join[S ~string](of []S) string {
	var out []string
	for _, s := range of {
		out = append(out, string(s))
	}
	return strings.Join(out, ", ")
}

// leastSpan is how far apart, pixels, two points must be to be a scale.
const leastSpan = 10

// places reads n points "x,y,x,y", pixels from the top left.
func places(s string, n int) ([]pipeline.Point, bool) {
	parts := strings.Split(s, ",")
	if len(parts) != 2*n {
		return nil, false
	}
	out := make([]pipeline.Point, n)
	for i, x := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(x), 64)
		if err != nil || !(v >= 0 && v < 1e5) {
			return nil, false
		}
		if i%2 == 0 {
			out[i/2].X = v
		} else {
			out[i/2].Y = v
		}
	}
	return out, true
}

// colour writes a colour's name (those of SVG 1.1) or number as "#rrggbb";
// empty when it is none.
func colour(s string) string {
	s = strings.ToLower(strings.TrimSpace(s))
	if c, ok := colornames.Map[s]; ok {
		return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B)
	}
	if len(s) == 7 && s[0] == '#' {
		if _, err := strconv.ParseUint(s[1:], 16, 32); err == nil {
			return s
		}
	}
	return ""
}

// configured is what the configuration knows; it has been validated.
func configured(c config.Config) pipeline.Given {
	g := pipeline.Given{Bats: pipeline.Side(c.Batter.Bats), View: pipeline.View(c.Camera.View),
		Level: pipeline.Level(c.Batter.Level), Sport: pipeline.Sport(c.Batter.Sport)}
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
