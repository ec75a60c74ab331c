// Package swing judges: it turns a Track into events and measures with bounds.
// It opens no video and keeps no state; the same Track gives the same Report.
//
// A window of the track goes through these steps:
//
//  1. grid      frames → a uniform grid in capture time, camera motion removed
//  2. scale     pixels a centimetre at every joint (perspective-n-point on the
//     network's own 3-D points, stretched to the batter's height)
//  3. sides     which way the pitcher is, hence batting side and view
//  4. events    stance … finish, each with 95 % bounds
//  5. head      the eyes' and ears' path: network up to plant, optical flow on
//     from there
//  6. feet      foot direction in the ground plane
//  7. measures  per TRADE vocabulary, signs positive toward the pitcher / down
//
// Bounds come from the errors each way of measuring showed on rendered swings
// with exact truth; they are stated where they are used.
package swing
