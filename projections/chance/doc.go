// Package chance holds the statistics that the estimates of this program are made of: pure functions of numbers, without a ledger, a clock or a generator.
//
// Estimates may use floats, since they enter no event, no digest and no fold. The functions write float64(a*b)+c, so that no compiler fuses the two, and
// loop over no map. What is left to differ between platforms are Exp, Log, Pow and Erf of package math, in the last digits: estimates are compared to 4
// significant digits, and [Text] writes no more than that.
//
// Each function names the source of its formula. Sources said to be from memory were not looked up again.
package chance
