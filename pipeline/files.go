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
