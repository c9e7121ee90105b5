package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"countback/cmd/countback/typed"
	"countback/ledger/event"
	"countback/ledger/store"
)

// The exit statuses.
const (
	statusDone    = 0
	statusMachine = 1 // the machine or the network is at fault
	statusUse     = 2 // the command or its input is; nothing was recorded
)

// fault is an error as a person reads it.
type fault struct {
	what   string
	where  string // a file, line, row, field, flag or command; may be empty
	hint   string // what to do; may be empty
	status int
	err    error // the cause, for errors.Is
}

func (f *fault) Error() string {
	s := f.what
	if f.where != "" {
		s = f.where + ": " + s
	}
	if f.hint != "" {
		s += "; " + f.hint
	}
	return oneLine(s)
}

func (f *fault) Unwrap() error { return f.err }

// oneLine keeps a message on its line, whatever a file or a library put into it.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r <= 0x9f || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

// wrong is a fault of use or input.
func wrong(where, hint, what string, args ...any) error {
	return &fault{what: fmt.Sprintf(what, args...), where: where, hint: hint, status: statusUse}
}

// inPlace says where an error belongs, and what to do where the error doesn't say so itself.
func inPlace(where, hint string, err error) error {
	if err == nil {
		return nil
	}
	f := *explain(err)
	switch {
	case f.where == "":
		f.where = where
	case where != "":
		f.where = where + ", " + f.where
	}
	if f.hint == "" && !strings.Contains(f.what, ";") {
		f.hint = hint
	}
	return &f
}

// nothing is the end of every refusal of facts.
const nothing = "nothing was recorded"

// explain turns any error into a fault.
func explain(err error) *fault {
	var f *fault
	if errors.As(err, &f) {
		return f
	}
	var se *store.Error
	if errors.As(err, &se) {
		return explainStore(se)
	}
	var line *event.LineError
	if errors.As(err, &line) {
		in := *explain(line.Err)
		in.where = join(fmt.Sprintf("line %d", line.Line), in.where)
		return &in
	}
	var field *event.FieldError
	if errors.As(err, &field) {
		return &fault{what: field.Why, where: field.Field, status: statusUse, err: err}
	}
	var said *typed.Error
	if errors.As(err, &said) {
		return &fault{what: said.What, hint: said.Hint, status: statusUse, err: err}
	}
	var path *fs.PathError
	switch {
	case errors.As(err, &path):
		return explainFile(path)
	case errors.Is(err, context.Canceled):
		return &fault{what: "stopped", hint: "what was acknowledged is kept; repeat the command for the rest", status: statusMachine, err: err}
	case errors.Is(err, syscall.EPIPE) || errors.Is(err, io.ErrShortWrite):
		return &fault{what: "the output couldn't be written", hint: "check the disk or the program that reads it", status: statusMachine, err: err}
	}
	what, hint, _ := strings.Cut(err.Error(), "; ")
	return &fault{what: what, hint: hint, status: statusUse, err: err}
}

func join(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, ", ")
}

// machineKinds are the kinds of store errors that the machine is to blame for.
var machineKinds = []error{store.ErrFull, store.ErrReadOnly, store.ErrDamaged, store.ErrBusy, store.ErrVersion, store.ErrClosed, store.ErrDisk, store.ErrChain, store.ErrFork}

func explainStore(se *store.Error) *fault {
	f := &fault{what: se.Kind.Error(), where: se.Item, hint: se.Hint, status: statusUse, err: se}
	if se.Err != nil {
		f.what += " (" + se.Err.Error() + ")"
	}
	for _, k := range machineKinds {
		if errors.Is(se.Kind, k) {
			f.status = statusMachine
		}
	}
	return f
}

// noFolder reports whether the folder that a file would stand in isn't there.
func noFolder(path string) bool {
	_, err := os.Stat(filepath.Dir(path))
	return errors.Is(err, fs.ErrNotExist)
}

func explainFile(e *fs.PathError) *fault {
	f := &fault{where: e.Path, status: statusMachine, err: e}
	switch {
	case errors.Is(e.Err, fs.ErrNotExist) && noFolder(e.Path):
		f.what, f.hint, f.status = "there is no folder "+filepath.Dir(e.Path), "make it, or name another", statusUse
	case errors.Is(e.Err, fs.ErrNotExist):
		f.what, f.hint, f.status = "there is no such file", "check the name", statusUse
	case errors.Is(e.Err, fs.ErrPermission), errors.Is(e.Err, syscall.EROFS):
		f.what, f.hint = "it may not be read or written by your user", "change its rights, or choose another place"
	case errors.Is(e.Err, fs.ErrExist):
		f.what, f.hint, f.status = "it is there already", "choose another name; nothing was overwritten", statusUse
	case errors.Is(e.Err, syscall.ENOSPC), errors.Is(e.Err, syscall.EDQUOT):
		f.what, f.hint = "no space is left on the disk", "free some space and repeat the command"
	case errors.Is(e.Err, syscall.EISDIR):
		f.what, f.hint, f.status = "it is a folder", "name a file", statusUse
	default:
		f.what, f.hint = "it can't be used ("+e.Err.Error()+")", "check the disk"
	}
	return f
}
