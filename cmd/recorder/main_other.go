//go:build !js

package main

// The recorder runs in a browser alone: go generate builds it for js/wasm.
func main() {
	println("the recorder runs in a browser; build it with GOOS=js GOARCH=wasm, or with go generate")
}
