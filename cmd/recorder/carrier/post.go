//go:build js

package main

import (
	"context"
	"fmt"
	"syscall/js"

	"github.com/go-json-experiment/json"

	"countback/cmd/recorder/phone"
)

// post hears what the pages ask, and answers.
type post struct {
	c       *carrier
	channel js.Value
}

func newPost(c *carrier) *post {
	p := &post{c, js.Global().Get("BroadcastChannel").New("countback")}
	seen := map[string]bool{} // asks come again until they are heard
	p.channel.Set("onmessage", js.FuncOf(func(_ js.Value, args []js.Value) any {
		m := args[0].Get("data")
		switch {
		case m.Type() != js.TypeObject:
		case m.Get("to").Equal(js.ValueOf("carrier")):
			name := m.Get("from").String() + " " + m.Get("id").String()
			p.channel.Call("postMessage", map[string]any{"to": m.Get("from"), "re": m.Get("id"), "heard": true})
			if !seen[name] {
				seen[name] = true
				go p.answer(m)
			}
		case m.Get("told").Equal(js.ValueOf("begun")):
			nudge(c.wake)
		case m.Get("told").Equal(js.ValueOf("retry")):
			c.retry()
		case m.Get("told").Equal(js.ValueOf("here")):
			if c.running() != nil { // a page that was just opened takes nothing of the box for granted
				p.say(map[string]any{"told": "standing"})
			}
		}
		return nil
	}))
	return p
}

// say tells something to all pages.
func (p *post) say(m map[string]any) { p.channel.Call("postMessage", m) }

// tell tells all pages something in words.
func (p *post) tell(what string, r *phone.Refusal) {
	p.say(map[string]any{"told": what, "message": r.Message, "hint": r.Hint})
}

func (p *post) answer(m js.Value) {
	out, err := p.do(context.Background(), m)
	reply := map[string]any{"to": m.Get("from"), "re": m.Get("id")}
	if err != nil {
		reply["error"] = text(refusal(err))
	} else {
		reply["ok"] = text(out)
	}
	p.say(reply)
}

func text(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // these are the program's own types
	}
	return string(b)
}

// do does what a page asks. A fault of the program is an answer as well, so that the carrier goes on.
func (p *post) do(ctx context.Context, m js.Value) (out any, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("a fault of the program: %v", r)
		}
	}()
	word := func(name string) string {
		if v := m.Get(name); v.Type() == js.TypeString {
			return v.String()
		}
		return ""
	}
	switch ask := word("ask"); ask {
	case "meet":
		return p.c.greet(ctx, word("link"), word("name"))
	case "endorse":
		return struct{}{}, p.c.endorse(ctx, word("digits"))
	case "file":
		return p.c.takeFile(ctx, m.Get("file"))
	default:
		return nil, fmt.Errorf("the carrier doesn't know %q; open the recorder again, so that both parts are of one version", ask)
	}
}
