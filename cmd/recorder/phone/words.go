package phone

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
)

// words tells facts in a line each, as somebody at the cart would.
type words struct {
	c    *catalog.Catalog
	view *catalog.View
}

func (p *Phone) say(facts []event.Fact) []string {
	w := p.words()
	out := make([]string, len(facts))
	for i, f := range facts {
		out[i] = w.fact(f.Data)
	}
	return out
}

// words are those of the definitions as they stand now. p.mu is held.
func (p *Phone) words() *words {
	_, c, err := p.held.Catalog()
	if err != nil {
		return &words{} // items are named by their ids, then
	}
	return &words{c, c.End()}
}

func (w *words) name(item string) string {
	if w.c != nil {
		if it, ok := w.c.Find(item); ok {
			if n := w.view.Def(it.Index).Name; n != "" {
				return n
			}
		}
	}
	return item
}

func (w *words) unit(item string) string {
	if w.c != nil {
		if it, ok := w.c.Find(item); ok && it.Unit() != "each" {
			return " " + it.Unit()
		}
	}
	return ""
}

// amount is a number of pieces, or of packs or measures of a name.
func (w *words) amount(item string, q *num.Qty, named string) string {
	switch {
	case q == nil:
		return ""
	case named != "":
		return q.String() + " × " + named
	}
	return q.String() + w.unit(item)
}

func (w *words) goods(list []event.Goods) string {
	var parts []string
	for _, g := range list {
		parts = append(parts, g.Qty.String()+" "+w.name(g.Item))
	}
	return strings.Join(parts, ", ")
}

func (w *words) fact(d event.Data) string {
	switch f := d.(type) {
	case *event.Restock:
		return w.restock(f)
	case *event.Pack:
		return w.pack(f)
	case *event.Count:
		if f.Gross != nil {
			return fmt.Sprintf("Count: %s weighs %s %s", w.name(f.Item), f.Gross, f.WeightUnit)
		}
		return fmt.Sprintf("Count: %s %s", w.amount(f.Item, f.Qty, f.Pack+f.Measure), w.name(f.Item))
	case *event.Damage:
		return fmt.Sprintf("%s: %s %s", capital(reasons[f.Reason]), w.amount(f.Item, &f.Qty, f.Measure), w.name(f.Item))
	case *event.Reprint:
		return fmt.Sprintf("Print run: %s %s good, %s spoiled", f.Good, w.name(f.Item), f.Spoiled)
	case *event.Order:
		return "Order " + f.Order + ": " + w.goods(f.Lines)
	case *event.Return:
		var parts []string
		for _, l := range f.Lines {
			parts = append(parts, fmt.Sprintf("%s %s, %s", l.Qty, w.name(l.Item), l.Condition))
		}
		return "Return of order " + f.Order + ": " + strings.Join(parts, "; ")
	case *event.Reverse:
		return "Taken back: an entry (" + f.Reason + ")"
	case *event.Item:
		if f.Barcode != "" {
			return fmt.Sprintf("%s: barcode %s", w.name(f.Item), f.Barcode)
		}
		return w.name(f.Item) + ": defined"
	case nil:
		return "An entry that this version doesn't know"
	}
	return capital(kindWords[d.Kind()])
}

var reasons = map[string]string{
	"damaged": "damaged", "spoiled": "spoiled", "expired": "expired", "sample": "sample", "gift": "gift", "own_use": "own use", "other": "write-off",
}

var kindWords = map[event.Kind]string{
	event.KindShop: "settings of the shop", event.KindRetire: "an item is retired", event.KindPackSpec: "packing spec", event.KindMakeSpec: "make spec",
	event.KindPurchase: "on order at a supplier", event.KindCredit: "credit of a supplier", event.KindDecide: "decision", event.KindClose: "a month is closed",
	event.KindDevice: "a device has joined", event.KindRevoke: "a device is shut out",
}

func (w *words) restock(f *event.Restock) string {
	var parts []string
	for _, l := range f.Lines {
		parts = append(parts, w.amount(l.Item, l.Qty, l.Pack)+" "+w.name(l.Item))
	}
	return "Restock: " + strings.Join(parts, ", ")
}

func (w *words) pack(f *event.Pack) string {
	text := "Packed: order " + f.Order
	if len(f.Lines) > 0 {
		text += ", " + w.goods(f.Lines)
	}
	if n := len(f.Changes); n > 0 {
		var parts []string
		for _, c := range f.Changes {
			parts = append(parts, w.change(c))
		}
		text += " (" + strings.Join(parts, ", ") + ")"
	}
	return text
}

func (w *words) change(c event.Change) string {
	text := ""
	switch {
	case c.Total != nil:
		text = w.amount(c.Item, c.Total, c.Measure) + " " + w.name(c.Item)
	case c.Qty != nil && c.Qty.Sign() > 0:
		text = w.amount(c.Item, c.Qty, c.Measure) + " " + w.name(c.Item) + " more"
	case c.Qty != nil:
		less := num.Qty{}.Sub(*c.Qty)
		text = w.amount(c.Item, &less, c.Measure) + " " + w.name(c.Item) + " less"
	}
	if c.InsteadOf != "" {
		text += " instead of " + w.name(c.InsteadOf)
	}
	return text
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
