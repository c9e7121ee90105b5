package main

import (
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/num"
)

// changeFlags are what differed from a spec, as flags.
type changeFlags struct {
	with, without, total, instead []string
}

func (c *changeFlags) flags(m *Main, cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringArrayVar(&c.with, "with", nil, "used more of it than the spec says, `ITEM=N`; may be repeated")
	f.StringArrayVar(&c.without, "without", nil, "used none of it, `ITEM`; may be repeated")
	f.StringArrayVar(&c.total, "total", nil, "used exactly this of it, `ITEM=N`; may be repeated")
	f.StringArrayVar(&c.instead, "instead", nil, "used N of NEW instead of OLD, `OLD=NEW=N`; may be repeated")
	complete(cmd, "with", m.itemPairs)
	complete(cmd, "without", m.itemIDs)
	complete(cmd, "total", m.itemPairs)
	complete(cmd, "instead", m.itemPairs)
}

// read turns the flags into changes, in the order with, without, total, instead.
func (c *changeFlags) read(d *desk) ([]event.Change, error) {
	var list []event.Change
	for _, text := range c.with {
		ch, err := d.change(text, "--with ITEM=N")
		if err != nil {
			return nil, inPlace("--with", "", err)
		}
		list = append(list, ch)
	}
	for _, id := range c.without {
		if _, err := d.item(id); err != nil {
			return nil, inPlace("--without", "", err)
		}
		list = append(list, event.Change{Item: id, Total: &num.Qty{}})
	}
	for _, text := range c.total {
		ch, err := d.change(text, "--total ITEM=N")
		if err != nil {
			return nil, inPlace("--total", "", err)
		}
		ch.Total, ch.Qty = ch.Qty, nil
		list = append(list, ch)
	}
	for _, text := range c.instead {
		old, rest, err := splitPair(text, "--instead OLD=NEW=N")
		if err != nil {
			return nil, inPlace("--instead", "", err)
		}
		ch, err := d.change(rest, "--instead OLD=NEW=N")
		if err != nil {
			return nil, inPlace("--instead", "", err)
		}
		if _, err := d.item(old); err != nil {
			return nil, inPlace("--instead", "", err)
		}
		ch.Total, ch.Qty, ch.InsteadOf = ch.Qty, nil, old
		list = append(list, ch)
	}
	return list, nil
}

// change reads ITEM=N, N in base units, a measure, a pack or a unit.
func (d *desk) change(text, form string) (event.Change, error) {
	id, value, err := splitPair(text, form)
	if err != nil {
		return event.Change{}, err
	}
	a, err := d.amount(id, value, "")
	if err != nil {
		return event.Change{}, err
	}
	ch := event.Change{Item: id, Qty: &a.qty, Measure: a.measure}
	if a.pack != "" {
		base := d.base(id, a)
		ch.Qty = &base
	}
	return ch, nil
}

// goods reads ITEM=N in whole pieces.
func (d *desk) goods(list []string) ([]event.Goods, error) {
	var out []event.Goods
	for _, text := range list {
		id, value, err := splitPair(strings.TrimSpace(text), "ITEM=N")
		if err != nil {
			return nil, err
		}
		a, err := d.amount(id, value, "")
		if err != nil {
			return nil, err
		}
		q := d.base(id, a)
		if q.Sign() <= 0 || !q.IsWhole() {
			return nil, wrong("", "write it like "+id+"=2", "%s of %s: goods are whole pieces, 1 or more", value, id)
		}
		out = append(out, event.Goods{Item: id, Qty: q})
	}
	return out, nil
}
