// Package cut is the arithmetic of cutting: how many pieces a sheet or a roll gives, and what is left. It is exact: lengths are quantities in millimetres with 6
// decimal places, counts are whole.
//
// In a row of length L, pieces of length p with a gap g between neighbours number floor((L + g) / (p + g)): n pieces have n − 1 gaps (elementary; common practice
// of the trade as "imposition"). On a sheet the row lies between the margins of both edges.
//
// # Layouts of a sheet
//
// Three layouts are compared: all pieces upright, all turned by a quarter, and two blocks, one upright and one turned, that one straight cut across the whole
// sheet parts from each other. Of equal ones the simplest is best, in this order. This isn't every layout there is: one with three blocks or more can hold
// another piece now and then, but wants a cut that a hand lever doesn't make.
//
// # Rolls
//
// Each cut costs the width of the blade. n pieces take n cuts, or n − 1 where nothing would be left behind the last. A roll may first be slit into lanes along
// its length.
package cut
