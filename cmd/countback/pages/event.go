package pages

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/history"
)

// eventPage is one event with all that is known about it.
type eventPage struct {
	ID, Kind, Says, Data string
	Time, Made           time.Time
	Person, Order        string
	Items                []string
	Reversed, CanReverse bool
	Fault                string
	Effects              []effect
	Related              []related
	Copies               []proof // one, unless several logs hold the id
}

// effect is what the event did to an item.
type effect struct{ Item, As, Qty, Unit, Value, OnHand string }

// related is an event that names this one, or that it names.
type related struct {
	How string
	ledgerRow
}

// proof is why an event can be believed: its bytes, their hash, its place in the chain, its signature.
type proof struct {
	Device, Name, Role string
	Seq                int64
	Line               string
	Hash, Prev         string
	Before, After      string // ids of the neighbours in the log
	ChainBefore        string // what is wrong with the link to the event before, "" for nothing
	ChainAfter         string
	Signature          string // what is wrong with the signature or the membership, "" for nothing
	By                 string // who admitted the device
	VoidAfter          int64  // if the device was revoked: the last of its events that counts
	Revoked            bool
	Void               bool
}

func serveEvent(v *view) error {
	id, err := event.ParseID(strings.ToUpper(v.r.PathValue("id")))
	if err != nil {
		return NotFound("%q is no id of an event", v.r.PathValue("id"))
	}
	st, shop, err := v.desk().Store(v.ctx())
	if err != nil {
		return err
	}
	rows, err := st.ByID(v.ctx(), id)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return NotFound("there is no event %s here; it may stand on another device", id)
	}
	members, err := chain.Load(v.ctx(), st, shop)
	if err != nil {
		return err
	}
	var p eventPage
	for i, r := range rows {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return store.Fail("read the ledger", fmt.Sprintf("event %s", id), store.ErrDamaged, err)
		}
		if i == 0 {
			p.tell(v, e)
		}
		x, err := v.proof(st, members, e)
		if err != nil {
			return err
		}
		p.Copies = append(p.Copies, x)
	}
	if p.Related, err = v.related(st, id, p.Data); err != nil {
		return err
	}
	return v.render("event", p)
}

// tell fills in what an event says and did.
func (p *eventPage) tell(v *view, e *event.Event) {
	p.ID, p.Kind, p.Says, p.Person = e.ID.String(), KindName(e.Kind), Say(e), e.Person
	p.Time, p.Made = time.UnixMilli(e.Time.Ms()).In(v.look.Zone), time.UnixMilli(e.ID.Ms()).In(v.look.Zone)
	p.Reversed = v.look.Log.Reversed(e.ID)
	p.CanReverse = e.Kind.Reversible() && !p.Reversed
	if e.Fault != nil {
		p.Fault = e.Fault.Error()
	}
	if e.Data != nil {
		p.Order, p.Items = event.OrderOf(e.Data), Names(e.Data)
	}
	var b bytes.Buffer
	if err := json.Indent(&b, e.Raw, "", "  "); err == nil {
		p.Data = b.String()
	} else {
		p.Data = string(e.Raw)
	}
	r, _ := history.Of(v.look.Log, v.look.upTo(e.Time.Ms()), v.look.Style, history.What{Event: e.ID})
	for _, x := range r.Entries {
		unit := ""
		if def := v.look.Def(x.Item); def != nil {
			unit = def.Unit
		}
		p.Effects = append(p.Effects, effect{x.Item, strings.ReplaceAll(x.Column, "_", " "), signed(x.Qty), unit, signed(x.Value), x.OnHand})
	}
}

// related lists the events that name an event, and those that it names.
func (v *view) related(st store.Store, id event.ID, data string) ([]related, error) {
	all, devices, err := v.site.index.read(v.ctx(), st)
	if err != nil {
		return nil, err
	}
	const most = 40
	var out []related
	var about event.ID
	for _, x := range all {
		if x.id == id {
			about = x.about
		}
	}
	for _, x := range all {
		how := ""
		switch {
		case x.about == id && !id.IsZero():
			how = map[event.Kind]string{event.KindReverse: "taken back by", event.KindDecide: "decided by", event.KindRestock: "delivered by", event.KindCredit: "credited by"}[x.kind]
			if how == "" {
				how = "restated by"
			}
		case x.id == about && !about.IsZero():
			how = "is about"
		default:
			continue
		}
		rows, err := v.rows(st, []*entry{x}, devices, "")
		if err != nil {
			return nil, err
		}
		if out = append(out, related{how, rows[0]}); len(out) == most {
			break
		}
	}
	return out, nil
}

// proof checks one stored event against its neighbours and its device's key.
func (v *view) proof(st store.Store, members *chain.Members, e *event.Event) (proof, error) {
	p := proof{Device: e.Device, Seq: e.Seq, Line: string(e.Line), Hash: event.HashLine(e.Line), Prev: e.Prev, Void: members.Void(e.Device, e.Seq)}
	if b, ok := members.Get(e.Device); ok {
		p.Name, p.Role, p.By, p.Revoked, p.VoidAfter = b.Name, b.Role, b.By, b.Revoked, b.Last
		if by, ok := members.Get(b.By); ok {
			p.By = by.Name + " (" + by.Device + ")"
		}
	}
	head := store.EmptyHead
	if e.Seq > 1 {
		before, err := v.stored(st, e.Device, e.Seq-1)
		if err != nil {
			return p, err
		}
		p.Before = before.ID.String()
		head = store.Head{Seq: before.Seq, Hash: event.HashLine(before.Line)}
	}
	if err := chain.Continues(e, head); err != nil {
		p.ChainBefore = err.Error()
	}
	after, err := v.stored(st, e.Device, e.Seq+1)
	switch {
	case errors.Is(err, store.ErrNotFound):
	case err != nil:
		return p, err
	default:
		p.After = after.ID.String()
		if after.Prev != p.Hash {
			p.ChainAfter = "the event after it names another hash"
		}
	}
	if err := chain.Signed(e, members); err != nil {
		p.Signature = err.Error()
	}
	return p, nil
}

// Sound reports whether nothing is wrong with any copy.
func (p eventPage) Sound() bool {
	return !slices.ContainsFunc(p.Copies, func(x proof) bool { return x.ChainBefore+x.ChainAfter+x.Signature != "" })
}

// Long is the number of lines of what the event says, 0 where they are few.
func (p eventPage) Long() int {
	const few = 24
	if n := strings.Count(p.Data, "\n") + 1; n > few {
		return n
	}
	return 0
}
