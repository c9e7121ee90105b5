// Command shots takes a picture of every screen of the recorder, at a phone's size, light and dark, and on a narrow phone with letters twice as large. It builds
// the program, makes the demo shop in a temporary folder, serves it on loopback, lets a browser join, and leads it through the screens. It needs Chromium.
//
//	go generate ./... && go run ./cmd/recorder/shots -into FOLDER
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
)

func main() {
	into := flag.String("into", "shots", "the `folder` to write the pictures to")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, *into)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "shots: "+err.Error())
		os.Exit(1)
	}
	fmt.Println("The pictures are in " + *into + ".")
}

func run(ctx context.Context, into string) error {
	if err := os.MkdirAll(into, 0o755); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "recorder-shots")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	s := &studio{ctx: ctx, into: into, dir: dir, program: filepath.Join(dir, "countback"), shop: filepath.Join(dir, "shop"), errors: os.Stderr}
	if out, err := exec.CommandContext(ctx, "go", "build", "-o", s.program, "countback/cmd/countback").CombinedOutput(); err != nil {
		return fmt.Errorf("build the program: %w\n%s", err, out)
	}
	return s.all()
}
