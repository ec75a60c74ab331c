// Package detect turns a clip's pixels into the facts judging needs. See goes
// over the clip in these stages:
//
//  1. scan    the whole clip, decoded small, at up to 30 frames a second of
//     capture time: the people in it and how fast their hands move (scan.go)
//  2. choose  hand bursts that could be swings, and whose they are (burst.go)
//  3. window  every frame around each burst, decoded larger: the batter's
//     pose, the camera, the energy of motion and the head (window.go)
//  4. warn    what may be wrong with the facts (warn.go)
package detect
