package pages

import (
	"fmt"
	"net/http"
	"sync"
	"time"
)

// hub tells open pages that the ledger has moved.
type hub struct {
	desk    Desk
	mu      sync.Mutex
	open    map[chan string]bool
	version int64
}

// Changed tells open pages that a new look is there.
func (s *Site) Changed(version int64) {
	s.live.mu.Lock()
	same := s.live.version == version
	s.live.version = version
	s.live.mu.Unlock()
	if same { // lines were thrown away, or a day began: pages take no notice of a look that they have by its number
		s.live.again()
		return
	}
	s.live.tell(fmt.Sprintf("event: look\ndata: %d\n\n", version))
}

// again tells open pages that more of the look that they have is there.
func (h *hub) again() { h.tell("event: again\ndata: 1\n\n") }

func (h *hub) tell(message string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for c := range h.open {
		select {
		case c <- message:
		default: // a browser that is that far behind loads all anew with the next one
		}
	}
}

// beat is how often a line of nothing keeps the connection open, so that a browser that has gone is noticed.
const beat = 20 * time.Second

// serve is the stream of server-sent events.
func (h *hub) serve(w http.ResponseWriter, r *http.Request) {
	const behind = 8
	c := make(chan string, behind)
	h.mu.Lock()
	if h.open == nil {
		h.open = map[chan string]bool{}
	}
	h.open[c] = true
	first := fmt.Sprintf("retry: 2000\nevent: look\ndata: %d\n\n", h.version)
	h.mu.Unlock()
	defer func() {
		h.mu.Lock()
		delete(h.open, c)
		h.mu.Unlock()
	}()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	out := http.NewResponseController(w)
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for message := first; ; {
		if _, err := fmt.Fprint(w, message); err != nil || out.Flush() != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case message = <-c:
		case <-tick.C:
			message = ": here\n\n"
		}
	}
}
