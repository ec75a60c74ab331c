// Package sim is a bench for the judge: batters whose every joint is known,
// and the tracks a network would make of them.
//
//   - Swing moves a batter by Params and gives the Truth: all 33 landmarks and
//     the bat in space and in the picture, the phases, and the true value of
//     every measure.
//   - Track lays the errors of seeing on a Truth: the network's bias, noise,
//     blur, hidden wrists and swapped sides, the camera's and the head's
//     optical flow, motion energy and sound. Errors says how large they are
//     and how each was measured.
//   - Random draws Params as batters, clips and cameras come.
//
// World frame: metres, x toward the pitcher, z up, the plate at the origin; a
// right-handed batter stands at +y and faces −y. A left-handed one is its
// mirror image in y. Pixels as everywhere: origin top left, y down.
//
// It is a simulation: what it gives is the judge's error on errors like those
// measured, not on real film.
package sim
