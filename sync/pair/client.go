package pair

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/sync/authority"
	"countback/sync/handover"
)

// ErrReach is wrapped where the desk couldn't be reached.
var ErrReach = errors.New("the desk couldn't be reached; check that both are in one network, that countback serve or countback pair runs there, and its address")

// Client is the side that brings a code. Its fields stay unchanged while it is used.
type Client struct {
	Base    string // https://HOST:PORT
	Now     func() time.Time
	Wait    func(ctx context.Context, d time.Duration) error // returns early with the context's error
	Entropy io.Reader                                        // a cryptographic source

	http *http.Client
}

// NewClientOver returns a client that goes through h, which decides whom it trusts: a browser's own, on a phone.
func NewClientOver(h *http.Client, base string, now func() time.Time, wait func(context.Context, time.Duration) error, entropy io.Reader) *Client {
	h.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &Client{Base: base, Now: now, Wait: wait, Entropy: entropy, http: h}
}

// Close lets the connections go.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// post sends a message and reads the answer.
func (c *Client) post(ctx context.Context, path string, in, out any) error {
	body, ok := in.([]byte)
	if !ok {
		var err error
		if body, err = json.Marshal(in); err != nil {
			return fmt.Errorf("pair: %w", err)
		}
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, c.Base+path, bytes.NewReader(body))
	if err != nil {
		return ErrLink
	}
	r.Header.Set("Content-Type", "application/json")
	answer, err := c.http.Do(r)
	if err != nil {
		return reach(ctx, err)
	}
	defer answer.Body.Close()
	body, err = io.ReadAll(io.LimitReader(answer.Body, maxMessage))
	if err != nil {
		return reach(ctx, err)
	}
	if answer.StatusCode != http.StatusOK {
		return told(body)
	}
	if json.Unmarshal(body, out, json.RejectUnknownMembers(true)) != nil {
		return ErrMessage
	}
	return nil
}

func reach(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, authority.ErrPinned):
		return authority.ErrPinned
	}
	var inner *net.OpError
	if errors.As(err, &inner) {
		err = inner
	}
	return fmt.Errorf("%w (%w)", ErrReach, err)
}

// told is the error that a desk has answered with, by its name: its text is the own program's.
func told(body []byte) error {
	var f failed
	if json.Unmarshal(body, &f) != nil {
		return ErrMessage
	}
	for _, k := range kinds {
		if k.name == f.Kind {
			return k.err
		}
	}
	return ErrDesk
}

// Meeting is a pairing whose digits can be compared.
type Meeting struct {
	Agreement
	ShopName string
	Desk     string // the device id of the desk that keeps the door

	client *Client
	code   Code
}

// Meet brings a code to a desk, up to the digits. role is what the device wants to be; a device that survives says what it is.
func (c *Client) Meet(ctx context.Context, code Code, k *key.Key, name, role string) (*Meeting, error) {
	nonce, err := newNonce(c.Entropy)
	if err != nil {
		return nil, err
	}
	var answer helloAnswer
	if err := c.post(ctx, pathHello, helloMessage{code.Text(), k.Public(), name, role, commitment(nonce)}, &answer); err != nil {
		return nil, err
	}
	m := &Meeting{Agreement{answer.Shop, answer.Key, k.Public(), answer.Nonce, nonce}, answer.Name, "", c, code}
	if m.Desk, err = key.DeviceOf(answer.Key); err != nil || !isNonce(answer.Nonce) || !isDevice(answer.Shop) || !isName(answer.Name) || answer.Key == k.Public() {
		return nil, ErrMessage
	}
	sig, err := k.Sign(key.Pair, m.payload())
	if err != nil {
		return nil, err
	}
	return m, c.post(ctx, pathReveal, revealMessage{code.Text(), k.Public(), nonce, sig}, &done{})
}

func isDevice(s string) bool {
	return event.Check(&event.Shop{Keeper: s}) == nil && len(s) == key.DeviceLen
}

// Endorsement waits until the person at the desk has typed the digits, and returns the first event's data for the device that joins.
func (m *Meeting) Endorsement(ctx context.Context, name, role string) (event.Device, error) {
	for failed := 0; ; {
		var a askAnswer
		err := m.client.post(ctx, pathAnswer, askMessage{m.code.Text(), m.JoinerKey}, &a)
		switch failed++; {
		case err == nil:
			failed = 0
		case !passing(err) || failed > patience:
			return event.Device{}, err
		}
		if a.Decided {
			if a.By != m.Desk || key.Verify(m.DeskKey, key.Admit, key.AdmitPayload(m.Shop, m.JoinerKey, role), a.Endorsement) != nil {
				return event.Device{}, ErrProof
			}
			return event.Device{Key: m.JoinerKey, Name: name, Role: role, By: a.By, Endorsement: a.Endorsement}, nil
		}
		if err := m.client.Wait(ctx, askEvery); err != nil {
			return event.Device{}, err
		}
	}
}

const (
	askEvery = time.Second
	patience = 15 // attempts in a row that may fail
)

// passing reports whether a failure may pass by itself.
func passing(err error) bool {
	return errors.Is(err, ErrReach) || errors.Is(err, ErrBusy) || errors.Is(err, ErrDesk)
}

// again tries until it works, or the failure isn't of a sort that passes.
func (c *Client) again(ctx context.Context, try func() error) error {
	for n := 1; ; n++ {
		err := try()
		if err == nil || !passing(err) || n > patience {
			return err
		}
		if err := c.Wait(ctx, askEvery); err != nil {
			return err
		}
	}
}

// Desk asks whose door it is, and returns shop and device. The code stays good.
func (c *Client) Desk(ctx context.Context, code Code) (shop, device string, err error) {
	var a deskAnswer
	if err := c.post(ctx, pathDesk, deskMessage{code.Text()}, &a); err != nil {
		return "", "", err
	}
	if device, err = key.DeviceOf(a.Key); err != nil || !isDevice(a.Shop) {
		return "", "", ErrMessage
	}
	return a.Shop, device, nil
}

// Admit brings the first event of the own log to the desk. It is tried for a while: what was endorsed mustn't be lost to a moment without a network.
func (c *Client) Admit(ctx context.Context, line []byte) error {
	return c.again(ctx, func() error { return c.post(ctx, pathAdmit, line, &done{}) })
}

// Recover signs the endorsement that makes the desk of the meeting the keeper in the place of another, and brings it. The digits must have been compared.
func (m *Meeting) Recover(ctx context.Context, k *key.Key, lost string) error {
	sig, err := k.Sign(key.Recover, key.SucceedPayload(m.Shop, m.DeskKey, roleDesk, lost))
	if err != nil {
		return err
	}
	return m.client.again(ctx, func() error {
		return m.client.post(ctx, pathEndorse, endorseMessage{m.code.Text(), m.JoinerKey, sig, lost}, &done{})
	})
}

// Refuse ends a recovery whose digits differ.
func (m *Meeting) Refuse(ctx context.Context) error {
	return m.client.post(ctx, pathEndorse, endorseMessage{m.code.Text(), m.JoinerKey, "", ""}, &done{})
}

// Download asks for the hand-over file as a member, and hands its parts over as they come. What fails before the first part is tried for a while.
func (c *Client) Download(ctx context.Context, k *key.Key, part func(handover.Head, handover.Part) error) error {
	return c.again(ctx, func() error { return c.download(ctx, k, part) })
}

func (c *Client) download(ctx context.Context, k *key.Key, part func(handover.Head, handover.Part) error) error {
	answer, err := c.get(ctx, "")
	if err != nil {
		return err
	}
	answer.Body.Close()
	challenge := answer.Header.Get(challengeHeader)
	if answer.StatusCode != http.StatusUnauthorized || challenge == "" {
		return ErrMessage
	}
	sig, err := k.Sign(key.Nonce, []byte(challenge))
	if err != nil {
		return err
	}
	if answer, err = c.get(ctx, scheme+k.Device()+" "+challenge+" "+sig); err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		body, err := io.ReadAll(io.LimitReader(answer.Body, maxMessage))
		if err != nil {
			return reach(ctx, err)
		}
		return told(body)
	}
	r, err := handover.New(answer.Body)
	if err != nil {
		return err
	}
	for {
		p, err := r.Next()
		if err != nil {
			return err
		}
		if err := part(r.Head(), p); err != nil || p.Done {
			return err
		}
	}
}

// ErrElsewhere is returned where another shop's desk keeps the door.
var ErrElsewhere = errors.New("the desk at this address is of another shop")

// errSeen ends a download that was only asked for to see whether it is given.
var errSeen = errors.New("seen")

// Admitted asks a door whether it still lets a member of a shop in. The error is ErrMember where the shop's own desk doesn't, ErrElsewhere where the door is another
// shop's, and any other where that can't be told now.
func (c *Client) Admitted(ctx context.Context, k *key.Key, shop string) error {
	answer, err := c.get(ctx, "")
	if err != nil {
		return err
	}
	answer.Body.Close()
	whose := answer.Header.Get(shopHeader)
	if answer.StatusCode != http.StatusUnauthorized || !isDevice(whose) {
		return ErrMessage
	}
	if whose != shop {
		return ErrElsewhere
	}
	err = c.download(ctx, k, func(handover.Head, handover.Part) error { return errSeen })
	if errors.Is(err, errSeen) {
		return nil
	}
	return err
}

func (c *Client) get(ctx context.Context, authorization string) (*http.Response, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, c.Base+PathHandover, nil)
	if err != nil {
		return nil, ErrLink
	}
	if authorization != "" {
		r.Header.Set("Authorization", authorization)
	}
	answer, err := c.http.Do(r)
	if err != nil {
		return nil, reach(ctx, err)
	}
	return answer, nil
}
