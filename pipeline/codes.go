package pipeline

// Codes a Warning of a track or report may carry. Every language has a
// sentence for each.
var WarningCodes = []string{
	// the container
	"odd_rotation", "non_square_pixels", "interlaced", "time_factor_inferred", "audio_not_read", "audio_slow_motion", "audio_too_long",
	// the picture
	"low_resolution", "low_frame_rate", "dark", "others_in_picture", "batter_small",
	"camera_moved_much", "camera_ground_unseen", "camera_lost", "lost_batter",
	// judging
	"bats_doubtful", "hand_hidden", "stance_cut", "sound_elsewhere", "head_flow_lost",
	"no_stride", "plant_uncertain", "clip_starts_late",
}

// ReasonCodes say how an event was found, or why there is none.
var ReasonCodes = []string{
	"still", "first_move", "foot_speed", "foot_rest", "hand_speed", "hand_and_bat_speed", "bat_motion", "sound", "arm_length",
	"no_stride", "clip_starts_late", "clip_ends_early", "not_seen",
}

// MeasureCodes are the warnings of a Measure: why it is null, or why its
// bounds are wide.
var MeasureCodes = []string{
	"along_view", "clip_ends_early", "clip_starts_late", "no_stride", "not_seen", "knees_together",
	"foot_ambiguous", "face_unseen", "head_flow_lost", "nod_assumed", "stance_cut",
}

// MeasureKeys in the order a table shows them.
var MeasureKeys = []string{
	"eye_height", "eye_drop", "head_drop", "eye_drop_peak", "eye_forward", "head_after", "finish_hold",
	"front_foot_open", "back_foot_turn",
	"head_over_back", "head_over_back_ratio", "back_line_tilt", "back_line_bend",
	"stance_knee_front", "stance_knee_back", "hands_start", "hands_start_ratio",
	"stride_length", "stride_length_pct",
}
