package phone

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/projections/doubt"
	"countback/projections/fold"
	"countback/projections/purchases"
)

// Posted says what became of facts.
type Posted struct {
	IDs    []string          `json:"ids"`
	Said   []string          `json:"said"`    // each fact in words
	OnHand map[string]string `json:"on_hand"` // of what they moved, in base units, as it stands now
}

// Parse reads facts as the contract has them: a JSON array of objects, or one object. One without a time is of now.
func (p *Phone) Parse(ctx context.Context, text []byte) ([]event.Fact, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return nil, err
	}
	return p.parse(text)
}

func (p *Phone) parse(text []byte) ([]event.Fact, error) {
	var list []jsontext.Value
	if text = bytes.TrimSpace(text); len(text) > 0 && text[0] == '{' {
		list = []jsontext.Value{text}
	} else if err := json.Unmarshal(text, &list); err != nil {
		return nil, &Refusal{Message: "these aren't facts: " + err.Error()}
	}
	if len(list) == 0 {
		return nil, &Refusal{Message: "there is nothing to record"}
	}
	now, err := p.moment()
	if err != nil {
		return nil, err
	}
	facts := make([]event.Fact, len(list))
	for i, raw := range list {
		f, err := event.ParseFact(timed(raw, now))
		if err == nil {
			err = event.Check(f.Data)
		}
		if err != nil {
			return nil, &record.FactError{Index: i, Err: err}
		}
		facts[i] = f
	}
	return facts, nil
}

// moment is now, in the shop's zone, as a fact says it.
func (p *Phone) moment() (event.Time, error) {
	if p.face.Shop.Zone == "" {
		return event.TimeOf(p.Now()), nil
	}
	zone, err := p.zone()
	if err != nil {
		return event.Time{}, err
	}
	return event.TimeOf(p.Now().In(zone)), nil
}

// timed adds the time to a fact that has none.
func timed(raw jsontext.Value, now event.Time) []byte {
	var has struct {
		Time *jsontext.Value `json:"time"`
	}
	body := bytes.TrimSpace(raw)
	if json.Unmarshal(raw, &has) != nil || has.Time != nil || len(body) < 2 || body[0] != '{' {
		return raw
	}
	rest := bytes.TrimSpace(body[1:])
	if rest[0] != '}' {
		rest = append([]byte{','}, rest...)
	}
	return append([]byte(`{"time":"`+now.String()+`"`), rest...)
}

// Check says what looks like a slip in facts, without recording them. What is certainly wrong is an error.
func (p *Phone) Check(ctx context.Context, facts []event.Fact) ([]string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.member(ctx); err != nil {
		return nil, err
	}
	if err := p.enter(facts)(nil); err != nil {
		return nil, err
	}
	return p.questions(ctx, facts)
}

// enter is the check of entry.
func (p *Phone) enter(facts []event.Fact) func(store.Tx) error {
	return func(tx store.Tx) error {
		return p.held.Within(tx, p.key.Device(), func() error {
			return entry.Check(facts, p.held, p.Now(), func(name string) error {
				_, err := p.Zone(name)
				return err
			})
		})
	}
}

// questions asks about facts as the desk does, but from a checkpoint. p.mu is held.
func (p *Phone) questions(ctx context.Context, facts []event.Fact) ([]string, error) {
	out := []string{}
	if !doubt.Possible(facts) {
		return out, nil
	}
	log, err := fold.Read(ctx, purchases.Of(p.Store), fold.Choice{}) // it has the deliveries, and what every item means
	if err != nil {
		return nil, err
	}
	states := map[int64]*fold.State{}
	var failed error
	onHand := func(item string, at event.Time) (num.Qty, bool) {
		s, ok := states[at.Ms()]
		if !ok {
			if s, err = p.state(ctx, at.Ms()-1); err != nil {
				failed = errors.Join(failed, err)
				return num.Qty{}, false
			}
			states[at.Ms()] = s
		}
		it, ok := s.Catalog.Find(item)
		if !ok || it.Prepared() {
			return num.Qty{}, false
		}
		return s.Items[it.Index].Account.OnHand(), true
	}
	begun, err := p.begun(ctx, facts)
	if err != nil {
		return nil, err
	}
	book := entry.Book{Catalog: log.Catalog, OnHand: onHand}
	doubt.Deliveries(log, &book)
	for _, q := range entry.Questions(facts, book) {
		if begun[doubt.Slot(facts[q.Index])] {
			continue // the book has the sum of the session's other figures, which says nothing about one of them
		}
		out = append(out, fmt.Sprintf("%s: %s.", capital(q.Why), q.Hint))
	}
	return out, failed
}

// begun are the sessions and items, of those that facts count, of which a figure is here already.
func (p *Phone) begun(ctx context.Context, facts []event.Fact) (map[string]bool, error) {
	wanted, begun := map[string]bool{}, map[string]bool{}
	for _, f := range facts {
		if s := doubt.Slot(f); s != "" {
			wanted[s] = true
		}
	}
	if len(wanted) == 0 {
		return begun, nil
	}
	err := p.Store.ScanKinds(ctx, []event.Kind{event.KindCount}, 0, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return err
		}
		if s := doubt.Slot(event.Fact{Data: e.Data}); wanted[s] {
			begun[s] = true
		}
		return nil
	})
	return begun, err
}

// Record records facts, all or none. They are on this phone's disk once it returns. Without sure, what looks like a slip is refused with questions. What the
// facts moved is told by the answer; it fails only where the figures can't be told, which the page sees as a note, since the facts are recorded.
func (p *Phone) Record(ctx context.Context, facts []event.Fact, sure bool) (Posted, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.member(ctx); err != nil {
		return Posted{}, err
	}
	if !sure {
		questions, err := p.questions(ctx, facts)
		if err != nil {
			return Posted{}, err
		}
		if len(questions) > 0 {
			if err := p.enter(facts)(nil); err != nil {
				return Posted{}, err
			}
			return Posted{}, &Refusal{Message: questions[0], Questions: questions, Kind: "questions"}
		}
	}
	before, err := p.before(ctx, facts)
	if err != nil {
		return Posted{}, err
	}
	r := &record.Recorder{Store: p.Store, Key: p.key, Shop: p.face.Shop.ID, Now: p.Now, Entropy: p.Entropy}
	result, err := r.Record(ctx, facts, p.enter(facts))
	if err != nil {
		return Posted{}, err
	}
	out := Posted{IDs: []string{}, Said: p.say(facts), OnHand: map[string]string{}}
	for _, id := range result.IDs {
		out.IDs = append(out.IDs, id.String())
	}
	if err := p.moved(ctx, facts, result.IDs, before, &out); err != nil {
		out.Said = append(out.Said, "It is recorded. What is on hand can't be told now: "+Explain(err).Message)
	}
	return out, nil
}

// until is the instant up to which what facts moved is told: the end of today, or all that is known where a fact is of later. p.mu is held.
func (p *Phone) until(facts []event.Fact) (int64, error) {
	if p.face.Shop.Zone == "" {
		return 0, nil
	}
	zone, err := p.zone()
	if err != nil {
		return 0, err
	}
	until := endOfDay(p.Now().In(zone))
	if slices.ContainsFunc(facts, func(f event.Fact) bool { return f.Time.Ms() > until }) {
		return 0, nil
	}
	return until, nil
}

// before is what was on hand of each item, where facts let others in or out of the figures; nil elsewhere.
func (p *Phone) before(ctx context.Context, facts []event.Fact) (map[string]num.Qty, error) {
	if !slices.ContainsFunc(facts, func(f event.Fact) bool {
		k := f.Data.Kind()
		return k == event.KindReverse || k == event.KindDecide
	}) {
		return nil, nil
	}
	until, err := p.until(facts)
	if err != nil {
		return nil, err
	}
	s, err := p.state(ctx, until)
	if err != nil {
		return nil, err
	}
	on := map[string]num.Qty{}
	for _, it := range s.Catalog.Items {
		on[it.ID] = s.Items[it.Index].Account.OnHand()
	}
	return on, nil
}

// moved tells what is on hand of what the facts moved.
func (p *Phone) moved(ctx context.Context, facts []event.Fact, ids []event.ID, before map[string]num.Qty, out *Posted) error {
	v := moves{map[event.ID]bool{}, map[int]bool{}}
	for _, id := range ids {
		v.ids[id] = true
	}
	until, err := p.until(facts)
	if err != nil {
		return err
	}
	last, heads, err := p.ends(ctx)
	if err != nil {
		return err
	}
	r, err := p.fold(ctx, fold.Run{AsOf: until, Observe: v.see}, false)
	if err != nil {
		return err
	}
	p.remember(last, until, heads, r.State)
	for _, it := range r.State.Catalog.Items {
		now := r.State.Items[it.Index].Account.OnHand()
		if was, ok := before[it.ID]; v.items[it.Index] || ok && was.Cmp(now) != 0 {
			out.OnHand[it.ID] = now.String()
		}
	}
	return nil
}

// TakeBack reverses an event.
func (p *Phone) TakeBack(ctx context.Context, id, reason string) (Posted, error) {
	target, err := event.ParseID(id)
	if err != nil {
		return Posted{}, &Refusal{Message: "that isn't the id of an entry", Field: "event"}
	}
	if reason == "" {
		reason = "slip"
	}
	return p.one(ctx, &event.Reverse{Event: target, Reason: reason})
}

// Remember records the barcode of an item's packs.
func (p *Phone) Remember(ctx context.Context, item, barcode string) (Posted, error) {
	return p.one(ctx, &event.Item{Item: item, Barcode: barcode})
}

// one records one fact of now.
func (p *Phone) one(ctx context.Context, d event.Data) (Posted, error) {
	p.mu.Lock()
	err := p.member(ctx)
	var now event.Time
	if err == nil {
		now, err = p.moment()
	}
	p.mu.Unlock()
	if err == nil {
		err = event.Check(d)
	}
	if err != nil {
		return Posted{}, err
	}
	return p.Record(ctx, []event.Fact{{Time: now, Data: d}}, true)
}

// Note takes down that items were used, for their order in the list. It is worth nothing but that, so it is done behind the answer.
func (p *Phone) Note(ctx context.Context, facts []event.Fact) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	f := *p.face
	f.Used = map[string]string{}
	for k, v := range p.face.Used {
		f.Used[k] = v
	}
	at := p.Now().UTC().Format(time.RFC3339)
	for _, fact := range facts {
		for _, item := range itemsIn(fact.Data) {
			f.Used[item] = at
		}
	}
	_, err := p.show(ctx, &f)
	return err
}

// itemsIn names the items that a person has chosen for a fact.
func itemsIn(d event.Data) (out []string) {
	switch f := d.(type) {
	case *event.Restock:
		for _, l := range f.Lines {
			out = append(out, l.Item)
		}
	case *event.Reprint:
		out = append(out, f.Item)
	case *event.Damage:
		out = append(out, f.Item)
	case *event.Count:
		out = append(out, f.Item)
	}
	return out
}
