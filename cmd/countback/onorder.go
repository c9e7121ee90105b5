package main

import (
	"strings"
	"time"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/purchases"
)

// owed lists the lines of purchases, and the items that their numbers mean. There is nothing to read where nobody ever recorded a purchase.
func (d *desk) owed(asOf, known int64) (*fold.Log, []purchases.Line, error) {
	list, err := scan(d.ctx, d.store, []event.Kind{event.KindPurchase})
	if err != nil || len(list) == 0 {
		return nil, nil, err
	}
	log, err := fold.Read(d.ctx, purchases.Of(d.store), fold.Choice{Known: known})
	if err != nil {
		return nil, nil, err
	}
	return log, purchases.Open(log, asOf), nil
}

// onOrder is what is on order of each item, in base units. Items of which nothing is on order are left out.
func (d *desk) onOrder(asOf, known int64) (map[string]num.Qty, error) {
	log, lines, err := d.owed(asOf, known)
	on := map[string]num.Qty{}
	for item, q := range purchases.OnOrder(lines) {
		if q.Sign() > 0 {
			on[log.Catalog.Items[item].ID] = q
		}
	}
	return on, err
}

// owedLine is what a purchase says of one item, in its base units.
type owedLine struct {
	Item     string `json:"item"`
	Unit     string `json:"unit"`
	Ordered  string `json:"ordered"`
	Received string `json:"received"`
	OnOrder  string `json:"on_order"`
}

// owedOf lists the lines of one purchase; nil for any other event, and for a purchase that was reversed.
func (d *desk) owedOf(id event.ID, asOf, known int64) ([]owedLine, error) {
	log, lines, err := d.owed(asOf, known)
	var out []owedLine
	for _, l := range lines {
		if l.Purchase == id {
			it := log.Catalog.Items[l.Item]
			out = append(out, owedLine{it.ID, it.Unit(), l.Ordered.String(), l.Received.String(), l.OnOrder.String()})
		}
	}
	return out, err
}

// owing is a purchase that owes some of an item, in its base units.
type owing struct {
	Purchase string `json:"purchase"`
	Supplier string `json:"supplier,omitempty"`
	Ref      string `json:"ref,omitempty"`
	Due      string `json:"due,omitempty"`
	OnOrder  string `json:"on_order"`
}

// owing lists the purchases that owe some of an item.
func (d *desk) owing(item string, a asked) ([]owing, error) {
	asOf, known, err := a.instants(d)
	if err != nil {
		return nil, err
	}
	log, lines, err := d.owed(asOf, known)
	var out []owing
	for _, l := range lines {
		if l.OnOrder.Sign() > 0 && log.Catalog.Items[l.Item].ID == item {
			out = append(out, owing{l.Purchase.String(), l.Supplier, l.Ref, string(l.Due), l.OnOrder.String()})
		}
	}
	return out, err
}

// owingText says what is on order, by which purchase, so that a delivery can name it.
func owingText(list []owing, unit string) string {
	var lines []string
	for _, o := range list {
		text := "On order: " + words.InUnit(o.OnOrder, unit)
		if o.Supplier != "" {
			text += " from " + o.Supplier
		}
		if o.Ref != "" {
			text += ", " + o.Ref
		}
		if due, err := time.Parse(time.DateOnly, o.Due); err == nil {
			text += ", due " + words.Day(due)
		}
		lines = append(lines, text+". The purchase is "+o.Purchase+".")
	}
	return strings.Join(lines, "\n")
}

// owedText is a purchase's lines as a table above the movements.
func (m *Main) owedText(list []owedLine) string {
	if m.format != formatTable || len(list) == 0 {
		return ""
	}
	g := &grid{columns: []column{{head: "Item", flexible: true}, {head: "Ordered", figure: true}, {head: "Received", figure: true}, {head: "On order", figure: true}, {head: "Unit"}}}
	for _, l := range list {
		g.add(plain(l.Item), figure(l.Ordered), figure(l.Received), figure(l.OnOrder), plain(l.Unit))
	}
	return m.layOut(g) + "\n\n"
}
