// Package store says what a keeper of the ledger must do; the packages below it do it: memory (tests, and the recorder's working copy) and sqlite (the desk's
// file). Package storetest holds the suite that every store passes.
//
// A store holds the lines of events, byte for byte, in their order of arrival. It keeps two promises and judges nothing else:
//
//   - Each device's log is unbroken: sequences 1, 2, 3 … and each event names the hash of the one before. What doesn't continue its log is refused with
//     ErrChain; another line at a place that is taken, with ErrFork. The same bytes once more change nothing.
//   - A Write is all or nothing, and durable once it has returned nil. After a crash it may have happened although nobody was told; recording again with
//     the same ids then finds the events in place.
//
// Shape, signatures and membership are for packages event and chain to check. Events that fail the check of shape are stored like any other.
//
// One thing takes events out of a log again: a fork, where two copies of one device have recorded and the other branch is the log (package
// sync/replicate says which). Cut hands the events to the caller, and the same Write puts the other branch in their place.
//
// The number N of a row is this store's own order of arrival, rising without end; another replica has other numbers. No result may hang on it.
package store
