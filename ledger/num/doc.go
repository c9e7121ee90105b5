// Package num holds the exact numbers of the ledger: quantities, money and rates as decimals of a fixed scale.
//
// A quantity ([Qty]) counts base units of an item with 6 decimal places, money ([Money]) the shop's currency with
// 8, a rate ([Rate]) shop currency per foreign unit with 10. A value is a scaled 64-bit integer; products are
// computed in 128 bits and rounded once, half to even, to the scale of the result. Where a result does not fit,
// the same operation is done on apd's big integers, so no operation wraps, saturates or loses a digit. A property
// test proves both ways equal.
//
// # Text
//
// A number is written as an optional minus sign, digits without a leading zero, and, if there is a fraction, a point
// and digits. Canonical text, which every String method prints, has no trailing zeros after the point and no point
// without digits behind it. Parsing takes trailing zeros as well (12.50) and refuses everything else: signs of plus, exponents, "NaN", "Infinity", "-0", white space,
// digits of other scripts, more places than the scale has, and more than 12 (money: 10, rate: 8) digits before the point.
// Limits apply to what is entered; sums may grow beyond them.
package num
