// Package phone is what the recorder on a phone does, without its browser: it records as this device, reads the ledger and tells what is safe. The modules
// around it bind it to JavaScript, a database and a network.
//
// What the page shows first stands in one small record, the face: the shop, this device, the items with their packs and measures. It is written anew when the
// definitions change. So the keypad never waits for the ledger, let alone for a fold of it. Figures come from the latest checkpoint (package resume); only the
// exact reports fold from the first event.
//
// The phone's key is kept as a seed in the browser's box, beside the ledger: signing inside a transaction can't wait for the browser's own
// cryptography, which answers later. Whoever can read this site's storage on the phone can therefore sign as this device; a lost phone is revoked.
//
// # What the box holds
//
//	key       the seed; written once, at pairing
//	face      see [Face]
//	joining   a pairing that isn't through, see [Joining]
//	sent      what the carrier knows of the way of the entries, see [Sent]
//	round     the page's own state of a count round
package phone
