//go:build js

package main

import (
	"crypto/rand"
	"time"
)

// build names this program for its checkpoints. It is set when the module is linked; without it none are kept.
var build string

func main() {
	newRecorder(time.Now, rand.Reader, build).offer()
	select {}
}
