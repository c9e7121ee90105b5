//go:build js

package indexeddb

import (
	"context"
	"syscall/js"
)

// Put keeps a text under a key of the box, durably once it returns; "" removes it.
func (d *Database) Put(ctx context.Context, key, text string) error {
	return d.put(ctx, key, text, strictly)
}

// PutLoosely is Put for what can be had again: it doesn't wait for the device's storage.
func (d *Database) PutLoosely(ctx context.Context, key, text string) error {
	return d.put(ctx, key, text, loosely)
}

func (d *Database) put(ctx context.Context, key, text string, how mode) error {
	return d.transaction(ctx, "keep "+key, box, how, func(s, _ js.Value) {
		if text == "" {
			s.Call("delete", key)
		} else {
			s.Call("put", text, key)
		}
	})
}

// Take returns the text under a key of the box, "" if there is none.
func (d *Database) Take(ctx context.Context, key string) (string, error) {
	var request js.Value
	err := d.transaction(ctx, "read "+key, box, reading, func(s, _ js.Value) { request = s.Call("get", key) })
	if err != nil {
		return "", err
	}
	if v := request.Get("result"); v.Type() == js.TypeString {
		return v.String(), nil
	}
	return "", nil
}
