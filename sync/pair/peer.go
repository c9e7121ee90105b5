package pair

import (
	"context"
	"crypto/tls"
	"fmt"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/store"
	"countback/sync/authority"
)

// What a desk remembers of others, as notes of its store: no secrets.
const (
	notePeer = "pair/peer/" // + device id
	noteDoor = "pair/door"
)

// Peer is a desk whose door this one has been to: whose bus it goes to from then on.
type Peer struct {
	Device string `json:"device"`
	Base   string `json:"base"`             // https://HOST:PORT
	Pin    string `json:"pin"`              // of its certificate authority
	At     string `json:"address,omitzero"` // HOST:PORT to dial instead of the one of Base
}

// KeepPeer remembers a desk, in the place of what was known of it.
func KeepPeer(ctx context.Context, st store.Store, p Peer) error {
	return keep(ctx, st, notePeer+p.Device, p)
}

// ForgetPeer forgets a desk that is gone.
func ForgetPeer(ctx context.Context, st store.Store, device string) error {
	return st.Write(ctx, func(tx store.Tx) error { return tx.SetLocal(notePeer+device, nil) })
}

// Peers returns the desks that are remembered, by device.
func Peers(ctx context.Context, st store.Store) (out []Peer, err error) {
	err = st.Local(ctx, notePeer, func(_ string, value []byte) error {
		var p Peer
		if err := json.Unmarshal(value, &p); err != nil {
			return store.Fail("read the notes", "", store.ErrDamaged, err)
		}
		out = append(out, p)
		return nil
	})
	return out, err
}

// Announced is where a desk's door is, as the process that keeps it has said.
type Announced struct {
	Base  string `json:"base"`           // https://NAME:PORT, for links
	Pin   string `json:"pin"`            // of the certificate authority
	Local string `json:"local"`          // HOST:PORT on this machine
	Trust string `json:"trust,omitzero"` // http://ADDRESS:PORT, where the authority can be had while a pairing is open
}

// Announce says where the door is. Whoever keeps the door says so at its start; whether it still does is for Answers to find out.
func Announce(ctx context.Context, st store.Store, a Announced) error {
	return keep(ctx, st, noteDoor, a)
}

// Door returns what was announced last; false if nothing ever was.
func Door(ctx context.Context, st store.Store) (a Announced, ok bool, err error) {
	err = st.Local(ctx, noteDoor, func(name string, value []byte) error {
		if name != noteDoor {
			return nil
		}
		if err := json.Unmarshal(value, &a); err != nil {
			return store.Fail("read the notes", "", store.ErrDamaged, err)
		}
		ok = true
		return nil
	})
	return a, ok, err
}

// Answers reports whether a door is kept at its address on this machine, by whoever has the certificate authority's key.
func (a Announced) Answers(ctx context.Context, now func() time.Time) bool {
	const patience = 2 * time.Second
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	d := tls.Dialer{Config: authority.Pinned(a.Pin, now)}
	c, err := d.DialContext(ctx, "tcp", a.Local)
	if err != nil {
		return false
	}
	return c.Close() == nil
}

func keep(ctx context.Context, st store.Store, name string, v any) error {
	value, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("keep a note: %w", err)
	}
	return st.Write(ctx, func(tx store.Tx) error { return tx.SetLocal(name, value) })
}
