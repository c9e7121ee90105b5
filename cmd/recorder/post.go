//go:build js

package main

import (
	"context"
	"strconv"
	"sync"
	"syscall/js"
	"time"

	"github.com/go-json-experiment/json"

	"countback/cmd/recorder/phone"
)

// post speaks with the carrier.
type post struct {
	channel js.Value
	own     string // this tab
	heard   js.Func

	mu      sync.Mutex
	n       int
	waiting map[string]chan js.Value
}

// newPost hears what is told to all with hear, which must not wait.
func newPost(hear func(js.Value)) *post {
	p := &post{channel: js.Global().Get("BroadcastChannel").New("countback"), waiting: map[string]chan js.Value{}}
	p.own = strconv.FormatFloat(js.Global().Get("Math").Call("random").Float(), 'g', -1, 64)
	p.heard = js.FuncOf(func(_ js.Value, args []js.Value) any {
		m := args[0].Get("data")
		switch {
		case m.Type() != js.TypeObject:
		case m.Get("to").Equal(js.ValueOf(p.own)):
			p.answer(m)
		case m.Get("told").Type() == js.TypeString:
			hear(m)
		}
		return nil
	})
	p.channel.Set("onmessage", p.heard)
	return p
}

func (p *post) answer(m js.Value) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if c := p.waiting[m.Get("re").String()]; c != nil {
		select {
		case c <- m:
		default: // more than the two that are waited for
		}
	}
}

// tell tells something to all.
func (p *post) tell(what string) { p.channel.Call("postMessage", map[string]any{"told": what}) }

const (
	hearWait = 30 * time.Second // until the carrier is there: it may still be on its way
	doneWait = 10 * time.Minute
)

// ask asks the carrier, and reads its answer into out.
func (p *post) ask(ctx context.Context, what string, with map[string]any, out any) error {
	p.mu.Lock()
	p.n++
	id := strconv.Itoa(p.n)
	c := make(chan js.Value, 2)
	p.waiting[id] = c
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.waiting, id)
	}()
	m := map[string]any{"to": "carrier", "from": p.own, "id": id, "ask": what}
	for k, v := range with {
		m[k] = v
	}
	p.channel.Call("postMessage", m)
	patience := time.NewTimer(hearWait)
	defer patience.Stop()
	again := time.NewTicker(time.Second) // a carrier that starts hears nothing of before
	defer again.Stop()
	heard := false
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-again.C:
			if !heard {
				p.channel.Call("postMessage", m)
			}
		case <-patience.C:
			return &phone.Refusal{Message: "the part of the recorder that speaks to the desk doesn't answer", Hint: "close other tabs of the recorder, and open it again", Kind: "carrier"}
		case a := <-c:
			switch {
			case a.Get("heard").Truthy():
				if !heard {
					heard = true
					patience.Reset(doneWait)
				}
			case a.Get("error").Type() == js.TypeString:
				refused := new(phone.Refusal)
				if err := json.Unmarshal([]byte(a.Get("error").String()), refused); err != nil {
					return err
				}
				return refused
			default:
				return json.Unmarshal([]byte(a.Get("ok").String()), out)
			}
		}
	}
}
