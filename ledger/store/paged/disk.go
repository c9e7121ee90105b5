package paged

import (
	"context"
	"strings"
)

// Disk keeps values under keys. It may be used by several goroutines.
type Disk interface {
	// Hold keeps every other holder out, of this process and others, until release is called.
	Hold(ctx context.Context) (release func(), err error)
	// Get returns the values of some keys as they stand together at one moment, nil where there is none. They belong to the caller.
	Get(ctx context.Context, keys ...string) ([][]byte, error)
	// Range hands over the keys from the first one that isn't below from to the last one that is below to, in the order of their UTF-16 code units, with their
	// values. fn may call the disk.
	Range(ctx context.Context, from, to string, fn func(key string, value []byte) error) error
	// Keys returns the keys that Range would hand over.
	Keys(ctx context.Context, from, to string) ([]string, error)
	// Commit does a batch, all of it or nothing, durably once it has returned nil, if the value of Guard's key is still the one that it names. Errors: store.ErrBusy if
	// it is another one, store.ErrFull, store.ErrDisk.
	Commit(ctx context.Context, b Batch) error
	// Seen returns the highest Version of a batch that was done by anybody, as far as this process has heard.
	Seen() int64
	// Close lets the disk go.
	Close() error
}

// Pair is a key with its value.
type Pair struct {
	Key   string
	Value []byte
}

// IsPoint reports whether a key is that of a checkpoint, which can always be folded again.
func IsPoint(key string) bool { return strings.HasPrefix(key, pointPrefix) }

// NoteOf returns which note of the replica stands under a key of the disk; false if none does.
func NoteOf(key string) (string, bool) { return strings.CutPrefix(key, notePrefix) }

// Batch is what is written at once: first what is to be dropped, then what is put.
type Batch struct {
	Guard   Pair     // must stand there; a nil value: nothing stands there
	Drop    []string // keys
	Clear   []string // prefixes of keys
	Put     []Pair
	Version int64 // for Seen
}
