// Package outlook works out, from a ledger, how the use of every item will go on: what orders take and used to take, what print runs will need, and when
// stock runs out. The model of use is package forecast's; here it is fed.
//
// # What counts as use
//
// Every order that was placed is put through the packing spec in force at the end, with the item definitions in force then: so a corrected or changed spec
// changes the forecast at once, and a supply that came into the spec last week has a history as long as the shop's. A measured use ratio (actual ÷ spec), where
// one is handed in, multiplies what specs use. Write-offs, samples, gifts and own use are added as they were, and so is what changes added to packs and runs (what they
// took away is not). A supply whose lines no order as placed comes to, because their option is said at packing, has what packs took as its history. An
// order counts on the day on which it was placed, else packed.
//
// Orders that are still open are promised: their need is taken off stock first. Orders that have stayed open much longer than orders do here are taken to have
// been called off, or packed and never entered, and are listed instead.
//
// # Print runs
//
// What is made here is printed in batches when it gets low. In each path the stock of every made item is played day by day: when it falls to where runs
// used to begin, a run of the usual size takes its inputs on that day. So a supply's use comes in the lumps in which it will, and begins only when the pieces
// on the shelf are gone. Runs may need what is itself made, to any depth; make specs that go in a circle are an error. Without runs in the past, a
// batch is what four weeks take, begun when a week's use is left.
//
// Paths of different items are independent of each other, so that what many goods have in common (a good week) is in each item's own spread, but a supply that
// several goods use up feels it a little too weakly.
//
// This is a package of estimates: floats throughout. It prints nothing.
package outlook
