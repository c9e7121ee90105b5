// Package record is the one way in: it turns facts into signed events of this device's log, all of them or none, in one transaction.
//
// # Ids
//
// A fact may carry its id; then recording it once more, after a crash or from the same file, changes nothing. Facts without one get an id that rises
// within this device's log only, so that facts of one millisecond keep their order. Ids that were given, and ids of other devices, never move it: one
// that lies a day ahead mustn't drag all later ones along.
//
// A generated id is a ULID whose 80 bits of randomness are laid out as
//
//	3 bytes  the first of SHA-256 over "countback-id-v1", device and milliseconds, one a line
//	7 bytes  random, the highest bit 0; one higher for each further id of the same millisecond
//
// The first three bytes tell the device's own generated ids from given ones. So the last generated id is found in the log itself, whichever process
// recorded it, and ids rise even where the clock was set back. A given id passes for a generated one by accident once in 16 million.
package record
