package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/plan"
)

// packFlags are what a pack can say.
type packFlags struct {
	posting
	changeFlags
	fact    event.Pack
	parcels []string
	spec    string
	resend  bool
	open    bool
	dryRun  bool
	but     openFlags
}

func (m *Main) packCmd() *cobra.Command {
	var f packFlags
	cmd := &cobra.Command{
		Use:   "pack ORDER [ITEM=N ...]",
		Short: "Record a packed order, or all open ones",
		Long: `Record that an order was packed as the packing spec says, and what differed. Without ITEM=N it is the whole order as placed;
with them a part shipment, or an order that isn't known here (then --to says where it went).
pack --open packs whatever is still open, oldest first; with --dry-run it only says which orders these are. --except leaves an order out, and --but says what differed
for one: all that you would write behind pack for that order alone. --but-file reads such lines from a file, with --stays behind the orders that are
left out. All of it is recorded, or nothing.`,
		Example: `  countback pack 2041
  countback pack 2042 fern-card=2 --with cord="20 cm" --without freebie
  countback pack --open
  countback pack --open --except 2043 --but "2042 --with cord=200 --postage 4.85"`,
		Args: func(cmd *cobra.Command, args []string) error {
			if f.open {
				return cobra.NoArgs(cmd, args)
			}
			return cobra.MinimumNArgs(1)(cmd, args)
		},
	}
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, to string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return m.orderNumbers(true)(cmd, args, to)
		}
		return m.itemPairs(cmd, args, to)
	}
	f.posting.flags(cmd)
	f.changeFlags.flags(m, cmd)
	f.oneFlags(cmd)
	f.but.flags(m, cmd)
	fl := cmd.Flags()
	fl.BoolVar(&f.open, "open", false, "pack all orders that are open")
	fl.BoolVar(&f.dryRun, "dry-run", false, "with --open: only list them")
	fl.BoolVar(&f.resend, "resend", false, "sent again, for one that got lost or broken")
	complete(cmd, "joined", m.orderNumbers(false))
	complete(cmd, "spec", m.eventIDs(event.KindPackSpec))
	one := m.recording(&f.posting, func(d *desk, args []string) (event.Data, error) { return f.read(d, args) })
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch {
		case f.open:
			return m.writing(func(d *desk, _ []string) error { return f.packOpen(d) })(cmd, args)
		case f.dryRun:
			return wrong("--dry-run", "write pack --open --dry-run", "it goes with --open")
		case f.but.any():
			return wrong("--except, --but, --but-file", "write pack --open", "they go with --open")
		}
		return one(cmd, args)
	}
	return cmd
}

// oneFlags are those that say something about one pack, beside its changes.
func (f *packFlags) oneFlags(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.fact.Zone, "to", "", "`zone` it went to, where it isn't the order's")
	fl.StringArrayVar(&f.fact.Options, "option", nil, "`name` of an option, like gift wrap, instead of the order's; may be repeated")
	fl.StringArrayVar(&f.parcels, "parcel", nil, "how it was split, `FORMAT:ITEM=N,ITEM=N`; may be repeated (format none: handed over)")
	fl.StringVar(&f.fact.Joined, "joined", "", "`order` in whose parcel it travelled")
	fl.Var(moneyFlag(&f.fact.Postage), "postage", "postage paid")
	fl.StringVar(&f.spec, "spec", "", "`EVENT` of the packing spec that was used, where it isn't the one in force")
}

func (f *packFlags) read(d *desk, args []string) (event.Data, error) {
	p := &f.fact
	p.Order, p.Note = args[0], f.note
	var err error
	if p.Lines, err = d.goods(args[1:]); err != nil {
		return nil, err
	}
	if p.Lines == nil {
		if known, err := d.held.Order(p.Order); err != nil {
			return nil, err
		} else if !known {
			return nil, wrong("", "take the orders in (countback import orders FILE --map MAP), or say what was packed: countback pack "+p.Order+" ITEM=N --to ZONE", "order %s is not known here", p.Order)
		}
	}
	if p.Changes, err = f.changeFlags.read(d); err != nil {
		return nil, err
	}
	for _, text := range f.parcels {
		format, list, ok := strings.Cut(text, ":")
		if !ok || format == "" {
			return nil, wrong("--parcel", "write it like --parcel flat-mailer:fern-card=2,seal-card=1", "%q can't be read", text)
		}
		lines, err := d.goods(strings.Split(list, ","))
		if err != nil {
			return nil, inPlace("--parcel", "", err)
		}
		p.Parcels = append(p.Parcels, event.Parcel{Format: format, Lines: lines})
	}
	if f.resend {
		p.Resend = &f.resend
	}
	return p, parseID(&p.Spec, "--spec", f.spec)
}

// openOrder is one order that waits to be packed.
type openOrder struct {
	Order  string `json:"order"`
	Zone   string `json:"zone,omitempty"`
	Placed string `json:"placed"`
	Pieces string `json:"pieces"`
	Why    string `json:"why,omitempty"`     // why it is left out
	But    string `json:"differs,omitempty"` // what differs for it
	fact   event.Pack
}

// packOpen packs what is open, oldest first.
func (f *packFlags) packOpen(d *desk) error {
	if f.fact.Joined != "" || len(f.parcels) > 0 || f.fact.Postage != nil || f.resend {
		return wrong("--open", "record those orders one by one", "--joined, --parcel, --postage and --resend belong to one order")
	}
	changes, err := f.changeFlags.read(d)
	if err != nil {
		return err
	}
	if err := parseID(&f.fact.Spec, "--spec", f.spec); err != nil {
		return err
	}
	at, err := f.time(d, event.KindPack)
	if err != nil {
		return err
	}
	log, err := d.log(0)
	if err != nil {
		return err
	}
	state := log.Run(fold.Run{Progress: d.m.progress("Adding up")})
	ready, waiting := openOrders(d, state, at.Ms())
	for _, o := range ready {
		o.fact.Zone, o.fact.Options, o.fact.Spec, o.fact.Changes, o.fact.Note = f.fact.Zone, f.fact.Options, f.fact.Spec, changes, f.note
	}
	ready, waiting, err = f.but.apply(d, state, ready, waiting)
	if err != nil {
		return err
	}
	var facts []event.Fact
	for _, o := range ready {
		facts = append(facts, event.Fact{Time: at, Data: &o.fact})
	}
	if f.dryRun {
		return d.listOpen(ready, waiting)
	}
	if len(facts) == 0 {
		return d.listOpen(ready, waiting)
	}
	before, err := d.before(facts)
	if err != nil {
		return err
	}
	result, err := d.record(facts, func(i int) string { return "order " + ready[i].Order })
	if err != nil {
		return err
	}
	return d.tell(facts, result, before)
}

// openOrders parts the orders placed by an instant into those that can be packed and those that wait for a decision first.
func openOrders(d *desk, state *fold.State, at int64) (ready, waiting []*openOrder) {
	can, wait := plan.Packs(state, at)
	of := func(list []plan.Packing, why func(*plan.Packing) string) (out []*openOrder) {
		for i := range list {
			p := &list[i]
			out = append(out, &openOrder{Order: p.Order, Zone: p.Zone, Placed: d.style().Time(p.PlacedMs), Pieces: p.Pieces.String(), Why: why(p), fact: p.Pack})
		}
		return out
	}
	return of(can, func(*plan.Packing) string { return "" }),
		of(wait, func(p *plan.Packing) string {
			return "a pack of it waits for a decision: countback decide " + p.Waits.String() + " keep|drop"
		})
}

func (d *desk) listOpen(ready, waiting []*openOrder) error {
	g := &grid{columns: []column{{name: "order", head: "Order"}, {name: "zone", head: "To"}, {name: "placed", head: "Placed"},
		{name: "pieces", head: "Pieces", figure: true}, {name: "differs", head: "But", flexible: true}, {name: "why", head: "Stays", flexible: true}}}
	all := append(slices.Clone(ready), waiting...)
	for _, o := range all {
		g.add(plain(o.Order), plain(o.Zone), day(o.Placed), figure(o.Pieces), plain(o.But), plain(o.Why))
	}
	lead := "No order is open."
	if len(all) > 0 {
		lead = count(len(ready), "order is", "orders are") + " open and would be packed. Nothing was recorded."
	}
	if all == nil {
		all = []*openOrder{}
	}
	return d.m.report(struct {
		Open []*openOrder `json:"open"`
	}{all}, lead, g, "")
}
