package main

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/andybalholm/brotli"

	"countback/cmd/countback/recorder"
)

// modules are the WebAssembly modules by the names of their files.
var modules = []struct{ file, folder string }{
	{"recorder.wasm", "./cmd/recorder"},
	{"carrier.wasm", "./cmd/recorder/carrier"},
}

const (
	pageFolder = "cmd/recorder/page"
	starter    = "wasm_exec.js" // of Go, at lib/wasm
	worker     = "service-worker.js"
	listed     = "/*FILES*/[]" // in the service worker, where the list of files goes
)

// builder builds the recorder once.
type builder struct {
	root   string // of the module
	goroot string
	into   string
	quick  bool

	files  map[string][]byte
	made   []recorder.File
	packed map[string][2]int    // sizes, brotli and gzip
	had    map[string][2][]byte // compressed forms of an earlier build, by hash
	mu     sync.Mutex
}

func (b *builder) build() error {
	b.files, b.packed = map[string][]byte{}, map[string][2]int{}
	for _, step := range []func() error{b.compile, b.page, b.list, b.write} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// compile makes the modules. What tells of this machine is left out, so that the same sources give the same bytes everywhere.
func (b *builder) compile() error {
	dir, err := os.MkdirTemp("", "recorder")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	// The modules name themselves to their checkpoints, which another program may not go on with: by the hash of what they are without a name.
	name := sha256.New()
	for _, named := range []bool{false, true} {
		flags := "-s -w"
		if named {
			flags += " -X main.build=" + hex.EncodeToString(name.Sum(nil))
		}
		for _, m := range modules {
			out := filepath.Join(dir, m.file)
			cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags="+flags, "-o", out, m.folder)
			cmd.Dir = b.root
			cmd.Env = append(cmd.Environ(), "GOOS=js", "GOARCH=wasm", "CGO_ENABLED=0", "GOFLAGS=")
			if said, err := cmd.CombinedOutput(); err != nil {
				return fmt.Errorf("%s: %w\n%s", m.folder, err, said)
			}
			if b.files[m.file], err = os.ReadFile(out); err != nil {
				return err
			}
			if !named {
				_, _ = name.Write(b.files[m.file]) // a hash takes all
			}
		}
	}
	b.files[starter], err = os.ReadFile(filepath.Join(b.goroot, "lib", "wasm", starter))
	return err
}

// page takes the hand-written files as they are.
func (b *builder) page() error {
	dir := os.DirFS(filepath.Join(b.root, filepath.FromSlash(pageFolder)))
	return fs.WalkDir(dir, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if _, ok := recorder.TypeOf(name); !ok {
			return fmt.Errorf("%s/%s: the recorder serves no files of this sort", pageFolder, name)
		}
		b.files[name], err = fs.ReadFile(dir, name)
		return err
	})
}

// list names every file with its hash, and tells the service worker which ones it keeps: all but itself.
func (b *builder) list() error {
	script, ok := b.files[worker]
	if !ok || bytes.Count(script, []byte(listed)) != 1 {
		return fmt.Errorf("%s/%s: it doesn't say %s once, where the list of files belongs", pageFolder, worker, listed)
	}
	for name, content := range b.files {
		if name == worker {
			continue
		}
		b.made = append(b.made, recorder.FileOf(name, content))
	}
	byPath := func(x, y recorder.File) int { return cmp.Compare(x.Path, y.Path) }
	slices.SortFunc(b.made, byPath)
	keeps := make([][2]string, 0, len(b.made))
	for _, f := range b.made {
		keeps = append(keeps, [2]string{f.Path, f.Hash})
	}
	text, err := json.Marshal(keeps)
	if err != nil {
		return err
	}
	b.files[worker] = bytes.Replace(script, []byte(listed), text, 1)
	b.made = append(b.made, recorder.FileOf(worker, b.files[worker]))
	slices.SortFunc(b.made, byPath)
	return nil
}

// earlier reads the compressed forms of an earlier build, by the hash of what they hold: compressing well takes a minute, and most files stay the same from one
// build to the next. What can't be read is made anew.
func (b *builder) earlier() map[string][2][]byte {
	var list recorder.List
	text, err := os.ReadFile(filepath.Join(b.into, recorder.ListName))
	if err != nil || json.Unmarshal(text, &list) != nil || list.Quick != b.quick {
		return nil
	}
	found := map[string][2][]byte{}
	for _, f := range list.Files {
		place := filepath.Join(b.into, recorder.Folder, filepath.FromSlash(f.Path))
		br, err := os.ReadFile(place + ".br")
		gz, err2 := os.ReadFile(place + ".gz")
		if err == nil && err2 == nil && b.holds(br, f.Hash) {
			found[f.Hash] = [2][]byte{br, gz}
		}
	}
	return found
}

// holds reports whether a compressed form is whole and that of a content.
func (b *builder) holds(br []byte, hash string) bool {
	sum := sha256.New()
	_, err := io.Copy(sum, brotli.NewReader(bytes.NewReader(br)))
	return err == nil && hex.EncodeToString(sum.Sum(nil)) == hash
}

// write replaces what the folder holds. list.json comes last: without it the folder counts as not built.
func (b *builder) write() error {
	b.had = b.earlier()
	for _, old := range []string{recorder.ListName, recorder.Folder} {
		if err := os.RemoveAll(filepath.Join(b.into, old)); err != nil {
			return err
		}
	}
	var work sync.WaitGroup
	failed := make(chan error, len(b.made))
	for _, f := range b.made {
		work.Go(func() { failed <- b.writeFile(f) })
	}
	work.Wait()
	close(failed)
	for err := range failed {
		if err != nil {
			return err
		}
	}
	text, err := json.MarshalIndent(recorder.List{Build: b.name(), Quick: b.quick, Files: b.made}, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(b.into, recorder.ListName), append(text, '\n'), 0o644)
}

// name is the hash of all hashes.
func (b *builder) name() string {
	h := sha256.New()
	for _, f := range b.made {
		fmt.Fprintf(h, "%s %s\n", f.Path, f.Hash)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func (b *builder) writeFile(f recorder.File) error {
	place := filepath.Join(b.into, recorder.Folder, filepath.FromSlash(f.Path))
	if err := os.MkdirAll(filepath.Dir(place), 0o755); err != nil {
		return err
	}
	content := b.files[f.Path]
	if !f.Packed {
		return os.WriteFile(place, content, 0o644)
	}
	forms, ok := b.had[f.Hash]
	if !ok {
		var err error
		if forms[0], err = b.brotli(content); err != nil {
			return err
		}
		if forms[1], err = b.gzip(content); err != nil {
			return err
		}
	}
	br, gz := forms[0], forms[1]
	b.mu.Lock()
	b.packed[f.Path] = [2]int{len(br), len(gz)}
	b.mu.Unlock()
	return errors.Join(os.WriteFile(place+".br", br, 0o644), os.WriteFile(place+".gz", gz, 0o644))
}

func (b *builder) brotli(content []byte) ([]byte, error) {
	const quickly, window = 4, 24
	quality := brotli.BestCompression
	if b.quick {
		quality = quickly
	}
	var out bytes.Buffer
	err := pack(brotli.NewWriterOptions(&out, brotli.WriterOptions{Quality: quality, LGWin: window}), content)
	return out.Bytes(), err
}

func (b *builder) gzip(content []byte) ([]byte, error) {
	level := gzip.BestCompression
	if b.quick {
		level = gzip.BestSpeed
	}
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, level)
	if err != nil {
		return nil, err
	}
	err = pack(w, content)
	return out.Bytes(), err
}

func pack(w io.WriteCloser, content []byte) error {
	_, err := w.Write(content)
	return errors.Join(err, w.Close())
}

// report says how large what goes over the wire is.
func (b *builder) report() string {
	var s strings.Builder
	all := [3]int{}
	rest := [3]int{}
	line := func(name string, n [3]int) {
		fmt.Fprintf(&s, "%-14s %9d bytes, gzip %8d, brotli %8d\n", name, n[0], n[1], n[2])
	}
	for _, f := range b.made {
		n := [3]int{f.Size, f.Size, f.Size}
		if p, ok := b.packed[f.Path]; ok {
			n[1], n[2] = p[1], p[0]
		}
		for i := range all {
			all[i] += n[i]
		}
		if path.Ext(f.Path) == ".wasm" {
			line(f.Path, n)
			continue
		}
		for i := range rest {
			rest[i] += n[i]
		}
	}
	line("the page", rest)
	line("all", all)
	return s.String()
}
