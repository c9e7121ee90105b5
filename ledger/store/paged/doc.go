// Package paged keeps a ledger on a [Disk]: anything that keeps values under keys and writes several of them at once or not at all, such as a browser's
// database (package indexeddb). Lines stand there in blocks of some hundred, each beside an index of what is asked about them; the index alone is read at the
// start and stays in memory, with about 80 bytes for each event. So a ledger of 100,000 events costs some 10 MB and a start some hundredths of a second, and
// reading it through costs one look-up for each block.
//
// Several stores, in several processes, may share a disk. Whoever writes holds the disk, reads what others have written, and adds to that. A reader looks at the
// disk again once it has heard ([Disk.Seen]) that somebody has written; until then it answers from what it knows.
//
// # Keys
//
//	v              how often was written, the last number, the last number before the last cut, how many cuts there were: four whole numbers
//	h              the heads of the logs: device, sequence, hash, one a line
//	b/FIRST        a block: the generation (4 bytes, big-endian), then the lines from number FIRST on, without ends
//	i/FIRST        its index (see [encodeIndex])
//	n/KEY          a note of this replica
//	c/SUM/h/…      the head of a checkpoint; SUM is of its key, and its place follows
//	c/SUM/s/…      its state
//
// FIRST has twelve digits. The last block is written anew, with more lines, until it has 32 KiB; so a ledger that grows event by event has few blocks. A cut
// (store.Tx.Cut) writes the blocks that it touches anew, with the next generation, so that a reader that knows the old index sees that it is the old one.
package paged
