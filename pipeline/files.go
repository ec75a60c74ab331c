package pipeline

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
)

// The files of one lesson, by name inside its folder.
const (
	ReportFile   = "report.json"
	TrackFile    = "track.json"
	LessonFile   = "lesson.mp4"
	SheetFile    = "sheet.png"
	CaptionsFile = "lesson.vtt"
	PageFile     = "lesson.html"
	PaperFile    = "lesson.pdf"
)

// Outputs lists the files of one lesson; nothing else in its folder is ours.
var Outputs = []string{LessonFile, CaptionsFile, SheetFile, PageFile, PaperFile, ReportFile, TrackFile}

// LeavingDir is the folder, beside a lesson's own files, of what may leave of
// it: made from the clip anew, cropped to the batter.
const LeavingDir = "leaving"

// The files of a LeavingDir.
const (
	LeavingFile         = "leaving.json"
	LeavingFilmFile     = "swing.mp4"
	LeavingSheetFile    = "stills.jpg"
	LeavingCaptionsFile = "swing.vtt"
)

// LeavingSchema is the version of leaving.json.
const LeavingSchema = 1

// Leaving is what leaving.json says of its folder.
type Leaving struct {
	Schema int    `json:"schema"`
	Clip   string `json:"clip"`   // SHA-256 of the clip, hex
	Report string `json:"report"` // SHA-256 of the report.json that it was made from, hex
	Name   string `json:"name"`   // first name on its cards; empty: none
	// Crop is what is left of the clip's picture: x, y, width, height in pixels
	// of the displayed picture.
	Crop [4]int `json:"crop"`
	// Others: "ask", "blur" or "allow", as it was made.
	Others string `json:"others"`
	// Seen counts the decoded frames of the crop in which somebody besides the
	// batter was found, of Looked; Blurred how many of Seen were made
	// unrecognisable.
	Looked  int `json:"looked"`
	Seen    int `json:"seen"`
	Blurred int `json:"blurred"`
	// Film is empty where the video can't be made small enough or must wait;
	// FilmWaits then says why, a code.
	FilmWaits string `json:"film_waits,omitempty"`
	// Files are the SHA-256 of the folder's files by name, hex.
	Files map[string]string `json:"files"`
}

// Free tells whether nobody but the batter can be recognised in it, or the
// coach allowed it.
func (l Leaving) Free() bool { return l.Others == "allow" || l.Seen == l.Blurred }

// MarshalReport gives the bytes of report.json: indented, one newline at the
// end, lists never null, the same bytes for the same report. A value that JSON
// can't hold (NaN, infinity) is an error, never a silent null.
func MarshalReport(rep Report) ([]byte, error) {
	rep.Batter.Inferred, rep.Warnings = list(rep.Batter.Inferred), list(rep.Warnings)
	rep.Swings = slices.Clone(list(rep.Swings))
	for i := range rep.Swings {
		s := &rep.Swings[i]
		s.Events = list(s.Events)
		s.Measures, s.Findings = slices.Clone(list(s.Measures)), slices.Clone(list(s.Findings))
		for j := range s.Measures {
			m := &s.Measures[j]
			m.Frames, m.Warnings = list(m.Frames), list(m.Warnings)
		}
		for j := range s.Findings {
			s.Findings[j].Evidence = list(s.Findings[j].Evidence)
		}
	}
	b, err := json.MarshalIndent(rep, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	return append(b, '\n'), nil
}

func list[T any](l []T) []T {
	if l == nil {
		return []T{}
	}
	return l
}

// MarshalTrack gives the bytes of track.json: one line.
func MarshalTrack(t Track) ([]byte, error) {
	b, err := json.Marshal(t)
	if err != nil {
		return nil, fmt.Errorf("track: %w", err)
	}
	return append(b, '\n'), nil
}

// ParseTrack reads track.json back. It refuses another version, unknown
// fields and anything after the object.
func ParseTrack(b []byte) (Track, error) {
	var head struct {
		Schema *int `json:"schema"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return Track{}, fmt.Errorf("not a track: %w", err)
	}
	if head.Schema == nil {
		return Track{}, fmt.Errorf("not a track: it has no \"schema\"")
	}
	if *head.Schema != TrackSchema {
		return Track{}, fmt.Errorf("a track of version %d; this tapeline reads version %d", *head.Schema, TrackSchema)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	var t Track
	if err := d.Decode(&t); err != nil {
		return Track{}, fmt.Errorf("not a track: %w", err)
	}
	return t, nil
}
