package pair

import (
	"context"
	"strings"
	"unicode/utf8"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
)

// The messages of the door.
type helloMessage struct {
	Code       string `json:"code"`
	Key        string `json:"key"`
	Name       string `json:"name"`
	Role       string `json:"role"`
	Commitment string `json:"commitment"`
}

type helloAnswer struct {
	Shop  string `json:"shop"`
	Name  string `json:"name"` // of the shop
	Key   string `json:"key"`
	Nonce string `json:"nonce"`
}

type revealMessage struct {
	Code      string `json:"code"`
	Key       string `json:"key"`
	Nonce     string `json:"nonce"`
	Signature string `json:"signature"`
}

type askMessage struct {
	Code string `json:"code"`
	Key  string `json:"key"`
}

type askAnswer struct {
	Decided     bool   `json:"decided"`
	Endorsement string `json:"endorsement,omitzero"`
	By          string `json:"by,omitzero"`
}

type endorseMessage struct {
	Code        string `json:"code"`
	Key         string `json:"key"`
	Endorsement string `json:"endorsement"` // empty: the digits were wrong, and the pairing ends
	Succeeds    string `json:"succeeds"`
}

type deskMessage struct {
	Code string `json:"code"`
}

type deskAnswer struct {
	Shop string `json:"shop"`
	Key  string `json:"key"`
}

type done struct{}

// is reports what is wrong with a code and key that somebody brings, if anything. fresh: a device that hasn't been here may still come.
func (d *Desk) is(s *state, text, public string, fresh bool) error {
	code, err := parseCode(text)
	switch {
	case err != nil || s == nil || !code.is(s.Code):
		return ErrCode
	case s.Phase == Open && d.phase(s) == Ended:
		return ErrStale
	case s.Phase == Open && fresh:
		return nil
	case s.Key != public:
		return ErrUsed
	case d.phase(s) == Ended:
		return ErrEnded
	}
	return nil
}

func (d *Desk) hello(ctx context.Context, m helloMessage) (helloAnswer, error) {
	if s, err := d.read(ctx); err != nil {
		return helloAnswer{}, err
	} else if err := d.is(s, m.Code, m.Key, true); err != nil { // before anything is written
		return helloAnswer{}, err
	}
	device, err := key.DeviceOf(m.Key)
	if err != nil || !isHash(m.Commitment) || !isName(m.Name) || m.Role != roleDesk && m.Role != rolePhone {
		return helloAnswer{}, ErrMessage
	}
	members, err := chain.Load(ctx, d.Store, d.Shop)
	if err != nil {
		return helloAnswer{}, err
	}
	out := helloAnswer{Shop: d.Shop, Name: d.Name, Key: d.Public}
	return out, d.change(ctx, func(s *state) (bool, error) {
		if err := d.is(s, m.Code, m.Key, true); err != nil {
			return false, err
		}
		b, member := members.Get(device)
		if s.Recover && (!member || b.Revoked) {
			return false, ErrMember
		}
		if !s.Recover && member {
			return false, ErrThere
		}
		if s.Phase != Open {
			if s.Commitment != m.Commitment || s.Name != m.Name || s.Role != m.Role {
				return false, ErrUsed // nobody may try one commitment after the other
			}
			out.Nonce = s.DeskNonce
			return false, nil
		}
		if s.DeskNonce, err = newNonce(d.Entropy); err != nil {
			return false, err
		}
		s.Phase, s.Key, s.Name, s.Role, s.Commitment = Greeted, m.Key, m.Name, m.Role, m.Commitment
		out.Nonce = s.DeskNonce
		return true, nil
	})
}

// who says whose door this is to somebody who has the open code, and leaves the code good.
func (d *Desk) who(ctx context.Context, m deskMessage) (deskAnswer, error) {
	s, err := d.read(ctx)
	if err == nil {
		err = d.is(s, m.Code, "", true)
	}
	return deskAnswer{d.Shop, d.Public}, err
}

func (d *Desk) reveal(ctx context.Context, m revealMessage) (done, error) {
	return done{}, d.change(ctx, func(s *state) (bool, error) {
		if err := d.is(s, m.Code, m.Key, false); err != nil {
			return false, err
		}
		if s.Phase != Greeted {
			if s.Nonce != m.Nonce {
				return false, ErrProof
			}
			return false, nil
		}
		a := d.agreed(s)
		a.JoinerNonce = m.Nonce
		if !isNonce(m.Nonce) || commitment(m.Nonce) != s.Commitment || key.Verify(m.Key, key.Pair, a.payload(), m.Signature) != nil {
			s.Phase = Ended
			return true, ErrProof
		}
		s.Phase, s.Nonce = Agreed, m.Nonce
		return true, nil
	})
}

func (d *Desk) answer(ctx context.Context, m askMessage) (askAnswer, error) {
	s, err := d.read(ctx)
	if err != nil {
		return askAnswer{}, err
	}
	if err := d.is(s, m.Code, m.Key, false); err != nil {
		return askAnswer{}, err
	}
	if s.Phase != Decided || s.Recover {
		return askAnswer{}, nil
	}
	return askAnswer{true, s.Endorsement, s.By}, nil
}

// endorse takes the recovery endorsement of a device that survived.
func (d *Desk) endorse(ctx context.Context, m endorseMessage) (done, error) {
	members, err := chain.Load(ctx, d.Store, d.Shop)
	if err != nil {
		return done{}, err
	}
	return done{}, d.change(ctx, func(s *state) (bool, error) {
		if err := d.is(s, m.Code, m.Key, false); err != nil {
			return false, err
		}
		if !s.Recover || s.Phase != Agreed && s.Phase != Decided {
			return false, ErrMessage
		}
		if m.Endorsement == "" {
			if s.Phase == Agreed {
				s.Phase = Ended
			}
			return true, nil
		}
		device, err := key.DeviceOf(m.Key)
		if err != nil {
			return false, ErrMessage
		}
		if b, ok := members.Get(device); !ok || b.Revoked {
			return false, ErrMember
		}
		if m.Succeeds != members.Keeper() || key.Verify(m.Key, key.Recover, key.SucceedPayload(d.Shop, d.Public, roleDesk, m.Succeeds), m.Endorsement) != nil {
			return false, ErrProof
		}
		s.Phase, s.Endorsement, s.By, s.Succeeds = Decided, m.Endorsement, device, m.Succeeds
		return true, nil
	})
}

const (
	roleDesk  = "desk"
	rolePhone = "phone"
)

func isHash(s string) bool {
	const hashLen = 64
	return len(s) == hashLen && strings.Trim(s, "0123456789abcdef") == ""
}

// isName asks the ledger's own check of names: the device's first event will go through it.
func isName(s string) bool {
	return s != "" && event.Check(&event.Shop{Name: s}) == nil && utf8.RuneCountInString(s) <= event.MaxName
}
