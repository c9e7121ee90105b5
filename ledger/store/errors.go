package store

import (
	"errors"
	"strings"
)

// The kinds of error. Every error of a store wraps one of them, or is the context's or the caller's own.
var (
	ErrNotFound = errors.New("not found")
	ErrExists   = errors.New("is there already")
	ErrChain    = errors.New("doesn't continue its log")
	ErrFork     = errors.New("another event holds this place in its log")
	ErrFull     = errors.New("no space left on the disk")
	ErrReadOnly = errors.New("can't be written")
	ErrDamaged  = errors.New("is damaged")
	ErrBusy     = errors.New("is in use by another program")
	ErrVersion  = errors.New("was written by a newer program")
	ErrClosed   = errors.New("is closed")
	ErrDisk     = errors.New("the disk failed")
)

var hints = map[error]string{
	ErrNotFound: "check the name, or start a ledger with init",
	ErrExists:   "choose another name; nothing was overwritten",
	ErrChain:    "events before it are missing; they come with the next sync",
	ErrFork:     "two copies of one device have recorded; see review, and keep only one of them",
	ErrFull:     "nothing was recorded; free some space and repeat the command",
	ErrReadOnly: "give your user the right to write the ledger's folder and files",
	ErrDamaged:  "keep the file, run verify to see what is left, and restore the newest backup with restore FILE",
	ErrBusy:     "wait for the other command to end and repeat this one",
	ErrVersion:  "install the current version of countback",
	ErrClosed:   "this is a fault of the program; start it again",
	ErrDisk:     "nothing was recorded; check the disk and its cable, then run verify",
}

// Error is an error of a store: what was done, to what, what kind of error it was, and what to do about it.
type Error struct {
	Op   string // such as "record"
	Item string // the event, log or file
	Kind error  // one of the kinds above
	Err  error  // the cause, nil if the kind says all
	Hint string // what to do next
}

// Fail builds an Error with its kind's usual hint.
func Fail(op, item string, kind, cause error) *Error {
	return &Error{Op: op, Item: item, Kind: kind, Err: cause, Hint: hints[kind]}
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Op)
	b.WriteString(": ")
	if e.Item != "" {
		b.WriteString(e.Item)
		b.WriteString(": ")
	}
	b.WriteString(e.Kind.Error())
	if e.Err != nil {
		b.WriteString(" (")
		b.WriteString(strings.ReplaceAll(e.Err.Error(), "\n", " "))
		b.WriteString(")")
	}
	if e.Hint != "" {
		b.WriteString("; ")
		b.WriteString(e.Hint)
	}
	return b.String()
}

// Unwrap returns kind and cause.
func (e *Error) Unwrap() []error {
	if e.Err == nil {
		return []error{e.Kind}
	}
	return []error{e.Kind, e.Err}
}

// Hint returns what to do about an error, "" where no store has said.
func Hint(err error) string {
	var e *Error
	if errors.As(err, &e) {
		return e.Hint
	}
	return ""
}
