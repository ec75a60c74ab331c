package pipeline

import "slices"

// Codes a Warning of a track or report may carry, by the room that gives them;
// each room's tests trigger every one of its own. Every language has a
// sentence for each.
var (
	// ClipCodes come from the container (pipeline/clip).
	ClipCodes = []string{"odd_rotation", "non_square_pixels", "interlaced", "compressed"}
	// SoundCodes say why the sound was not listened to (cmd/tapeline).
	SoundCodes = []string{"audio_not_read", "audio_slow_motion", "audio_too_long"}
	// PictureCodes come from seeing (detect).
	PictureCodes = []string{
		"low_resolution", "low_frame_rate", "dark", "others_in_picture", "batter_small",
		"camera_moved_much", "camera_ground_unseen", "camera_lost", "lost_batter",
	}
	// JudgeCodes come from judging (detect/swing).
	JudgeCodes = []string{
		"bats_doubtful", "hand_hidden", "stance_cut", "sound_elsewhere", "head_flow_lost",
		"no_stride", "plant_uncertain", "clip_starts_late", "oblique", "foot_hidden",
		"marker_lost", "scale_disagrees",
	}
	// WarningCodes are all of them.
	WarningCodes = slices.Concat(ClipCodes, SoundCodes, PictureCodes, JudgeCodes)
)

// ReasonCodes say how an event was found, or why there is none.
var ReasonCodes = []string{
	"still", "first_move", "foot_speed", "foot_rest", "hand_speed", "hand_and_bat_speed", "bat_motion", "ball", "sound", "arm_length", "coach",
	"no_stride", "clip_starts_late", "clip_ends_early", "launch_unseen",
}

// MeasureCodes are the warnings of a Measure: why it is null, or why its
// bounds are wide.
var MeasureCodes = []string{
	"along_view", "clip_ends_early", "clip_starts_late", "no_stride", "knees_together",
	"foot_ambiguous", "foot_end_on", "foot_hidden", "face_unseen", "head_flow_lost", "nod_assumed", "stance_cut", "marker_lost",
	"nod_not_legs", "sink_unsure", "out_of_reach", "launch_unseen",
}

// MeasureKeys in the order a table shows them.
var MeasureKeys = []string{
	"eye_height", "eye_drop", "head_drop", "eye_drop_peak", "marker_drop", "eye_forward", "head_after", "finish_hold",
	"start_lower", "tape_height", "start_lower_knee_front", "start_lower_knee_back", "start_lower_more_front", "start_lower_more_back",
	"front_foot_open", "back_foot_turn",
	"head_over_back", "head_over_back_ratio", "back_line_tilt", "back_line_bend", "knee_gap",
	"stance_knee_front", "stance_knee_back", "hands_start", "hands_start_ratio",
	"stride_length", "stride_length_pct",
	"decision_time", "eye_travel",
}

// Moment is when a measure is taken; From is set for travels only.
type Moment struct{ From, At EventKind }

// MeasureForm is the unit of a measure and the moments it is taken at. What is
// in cm comes as percent of height ("pct_height") where no height is known.
type MeasureForm struct {
	Unit    string
	Moments []Moment
}

var (
	atStance  = []Moment{{At: Stance}}
	atContact = []Moment{{At: Contact}}
	toFinish  = []Moment{{Stance, Plant}, {Stance, Contact}, {Stance, Finish}}
	toPlant   = []Moment{{Stance, Plant}}
)

// MeasureForms by key.
var MeasureForms = map[string]MeasureForm{
	"eye_height": {"cm", atStance}, "eye_drop": {"cm", toFinish}, "head_drop": {"cm", toFinish},
	"eye_drop_peak": {"cm", []Moment{{Stance, Contact}}}, "marker_drop": {"cm", toFinish},
	"eye_forward": {"cm", []Moment{{Stance, Plant}, {Stance, Contact}, {Plant, Contact}}},
	"head_after":  {"cm", atContact}, "finish_hold": {"s", []Moment{{At: Finish}}},
	"start_lower": {"cm", atStance}, "tape_height": {"cm", atStance},
	"start_lower_knee_front": {"deg", atStance}, "start_lower_knee_back": {"deg", atStance},
	"start_lower_more_front": {"deg", atStance}, "start_lower_more_back": {"deg", atStance},
	"front_foot_open": {"deg", []Moment{{At: Plant}, {At: Contact}, {Plant, Contact}}},
	"back_foot_turn":  {"deg", []Moment{{At: Contact}, {At: Finish}}},
	"head_over_back":  {"cm", atContact}, "head_over_back_ratio": {"ratio", atContact},
	"back_line_tilt": {"deg", atContact}, "back_line_bend": {"cm", atContact}, "knee_gap": {"cm", []Moment{{At: Contact}, {Stance, Contact}}},
	"stance_knee_front": {"deg", atStance}, "stance_knee_back": {"deg", atStance},
	"hands_start": {"cm", atStance}, "hands_start_ratio": {"ratio", atStance},
	"stride_length": {"cm", toPlant}, "stride_length_pct": {"pct_height", toPlant},
	"decision_time": {"s", []Moment{{At: Launch}}}, "eye_travel": {"cm", []Moment{{Launch, Contact}}},
}

// Codes of the lesson (detect/coach); every language has words for each.
var (
	// RuleCodes are the shipped rules.
	RuleCodes = []string{
		"eye_drop", "front_foot_open", "front_foot_open_contact", "head_forward", "head_drifts",
		"head_over_back", "hands_start", "head_after", "finish_hold",
	}
	// ChainCodes say what a finding comes from ("from_…") and what it leads
	// to ("to_…").
	ChainCodes = []string{
		"from_tall_stance", "from_body_sinks", "from_nod",
		"to_foot_stays_open", "to_hip_opens", "to_all_arms", "to_head_ahead",
	}
	// DrillCodes from the mirror to live.
	DrillCodes = []string{
		"mirror_tape", "mirror_tape_lower", "mirror_hands", "stride_check", "stride_pole",
		"tee_freeze", "tee_deep", "tee_high", "tee_number", "tee_hold", "soft_toss", "front_toss", "live",
	}
	// CareCodes are the cautions of a plan, in the order they are printed.
	CareCodes = []string{
		"local_rules", "warm_up", "helmet", "one_bat", "clear_radius", "screen", "live_with_coach", "pain_stop",
	}
)
