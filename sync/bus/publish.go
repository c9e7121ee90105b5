package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go"

	"countback/sync/replicate"
)

// look answers a Look, with a message that isn't older than what is known to stand there.
func (s *session) look(o replicate.Look) {
	out := replicate.Found{Bus: o.Bus, Op: o.Op}
	wait := lagWait
	for {
		out.Message, out.Err = s.lookOnce(s.ctx, o.Subject)
		s.mu.Lock()
		least := s.least[o.Subject]
		s.mu.Unlock()
		if out.Err != nil || least == 0 || out.Message != nil && out.Message.Seq >= least || wait > answerWait/4 {
			break
		}
		select {
		case <-s.ctx.Done():
			return
		case <-s.d.cfg.After(wait):
			wait *= 2
		}
	}
	if out.Err != nil {
		s.doubt()
	}
	if s.ctx.Err() == nil {
		s.d.queue.Put(out)
	}
}

// publish answers a Publish.
func (s *session) publish(o replicate.Publish) {
	out := replicate.Published{Bus: o.Bus, Op: o.Op}
	if len(o.Bodies) == 1 {
		out.Seq, out.Err = s.send(s.ctx, o.Subject, expected(nil, o), o.Bodies[0])
	} else {
		out.Seq, out.Err = s.batch(s.ctx, o)
	}
	if out.Err == nil {
		s.raise(o.Subject, out.Seq)
	} else {
		out.Err = s.understood(o.Subject, out.Err)
	}
	if s.ctx.Err() == nil {
		s.d.queue.Put(out)
	}
}

func expected(h map[string]string, o replicate.Publish) map[string]string {
	if !o.Expected {
		return h
	}
	if h == nil {
		h = map[string]string{}
	}
	h[hExpectedLast] = strconv.FormatUint(o.Last, 10)
	return h
}

// understood turns what the bus says into the machine's errors.
func (s *session) understood(subject string, err error) error {
	var e *apiError
	switch {
	case errors.Is(err, nats.ErrMaxPayload) || isAPI(err, errTooLarge):
		return fmt.Errorf("%w (%w)", replicate.ErrTooLarge, err)
	case isAPI(err, errWrongLast, errWrongLastToo):
		if errors.As(err, &e) {
			if _, seq, ok := strings.Cut(e.Text, ": "); ok {
				if n, numErr := strconv.ParseUint(seq, 10, 64); numErr == nil {
					s.raise(subject, n)
				}
			}
		}
		return fmt.Errorf("%w (%w)", replicate.ErrWrongLast, err)
	case isAPI(err, errStoreFailed, errInsufficient, errNoStorage):
		return fmt.Errorf("%w (%w)", replicate.ErrFull, err)
	case errors.Is(err, replicate.ErrDenied):
		return err
	}
	s.doubt()
	return err
}

// send publishes one message and waits until it is stored.
func (s *session) send(ctx context.Context, subject string, head map[string]string, body []byte) (uint64, error) {
	msg, err := s.ask(ctx, subject, head, body)
	if err != nil {
		return 0, err
	}
	return stored(msg)
}

// stored reads the stream's answer to a message.
func stored(msg *nats.Msg) (uint64, error) {
	var ack struct {
		Error *apiError `json:"error"`
		Seq   uint64    `json:"seq"`
	}
	if err := json.Unmarshal(msg.Data, &ack); err != nil {
		return 0, fmt.Errorf("not an answer of JetStream's: %w", err)
	}
	if ack.Error != nil {
		return 0, ack.Error
	}
	if ack.Seq == 0 {
		return 0, errors.New("the stream doesn't say where it has stored a message")
	}
	return ack.Seq, nil
}

// batch publishes several messages, all or none. The first is answered when the stream takes the batch, the last when all of it is stored.
func (s *session) batch(ctx context.Context, o replicate.Publish) (uint64, error) {
	inbox := s.nc.NewInbox()
	id := inbox[strings.LastIndexByte(inbox, '.')+1:]
	for i, body := range o.Bodies {
		h := map[string]string{hBatch: id, hBatchSeq: strconv.Itoa(i + 1)}
		if i == 0 {
			msg, err := s.ask(ctx, o.Subject, expected(h, o), body)
			if err != nil {
				return 0, err
			}
			if len(msg.Data) > 0 {
				_, err := stored(msg)
				if err == nil {
					err = errors.New("the stream stored the first message of a batch by itself")
				}
				return 0, err
			}
			continue
		}
		if i == len(o.Bodies)-1 {
			h[hBatchCommit] = "1"
			return s.send(ctx, o.Subject, h, body)
		}
		if err := s.nc.PublishMsg(&nats.Msg{Subject: o.Subject, Header: header(h), Data: body}); err != nil {
			return 0, err
		}
	}
	return 0, errors.New("nothing to publish")
}
