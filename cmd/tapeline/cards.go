package main

import (
	"context"
	"flag"
	"fmt"
	"slices"
	"strings"

	"tapeline/config"
	"tapeline/overlay/cards"
	"tapeline/pipeline/publish"
)

var cardsCommand = command{
	name:  "cards",
	about: "print number cards of the players",
	usage: `usage: tapeline cards [flags]

Writes a PDF to print and cut apart: for each player of the roster a card with a
square code and the player's short code in large letters, no name. Film a card
for a second, as large as a sixth of the picture's width or larger: the swings
after it belong to that player until the next card.

  --roster FILE   who there is (default: the key roster of the configuration)
  --players A,B   only these players, in this order
  --out FILE      where to write (default cards.pdf)
  --force         replace a file that is there
  --lang L        language of the line below the cards: en or es (default en)
  --units U       metric (A4) or imperial (Letter; default metric)
  --config FILE   configuration (default tapeline.yaml, if it is there)
`,
}

func init() { cardsCommand.run = printCards }

func printCards(_ context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("cards", flag.ContinueOnError)
	var roster, players, out, conf string
	var force bool
	var sp speech
	sp.add(f)
	f.StringVar(&roster, "roster", "", "")
	f.StringVar(&players, "players", "", "")
	f.StringVar(&out, "out", "cards.pdf", "")
	f.BoolVar(&force, "force", false, "")
	f.StringVar(&conf, "config", "", "")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usage("cards: takes no name, and there is %q; --players chooses players", rest[0])
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	text, err := sp.over(c)
	if err != nil {
		return err
	}
	if roster == "" {
		roster = c.Roster
	}
	if roster == "" {
		return usage("cards: whose? --roster names the file of the players")
	}
	r, err := config.ReadRoster(roster)
	if err != nil {
		return usage("%v", err)
	}
	ids, err := chosen(r, players)
	if err != nil {
		return err
	}
	b, err := cards.PDF(ids, text)
	if err != nil {
		return err
	}
	if err := publish.File(out, b, force); err != nil {
		return err
	}
	fmt.Fprintf(s.out, text.NumberCards["made"]+"\n", out, len(ids))
	return nil
}

// chosen are the players of a list with commas; of an empty one all.
func chosen(r *config.Roster, list string) (ids []string, err error) {
	if list == "" {
		for _, p := range r.Players {
			ids = append(ids, p.ID)
		}
		return ids, nil
	}
	for id := range strings.SplitSeq(list, ",") {
		id = strings.TrimSpace(id)
		if _, ok := r.Player(id); !ok {
			return nil, usage("--players: %q is not in the roster", id)
		}
		if slices.Contains(ids, id) {
			return nil, usage("--players: %q stands twice", id)
		}
		ids = append(ids, id)
	}
	return ids, nil
}
