// Package reprint says how many pieces could be printed from what is on hand, by the make specs in force, and what limits them.
//
// What a run lacks and is itself made here is made first: as many pieces as are missing, grossed up by its normal spoilage to whole ones, from its own inputs, and
// so on down (from good over home-made supply to material, and deeper where specs go deeper). Make specs that go in a circle are named and give no figure. Each
// item is looked at by itself, as if everything on hand were for it.
//
// The number of pieces is the largest whole one whose needs are covered. It is found by halving, since the needs never fall when the pieces rise.
package reprint
