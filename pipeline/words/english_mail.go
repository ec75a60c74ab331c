package words

// englishMail: the letter to a family. What the page says, too, has its words there.
var englishMail = map[string]string{
	"subject":    "%s, %s", // title, day
	"hello":      "Hello,",
	"intro_name": "Here is %s's batting lesson, filmed on %s. It is nicest to read it together.",
	"intro":      "Here is a batting lesson, filmed on %s. It is nicest to read it together with the player.",
	"alt":        "Pictures of the swing, from the stance to the finish.",
	"pictures":   "The swing in pictures",

	// the video, by the reason why it is not there
	"film_here":      "The video is attached.",
	"film_waits":     "The video waits with your coach. Ask to see it.",
	"film_too_large": "The video is too large for e-mail. It waits with your coach. Ask to see it.",

	"doctor": "If something hurts, stop and see a qualified professional. This letter does not diagnose.",
	"share":  "The pictures show a player who may be a child. Share them only as you agreed with the academy.",

	"reply":     "Questions",
	"answer":    "Just answer this e-mail. Your coach reads it.",
	"stop":      "You get this letter because you said yes to lessons by e-mail. You can take that back at any time: answer with the word stop.",
	"stop_link": "Or use this page:",
}
