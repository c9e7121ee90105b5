//go:build js

package main

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"syscall/js"

	"countback/cmd/recorder/phone"
	"countback/ledger/store/indexeddb"
	"countback/sync/handover"
	"countback/sync/replicate"
)

// takeFile takes in a hand-over file that a person gave: whole or not at all.
func (c *carrier) takeFile(ctx context.Context, file js.Value) (out phone.Taken, err error) {
	r := c.running()
	f, err := phone.ReadFace(ctx, c.db)
	if err != nil {
		return out, err
	}
	if r == nil || f == nil {
		return out, errNotMember
	}
	buffer, err := indexeddb.Await(ctx, file.Call("arrayBuffer"))
	if err != nil {
		return out, &phone.Refusal{Message: "the file can't be read", Hint: "choose it again"}
	}
	view := js.Global().Get("Uint8Array").New(buffer)
	raw := make([]byte, view.Get("byteLength").Int())
	js.CopyBytesToGo(raw, view)
	head, _, err := handover.Check(bytes.NewReader(raw))
	if err != nil {
		return out, noFile(err)
	}
	if head.Shop != f.Shop.ID {
		return out, &phone.Refusal{Message: "the file is of another shop, " + head.Name, Hint: "nothing was taken in"}
	}
	before, err := c.events(ctx)
	if err != nil {
		return out, err
	}
	reports := []string{}
	c.take(&reports)
	defer c.take(nil)
	in, err := handover.New(bytes.NewReader(raw))
	for done := false; err == nil && !done; {
		var p handover.Part
		if p, err = in.Next(); err == nil {
			err = r.Take(ctx, replicate.File{Lines: p.Lines, Receipts: p.Receipts})
		}
		done = p.Done
	}
	if err != nil {
		return out, noFile(err)
	}
	if out.Events, err = c.events(ctx); err != nil {
		return out, err
	}
	waiting, err := replicate.Waiting(ctx, c.store)
	c.mu.Lock()
	defer c.mu.Unlock()
	out.New, out.Waiting, out.Reports = out.Events-before, len(waiting), slices.Compact(slices.Clone(reports))
	return out, err
}

func noFile(err error) error {
	if errors.Is(err, handover.ErrFile) {
		return &phone.Refusal{Message: err.Error(), Hint: "have it written anew; nothing of it was believed"}
	}
	return err
}

func (c *carrier) take(reports *[]string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.taking = reports
}

func (c *carrier) events(ctx context.Context) (n int64, err error) {
	heads, err := c.store.Heads(ctx)
	for _, h := range heads {
		n += h.Seq
	}
	return n, err
}
