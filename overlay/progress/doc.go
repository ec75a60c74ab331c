// Package progress draws measures over lessons, and two swings beside each
// other: tape and pencil on a dark board, as in the film.
//
//  1. pen.go: text and shapes on a gonum canvas, the same for PNG and SVG
//  2. sheet.go: one chart a measure, lesson by lesson, with bounds and band
//  3. pair.go: two tapes and two pencil lines on one axis of time to contact
//
// Sizes are pixels of a page 1080 wide; a phone shows it at 0.36.
package progress
