package pipeline

import (
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// PlayerForm is what a player's short code looks like: "b07", never a name.
var PlayerForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)

// longestName is how long a first name may be, runes.
const longestName = 40

// IsName tells whether s can be printed as a player's first name: one short
// line, or nothing where the player isn't addressed by name.
func IsName(s string) bool {
	return utf8.ValidString(s) && utf8.RuneCountInString(s) <= longestName && !strings.ContainsFunc(s, unicode.IsControl)
}

// cardWord marks a number card's text as ours.
const cardWord = "tapeline:"

// CardText is what the square code of a player's number card says. It holds
// the short code and nothing else.
func CardText(id string) string { return cardWord + id }

// CardPlayer is the player whose number card says text; false for the text of
// any other code.
func CardPlayer(text string) (id string, ok bool) {
	id, ok = strings.CutPrefix(text, cardWord)
	return id, ok && PlayerForm.MatchString(id)
}
