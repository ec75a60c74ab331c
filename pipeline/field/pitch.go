package field

import (
	"strings"

	"tapeline/pipeline"
)

// FeetPerSecond is a speed in miles an hour as feet a second: 5280 / 3600.
func FeetPerSecond(mph float64) float64 { return mph * 5280 / 3600 }

// Flight is how long a ball of that speed needs for so many feet, seconds. It
// does not slow down on its way here: a real one does, by some 8 % (from
// memory, not re-read), and so takes a little longer.
func Flight(mph, feet float64) float64 { return feet / FeetPerSecond(mph) }

// sourced is a number and where it comes from: P published, C computed, K
// common practice, no source, M from memory.
type sourced struct {
	v      float64
	origin string
}

// Distances from the front of the pitcher's plate to the rear point of home
// plate, feet. Source: Official Baseball Rules 2.07 for 60 ft 6 in; the rule
// books of youth baseball and of softball for the others. Which of them a
// level plays is in pitches.
var (
	fullField  = sourced{60.5, "P"}
	youthField = sourced{46, "P"}
	softball35 = sourced{35, "P"}
	softball40 = sourced{40, "P"}
	softball43 = sourced{43, "P"}
)

// pitches are the speed a good pitcher of the level throws, miles an hour, the
// distance of the level and how far in front of the rubber the ball leaves
// the hand, feet. Speeds, extensions and which age plays which distance are
// common practice, no source: leagues differ, and middle schools most of all.
var pitches = map[pipeline.Sport]map[pipeline.Level]struct{ mph, rubber, extension sourced }{
	pipeline.Baseball: {
		pipeline.Youth:      {sourced{60, "K"}, youthField, sourced{4, "K"}},
		pipeline.Middle:     {sourced{65, "K"}, fullField, sourced{5, "K"}},
		pipeline.HighSchool: {sourced{80, "K"}, fullField, sourced{5.5, "K"}},
		pipeline.College:    {sourced{90, "K"}, fullField, sourced{5.5, "K"}},
	},
	pipeline.Softball: {
		pipeline.Youth:      {sourced{45, "K"}, softball35, sourced{3, "K"}},
		pipeline.Middle:     {sourced{50, "K"}, softball40, sourced{4, "K"}},
		pipeline.HighSchool: {sourced{60, "K"}, softball43, sourced{5, "K"}},
		pipeline.College:    {sourced{65, "K"}, softball43, sourced{5, "K"}},
	},
}

// Pitch is the pitch of a level: speed, rubber, extension and the flight at
// constant speed from the hand to home plate's rear point. An unknown sport
// counts as baseball; an unknown level has no pitch. Origin is the weakest of
// the three numbers'.
func Pitch(level pipeline.Level, sport pipeline.Sport) (pipeline.Pitch, bool) {
	if sport == pipeline.SportUnknown {
		sport = pipeline.Baseball
	}
	p, ok := pitches[sport][level]
	if !ok {
		return pipeline.Pitch{}, false
	}
	return pipeline.Pitch{
		Level: level, Sport: sport,
		MPH: p.mph.v, RubberFT: p.rubber.v, Extension: p.extension.v,
		Flight: Flight(p.mph.v, p.rubber.v-p.extension.v),
		Origin: weakest(p.mph.origin, p.rubber.origin, p.extension.origin),
	}, true
}

func weakest(origins ...string) string {
	const strength = "KMCP"
	least := len(strength) - 1
	for _, o := range origins {
		least = min(least, strings.Index(strength, o))
	}
	return strength[least : least+1]
}
