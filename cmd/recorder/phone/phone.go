package phone

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/chain"
	"countback/ledger/currency"
	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/paged"
	"countback/sync/replicate"
)

// Box keeps small texts beside the ledger; "" is none.
type Box interface {
	Put(ctx context.Context, key, text string) error        // durably
	PutLoosely(ctx context.Context, key, text string) error // what can be had again
	Take(ctx context.Context, key string) (string, error)
}

// The keys of the box.
const (
	boxKey     = "key"
	boxFace    = "face"
	boxJoining = "joining"
	boxSent    = "sent"
	boxRound   = "round"
)

// Phone is the recorder of one phone. Its exported fields stay unchanged while it is used; several goroutines may use it.
type Phone struct {
	Store   store.Store
	Box     Box
	Now     func() time.Time
	Entropy io.Reader                                 // a cryptographic source
	Build   string                                    // names the program, for checkpoints; "": none are used
	Zone    func(name string) (*time.Location, error) // finds a time zone
	Breathe func() func()                             // called at the beginning of long work, returns what is to be called now and then in it; may be nil

	folded atomic.Pointer[folded]

	mu   sync.Mutex // of what follows, and held through a recording
	face *Face      // nil until it was read
	key  *key.Key
	held *entry.Held
}

// The states of a phone.
const (
	New     = "new"     // it belongs to no shop yet
	Member  = "member"  // it records
	Revoked = "revoked" // the shop has shut it out
	Foreign = "foreign" // another shop's desk answers at its address
)

// Face is what the page shows before anything else is read.
type Face struct {
	State  string            `json:"state"`
	Shop   Shop              `json:"shop"`
	Device Device            `json:"device"`
	Ready  bool              `json:"ready"` // the shop's definitions are here
	Desk   string            `json:"desk,omitzero"`
	Base   string            `json:"base,omitzero"` // of the desk's door, for showing
	Items  []Item            `json:"items,omitzero"`
	Used   map[string]string `json:"used,omitzero"` // item → when it was last recorded here
}

// Shop is the shop as the page needs it.
type Shop struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Zone     string `json:"zone"`
	Currency string `json:"currency"`
	Minor    int    `json:"minor"` // digits of the currency's minor unit
}

// Device is this phone.
type Device struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Refusal is an error for the page: what is wrong, in which field, and what to do.
type Refusal struct {
	Message   string   `json:"message"`
	Field     string   `json:"field,omitzero"`
	Hint      string   `json:"hint,omitzero"`
	Index     *int     `json:"index,omitzero"` // of the fact
	Kind      string   `json:"kind,omitzero"`  // where the page may want to know: locked, revoked, new, full, questions, digits
	Questions []string `json:"questions,omitzero"`
}

func (r *Refusal) Error() string { return r.Message }

// ErrNew is returned where the phone belongs to no shop yet.
var ErrNew = &Refusal{Message: "this phone belongs to no shop yet", Hint: "scan the code that the desk shows with countback pair", Kind: New}

// Explain makes a refusal of any error.
func Explain(err error) *Refusal {
	var (
		known *Refusal
		field *event.FieldError
		bad   *entry.Error
		one   *record.FactError
		fails *store.Error
	)
	switch {
	case errors.As(err, &known):
		return known
	case errors.As(err, &bad):
		return &Refusal{Message: bad.Why, Field: bad.Field, Hint: bad.Hint, Index: &bad.Index}
	case errors.As(err, &one):
		r := Explain(one.Err)
		r.Index = &one.Index
		return r
	case errors.As(err, &field):
		return &Refusal{Message: field.Error(), Field: field.Field}
	case errors.As(err, &fails):
		r := &Refusal{Message: fails.Kind.Error(), Hint: fails.Hint}
		if errors.Is(err, store.ErrFull) {
			r.Kind = "full"
		}
		return r
	}
	return &Refusal{Message: err.Error()}
}

func (p *Phone) read(ctx context.Context, key string, v any) (ok bool, err error) {
	text, err := p.Box.Take(ctx, key)
	if err != nil || text == "" {
		return false, err
	}
	if err := json.Unmarshal([]byte(text), v); err != nil {
		return false, store.Fail("read "+key, "", store.ErrDamaged, err)
	}
	return true, nil
}

func (p *Phone) keep(ctx context.Context, key string, v any) error {
	b, err := json.Marshal(v, json.Deterministic(true))
	if err != nil {
		return fmt.Errorf("keep %s: %w", key, err)
	}
	return p.Box.Put(ctx, key, string(b))
}

// Opened is what Open tells.
type Opened struct {
	State   string `json:"state"`
	Shop    Shop   `json:"shop"`
	Device  Device `json:"device"`
	Ready   bool   `json:"ready"`
	Joining bool   `json:"joining"` // a pairing isn't through yet
}

// Open reads the face. It waits for nothing else.
func (p *Phone) Open(ctx context.Context) (Opened, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return Opened{}, err
	}
	var j Joining
	joining, err := p.read(ctx, boxJoining, &j)
	f := p.face
	return Opened{f.State, f.Shop, f.Device, f.Ready, joining}, err
}

// load reads the face and the key. p.mu is held.
func (p *Phone) load(ctx context.Context) error {
	if p.face != nil {
		return nil
	}
	f := &Face{State: New}
	if _, err := p.read(ctx, boxFace, f); err != nil {
		return err
	}
	k, err := ReadKey(ctx, p.Box)
	if err != nil {
		return err
	}
	if k == nil {
		f = &Face{State: New}
	}
	p.face, p.key, p.held = f, k, entry.NewHeld(context.WithoutCancel(ctx), p.Store)
	return nil
}

// ReadKey returns this phone's key, nil if it has none yet.
func ReadKey(ctx context.Context, b Box) (*key.Key, error) {
	seed, err := b.Take(ctx, boxKey)
	if err != nil || seed == "" {
		return nil, err
	}
	return key.FromSeed([]byte(seed))
}

// ReadFace returns the face as it stands in the box, nil if there is none.
func ReadFace(ctx context.Context, b Box) (*Face, error) {
	f := new(Face)
	ok, err := (&Phone{Box: b}).read(ctx, boxFace, f)
	if err != nil || !ok {
		return nil, err
	}
	return f, nil
}

// member returns an error where nothing can be recorded. p.mu is held.
func (p *Phone) member(ctx context.Context) error {
	if err := p.load(ctx); err != nil {
		return err
	}
	switch p.face.State {
	case Member, Foreign: // what another desk says takes nothing from this phone
		return nil
	case Revoked:
		return &Refusal{Message: "this phone was shut out of the shop, so nothing is recorded here any more", Hint: "what isn't safe yet can be handed over as a file; pair the phone anew to go on", Kind: Revoked}
	}
	return ErrNew
}

// Refresh reads the definitions and the membership from the ledger and writes the face anew if they have changed. It reports whether they have.
func (p *Phone) Refresh(ctx context.Context) (changed bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil || p.key == nil {
		return false, err
	}
	f := *p.face
	members, err := chain.Load(ctx, p.Store, f.Shop.ID)
	if err != nil {
		return false, err
	}
	switch own, ok := members.Get(p.key.Device()); {
	case ok && own.Revoked:
		f.State = Revoked
	case ok && f.State == New:
		f.State = Member
	}
	if _, c, err := p.held.Catalog(); err != nil {
		return false, err
	} else if c.Shop.Currency != "" {
		f.Ready = true
		f.Shop.Name, f.Shop.Zone, f.Shop.Currency = c.Shop.Name, c.Shop.Zone, c.Shop.Currency
		f.Shop.Minor, _ = currency.Digits(c.Shop.Currency)
		f.Items = itemsOf(c)
	}
	return p.show(ctx, &f)
}

// show keeps a face if it differs from the one that is shown. p.mu is held.
func (p *Phone) show(ctx context.Context, f *Face) (changed bool, err error) {
	was, err := json.Marshal(p.face, json.Deterministic(true))
	if err != nil {
		return false, err
	}
	now, err := json.Marshal(f, json.Deterministic(true))
	if err != nil || string(was) == string(now) {
		return false, err
	}
	put := p.Box.Put
	if was := *p.face; was.State == f.State && was.Shop.ID == f.Shop.ID {
		put = p.Box.PutLoosely // the rest is the ledger's, or the order of a list
	}
	p.face = f
	return true, put(ctx, boxFace, string(now))
}

// Loose says which keys of the ledger's disk may be lost in a power failure, for a device.
func Loose(own string) func(key string) bool {
	return func(key string) bool {
		note, ok := paged.NoteOf(key)
		return paged.IsPoint(key) || ok && replicate.Regained(note, own)
	}
}

// State returns the phone's state as far as it was read, New before that.
func (p *Phone) State() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.face == nil {
		return New
	}
	return p.face.State
}

// Mark tells one state of the ledger's logs from another.
func (p *Phone) Mark(ctx context.Context) (string, error) {
	last, heads, err := p.ends(ctx)
	if err != nil {
		return "", err
	}
	mark := strconv.FormatInt(last, 10)
	for _, d := range slices.Sorted(maps.Keys(heads)) {
		mark += " " + heads[d].Hash
	}
	return mark, nil
}

// Turn takes note of what the desk's door says: that this phone is shut out, or that another shop's desk answers, or Member once it is let in again. It reports
// whether that is news.
func (p *Phone) Turn(ctx context.Context, state string) (bool, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil || p.face.State == New {
		return false, err
	}
	f := *p.face
	f.State = state
	return p.show(ctx, &f)
}

func (p *Phone) zone() (*time.Location, error) {
	return p.Zone(p.face.Shop.Zone)
}

// breathe returns what a fold calls now and then.
func (p *Phone) breathe() func(done, of int) {
	if p.Breathe == nil {
		return nil
	}
	breathe := p.Breathe()
	return func(int, int) { breathe() }
}
