package pair

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

// What can be wrong with a pairing. Each says what to do.
var (
	ErrCode    = errors.New("the code isn't the one that is open at the desk; start countback pair there, and use the newest code")
	ErrStale   = errors.New("the code is too old; make a new one at the desk with countback pair")
	ErrUsed    = errors.New("the code has been used already, and is good for one device; if that wasn't you, end the pairing at the desk and make a new code")
	ErrEnded   = errors.New("the desk has ended this pairing; make a new code there with countback pair")
	ErrMessage = errors.New("that isn't a message of pairing that this program knows; use the same version on both devices")
	ErrProof   = errors.New("the other side doesn't hold to what it announced; end this pairing and make a new code")
	ErrKeeper  = errors.New("only the keeper's desk admits devices; open the pairing there")
	ErrMember  = errors.New("the device isn't a member of this shop, or was revoked; use another one that belongs to it")
	ErrThere   = errors.New("the device belongs to this shop already; it needs no pairing")
	ErrDigits  = errors.New("the digits aren't the ones that the other device shows")
	ErrFirst   = errors.New("the event isn't the first of a device that this desk has admitted; pair the device again")
)

// Lasts is how long a code is good.
const Lasts = 10 * time.Minute

// maxWrong is how often digits may be wrong.
const maxWrong = 2

const noteOpen = "pair/open"

// Phase is how far a pairing has come.
type Phase string

// The phases of a pairing, in their order; Ended can follow each of the others but Decided.
const (
	Open    Phase = "open"    // the code is shown
	Greeted Phase = "greeted" // a device has brought the code
	Agreed  Phase = "agreed"  // both nonces are known: the digits can be compared
	Decided Phase = "decided" // the endorsement is there
	Ended   Phase = "ended"
)

// state is a pairing as it stands in the store: no secret in it is of use once the pairing is over, and the code isn't in it.
type state struct {
	Code        string `json:"code"` // hash
	Until       int64  `json:"until"`
	Recover     bool   `json:"recover,omitzero"`
	Phase       Phase  `json:"phase"`
	Wrong       int    `json:"wrong,omitzero"`
	Key         string `json:"key,omitzero"` // of the other side
	Name        string `json:"name,omitzero"`
	Role        string `json:"role,omitzero"`
	Commitment  string `json:"commitment,omitzero"`
	DeskNonce   string `json:"desk_nonce,omitzero"`
	Nonce       string `json:"nonce,omitzero"`
	Endorsement string `json:"endorsement,omitzero"`
	By          string `json:"by,omitzero"`
	Succeeds    string `json:"succeeds,omitzero"`
}

// Desk is the side that shows the code. It may be used by several goroutines and processes: what they share stands in the store.
type Desk struct {
	Store   store.Store
	Shop    string // shop id
	Name    string // of the shop, for the other side to show
	Public  string // the desk's public key
	Now     func() time.Time
	Entropy io.Reader // a cryptographic source that several goroutines may read
}

// View is what a person is shown of a pairing.
type View struct {
	Phase       Phase
	Recover     bool
	Until       time.Time
	Device      string // of the other side
	Name        string
	Role        string
	Digits      string // once Agreed; where Recover, to be shown here, else never shown at the desk, whose person types them
	Left        int    // how often digits may still be wrong
	Endorsement string // once Decided
	By          string
	Succeeds    string
}

func (d *Desk) read(ctx context.Context) (s *state, err error) {
	err = d.Store.Local(ctx, noteOpen, func(name string, value []byte) error {
		if name != noteOpen {
			return nil
		}
		s = &state{}
		if err := json.Unmarshal(value, s); err != nil {
			return store.Fail("read the pairing", "", store.ErrDamaged, err)
		}
		return nil
	})
	return s, err
}

// change changes the state in one transaction. If fn returns an error and still says so, what it has changed is kept.
func (d *Desk) change(ctx context.Context, fn func(s *state) (keep bool, err error)) error {
	var said error
	err := d.Store.Write(ctx, func(tx store.Tx) error {
		s, err := d.read(ctx)
		if err != nil {
			return err
		}
		if s == nil {
			s = &state{Phase: Ended}
		}
		keep, err := fn(s)
		if said = err; !keep {
			return err
		}
		value, err := json.Marshal(s)
		if err != nil {
			return fmt.Errorf("keep the pairing: %w", err)
		}
		return tx.SetLocal(noteOpen, value)
	})
	if err != nil {
		return err
	}
	return said
}

// Open begins a pairing, and ends the one before it. back asks for a recovery endorsement instead of admitting a device.
func (d *Desk) Open(ctx context.Context, back bool) (Code, error) {
	code, err := NewCode(d.Entropy)
	if err != nil {
		return Code{}, err
	}
	if !back {
		if err := d.keeps(ctx); err != nil {
			return Code{}, err
		}
	}
	return code, d.change(ctx, func(s *state) (bool, error) {
		*s = state{Code: code.hash(), Until: d.Now().Add(Lasts).UnixMilli(), Recover: back, Phase: Open}
		return true, nil
	})
}

func (d *Desk) keeps(ctx context.Context) error {
	members, err := chain.Load(ctx, d.Store, d.Shop)
	if err != nil {
		return err
	}
	if own, err := key.DeviceOf(d.Public); err != nil || members.Keeper() != own {
		return ErrKeeper
	}
	return nil
}

// Close ends a pairing that isn't decided: that of code, so that a later one stays open.
func (d *Desk) Close(ctx context.Context, code Code) error {
	return d.change(ctx, func(s *state) (bool, error) {
		if !code.is(s.Code) || s.Phase == Decided || s.Phase == Ended {
			return false, nil
		}
		s.Phase = Ended
		return true, nil
	})
}

// phase returns the phase at this time.
func (d *Desk) phase(s *state) Phase {
	if s.Phase != Decided && s.Phase != Ended && d.Now().UnixMilli() >= s.Until {
		return Ended
	}
	return s.Phase
}

// Opened reports whether a pairing is open: whether it is worth while to show how the certificate authority is trusted.
func (d *Desk) Opened(ctx context.Context) (bool, error) {
	s, err := d.read(ctx)
	if err != nil || s == nil {
		return false, err
	}
	p := d.phase(s)
	return p != Ended && (p != Decided || d.Now().UnixMilli() < s.Until), nil
}

// View returns what a person is shown of the pairing of a code.
func (d *Desk) View(ctx context.Context, code Code) (View, error) {
	s, err := d.read(ctx)
	if err != nil {
		return View{}, err
	}
	if s == nil || !code.is(s.Code) {
		return View{}, ErrCode
	}
	v := View{
		Phase: d.phase(s), Recover: s.Recover, Until: time.UnixMilli(s.Until), Name: s.Name, Role: s.Role, Left: maxWrong - s.Wrong,
		Endorsement: s.Endorsement, By: s.By, Succeeds: s.Succeeds,
	}
	if s.Key != "" {
		if v.Device, err = key.DeviceOf(s.Key); err != nil {
			return View{}, err
		}
	}
	if s.Phase == Agreed && s.Recover {
		v.Digits = d.agreed(s).Digits()
	}
	return v, nil
}

func (d *Desk) agreed(s *state) Agreement {
	return Agreement{Shop: d.Shop, DeskKey: d.Public, JoinerKey: s.Key, DeskNonce: s.DeskNonce, JoinerNonce: s.Nonce}
}

// Confirm compares the digits that a person has typed with those of the pairing. If they are right it signs the endorsement. The error wraps ErrDigits where they
// are wrong; the second time the pairing is ended.
func (d *Desk) Confirm(ctx context.Context, code Code, typed string, k *key.Key) error {
	if err := d.keeps(ctx); err != nil {
		return err
	}
	return d.change(ctx, func(s *state) (bool, error) {
		switch {
		case !code.is(s.Code):
			return false, ErrCode
		case s.Phase == Decided && !s.Recover:
			return false, nil
		case d.phase(s) == Ended:
			return false, ErrEnded
		case s.Phase != Agreed || s.Recover || k.Public() != d.Public:
			return false, ErrMessage
		}
		if typed != d.agreed(s).Digits() {
			if s.Wrong++; s.Wrong >= maxWrong {
				s.Phase = Ended
				return true, fmt.Errorf("%w; wrong twice ends the code. If they were typed right, somebody is in between: look who else is in your network", ErrDigits)
			}
			return true, fmt.Errorf("%w; look again, once more is allowed", ErrDigits)
		}
		sig, err := k.Sign(key.Admit, key.AdmitPayload(d.Shop, s.Key, s.Role))
		if err != nil {
			return false, err
		}
		s.Phase, s.Endorsement, s.By = Decided, sig, k.Device()
		return true, nil
	})
}

// admit takes the first event of a device's log into the ledger, if the device was paired. Once more changes nothing. It needs no open pairing: the event vouches for itself.
// Of a device that was revoked since, it takes no word for anybody new: a stolen desk that was the keeper could otherwise let in whom it likes, since nothing in the
// event tells when it was endorsed. Who was endorsed just before that is paired anew.
func (d *Desk) admit(ctx context.Context, line []byte) error {
	e, err := event.ParseLine(bytes.Clone(line))
	if err != nil {
		return fmt.Errorf("%w (%w)", ErrFirst, err)
	}
	data, ok := e.Data.(*event.Device)
	if !ok || e.Seq != 1 || data.Succeeds != "" || data.By == e.Device {
		return ErrFirst
	}
	members, err := chain.Load(ctx, d.Store, d.Shop)
	if err != nil {
		return err
	}
	if err := chain.Verify(e, store.EmptyHead, members); err != nil {
		return fmt.Errorf("%w (%w)", ErrFirst, err)
	}
	if by, _ := members.Get(data.By); by.Revoked {
		if _, held := members.Get(e.Device); !held {
			return fmt.Errorf("%w (the device that endorsed it was revoked)", ErrFirst)
		}
	}
	err = d.Store.Write(ctx, func(tx store.Tx) error {
		_, err := tx.Insert(e)
		return err
	})
	if errors.Is(err, store.ErrFork) {
		return fmt.Errorf("%w (it has begun another log)", ErrFirst)
	}
	return err
}
