// Package indexeddb is a disk (package paged) in a browser's database, and what else a program in a browser needs of one: awaiting promises, and a box for small
// values of its own beside the ledger.
//
// A commit is one transaction with strict durability. What excludes other writers, in this tab, in others and in workers, is a Web Lock; the guard of a
// commit is compared inside the transaction as well, so that a browser without locks loses nothing: its second writer is told that the ledger is in use.
// What was written is told to the others by a BroadcastChannel.
//
// It builds for js/wasm alone. Its test runs storetest's suite in a real browser (browser_test.go).
package indexeddb
