// Package overlay paints what was judged: tape, pencil, chalk and plumb on the
// picture, words and the trace of eye height in the strip below it.
//
// One output frame goes through these stages:
//
//  1. NewFilm lays out the canvas and the order of shots once a swing
//  2. Film.Scene says what lies where at a shot: a list of Marks, no pixels
//  3. Film.Paint scales the decoded picture and lets every mark paint itself
//
// Places of marks are key frame pixels of the clip at full size (see
// pipeline.Drawn); the Canvas takes them to the frame by the camera's map and
// from there to its own pixels. A mark knows nothing of any other mark.
//
// To add a mark: a struct with Paint(*Canvas) and String() in marks.go, a
// method of Look that makes it from a pipeline.Drawn, and a bit in film.go's
// marks with the hold at which it appears. Then go test ./overlay -regen and
// look at what changed in testdata.
//
// Painting is deterministic: what looks rough or torn comes from a fixed hash.
package overlay
