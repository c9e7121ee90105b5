//go:build js

package main

import (
	"context"
	"syscall/js"

	"countback/cmd/recorder/phone"
)

// met is the carrier's answer to a code.
type met struct {
	Recover bool   `json:"recover"`
	Digits  string `json:"digits,omitzero"`
	Shop    string `json:"shop"`            // its name
	Desk    string `json:"desk,omitzero"`   // where it asks to be the keeper: its device id
	Keeper  string `json:"keeper,omitzero"` // in whose place
}

func (r *recorder) pair(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.writing(ctx)
	if err != nil {
		return nil, err
	}
	link, name := text(args, 0), text(args, 1)
	var out met
	if !phone.Recovers(link) {
		if _, err := p.Prepare(ctx); err != nil {
			return nil, err
		}
	}
	if err := r.post.ask(ctx, "meet", map[string]any{"link": link, "name": name}, &out); err != nil {
		return nil, err
	}
	return out, nil
}

func (r *recorder) endorse(ctx context.Context, args []js.Value) (any, error) {
	if _, err := r.writing(ctx); err != nil {
		return nil, err
	}
	var out struct{}
	err := r.post.ask(ctx, "endorse", map[string]any{"digits": text(args, 0)}, &out)
	return out, err
}

func (r *recorder) takeHandover(ctx context.Context, args []js.Value) (any, error) {
	if _, err := r.writing(ctx); err != nil {
		return nil, err
	}
	if len(args) == 0 || args[0].Get("arrayBuffer").Type() != js.TypeFunction {
		return nil, &phone.Refusal{Message: "there is no file"}
	}
	var out phone.Taken
	err := r.post.ask(ctx, "file", map[string]any{"file": args[0]}, &out)
	return out, err
}

func (r *recorder) retry(ctx context.Context, _ []js.Value) (any, error) {
	r.post.tell("retry")
	return nil, nil
}

// hear takes what the carrier tells to all. It mustn't wait.
func (r *recorder) hear(m js.Value) {
	switch what := m.Get("told").String(); what {
	case "standing":
		r.mu.Lock()
		r.told = true
		r.mu.Unlock()
		r.emit("standing", nil)
	case "paired", "refused":
		detail := map[string]string{}
		for _, name := range []string{"message", "hint", "shop"} {
			if v := m.Get(name); v.Type() == js.TypeString {
				detail[name] = v.String()
			}
		}
		r.emit(what, detail)
	case "endorsed":
		go r.resume(context.Background())
	case "door":
		go r.turn(context.Background(), m.Get("state").String())
	}
}

// resume goes on with a pairing that the desk has endorsed: this module signs the log's first event, and the carrier brings it to the desk.
func (r *recorder) resume(ctx context.Context) {
	p, err := r.writing(ctx)
	if err != nil {
		return
	}
	j, err := phone.ReadJoining(ctx, r.db)
	if err != nil || j == nil || j.Device == nil {
		return
	}
	if err := p.Begin(ctx); err != nil {
		r.emit("refused", phone.Explain(err))
		return
	}
	r.emit("changed", nil)
	r.post.tell("begun")
}

// turn takes note of what the desk's door has said to the carrier.
func (r *recorder) turn(ctx context.Context, state string) {
	p, err := r.writing(ctx)
	if err != nil {
		return
	}
	if news, err := p.Turn(ctx, state); err == nil && news {
		r.emit(state, nil)
		r.emit("changed", nil)
	}
}
