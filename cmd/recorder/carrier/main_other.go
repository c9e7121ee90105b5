//go:build !js

package main

// The carrier runs in a browser's worker alone: go generate builds it for js/wasm.
func main() {
	println("the carrier runs in a browser; build it with GOOS=js GOARCH=wasm, or with go generate")
}
