package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"time"

	_ "time/tzdata" // a machine may lack the zones

	"github.com/spf13/cobra"

	"countback/ledger/catalog"
	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/near"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/projections/fold"
	"countback/projections/report"
	"countback/projections/resume"
)

// desk is an open ledger.
type desk struct {
	m      *Main
	ctx    context.Context
	dir    string
	store  store.Store
	key    *key.Key // nil where a command only reads
	shopID string

	shop    catalog.Shop
	catalog *catalog.Catalog // of everything that is held
	view    *catalog.View    // behind its last change
	held    *entry.Held      // what the check of entry asks
	zone    *time.Location

	machine string // what tells this machine from others, "" for nothing

	leave []*resume.Result // folds that may leave checkpoints
}

// openDesk opens the ledger of the chosen folder for reading.
func (m *Main) openDesk(ctx context.Context) (*desk, error) {
	dir, err := m.folder()
	if err != nil {
		return nil, err
	}
	s, err := m.openStore(dir)
	if err != nil {
		return nil, err
	}
	d := &desk{m: m, ctx: ctx, dir: dir, store: s}
	if err := d.load(); err != nil {
		s.Close()
		return nil, err
	}
	return d, nil
}

// reading runs a command on the open ledger.
func (m *Main) reading(do func(d *desk, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) (err error) {
		d, err := m.openDesk(cmd.Context())
		if err != nil {
			return err
		}
		defer d.close(&err)
		return do(d, args)
	}
}

// writing is reading for a command that records.
func (m *Main) writing(do func(d *desk, args []string) error) func(*cobra.Command, []string) error {
	return m.reading(func(d *desk, args []string) error {
		k, err := d.ownKey()
		if err != nil {
			return err
		}
		d.key = k
		defer d.remember()
		return do(d, args)
	})
}

func (d *desk) close(err *error) {
	if *err == nil {
		d.leaveCheckpoints()
	}
	if e := d.store.Close(); *err == nil {
		*err = e
	}
}

// load reads what the shop is.
func (d *desk) load() error {
	if err := d.findShop(); err != nil {
		return err
	}
	d.held = entry.NewHeld(d.ctx, d.store)
	var err error
	if _, d.catalog, err = d.held.Catalog(); err != nil {
		return err
	}
	d.view = d.catalog.End()
	d.shop = d.catalog.Shop
	d.zone, err = loadZone(d.shop.Zone)
	if err != nil {
		return inPlace(d.dir, "", err)
	}
	return nil
}

func loadZone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, wrong("zone", "give an IANA time zone, like America/Halifax", "%q is not a time zone", name)
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, &fault{what: fmt.Sprintf("%q is not a time zone known here", name), where: "zone", hint: "give an IANA time zone, like America/Halifax", status: statusUse, err: err}
	}
	return zone, nil
}

// findShop takes the shop's id from the first event that stands here.
func (d *desk) findShop() error {
	found := fmt.Errorf("found")
	err := d.store.Scan(d.ctx, 0, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return store.Fail("open the ledger", ledgerPath(d.dir), store.ErrDamaged, err)
		}
		d.shopID = e.Shop
		return found
	})
	switch {
	case err == found:
		return nil
	case err != nil:
		return err
	}
	return &fault{what: "the ledger holds nothing yet; an earlier init was cut short", where: d.dir, hint: "remove the folder and run countback init again", status: statusMachine}
}

// recorder records as this device.
func (d *desk) recorder() *record.Recorder {
	return &record.Recorder{Store: d.store, Key: d.key, Shop: d.shopID, Now: d.m.Now, Entropy: d.m.Entropy, Person: d.m.person, Progress: d.m.bar("Recording", longRecord)}
}

// now is the present in the shop's zone.
func (d *desk) now() time.Time { return d.m.Now().In(d.zone) }

// scan parses the events of some kinds.
func scan(ctx context.Context, s store.Store, kinds []event.Kind) ([]*event.Event, error) {
	var list []*event.Event
	err := s.ScanKinds(ctx, kinds, 0, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return store.Fail("read the ledger", fmt.Sprintf("event number %d", r.N), store.ErrDamaged, err)
		}
		list = append(list, e)
		return nil
	})
	return list, err
}

// check is the check of entry, to be run inside the transaction that records.
func (d *desk) check(facts []event.Fact) func(store.Tx) error {
	return func(tx store.Tx) error {
		return d.held.Within(tx, d.key.Device(), func() error {
			return entry.Check(facts, d.held, d.m.Now(), func(name string) error {
				_, err := loadZone(name)
				return err
			})
		})
	}
}

// log reads the events for a fold. known 0 is all.
func (d *desk) log(known int64) (*fold.Log, error) {
	return fold.Read(d.ctx, fold.Stored(d.store), fold.Choice{Known: known})
}

// style is how reports write times and money.
func (d *desk) style() report.Style { return report.Style{Zone: d.zone, Exact: d.m.exact} }

// item finds an item by its id.
func (d *desk) item(id string) (*catalog.Item, error) {
	if it, ok := d.catalog.Find(id); ok {
		return it, nil
	}
	return nil, d.noItem(id)
}

func (d *desk) noItem(id string) error {
	hint := cmp.Or(near.Advice(near.Names(id, d.itemIDs())), "define it with countback item "+id+" --name NAME --type supply --unit each")
	return wrong("", hint, "there is no item %q", id)
}

func (d *desk) itemIDs() []string {
	ids := make([]string, len(d.catalog.Items))
	for i, it := range d.catalog.Items {
		ids[i] = it.ID
	}
	return ids
}
