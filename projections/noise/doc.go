// Package noise says how far what is unknown between two counts may be off by chance alone, and so what is more than chance.
//
// # The model
//
// For one item and one interval between counts, in base units,
//
//	unknown ~ (μ·used + loss,  σ²open + σ²close + φ·Σq²)
//
// taken as normal. σ is the noise of each count: its tolerance, a half-width that holds 95 % of counts, divided by 1.96. φ·Σq² is the noise of handling: each
// single use of q (one parcel's line, one cycle or piece of a run) takes a little more or less, with the standard deviation √φ·q; φ has no unit
// and is one number for the shop. μ·used is the usual waste. Neighbouring intervals share a count, so that their covariance is -σ² of it: a figure that was read too
// low makes the interval before it look like a loss and the one after it like a gain.
//
// μ and φ are estimated from all other items, so that an item's own loss never hides itself. μ, not below 0, is the mean of unknown ÷ used, weighted by
// precision, with the outer tenths left out; φ is the root of a robust equation (chance.Spread) that begins at 0.02, over how each item's intervals differ
// among each other. An item that is no chance by any measure is set aside first and teaches the others nothing.
//
// What is not known for certain about the two widens the test. The variance of μ is added, as far as μ is to hold for one more item: how well the mean is known,
// and how far the others lie apart in their waste (by the same robust equation; that a card is hardly ever spoiled says little about labels). That of φ turns the
// normal distribution into Student's t with 2·v²÷Var(v) degrees of freedom (F. E. Satterthwaite, An approximate distribution of estimates of variance
// components, Biometrics Bulletin 2 (1946), 110–114).
//
// A signal is one-sided: the last three intervals together are tested for a loss beyond the usual waste, and over the items of a table at most one signal in
// twenty is a false one (Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995), 289–300). A loss of single pieces adds itself, times a usual use, to the
// variance: that matters for bounds and for how large a loss is found, not for whether there is one.
//
// The shape of the model, the default tolerances and the start of φ are this program's own; the methods behind them are those named here and in package
// chance. What the calibration of the model came to stands in testdata/calibration.md; the test that wrote it says how.
package noise
