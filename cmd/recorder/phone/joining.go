package phone

import (
	"context"
	"strings"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
)

// Joining is a pairing that isn't through. The carrier speaks to the desk; what is signed for the ledger is signed here.
type Joining struct {
	Shop     string        `json:"shop"`
	ShopName string        `json:"shop_name"`
	Desk     string        `json:"desk"` // device id of the desk
	Base     string        `json:"base"`
	Name     string        `json:"name"`              // of this phone
	Device   *event.Device `json:"device,omitzero"`   // once endorsed: the data of the first event
	Recorded bool          `json:"recorded,omitzero"` // it stands in the own log; the desk may not have it yet
}

// ReadJoining returns the pairing that isn't through, nil if there is none.
func ReadJoining(ctx context.Context, b Box) (*Joining, error) {
	j := new(Joining)
	ok, err := (&Phone{Box: b}).read(ctx, boxJoining, j)
	if err != nil || !ok {
		return nil, err
	}
	return j, nil
}

// Role is what a phone is in a shop.
const Role = "phone"

// Prepare returns the key for a pairing, which is made and kept if there is none. A phone whose ledger is there keeps its key: it is that device.
func (p *Phone) Prepare(ctx context.Context) (*key.Key, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return nil, err
	}
	if p.face.State == Member {
		return nil, &Refusal{Message: "this phone belongs to " + p.face.Shop.Name + " already; it needs no pairing", Kind: Member}
	}
	if p.key != nil && p.face.State == New {
		return p.key, nil
	}
	if p.face.State != New {
		return nil, &Refusal{Message: "this phone was part of a shop before", Hint: "hand over what isn't safe as a file, clear this site's data in the browser's settings, and open the link again", Kind: p.face.State}
	}
	k, err := key.Generate(p.Entropy)
	if err != nil {
		return nil, err
	}
	seed, err := k.Seed()
	if err != nil {
		return nil, err
	}
	if err := p.Box.Put(ctx, boxKey, string(seed)); err != nil {
		return nil, err
	}
	p.key = k
	return k, nil
}

// KeepJoining takes down that the desk has endorsed this phone, before anything is done with that.
func KeepJoining(ctx context.Context, b Box, j Joining) error {
	return (&Phone{Box: b}).keep(ctx, boxJoining, j)
}

// Begin signs the first event of the own log and keeps it, in the ledger that is still empty. It may be called again.
func (p *Phone) Begin(ctx context.Context) error {
	j, err := ReadJoining(ctx, p.Box)
	if err != nil || j == nil || j.Device == nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return err
	}
	if p.key == nil {
		return ErrNew
	}
	heads, err := p.Store.Heads(ctx)
	if err != nil {
		return err
	}
	if heads[p.key.Device()].Seq == 0 {
		if err := record.Join(ctx, p.Store, p.key, p.Now, p.Entropy, j.Shop, *j.Device, event.TimeOf(p.Now())); err != nil {
			return err
		}
	}
	j.Recorded = true
	if err := p.keep(ctx, boxJoining, *j); err != nil {
		return err
	}
	f := Face{State: Member, Shop: Shop{ID: j.Shop, Name: j.ShopName}, Device: Device{p.key.Device(), j.Name}, Desk: j.Desk, Base: j.Base}
	_, err = p.show(ctx, &f)
	return err
}

// Joined ends a pairing: the desk has the first event.
func Joined(ctx context.Context, b Box) error { return b.Put(ctx, boxJoining, "") }

// Recovers reports whether a link asks a device that is left to make a new desk the keeper. Whether it is a link at all is for the carrier to say.
func Recovers(link string) bool { return strings.Contains(link, "#recover/") }
