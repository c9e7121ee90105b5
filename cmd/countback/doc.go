// Command countback is the desk program of the materials ledger: the command line.
//
// [Main] is the whole program with its outside (arguments, streams, clock, randomness, environment) as fields, so that a test starts all of it. Each command
// stands in a file of its own name. What they share:
//
//	fault.go    errors in one line: what, where, what to do; exit statuses
//	folder.go   the data folder: ledger.db, and device.key (readable by its owner alone)
//	desk.go     an open ledger with its key, its shop and its clock
//	moment.go   days and times, in the shop's zone
//	amount.go   quantities as people write them, with packs, measures and units
//	print.go    tables, CSV and JSON
//	post.go     how a command records a fact and says so
//
// Exit status: 0 done, 1 a fault of the machine or the network, 2 wrong use or bad input (nothing recorded).
package main
