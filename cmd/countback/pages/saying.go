package pages

import (
	"strings"

	"countback/ledger/event"
	"countback/ledger/num"
)

// kindNames are the kinds as a person says them.
var kindNames = map[event.Kind]string{
	event.KindShop: "Shop settings", event.KindItem: "Item", event.KindRetire: "Item retired", event.KindPackSpec: "Packing spec", event.KindMakeSpec: "Make spec",
	event.KindOrder: "Order", event.KindPack: "Packed", event.KindReturn: "Return", event.KindPurchase: "Purchase", event.KindRestock: "Restock", event.KindCredit: "Credit",
	event.KindReprint: "Print run", event.KindDamage: "Write-off", event.KindCount: "Count", event.KindReverse: "Reversal", event.KindDecide: "Decision",
	event.KindClose: "Close", event.KindDevice: "Device", event.KindRevoke: "Revocation",
}

// KindName is a kind as a person says it. A kind that this program doesn't know keeps its own name.
func KindName(k event.Kind) string {
	if name, ok := kindNames[k]; ok {
		return name
	}
	return string(k)
}

// mostSaid is how many lines of an event are said before it is "and 3 more".
const mostSaid = 3

// Say says what an event says in one line, without its kind and time. Items go by their id, which is what a person types.
func Say(e *event.Event) string {
	if e.Fault != nil {
		return "can't be read: " + e.Fault.Error()
	}
	switch d := e.Data.(type) {
	case *event.Shop:
		return sayFields("name", d.Name, "currency", d.Currency, "zone", d.Zone, "costing", d.Costing, "keeper", d.Keeper)
	case *event.Item:
		return d.Item + prefixed(": ", sayFields("name", d.Name, "type", d.Type, "place", d.Place, "supplier", d.Supplier))
	case *event.Retire:
		return d.Item
	case *event.PackSpec:
		var names []string
		for _, f := range d.Formats {
			names = append(names, f.Format)
		}
		return "parcels: " + some(names)
	case *event.MakeSpec:
		return d.Item + ", " + count(d.Pieces, "piece") + " a cycle from " + some(specItems(d.Lines))
	case *event.Device:
		return d.Name + ", a " + d.Role
	case *event.Revoke:
		return d.Device + ", after its event " + Grouped(d.Last) + prefixed(": ", d.Reason)
	case *event.Close:
		return d.Period
	}
	return sayFact(e.Data)
}

func sayFact(data event.Data) string {
	switch d := data.(type) {
	case *event.Order:
		return "order " + d.Order + " to " + d.Zone + ": " + some(sayGoods(d.Lines))
	case *event.Pack:
		return sayPack(d)
	case *event.Return:
		var list []string
		for _, l := range d.Lines {
			list = append(list, times(l.Qty, l.Item)+" ("+l.Condition+")")
		}
		return "order " + d.Order + ": " + some(list)
	case *event.Purchase:
		var list []string
		for _, l := range d.Lines {
			list = append(list, packed(l.Qty, l.Pack, l.Item))
		}
		return some(list) + " at " + d.Supplier + prefixed(", due ", string(d.Due))
	case *event.Restock:
		return sayRestock(d)
	case *event.Credit:
		var list []string
		for _, l := range d.Lines {
			text := l.Item + " " + Grouped(l.Amount.String())
			if l.Qty != nil {
				text += " for " + Grouped(l.Qty.String())
			}
			list = append(list, text)
		}
		return some(list) + prefixed(", ", d.Reason)
	case *event.Reprint:
		text := Grouped(d.Good.String()) + " good, " + Grouped(d.Spoiled.String()) + " spoiled of " + d.Item
		return text + prefixed(", for order ", d.Order)
	case *event.Damage:
		return packed(d.Qty, d.Measure, d.Item) + ", " + strings.ReplaceAll(d.Reason, "_", " ") + prefixed(": ", d.Note)
	case *event.Count:
		return sayCount(d)
	case *event.Reverse:
		return "takes back " + d.Event.String() + prefixed(": ", d.Reason)
	case *event.Decide:
		word := "drop"
		if d.Keep != nil && *d.Keep {
			word = "keep"
		}
		return word + " " + d.Event.String() + prefixed(": ", d.Reason)
	}
	return "of a kind that this program doesn't know"
}

func sayPack(d *event.Pack) string {
	text := "order " + d.Order
	if d.Resend != nil && *d.Resend {
		text += ", sent again"
	}
	if len(d.Lines) > 0 {
		text += ": " + some(sayGoods(d.Lines))
	}
	if len(d.Changes) == 0 {
		return text
	}
	var list []string
	for _, c := range d.Changes {
		switch {
		case c.Total != nil && c.Total.IsZero():
			list = append(list, "without "+c.Item)
		case c.Total != nil:
			list = append(list, packed(*c.Total, c.Measure, c.Item)+prefixed(" instead of ", c.InsteadOf))
		default:
			sign := "+"
			if c.Qty.Sign() < 0 {
				sign = ""
			}
			list = append(list, sign+packed(*c.Qty, c.Measure, c.Item))
		}
	}
	return text + "; " + some(list)
}

func sayRestock(d *event.Restock) string {
	var list []string
	for _, l := range d.Lines {
		list = append(list, packed(*l.Qty, l.Pack, l.Item))
	}
	return some(list) + prefixed(" from ", d.Supplier) + prefixed(", ", d.Ref)
}

func sayCount(d *event.Count) string {
	text := d.Item + ": "
	switch {
	case d.Qty != nil && d.Measure+d.Pack != "":
		text += Grouped(d.Qty.String()) + " " + d.Measure + d.Pack
	case d.Qty != nil:
		text += Grouped(d.Qty.String())
	case d.Gross != nil:
		text += Grouped(d.Gross.String()) + " " + d.WeightUnit + " on the scale"
	}
	return text + prefixed(" at ", d.Place) + prefixed(", session ", d.Session)
}

func sayGoods(lines []event.Goods) []string {
	var list []string
	for _, l := range lines {
		list = append(list, times(l.Qty, l.Item))
	}
	return list
}

func specItems(lines []event.Line) []string {
	var list []string
	for _, l := range lines {
		list = append(list, l.Item)
	}
	return list
}

func times(q num.Qty, item string) string { return Grouped(q.String()) + " × " + item }

// packed is a quantity in a pack or measure, or in base units where there is none.
func packed(q num.Qty, form, item string) string {
	if form == "" {
		return times(q, item)
	}
	return Grouped(q.String()) + " " + form + " of " + item
}

func count(q num.Qty, one string) string {
	if q.String() == "1" {
		return "1 " + one
	}
	return Grouped(q.String()) + " " + one + "s"
}

// sayFields says the fields that aren't empty.
func sayFields(pairs ...string) string {
	var list []string
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			list = append(list, pairs[i]+" "+pairs[i+1])
		}
	}
	return strings.Join(list, ", ")
}

func prefixed(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}

// some names the first few of a list.
func some(list []string) string {
	if len(list) <= mostSaid {
		return strings.Join(list, ", ")
	}
	return strings.Join(list[:mostSaid], ", ") + " and " + Grouped(len(list)-mostSaid) + " more"
}

// Names lists the ids of the items that an event's data names, each once.
func Names(data event.Data) []string {
	seen := map[string]bool{}
	var list []string
	add := func(ids ...string) {
		for _, id := range ids {
			if id != "" && !seen[id] {
				seen[id] = true
				list = append(list, id)
			}
		}
	}
	goods := func(lines []event.Goods) {
		for _, l := range lines {
			add(l.Item)
		}
	}
	changes := func(list []event.Change) {
		for _, c := range list {
			add(c.Item, c.InsteadOf)
		}
	}
	switch d := data.(type) {
	case *event.Item:
		add(d.Item)
		for _, p := range d.Parts {
			add(p.Item)
		}
	case *event.Retire:
		add(d.Item)
	case *event.PackSpec:
		add(specItems(d.Lines)...)
		for _, f := range d.Formats {
			add(specItems(f.Lines)...)
		}
	case *event.MakeSpec:
		add(append([]string{d.Item}, specItems(d.Lines)...)...)
	case *event.Order:
		goods(d.Lines)
	case *event.Pack:
		goods(d.Lines)
		changes(d.Changes)
	case *event.Return:
		for _, l := range d.Lines {
			add(l.Item)
		}
	case *event.Purchase:
		for _, l := range d.Lines {
			add(l.Item)
		}
	case *event.Restock:
		for _, l := range d.Lines {
			add(l.Item)
		}
	case *event.Credit:
		for _, l := range d.Lines {
			add(l.Item)
		}
	case *event.Reprint:
		add(d.Item)
		changes(d.Changes)
	case *event.Damage:
		add(d.Item)
	case *event.Count:
		add(d.Item)
	}
	return list
}
