// Package entry is the check of entry: what is looked at only where a person records.
//
// [Check] refuses facts that are certainly wrong against the ledger and the clock: an item that nobody defined, a pack that the item
// lacks, a reference to what isn't there, a time in the future. It refuses nothing that is void only by fold order, so the order of facts
// in a file doesn't matter: all are judged against the ledger and the whole list together. What only looks wrong is asked by [Questions],
// never refused.
//
// The check is no part of an event's shape or of its chain: no other device applies it, and an event that would fail it counts all the
// same once it stands in a log.
package entry
