// Package field holds the sizes of what stands on a diamond, with their
// sources. Centimetres.
package field

import "math"

const inch = 2.54

// PlateWidth is home plate's front edge, 17 in.
// Source: Official Baseball Rules, 2.02.
const PlateWidth = 17 * inch

// Plate are home plate's corners seen from above, apex at the origin, y toward
// the pitcher. The rules' 12-12-17 in triangle with a right angle is
// impossible (12² + 12² ≠ 17²); these corners keep the 17 and 8½ in edges, so
// that the rear edges come to 12.02 in.
var Plate = [5][2]float64{{0, 0}, {8.5 * inch, 8.5 * inch}, {8.5 * inch, 17 * inch}, {-8.5 * inch, 17 * inch}, {-8.5 * inch, 8.5 * inch}}

// Baseball and Softball12 are the middle diameters of a legal ball: 9–9¼ in
// and 11⅞–12⅛ in round. Source: Official Baseball Rules, 3.01; for the 12-in
// softball from memory, not re-read.
var (
	Baseball   = 9.125 * inch / math.Pi
	Softball12 = 12 * inch / math.Pi
)
