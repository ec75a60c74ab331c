package words

// englishLeaving: what was made of a lesson to leave, and what the coach has to
// decide about it.
var englishLeaving = map[string]string{
	"film_too_large": "The film can't be made small enough for an e-mail. It waits with you; the stills can go.",
	"alone":          "Nobody besides the batter was seen in %d pictures.",
	"seen":           "Somebody besides the batter was seen in %d of %d pictures: the lesson waits for your word. Look at the film, then pack it again with --others blur or --others allow.",
	"hidden":         "Somebody besides the batter was hidden in %d of %d pictures. Look at the film before it goes.",
	"not_hidden":     "Somebody besides the batter can still be made out in %d of %d pictures: the lesson waits for your word.",
	"allowed":        "Somebody besides the batter was seen in %d of %d pictures and left as they are.",
}
