//go:build js

package indexeddb

import (
	"bytes"
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"syscall/js"

	"countback/ledger/store"
	"countback/ledger/store/paged"
)

const (
	layout = 1 // of the database
	pages  = "pages"
	box    = "box"
)

// Database is a browser's database: a disk of package paged, and a box for small values.
type Database struct {
	// Loose, if not nil, says which keys of the disk may be lost in a power failure, because they can be had again. A commit of no others doesn't wait for the
	// device's storage. It is set before the first commit.
	Loose func(key string) bool

	name    string
	db      js.Value
	channel js.Value // undefined where the browser has none
	heard   js.Func
	closing js.Func
	seen    atomic.Int64
	lost    atomic.Bool // the browser has closed it
	alone   sync.Mutex  // where there are no locks
	told    func()
}

// Open opens the database of a name, which is made if there is none. told, if not nil, is called when another tab or a worker has written to the ledger; it must
// not wait for anything.
func Open(ctx context.Context, name string, told func()) (*Database, error) {
	d := &Database{name: name, told: told, channel: js.Undefined()}
	var request js.Value
	if err := Catch(func() { request = js.Global().Get("indexedDB").Call("open", name, layout) }); err != nil {
		return nil, fail("open the ledger", err)
	}
	upgrade := js.FuncOf(func(js.Value, []js.Value) any {
		db := request.Get("result")
		db.Call("createObjectStore", pages)
		db.Call("createObjectStore", box)
		return nil
	})
	defer upgrade.Release()
	request.Set("onupgradeneeded", upgrade)
	if err := settled(ctx, request, "onsuccess", "onerror", "onblocked"); err != nil {
		return nil, fail("open the ledger", err)
	}
	d.db = request.Get("result")
	d.closing = js.FuncOf(func(js.Value, []js.Value) any {
		d.lost.Store(true)
		d.db.Call("close")
		return nil
	})
	d.db.Set("onversionchange", d.closing)
	d.db.Set("onclose", d.closing)
	if c := js.Global().Get("BroadcastChannel"); c.Truthy() {
		d.heard = js.FuncOf(func(_ js.Value, args []js.Value) any {
			if v := args[0].Get("data"); v.Type() == js.TypeNumber {
				d.hear(int64(v.Int()))
				if d.told != nil {
					d.told()
				}
			}
			return nil
		})
		d.channel = c.New("countback-ledger-" + name)
		d.channel.Set("onmessage", d.heard)
	}
	return d, nil
}

func (d *Database) hear(version int64) {
	for {
		old := d.seen.Load()
		if old >= version || d.seen.CompareAndSwap(old, version) {
			return
		}
	}
}

// settled waits for the first of some events of a request or a transaction. The first name is that of success.
func settled(ctx context.Context, target js.Value, names ...string) error {
	done := make(chan error, len(names))
	funcs := make([]js.Func, len(names))
	for i, name := range names {
		funcs[i] = js.FuncOf(func(_ js.Value, args []js.Value) any {
			var err error
			if i > 0 {
				if e := target.Get("error"); e.Truthy() {
					err = FailureOf(e)
				} else {
					err = &Failure{Name: "Error", Message: name}
				}
			}
			select {
			case done <- err:
			default:
			}
			return nil
		})
		target.Set(name, funcs[i])
	}
	defer func() {
		for i, name := range names {
			target.Set(name, js.Null())
			funcs[i].Release()
		}
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// fail puts a browser's error into the store's words.
func fail(op string, err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	kind, hint := store.ErrDisk, "nothing was recorded; close other tabs of the recorder and open it again"
	var f *Failure
	if errors.As(err, &f) {
		switch f.Name {
		case "QuotaExceededError":
			kind, hint = store.ErrFull, "nothing was recorded; free some space on this phone and enter it again"
		case "InvalidStateError":
			kind, hint = store.ErrClosed, "open the recorder again"
		case "VersionError":
			kind, hint = store.ErrVersion, "open the recorder again, so that it comes in its new version"
		case "SecurityError":
			kind, hint = store.ErrReadOnly, "allow this site to keep data in the browser's settings"
		}
	}
	e := store.Fail(op, "ledger", kind, err)
	e.Hint = hint
	return e
}

// mode is what a transaction does.
type mode int

const (
	reading  mode = iota
	loosely       // writes what can be had again
	strictly      // writes, and is done only once the device's storage has it
)

// transaction runs fn with one object store and waits until all is done. fn must not wait.
func (d *Database) transaction(ctx context.Context, op, name string, how mode, fn func(s js.Value, tx js.Value)) error {
	if d.lost.Load() {
		return fail(op, &Failure{Name: "InvalidStateError", Message: "the browser has closed the database"})
	}
	var tx js.Value
	err := Catch(func() {
		switch how {
		case reading:
			tx = d.db.Call("transaction", name, "readonly")
		case loosely:
			tx = d.db.Call("transaction", name, "readwrite", map[string]any{"durability": "relaxed"})
		case strictly:
			tx = d.db.Call("transaction", name, "readwrite", map[string]any{"durability": "strict"})
		}
		fn(tx.Call("objectStore", name), tx)
	})
	if err != nil {
		if tx.Truthy() {
			_ = Catch(func() { tx.Call("abort") }) // it has ended already, then
		}
		return fail(op, err)
	}
	// A write that has begun is waited for: whoever gave up would not know whether it happened.
	if how != reading {
		ctx = context.WithoutCancel(ctx)
	}
	return fail(op, settled(ctx, tx, "oncomplete", "onabort", "onerror"))
}

// Get implements paged.Disk.
func (d *Database) Get(ctx context.Context, keys ...string) ([][]byte, error) {
	requests := make([]js.Value, len(keys))
	err := d.transaction(ctx, "read", pages, reading, func(s, _ js.Value) {
		for i, k := range keys {
			requests[i] = s.Call("get", k)
		}
	})
	if err != nil {
		return nil, err
	}
	out := make([][]byte, len(keys))
	for i, r := range requests {
		out[i] = toBytes(r.Get("result"))
	}
	return out, nil
}

func between(from, to string) js.Value {
	return js.Global().Get("IDBKeyRange").Call("bound", from, to, false, true)
}

// Keys implements paged.Disk.
func (d *Database) Keys(ctx context.Context, from, to string) ([]string, error) {
	var request js.Value
	err := d.transaction(ctx, "read", pages, reading, func(s, _ js.Value) { request = s.Call("getAllKeys", between(from, to)) })
	if err != nil {
		return nil, err
	}
	return texts(request.Get("result")), nil
}

func texts(list js.Value) []string {
	out := make([]string, list.Length())
	for i := range out {
		out[i] = list.Index(i).String()
	}
	return out
}

// Range implements paged.Disk.
func (d *Database) Range(ctx context.Context, from, to string, fn func(key string, value []byte) error) error {
	var keys, values js.Value
	err := d.transaction(ctx, "read", pages, reading, func(s, _ js.Value) {
		keys, values = s.Call("getAllKeys", between(from, to)), s.Call("getAll", between(from, to))
	})
	if err != nil {
		return err
	}
	list := values.Get("result")
	for i, key := range texts(keys.Get("result")) {
		if err := fn(key, toBytes(list.Index(i))); err != nil {
			return err
		}
	}
	return nil
}

// Commit implements paged.Disk.
func (d *Database) Commit(ctx context.Context, b paged.Batch) error {
	var busy bool
	var thrown error
	var check js.Func
	err := d.transaction(ctx, "record", pages, d.how(b), func(s, tx js.Value) {
		guard := s.Call("get", b.Guard.Key)
		check = js.FuncOf(func(js.Value, []js.Value) any {
			if busy = !bytes.Equal(toBytes(guard.Get("result")), b.Guard.Value); busy {
				tx.Call("abort")
				return nil
			}
			if thrown = Catch(func() { put(s, b) }); thrown != nil {
				tx.Call("abort")
			}
			return nil
		})
		guard.Set("onsuccess", check)
	})
	if check.Truthy() {
		check.Release()
	}
	switch {
	case busy:
		return store.Fail("record", "ledger", store.ErrBusy, nil)
	case thrown != nil:
		return fail("record", thrown)
	case err != nil:
		return err
	}
	if old := d.seen.Load(); b.Version > old {
		d.hear(b.Version)
		if d.channel.Truthy() {
			d.channel.Call("postMessage", b.Version)
		}
	}
	return nil
}

// how says how a batch is written.
func (d *Database) how(b paged.Batch) mode {
	if d.Loose == nil || len(b.Clear) > 0 {
		return strictly
	}
	for _, p := range b.Put {
		if p.Key != b.Guard.Key && !d.Loose(p.Key) {
			return strictly
		}
	}
	for _, k := range b.Drop {
		if !d.Loose(k) {
			return strictly
		}
	}
	return loosely
}

func put(s js.Value, b paged.Batch) {
	for _, k := range b.Drop {
		s.Call("delete", k)
	}
	for _, p := range b.Clear {
		s.Call("delete", between(p, p+"\uffff"))
	}
	for _, p := range b.Put {
		s.Call("put", FromBytes(p.Value), p.Key)
	}
}

// Seen implements paged.Disk.
func (d *Database) Seen() int64 { return d.seen.Load() }

// Close implements paged.Disk.
func (d *Database) Close() error {
	if d.channel.Truthy() {
		d.channel.Call("close")
		d.channel = js.Undefined()
		d.heard.Release()
	}
	d.db.Call("close")
	return nil
}

// Delete removes the database of a name, once every tab has closed it.
func Delete(ctx context.Context, name string) error {
	request := js.Global().Get("indexedDB").Call("deleteDatabase", name)
	return fail("remove the ledger", settled(ctx, request, "onsuccess", "onerror"))
}
