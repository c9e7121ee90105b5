// Command build builds the recorder: it compiles the two WebAssembly modules with the Go that runs it, adds Go's own script that starts them and the
// hand-written files of cmd/recorder/page, names all of them with their hashes for the service worker, and writes them compressed into a folder.
//
//	go run countback/cmd/recorder/build -into FOLDER [-quick]
//
// go generate runs it for cmd/countback/recorder. With -quick files are compressed less, for tests.
package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

func main() {
	into := flag.String("into", "built", "the `folder` to write to; what an earlier build left there is replaced")
	quick := flag.Bool("quick", false, "compress less, for tests")
	quiet := flag.Bool("quiet", false, "say nothing where all is well")
	flag.Parse()
	root, err := ask("GOMOD")
	goroot, err2 := ask("GOROOT") // of the Go that compiles: its script and its modules belong together
	if err = errors.Join(err, err2); err == nil && filepath.Base(root) != "go.mod" {
		err = errors.New("this isn't run inside the module; change to the project's folder")
	}
	if err == nil {
		b := &builder{root: filepath.Dir(root), into: *into, quick: *quick, goroot: goroot}
		if err = b.build(); err == nil && !*quiet {
			fmt.Print(b.report())
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "build the recorder: "+strings.TrimSpace(err.Error()))
		os.Exit(1)
	}
}

// ask asks the go command for one of its settings.
func ask(name string) (string, error) {
	out, err := exec.Command("go", "env", name).Output()
	if err != nil {
		return "", fmt.Errorf("go env %s: %w", name, err)
	}
	return strings.TrimSpace(string(out)), nil
}
