package words

var englishNumberCards = map[string]string{
	"title": "Number cards",
	"how":   "Cut the cards apart. Film a card for a second: the swings after it are that player's, until the next card.",
	// what was written: file, cards
	"made": "%s: number cards: %d",
}
