package main

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

func lock(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errLocked
	}
	return err
}

// diskLeft returns the bytes that this user can still write on the disk of a folder.
func diskLeft(dir string) (int64, bool) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, false
	}
	var left uint64
	if err := windows.GetDiskFreeSpaceEx(name, &left, nil, nil); err != nil {
		return 0, false
	}
	return int64(left), true
}
