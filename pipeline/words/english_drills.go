package words

// Counts and the limits to pass come from the plan, never from these words.
// "{4 m}" is written in the reader's units.

var englishDrills = map[string]Drill{
	"mirror_tape": {
		Name:   "Mirror, tape at eye level",
		SetUp:  "Stand sideways to a mirror in your usual stance. Put a strip of tape on the glass, level with your eyes.",
		Do:     "Swing slowly, with no ball. Stop where the bat would meet the ball.",
		Look:   "The brim of your cap is still on the tape when you stop.",
		Safety: "Take the bat only when nothing and nobody is near. Keep the mirror farther away than arm and bat reach.",
	},
	"mirror_tape_lower": {
		Name:   "Mirror, start lower",
		SetUp:  "Put a strip of tape on a mirror at your eyes in your usual stance. Move it down by the length in this plan. Now bend both knees until your eyes meet the tape.",
		Do:     "Start from there. Swing slowly, with no ball. Stop where the bat would meet the ball.",
		Look:   "The brim of your cap is still on the tape when you stop.",
		Safety: "Take the bat only when nothing and nobody is near. Keep the mirror farther away than arm and bat reach.",
	},
	"mirror_hands": {
		Name:   "Mirror, hands by the shoulder",
		SetUp:  "Stand in front of a mirror in your stance. Hold the knob of the bat by your back shoulder.",
		Do:     "Check the hands, close your eyes, take your stance again and look. Then swing slowly, with no ball.",
		Look:   "The knob starts as high as the back shoulder, or higher.",
		Safety: "Keep the mirror farther away than arm and bat reach.",
	},
	"stride_check": {
		Name:   "Stride, stop, check the foot",
		SetUp:  "Draw a line on the ground from your front foot straight to the pitcher. Leave the bat on your shoulder.",
		Do:     "Take your stride and stop. Look down at your shoe. Step back and do it again.",
		Look:   "The shoelaces point at home plate, not at the pitcher.",
		Safety: "Use dry, flat ground so that the foot can't slip.",
	},
	"stride_pole": {
		Name:   "Stride beside a pole",
		SetUp:  "Stand next to an upright pole or a door frame. Your nose is level with it. Leave the bat out of this one.",
		Do:     "Take your stride and stop. Look where the pole is now.",
		Look:   "Your nose is still level with the pole.",
		Safety: "Stand an arm's length away from the pole.",
	},
	"tee_freeze": {
		Name:   "Tee, freeze at contact",
		SetUp:  "Put the ball on the tee where you like to hit it.",
		Do:     "Swing slowly and freeze when the bat touches the ball. Then finish the swing and hold it.",
		Look:   "When you freeze, your nose is where it started.",
		Safety: "Hit into a net. Nobody stands in front of the tee or behind you.",
	},
	"tee_deep": {
		Name:   "Tee, set deep",
		SetUp:  "Move the tee back toward the catcher, about as far as the middle of your body.",
		Do:     "Stride, land with the shoelaces at the plate, and hit the ball the other way.",
		Look:   "The front foot still points at the plate when the bat meets the ball.",
		Safety: "Hit into a net. Nobody stands in front of the tee or behind you.",
	},
	"tee_high": {
		Name:   "High tee",
		SetUp:  "Set the tee as high as the top of your strike zone. Start with the knob by your back shoulder.",
		Do:     "Hit line drives straight ahead.",
		Look:   "The hands start by the back shoulder every time.",
		Safety: "Hit into a net. Nobody stands in front of the tee or behind you.",
	},
	"tee_number": {
		Name:   "Tee, read the number",
		SetUp:  "Write a number on the post of the tee, just below the ball. Let a partner change it.",
		Do:     "Hit the ball, then read the number out loud before you look up.",
		Look:   "You can say the number after each swing.",
		Safety: "Hit into a net. The partner changes the number only when the bat is on the ground.",
	},
	"tee_hold": {
		Name:   "Tee, hold the finish",
		SetUp:  "Put the ball on the tee where you like to hit it.",
		Do:     "Hit the ball and freeze like a photograph. Count two seconds.",
		Look:   "Head and feet stay still until you say two.",
		Safety: "Hit into a net. Nobody stands in front of the tee or behind you.",
	},
	"soft_toss": {
		Name:   "Soft toss",
		SetUp:  "A partner kneels to the side, out of reach of the bat, and tosses the ball up gently in front of you.",
		Do:     "Hit into a net. Keep the thought from the drill before.",
		Look:   "It looks the same as it did on the tee.",
		Safety: "The partner stays to the side, never in front, and tosses only when you are ready.",
	},
	"front_toss": {
		Name:   "Front toss",
		SetUp:  "A partner sits behind a screen in front of you and tosses the ball underhand.",
		Do:     "Hit the ball back through the middle. Keep the thought from the drill before.",
		Look:   "It looks the same as it did with the soft toss.",
		Safety: "The whole body of the tosser stays behind the screen until the ball has been hit.",
	},
	"live": {
		Name:   "Live pitching",
		SetUp:  "Hit against a pitcher, when your coach says that you are ready.",
		Do:     "Swing as you would in a game. Think of one thing only, or of nothing.",
		Look:   "In a new clip your number is inside the band.",
		Safety: "Wear a helmet. A coach stands by from the first pitch to the last.",
	},
}

var englishCare = map[string]string{
	"local_rules":     "The rules of your field and the coach on the spot come first.",
	"warm_up":         "Warm up before the first swing.",
	"helmet":          "Wear a helmet in a cage, and whenever a ball is tossed or pitched.",
	"one_bat":         "Only one player at a time holds a bat.",
	"clear_radius":    "Keep everyone at least {4 m} away from the hitter.",
	"screen":          "For front toss, the tosser stays behind a screen.",
	"live_with_coach": "Live pitching comes last, and only when the coach says so.",
	"pain_stop":       "If anything hurts, stop and see a qualified professional.",
}

// Clauses of one sentence, the cause first; what was not measured says "often".
var englishChains = map[string]string{
	"from_tall_stance":   "the stance starts tall, with both knees bent only a little",
	"from_body_sinks":    "most of the drop is the body sinking",
	"from_nod":           "most of the drop is a nod of the head, so more knee bend is not the cure",
	"to_foot_stays_open": "the front foot is still open at contact",
	"to_hip_opens":       "an open front foot often makes the front hip open early",
	"to_all_arms":        "that often leaves a swing that is all arms",
	"to_head_ahead":      "the head is then too far ahead of the back knee at contact",
}
