// Package audit says why an item ran out early: the exact bridge of package bridge, and for the part of it that no record explains the likeliest causes, each with
// its weight, what it explains and the events that speak for it.
//
// # The model
//
// Of the item's intervals between counts the unknown is, beyond the usual waste, normal with the covariance of package noise: counts that neighbours share, handling,
// single pieces of waste, and what isn't known of the usual waste. As nobody's tolerances are exact, the noise is 0.8, 1, 1.4 or 2.2 times what the model says, with
// the chances 0.2, 0.45, 0.25 and 0.1. Nor is it known in what pieces a lasting loss goes: a steady loss in 0.3, 1 or 3 usual ones, and of what uses take more, none, 0.4 or all of
// it by whole pieces now and then; each adds its own variance. Each cause is a model of what it adds to every interval:
//
//	spec_drift      a share of use, from an instant on, over at least three intervals: of all use, or of that in one format or by one good's runs
//	steady_loss     so much a day, from an instant on, over at least three intervals
//	short_pack      a share of what was received, from a delivery on, over at least two intervals with deliveries
//	one_off_loss    so much in one interval of the window
//	double_entry    what one of two near-identical deliveries brought
//	unit_slip       what a delivery in another pack would have brought less; its cost per piece speaks for it or against it
//	missing_entry   what orders that were placed and never packed would have taken, of all items together; or a share of one interval's use of all supplies
//	count_slip      so much in one interval, and minus that in the next; above all by a digit swapped, lost, doubled or misread, a nought, or a pack
//	none            nothing, or something that happened outside the window
//
// A free size has a prior around 0 (a loss is above it), a normal density times the square of the size: what is hardly there is no cause (V. E. Johnson and D. Rossell, On the use of
// non-local prior densities in Bayesian hypothesis tests, J. R. Statist. Soc. B 72 (2010), 143–170). It is a mixture of widths of 2.5, 6, 16 and 50 standard deviations with which the
// counts would know the size: one width alone turns on very large losses. Onsets, intervals and entries are averaged over, not maximised. Causes are compared by the
// logarithm of the Bayes factor against none plus that of the odds that they have before the data (R. E. Kass and A. E. Raftery, Bayes factors, J. Amer. Statist. Assoc. 90
// (1995), 773–795); pairs of causes are models of their own. A cause's weight is the summed posterior of all models that hold it.
//
// more_orders, heavier_orders and spoiled_runs stand in parts of the bridge, not in the unknown. Each is tested on its part's own change from the 90 days before,
// against the same change in earlier windows of the same length. Those show growth and a yearly swing, as far as they reach, and a spread beyond chance; what they make of
// the window is Student's t. A year before counts for half where the history reaches that far.
//
// Causes that are readings of the same data share a rank where the first of it leads by less than a factor e²: these data can't tell them apart. A cause leads in the models in which
// no other one explains more; one that is likely only beside another stands behind that one. spec_drift and steady_loss share a rank whatever their weights unless use a day
// varied 1.5-fold over the counts and the loss is clear enough for how it varied since it began, and so do unit_slip and one_off_loss where the delivery has no cost.
//
// The shape of the models and the odds are this program's own. How often they are right stands in shops/rates.md, and its command in package shops.
package audit
