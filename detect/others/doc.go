// Package others finds the people in a picture besides the batter: other
// people's children, whom nobody asked.
//
//  1. Look  one frame → whom the network sees around the batter, in squares of
//     two sizes; what covers the batter's own body is the batter
//  2. Join  the frames in order → who is there, also where the network missed
//     them for a moment, and what must be hidden
//
// It rather sees somebody too many than too few, and still misses people: who
// is smaller than about a tenth of the part's height, and who stands so close
// behind the batter that little of them shows. README says how many.
package others
