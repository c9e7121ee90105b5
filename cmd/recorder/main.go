//go:build js

package main

import (
	"crypto/rand"
	"runtime/debug"
	"time"
)

// build names this program for its checkpoints. It is set when the module is linked; without it none are kept.
var build string

// How far the heap grows before it is collected: a collection stops the page, and most of a phone's ledger isn't in memory.
const (
	gcPercent   = 300
	memoryLimit = 120 << 20 // bytes, from which on it is collected more often
)

func main() {
	debug.SetGCPercent(gcPercent)
	debug.SetMemoryLimit(memoryLimit)
	newRecorder(time.Now, rand.Reader, build).offer()
	select {}
}
