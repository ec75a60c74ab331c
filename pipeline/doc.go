// Package pipeline holds the words the rooms of tapeline share: the domain
// types, the small interfaces between stages, and the Runner that puts the
// stages in order. It imports the standard library only.
//
// A clip goes through these stages:
//
//  1. probe   the container is checked, its two clocks are read  → Clip
//  2. see     pixels become facts: pose, camera, energy, sound   → Track
//  3. judge   facts become events, measures and findings         → Report
//  4. show    a Scene for every moment is painted and encoded    → lesson.mp4, sheet.png
//  5. publish everything appears at once under its final name
//
// Stage 3 is pure: the same Track always gives the same Report.
//
// # Coordinates
//
// Pixels: the displayed picture (after rotation), origin at its top left
// corner, x right, y down, pixel centres at .5.
//
// Ground frame of a swing: x along the line home→pitcher, positive toward the
// pitcher; y up; z from the batter toward the plate. Centimetres when the
// batter's height is known, else percent of it.
//
// # Clocks
//
// PTS and every t is the container's presentation time in seconds from the
// first frame. Durations and speeds are in capture time = presentation time ÷
// TimeFactor.
package pipeline
