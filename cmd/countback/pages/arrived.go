package pages

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/ledger/store"
)

// news is what open pages are told of entries before the next look is there: first what they say, then what they moved.
type news struct {
	Text   string            `json:"text,omitempty"`
	OnHand map[string]string `json:"on_hand,omitempty"` // of the items that it moved, as pages show it
}

// Arrived tells open pages of the entries behind a number of arrival, and then what is on hand.
func (s *Site) Arrived(ctx context.Context, after int64) {
	if !s.live.listened() {
		return
	}
	st, _, err := s.desk.Store(ctx)
	if err != nil {
		return // the next request says what is wrong
	}
	var last *event.Event
	n := 0
	err = st.Scan(ctx, after, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err == nil {
			last = e
			n++
		}
		return nil
	})
	if err != nil || last == nil {
		return
	}
	text := KindName(last.Kind) + ": " + Say(last)
	if _, devices, err := s.index.read(ctx, st); err == nil {
		text += " (" + who(last, devices) + ")"
	}
	if n > 1 {
		text = Count(n, "entry", "entries") + " came in, the last: " + text
	} else {
		text = "Just recorded: " + text
	}
	s.live.news(news{Text: text})
	s.onHand(ctx)
}

func (s *Site) onHand(ctx context.Context) {
	changed, err := s.desk.Changes(ctx)
	if err != nil || len(changed) == 0 {
		return // the next look says what is on hand
	}
	out := news{OnHand: map[string]string{}}
	for _, m := range changed {
		out.OnHand[m.Item] = words.InUnit(m.OnHand, m.Unit)
	}
	s.live.news(out)
}

func (h *hub) news(n news) {
	line, err := json.Marshal(n)
	if err != nil {
		return // strings can always be written
	}
	h.tell(fmt.Sprintf("event: arrived\ndata: %s\n\n", line))
}

// listened reports whether any page is open.
func (h *hub) listened() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.open) > 0
}
