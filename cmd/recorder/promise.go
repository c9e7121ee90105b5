//go:build js

package main

import (
	"context"
	"fmt"
	"syscall/js"

	"github.com/go-json-experiment/json"

	"countback/cmd/recorder/phone"
)

// function makes a function of JavaScript that returns a promise of what do returns. do runs in a goroutine of its own, so that it may wait.
func function(do func(ctx context.Context, args []js.Value) (any, error)) js.Func {
	return js.FuncOf(func(_ js.Value, args []js.Value) any {
		var executor js.Func
		executor = js.FuncOf(func(_ js.Value, settle []js.Value) any {
			executor.Release()
			go func() {
				v, err := guarded(do, args)
				if err != nil {
					settle[1].Invoke(plain(phone.Explain(err)))
					return
				}
				settle[0].Invoke(v)
			}()
			return nil
		})
		return js.Global().Get("Promise").New(executor)
	})
}

// guarded turns a fault of the program into an error: the page goes on.
func guarded(do func(context.Context, []js.Value) (any, error), args []js.Value) (v js.Value, err error) {
	defer func() {
		if r := recover(); r != nil {
			v, err = js.Undefined(), &phone.Refusal{Message: fmt.Sprintf("a fault of the program: %v", r), Hint: "open the recorder again; what was recorded is kept"}
		}
	}()
	out, err := do(context.Background(), args)
	if err != nil {
		return js.Undefined(), err
	}
	if v, ok := out.(js.Value); ok {
		return v, nil
	}
	return plain(out), nil
}

// plain makes a plain object of a value.
func plain(v any) js.Value {
	if v == nil {
		return js.Undefined()
	}
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // these are the program's own types
	}
	return parsed(string(b))
}

func parsed(text string) js.Value { return js.Global().Get("JSON").Call("parse", text) }

// text is an argument's text; "" where it is left out.
func text(args []js.Value, n int) string {
	if n < len(args) && args[n].Type() == js.TypeString {
		return args[n].String()
	}
	return ""
}

// source is an argument as JSON.
func source(args []js.Value, n int) []byte {
	if n >= len(args) || args[n].IsUndefined() {
		return nil
	}
	v := js.Global().Get("JSON").Call("stringify", args[n])
	if v.Type() != js.TypeString {
		return nil
	}
	return []byte(v.String())
}
