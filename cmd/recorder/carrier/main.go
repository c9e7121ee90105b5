//go:build js

package main

import (
	"context"
	"crypto/rand"
	"syscall/js"
	"time"
)

func main() {
	c := &carrier{now: time.Now, entropy: rand.Reader, origin: js.Global().Get("location").Get("origin").String()}
	if err := c.run(context.Background()); err != nil {
		js.Global().Get("console").Call("error", "carrier: "+err.Error())
	}
}
