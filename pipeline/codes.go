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
	"still", "first_move", "foot_speed", "foot_rest", "hand_speed", "hand_and_bat_speed", "bat_motion", "ball", "sound", "arm_length",
	"no_stride", "clip_starts_late", "clip_ends_early",
}

// MeasureCodes are the warnings of a Measure: why it is null, or why its
// bounds are wide.
var MeasureCodes = []string{
	"along_view", "clip_ends_early", "clip_starts_late", "no_stride", "knees_together",
	"foot_ambiguous", "foot_hidden", "face_unseen", "head_flow_lost", "nod_assumed", "stance_cut", "marker_lost",
}

// MeasureKeys in the order a table shows them.
var MeasureKeys = []string{
	"eye_height", "eye_drop", "head_drop", "eye_drop_peak", "marker_drop", "eye_forward", "head_after", "finish_hold",
	"front_foot_open", "back_foot_turn",
	"head_over_back", "head_over_back_ratio", "back_line_tilt", "back_line_bend",
	"stance_knee_front", "stance_knee_back", "hands_start", "hands_start_ratio",
	"stride_length", "stride_length_pct",
}
