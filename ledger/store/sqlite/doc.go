//go:build !js

// Package sqlite keeps a ledger in one SQLite file: the desk's store.
//
// Layout, version 1 (application_id 0x63426b31, user_version 1):
//
//	logs         device (number), name (device id)
//	events       n (order of arrival), device, seq, id, kind, ms, ord, line
//	doubled      ids that stand at more than one place
//	checkpoints  local shortcuts of folds, each with a checksum
//
// With the first checkpoint comes the index events_ms, which a fold from a checkpoint reads the end of the ledger by. A file without it is as good.
//
// With the first note of this replica's own comes the table local (key, value); its key of no letters holds the last number of before the last cut of a log.
//
// line is the truth; the other columns of events repeat parts of it for the indexes, and Check compares them. The head of a log isn't stored: it is the
// event with the highest seq, and its hash is computed. id is NULL for an event whose id isn't a ULID. ord is the order number that the data names, ms the
// event's time in milliseconds since 1970 UTC, 0 where it can't be read.
//
// The file is in WAL mode with synchronous=FULL: what Write has acknowledged survives a crash of the program and of the machine. Beside FILE stand FILE-wal
// and FILE-shm while it is open; whoever copies the file by hand must copy FILE-wal too, or better call Backup. Several processes may read and write.
//
// Triggers refuse UPDATE and DELETE on events. They guard against mistakes, not against somebody who can write the file; against that stands the chain.
package sqlite
