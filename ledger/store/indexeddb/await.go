//go:build js

package indexeddb

import (
	"context"
	"errors"
	"syscall/js"
)

// Failure is what a browser has thrown or rejected with.
type Failure struct {
	Name    string // such as QuotaExceededError
	Message string
}

func (f *Failure) Error() string {
	if f.Message == "" {
		return f.Name
	}
	return f.Name + ": " + f.Message
}

// FailureOf reads an error of JavaScript.
func FailureOf(v js.Value) *Failure {
	if v.Type() != js.TypeObject {
		return &Failure{Name: "Error", Message: v.String()}
	}
	f := &Failure{Name: "Error"}
	if n := v.Get("name"); n.Type() == js.TypeString {
		f.Name = n.String()
	}
	if m := v.Get("message"); m.Type() == js.TypeString {
		f.Message = m.String()
	}
	return f
}

// Await waits for a promise. It must not be called inside a function that JavaScript waits for.
func Await(ctx context.Context, promise js.Value) (js.Value, error) {
	type answer struct {
		v   js.Value
		err error
	}
	done := make(chan answer, 1)
	var yes, no js.Func
	yes = js.FuncOf(func(_ js.Value, args []js.Value) any {
		yes.Release()
		no.Release()
		v := js.Undefined()
		if len(args) > 0 {
			v = args[0]
		}
		done <- answer{v, nil}
		return nil
	})
	no = js.FuncOf(func(_ js.Value, args []js.Value) any {
		yes.Release()
		no.Release()
		done <- answer{js.Undefined(), FailureOf(args[0])}
		return nil
	})
	promise.Call("then", yes, no)
	select {
	case a := <-done:
		return a.v, a.err
	case <-ctx.Done():
		return js.Undefined(), ctx.Err()
	}
}

// Catch runs what may throw, and returns what was thrown.
func Catch(do func()) (err error) {
	defer func() {
		switch e := recover().(type) {
		case nil:
		case js.Error:
			err = FailureOf(e.Value)
		case *js.ValueError:
			err = errors.New("the browser lacks something: " + e.Error())
		default:
			panic(e)
		}
	}()
	do()
	return nil
}

func toBytes(v js.Value) []byte {
	if v.IsUndefined() || v.IsNull() {
		return nil
	}
	b := make([]byte, v.Get("byteLength").Int())
	js.CopyBytesToGo(b, v)
	return b
}

// FromBytes copies bytes into a new Uint8Array.
func FromBytes(b []byte) js.Value {
	v := js.Global().Get("Uint8Array").New(len(b))
	js.CopyBytesToJS(v, b)
	return v
}
