//go:build !js

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"syscall"

	driver "modernc.org/sqlite"
	codes "modernc.org/sqlite/lib"

	"countback/ledger/store"
)

// fail turns an error of SQLite or the system into one of the store's kinds.
func fail(op, item string, err error) error {
	var own *store.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &own), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	}
	return store.Fail(op, item, kindOf(err), err)
}

func kindOf(err error) error {
	var e *driver.Error
	if errors.As(err, &e) {
		return kindOfCode(e.Code())
	}
	switch {
	case errors.Is(err, sql.ErrConnDone):
		return store.ErrClosed
	case errors.Is(err, fs.ErrExist):
		return store.ErrExists
	case errors.Is(err, fs.ErrNotExist):
		return store.ErrNotFound
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return store.ErrReadOnly
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return store.ErrFull
	}
	return store.ErrDisk
}

func kindOfCode(code int) error {
	switch code {
	case codes.SQLITE_IOERR_SHORT_READ, codes.SQLITE_IOERR_CORRUPTFS, codes.SQLITE_IOERR_DATA:
		return store.ErrDamaged
	}
	switch code & 0xff {
	case codes.SQLITE_FULL:
		return store.ErrFull
	case codes.SQLITE_READONLY, codes.SQLITE_PERM, codes.SQLITE_AUTH, codes.SQLITE_CANTOPEN:
		return store.ErrReadOnly
	case codes.SQLITE_CORRUPT, codes.SQLITE_NOTADB, codes.SQLITE_CONSTRAINT, codes.SQLITE_SCHEMA, codes.SQLITE_FORMAT, codes.SQLITE_ERROR:
		return store.ErrDamaged // the last: a table or column that a whole file has is missing
	case codes.SQLITE_BUSY, codes.SQLITE_LOCKED, codes.SQLITE_PROTOCOL:
		return store.ErrBusy
	}
	return store.ErrDisk
}
