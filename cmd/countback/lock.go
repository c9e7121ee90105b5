package main

import (
	"errors"
	"os"
	"path/filepath"
)

// lockFile is held by the one process that keeps a ledger in step with others. The system lets go of it when the process ends, however it ends.
const lockFile = "serve.lock"

var errLocked = errors.New("the lock is held")

// takeLock takes the lock of a data folder, or fails with errLocked. The file stays: removing it would let two processes hold one lock each.
func takeLock(dir string) (release func() error, err error) {
	f, err := os.OpenFile(filepath.Join(dir, lockFile), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := lock(f); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f.Close, nil
}

// serving reports whether another process holds the lock.
func serving(dir string) (bool, error) {
	release, err := takeLock(dir)
	if errors.Is(err, errLocked) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	return false, release()
}
