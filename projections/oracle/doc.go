// Package oracle is a second, slow reading of the rules for the figures (sections 1 to 6 of the rules page; not the
// close report), for tests only. It reads everything again for every question, keeps nothing, and computes with
// math/big. The fast engine must print the same numbers.
//
// It takes membership as settled: the events handed in are those that count, so device, revoke, close and shop do nothing here.
//
// # AMBIGUITIES
//
// Where the page can be read in two ways, this is what was chosen here.
//
// Ids and voids
//
//   - Of one id in several logs the smallest source counts even where that event fails the check of shape. Inside one log the
//     smaller sequence counts. Void names ids, so a doubled id is not listed as void while its other event counts.
//   - Reversed events are not listed as void, whatever else is wrong with them; a waiting reversal isn't void either. A decision
//     about an event that isn't there is void. A decision about anything but a pack has no effect and isn't void.
//   - What is void is found among all known events, those after as-of included, so that a credit or a named spec reads the same
//     under every as-of. Only what depends on the fold itself (a session's parts, a pack's lines) is found among the events left in.
//
// Definitions
//
//   - A first definition is looked for among item events that restate nothing, by their fields as recorded. A restatement
//     that names another type or unit is void, also one of the first definition.
//   - In a circle of restatements all are void: the one that closes it as the page says, the others because they then restate
//     what isn't there. A restatement of something reversed is taken along, not void.
//   - A spec that names an item, a good, a measure or a pack that no definition ever had is void as a whole. So is an item event
//     whose parts name an unknown item. A make spec for a prepared item is void.
//   - A pack or measure that the definition in force lacks comes from the last before it that had it; where none before it
//     had it, from the first after it that has it (the page is silent); where none ever had it, the event is void. A piece weight has no such rule.
//   - An empty map of packs or measures takes all of them away.
//   - Restocking, buying, crediting or making a prepared item is void. A run's inputs may be prepared: they become parts as in packing.
//   - Parts inside parts are multiplied exactly and rounded to 6 places once for each item with stock and each name used.
//     Parts that go in a circle make the event that uses them void.
//   - A restock that names a reversed or void purchase stands, since the goods came; one that names what isn't there or no purchase is void. A credit for a
//     reversed restock is void.
//
// Cost
//
//   - A settled shortfall releases its cost in proportion, rounded once, as a layer would; the last unit takes the rest.
//   - A landed cost may fall below 0 by less than a minor unit, where the discount is the whole of lines with fractions of one. It stays so.
//   - A discount above the line costs makes the restock void.
//   - A credit without rate is not rounded to minor units; with a rate each line is, before lines are summed.
//   - "At most the layer's value" holds for the average's value too.
//   - What a restock received, for a credit, is all its lines of the item, also what settled shortfalls.
//   - A credit that comes before its restock in the order finds none of its layers, and reads "received" from the restock all the same.
//   - With `order` no spoilage is lost: the run's whole cost goes to the order.
//   - An order's line of a run's item holds the good pieces, once, from the run on; packs add what they took from stock. A line is
//     provisional if any issue of that item to the order (or of an input to its runs: the line of the item made) was partly a shortfall.
//   - Returns: first what packs took from stock, at the record's remaining cost k/n of what is left; pieces from runs come last and move nothing.
//   - Postage is the sum of the packs' own figures, not multiplied by parcels.
//   - Zone is that of the last pack that moves; an order with a run only has none.
//
// Counts
//
//   - A prepared piece's figure needs a figure of each item with stock that it stands for, in the same session; parts that are prepared
//     themselves need none. Under as-of only figures up to it are looked at: otherwise the prepared piece alone would be asserted.
//   - A void figure starts no session.
//   - "Counted form" is measure or pack by name; by weight counts as loose. A prepared piece by pack is a form of its own.
//   - The sum of an item stands at the place of the last figure that still stands and holds some of it.
//   - A cost beside a figure of 0 is ignored for that figure, and for the sum. A cost of 0 is a cost.
//   - A weight below its tare is void; so is one without a piece weight, but for items in grams (1 g).
//   - What a count of an earlier figure in an unfinished session says stands only from the session's last figure on.
//
// Orders and packs
//
//   - A reversed order holds only where no other order of the number is there: "to every pack of its number it stays known", but what a person
//     called wrong must not win over what they recorded instead.
//   - A void pack (parcels that don't add up, no lines and no order) is void also where it would be pending or dropped. Parcels are
//     checked against the lines only, not against what formats accept or hold.
//   - drop goes before resend. A resend that moved makes a double of a later pack with equal lines.
//   - Without an order the first pack that moves stands for it even if it is a resend; later packs without lines then are that whole pack.
//   - For `per: order` lines, also those of a format, limits, class and good look at the pack's units; a format's other lines look at
//     the parcel's; `packspec.lines` per unit look at the pack's. Units that no format takes, and those handed over, are units of the pack.
//   - A format's `per: order` lines are not given with a resend that isn't the first to move, even if its parcel is the first of all;
//     later parcels aren't the first then either.
//   - With both class and good a unit must have both.
//   - Two instead_of changes act one after the other as listed: the other's use becomes 0 first, then the total is added.
//   - A named spec that was found wrong is the end of its chain; naming a void spec makes the event void.
package oracle
