package bus

import (
	"context"
	"encoding/json"
	"errors"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"countback/sync/replicate"
)

// Headers of JetStream.
const (
	hSubject        = "Nats-Subject"
	hSequence       = "Nats-Sequence"
	hTime           = "Nats-Time-Stamp"
	hStatus         = "Status"
	hExpectedStream = "Nats-Expected-Stream"
	hExpectedLast   = "Nats-Expected-Last-Subject-Sequence"
	hBatch          = "Nats-Batch-Id"
	hBatchSeq       = "Nats-Batch-Sequence"
	hBatchCommit    = "Nats-Batch-Commit"
)

const (
	statusEnd     = "204"
	statusMissing = "404"
	fetchBytes    = 8 << 20
)

// rang hears that the log stream has stored a message.
func (s *session) rang(msg *nats.Msg) {
	if seq, err := strconv.ParseUint(lastOf(msg.Header, hSequence), 10, 64); err == nil {
		s.raise("", seq)
	}
}

// raise takes note of a sequence that was stored: of the stream, and of a subject if one is named. Receipts have a stream of their own, whose numbers say
// nothing about the log stream.
func (s *session) raise(subject string, seq uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if subject != "" {
		s.least[subject] = max(s.least[subject], seq)
		if _, sort, _, ok := replicate.ParseSubject(subject); ok && sort == replicate.SubjectHeld {
			return
		}
	}
	if seq > s.last {
		s.last = seq
		close(s.bell)
		s.bell = make(chan struct{})
	}
}

func (s *session) stored() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last
}

// receipt hears a receipt as it is published.
func (s *session) receipt(msg *nats.Msg) {
	if _, _, device, ok := replicate.ParseSubject(msg.Subject); ok && s.said.Load() && len(msg.Data) > 0 {
		s.held(device, msg.Data, false)
	}
}

// held hands a receipt over. One that was read doesn't follow one that was heard since the reading began: that one is newer.
func (s *session) held(device string, body []byte, read bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case read && s.heard[device]:
		return
	case !read && len(s.heard) < maxHeld:
		s.heard[device] = true
	}
	s.d.queue.Put(replicate.Held{Bus: s.d.cfg.Name, Device: device, Body: body})
}

// receipts reads the newest receipt of every device.
func (s *session) receipts() error {
	s.mu.Lock()
	s.heard = map[string]bool{}
	s.mu.Unlock()
	ask := map[string]any{"multi_last": []string{replicate.Subject(s.d.cfg.Shop, replicate.SubjectHeld, "*")}}
	list, _, err := s.get(s.ctx, Streams(s.d.cfg.Shop).Held, ask, false)
	if err != nil {
		return err
	}
	for _, m := range list {
		if _, _, device, ok := replicate.ParseSubject(m.Subject); ok {
			s.held(device, m.Body, true)
		}
	}
	return nil
}

// get makes a direct get of many and returns the messages. whole is false where the answer ended with something that isn't a message.
func (s *session) get(ctx context.Context, stream string, ask any, rising bool) (list []replicate.Message, whole bool, err error) {
	body, err := json.Marshal(ask)
	if err != nil {
		return nil, false, err
	}
	subject := "$JS.API.DIRECT.GET." + stream
	inbox := s.nc.NewInbox()
	sub, err := s.nc.SubscribeSync(inbox)
	if err != nil {
		return nil, false, err
	}
	defer sub.Unsubscribe()
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		return nil, false, err
	}
	ctx, done := s.within(ctx, subject, answerWait)
	defer done()
	if err := s.nc.PublishRequest(subject, inbox, body); err != nil {
		return nil, false, err
	}
	for {
		msg, err := sub.NextMsgWithContext(ctx)
		if err != nil {
			if cause := context.Cause(ctx); cause != nil {
				err = cause
			}
			if len(list) > 0 && errors.Is(err, errNoAnswer) {
				return list, true, nil
			}
			return nil, false, err
		}
		if len(msg.Data) == 0 && msg.Header.Get(hStatus) == "503" {
			return nil, false, nats.ErrNoResponders
		}
		m, ok := message(msg)
		if !ok {
			status := msg.Header.Get(hStatus)
			return list, status == statusEnd || status == statusMissing, nil
		}
		if rising && len(list) > 0 && m.Seq <= list[len(list)-1].Seq {
			return list, false, nil
		}
		list = append(list, m)
	}
}

// message reads a message of a direct get. The server's headers stand behind the sender's.
func message(msg *nats.Msg) (m replicate.Message, ok bool) {
	seq, err := strconv.ParseUint(lastOf(msg.Header, hSequence), 10, 64)
	stored, timeErr := time.Parse(time.RFC3339Nano, lastOf(msg.Header, hTime))
	m = replicate.Message{Seq: seq, Stored: stored.UnixNano(), Subject: lastOf(msg.Header, hSubject), Body: msg.Data}
	if m.Body == nil {
		m.Body = []byte{}
	}
	return m, err == nil && timeErr == nil && m.Subject != ""
}

func lastOf(h nats.Header, key string) string {
	if list := h[key]; len(list) > 0 {
		return list[len(list)-1]
	}
	return ""
}

func (s *session) startFetch(o replicate.Fetch) {
	ctx, cancel := context.WithCancel(s.ctx)
	s.stopFetch()
	s.mu.Lock()
	s.fetch = cancel
	s.mu.Unlock()
	s.spawn(func() {
		defer cancel()
		s.fetchBehind(ctx, o)
	})
}

func (s *session) stopFetch() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fetch != nil {
		s.fetch()
		s.fetch = nil
	}
}

// fetchBehind answers a Fetch.
func (s *session) fetchBehind(ctx context.Context, o replicate.Fetch) {
	enough := s.d.cfg.After(fetchWait)
	lag := lagWait
	for {
		s.mu.Lock()
		bell, last := s.bell, s.last
		s.mu.Unlock()
		var list []replicate.Message
		var err error
		if last > o.After {
			list, err = s.behind(ctx, o)
		}
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			s.doubt()
		}
		if len(list) > 0 {
			s.d.queue.Put(replicate.Messages{Bus: o.Bus, Op: o.Op, List: list})
			return
		}
		var again <-chan time.Time
		if last > o.After { // the server that was asked lags behind, or is ill
			again = s.d.cfg.After(lag)
			lag = min(2*lag, time.Second)
		}
		select {
		case <-ctx.Done():
			return
		case <-bell:
		case <-again:
		case <-enough:
			s.d.queue.Put(replicate.Messages{Bus: o.Bus, Op: o.Op})
			return
		}
	}
}

// behind reads the next messages of the log stream.
func (s *session) behind(ctx context.Context, o replicate.Fetch) ([]replicate.Message, error) {
	stream := Streams(s.d.cfg.Shop).Log
	list, whole, err := s.get(ctx, stream, map[string]any{"seq": o.After + 1, "batch": o.Max, "max_bytes": fetchBytes}, true)
	if err != nil || len(list) > 0 && list[0].Seq > o.After {
		return list, err
	}
	if whole && len(list) == 0 && s.stored() <= o.After+1 {
		return nil, nil
	}
	// Headers that can't be read, or were made to look like the server's: the stored message itself says what it is.
	var answer struct {
		Message struct {
			Subject string    `json:"subject"`
			Seq     uint64    `json:"seq"`
			Data    []byte    `json:"data"`
			Time    time.Time `json:"time"`
		} `json:"message"`
	}
	err = s.call(ctx, "STREAM.MSG.GET."+stream, map[string]any{"seq": o.After + 1, "next_by_subj": ">"}, &answer)
	if err != nil || answer.Message.Seq <= o.After {
		return nil, err
	}
	m := answer.Message
	return []replicate.Message{{Seq: m.Seq, Stored: m.Time.UnixNano(), Subject: m.Subject, Body: append([]byte{}, m.Data...)}}, nil
}

// lookOnce reads the last message of a subject, nil if there is none.
func (s *session) lookOnce(ctx context.Context, subject string) (*replicate.Message, error) {
	msg, err := s.ask(ctx, "$JS.API.DIRECT.GET."+Streams(s.d.cfg.Shop).Log+"."+subject, nil, nil)
	if err != nil {
		return nil, err
	}
	m, ok := message(msg)
	if !ok {
		if status := msg.Header.Get(hStatus); status != statusMissing {
			return nil, errors.New("the bus answers with status " + strings.TrimSpace(status+" "+msg.Header.Get("Description")))
		}
		return nil, nil
	}
	m.Subject = subject
	return &m, nil
}
