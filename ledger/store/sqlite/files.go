//go:build !js

package sqlite

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"countback/ledger/store"
)

// All durable work on files other than SQLite's own is in this file.

const fileMode = 0o600

// newFile makes an empty file that only its owner can read, so that SQLite gives its own files beside it the same mode.
func newFile(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, fileMode)
	if err != nil {
		return err
	}
	return f.Close()
}

// publish gives a finished file its name: contents on disk first, then the name, then the folder. An existing file is not replaced.
func publish(temp, path string) error {
	if err := syncFile(temp); err != nil {
		return err
	}
	if err := os.Link(temp, path); err == nil {
		os.Remove(temp)
		return syncFile(filepath.Dir(path))
	} else if errors.Is(err, fs.ErrExist) {
		return err
	}
	if _, err := os.Lstat(path); err == nil { // a file system without hard links
		return fs.ErrExist
	}
	if err := os.Rename(temp, path); err != nil {
		return err
	}
	return syncFile(filepath.Dir(path))
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// dropTemp removes a temporary database and what SQLite may have left beside it.
func dropTemp(temp string) {
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		os.Remove(temp + end)
	}
}

// lookAt checks the first bytes of a file before SQLite touches it, because opening would already change the journal mode of a database that isn't ours.
func lookAt(path string) error {
	const op = "open the ledger"
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return store.Fail(op, path, store.ErrNotFound, nil)
	case err != nil:
		return fail(op, path, err)
	}
	defer f.Close()
	var head [100]byte
	n, err := io.ReadFull(f, head[:])
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return store.Fail(op, path, store.ErrDamaged, fmt.Errorf("it has only %d bytes", n))
	case err != nil:
		return fail(op, path, err)
	case string(head[:16]) != "SQLite format 3\x00":
		return store.Fail(op, path, store.ErrDamaged, errors.New("its first bytes aren't those of a ledger"))
	case binary.BigEndian.Uint32(head[68:]) != applicationID:
		return store.Fail(op, path, store.ErrDamaged, errors.New("it is another program's database"))
	}
	return nil
}
