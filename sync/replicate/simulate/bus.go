package simulate

import (
	"bytes"
	"fmt"
	"slices"

	"countback/sync/replicate"
)

// Server is a message bus as far as replication sees one: a log stream that keeps everything, and the newest receipt of each device. It answers at once;
// delays and losses are the network's. It models what a JetStream server promises, and on request what goes wrong with one.
type Server struct {
	Created int64 // of the log stream, ns since 1970
	Batch   int   // messages in an atomic batch, 0 if it takes none
	Limit   int   // bytes at which it refuses more, 0: none

	log   []replicate.Message
	last  map[string]uint64 // of each subject of the log stream
	held  map[string][]byte
	order []string // the devices with receipts
	size  int
}

// NewServer returns an empty bus.
func NewServer(created int64, batch int) *Server {
	return &Server{Created: created, Batch: batch, last: map[string]uint64{}, held: map[string][]byte{}}
}

// Last returns the log stream's last sequence.
func (s *Server) Last() uint64 { return uint64(len(s.log)) }

// Log returns the log stream's messages.
func (s *Server) Log() []replicate.Message { return s.log }

// Publish stores messages at a time (ns since 1970), all or none.
func (s *Server) Publish(p replicate.Publish, at int64) (uint64, error) {
	_, sort, device, ok := replicate.ParseSubject(p.Subject)
	if !ok {
		return 0, replicate.ErrDenied
	}
	if sort == replicate.SubjectHeld {
		if s.held[device] == nil {
			s.order = append(s.order, device)
		}
		s.held[device] = p.Bodies[len(p.Bodies)-1]
		return 1, nil
	}
	if len(p.Bodies) > max(s.Batch, 1) {
		return 0, fmt.Errorf("%w: %d messages in one batch", replicate.ErrTooLarge, len(p.Bodies))
	}
	if p.Expected && s.last[p.Subject] != p.Last {
		return 0, replicate.ErrWrongLast
	}
	size := 0
	for _, b := range p.Bodies {
		size += len(b)
	}
	if s.Limit > 0 && s.size+size > s.Limit {
		return 0, replicate.ErrFull
	}
	for i, b := range p.Bodies {
		s.log = append(s.log, replicate.Message{Seq: s.Last() + 1, Stored: at + int64(i), Subject: p.Subject, Body: bytes.Clone(b)})
	}
	s.size += size
	s.last[p.Subject] = s.Last()
	return s.Last(), nil
}

// Look returns the last message of a subject, nil if it has none.
func (s *Server) Look(subject string) *replicate.Message {
	n := s.last[subject]
	if n == 0 {
		return nil
	}
	msg := s.log[n-1]
	return &msg
}

// Fetch returns the messages behind a sequence.
func (s *Server) Fetch(after uint64, most int) []replicate.Message {
	if after >= s.Last() {
		return nil
	}
	list := s.log[after:]
	return slices.Clone(list[:min(len(list), most)])
}

// Receipts calls fn with each device's newest receipt.
func (s *Server) Receipts(fn func(device string, body []byte)) {
	for _, d := range s.order {
		fn(d, s.held[d])
	}
}

// Wipe makes the bus anew, empty.
func (s *Server) Wipe(created int64) { *s = *NewServer(created, s.Batch) }

// DropTail loses the last messages, although they were confirmed, as a machine does whose disk wasn't synced. The stream stays the same one.
func (s *Server) DropTail(n int) {
	s.log = slices.Clone(s.log[:max(0, len(s.log)-n)])
	s.last, s.size = map[string]uint64{}, 0
	for _, m := range s.log {
		s.last[m.Subject] = m.Seq
		s.size += len(m.Body)
	}
}
