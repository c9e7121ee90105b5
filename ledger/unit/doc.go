// Package unit converts lengths, weights and volumes as people enter them, in SI or US customary units, to an item's
// base unit: mm, g or ml.
//
// Factors are exact. They follow from the definitions that NIST Special Publication 811 (Appendix B) and the UCUM
// tables share: an inch is 25.4 mm, a grain 64.79891 mg, a pound 7000 grains, an ounce a sixteenth of a pound, a US
// gallon 231 cubic inches, and the rest whole parts or multiples of these. A result that fits 6 decimal places is exact; any other is rounded
// once, half to even, to 6 places.
//
// # Names
//
// A unit is named by its plain symbol (mm, fl oz), its English name in singular or plural, its UCUM code ([in_i], [oz_av]) or its code
// in UN/ECE Recommendation 20 (INH, ONZ). SI symbols and codes are read exactly as written, since case tells M from m; English names and
// US customary abbreviations in any case. An ounce (oz) is always a weight, a fluid ounce (fl oz) a volume. Names that
// two trades read differently are refused with advice: gr (grain or gram), mil (a thousandth of an inch, a millimetre or
// a millilitre), pt (pint, or a measure of thickness). US liquid measure alone is meant by gallon, quart, pint, gill and cup; no imperial unit is known.
package unit
