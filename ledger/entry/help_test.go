package entry_test

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"countback/ledger/catalog"
	"countback/ledger/entry"
	"countback/ledger/event"
)

// now is when the tests record.
var now = time.Date(2026, 4, 1, 12, 0, 0, 0, time.UTC)

// ledger is a ledger in maps.
type ledger struct {
	events   map[event.ID]*event.Event
	setup    []event.ID
	reversed map[event.ID]bool
	orders   map[string]bool
	asked    int // look-ups by id or order
	broken   error
}

func (l *ledger) Setup() ([]catalog.Input, error) {
	var out []catalog.Input
	for _, id := range l.setup {
		out = append(out, catalog.Input{Event: l.events[id], Reversed: l.reversed[id]})
	}
	return out, nil
}

func (l *ledger) Event(id event.ID) (*event.Event, bool, error) {
	l.asked++
	e, ok := l.events[id]
	return e, ok, l.broken
}

func (l *ledger) Reversed(id event.ID) (bool, error) { return l.reversed[id], nil }

func (l *ledger) Order(number string) (bool, error) {
	l.asked++
	return l.orders[number], l.broken
}

// record puts facts into the ledger, unchecked; those without an id get one that no test names.
func (l *ledger) record(facts ...event.Fact) {
	for _, f := range facts {
		id := f.ID
		if id.IsZero() {
			id = ulid(fmt.Sprintf("Z%d", len(l.events)))
		}
		if _, held := l.events[id]; held {
			continue
		}
		l.events[id] = &event.Event{ID: id, Kind: f.Data.Kind(), Version: 1, Time: f.Time, Data: f.Data}
		switch d := f.Data.(type) {
		case *event.Shop, *event.Item, *event.Retire, *event.PackSpec, *event.MakeSpec:
			l.setup = append(l.setup, id)
		case *event.Order:
			l.orders[d.Order] = true
		case *event.Pack:
			l.orders[d.Order] = true
		case *event.Reverse:
			l.reversed[d.Event] = true
		}
	}
}

func newLedger(facts ...event.Fact) *ledger {
	l := &ledger{events: map[event.ID]*event.Event{}, reversed: map[event.ID]bool{}, orders: map[string]bool{}}
	l.record(facts...)
	return l
}

// ulid makes an id of March 2026 that ends in name, which is at most 10 letters that ULIDs have.
func ulid(name string) event.ID {
	id, err := event.ParseID("01KKTEST00" + strings.Repeat("0", 16-len(name)) + name)
	if err != nil {
		panic(err)
	}
	return id
}

// facts reads lines of the form KIND [id=NAME] [at=TIME] DATA, DATA as JSON with its quotes written as ' and @NAME for an id.
func facts(lines ...string) []event.Fact {
	var out []event.Fact
	for _, line := range lines {
		head, data, _ := strings.Cut(line, "{")
		data = "{" + data
		for {
			at := strings.IndexByte(data, '@')
			if at < 0 {
				break
			}
			end := at + strings.IndexByte(data[at:], '\'')
			data = data[:at] + ulid(data[at+1:end]).String() + data[end:]
		}
		data = strings.ReplaceAll(data, "'", `"`)
		when, id := "2026-03-20T12:00:00Z", ""
		words := strings.Fields(head)
		for _, w := range words[1:] {
			if v, ok := strings.CutPrefix(w, "at="); ok {
				when = v
			} else if v, ok := strings.CutPrefix(w, "id="); ok {
				id = `"id":"` + ulid(v).String() + `",`
			} else if v, ok := strings.CutPrefix(w, "raw="); ok {
				id = `"id":"` + v + `",`
			}
		}
		f, err := event.ParseFact([]byte(fmt.Sprintf(`{"kind":"%s",%s"time":"%s","data":%s}`, words[0], id, when, data)))
		if err != nil {
			panic(line + ": " + err.Error())
		}
		out = append(out, f)
	}
	return out
}

// stationer is a small shop of our own.
func stationer() *ledger {
	return newLedger(facts(
		`shop id=SHP at=2026-01-01T00:00:00Z {'name':'Fernwick Paper','currency':'CAD','zone':'America/Halifax','costing':'average'}`,
		`item id=CARD {'item':'card-fern','name':'Card, fern','type':'good','unit':'each','class':'card','packs':{'box':'50'}}`,
		`item id=TERN {'item':'card-tern','name':'Card, tern','type':'good','unit':'each','class':'card'}`,
		`item id=SET {'item':'set-five','name':'Set of five','type':'prepared','unit':'each','parts':[{'item':'card-fern','qty':'3'},{'item':'card-tern','qty':'2'}]}`,
		`item id=MAR {'item':'mailer','name':'Mailer','type':'supply','unit':'each','packs':{'box':'100'}}`,
		`item id=CRD {'item':'cord','name':'Cord','type':'supply','unit':'mm','packs':{'spool':'90000'},'measures':{'wrap':'310'}}`,
		`item id=STCK {'item':'stock','name':'Card stock','type':'supply','unit':'each'}`,
		`item id=SEA {'item':'seal','name':'Seal','type':'supply','unit':'each','piece_weight':'0.4'}`,
		`retire id=RET {'item':'seal'}`,
		`packspec id=SPEC {'formats':[{'format':'mailer','accepts':['card'],'lines':[{'item':'mailer','qty':'1','per':'parcel'}]}]}`,
		`packspec id=GNE {'formats':[{'format':'box'}]}`,
		`reverse id=REV1 {'event':'@GNE','reason':'typing'}`,
		`makespec id=MAKE {'item':'card-fern','pieces':'4','lines':[{'item':'stock','qty':'1','per':'cycle'}]}`,
		`order id=RDR {'order':'1001','zone':'home','lines':[{'item':'card-fern','qty':'1'}]}`,
		`pack id=PACK {'order':'1002','lines':[{'item':'card-fern','qty':'1'}]}`,
		`purchase id=BYE {'supplier':'Tarnwick Board','lines':[{'item':'stock','qty':'500'}]}`,
		`restock id=REST {'lines':[{'item':'stock','qty':'500','cost':'60.00'}]}`,
		`restock id=TWCE {'lines':[{'item':'stock','qty':'500','cost':'60.00'}]}`,
		`reverse id=REV2 {'event':'@TWCE','reason':'entered twice'}`,
		`decide id=DEC {'event':'@PACK','keep':true}`,
		`count id=CNT {'item':'mailer','qty':'140'}`,
	)...)
}

var zones = map[string]bool{"America/Halifax": true, "Europe/Lisbon": true}

func check(l *ledger, list []event.Fact) error {
	return entry.Check(list, l, now, func(z string) error {
		if !zones[z] {
			return errors.New("unknown zone")
		}
		return nil
	})
}

// fault returns the entry error.
func fault(t interface {
	Helper()
	Fatalf(string, ...any)
}, err error) *entry.Error {
	t.Helper()
	var e *entry.Error
	if !errors.As(err, &e) {
		t.Fatalf("got %v, want an entry error", err)
	}
	return e
}
