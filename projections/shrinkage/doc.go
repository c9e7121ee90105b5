// Package shrinkage answers what went missing between counts, and whether it is more than chance and the tolerance of counting explain.
//
// Quantities and values are exact (package interval). low, high, usual, signal and detectable are estimates: unknown is taken as normal around
// μ·used + loss with the variance σ²open + σ²close + φ·Σq², where σ is the noise of a count, φ·Σq² that of handling, μ·used the usual waste, and
// neighbouring intervals have the covariance -σ² of the count that they share. Package noise has the model, its sources and its calibration.
//
//   - unknown is book less counted: above 0 it is a loss. low and high hold what was really lost in 95 % of cases, usual waste included.
//   - signal is true where the last three intervals together lost more than chance and the usual waste explain, one-sided, with at most one false signal in
//     twenty (Benjamini and Hochberg 1995) over the whole table.
//   - detectable is the loss beyond the usual waste that would have been a signal in 90 % of cases. A loss below it may be real and still look like chance.
//
// An item's row spans what is tested, its last three intervals; with a beginning asked for, it spans every interval that ends in the time asked for, and the
// signal is that of the last three of them. An interval belongs to the month in which its last count stands, and to the place, supplier and kind that the item had then.
package shrinkage
