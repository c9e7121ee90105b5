// Package resume folds a ledger from the latest checkpoint that still holds, so that a question about today costs as much as what has happened since, and
// not as much as all the years before.
//
// A checkpoint is a [fold.Snapshot] that a store keeps: the state after all events up to a position in the fold order, as far as they had arrived by a
// number. It stands for the fold of those events only while everything that arrived later leaves them alone. The words "late" and "behind" mean: arrived
// after that number, and after that position in the fold order. A checkpoint holds if
//
//   - no late event sorts at or before the position, and none is the first of a device's log, a definition, a specification or a revocation: those speak
//     about all time;
//   - no late event has an id that another event has as well;
//   - every late reversal and decision names events behind the position, and none that an event before it relies on: an order of which packs stand before, a
//     delivery that a credit before names ([fold.Snapshot].Awaits);
//   - no late delivery or purchase is one that an event before the position was waiting for, and no late order is one of which something stands before;
//   - no count behind the position belongs to a session that began before it;
//   - of every order of which something happens behind the position, the checkpoint has the state, or nothing stands before.
//
// Then the fold of the events behind the position, from the snapshot, is the fold of the whole ledger. Beside them it needs what speaks about all time (setup,
// reversals, decisions) and the deliveries and purchases that they name.
//
// Wherever something is doubtful (a text that can't be read, a reading of the store that fails, an event that this package has no rule for) the checkpoint is
// passed over, and in the end the ledger is folded from its first event. The state has every item, but of orders only those that the tail speaks of or that
// were open, and no notice about what came before: reports about orders, histories and reviews fold from the first event.
package resume
