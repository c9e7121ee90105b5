//go:build js

package indexeddb

import (
	"context"
	"sync"
	"syscall/js"
)

// Hold implements paged.Disk.
func (d *Database) Hold(ctx context.Context) (func(), error) {
	release, ok, err := Lock(ctx, "countback-store-"+d.name, false)
	if err != nil || ok {
		return release, err
	}
	d.alone.Lock() // a browser without locks: the guard of each commit is left
	return d.alone.Unlock, nil
}

// Lock waits for the Web Lock of a name and holds it until release is called. If now is set it doesn't wait: release is nil if somebody else holds it. ok is false
// where the browser has no locks, as on a page that didn't come over https.
func Lock(ctx context.Context, name string, now bool) (release func(), ok bool, err error) {
	locks := js.Global().Get("navigator").Get("locks")
	if !locks.Truthy() {
		return nil, false, nil
	}
	granted := make(chan func(), 1)
	var hold, begin, ended js.Func
	hold = js.FuncOf(func(_ js.Value, args []js.Value) any { // of the promise that keeps the lock
		let := args[0]
		granted <- sync.OnceFunc(func() { let.Invoke() })
		return nil
	})
	begin = js.FuncOf(func(_ js.Value, args []js.Value) any {
		if !args[0].Truthy() {
			granted <- nil
			return nil
		}
		return js.Global().Get("Promise").New(hold)
	})
	ended = js.FuncOf(func(js.Value, []js.Value) any {
		hold.Release()
		begin.Release()
		ended.Release()
		return nil
	})
	options := map[string]any{}
	abort := js.Undefined()
	if now {
		options["ifAvailable"] = true
	} else {
		abort = js.Global().Get("AbortController").New()
		options["signal"] = abort.Get("signal")
	}
	if err := Catch(func() { locks.Call("request", name, options, begin).Call("then", ended, ended) }); err != nil {
		return nil, true, fail("wait for other tabs", err)
	}
	select {
	case release = <-granted:
		return release, true, nil
	case <-ctx.Done():
		if abort.Truthy() {
			abort.Call("abort")
		}
		select { // it may have come in the same moment
		case release = <-granted:
			if release != nil {
				release()
			}
		default:
		}
		return nil, true, ctx.Err()
	}
}
